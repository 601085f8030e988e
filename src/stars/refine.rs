//! Stars of short trails to the limit of their light: place and shape of greatest likelihood under the
//! frame's own profile and trail, each pixel weighted by the noise that the model expects there.
//!
//! Adaptive moments weigh all pixels alike under a Gaussian; for bright stars, whose noise is their own
//! light, and for stars hardly wider than a pixel that loses a quarter and more.

use std::f64::consts::TAU;

use nalgebra::{SMatrix, SVector};

use super::fit::{FitSetup, Pixel, misfit, window};
use super::segment::Segment;
use crate::units::{PixelPoint, PixelTensor, PixelVector};

/// Unknowns: x, y, light, pedestal, and what blurs the profile: xx, xy, yy.
const UNKNOWNS: usize = 7;
type Normal = SMatrix<f64, UNKNOWNS, UNKNOWNS>;
type Unknowns = SVector<f64, UNKNOWNS>;

/// Steps of the descent; from adaptive moments the third changes a hundredth of a sigma.
const STEPS: usize = 4;
/// Error of the profile itself, share of the light: keeps the tops of very bright stars from ruling.
const PROFILE_ERROR: f64 = 0.005;
/// Trails shorter than this many sigmas of a Gaussian leave it one Gaussian to a part in ten thousand.
const SHORTEST: f64 = 0.1;
/// A blurred profile is at least this wide, square pixels.
const NARROWEST: f64 = 0.08;

/// Where a star stands and what blurs the frame's profile there.
#[derive(Debug, Clone, Copy)]
pub(super) struct Refined {
    pub(super) center: PixelPoint,
    /// Added to the second moments of the trailed profile, square pixels; may be negative.
    pub(super) blur: PixelTensor,
    /// Covariance of the place, square pixels.
    pub(super) place: PixelTensor,
    /// 1-sigma of each number of `blur`, square pixels; those of xx and yy are such that they give the
    /// error of their difference.
    pub(super) blur_sigma: PixelTensor,
}

impl Refined {
    /// What trail and blur add to the profile's second moments, square pixels.
    pub(super) fn added(&self, trail: PixelVector) -> PixelTensor {
        PixelTensor::new(
            self.blur.xx + trail.dx * trail.dx / 12.0,
            self.blur.xy + trail.dx * trail.dy / 12.0,
            self.blur.yy + trail.dy * trail.dy / 12.0,
        )
    }
}

/// The star near a place, with the frame's trail; `None` where the descent leaves it or the light is not a
/// star's.
///
/// Method: Gauss-Newton on the pixels of its window; the profile is the frame's two Gaussians, trailed
/// (three Gaussians for one, by quadrature) and blurred by a tensor of the star's own. Weights: sky,
/// light and profile error of the model, renewed at each step; pixels far off belong to neighbours and
/// are left out. Covariance: inverse Fisher matrix, scaled by the noise's correlation and, where larger
/// than chance allows, the residuals' variance.
pub(super) fn refine(setup: &FitSetup, star: Segment) -> Option<Refined> {
    let pixels = window(setup, star)?;
    let start = star.center;
    let mut state = Unknowns::from([start.x, start.y, star.flux, 0.0, 0.0, 0.0, 0.0]);
    let mut last = None;
    for _ in 0..STEPS {
        let equations = Equations::at(setup, &pixels, &state, star.vector)?;
        let step = equations.normal.cholesky()?.solve(&equations.gradient);
        state += step;
        let moved = (state[0] - start.x).hypot(state[1] - start.y);
        if !(moved < 0.7 * setup.psf.core && state[2] > 0.0) {
            return None;
        }
        let settled = step[0].hypot(step[1]) < 1e-4 && step.fixed_rows::<3>(4).norm() < 1e-3;
        last = Some(equations);
        if settled {
            break;
        }
    }
    last?.result(setup, &state)
}

/// Normal equations at one state.
struct Equations {
    normal: Normal,
    gradient: Unknowns,
    cost: f64,
    n_kept: usize,
}

impl Equations {
    fn at(
        setup: &FitSetup,
        pixels: &[Pixel],
        state: &Unknowns,
        trail: PixelVector,
    ) -> Option<Self> {
        let parts = Blurred::parts(setup, state, trail)?;
        let mut sum = Self {
            normal: Normal::zeros(),
            gradient: Unknowns::zeros(),
            cost: 0.0,
            n_kept: 0,
        };
        for pixel in pixels.iter().filter(|p| p.kept) {
            let mut slopes = [0.0; UNKNOWNS];
            parts.iter().for_each(|part| {
                part.add(
                    pixel.x - state[0],
                    pixel.y - state[1],
                    state[2],
                    &mut slopes,
                )
            });
            let light = state[2] * slopes[2];
            slopes[3] = 1.0;
            let residual = pixel.light - light - state[3];
            let variance = pixel.variance
                + setup.noise.gain * light.max(0.0)
                + (PROFILE_ERROR * light).powi(2);
            if residual.abs() < 5.0 * variance.sqrt() + 0.25 * light.abs() {
                sum.add(&slopes, residual, 1.0 / variance);
            }
        }
        sum.add_prior(setup.psf.second_moment(), state);
        sum.normal.fill_upper_triangle_with_lower_triangle();
        (sum.n_kept > 2 * UNKNOWNS).then_some(sum)
    }

    #[inline]
    fn add(&mut self, slopes: &[f64; UNKNOWNS], residual: f64, weight: f64) {
        self.cost += weight * residual * residual;
        self.n_kept += 1;
        for i in 0..UNKNOWNS {
            let weighted = weight * slopes[i];
            self.gradient[i] += weighted * residual;
            for (j, slope) in slopes.iter().enumerate().take(i + 1) {
                self.normal[(i, j)] += weighted * slope;
            }
        }
    }

    /// Stars of one frame are about equally wide: a faint star that noise draws onto a single row or column of
    /// pixels is held back. The prior is on the mean of both axes, which leaves the elongation free.
    fn add_prior(&mut self, profile: f64, state: &Unknowns) {
        /// 1-sigma of a star's mean second moment over the profile's.
        const WIDTH_SPREAD: f64 = 0.4;
        let weight = (WIDTH_SPREAD * profile).powi(-2);
        let mean = 0.5 * (state[4] + state[6]);
        for i in [4, 6] {
            self.gradient[i] -= 0.5 * weight * mean;
            self.normal[(i, i)] += 0.25 * weight;
        }
        self.normal[(6, 4)] += 0.25 * weight;
        self.cost += weight * mean * mean;
    }

    fn result(&self, setup: &FitSetup, state: &Unknowns) -> Option<Refined> {
        let c = self.normal.try_inverse()? * misfit(self.cost, self.n_kept - UNKNOWNS);
        let correlation = setup.noise.correlation;
        let place = correlation.place.powi(2);
        let difference = 0.5 * (c[(4, 4)] + c[(6, 6)]) - c[(4, 6)];
        let even = 2.0 * difference / (c[(4, 4)] + c[(6, 6)]);
        let sigma = |variance: f64| correlation.shape * variance.sqrt();
        let refined = Refined {
            center: PixelPoint::new(state[0], state[1]),
            blur: PixelTensor::new(state[4], state[5], state[6]),
            place: PixelTensor::new(place * c[(0, 0)], place * c[(0, 1)], place * c[(1, 1)]),
            blur_sigma: PixelTensor::new(
                sigma(even * c[(4, 4)]),
                sigma(c[(5, 5)]),
                sigma(even * c[(6, 6)]),
            ),
        };
        let sound = (0..UNKNOWNS).all(|k| c[(k, k)] > 0.0 && c[(k, k)].is_finite());
        (sound && even > 0.0).then_some(refined)
    }
}

/// One Gaussian of the trailed and blurred profile.
#[derive(Clone, Copy)]
struct Blurred {
    /// Share of the light over the area.
    height: f64,
    inverse: PixelTensor,
    /// Middle from the star's.
    offset: PixelVector,
}

impl Blurred {
    fn parts(setup: &FitSetup, state: &Unknowns, trail: PixelVector) -> Option<Vec<Self>> {
        let mut parts = Vec::with_capacity(6);
        for (share, sigma) in setup.psf.parts() {
            let variance = sigma * sigma;
            let t = PixelTensor::new(variance + state[4], state[5], variance + state[6]);
            let determinant = t.xx * t.yy - t.xy * t.xy;
            if t.xx < NARROWEST || t.yy < NARROWEST || determinant < NARROWEST * NARROWEST {
                return None;
            }
            let one = Self {
                height: share / (TAU * determinant.sqrt()),
                inverse: PixelTensor::new(
                    t.yy / determinant,
                    -t.xy / determinant,
                    t.xx / determinant,
                ),
                offset: PixelVector::new(0.0, 0.0),
            };
            if trail.length().px() < SHORTEST * sigma {
                parts.push(one);
            } else {
                // Gauss-Legendre quadrature of order three along the trail.
                const OFFSET: f64 = 0.387_298_334_620_741_7;
                parts.extend(
                    [(-OFFSET, 5.0), (0.0, 8.0), (OFFSET, 5.0)].map(|(t, weight)| Self {
                        height: one.height * weight / 18.0,
                        offset: trail * t,
                        ..one
                    }),
                );
            }
        }
        Some(parts)
    }

    /// Adds the brightness of unit light and its slopes by place and blur for a star of this light.
    #[inline]
    fn add(&self, dx: f64, dy: f64, flux: f64, slopes: &mut [f64; UNKNOWNS]) {
        let (dx, dy) = (dx - self.offset.dx, dy - self.offset.dy);
        let s = self.inverse;
        let (ax, ay) = (s.xx * dx + s.xy * dy, s.xy * dx + s.yy * dy);
        let value = self.height * (-0.5 * (ax * dx + ay * dy)).exp();
        let light = flux * value;
        slopes[0] += light * ax;
        slopes[1] += light * ay;
        slopes[2] += value;
        slopes[4] += 0.5 * light * (ax * ax - s.xx);
        slopes[5] += light * (ax * ay - s.xy);
        slopes[6] += 0.5 * light * (ay * ay - s.yy);
    }
}
