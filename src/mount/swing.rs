//! A drive's swing about its line: amplitude and period where the span allows, else a lower bound.

use nalgebra::{Matrix6, Vector5, Vector6};

use super::invert::DriveAngle;
use crate::units::{Angle, AngularRate, Measured, Seconds};

/// A drive's swing about its mean rate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Swing {
    /// Half of the full swing, as an angle about the axis. Without a period: the least that any
    /// swing must have that passes through the record.
    pub amplitude: Measured<Angle>,
    /// Its period, where about one of it was seen.
    pub period: Option<Measured<Seconds>>,
    /// Time that the record watched, gaps between pointings left out.
    pub watched: Seconds,
    /// Odds that noise alone looks like this, [0, 1].
    pub odds: f64,
}

impl Swing {
    /// The swing of the drive itself: a place is the mean over its exposure, which flattens a swing.
    ///
    /// Method: the mean of a sine of period P over a time T is smaller by `sin(x) / x`, `x = pi T / P`.
    pub fn unsmeared(self, exposure: Seconds) -> Self {
        let Some(period) = self.period else {
            return self;
        };
        let x = std::f64::consts::PI * (exposure / period.value);
        let flattened = if x > 1e-6 { x.sin() / x } else { 1.0 };
        if flattened < 0.2 {
            return self;
        }
        let amplitude = self.amplitude;
        Self {
            amplitude: Measured::new(amplitude.value / flattened, amplitude.sigma / flattened),
            ..self
        }
    }
}

/// What a record says about swing and rate together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SwingReading {
    /// The swing.
    pub swing: Swing,
    /// Mean rate over the sidereal rate, free of the swing; its sigma covers the swings that fit.
    pub rate_ratio: Measured<f64>,
}

/// A bound that stands out of its sigma by less than this is noise.
const SURE: f64 = 4.0;
/// Odds of chance above which no period is told.
const LEAST_ODDS: f64 = 1e-3;
/// A period is told only if its sigma is less than this share of it ...
const SHARPEST_DOUBT: f64 = 0.12;
/// ... and if the record watched this share of it.
const LEAST_SPAN: f64 = 0.95;
/// Another period that fits as well within this chi-square leaves the period open.
const RIVAL: f64 = 12.0;
/// What a sine leaves out of a real gear's swing, as a share of its amplitude (common practice, no
/// source: the second harmonic is a few hundredths of the first).
const OVERTONES: f64 = 0.05;
/// Swings of small trackers: their usual amplitude (common practice, no source: 5 to 60 arcsec).
const USUAL_ARCSEC: f64 = 30.0;
/// Longest record whose every three frames are tried; longer ones are thinned out.
const MOST_FRAMES: usize = 120;

/// Reads the swing out of drive angles; `None` where they lie on a line within their noise.
///
/// Method: 1. lower bound: any motion within +-A about a line keeps the middle one of three frames
/// within 2 A of the line through the other two; the best three are taken. 2. periods are scanned,
/// each with a least-squares fit of one sine (its
/// overtone held to a few hundredths of it), one rate and an offset a stretch; the best one is
/// refined, and believed if noise would reach it with odds below 1e-3 over all periods tried, if no
/// other period fits as well, and if about one period was watched. 3. else the rate is the mean
/// over all periods that fit, weighted by their likelihood with a usual amplitude of 30".
pub fn read_swing(stretches: &[&[DriveAngle]]) -> Option<SwingReading> {
    let record = Record::new(stretches)?;
    let (bound, odds) = record.least_amplitude()?;
    let found = record.best_sine();
    if let Some(reading) = found {
        return Some(reading);
    }
    Some(SwingReading {
        swing: Swing {
            amplitude: bound,
            period: None,
            watched: Seconds::new(record.watched),
            odds,
        },
        rate_ratio: record.rate_over_all_periods(bound.value)?,
    })
}

/// The record with times in seconds about its middle, and angles in arcsec beyond the sidereal turn.
pub(super) struct Record {
    pub(super) stretches: Vec<Vec<Point>>,
    pub(super) n_points: usize,
    /// From the first to the last mid exposure, seconds.
    pub(super) span: f64,
    /// Spans of the stretches, each with one interval more, seconds.
    watched: f64,
    /// Shortest interval between neighbours, seconds.
    cadence: f64,
}

#[derive(Clone, Copy)]
pub(super) struct Point {
    pub(super) time: f64,
    pub(super) arcsec: f64,
    pub(super) sigma: f64,
}

/// One sine at one frequency, with the line under it.
#[derive(Clone, Copy)]
struct SineFit {
    /// Cycles a second.
    frequency: f64,
    /// Rate (arcsec a second, beyond sidereal), cosine, sine (arcsec), and both of the overtone.
    parts: Vector5<f64>,
    /// 1-sigma to which the overtone's parts were held, arcsec.
    overtone: f64,
    chi_square: f64,
}

impl SineFit {
    fn amplitude(&self) -> f64 {
        self.parts.y.hypot(self.parts.z)
    }
}

impl Record {
    pub(super) fn new(stretches: &[&[DriveAngle]]) -> Option<Self> {
        let long = || stretches.iter().filter(|stretch| stretch.len() >= 2);
        let first = long().map(|s| s[0].mid).reduce(f64::min)?;
        let last = long().map(|s| s[s.len() - 1].mid).reduce(f64::max)?;
        let middle = 0.5 * (first + last);
        let sidereal = AngularRate::SIDEREAL.arcsec_per_s();
        let point = |angle: &DriveAngle, first: &DriveAngle| Point {
            time: angle.mid - middle,
            arcsec: Angle::from_rad(angle.angle - first.angle).arcsec()
                - sidereal * (angle.mid - first.mid),
            sigma: Angle::from_rad(angle.sigma).arcsec().max(1e-4),
        };
        let stretches: Vec<Vec<Point>> = long()
            .map(|stretch| stretch.iter().map(|a| point(a, &stretch[0])).collect())
            .collect();
        let gaps = stretches
            .iter()
            .flat_map(|s| s.windows(2))
            .map(|pair| pair[1].time - pair[0].time);
        let cadence = gaps.reduce(f64::min).filter(|gap| *gap > 0.0)?;
        let watched = stretches
            .iter()
            .map(|s| s[s.len() - 1].time - s[0].time + cadence)
            .sum();
        Some(Self {
            n_points: stretches.iter().map(Vec::len).sum(),
            stretches,
            span: last - first,
            watched,
            cadence,
        })
    }

    /// The largest lower bound that three frames of one stretch set, with the odds of chance.
    fn least_amplitude(&self) -> Option<(Measured<Angle>, f64)> {
        let mut best: Option<(f64, f64)> = None;
        let mut n_tried = 0usize;
        for stretch in &self.stretches {
            let every = stretch.len().div_ceil(MOST_FRAMES);
            let points: Vec<Point> = stretch.iter().copied().step_by(every).collect();
            for (i, a) in points.iter().enumerate() {
                for (j, b) in points.iter().enumerate().skip(i + 1) {
                    for c in points.iter().skip(j + 1) {
                        let share = (b.time - a.time) / (c.time - a.time);
                        let off = b.arcsec - a.arcsec * (1.0 - share) - c.arcsec * share;
                        let sigma = b
                            .sigma
                            .hypot(a.sigma * (1.0 - share))
                            .hypot(c.sigma * share);
                        n_tried += 1;
                        let (bound, sigma) = (off.abs() / 2.0, sigma / 2.0);
                        // What is sure counts, not what is large by its own noise.
                        let sure = |(bound, sigma): (f64, f64)| bound - 2.0 * sigma;
                        if best.is_none_or(|best| sure((bound, sigma)) > sure(best)) {
                            best = Some((bound, sigma));
                        }
                    }
                }
            }
        }
        let (bound, sigma) = best?;
        let odds = (chance_of(bound / sigma, 1) * n_tried as f64).min(1.0);
        (bound > SURE * sigma && odds < LEAST_ODDS).then(|| {
            let arcsec = Angle::from_arcsec;
            (Measured::new(arcsec(bound), arcsec(sigma)), odds)
        })
    }

    /// The same record with more noise on every point, arcsec.
    fn widened(&self, more: f64) -> Self {
        let widen = |point: &Point| Point {
            sigma: point.sigma.hypot(more),
            ..*point
        };
        let stretches = self.stretches.iter();
        Self {
            stretches: stretches
                .map(|stretch| stretch.iter().map(widen).collect())
                .collect(),
            ..*self
        }
    }

    /// Sums of the columns' products with offsets taken out stretch by stretch.
    ///
    /// The last element is the data's own square.
    pub(super) fn sums<const N: usize>(
        &self,
        columns: impl Fn(&Point) -> nalgebra::SVector<f64, N>,
    ) -> (nalgebra::SMatrix<f64, N, N>, nalgebra::SVector<f64, N>, f64) {
        let mut normal = nalgebra::SMatrix::<f64, N, N>::zeros();
        let mut right = nalgebra::SVector::<f64, N>::zeros();
        let mut square = 0.0;
        for stretch in &self.stretches {
            let weight = |p: &Point| 1.0 / (p.sigma * p.sigma);
            let weights: f64 = stretch.iter().map(weight).sum();
            let mean = stretch
                .iter()
                .map(|p| columns(p) * weight(p))
                .sum::<nalgebra::SVector<f64, N>>()
                / weights;
            let level = stretch.iter().map(|p| p.arcsec * weight(p)).sum::<f64>() / weights;
            for point in stretch {
                let (column, data) = (columns(point) - mean, point.arcsec - level);
                normal += column * column.transpose() * weight(point);
                right += column * (data * weight(point));
                square += data * data * weight(point);
            }
        }
        (normal, right, square)
    }

    /// The sine at a frequency, its overtone held to a usual share of its amplitude.
    fn sine_at(&self, frequency: f64) -> Option<SineFit> {
        let plain = self.sine_with(frequency, 1e-3)?;
        self.sine_with(frequency, (OVERTONES * plain.amplitude()).max(1e-3))
    }

    fn sine_with(&self, frequency: f64, overtone: f64) -> Option<SineFit> {
        let (normal, right, square) = self.sums::<5>(|p| with_overtone(p, frequency));
        // A period that the frames cannot tell from a line is no fit.
        let plain = normal.fixed_view::<3, 3>(0, 0);
        let scaled = plain.determinant() / plain.diagonal().product();
        if scaled.is_nan() || scaled < 1e-9 {
            return None;
        }
        let parts = (normal + held::<5>(overtone)).try_inverse()? * right;
        Some(SineFit {
            frequency,
            parts,
            overtone,
            chi_square: (square - right.dot(&parts)).max(0.0),
        })
    }

    pub(super) fn line_chi_square(&self) -> f64 {
        let (normal, right, square) = self.sums::<1>(|p| nalgebra::Vector1::new(p.time));
        square - right.x * right.x / normal.x.max(1e-30)
    }

    fn frequencies(&self, longest: f64) -> impl Iterator<Item = f64> {
        let most = 1.0 / (2.2 * self.cadence);
        let step = (0.1 / self.span).max(most / 4000.0);
        let least = 1.0 / longest;
        let n_steps = ((most - least) / step).max(0.0) as usize;
        (0..=n_steps).map(move |n| least + n as f64 * step)
    }

    /// The sine that the record shows, if it can be told.
    fn best_sine(&self) -> Option<SwingReading> {
        let n_free = self.n_points.checked_sub(self.stretches.len() + 4)?;
        if n_free == 0 {
            return None;
        }
        let longest = 1.3 * self.watched.max(self.span.min(2.0 * self.watched));
        let fits: Vec<SineFit> = self
            .frequencies(longest)
            .filter_map(|frequency| self.sine_at(frequency))
            .collect();
        let best = fits
            .iter()
            .min_by(|a, b| a.chi_square.total_cmp(&b.chi_square))?;
        let (best, covariance) = self.refine(*best)?;
        let scale = (best.chi_square / n_free as f64).max(1.0);
        let gain = (self.line_chi_square() - best.chi_square) / scale;
        let n_trials = 1.0 + self.span / (2.2 * self.cadence);
        let odds = (chance_of(gain.max(0.0).sqrt(), 3) * n_trials).min(1.0);
        let rivalled = fits.iter().any(|fit| {
            let apart = (fit.frequency / best.frequency - 1.0).abs() > 2.0 * SHARPEST_DOUBT;
            apart && fit.chi_square < best.chi_square + RIVAL * scale
        });
        let period = 1.0 / best.frequency;
        let period_sigma = (covariance[(5, 5)] * scale).sqrt() * period * period;
        let told = odds < LEAST_ODDS
            && !rivalled
            && period_sigma < SHARPEST_DOUBT * period
            && self.watched >= LEAST_SPAN * period;
        told.then(|| self.reading(&best, &covariance, scale, odds))
    }

    fn reading(
        &self,
        best: &SineFit,
        covariance: &Matrix6<f64>,
        scale: f64,
        odds: f64,
    ) -> SwingReading {
        let amplitude = best.amplitude();
        let along = Vector6::new(0.0, best.parts.y, best.parts.z, 0.0, 0.0, 0.0) / amplitude;
        let amplitude_sigma = (along.dot(&(covariance * along)) * scale).sqrt();
        let period = 1.0 / best.frequency;
        let sidereal = AngularRate::SIDEREAL.arcsec_per_s();
        SwingReading {
            swing: Swing {
                amplitude: Measured::new(
                    Angle::from_arcsec(amplitude),
                    Angle::from_arcsec(amplitude_sigma),
                ),
                period: Some(Measured::new(
                    Seconds::new(period),
                    Seconds::new((covariance[(5, 5)] * scale).sqrt() * period * period),
                )),
                watched: Seconds::new(self.watched),
                odds,
            },
            rate_ratio: Measured::new(
                1.0 + best.parts.x / sidereal,
                (covariance[(0, 0)] * scale).sqrt() / sidereal,
            ),
        }
    }

    /// Gauss-Newton on the frequency, the other parts solved outright at each step; returns the
    /// covariance of all, the frequency last, before scaling.
    fn refine(&self, start: SineFit) -> Option<(SineFit, Matrix6<f64>)> {
        let mut fit = start;
        let mut covariance = Matrix6::identity();
        for _ in 0..20 {
            let (normal, right, _) =
                self.sums::<6>(|p| with_overtone(p, fit.frequency).push(slope(p, &fit)));
            covariance = (normal + held::<6>(fit.overtone)).try_inverse()?;
            let step = (covariance * right)[5];
            let limit = 0.05 / self.span;
            let next = fit.frequency + step.clamp(-limit, limit);
            fit = self.sine_with(next, fit.overtone)?;
            if step.abs() < 1e-9 * fit.frequency {
                break;
            }
        }
        Some((fit, covariance))
    }

    /// Rate with the swing's period left open: the mean over all periods, by their likelihood.
    ///
    /// `least` is what the swing has at least: it sets how far the overtone and whatever else a
    /// gear does besides may reach.
    fn rate_over_all_periods(&self, least: Angle) -> Option<Measured<f64>> {
        let longest = 8.0 * self.span.max(self.watched);
        // Even steps in the logarithm of the period: no period is likelier than its double.
        let n_steps = 400;
        let shortest = 2.2 * self.cadence;
        let besides = OVERTONES * least.arcsec();
        let mut held = held::<5>(besides);
        held[(1, 1)] = USUAL_ARCSEC.powi(-2);
        held[(2, 2)] = USUAL_ARCSEC.powi(-2);
        held[(0, 0)] = 1e-12;
        let widened = self.widened(besides / 2.0);
        let mut rows: Vec<(f64, f64, f64)> = Vec::new();
        for n in 0..=n_steps {
            let period = shortest * (longest / shortest).powf(f64::from(n) / f64::from(n_steps));
            let (normal, right, square) = widened.sums::<5>(|p| with_overtone(p, 1.0 / period));
            let Some(covariance) = (normal + held).try_inverse() else {
                continue;
            };
            let parts = covariance * right;
            let log_weight =
                -0.5 * (square - right.dot(&parts)) + 0.5 * covariance.determinant().ln();
            rows.push((log_weight, parts.x, covariance[(0, 0)]));
        }
        let top = rows
            .iter()
            .map(|row| row.0)
            .filter(|w| w.is_finite())
            .reduce(f64::max)?;
        let (mut sum, mut mean, mut square) = (0.0, 0.0, 0.0);
        for (log_weight, rate, variance) in rows.into_iter().filter(|row| row.0.is_finite()) {
            let weight = (log_weight - top).exp();
            sum += weight;
            mean += weight * rate;
            square += weight * (rate * rate + variance);
        }
        let mean = mean / sum;
        let variance = (square / sum - mean * mean).max(0.0);
        let sidereal = AngularRate::SIDEREAL.arcsec_per_s();
        Some(Measured::new(
            1.0 + mean / sidereal,
            variance.sqrt() / sidereal,
        ))
    }
}

fn with_overtone(point: &Point, frequency: f64) -> Vector5<f64> {
    let phase = std::f64::consts::TAU * frequency * point.time;
    let (twice_sin, twice_cos) = (2.0 * phase).sin_cos();
    Vector5::new(point.time, phase.cos(), phase.sin(), twice_cos, twice_sin)
}

/// How the swing's place at a point changes with its frequency, arcsec a hertz.
fn slope(point: &Point, fit: &SineFit) -> f64 {
    let turn = std::f64::consts::TAU * point.time;
    let (sin, cos) = (turn * fit.frequency).sin_cos();
    let (twice_sin, twice_cos) = (2.0 * turn * fit.frequency).sin_cos();
    let first = fit.parts[2] * cos - fit.parts[1] * sin;
    let second = fit.parts[4] * twice_cos - fit.parts[3] * twice_sin;
    turn * (first + 2.0 * second)
}

/// What holds the overtone's two parts near zero.
fn held<const N: usize>(overtone: f64) -> nalgebra::SMatrix<f64, N, N> {
    let mut held = nalgebra::SMatrix::zeros();
    held[(3, 3)] = overtone.powi(-2);
    held[(4, 4)] = overtone.powi(-2);
    held
}

/// Odds that chance reaches a distance of so many sigmas in one to three dimensions.
///
/// Source: survival function of the chi-square distribution (textbook); the complementary error
/// function by Abramowitz and Stegun 7.1.26 from memory, good to 1.5e-7 of its own tail here.
pub(super) fn chance_of(sigmas: f64, dimensions: usize) -> f64 {
    let half = sigmas * sigmas / 2.0;
    let tail = erfc(sigmas / std::f64::consts::SQRT_2);
    match dimensions {
        1 => tail,
        2 => (-half).exp(),
        3 => tail + (2.0 / std::f64::consts::PI).sqrt() * sigmas * (-half).exp(),
        _ => (1.0 + half) * (-half).exp(),
    }
}

/// Complementary error function of a positive number.
fn erfc(x: f64) -> f64 {
    let t = 1.0 / (1.0 + 0.327_591_1 * x);
    let poly = t
        * (0.254_829_592
            + t * (-0.284_496_736
                + t * (1.421_413_741 + t * (-1.453_152_027 + t * 1.061_405_429))));
    poly * (-x * x).exp()
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::Vector3;
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    /// A gear that swings, seen through noise.
    struct Gear {
        amplitude: f64,
        period: f64,
        phase: f64,
        overtone: (f64, f64),
        rate: f64,
    }

    impl Gear {
        fn any(random: &mut ChaCha8Rng, amplitude: f64, period: f64) -> Self {
            let normal = |random: &mut ChaCha8Rng| -> f64 { StandardNormal.sample(random) };
            let tau = std::f64::consts::TAU;
            Self {
                amplitude,
                period,
                phase: random.random_range(0.0..tau),
                // Amplitude such that its root mean square is what the fit allows for.
                overtone: (
                    OVERTONES * amplitude * normal(random),
                    OVERTONES * amplitude * normal(random),
                ),
                rate: 1.0 + 1e-4 * normal(random),
            }
        }

        fn record(&self, random: &mut ChaCha8Rng, times: &[f64], sigma: f64) -> Vec<DriveAngle> {
            let of = |(frame, &mid): (usize, &f64)| {
                let phase = std::f64::consts::TAU * mid / self.period + self.phase;
                let noise: f64 = StandardNormal.sample(random);
                let swing = self.amplitude * phase.sin()
                    + self.overtone.0 * (2.0 * phase).sin()
                    + self.overtone.1 * (2.0 * phase).cos()
                    + sigma * noise;
                DriveAngle {
                    frame,
                    mid,
                    angle: self.rate * AngularRate::SIDEREAL.rad_per_s() * mid
                        + Angle::from_arcsec(swing).rad(),
                    sigma: Angle::from_arcsec(sigma).rad(),
                    residual: Vector3::zeros(),
                    chi_square: 0.0,
                }
            };
            times.iter().enumerate().map(of).collect()
        }
    }

    fn every(seconds: f64, n_frames: usize) -> Vec<f64> {
        (0..n_frames).map(|n| seconds * n as f64).collect()
    }

    #[test]
    fn rate_amplitude_and_period_have_unit_pulls() {
        let mut random = ChaCha8Rng::seed_from_u64(11);
        let (mut squares, mut n_told) = ([0.0; 3], 0);
        let n_trials = 300;
        for _ in 0..n_trials {
            let period = random.random_range(300.0..600.0);
            let amplitude = random.random_range(6.0..40.0);
            let gear = Gear::any(&mut random, amplitude, period);
            let record = gear.record(&mut random, &every(70.0, 12), 0.2);
            let reading = read_swing(&[&record]).expect("a swing far beyond its noise");
            let Some(found) = reading.swing.period else {
                continue;
            };
            n_told += 1;
            let amplitude = reading.swing.amplitude;
            squares[0] +=
                ((reading.rate_ratio.value - gear.rate) / reading.rate_ratio.sigma).powi(2);
            squares[1] +=
                ((amplitude.value.arcsec() - gear.amplitude) / amplitude.sigma.arcsec()).powi(2);
            squares[2] += ((found.value.s() - period) / found.sigma.s()).powi(2);
        }
        assert!(n_told > n_trials * 8 / 10, "{n_told} of {n_trials} told");
        for square in squares {
            let spread = (square / f64::from(n_told)).sqrt();
            assert!(
                (0.8..1.15).contains(&spread),
                "pull spreads {:?}",
                squares.map(|s| (s / f64::from(n_told)).sqrt())
            );
        }
    }

    #[test]
    fn half_a_period_gives_a_bound_below_the_truth_and_a_rate_within_its_sigma() {
        let mut random = ChaCha8Rng::seed_from_u64(12);
        let (mut square, mut n_bounds) = (0.0, 0);
        for _ in 0..200 {
            let amplitude = random.random_range(8.0..40.0);
            let gear = Gear::any(&mut random, amplitude, 480.0);
            let record = gear.record(&mut random, &every(70.0, 4), 0.2);
            let Some(reading) = read_swing(&[&record]) else {
                continue;
            };
            n_bounds += 1;
            assert_eq!(reading.swing.period, None);
            let least = reading.swing.amplitude;
            let most = amplitude * (1.0 + 4.0 * OVERTONES);
            assert!((least.value - least.sigma * 4.0).arcsec() < most);
            square += ((reading.rate_ratio.value - gear.rate) / reading.rate_ratio.sigma).powi(2);
        }
        let spread = (square / f64::from(n_bounds)).sqrt();
        assert!(
            n_bounds > 180 && (0.5..1.2).contains(&spread),
            "{n_bounds} bounds, pull spread {spread}"
        );
    }

    #[test]
    fn noise_on_a_line_is_no_swing() {
        let mut random = ChaCha8Rng::seed_from_u64(13);
        let mut n_false = 0;
        for _ in 0..500 {
            let gear = Gear::any(&mut random, 0.0, 480.0);
            let record = gear.record(&mut random, &every(70.0, 10), 0.2);
            n_false += usize::from(read_swing(&[&record]).is_some());
        }
        assert!(n_false <= 2, "{n_false} of 500");
    }

    #[test]
    fn two_pointings_share_one_swing() {
        let mut random = ChaCha8Rng::seed_from_u64(14);
        let gear = Gear::any(&mut random, 20.0, 450.0);
        let first = gear.record(&mut random, &every(70.0, 7), 0.2);
        let later: Vec<f64> = every(70.0, 7).iter().map(|t| t + 700.0).collect();
        let second = gear.record(&mut random, &later, 0.2);
        let reading = read_swing(&[&first, &second]).unwrap();
        let period = reading
            .swing
            .period
            .expect("fourteen frames tell the period");
        assert!((period.value.s() - 450.0).abs() < 4.0 * period.sigma.s().max(1.0));
    }

    #[test]
    fn a_long_exposure_flattens_the_swing() {
        let swing = Swing {
            amplitude: Measured::new(Angle::from_arcsec(6.366_198), Angle::from_arcsec(0.1)),
            period: Some(Measured::new(Seconds::new(400.0), Seconds::new(4.0))),
            watched: Seconds::new(800.0),
            odds: 0.0,
        };
        // Over half a period the mean of a sine's crest is 2 / pi of it.
        let own = swing
            .unsmeared(Seconds::new(200.0))
            .amplitude
            .value
            .arcsec();
        assert!((own - 10.0).abs() < 1e-4, "{own}");
    }

    #[test]
    fn the_odds_have_their_known_points() {
        assert!((chance_of(1.0, 1) - 0.317_31).abs() < 1e-5);
        assert!((chance_of(3.0, 1) - 0.002_70).abs() < 1e-5);
        assert!((chance_of(2.0, 2) - 0.135_34).abs() < 1e-5);
        assert!((chance_of(2.0, 3) - 0.261_46).abs() < 1e-5);
    }
}
