//! The best numbers of an account, and its evidence.

use nalgebra::{DMatrix, DVector};

use super::exposure::Night;
use super::motion::{AXIS, Fault, Form, HARMONIC, PERIOD, RATE, SWING};

/// An account whose numbers fit best.
#[derive(Debug, Clone)]
pub(super) struct Fit {
    pub form: Form,
    pub x: Vec<f64>,
    pub covariance: DMatrix<f64>,
    /// Gusts allowed for, pixels.
    pub gusts_px: f64,
    /// Logarithm of the evidence, with what is usual.
    pub evidence: f64,
}

/// How far a number reaches: sizes are normal about nothing, with one of three widths, each as likely
/// (sizes of faults differ by powers of ten); other numbers lie evenly in a range.
#[derive(Clone, Copy)]
enum Reach {
    Sized(&'static [f64]),
    /// A rate that a switch may have been set to.
    Switched,
    Within(f64),
}

/// Axis: a careful and a usual aim, and none at all; arcsec.
const AXIS_SIZES: &[f64] = &[120.0, 900.0, 5400.0];
/// Rates of a trimmed drive, arcsec a second (common practice, no source: some 1e-4) ...
const TRIM_SIZES: &[f64] = &[1.5e-3];
/// ... and of a wrong one.
const RATE_SIZES: &[f64] = &[0.03, 0.15, 0.6];
/// What the switch of a drive offers beside the sky's own rate: mean solar and mean lunar, arcsec a
/// second beyond it. Half of the wrong rates are a switch's (own choice).
const SWITCHES: [f64; 2] = [15.0 - 15.041_07, 14.492 - 15.041_07];
/// Swings of small trackers (common practice, no source: 5 to 60 arcsec).
const SWING_SIZES: &[f64] = &[3.0, 12.0, 50.0];
/// What swings twice as fast, as a share of the swing (own choice: about a tenth).
const HARMONIC_SIZES: &[f64] = &[0.1];
/// Steps, sags and knocks: anything that is seen.
const STEP_SIZES: &[f64] = &[10.0, 60.0, 400.0];
const SAG_SIZES: &[f64] = &[15.0, 120.0, 1000.0];
const KNOCK_SIZES: &[f64] = &[15.0, 120.0, 1000.0];
/// Slack is taken up in so many seconds at most; longer, the drive just stands.
const LONGEST_SLACK: f64 = 120.0;
/// Logarithms of periods and times reach so far.
const LOG_RANGE: f64 = 3.6;

const MOST_STEPS: usize = 12;

/// How likely things are before anything is seen (common practice, no source): gears swing more often
/// than not, most nights nothing else is wrong, and each fault is as likely as another.
fn usual(form: Form, gusts_px: f64, night: &Night) -> f64 {
    let n = night.frames.len().max(2) as f64;
    let swing: f64 = match (form.swings, form.harmonic) {
        (false, _) => 0.4,
        (true, false) => 0.6,
        (true, true) => 0.2,
    };
    let fault: f64 = match form.fault {
        Fault::None => 0.4,
        Fault::StepBetween(_) | Fault::StepInside(..) => 0.1 / (2.0 * n),
        Fault::Knock(_) => 0.1 / n,
        Fault::Rate | Fault::Slack | Fault::Sag => 0.1,
    };
    let gusts: f64 = if gusts_px > 0.0 { 0.15 / 6.0 } else { 0.85 };
    (swing * fault * gusts).ln()
}

/// Blocks of numbers with one size, with their reach.
fn blocks(form: Form, n_pointings: usize) -> Vec<(std::ops::Range<usize>, Reach)> {
    let rate = match form.fault {
        Fault::Rate => Reach::Switched,
        _ => Reach::Sized(TRIM_SIZES),
    };
    let mut blocks = vec![
        (AXIS..AXIS + 2, Reach::Sized(AXIS_SIZES)),
        (RATE..RATE + 1, rate),
    ];
    if form.swings {
        blocks.push((SWING..SWING + 2, Reach::Sized(SWING_SIZES)));
        blocks.push((PERIOD..PERIOD + 1, Reach::Within(LOG_RANGE)));
    }
    if form.harmonic {
        blocks.push((HARMONIC..HARMONIC + 2, Reach::Sized(HARMONIC_SIZES)));
    }
    let at = form.fault_at();
    match form.fault {
        Fault::None | Fault::Rate => {}
        Fault::StepBetween(_) => blocks.push((at..at + 1, Reach::Sized(STEP_SIZES))),
        Fault::StepInside(start, end) => {
            blocks.push((at..at + 1, Reach::Sized(STEP_SIZES)));
            blocks.push((at + 1..at + 2, Reach::Within(end - start)));
        }
        Fault::Slack => blocks.push((at..at + n_pointings, Reach::Within(LONGEST_SLACK))),
        Fault::Sag => {
            blocks.push((at..at + 1, Reach::Sized(SAG_SIZES)));
            blocks.push((at + 1..at + 2, Reach::Within(LOG_RANGE)));
        }
        Fault::Knock(_) => blocks.push((at..at + 3, Reach::Sized(KNOCK_SIZES))),
    }
    blocks
}

/// Steps for derivatives, by the kind of number.
fn small(form: Form, at: usize) -> f64 {
    match at {
        RATE => 1e-4,
        at if (PERIOD..form.fault_at()).contains(&at) => 1e-3,
        at if at >= form.fault_at() => match form.fault {
            Fault::Sag if at == form.fault_at() + 1 => 1e-3,
            _ => 0.05,
        },
        _ => 0.05,
    }
}

/// Keeps an account's numbers where they mean something.
fn tamed(form: Form, x: &mut [f64], night: &Night) {
    let at = form.fault_at();
    if form.swings {
        x[PERIOD] = x[PERIOD].clamp(SHORTEST.ln(), LONGEST.ln());
    }
    match form.fault {
        Fault::StepInside(start, end) => x[at + 1] = x[at + 1].clamp(start, end),
        Fault::Slack => {
            for (own, stand) in x[at..].iter_mut().zip(&night.stands) {
                *own = own.clamp(0.0, LONGEST_SLACK.min(stand.end - stand.start));
            }
        }
        Fault::Sag => {
            // What sinks, sinks down.
            x[at] = x[at].max(0.0);
            x[at + 1] = x[at + 1].clamp(10f64.ln(), 5000f64.ln());
        }
        _ => {}
    }
}

/// Periods that gears swing with, seconds (common practice, no source: a small tracker's worm turns in
/// four to twenty minutes; taken wider to both sides).
pub(super) const SHORTEST: f64 = 100.0;
pub(super) const LONGEST: f64 = 3600.0;

impl Night {
    fn jacobian(&self, form: Form, x: &[f64], gusts_px: f64, at: &DVector<f64>) -> DMatrix<f64> {
        let mut jacobian = DMatrix::zeros(at.len(), x.len());
        let mut moved = x.to_vec();
        for idx in 0..x.len() {
            let step = small(form, idx);
            moved[idx] += step;
            let column = (self.residuals(form, &moved, gusts_px) - at) / step;
            jacobian.set_column(idx, &column);
            moved[idx] = x[idx];
        }
        jacobian
    }

    /// A few steps from where an account starts, with its sum of squares after them.
    pub(super) fn few_steps(&self, form: Form, x: &[f64], most: usize) -> Option<(f64, Vec<f64>)> {
        let held = held(form, self.stands.len());
        self.descend(form, x, 0.0, &held, most)
    }

    /// Levenberg-Marquardt; gives the cost (half the sum of squares) and the numbers.
    fn descend(
        &self,
        form: Form,
        start: &[f64],
        gusts_px: f64,
        held: &[f64],
        most: usize,
    ) -> Option<(f64, Vec<f64>)> {
        let cost_of = |x: &[f64], r: &DVector<f64>| {
            let prior: f64 = x.iter().zip(held).map(|(x, h)| (x * h).powi(2)).sum();
            0.5 * (r.norm_squared() + prior)
        };
        let mut x = start.to_vec();
        tamed(form, &mut x, self);
        let mut r = self.residuals(form, &x, gusts_px);
        let mut cost = cost_of(&x, &r);
        let mut damping = 1e-6;
        for _ in 0..most {
            let jacobian = self.jacobian(form, &x, gusts_px, &r);
            let normal = jacobian.transpose() * &jacobian;
            let mut right = jacobian.transpose() * &r;
            for (idx, h) in held.iter().enumerate() {
                right[idx] += x[idx] * h * h;
            }
            let mut better = None;
            for _ in 0..6 {
                let mut damped = normal.clone();
                for (idx, h) in held.iter().enumerate() {
                    damped[(idx, idx)] += h * h + damping * (normal[(idx, idx)] + 1e-12);
                }
                let step = damped.cholesky()?.solve(&right);
                let mut next: Vec<f64> = x.iter().zip(step.iter()).map(|(x, s)| x - s).collect();
                tamed(form, &mut next, self);
                let there = self.residuals(form, &next, gusts_px);
                let after = cost_of(&next, &there);
                if after < cost {
                    better = Some((after, next, there));
                    break;
                }
                damping = (damping * 10.0).max(1e-3);
            }
            let Some((after, next, there)) = better else {
                break;
            };
            let gain = cost - after;
            (cost, x, r) = (after, next, there);
            damping *= 0.2;
            if gain < 1e-3 {
                break;
            }
        }
        Some((cost, x))
    }

    /// The best numbers from a start, and the evidence.
    ///
    /// Method: Laplace's: the likelihood about its best is a normal distribution, with which every
    /// combination of sizes is integrated outright.
    pub(super) fn fit(&self, form: Form, start: &[f64], gusts_px: f64) -> Option<Fit> {
        let blocks = blocks(form, self.stands.len());
        let held = held(form, self.stands.len());
        let (_, x) = self.descend(form, start, gusts_px, &held, MOST_STEPS)?;
        let r = self.residuals(form, &x, gusts_px);
        let jacobian = self.jacobian(form, &x, gusts_px, &r);
        let normal = jacobian.transpose() * &jacobian;
        let log_likelihood = -0.5 * r.norm_squared() + self.log_norm(gusts_px);
        let mut log_prior = vec![(0.0, vec![0.0; x.len()], vec![0.0; x.len()])];
        for (range, reach) in blocks {
            log_prior = spread_out(log_prior, range, reach, &x);
        }
        let terms = log_prior.iter().filter_map(|(log, held, about)| {
            let added = DVector::from_iterator(x.len(), held.iter().copied());
            let whole = &normal + DMatrix::from_diagonal(&added);
            let solved = whole.cholesky()?;
            let off = DVector::from_iterator(x.len(), about.iter().copied());
            // About the best: pulled towards nothing by what holds it.
            let pull = off.component_mul(&added);
            let rest = off.dot(&pull) - pull.dot(&solved.solve(&pull));
            let log_det = 2.0 * solved.l().diagonal().iter().map(|d| d.ln()).sum::<f64>();
            Some(log - 0.5 * rest - 0.5 * log_det)
        });
        let terms: Vec<f64> = terms.collect();
        let top = terms.iter().copied().fold(f64::MIN, f64::max);
        let sum: f64 = terms.iter().map(|term| (term - top).exp()).sum();
        let mut own = normal;
        for (idx, h) in held.iter().enumerate() {
            own[(idx, idx)] += h * h;
        }
        Some(Fit {
            form,
            covariance: own.try_inverse()?,
            evidence: log_likelihood + top + sum.ln() + usual(form, gusts_px, self),
            x,
            gusts_px,
        })
    }
}

/// The widest reach of each number, as one over its sigma; numbers in a range are held by nothing.
fn held(form: Form, n_pointings: usize) -> Vec<f64> {
    let mut held = vec![0.0; form.len(n_pointings)];
    for (range, reach) in blocks(form, n_pointings) {
        let by = match reach {
            Reach::Sized(sizes) => 1.0 / sizes[sizes.len() - 1],
            Reach::Switched => 1.0 / RATE_SIZES[RATE_SIZES.len() - 1],
            Reach::Within(range) => 0.03 / range,
        };
        held[range].fill(by);
    }
    held
}

/// Logarithm of the prior's norm, its precision, and how far the best is from its middle.
type Prior = (f64, Vec<f64>, Vec<f64>);

fn spread_out(
    priors: Vec<Prior>,
    range: std::ops::Range<usize>,
    reach: Reach,
    x: &[f64],
) -> Vec<Prior> {
    let one = |prior: &Prior, sigma: f64, about: Option<f64>, share: f64| {
        let mut next = prior.clone();
        for idx in range.clone() {
            next.1[idx] = sigma.powi(-2);
            next.2[idx] = about.map_or(0.0, |about| x[idx] - about);
            next.0 -= sigma.ln();
        }
        next.0 += share.ln();
        next
    };
    match reach {
        Reach::Sized(sizes) => priors
            .iter()
            .flat_map(|prior| {
                let share = 1.0 / sizes.len() as f64;
                sizes.iter().map(move |size| (prior, *size, share))
            })
            .map(|(prior, size, share)| one(prior, size, Some(0.0), share))
            .collect(),
        Reach::Switched => priors
            .iter()
            .flat_map(|prior| {
                let free = RATE_SIZES.iter().map(|&size| (0.0, size, 0.5 / 3.0));
                let set = SWITCHES.iter().map(|&at| (at, TRIM_SIZES[0], 0.5 / 2.0));
                free.chain(set).map(move |way| (prior, way))
            })
            .map(|(prior, (about, size, share))| one(prior, size, Some(about), share))
            .collect(),
        // A normal distribution as high in its middle as the even one.
        Reach::Within(range) => {
            let sigma = range / std::f64::consts::TAU.sqrt();
            priors
                .iter()
                .map(|prior| one(prior, sigma, None, 1.0))
                .collect()
        }
    }
}
