//! How much noise the stars' own light brings: variance per unit of light, from residuals of fitted stars.

use nalgebra::{SMatrix, SVector};
use rayon::prelude::*;

use super::equations::variance;
use super::fit::{FitSetup, Pixel, window};
use super::noise::Noise;
use super::segment::{PARAMETERS, Segment, SegmentImage};
use crate::units::PixelVector;

type Own = SMatrix<f64, PARAMETERS, PARAMETERS>;
type OwnVector = SVector<f64, PARAMETERS>;

/// What of a star has been, or is, brought to the least squares of its own pixels.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum OwnNumbers {
    /// Place, light and pedestal.
    Place,
    /// Also its trail.
    PlaceAndTrail,
}

/// Residuals beyond this many sigmas belong to neighbours; what a normal law keeps of its variance without
/// them, `1 - 2 c phi(c) / (1 - 2 Phi(-c))` with `c` this many.
const CLIP: f64 = 3.0;
const KEPT_VARIANCE: f64 = 0.9733;
/// Fewer pixels that feel their star's light do not tell.
const FEWEST_PIXELS: usize = 50;
/// A pixel feels the light that is brighter than this many of the sky's sigmas.
const FELT: f64 = 1.0;

/// Variance that a unit of a star's light adds to a pixel, on the scale of the plane; none where the
/// residuals show none, at most all of the sky's.
///
/// Method: each star's own numbers are brought to the least squares of its whole window; then
/// `residual^2 = (1 - leverage) (sky + gain light)` is solved for the gain by weighted least squares in
/// turns, each pixel with the variance that its square has.
pub(super) fn light_noise(setup: &FitSetup, stars: &[Segment], own: OwnNumbers) -> f64 {
    const TURNS: usize = 8;
    let most = setup.sky.most_gain();
    let with_all = FitSetup {
        noise: Noise {
            gain: most,
            ..setup.noise
        },
        ..*setup
    };
    let residuals: Vec<Residual> = stars
        .par_iter()
        .flat_map_iter(|star| residuals(&with_all, *star, own).unwrap_or_default())
        .filter(|r| r.light > FELT * r.sky.sqrt())
        .collect();
    if residuals.len() < FEWEST_PIXELS {
        return 0.0;
    }
    let mut gain = most;
    for _ in 0..TURNS {
        gain = next(&residuals, gain).clamp(0.0, most);
    }
    gain
}

/// What one pixel says about the noise.
struct Residual {
    /// Of the model, above the pedestal.
    light: f64,
    /// Squared residual over what the fit has left of its variance.
    square: f64,
    /// Share of its variance that the fit has left.
    left: f64,
    /// Variance of the sky.
    sky: f64,
}

/// Weighted least squares about one gain.
fn next(residuals: &[Residual], gain: f64) -> f64 {
    let (mut sum, mut weight) = (0.0, 0.0);
    for r in residuals {
        let expected = variance(r.sky, gain, r.light);
        if r.square < CLIP * CLIP * expected {
            let w = (r.left / expected).powi(2);
            sum += w * r.light * (r.square / KEPT_VARIANCE - r.sky);
            weight += w * r.light * r.light;
        }
    }
    if weight > 0.0 { sum / weight } else { 0.0 }
}

/// Residuals of a star's pixels with its own numbers at their least squares; `None` off the frame or where
/// they do not follow from the pixels.
fn residuals(setup: &FitSetup, mut star: Segment, own: OwnNumbers) -> Option<Vec<Residual>> {
    let pixels: Vec<Pixel> = window(setup, star)?
        .into_iter()
        .filter(|pixel| pixel.kept)
        .collect();
    for _ in 0..2 {
        let seen = Seen::of(setup, star, &pixels, own);
        star = moved(star, seen.covariance()? * seen.gradient);
    }
    let seen = Seen::of(setup, star, &pixels, own);
    let covariance = seen.covariance()?;
    let rest = |(pixel, row): (&Pixel, &Row)| {
        let left = 1.0 - row.weight * row.slopes.dot(&(covariance * row.slopes));
        (left > 0.1).then(|| Residual {
            light: row.light,
            square: row.residual * row.residual / left,
            left,
            sky: pixel.variance,
        })
    };
    Some(pixels.iter().zip(&seen.rows).filter_map(rest).collect())
}

/// One pixel against the model.
struct Row {
    slopes: OwnVector,
    residual: f64,
    light: f64,
    weight: f64,
}

/// A star's pixels against the model, and their normal equations.
struct Seen {
    rows: Vec<Row>,
    normal: Own,
    gradient: OwnVector,
}

impl Seen {
    fn of(setup: &FitSetup, star: Segment, pixels: &[Pixel], own: OwnNumbers) -> Self {
        let image = SegmentImage::new(star, setup.psf, setup.pace);
        let row = |pixel: &Pixel| {
            let (value, mut slopes) = image.value_and_slopes(pixel.x, pixel.y);
            if own == OwnNumbers::Place {
                slopes[2..4].fill(0.0);
            }
            let light = (value - star.pedestal).max(0.0);
            Row {
                slopes: OwnVector::from(slopes),
                residual: pixel.light - value,
                light,
                weight: variance(pixel.variance, setup.noise.gain, light).recip(),
            }
        };
        let rows: Vec<Row> = pixels.iter().map(row).collect();
        let (mut normal, mut gradient) = (Own::zeros(), OwnVector::zeros());
        for Row {
            slopes,
            residual,
            weight,
            ..
        } in &rows
        {
            normal += slopes * slopes.transpose() * *weight;
            gradient += slopes * (weight * residual);
        }
        if own == OwnNumbers::Place {
            (2..4).for_each(|k| normal[(k, k)] = 1.0);
        }
        Self {
            rows,
            normal,
            gradient,
        }
    }

    fn covariance(&self) -> Option<Own> {
        Some(self.normal.cholesky()?.inverse())
    }
}

fn moved(mut star: Segment, step: OwnVector) -> Segment {
    star.center.x += step[0].clamp(-1.0, 1.0);
    star.center.y += step[1].clamp(-1.0, 1.0);
    star.vector = star.vector + PixelVector::new(step[2], step[3]);
    star.flux += step[4].clamp(-0.5 * star.flux, star.flux);
    star.pedestal += step[5];
    star
}
