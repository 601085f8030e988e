//! Adaptive moments: a star's place, light and shape through a Gaussian weight that takes on its shape.
//!
//! Source: [HS03] Hirata & Seljak 2003, MNRAS 343, 459, section 2.1 (adaptive moments as the
//! best-fitting elliptical Gaussian).

use super::background::Background;
use super::noise::Noise;
use super::pedestal::local_pedestal;
use super::weight::{Across, Geometric, Under, inverse, level_at, visit};
use crate::frame::Plane;
use crate::units::{PixelPoint, PixelTensor};

/// Result of the adaptive scheme.
#[derive(Debug, Clone, Copy)]
pub(super) struct Adaptive {
    pub(super) center: PixelPoint,
    pub(super) moments: PixelTensor,
    pub(super) flux: f64,
    pub(super) errors: AdaptiveErrors,
}

/// 1-sigma errors of the adaptive scheme's results.
#[derive(Debug, Clone, Copy)]
pub(super) struct AdaptiveErrors {
    /// Covariance of the place, square pixels.
    pub(super) place: PixelTensor,
    /// Sigma of each of the moments, square pixels.
    pub(super) moments: PixelTensor,
    pub(super) flux: f64,
    /// Brightest pixel near the middle, above the sky.
    pub(super) peak: f64,
}

/// Why the scheme found no star.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum NoStar {
    /// It shrank onto one pixel.
    TooNarrow,
    /// It grew beyond anything a lens draws.
    TooWide,
    /// No light, or the place ran away or off the frame.
    Lost,
}

/// Widths outside of which a patch is no star, in pixels (Gaussian sigma).
const NARROWEST: f64 = 0.25;
const WIDEST: f64 = 12.0;
const MOST_ROUNDS: usize = 40;
/// Round by which a star far from the first guess's width gets a ring of its own for its pedestal.
const LATEST_RING: usize = 3;
/// The weight is never narrower than this (square pixels): sums over pixels would no longer follow
/// the integrals, by more than a few per cent of the moments.
const NARROWEST_WEIGHT: f64 = 1.3;

/// Adaptive moments near `start` with a first guess of the width (Gaussian sigma, pixels).
///
/// Method: the star's moments follow from those under the weight as if it were Gaussian,
/// star = (weighted^-1 - weight^-1)^-1, and the weight takes on the star's moments until both agree.
/// A star narrower than the pixels can carry keeps a wider weight.
pub(super) fn adaptive_moments(
    plane: &Plane,
    sky: &Background,
    noise: &Noise,
    start: PixelPoint,
    sigma: f64,
) -> Result<Adaptive, NoStar> {
    let mut center = start;
    let mut shape = PixelTensor::new(sigma * sigma, 0.0, sigma * sigma);
    let mut pedestal = local_pedestal(plane, sky, center, sigma).ok_or(NoStar::Lost)?;
    // The ring that the pedestal is taken from fits the width of the first guess.
    let mut ring_fits = false;
    let mut across = Across::default();
    let sky_noise = sky.noise_near(center);
    for round in 0..MOST_ROUNDS {
        let weight = weight_of(shape);
        let level = level_at(sky, center, pedestal);
        let sums = Under::of(plane, center, weight)
            .map(|under| Sums::of(plane, &under, level, &mut across))
            .filter(|s| s.light > 0.0)
            .ok_or(NoStar::Lost)?;
        let wide = (weight.xx + weight.yy).sqrt();
        let gain = 1.0 + shape.xx.min(shape.yy) / weight.xx.max(weight.yy);
        let step = (gain * sums.x / sums.light, gain * sums.y / sums.light);
        center = PixelPoint::new(
            center.x + step.0.clamp(-wide, wide),
            center.y + step.1.clamp(-wide, wide),
        );
        let next = updated_shape(shape, weight, sums.moments())?;
        let change =
            (next.xx - shape.xx).abs() + (next.xy - shape.xy).abs() + (next.yy - shape.yy).abs();
        let ease = ease_of(&sums, weight, sky_noise);
        let settled =
            change < 1e-3 * ease * (next.xx + next.yy) && step.0.hypot(step.1) < 3e-4 * ease * wide;
        shape = next;
        if center.distance(start).px() > 3.0 * sigma + wide {
            return Err(NoStar::Lost);
        }
        if settled || round == LATEST_RING {
            if !ring_fits && (mean_width(shape) / sigma).ln().abs() > 0.2 {
                pedestal =
                    local_pedestal(plane, sky, center, mean_width(shape)).ok_or(NoStar::Lost)?;
            } else if settled {
                break;
            }
            ring_fits = true;
        }
    }
    let (flux, errors) =
        flux_and_errors(plane, sky, noise, center, shape, pedestal).ok_or(NoStar::Lost)?;
    Ok(Adaptive {
        center,
        moments: shape,
        flux,
        errors,
    })
}

/// How much sooner than a bright star a faint one is left: its shape counts for nothing below nine times the
/// noise, and what is left of its place's way is far below its sigma.
fn ease_of(sums: &Sums, weight: PixelTensor, sky_noise: f64) -> f64 {
    /// Fainter than this many times the noise is faint.
    const FAINT: f64 = 12.0;
    const MOST: f64 = 15.0;
    // A Gaussian's square holds pi sigma^2 pixels.
    let area = (weight.xx * weight.yy - weight.xy * weight.xy)
        .max(0.0)
        .sqrt();
    let significance = sums.light / (sky_noise * (std::f64::consts::PI * area).sqrt());
    (FAINT / significance).powi(3).clamp(1.0, MOST)
}

fn mean_width(shape: PixelTensor) -> f64 {
    (0.5 * (shape.xx + shape.yy)).sqrt()
}

fn weight_of(shape: PixelTensor) -> PixelTensor {
    let (_, small, _) = shape.principal();
    let lack = (NARROWEST_WEIGHT - small).max(0.0);
    PixelTensor::new(shape.xx + lack, shape.xy, shape.yy + lack)
}

/// A step towards the star that would give these weighted moments; short of all of it, because stars are no Gaussians.
fn updated_shape(
    old: PixelTensor,
    weight: PixelTensor,
    weighted: PixelTensor,
) -> Result<PixelTensor, NoStar> {
    const STEP: f64 = 0.8;
    if !is_positive(weighted) {
        // All the light sits on one pixel and the rest is noise: shrink.
        return bounded(old.scaled(0.25));
    }
    let (m, w) = (
        inverse(weighted).ok_or(NoStar::TooNarrow)?,
        inverse(weight).ok_or(NoStar::Lost)?,
    );
    let star = inverse(PixelTensor::new(m.xx - w.xx, m.xy - w.xy, m.yy - w.yy));
    let mix = |star: f64, old: f64| STEP * star + (1.0 - STEP) * old;
    let next = match star.filter(|s| is_positive(*s)) {
        Some(star) => PixelTensor::new(
            mix(star.xx, old.xx),
            mix(star.xy, old.xy),
            mix(star.yy, old.yy),
        ),
        None => PixelTensor::new(1.5 * old.xx, 1.5 * old.xy, 1.5 * old.yy),
    };
    bounded(next)
}

/// The shape, if a lens can draw it.
fn bounded(shape: PixelTensor) -> Result<PixelTensor, NoStar> {
    let (large, small, _) = shape.principal();
    if small < NARROWEST * NARROWEST {
        Err(NoStar::TooNarrow)
    } else if large > WIDEST * WIDEST {
        Err(NoStar::TooWide)
    } else {
        Ok(shape)
    }
}

fn is_positive(t: PixelTensor) -> bool {
    t.xx > 0.0 && t.yy > 0.0 && t.xx * t.yy > t.xy * t.xy
}

#[derive(Default)]
struct Sums {
    light: f64,
    x: f64,
    y: f64,
    xx: f64,
    xy: f64,
    yy: f64,
}

impl Sums {
    /// Of the light above `level`; `across` is room for a row's weights.
    fn of(plane: &Plane, under: &Under, level: f64, across: &mut Across) -> Self {
        let (rows, center) = (under.rows(), under.center);
        let first = rows.start as f64 - center.y;
        across.restart(under, first);
        let mut down = Geometric::starting(under.inverse.yy, 0.0, first);
        let mut s = Sums::default();
        for y in rows {
            let (dy, columns) = (y as f64 - center.y, across.held(under.columns(y)));
            let [light, x, xx] = across.sums(&plane.row(y)[columns.clone()], columns.start, level);
            let gauss = down.next();
            let (light, x, xx) = (gauss * light, gauss * x, gauss * xx);
            s.light += light;
            s.x += x;
            s.y += dy * light;
            s.xx += xx;
            s.xy += dy * x;
            s.yy += dy * dy * light;
            across.move_down();
        }
        s
    }

    /// Second moments about the weight's centre.
    fn moments(&self) -> PixelTensor {
        PixelTensor::new(
            self.xx / self.light,
            self.xy / self.light,
            self.yy / self.light,
        )
    }
}

/// Errors of moments measured before, with another knowledge of the noise.
pub(super) fn renewed_errors(
    plane: &Plane,
    sky: &Background,
    noise: &Noise,
    center: PixelPoint,
    shape: PixelTensor,
) -> Option<AdaptiveErrors> {
    let pedestal = local_pedestal(plane, sky, center, mean_width(shape))?;
    flux_and_errors(plane, sky, noise, center, shape, pedestal).map(|found| found.1)
}

/// Light, and errors from the noise of the pixels through the fixed-point conditions.
///
/// With A = 1 + star weight^-1 (2 for a matched weight): light = sum(W I) sqrt(det A), its error sqrt(det A)
/// sum(W n rho), rho being the squared distance in units of the weight (width and light are found together); place: A sum(W n dx) / sum(W I);
/// moments: A m A for a change m of the weighted moments.
fn flux_and_errors(
    plane: &Plane,
    sky: &Background,
    noise: &Noise,
    center: PixelPoint,
    shape: PixelTensor,
    pedestal: f64,
) -> Option<(f64, AdaptiveErrors)> {
    let sky_noise = sky.noise_near(center);
    let weight = weight_of(shape);
    let (w, s) = (inverse(weight)?, shape);
    let (ax, ay) = (
        1.0 + s.xx * w.xx + s.xy * w.xy,
        1.0 + s.yy * w.yy + s.xy * w.xy,
    );
    let weighted = PixelTensor::new(s.xx / ax, s.xy / (ax * ay).sqrt(), s.yy / ay);
    let (mut light, mut peak, mut flux) = (0.0, 0.0_f64, 0.0);
    let (mut place, mut spread) = (PixelTensor::default(), PixelTensor::default());
    visit(plane, sky, center, weight, pedestal, |p| {
        let (dx, dy) = (p.dx, p.dy);
        let power = p.weight * p.weight * noise.variance(sky_noise, p.light);
        light += p.weight * p.light;
        // The width follows the noise, too, and the light follows the width.
        flux += power * p.rho * p.rho;
        place.xx += power * dx * dx;
        place.xy += power * dx * dy;
        place.yy += power * dy * dy;
        spread.xx += power * (dx * dx - weighted.xx).powi(2);
        spread.xy += power * (dx * dy - weighted.xy).powi(2);
        spread.yy += power * (dy * dy - weighted.yy).powi(2);
        if p.weight > 0.5 {
            peak = peak.max(p.light);
        }
    })?;
    let per_light = 1.0 / light;
    let correlation = noise.correlation;
    let errors = AdaptiveErrors {
        place: PixelTensor::new(ax * ax * place.xx, ax * ay * place.xy, ay * ay * place.yy)
            .scaled((correlation.place * per_light).powi(2)),
        moments: PixelTensor::new(
            ax * ax * spread.xx.sqrt(),
            ax * ay * spread.xy.sqrt(),
            ay * ay * spread.yy.sqrt(),
        )
        .scaled(correlation.shape * per_light),
        flux: correlation.light * (ax * ay * flux).sqrt(),
        peak,
    };
    (light > 0.0 && light.is_finite()).then_some((light * (ax * ay).sqrt(), errors))
}

trait Scaled {
    fn scaled(self, factor: f64) -> Self;
}

impl Scaled for PixelTensor {
    fn scaled(self, factor: f64) -> Self {
        PixelTensor::new(self.xx * factor, self.xy * factor, self.yy * factor)
    }
}

#[cfg(test)]
mod tests {
    use super::super::rendered::{Drawn, Scene, Window, draw, flux_for, picture};
    use super::*;

    /// A noiseless Gaussian star, elongated by a trail if wanted.
    fn noiseless(fwhm: f64, star: &Drawn) -> Plane {
        let scene = Scene {
            width: 80,
            height: 80,
            beta: 100.0,
            ..Scene::clear(fwhm, 1)
        };
        let window = Window {
            x: 0,
            y: 0,
            side: 80,
        };
        Plane::new(
            80,
            80,
            draw(&scene, star, window)
                .iter()
                .map(|v| *v as f32)
                .collect(),
        )
        .expect("sizes agree")
    }

    fn measured(plane: &Plane, x: f64, y: f64) -> Result<Adaptive, NoStar> {
        adaptive_moments(
            plane,
            &Background::flat(80, 80, 0.0, 1e-5),
            &Noise::WHITE,
            PixelPoint::new(x, y),
            1.3,
        )
    }

    #[test]
    fn a_gaussian_star_gives_its_own_numbers() {
        for fwhm in [1.6, 3.0, 6.0] {
            let star = Drawn {
                x: 40.3,
                y: 38.8,
                dx: 0.0,
                dy: 0.0,
                flux: 5.0,
            };
            let found = measured(&noiseless(fwhm, &star), 40.0, 39.0).expect("a star");
            let variance = (fwhm / 2.3548).powi(2) + 1.0 / 12.0;
            assert!(
                (found.moments.xx / variance - 1.0).abs() < 0.03,
                "{fwhm}: {found:?}"
            );
            assert!(
                (found.center.x - 40.3).hypot(found.center.y - 38.8) < 0.01,
                "{fwhm}: {found:?}"
            );
            assert!((found.flux / 5.0 - 1.0).abs() < 0.02, "{fwhm}: {found:?}");
        }
    }

    #[test]
    fn elongation_points_along_the_trail() {
        let star = Drawn {
            x: 40.3,
            y: 38.8,
            dx: 1.5,
            dy: 1.5,
            flux: 5.0,
        };
        let found = measured(&noiseless(3.0, &star), 40.0, 39.0).expect("a star");
        let (large, small, line) = found.moments.principal();
        assert!((line.deg() - 45.0).abs() < 1.0, "{found:?}");
        // A trail of 1.62 sigmas of the star (pixels included) shows 6.2 % more than a twelfth of its square:
        // between the known values of 2.4 % at one sigma and 9.0 % at two (see `calibration`).
        assert!(
            (12.0 * (large - small) / 4.5 - 1.062).abs() < 0.015,
            "{found:?}"
        );
    }

    #[test]
    fn a_single_pixel_is_too_narrow_and_a_plain_is_no_star() {
        let mut data = vec![0.0; 6400];
        data[40 * 80 + 40] = 1.0;
        let point = Plane::new(80, 80, data).expect("sizes agree");
        assert_eq!(measured(&point, 40.0, 40.0).err(), Some(NoStar::TooNarrow));
        let plain = Plane::new(80, 80, vec![0.0; 6400]).expect("sizes agree");
        assert_eq!(measured(&plain, 40.0, 40.0).err(), Some(NoStar::Lost));
        assert_eq!(measured(&plain, -3.0, 40.0).err(), Some(NoStar::Lost));
    }

    #[test]
    fn light_and_shape_scatter_as_their_errors_say() {
        let (mut flux, mut shape) = (0.0, 0.0);
        const FRAMES: usize = 60;
        for seed in 0..FRAMES {
            let scene = Scene {
                width: 80,
                height: 80,
                beta: 100.0,
                ..Scene::clear(2.6, seed as u64)
            };
            let star = Drawn {
                x: 40.3,
                y: 38.8,
                dx: 0.0,
                dy: 0.0,
                flux: flux_for(&scene, (0.0, 0.0), 30.0),
            };
            let plane = picture(&scene, &[star]);
            let sky = Background::flat(80, 80, 0.05, 0.002);
            let noise = Noise {
                gain: scene.gain(),
                ..Noise::WHITE
            };
            let found = adaptive_moments(&plane, &sky, &noise, PixelPoint::new(40.0, 39.0), 1.2)
                .expect("a star");
            flux += ((found.flux - star.flux) / found.errors.flux).powi(2) / FRAMES as f64;
            shape += (found.moments.xy / found.errors.moments.xy).powi(2) / FRAMES as f64;
        }
        // The mean square of 60 pulls is one within 37 % (2 sigma).
        assert!(
            (flux - 1.0).abs() < 0.5 && (shape - 1.0).abs() < 0.5,
            "{flux} {shape}"
        );
    }
}
