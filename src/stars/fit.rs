//! Maximum-likelihood fit of one star: a Gaussian drawn along a segment.
//!
//! The model is a Gaussian of equal width in all directions, convolved with a segment: exact for a
//! Gaussian image that moved evenly. The same code fits short trails, where segment and width
//! cannot be told apart, as a Gaussian with free second moments.

use nalgebra::{SMatrix, SVector};

use super::background::Background;
use crate::frame::Plane;

/// Parameters of a model: flux, x, y, background offset, and three of shape.
pub const N: usize = 7;
type Vector = SVector<f64, N>;
type Matrix = SMatrix<f64, N, N>;

/// Which shape the last three parameters describe.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    /// Second moments xx, xy, yy of a Gaussian.
    Moments,
    /// Segment dx, dy and the Gaussian's sigma.
    Segment,
}

/// A fitted star.
#[derive(Debug, Clone)]
pub struct StarFit {
    /// Parameters in the order flux, x, y, offset, shape.
    pub parameters: Vector,
    /// Their covariance, scaled by the residuals where those exceed the noise.
    pub covariance: Matrix,
    /// Root of the reduced chi-square.
    pub misfit: f64,
}

/// The pixels that a fit looks at.
pub struct Cutout {
    values: Vec<f64>,
    variances: Vec<f64>,
    places: Vec<(f64, f64)>,
}

/// A strip about a segment: what a trailed star lights up.
#[derive(Debug, Clone, Copy)]
pub struct Strip {
    /// Middle of the segment.
    pub center: (f64, f64),
    /// Segment from end to end.
    pub segment: (f64, f64),
    /// Distance from the segment that still belongs to the strip, pixels.
    pub reach: f64,
}

impl Strip {
    fn holds(&self, x: f64, y: f64) -> bool {
        let (dx, dy) = (x - self.center.0, y - self.center.1);
        let square = self.segment.0.powi(2) + self.segment.1.powi(2);
        let along = if square > 0.0 {
            (dx * self.segment.0 + dy * self.segment.1) / square
        } else {
            0.0
        };
        let nearest = along.clamp(-0.5, 0.5);
        (dx - nearest * self.segment.0).hypot(dy - nearest * self.segment.1) <= self.reach
    }

    /// Columns and rows of the box about the strip; `None` where it leaves the frame.
    fn bounds(&self, width: usize, height: usize) -> Option<((usize, usize), (usize, usize))> {
        let span = |center: f64, part: f64, size: usize| {
            let half = part.abs() / 2.0 + self.reach;
            let (low, high) = ((center - half).floor(), (center + half).ceil());
            (low >= 0.0 && high < size as f64).then_some((low as usize, high as usize))
        };
        Some((
            span(self.center.0, self.segment.0, width)?,
            span(self.center.1, self.segment.1, height)?,
        ))
    }
}

impl Cutout {
    /// Background-subtracted pixels of a strip, with the variance of each; `None` where the strip
    /// leaves the frame.
    ///
    /// Photon noise grows with the light: on a sky-limited frame the variance is the background's
    /// times the ratio of light to background.
    pub fn new(plane: &Plane, background: &Background, strip: &Strip) -> Option<Self> {
        let ((x0, x1), (y0, y1)) = strip.bounds(plane.width(), plane.height())?;
        let mut cutout = Self {
            values: Vec::new(),
            variances: Vec::new(),
            places: Vec::new(),
        };
        for y in y0..=y1 {
            for x in x0..=x1 {
                let place = (x as f64, y as f64);
                if !strip.holds(place.0, place.1) {
                    continue;
                }
                let (level, noise) = background.at(x, y);
                let light = f64::from(plane.row(y)[x] - level);
                let quiet = f64::from(noise * noise);
                let growth = light.max(0.0) / f64::from(level.max(8.0 * noise));
                cutout.values.push(light);
                cutout.variances.push(quiet * (1.0 + growth));
                cutout.places.push(place);
            }
        }
        (cutout.values.len() > 2 * N).then_some(cutout)
    }

    /// Sum of the light.
    pub fn light(&self) -> f64 {
        self.values.iter().sum()
    }

    /// Variance of one pixel of empty sky.
    pub fn quiet_variance(&self) -> f64 {
        self.variances.iter().copied().fold(f64::INFINITY, f64::min)
    }

    /// Variance of `light`.
    pub fn light_variance(&self) -> f64 {
        self.variances.iter().sum()
    }

    /// Brightest pixel above the background.
    pub fn peak(&self) -> f64 {
        self.values.iter().copied().fold(0.0, f64::max)
    }
}

/// Fits a star by Levenberg-Marquardt from a start; `None` where it does not settle.
pub fn fit_star(cutout: &Cutout, shape: Shape, start: Vector) -> Option<StarFit> {
    let mut parameters = start;
    let mut damping = 1e-3;
    let (mut chi, mut normal, mut right) = equations(cutout, shape, &parameters)?;
    for _ in 0..40 {
        let mut damped = normal;
        for row in 0..N {
            damped[(row, row)] *= 1.0 + damping;
        }
        let step = damped.cholesky()?.solve(&right);
        let trial = parameters + step;
        match equations(cutout, shape, &trial).filter(|next| next.0 <= chi) {
            Some(next) => {
                let gain = chi - next.0;
                parameters = trial;
                (chi, normal, right) = next;
                damping = (damping * 0.3).max(1e-9);
                if gain < 1e-4 * chi.max(1e-12) {
                    break;
                }
            }
            None => {
                damping *= 8.0;
                if damping > 1e8 {
                    break;
                }
            }
        }
    }
    let n_free = cutout.values.len().saturating_sub(N).max(1) as f64;
    let misfit = (chi / n_free).sqrt();
    let covariance = normal.cholesky()?.inverse() * misfit.max(1.0).powi(2);
    Some(StarFit {
        parameters,
        covariance,
        misfit,
    })
}

/// Chi-square, normal matrix and right side; `None` outside the model's range.
fn equations(cutout: &Cutout, shape: Shape, parameters: &Vector) -> Option<(f64, Matrix, Vector)> {
    let model = Model::new(shape, parameters)?;
    let (mut chi, mut normal, mut right) = (0.0, Matrix::zeros(), Vector::zeros());
    for (idx, (value, variance)) in cutout.values.iter().zip(&cutout.variances).enumerate() {
        let (x, y) = cutout.places[idx];
        let (expected, slopes) = model.at(x, y);
        let weight = 1.0 / variance;
        let off = value - expected;
        chi += weight * off * off;
        right += slopes * (weight * off);
        normal.ger(weight, &slopes, &slopes, 1.0);
    }
    chi.is_finite().then_some((chi, normal, right))
}

enum Model {
    Moments {
        p: Vector,
        inverse: (f64, f64, f64),
        scale: f64,
    },
    Segment {
        p: Vector,
        length: f64,
        unit: (f64, f64),
    },
}

impl Model {
    fn new(shape: Shape, p: &Vector) -> Option<Self> {
        match shape {
            Shape::Moments => {
                let (xx, xy, yy) = (p[4], p[5], p[6]);
                let determinant = xx * yy - xy * xy;
                let sound = xx > 0.02 && yy > 0.02 && determinant > 4e-4 && xx + yy < 4000.0;
                sound.then(|| Self::Moments {
                    p: *p,
                    inverse: (yy / determinant, -xy / determinant, xx / determinant),
                    scale: 1.0 / (std::f64::consts::TAU * determinant.sqrt()),
                })
            }
            Shape::Segment => {
                let length = p[4].hypot(p[5]);
                let sound = length > 0.05 && length < 3000.0 && p[6] > 0.2 && p[6] < 30.0;
                sound.then(|| Self::Segment {
                    p: *p,
                    length,
                    unit: (p[4] / length, p[5] / length),
                })
            }
        }
    }

    /// Value and derivatives by the parameters at a pixel.
    fn at(&self, x: f64, y: f64) -> (f64, Vector) {
        match self {
            Self::Moments {
                p,
                inverse: (ixx, ixy, iyy),
                scale,
            } => {
                let (dx, dy) = (x - p[1], y - p[2]);
                // u = inverse moments times offset.
                let (ux, uy) = (ixx * dx + ixy * dy, ixy * dx + iyy * dy);
                let unit = scale * (-0.5 * (dx * ux + dy * uy)).exp();
                let value = p[0] * unit;
                let slopes = Vector::from_column_slice(&[
                    unit,
                    value * ux,
                    value * uy,
                    1.0,
                    0.5 * value * (ux * ux - ixx),
                    value * (ux * uy - ixy),
                    0.5 * value * (uy * uy - iyy),
                ]);
                (value + p[3], slopes)
            }
            Self::Segment {
                p,
                length,
                unit: (cos, sin),
            } => segment_at(p, *length, (*cos, *sin), x, y),
        }
    }
}

/// A Gaussian of sigma s drawn evenly along a segment of length L:
/// `F / L * g(v) * (Phi((u + L/2) / s) - Phi((u - L/2) / s))`, with u along and v across.
fn segment_at(p: &Vector, length: f64, (cos, sin): (f64, f64), x: f64, y: f64) -> (f64, Vector) {
    let sigma = p[6];
    let (dx, dy) = (x - p[1], y - p[2]);
    let (u, v) = (dx * cos + dy * sin, -dx * sin + dy * cos);
    let (plus, minus) = ((u + 0.5 * length) / sigma, (u - 0.5 * length) / sigma);
    let across = (-0.5 * (v / sigma).powi(2)).exp() / (sigma * SQRT_TAU);
    let inside = normal_cdf(plus) - normal_cdf(minus);
    let (edge_plus, edge_minus) = (normal_pdf(plus), normal_pdf(minus));
    let unit = across * inside / length;
    let value = p[0] * unit;
    // Derivatives in the turned frame first.
    let front = p[0] * across / length;
    let by_u = front * (edge_plus - edge_minus) / sigma;
    let by_v = -value * v / (sigma * sigma);
    let by_length = -value / length + front * 0.5 * (edge_plus + edge_minus) / sigma;
    let by_sigma = value * ((v / sigma).powi(2) - 1.0) / sigma
        - front * (plus * edge_plus - minus * edge_minus) / sigma;
    // Turning the segment by a small angle moves u by v and v by -u.
    let by_angle = by_u * v - by_v * u;
    let slopes = Vector::from_column_slice(&[
        unit,
        -by_u * cos + by_v * sin,
        -by_u * sin - by_v * cos,
        1.0,
        by_length * cos - by_angle * sin / length,
        by_length * sin + by_angle * cos / length,
        by_sigma,
    ]);
    (value + p[3], slopes)
}

const SQRT_TAU: f64 = 2.506_628_274_631_000_7;

fn normal_pdf(x: f64) -> f64 {
    (-0.5 * x * x).exp() / SQRT_TAU
}

/// Cumulative normal distribution to 1e-7.
///
/// Source: Abramowitz & Stegun 1964, Handbook of Mathematical Functions, formula 7.1.26 (erf).
fn normal_cdf(x: f64) -> f64 {
    let z = x.abs() * std::f64::consts::FRAC_1_SQRT_2;
    let t = 1.0 / (1.0 + 0.327_591_1 * z);
    let series = t
        * (0.254_829_592
            + t * (-0.284_496_736
                + t * (1.421_413_741 + t * (-1.453_152_027 + t * 1.061_405_429))));
    let tail = 0.5 * series * (-z * z).exp();
    if x >= 0.0 { 1.0 - tail } else { tail }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn derivatives_agree_with_small_steps() {
        let cases = [
            (Shape::Moments, [40.0, 10.2, 9.7, 0.1, 2.0, 0.4, 1.5]),
            (Shape::Segment, [40.0, 10.2, 9.7, 0.1, 7.0, 3.0, 1.2]),
        ];
        for (shape, values) in cases {
            let p = Vector::from_column_slice(&values);
            let (_, slopes) = Model::new(shape, &p).unwrap().at(11.0, 8.5);
            for idx in 0..N {
                let mut step = Vector::zeros();
                step[idx] = 1e-4;
                let value = |p: Vector| Model::new(shape, &p).unwrap().at(11.0, 8.5).0;
                let slope = (value(p + step) - value(p - step)) / 2e-4;
                assert!(
                    (slope - slopes[idx]).abs() < 1e-4 * (1.0 + slope.abs()),
                    "{shape:?} {idx}: {slope} {}",
                    slopes[idx]
                );
            }
        }
    }
}
