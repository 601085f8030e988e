//! One trail a frame: the value at the centre of a smooth field over its stars.

use nalgebra::{DMatrix, DVector, Matrix2};

use super::fit::Shape;
use super::{FrameTrail, Star};
use crate::units::{Angle, AxialAngle, Measured, PixelTensor, PixelVector, Pixels};

/// A frame's trail and the width of its stars.
#[derive(Debug, Clone, Copy)]
pub struct FrameShapes {
    /// Trail at the centre.
    pub trail: FrameTrail,
    /// Full width at half maximum across the trail.
    pub fwhm: Measured<Pixels>,
}

const MIN_STARS: usize = 5;
/// Stars below this signal to noise ratio say little about shape.
const LEAST_SIGNAL: f64 = 15.0;
/// What the mean shape of many stars still leaves out: a lens's own asymmetry at the centre,
/// square pixels (own estimate).
const SHAPE_FLOOR: f64 = 0.02;
/// Sigma of a long trail's ends that no number of stars brings down, pixels (own estimate).
const ENDS_FLOOR_PX: f64 = 0.05;
/// Full width at half maximum of a Gaussian over its sigma.
const FWHM_PER_SIGMA: f64 = 2.354_820_045;

/// Shapes of a frame; `None` with fewer than five clean stars.
pub fn frame_trail(
    stars: &[Star],
    width: usize,
    height: usize,
    shape: Shape,
) -> Option<FrameShapes> {
    let clean: Vec<&Star> = stars
        .iter()
        .filter(|star| star.quality.is_clean() && star.signal_to_noise() > LEAST_SIGNAL)
        .filter(|star| star.moments_sigma.xx < 2.0 + 0.2 * star.moments.xx)
        .collect();
    if clean.len() < MIN_STARS {
        return None;
    }
    let places: Vec<(f64, f64)> = clean
        .iter()
        .map(|star| {
            let half = 0.5 * width.max(height) as f64;
            let (x, y) = (
                star.position.x - 0.5 * (width as f64 - 1.0),
                star.position.y - 0.5 * (height as f64 - 1.0),
            );
            (x / half, y / half)
        })
        .collect();
    match shape {
        Shape::Moments => from_moments(&clean, &places),
        Shape::Segment => from_segments(&clean, &places),
    }
}

/// Short trails: the field of (xx - yy, 2 xy) at the centre is L^2 / 12 along the trail.
fn from_moments(stars: &[&Star], places: &[(f64, f64)]) -> Option<FrameShapes> {
    let data: Vec<[f64; 2]> = stars
        .iter()
        .map(|star| [star.moments.xx - star.moments.yy, 2.0 * star.moments.xy])
        .collect();
    let sigmas: Vec<f64> = stars
        .iter()
        .map(|star| (star.moments_sigma.xx + star.moments_sigma.yy) / std::f64::consts::SQRT_2)
        .collect();
    let pattern = stars.len() >= 25;
    let (center, covariance) = fit_field(&data, &sigmas, places, pattern)?;
    let noise = covariance.trace() / 2.0 + SHAPE_FLOOR * SHAPE_FLOOR;
    // The size of a noisy pair is too large by its noise: take that off.
    let size = (center[0].powi(2) + center[1].powi(2) - noise)
        .max(0.0)
        .sqrt();
    let length = (12.0 * size).sqrt();
    let angle = 0.5 * center[1].atan2(center[0]);
    let sigma_size = noise.sqrt();
    let length_sigma = 6.0 * sigma_size / length.max((6.0 * sigma_size).sqrt());
    let angle_sigma = (0.5 * sigma_size / size.max(1e-6)).min(std::f64::consts::FRAC_PI_2);
    let mut small: Vec<f64> = stars
        .iter()
        .map(|star| 0.5 * (star.moments.xx + star.moments.yy))
        .map(|mean| mean - 0.5 * size)
        .collect();
    small.sort_by(f64::total_cmp);
    let width = small[small.len() / 2].max(0.05).sqrt();
    let spread = small[small.len() * 84 / 100] - small[small.len() * 16 / 100];
    let width_sigma = 0.25 * spread / width / (stars.len() as f64).sqrt();
    Some(FrameShapes {
        trail: trail_of(length, angle, length_sigma, angle_sigma, stars.len()),
        fwhm: Measured::new(
            Pixels::new(FWHM_PER_SIGMA * width),
            Pixels::new(FWHM_PER_SIGMA * width_sigma),
        ),
    })
}

/// Long trails: the field of the fitted segments, signs aligned.
fn from_segments(stars: &[&Star], places: &[(f64, f64)]) -> Option<FrameShapes> {
    let mut kept = Vec::new();
    for (star, place) in stars.iter().zip(places) {
        if let Some(trail) = star.trail {
            kept.push((*star, *place, trail));
        }
    }
    if kept.len() < MIN_STARS {
        return None;
    }
    let longest = kept
        .iter()
        .map(|(_, _, trail)| *trail)
        .max_by(|a, b| a.length().px().total_cmp(&b.length().px()))?;
    let data: Vec<[f64; 2]> = kept
        .iter()
        .map(|(_, _, trail)| {
            let sign = if trail.dx * longest.dx + trail.dy * longest.dy < 0.0 {
                -1.0
            } else {
                1.0
            };
            [sign * trail.dx, sign * trail.dy]
        })
        .collect();
    let sigmas: Vec<f64> = kept
        .iter()
        .map(|(star, ..)| {
            star.moments_sigma.xx.hypot(star.moments_sigma.xy) / std::f64::consts::SQRT_2
        })
        .collect();
    let places: Vec<(f64, f64)> = kept.iter().map(|(_, place, _)| *place).collect();
    let (center, covariance) = fit_field(&data, &sigmas, &places, false)?;
    let length = center[0].hypot(center[1]);
    let along = nalgebra::Vector2::new(center[0], center[1]) / length.max(1e-9);
    let across = nalgebra::Vector2::new(-along.y, along.x);
    let variance =
        |v: nalgebra::Vector2<f64>| (v.transpose() * covariance * v)[0] + ENDS_FLOOR_PX.powi(2);
    let mut widths: Vec<f64> = kept
        .iter()
        .map(|(star, ..)| star.moments.principal().1.max(0.05).sqrt())
        .collect();
    widths.sort_by(f64::total_cmp);
    let width = widths[widths.len() / 2];
    let spread = widths[widths.len() * 84 / 100] - widths[widths.len() * 16 / 100];
    let width_sigma = 0.5 * spread / (widths.len() as f64).sqrt();
    Some(FrameShapes {
        trail: trail_of(
            length,
            center[1].atan2(center[0]),
            variance(along).sqrt(),
            (variance(across).sqrt() / length.max(1e-9)).min(std::f64::consts::FRAC_PI_2),
            kept.len(),
        ),
        fwhm: Measured::new(
            Pixels::new(FWHM_PER_SIGMA * width),
            Pixels::new(FWHM_PER_SIGMA * width_sigma),
        ),
    })
}

fn trail_of(
    length: f64,
    angle: f64,
    length_sigma: f64,
    angle_sigma: f64,
    n_stars: usize,
) -> FrameTrail {
    let mut vector = PixelVector::new(length * angle.cos(), length * angle.sin());
    if vector.dx < 0.0 {
        vector = -vector;
    }
    let (cos, sin) = (angle.cos(), angle.sin());
    // Across the trail the ends move by the angle's sigma; a trail lost in noise is as unsure
    // across as along.
    let across = (length * angle_sigma).max(if length < length_sigma {
        length_sigma
    } else {
        0.0
    });
    let (a, b) = (length_sigma.powi(2), across.powi(2));
    FrameTrail {
        vector,
        covariance: PixelTensor::new(
            a * cos * cos + b * sin * sin,
            (a - b) * cos * sin,
            a * sin * sin + b * cos * cos,
        ),
        length: Measured::new(Pixels::new(length), Pixels::new(length_sigma)),
        angle: AxialAngle::from_angle(Angle::from_rad(angle)),
        angle_sigma: Angle::from_rad(angle_sigma),
        n_stars,
    }
}

/// Robust fit of a two-part field: constant and linear in x and y, and, if asked, the pattern
/// that a lens draws about the centre, (x^2 - y^2, 2 x y). Returns the constant and its covariance.
fn fit_field(
    data: &[[f64; 2]],
    sigmas: &[f64],
    places: &[(f64, f64)],
    pattern: bool,
) -> Option<([f64; 2], Matrix2<f64>)> {
    let n_parameters = match (pattern, data.len() >= 12) {
        (true, _) => 7,
        (false, true) => 6,
        (false, false) => 2,
    };
    let row = |part: usize, (x, y): (f64, f64)| {
        let mut row = DVector::zeros(n_parameters);
        row[part] = 1.0;
        if n_parameters >= 6 {
            row[2 + 2 * part] = x;
            row[3 + 2 * part] = y;
        }
        if n_parameters >= 7 {
            row[6] = if part == 0 {
                x * x - y * y
            } else {
                2.0 * x * y
            };
        }
        row
    };
    let mut weights = vec![1.0; data.len()];
    let mut spread = 0.0;
    let mut solution = DVector::zeros(n_parameters);
    let mut inverse = DMatrix::zeros(n_parameters, n_parameters);
    for _ in 0..12 {
        let mut normal = DMatrix::zeros(n_parameters, n_parameters);
        let mut right = DVector::zeros(n_parameters);
        for (idx, place) in places.iter().enumerate() {
            let weight = weights[idx] / (sigmas[idx].powi(2) + spread);
            for part in 0..2 {
                let row = row(part, *place);
                normal += weight * &row * row.transpose();
                right += weight * data[idx][part] * row;
            }
        }
        inverse = normal.try_inverse()?;
        solution = &inverse * right;
        let off = |idx: usize| {
            let parts = [0, 1].map(|part| data[idx][part] - row(part, places[idx]).dot(&solution));
            parts[0].hypot(parts[1])
        };
        let mut sizes: Vec<f64> = (0..data.len()).map(off).collect();
        let sorted = {
            let mut sorted = sizes.clone();
            sorted.sort_by(f64::total_cmp);
            sorted
        };
        // Median of a Rayleigh distribution is 1.177 sigma.
        let scale = (sorted[sorted.len() / 2] / 1.177).max(1e-9);
        let mut variances: Vec<f64> = sigmas.iter().map(|sigma| sigma * sigma).collect();
        variances.sort_by(f64::total_cmp);
        spread = (scale * scale - variances[variances.len() / 2]).max(0.0);
        for (weight, size) in weights.iter_mut().zip(&mut sizes) {
            let reach = *size / (4.5 * scale);
            *weight = if reach < 1.0 {
                (1.0 - reach * reach).powi(2)
            } else {
                0.0
            };
        }
    }
    let covariance = inverse.fixed_view::<2, 2>(0, 0).into();
    Some(([solution[0], solution[1]], covariance))
}
