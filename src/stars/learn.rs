//! What all stars of a frame share: the PSF's profile and how the light is spread along the trails.

use nalgebra::{SMatrix, SVector};
use rayon::prelude::*;

use super::fit::{FitSetup, Pixel, window};
use super::segment::{Dwell, Psf, SHARED, Segment, SegmentImage};

type Shared = SMatrix<f64, SHARED, SHARED>;
type SharedVector = SVector<f64, SHARED>;
type Own = SMatrix<f64, 4, 4>;
type OwnVector = SVector<f64, 4>;
type Cross = SMatrix<f64, 4, SHARED>;

/// What to look for beside the PSF.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Freedom {
    /// The trails are known: the PSF only.
    Profile,
    /// Also a common factor on all lengths.
    Length,
    /// Also dwelling at the ends, and a common factor on all lengths.
    Dwelling,
}

/// What the stars share, and how well it is known.
#[derive(Debug, Clone, Copy)]
pub(super) struct Learnt {
    pub(super) psf: Psf,
    pub(super) dwell: Dwell,
    /// 1-sigma of the two dwelling shares.
    pub(super) dwell_sigma: (f64, f64),
    /// Factor on the lengths of the given segments.
    pub(super) stretch: f64,
    /// 1-sigma of the logarithm of the core's width.
    pub(super) core_sigma: f64,
}

/// Pixels that the profile is learnt from, over all stars; enough for a per cent, cheap enough to repeat.
const PIXEL_BUDGET: usize = 6000;
const ROUNDS: usize = 14;
/// Error of the model itself, share of the light: keeps a few very bright stars from ruling.
const MODEL_ERROR: f64 = 0.02;

/// Profile and dwelling shared by stars at known places with known trails.
///
/// Method: damped least squares of all stars together; each star's place, light and pedestal are
/// eliminated star by star (Schur complement). Weak priors hold what the pixels do not show.
pub(super) fn learn_shared(
    setup: &FitSetup,
    stars: &[Segment],
    freedom: Freedom,
) -> Option<Learnt> {
    let mut members = members(setup, stars);
    if members.is_empty() {
        return None;
    }
    let start = SharedVector::from([
        setup.psf.core.ln(),
        setup.psf.ratio.ln(),
        setup.psf.wings,
        0.0,
        setup.dwell.start,
        setup.dwell.end,
    ]);
    let mut state = start;
    let mut damping = 1e-2;
    let mut current = total(&members, &state, setup, freedom);
    let mut last = current.normal;
    for _ in 0..ROUNDS {
        let mut damped = current.normal;
        (0..SHARED).for_each(|k| damped[(k, k)] *= 1.0 + damping);
        let Some(solver) = damped.cholesky() else {
            break;
        };
        let trial = bounded(state + solver.solve(&current.gradient));
        let step = trial - state;
        let moved: Vec<Member> = members
            .par_iter()
            .zip(&current.stars)
            .map(|(m, eliminated)| m.moved(eliminated, &step))
            .collect();
        let next = total(&moved, &trial, setup, freedom);
        if next.cost < current.cost {
            let settled = current.cost - next.cost < 1e-5 * current.cost;
            (state, members, current) = (trial, moved, next);
            last = current.normal;
            damping *= 0.2;
            if settled {
                break;
            }
        } else {
            damping *= 8.0;
            if damping > 1e8 {
                break;
            }
        }
    }
    let pixels: usize = members.iter().map(|m| m.pixels.len()).sum();
    let covariance = last.try_inverse()? * (current.cost / pixels as f64).max(1.0);
    Some(Learnt {
        psf: psf_of(&state),
        dwell: dwell_of(&state),
        dwell_sigma: (covariance[(4, 4)].sqrt(), covariance[(5, 5)].sqrt()),
        stretch: state[3].exp(),
        core_sigma: covariance[(0, 0)].sqrt(),
    })
}

fn psf_of(state: &SharedVector) -> Psf {
    Psf {
        core: state[0].exp(),
        ratio: state[1].exp(),
        wings: state[2],
    }
}

fn dwell_of(state: &SharedVector) -> Dwell {
    Dwell {
        start: state[4],
        end: state[5],
    }
}

/// Kept to what a picture can show.
fn bounded(mut state: SharedVector) -> SharedVector {
    state[0] = state[0].clamp(0.35_f64.ln(), 12.0_f64.ln());
    state[1] = state[1].clamp(1.3_f64.ln(), 4.0_f64.ln());
    state[2] = state[2].clamp(-0.6, 0.75);
    state[3] = state[3].clamp(-0.5, 0.5);
    state[4] = state[4].clamp(0.0, 0.98);
    state[5] = state[5].clamp(0.0, 0.98);
    let sum = state[4] + state[5];
    if sum > 0.98 {
        state[4] *= 0.98 / sum;
        state[5] *= 0.98 / sum;
    }
    state
}

/// One star's pixels and its own numbers.
struct Member {
    pixels: std::sync::Arc<Vec<Pixel>>,
    star: Segment,
}

fn members(setup: &FitSetup, stars: &[Segment]) -> Vec<Member> {
    let each = PIXEL_BUDGET / stars.len().max(1);
    stars
        .par_iter()
        .filter_map(|star| {
            let pixels = window(setup, *star)?;
            let step = pixels.len().div_ceil(each.max(60));
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
        .collect()
}

impl Member {
    /// The star after the shared numbers moved by `step`.
    fn moved(&self, eliminated: &Eliminated, step: &SharedVector) -> Member {
        let own = eliminated.inverse * (eliminated.gradient - eliminated.cross * step);
        let mut star = self.star;
        star.center.x += own[0].clamp(-2.0, 2.0);
        star.center.y += own[1].clamp(-2.0, 2.0);
        star.flux += own[2].clamp(-0.7 * star.flux, 2.0 * star.flux);
        star.pedestal += own[3];
        Member {
            pixels: self.pixels.clone(),
            star,
        }
    }
}

/// What is needed to follow a star's own numbers.
struct Eliminated {
    inverse: Own,
    gradient: OwnVector,
    cross: Cross,
}

struct Total {
    normal: Shared,
    gradient: SharedVector,
    cost: f64,
    stars: Vec<Eliminated>,
}

fn total(members: &[Member], state: &SharedVector, setup: &FitSetup, freedom: Freedom) -> Total {
    let parts: Vec<(Shared, SharedVector, f64, Eliminated)> =
        members.par_iter().map(|m| part(m, state, setup)).collect();
    let mut sum = Total {
        normal: Shared::zeros(),
        gradient: SharedVector::zeros(),
        cost: 0.0,
        stars: Vec::with_capacity(parts.len()),
    };
    for (normal, gradient, cost, star) in parts {
        sum.normal += normal;
        sum.gradient += gradient;
        sum.cost += cost;
        sum.stars.push(star);
    }
    // Weak priors: an ordinary profile has wings of twice the core's width.
    for (k, middle, sigma) in [(1, 2.0_f64.ln(), 0.3), (2, 0.15, 0.3)] {
        sum.normal[(k, k)] += 1.0 / (sigma * sigma);
        sum.gradient[k] += (middle - state[k]) / (sigma * sigma);
        sum.cost += ((middle - state[k]) / sigma).powi(2);
    }
    let held = match freedom {
        Freedom::Profile => 3..6,
        Freedom::Length => 4..6,
        Freedom::Dwelling => 6..6,
    };
    for k in held {
        sum.normal.row_mut(k).fill(0.0);
        sum.normal.column_mut(k).fill(0.0);
        sum.normal[(k, k)] = 1.0;
        sum.gradient[k] = 0.0;
    }
    sum
}

/// One star's share of the normal equations with its own numbers eliminated.
fn part(
    member: &Member,
    state: &SharedVector,
    setup: &FitSetup,
) -> (Shared, SharedVector, f64, Eliminated) {
    let mut star = member.star;
    star.vector = star.vector * state[3].exp();
    let image = SegmentImage::new(star, psf_of(state), dwell_of(state));
    let (mut normal, mut gradient, mut cost) = (Shared::zeros(), SharedVector::zeros(), 0.0);
    let (mut own, mut own_gradient, mut cross) = (Own::zeros(), OwnVector::zeros(), Cross::zeros());
    for pixel in member.pixels.iter() {
        let (value, own_slopes, slopes) = image.value_and_shared_slopes(pixel.x, pixel.y);
        let light = (value - star.pedestal).max(0.0);
        let variance = pixel.variance + setup.noise.gain * light + (MODEL_ERROR * light).powi(2);
        let residual = pixel.light - value;
        // Beyond three sigma and a tenth of the light a pixel belongs to a neighbour: its pull fades (Huber).
        let limit = 3.0 * variance.sqrt() + 0.1 * light;
        let fade = (limit / residual.abs()).min(1.0);
        let weight = fade / variance;
        cost += weight * residual * residual;
        let (s, o) = (SharedVector::from(slopes), OwnVector::from(own_slopes));
        normal += s * s.transpose() * weight;
        gradient += s * (weight * residual);
        own += o * o.transpose() * weight;
        own_gradient += o * (weight * residual);
        cross += o * s.transpose() * weight;
    }
    let inverse = own.try_inverse().unwrap_or_else(Own::zeros);
    normal -= cross.transpose() * inverse * cross;
    gradient -= cross.transpose() * (inverse * own_gradient);
    (
        normal,
        gradient,
        cost,
        Eliminated {
            inverse,
            gradient: own_gradient,
            cross,
        },
    )
}
