//! Normal equations of all stars of a frame together, each star's own numbers eliminated.

use std::f64::consts::LN_2;
use std::sync::Arc;

use nalgebra::{SMatrix, SVector};
use rayon::prelude::*;

use super::fit::{FitSetup, Pixel, window};
use super::learn::Freedom;
use super::pace::Pace;
use super::psf::Psf;
use super::segment::{SHARED, Segment, SegmentImage};

/// Logarithms of the core and of the ratio, share of the wings, logarithm of the stretch, and the pace.
pub(super) type SharedVector = SVector<f64, SHARED>;
type Shared = SMatrix<f64, SHARED, SHARED>;
type Own = SMatrix<f64, 4, 4>;
type OwnVector = SVector<f64, 4>;
type Cross = SMatrix<f64, 4, SHARED>;

/// How many of the stars' pixels are read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Reading {
    /// Some of each star's: cheap enough to repeat, good for a first profile and for choosing a pace.
    ///
    /// Place, light and pedestal follow the noise of the few pixels of each star, which makes all stars
    /// narrower at once: 2 % at S/N 20 with a tenth of the pixels read, however many the stars are.
    Sampled,
    /// All of each star's, of as many of the first stars as there is time for.
    Whole,
}

/// Pixels that are read of all stars together, and the fewest of a star where there are many stars.
const SAMPLED_PIXELS: usize = 6000;
const LEAST_SAMPLED: usize = 60;
/// The same for whole stars; very long trails are thinned so that this many stars find room.
const WHOLE_PIXELS: usize = 40_000;
const FEWEST_WHOLE: usize = 40;
/// Error of the model itself, share of the light: keeps a few very bright stars from ruling.
const MODEL_ERROR: f64 = 0.02;

pub(super) fn state_of(setup: &FitSetup) -> SharedVector {
    let (psf, pace) = (setup.psf, setup.pace);
    let profile = [psf.core.ln(), psf.ratio.ln(), psf.wings];
    SharedVector::from([
        profile[0], profile[1], profile[2], 0.0, pace.start, pace.end, pace.slope, pace.curve,
    ])
}

pub(super) fn psf_of(state: &SharedVector) -> Psf {
    Psf {
        core: state[0].exp(),
        ratio: state[1].exp(),
        wings: state[2],
    }
}

pub(super) fn pace_of(state: &SharedVector) -> Pace {
    Pace {
        start: state[4],
        end: state[5],
        slope: state[6],
        curve: state[7],
    }
}

/// One star's pixels and its own numbers.
pub(super) struct Member {
    pixels: Arc<Vec<Pixel>>,
    star: Segment,
}

fn members(setup: &FitSetup, stars: &[Segment], reading: Reading) -> Vec<Member> {
    let (all, each) = match reading {
        Reading::Sampled => {
            let each = (SAMPLED_PIXELS / stars.len().max(1)).max(LEAST_SAMPLED);
            (usize::MAX, each)
        }
        Reading::Whole => (WHOLE_PIXELS, WHOLE_PIXELS / FEWEST_WHOLE),
    };
    let members: Vec<Member> = stars
        .par_iter()
        .filter_map(|star| {
            let pixels = window(setup, *star)?;
            let step = pixels.len().div_ceil(each);
            let thinned: Vec<Pixel> = pixels
                .into_iter()
                .filter(|p| p.kept)
                .step_by(step)
                .collect();
            (thinned.len() > 12).then(|| Member {
                pixels: thinned.into(),
                star: *star,
            })
        })
        .collect();
    let mut read = 0;
    let has_room = |member: &Member| {
        read += member.pixels.len();
        read <= all
    };
    members.into_iter().take_while(has_room).collect()
}

/// Normal equations of all stars together at one state.
pub(super) struct Total {
    members: Vec<Member>,
    eliminated: Vec<Eliminated>,
    normal: Shared,
    gradient: SharedVector,
    /// Squared residuals over their expected variance, summed over all pixels.
    pub(super) cost: f64,
}

/// What is needed to follow a star's own numbers.
struct Eliminated {
    inverse: Own,
    gradient: OwnVector,
    cross: Cross,
}

impl Total {
    /// With the stars' pixels read; `None` where none has enough.
    pub(super) fn start(
        setup: &FitSetup,
        freedom: Freedom,
        stars: &[Segment],
        reading: Reading,
        state: &SharedVector,
    ) -> Option<Self> {
        let members = members(setup, stars, reading);
        (!members.is_empty()).then(|| Self::of(setup, freedom, members, state))
    }

    pub(super) fn of(
        setup: &FitSetup,
        freedom: Freedom,
        members: Vec<Member>,
        state: &SharedVector,
    ) -> Self {
        let parts: Vec<Part> = members
            .par_iter()
            .map(|m| Part::of(m, state, setup))
            .collect();
        let mut sum = Self {
            members,
            eliminated: Vec::with_capacity(parts.len()),
            normal: Shared::zeros(),
            gradient: SharedVector::zeros(),
            cost: 0.0,
        };
        for part in parts {
            sum.normal += part.normal;
            sum.gradient += part.gradient;
            sum.cost += part.cost;
            sum.eliminated.push(part.eliminated);
        }
        sum.add_priors(state);
        sum.hold(freedom);
        sum
    }

    /// An ordinary profile has wings of twice the core's width; a pace is even until the pixels say otherwise.
    fn add_priors(&mut self, state: &SharedVector) {
        const PRIORS: [(usize, f64, f64); 6] = [
            (1, LN_2, 0.3),
            (2, 0.15, 0.3),
            (4, 0.0, 1.0),
            (5, 0.0, 1.0),
            (6, 0.0, 0.5),
            (7, 0.0, 0.5),
        ];
        for (k, middle, sigma) in PRIORS {
            let pull = (middle - state[k]) / sigma;
            self.normal[(k, k)] += 1.0 / (sigma * sigma);
            self.gradient[k] += pull / sigma;
            self.cost += pull * pull;
        }
    }

    fn hold(&mut self, freedom: Freedom) {
        for &k in freedom.held() {
            self.normal.row_mut(k).fill(0.0);
            self.normal.column_mut(k).fill(0.0);
            self.normal[(k, k)] = 1.0;
            self.gradient[k] = 0.0;
        }
    }

    /// Damped step of the shared numbers.
    pub(super) fn step(&self, damping: f64) -> Option<SharedVector> {
        let mut damped = self.normal;
        (0..SHARED).for_each(|k| damped[(k, k)] *= 1.0 + damping);
        Some(damped.cholesky()?.solve(&self.gradient))
    }

    /// The stars after the shared numbers moved by `step`.
    pub(super) fn moved(&self, step: &SharedVector) -> Vec<Member> {
        let follow = |(member, e): (&Member, &Eliminated)| {
            let own = e.inverse * (e.gradient - e.cross * step);
            let mut star = member.star;
            star.center.x += own[0].clamp(-2.0, 2.0);
            star.center.y += own[1].clamp(-2.0, 2.0);
            star.flux += own[2].clamp(-0.7 * star.flux, 2.0 * star.flux);
            star.pedestal += own[3];
            Member {
                pixels: member.pixels.clone(),
                star,
            }
        };
        self.members
            .iter()
            .zip(&self.eliminated)
            .map(follow)
            .collect()
    }

    /// Covariance of the shared numbers, scaled by the residuals where these exceed the noise.
    pub(super) fn covariance(&self) -> Option<Shared> {
        let pixels: usize = self.members.iter().map(|m| m.pixels.len()).sum();
        Some(self.normal.cholesky()?.inverse() * (self.cost / pixels as f64).max(1.0))
    }

    /// The stars at a state.
    pub(super) fn stars(&self, state: &SharedVector) -> Vec<Segment> {
        let stars = self.members.iter();
        stars.map(|member| stretched(member.star, state)).collect()
    }
}

/// What is expected of a pixel's squared residual: noise of sky and light, and the model's own error.
pub(super) fn variance(sky: f64, gain: f64, light: f64) -> f64 {
    sky + gain * light + (MODEL_ERROR * light).powi(2)
}

fn stretched(mut star: Segment, state: &SharedVector) -> Segment {
    star.vector = star.vector * state[3].exp();
    star
}

/// One star's share of the normal equations with its own numbers eliminated.
struct Part {
    normal: Shared,
    gradient: SharedVector,
    cost: f64,
    eliminated: Eliminated,
}

impl Part {
    fn of(member: &Member, state: &SharedVector, setup: &FitSetup) -> Self {
        let star = stretched(member.star, state);
        let image = SegmentImage::new(star, psf_of(state), pace_of(state));
        let (mut normal, mut gradient, mut cost) = (Shared::zeros(), SharedVector::zeros(), 0.0);
        let (mut own, mut own_gradient, mut cross) =
            (Own::zeros(), OwnVector::zeros(), Cross::zeros());
        for pixel in member.pixels.iter() {
            let (value, own_slopes, slopes) = image.value_and_shared_slopes(pixel.x, pixel.y);
            let light = (value - star.pedestal).max(0.0);
            let variance = variance(pixel.variance, setup.noise.gain, light);
            let residual = pixel.light - value;
            // Beyond three sigma and a tenth of the light a pixel belongs to a neighbour: its pull fades (Huber).
            let limit = 3.0 * variance.sqrt() + 0.1 * light;
            let weight = (limit / residual.abs()).min(1.0) / variance;
            let (s, o) = (SharedVector::from(slopes), OwnVector::from(own_slopes));
            cost += weight * residual * residual;
            normal += s * s.transpose() * weight;
            gradient += s * (weight * residual);
            own += o * o.transpose() * weight;
            own_gradient += o * (weight * residual);
            cross += o * s.transpose() * weight;
        }
        let inverse = own.try_inverse().unwrap_or_else(Own::zeros);
        normal -= cross.transpose() * inverse * cross;
        gradient -= cross.transpose() * (inverse * own_gradient);
        Self {
            normal,
            gradient,
            cost,
            eliminated: Eliminated {
                inverse,
                gradient: own_gradient,
                cross,
            },
        }
    }
}
