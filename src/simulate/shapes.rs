//! What a finder makes of the shapes of a list: the frame's trail, the width of its stars, and the
//! pattern that the lens draws.
//!
//! Short trails come from the stars' noisy moments, long ones from the path of a star at the centre.

use nalgebra::{DMatrix, DVector};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

use super::path::Spot;
use crate::stars::{FrameTrail, LensShape, Star, Stretch};
use crate::units::{Angle, AxialAngle, Measured, PixelPoint, PixelTensor, PixelVector, Pixels};

/// Full width at half maximum over standard deviation of a Gaussian, `sqrt(8 ln 2)`.
const FWHM_OVER_SIGMA: f64 = 2.354_820_045;
/// Second moment of a pixel.
const PIXEL: f64 = 1.0 / 12.0;
/// Fewest clean stars that tell a shape.
const FEWEST: usize = 5;
/// Fewest clean stars that tell a slope and a pattern over the frame.
const FEWEST_FOR_PATTERN: usize = 12;
/// Fewest clean stars that tell how steeply the pattern grows.
const FEWEST_FOR_STEEP: usize = 25;
/// Trails longer than this many widths are measured by their ends.
const LONG_WIDTHS: f64 = 2.0;
/// Light at either end of a path that drowns in the noise.
const FAINT_END: f64 = 0.025;

/// What the shapes of a frame's stars say.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shapes {
    pub fwhm: Option<Measured<Pixels>>,
    pub trail: Option<FrameTrail>,
    pub lens: Option<LensShape>,
}

/// Reads the shapes of a list.
///
/// Input: `path` of a star at the centre; `uneven` is what is added to both parts of every star's
/// elongation, square pixels, and `uneven_sigma` its 1-sigma.
pub fn read_shapes(
    stars: &[Star],
    size: (usize, usize),
    path: &[Spot],
    (uneven, uneven_sigma): ([f64; 2], f64),
    dice: &mut ChaCha8Rng,
) -> Shapes {
    let clean: Vec<&Star> = stars.iter().filter(|s| s.quality.is_clean()).collect();
    let Some(fit) = Elongation::of(&clean, size) else {
        return Shapes {
            fwhm: None,
            trail: None,
            lens: None,
        };
    };
    let center = [fit.center[0] + uneven[0], fit.center[1] + uneven[1]];
    let sigma = fit.sigma.hypot(uneven_sigma);
    let short = short_trail(center, sigma, clean.len());
    let width = width_of(&clean);
    let fwhm = Measured::new(Pixels::new(width), Pixels::new(width * 0.01));
    let (length, _) = extent(path);
    if length <= LONG_WIDTHS * width {
        return Shapes {
            fwhm: Some(fwhm),
            trail: Some(short),
            lens: fit.corner.map(|corner| lens_shape(corner, uneven_sigma)),
        };
    }
    Shapes {
        fwhm: Some(fwhm),
        trail: Some(long_trail(path, fit.sigma, clean.len(), dice)),
        lens: None,
    }
}

/// Elongation, `Qxx - Qyy` and `2 Qxy`, at the centre of the frame, and the radial pattern's at half
/// the diagonal.
struct Elongation {
    center: [f64; 2],
    sigma: f64,
    corner: Option<Measured<f64>>,
}

impl Elongation {
    /// Least squares: both parts at the centre; with enough stars their slopes, and a stretch along
    /// the radius that grows with its square, and with its fourth power.
    fn of(stars: &[&Star], (width, height): (usize, usize)) -> Option<Self> {
        if stars.len() < FEWEST {
            return None;
        }
        let half = [0.5 * (width as f64 - 1.0), 0.5 * (height as f64 - 1.0)];
        let center = PixelPoint::new(half[0], half[1]);
        let scale = half[0].hypot(half[1]);
        let n_columns = match stars.len() {
            0..FEWEST_FOR_PATTERN => 2,
            FEWEST_FOR_PATTERN..FEWEST_FOR_STEEP => 7,
            _ => 8,
        };
        let (mut normal, mut right) = (
            DMatrix::zeros(n_columns, n_columns),
            DVector::zeros(n_columns),
        );
        for star in stars {
            let arm = star.position - center;
            let (x, y) = (arm.dx / scale, arm.dy / scale);
            let (c, s) = (x * x - y * y, 2.0 * x * y);
            let r2 = x * x + y * y;
            let rows = [
                [1.0, 0.0, x, 0.0, y, 0.0, c, r2 * c],
                [0.0, 1.0, 0.0, x, 0.0, y, s, r2 * s],
            ];
            let values = [star.moments.xx - star.moments.yy, 2.0 * star.moments.xy];
            let sigmas = [
                star.moments_sigma.xx.hypot(star.moments_sigma.yy),
                2.0 * star.moments_sigma.xy,
            ];
            for ((row, value), sigma) in rows.iter().zip(values).zip(sigmas) {
                let row = DVector::from_row_slice(&row[..n_columns]);
                let weight = sigma.powi(-2);
                normal += &row * row.transpose() * weight;
                right += row * (value * weight);
            }
        }
        let covariance = normal.try_inverse()?;
        let parts = &covariance * right;
        let sigma = |part: usize| covariance[(part, part)].sqrt();
        Some(Self {
            center: [parts[0], parts[1]],
            sigma: sigma(0).hypot(sigma(1)) / std::f64::consts::SQRT_2,
            corner: corner_of(&parts, &covariance),
        })
    }
}

/// Columns of the radial pattern start here; all are one at half the diagonal.
const PATTERN_FROM: usize = 6;

fn corner_of(parts: &DVector<f64>, covariance: &DMatrix<f64>) -> Option<Measured<f64>> {
    let n = parts.len().checked_sub(PATTERN_FROM)?;
    let pattern = covariance.view((PATTERN_FROM, PATTERN_FROM), (n, n));
    (n > 0).then(|| {
        Measured::new(
            parts.rows(PATTERN_FROM, n).sum(),
            pattern.sum().max(0.0).sqrt(),
        )
    })
}

/// A segment d adds `d d^T / 12` to the moments.
fn length_of(elongation: f64) -> f64 {
    (12.0 * elongation.max(0.0)).sqrt()
}

fn short_trail([e1, e2]: [f64; 2], sigma: f64, n_stars: usize) -> FrameTrail {
    let size = e1.hypot(e2);
    let length = length_of((size * size - sigma * sigma).max(0.0).sqrt());
    let along = length_of(size + sigma) - length_of(size);
    let along = along.max(0.5 * length_of(sigma) * f64::from(size < sigma));
    let turn = 0.5 * sigma / size.max(1e-12);
    let angle = Angle::from_rad(0.5 * e2.atan2(e1));
    let across = (turn.min(1.0) * length).max(0.5 * along);
    trail_of(length, along, across, angle, turn.min(1.6), n_stars)
}

/// Noise of the ends as that of the moments asks for: the length to `6 sigma / L`, the direction to
/// half the sigma of the elongation over it.
fn long_trail(path: &[Spot], sigma: f64, n_stars: usize, dice: &mut ChaCha8Rng) -> FrameTrail {
    let (length, angle) = extent(path);
    let along = 6.0 * sigma / length;
    let across = 6.0 * sigma / length;
    let mut normal = || -> f64 { dice.sample(StandardNormal) };
    let (longer, aside) = (normal() * along, normal() * across);
    let turned = angle + Angle::from_rad(aside / length);
    trail_of(
        length + longer,
        along,
        across,
        turned,
        across / length,
        n_stars,
    )
}

fn trail_of(
    length: f64,
    along: f64,
    across: f64,
    angle: Angle,
    angle_sigma: f64,
    n_stars: usize,
) -> FrameTrail {
    let (c, s) = (angle.cos(), angle.sin());
    let vector = PixelVector::new(length * c, length * s);
    let vector = if vector.dx < 0.0 { -vector } else { vector };
    let (va, vb) = (along * along, across * across);
    FrameTrail {
        vector,
        covariance: PixelTensor::new(
            va * c * c + vb * s * s,
            (va - vb) * c * s,
            va * s * s + vb * c * c,
        ),
        length: Measured::new(Pixels::new(length), Pixels::new(along)),
        angle: AxialAngle::from_angle(angle),
        angle_sigma: Angle::from_rad(angle_sigma),
        n_stars,
    }
}

/// Length and direction of a path along its principal line, as far as its light shows.
fn extent(path: &[Spot]) -> (f64, Angle) {
    let [xx, xy, yy] = super::path::spread(path);
    let angle = Angle::from_rad(0.5 * (2.0 * xy).atan2(xx - yy));
    let (c, s) = (angle.cos(), angle.sin());
    let mut places: Vec<(f64, f64)> = path
        .iter()
        .map(|spot| (spot.x * c + spot.y * s, spot.weight))
        .collect();
    places.sort_by(|a, b| a.0.total_cmp(&b.0));
    let whole: f64 = places.iter().map(|place| place.1).sum();
    let at = |share: f64| {
        let mut sum = 0.0;
        let mut below = None;
        for &(place, weight) in &places {
            // The light of a point lies about it: half before, half behind.
            let middle = (sum + 0.5 * weight) / whole;
            if middle >= share {
                let (last_place, last) = below.unwrap_or((place, middle));
                let part = (share - last) / (middle - last).max(1e-12);
                return last_place + (place - last_place) * part.min(1.0);
            }
            below = Some((place, middle));
            sum += weight;
        }
        places.last().map_or(0.0, |place| place.0)
    };
    let seen = at(1.0 - FAINT_END) - at(FAINT_END);
    (seen / (1.0 - 2.0 * FAINT_END), angle)
}

/// Width of the stars across their own longer axis, without the pixel.
fn width_of(stars: &[&Star]) -> f64 {
    let minor = |q: &PixelTensor| {
        let half = 0.5 * (q.xx - q.yy);
        0.5 * (q.xx + q.yy) - half.hypot(q.xy)
    };
    let mut across: Vec<f64> = stars.iter().map(|star| minor(&star.moments)).collect();
    across.sort_by(f64::total_cmp);
    let middle = across[across.len() / 2] - PIXEL;
    FWHM_OVER_SIGMA * middle.max(0.05).sqrt()
}

fn lens_shape(corner: Measured<f64>, uneven_sigma: f64) -> LensShape {
    let size = corner.value.abs();
    let sigma = corner.sigma.hypot(uneven_sigma);
    let length = length_of(size);
    LensShape {
        corner: Measured::new(
            Pixels::new(length),
            Pixels::new(length_of(size + sigma) - length),
        ),
        stretch: if corner.value >= 0.0 {
            Stretch::Outwards
        } else {
            Stretch::Around
        },
        turn_told: false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn straight(length: f64, weight: impl Fn(f64) -> f64) -> Vec<Spot> {
        (0..2000)
            .map(|k| (f64::from(k) + 0.5) / 2000.0)
            .map(|t| Spot {
                x: 0.6 * length * t,
                y: 0.8 * length * t,
                weight: weight(t),
            })
            .collect()
    }

    #[test]
    fn an_even_path_is_as_long_as_it_is() {
        let (length, angle) = extent(&straight(50.0, |_| 1.0));
        assert!((length - 50.0).abs() < 0.1 && (angle.deg() - 53.13).abs() < 0.01);
    }

    #[test]
    fn a_faint_tail_is_not_seen() {
        // Two parts in a hundred of the light over the last nine tenths.
        let (length, _) = extent(&straight(50.0, |t| if t < 0.1 { 0.98 * 9.0 } else { 0.02 }));
        assert!(length < 6.0, "{length}");
    }

    #[test]
    fn moments_of_a_trail_give_its_length_back() {
        let found = short_trail([9.0 / 12.0, 0.0], 0.01, 40);
        assert!((found.length.value.px() - 3.0).abs() < 0.001);
        assert!((found.length.sigma.px() - 0.02).abs() < 0.001);
        let none = short_trail([0.0, 0.0], 0.01, 40);
        assert!(none.length.value.px() < none.length.sigma.px());
    }
}
