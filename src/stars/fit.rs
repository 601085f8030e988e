//! Fit of a segment to the pixels of one star, with its Fisher covariance.

use nalgebra::{SMatrix, SVector};

use super::background::Background;
use super::moments::Noise;
use super::segment::{Dwell, PARAMETERS, Psf, Segment, SegmentImage};
use crate::frame::Plane;
use crate::units::{PixelPoint, PixelTensor, PixelVector};

type Matrix = SMatrix<f64, PARAMETERS, PARAMETERS>;
type Vector = SVector<f64, PARAMETERS>;

/// What the fit knows beside the pixels.
pub(super) struct FitSetup<'a> {
    pub(super) plane: &'a Plane,
    pub(super) sky: &'a Background,
    pub(super) noise: Noise,
    pub(super) psf: &'a Psf,
    pub(super) dwell: Dwell,
    /// Pixels at or above this value are left out.
    pub(super) saturation: f32,
    /// Whether the width of this star is free.
    pub(super) width: Width,
}

/// Whether a star's width is fitted or taken from the frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Width {
    /// As the frame's PSF says.
    Shared,
    /// The frame's PSF times a free factor.
    Free,
}

/// A fitted segment.
#[derive(Debug, Clone, Copy)]
pub(super) struct SegmentFit {
    pub(super) segment: Segment,
    pub(super) center_covariance: PixelTensor,
    pub(super) vector_covariance: PixelTensor,
    pub(super) flux_sigma: f64,
    /// Width over that of the frame's PSF.
    pub(super) width: f64,
    /// Brightest pixel above the sky.
    pub(super) peak: f64,
    /// Share of the window's pixels that were left out as foreign or saturated.
    pub(super) masked: f64,
}

const MOST_STEPS: usize = 30;

struct Pixel {
    x: f64,
    y: f64,
    light: f64,
    variance: f64,
    kept: bool,
}

/// Best segment near `start`; `None` where it runs away or nothing is left to fit.
///
/// Method: Levenberg-Marquardt on the pixels within four PSF widths of the segment, weighted by sky
/// and photon noise; after some steps pixels that deviate by more than five sigma and a quarter of
/// the model belong to neighbours and are left out. Covariance: inverse Fisher matrix, scaled by the
/// noise's correlation and, where larger than one, the residuals' variance.
pub(super) fn fit_segment(setup: &FitSetup, start: Segment) -> Option<SegmentFit> {
    let sky_variance = sky_variance(setup, start.center)?;
    let mut pixels = start_window(setup, start, sky_variance)?;
    let fit = LeastSquares {
        setup,
        sky_variance,
    };
    let mut state = Vector::from([
        start.center.x,
        start.center.y,
        start.vector.dx,
        start.vector.dy,
        start.flux,
        start.pedestal,
        0.0,
    ]);
    let mut damping = 1e-3;
    let (mut normal, mut gradient, mut cost) = fit.normal_equations(&state, &pixels);
    for step_idx in 0..MOST_STEPS {
        if step_idx == 4 || step_idx == 8 {
            fit.reweigh(&state, &mut pixels);
            (normal, gradient, cost) = fit.normal_equations(&state, &pixels);
        }
        let mut damped = normal;
        (0..PARAMETERS).for_each(|k| damped[(k, k)] *= 1.0 + damping);
        let step = damped.cholesky()?.solve(&gradient);
        let trial = state + step;
        if !is_sane(&trial, &start, setup.psf) {
            damping *= 10.0;
            if damping > 1e8 {
                return None;
            }
            continue;
        }
        let (n, g, c) = fit.normal_equations(&trial, &pixels);
        if c <= cost * (1.0 + 1e-12) {
            let settled = (cost - c) < 1e-6 * cost && step_idx > 8;
            (state, normal, gradient, cost) = (trial, n, g, c);
            damping = (damping * 0.2).max(1e-9);
            if settled {
                break;
            }
        } else {
            damping *= 6.0;
            if damping > 1e10 {
                break;
            }
        }
    }
    fit.summary(&state, &normal, &pixels)
}

/// Variance of the sky at a place; `None` outside of the frame.
fn sky_variance(setup: &FitSetup, place: PixelPoint) -> Option<f64> {
    let inside = place.x >= 0.0
        && place.y >= 0.0
        && place.x < setup.plane.width() as f64
        && place.y < setup.plane.height() as f64;
    inside.then(|| f64::from(setup.sky.noise_at(place.x as usize, place.y as usize)).powi(2))
}

fn start_window(setup: &FitSetup, start: Segment, variance: f64) -> Option<Vec<Pixel>> {
    let margin = 4.0 * setup.psf.parts[0].1 + 1.5;
    let (hx, hy) = (
        0.5 * start.vector.dx.abs() + margin,
        0.5 * start.vector.dy.abs() + margin,
    );
    let (width, height) = (setup.plane.width() as f64, setup.plane.height() as f64);
    let c = start.center;
    let image = SegmentImage::new(start, setup.psf, setup.dwell);
    let (x0, x1) = (
        (c.x - hx).max(0.0) as usize,
        (c.x + hx).min(width - 1.0) as usize,
    );
    let (y0, y1) = (
        (c.y - hy).max(0.0) as usize,
        (c.y + hy).min(height - 1.0) as usize,
    );
    let mut pixels = Vec::new();
    for y in y0..=y1 {
        let row = setup.plane.row(y);
        for (x, value) in row.iter().enumerate().take(x1 + 1).skip(x0) {
            if image.is_near(x as f64, y as f64, margin) {
                let level = setup.sky.level_at(x, y);
                let light = f64::from(value - level);
                pixels.push(Pixel {
                    x: x as f64,
                    y: y as f64,
                    light,
                    variance,
                    kept: *value < setup.saturation,
                });
            }
        }
    }
    let kept = pixels.iter().filter(|p| p.kept).count();
    (kept > 2 * PARAMETERS).then_some(pixels)
}

struct LeastSquares<'a> {
    setup: &'a FitSetup<'a>,
    sky_variance: f64,
}

impl LeastSquares<'_> {
    fn each(
        &self,
        state: &Vector,
        pixels: &[Pixel],
        mut see: impl FnMut(usize, f64, f64, [f64; PARAMETERS]),
    ) {
        let psf = self.setup.psf.scaled(state[6].exp());
        let image = SegmentImage::new(segment_of(state), &psf, self.setup.dwell);
        for (index, pixel) in pixels.iter().enumerate().filter(|(_, p)| p.kept) {
            let (value, slopes) = image.value_and_slopes(pixel.x, pixel.y);
            see(index, pixel.light - value, value - state[5], slopes);
        }
    }

    fn normal_equations(&self, state: &Vector, pixels: &[Pixel]) -> (Matrix, Vector, f64) {
        let mut normal = Matrix::zeros();
        let mut gradient = Vector::zeros();
        let mut cost = 0.0;
        let free = if self.setup.width == Width::Free {
            PARAMETERS
        } else {
            PARAMETERS - 1
        };
        self.each(state, pixels, |index, residual, _, slopes| {
            let weight = 1.0 / pixels[index].variance;
            cost += residual * residual * weight;
            for i in 0..free {
                gradient[i] += weight * slopes[i] * residual;
                for j in 0..=i {
                    normal[(i, j)] += weight * slopes[i] * slopes[j];
                }
            }
        });
        for i in 0..PARAMETERS {
            for j in 0..i {
                normal[(j, i)] = normal[(i, j)];
            }
            if i >= free || normal[(i, i)] <= 0.0 {
                normal[(i, i)] = 1.0;
            }
        }
        (normal, gradient, cost)
    }

    /// Gives each pixel the noise that the model expects, and leaves out those of neighbours.
    fn reweigh(&self, state: &Vector, pixels: &mut [Pixel]) {
        let mut verdicts = Vec::with_capacity(pixels.len());
        self.each(state, pixels, |index, residual, light, _| {
            let variance = self.sky_variance + self.setup.noise.gain * light.max(0.0);
            let kept = residual.abs() < 5.0 * variance.sqrt() + 0.25 * light.abs();
            verdicts.push((index, variance, kept));
        });
        for (index, variance, kept) in verdicts {
            (pixels[index].variance, pixels[index].kept) = (variance, kept);
        }
    }

    fn summary(&self, state: &Vector, normal: &Matrix, pixels: &[Pixel]) -> Option<SegmentFit> {
        let kept = pixels.iter().filter(|p| p.kept).count();
        let spare = kept.checked_sub(PARAMETERS).filter(|n| *n > PARAMETERS)?;
        let (mut chi, mut peak) = (0.0, 0.0_f64);
        self.each(state, pixels, |index, residual, light, _| {
            chi += residual * residual / pixels[index].variance;
            peak = peak.max(light + residual);
        });
        let chi_squared = chi / spare as f64;
        let c =
            normal.try_inverse()? * (self.setup.noise.correlation.powi(2) * chi_squared.max(1.0));
        let tensor = |i: usize| PixelTensor::new(c[(i, i)], c[(i, i + 1)], c[(i + 1, i + 1)]);
        let segment = segment_of(state);
        let fit = SegmentFit {
            segment,
            center_covariance: tensor(0),
            vector_covariance: tensor(2),
            flux_sigma: c[(4, 4)].sqrt(),
            width: state[6].exp(),
            peak,
            masked: 1.0 - kept as f64 / pixels.len() as f64,
        };
        let positive = [c[(0, 0)], c[(1, 1)], c[(2, 2)], c[(3, 3)], c[(4, 4)]]
            .iter()
            .all(|v| *v > 0.0 && v.is_finite());
        (positive && segment.flux > 0.0).then_some(fit)
    }
}

fn segment_of(state: &Vector) -> Segment {
    Segment {
        center: PixelPoint::new(state[0], state[1]),
        vector: PixelVector::new(state[2], state[3]),
        flux: state[4],
        pedestal: state[5],
    }
}

/// Held near the start: a fit that wanders off by more than this measures something else.
fn is_sane(trial: &Vector, start: &Segment, psf: &Psf) -> bool {
    let reach = 3.0 * psf.reach() + 0.3 * start.vector.length().px();
    let moved = (trial[0] - start.center.x).hypot(trial[1] - start.center.y);
    let length = trial[2].hypot(trial[3]);
    moved < reach
        && length < 1.6 * start.vector.length().px() + 4.0 * psf.reach()
        && trial[6].abs() < 1.2
        && trial.iter().all(|v| v.is_finite())
}
