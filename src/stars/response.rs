//! How a developed picture's values answer to light, learnt from stars of known brightness, and what that
//! does to trails and widths.
//!
//! A curve of contrast, or a noise reduction that eats what is faint, lets a star's height above the sky
//! rise with a power of its light. Its faint flanks and the ends of its trail then sink: it looks
//! narrower, and its trail shorter by what each end lost.

use nalgebra::{DMatrix, DVector};

use super::field::median;
use super::{FrameTrail, Star, StarField};
use crate::units::{Measured, PixelTensor, Pixels};

/// Level, sky and star together, from where on curves of contrast bend over (own estimate: they are steepest
/// about the middle of the values, which is a fifth of full light). Brighter stars are left as they are.
const SHOULDER: f64 = 0.35;
/// Fewest stars below the shoulder that tell a response.
const FEWEST_STARS: usize = 40;
/// A response nearer to linear light than this, in the inverse of its power, is left alone: pictures in
/// linear light come out within 0.11 (practice nights), for a brightest pixel is not quite a height.
const LEAST_BEND: f64 = 0.2;
/// Sigmas by which it must be away from linear light.
const SURE: f64 = 3.0;
/// Powers beyond these are no curve's.
const POWERS: std::ops::RangeInclusive<f64> = 0.6..=2.5;
/// Error of the correction itself, share of it, 1-sigma: a drawn picture with a linear toe loses 0.65 of what
/// the power says (the fit weighs the faint pixels of the ends more than a plain one does).
const MODEL_SHARE: f64 = 0.35;
const MAGNITUDES_PER_DECADE: f64 = 2.5;

/// The power of the light with which heights above the sky rise in a picture, below its shoulder.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Response {
    /// 1 in linear light; above, faint light is darkened more than bright light.
    pub power: Measured<f64>,
}

impl Response {
    /// From stars (number in the field, magnitude); `None` where they do not show that it is none of
    /// linear light.
    ///
    /// Method: the magnitude is fitted as a line in the logarithm of the star's height with a smooth change
    /// over the picture (vignetting, haze, speed of the stars), in rounds without outliers. Faint stars
    /// are missing by their height, not by their magnitude, so that the line of magnitude on height
    /// keeps its slope where the line of height on magnitude would be flattened.
    pub fn learn(field: &StarField, known: &[(usize, f64)]) -> Option<Self> {
        let told = known.iter().filter_map(|&(star_idx, magnitude)| {
            let star = field.stars.get(star_idx)?;
            (star.quality.is_clean() && is_below(field, star)).then_some((star, magnitude))
        });
        let told: Vec<(&Star, f64)> = told.collect();
        if told.len() < FEWEST_STARS {
            return None;
        }
        let (slope, sigma) = slope_on_height(field, &told)?;
        let inverse = -slope / MAGNITUDES_PER_DECADE;
        let sigma = sigma / MAGNITUDES_PER_DECADE;
        let bend = (inverse - 1.0).abs();
        let sure = bend > LEAST_BEND && bend > SURE * sigma && inverse > SURE * sigma;
        let power = inverse.recip().clamp(*POWERS.start(), *POWERS.end());
        sure.then_some(Self {
            power: Measured::new(power, power * power * sigma),
        })
    }

    /// How much longer a trail is in linear light than it looks, pixels; a width of no trail has none.
    fn lengthening(self, length: f64, fwhm: f64) -> Measured<f64> {
        let Measured { value, sigma } = self.power;
        let found = lengthening(value, length, fwhm);
        let slope = lengthening(value + sigma, length, fwhm) - found;
        Measured::new(found, slope.hypot(MODEL_SHARE * found))
    }

    /// A star as linear light would show it.
    fn star(self, star: &mut Star, fwhm: f64) {
        let power = self.power.value;
        let seen = star.trail.unwrap_or_default();
        let length = seen.length().px();
        let longer = if length > 0.0 {
            1.0 + self.lengthening(length, fwhm).value / length
        } else {
            1.0
        };
        let trail = seen * longer;
        // Without a trail of its own all of a star's moments are those of about a Gaussian.
        let of = |moment: f64, seen: f64, trail: f64| power * (moment - seen / 12.0) + trail / 12.0;
        let (q, d, t) = (star.moments, seen, trail);
        star.moments = PixelTensor::new(
            of(q.xx, d.dx * d.dx, t.dx * t.dx),
            of(q.xy, d.dx * d.dy, t.dx * t.dy),
            of(q.yy, d.dy * d.dy, t.dy * t.dy),
        );
        if star.trail.is_some() {
            star.trail = Some(trail);
        } else {
            let s = star.moments_sigma;
            star.moments_sigma = PixelTensor::new(power * s.xx, power * s.xy, power * s.yy);
        }
    }
}

impl StarField {
    /// Makes of it what linear light would show, each correction with its doubt in the sigmas.
    pub fn put_in_linear_light(&mut self, response: Response) {
        let Some(width) = self.fwhm else {
            return;
        };
        let fwhm = width.value.px();
        let share = self.share_below();
        let stretch = response.power.value.sqrt() - 1.0;
        let relative = response.power.sigma / (2.0 * response.power.value);
        let widened = |seen: f64| {
            let more = share * stretch * seen;
            (
                seen + more,
                (share * relative * seen).hypot(MODEL_SHARE * more),
            )
        };
        if let Some(trail) = &mut self.trail {
            let longer = response.lengthening(trail.length.value.px(), fwhm);
            trail.lengthen(Measured::new(share * longer.value, share * longer.sigma));
        }
        if let Some(lens) = &mut self.lens {
            lens.corner = corrected(lens.corner, widened);
        }
        self.fwhm = Some(corrected(width, widened));
        let below: Vec<bool> = self.stars.iter().map(|star| is_below(self, star)).collect();
        for (star, _) in self.stars.iter_mut().zip(below).filter(|(_, below)| *below) {
            response.star(star, fwhm);
        }
    }

    /// Share of the stars below the shoulder among those that trail and width rest on before others.
    fn share_below(&self) -> f64 {
        let clean: Vec<&Star> = self.stars.iter().filter(|s| s.quality.is_clean()).collect();
        let bright = &clean[..clean.len().div_ceil(2)];
        let below = bright.iter().filter(|star| is_below(self, star)).count();
        below as f64 / bright.len().max(1) as f64
    }
}

impl FrameTrail {
    fn lengthen(&mut self, longer: Measured<f64>) {
        let length = self.length.value.px();
        if length > 0.0 {
            self.vector = self.vector * (1.0 + longer.value / length);
            self.length.value = Pixels::new(length + longer.value);
            self.lengthen_doubt(longer.sigma);
        }
    }
}

fn corrected(seen: Measured<Pixels>, widened: impl Fn(f64) -> (f64, f64)) -> Measured<Pixels> {
    let (value, doubt) = widened(seen.value.px());
    Measured::new(
        Pixels::new(value),
        Pixels::new(seen.sigma.px().hypot(doubt)),
    )
}

fn is_below(field: &StarField, star: &Star) -> bool {
    star.peak > 0.0 && field.background + star.peak < SHOULDER
}

/// How much longer a trail is than it looks where heights go with a power of the light.
///
/// Long trails: each end is found where the light is half of the middle's, which is where the power's
/// 1/p-th root of a half is: at Phi^-1(2^(-1/p)) sigmas of a star sqrt(p) times wider than it looks;
/// the polynomial is that to 2 % of a width for powers of 0.7 to 2.5. Short ones: a Gaussian's moments
/// are p times larger than they look. Between them the two are joined; against fits of drawn profiles
/// this is right to 5 % of itself for trails from 1.4 widths on.
fn lengthening(power: f64, length: f64, fwhm: f64) -> f64 {
    let bend = power - 1.0;
    let ends = fwhm * bend * (0.735 - 0.083 * bend);
    let short = (power.sqrt() - 1.0) * length;
    if ends == 0.0 {
        return 0.0;
    }
    ends * (short / ends).tanh()
}

/// Slope of the magnitude by the logarithm of the height, and its 1-sigma.
fn slope_on_height(field: &StarField, told: &[(&Star, f64)]) -> Option<(f64, f64)> {
    const UNKNOWNS: usize = 7;
    const TUKEY: f64 = 4.7;
    const SIGMAS_PER_MEDIAN: f64 = 1.4826;
    const ROUNDS: usize = 12;
    let (center, scale) = (field.center(), 0.5 * field.width.max(field.height) as f64);
    let middle = median(told.iter().map(|(star, _)| star.peak.log10()));
    let row = |star: &Star| {
        let x = (star.position.x - center.x) / scale;
        let y = (star.position.y - center.y) / scale;
        [star.peak.log10() - middle, 1.0, x, y, x * x, x * y, y * y]
    };
    let rows: Vec<[f64; UNKNOWNS]> = told.iter().map(|(star, _)| row(star)).collect();
    let design = DMatrix::from_fn(rows.len(), UNKNOWNS, |i, k| rows[i][k]);
    let values = DVector::from_iterator(told.len(), told.iter().map(|(_, magnitude)| *magnitude));
    let mut weights = DVector::from_element(told.len(), 1.0);
    let mut found = None;
    for _ in 0..ROUNDS {
        let weighted = DMatrix::from_fn(rows.len(), UNKNOWNS, |i, k| weights[i] * rows[i][k]);
        let inverse = (weighted.transpose() * &design).try_inverse()?;
        let solution = &inverse * (weighted.transpose() * &values);
        let residuals = &values - &design * &solution;
        let spread = SIGMAS_PER_MEDIAN * median(residuals.iter().map(|r| r.abs()));
        let weight = |r: f64| (1.0 - (r / (TUKEY * spread)).powi(2)).max(0.0).powi(2);
        weights = residuals.map(|r| if spread > 0.0 { weight(r) } else { 1.0 });
        found = Some((solution[0], spread * inverse[(0, 0)].max(0.0).sqrt()));
    }
    found.filter(|(slope, sigma)| slope.is_finite() && sigma.is_finite())
}

#[cfg(test)]
mod tests {
    use super::super::measure::measure;
    use super::super::rendered::{Drawn, Scene, flux_for, grid, picture};
    use super::*;
    use crate::frame::Plane;

    /// Heights above the sky become this power of themselves, but for the noise of the sky.
    fn developed(plane: &Plane, scene: &Scene, power: f64) -> Plane {
        let toe = 8.0 * scene.noise;
        let bent = |v: &f32| {
            let height = f64::from(*v) - scene.sky;
            (scene.sky + height * (height.abs().max(toe) / toe).powf(power - 1.0)) as f32
        };
        let data = plane.data().iter().map(bent).collect();
        Plane::new(plane.width(), plane.height(), data).expect("sizes agree")
    }

    struct Seen {
        field: StarField,
        known: Vec<(usize, f64)>,
    }

    fn seen(fwhm: f64, trail: (f64, f64), power: f64, seed: u64) -> Seen {
        let scene = Scene {
            noise: 0.0002,
            sky: 0.02,
            beta: 100.0,
            ..Scene::clear(fwhm, seed)
        };
        let faint = flux_for(&scene, trail, 120.0);
        let drawn = grid(&scene, 45.0, trail, faint, 6.0 * faint);
        let field = measure(&developed(&picture(&scene, &drawn), &scene, power), 10.0);
        let near = |star: &Star, one: &&Drawn| {
            (star.position.x - one.x).hypot(star.position.y - one.y) < 1.5
        };
        let told = field.stars.iter().enumerate().filter_map(|(idx, star)| {
            let one = drawn.iter().find(|one| near(star, one))?;
            Some((idx, -2.5 * one.flux.log10()))
        });
        let known = told.collect();
        Seen { field, known }
    }

    #[test]
    fn linear_light_is_left_alone() {
        for trail in [(0.0, 0.0), (7.0, 3.0)] {
            let Seen { field, known } = seen(2.6, trail, 1.0, 31);
            assert!(known.len() > 100, "{}", known.len());
            assert_eq!(Response::learn(&field, &known), None);
        }
    }

    #[test]
    fn a_power_is_found_and_trails_and_widths_put_right() {
        let (fwhm, trail, power) = (2.6, (8.0, 3.0), 1.5);
        let Seen { field, known } = seen(fwhm, trail, power, 32);
        let response = Response::learn(&field, &known).expect("bent");
        let told = format!("{fwhm} px, {trail:?}, power {power}: {response:?}");
        assert!((response.power.value / power - 1.0).abs() < 0.12, "{told}");
        let (before, mut after) = (field.clone(), field);
        after.put_in_linear_light(response);
        let length = trail.0.hypot(trail.1);
        let off = |field: &StarField| {
            let trail = field.trail.expect("many stars").length;
            (trail.value.px() - length, trail.sigma.px())
        };
        let ((was, _), (is, sigma)) = (off(&before), off(&after));
        // Seen last: 0.48 px short, then 0.26 px long.
        assert!(is.abs() < 0.7 * was.abs(), "{told}: off {was}, then {is}");
        assert!(is.abs() < 2.0 * sigma, "{told}: off {is} +- {sigma}");
        let (seen, width) = (before.fwhm.unwrap().value, after.fwhm.unwrap().value);
        assert!(
            (width.px() / fwhm - 1.0).abs() < (seen.px() / fwhm - 1.0).abs(),
            "{told}: width {seen:?}, then {width:?}"
        );
    }

    #[test]
    fn few_stars_or_stars_of_any_brightness_tell_nothing() {
        let Seen { field, mut known } = seen(2.6, (8.0, 3.0), 1.5, 33);
        assert_eq!(Response::learn(&field, &known[..30]), None);
        let n = known.len();
        for (nth, one) in known.iter_mut().enumerate() {
            one.1 = ((nth * 7919) % n) as f64 / n as f64;
        }
        assert_eq!(Response::learn(&field, &known), None);
    }
}
