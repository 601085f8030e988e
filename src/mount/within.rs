//! How far the drive turned while a frame was exposed, by what it did between frames.

use nalgebra::{Matrix3, Vector3};

use super::invert::DriveAngle;
use super::slip::DriveStep;
use crate::units::{Angle, AngularRate, Measured, Seconds};

/// One way in which the drive may have run through an exposure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TurnGuess {
    /// Its probability; those of a frame add up to one.
    pub weight: f64,
    /// Turn from the start to the end of the exposure, less the sky's turn; positive ahead of it.
    pub ahead: Measured<Angle>,
}

/// Periods that gears swing with, seconds (common practice, no source: a small tracker's worm
/// turns in four to twenty minutes; taken wider to both sides).
const PERIODS_S: [f64; 2] = [100.0, 3600.0];
/// 1-sigma of both parts of the swing, arcsec, in even steps of the logarithm: nobody knows how good
/// a drive is before its record is seen (common practice, no source: 5 to 60 arcsec). None is quieter
/// than the first: three frames in a line may be chance, and are no proof of a perfect gear.
const SWINGS_ARCSEC: [f64; 5] = [0.5, 1.5, 5.0, 15.0, 50.0];
/// What a drive does besides, 1-sigma from frame to frame, arcsec: nothing, up to a rough gear.
const BESIDES_ARCSEC: [f64; 5] = [0.0, 0.2, 0.8, 3.0, 12.0];
/// Rates are off the sidereal one as cheap drives are trimmed, some 1e-4 of it (common practice, no
/// source), by a bad trim, or by anything: a third of the drives each.
const RATES: [f64; 3] = [1e-4, 1e-3, 1.0];
/// Steps of the first look at the periods, at least.
const FIRST_CELLS: usize = 48;
/// At most; records of whole nights are looked at more coarsely and refined where they show a swing.
const MOST_CELLS: usize = 1500;
/// Cells of the period are split as long as they hold this share of the probability ...
const TELLING_SHARE: f64 = 0.02;
/// ... and the swing's phase differs by more than this over the record, radians.
const FINE_PHASE: f64 = 0.3;
/// Guesses that together are less likely than this are left out.
const NEGLIGIBLE: f64 = 1e-4;

/// What the drive may have done in the exposures of an alignment.
///
/// Method: a line, one sine and a scatter from frame to frame, with offsets from stretch to stretch
/// (and at a known step), are fitted to the record for every period, size of swing, scatter and kind
/// of rate; a place is the mean over its exposure, which flattens the sine. Each of these ways counts
/// with its likelihood, offsets, rate and phase integrated out; the turn within an exposure follows
/// from each with its own sigma.
#[derive(Debug, Clone)]
pub struct DriveWithin {
    ways: Vec<Way>,
    middle: f64,
}

/// One frame of the record.
struct Point {
    /// Seconds from the middle of the record.
    time: f64,
    /// Drive ahead of the sky since the stretch's first frame, arcsec.
    arcsec: f64,
    sigma: f64,
    exposure: f64,
}

/// One way the drive may run, its parts solved for.
#[derive(Debug, Clone)]
struct Way {
    weight: f64,
    /// Of the sine, cycles a second.
    frequency: f64,
    /// Rate (arcsec a second), cosine and sine (arcsec).
    parts: Vector3<f64>,
    covariance: Matrix3<f64>,
    /// Scatter from frame to frame, arcsec.
    besides: f64,
}

/// Frequencies about one, that stand for a share of the periods.
#[derive(Clone, Copy)]
struct Cell {
    frequency: f64,
    /// Width in the logarithm.
    width: f64,
}

impl DriveWithin {
    /// From the drive angles of an alignment; `exposure` of a frame by its index.
    ///
    /// `None` without two frames of one stretch whose exposure is known.
    pub fn of(
        stretches: &[Vec<DriveAngle>],
        step: Option<&DriveStep>,
        exposure: &dyn Fn(usize) -> Option<Seconds>,
    ) -> Option<Self> {
        let pieces: Vec<Vec<DriveAngle>> = stretches.iter().flat_map(|s| cut_at(s, step)).collect();
        let long = || pieces.iter().filter(|piece| piece.len() >= 2).flatten();
        let (first, last) = (
            long().map(|angle| angle.mid).reduce(f64::min)?,
            long().map(|angle| angle.mid).reduce(f64::max)?,
        );
        let middle = 0.5 * (first + last);
        let record: Option<Vec<Vec<Point>>> = pieces
            .iter()
            .filter(|piece| piece.len() >= 2)
            .map(|piece| {
                piece
                    .iter()
                    .map(|a| point(a, &piece[0], middle, exposure))
                    .collect()
            })
            .collect();
        let ways = ways_of(&record?, last - first);
        (!ways.is_empty()).then_some(Self { ways, middle })
    }

    /// What the drive may have done during an exposure, likeliest first.
    pub fn during(&self, mid: Seconds, exposure: Seconds) -> Vec<TurnGuess> {
        let (mid, half) = (mid.s() - self.middle, 0.5 * exposure.s());
        let guess = |way: &Way| {
            let at = |time: f64| Vector3::from(columns(time, way.frequency, 0.0));
            let turn = at(mid + half) - at(mid - half);
            let variance = turn.dot(&(way.covariance * turn)) + 2.0 * way.besides.powi(2);
            TurnGuess {
                weight: way.weight,
                ahead: Measured::new(
                    Angle::from_arcsec(turn.dot(&way.parts)),
                    Angle::from_arcsec(variance.max(0.0).sqrt()),
                ),
            }
        };
        self.ways.iter().map(guess).collect()
    }
}

/// A stretch without the frames that a step fell into, cut where it fell between two.
fn cut_at(stretch: &[DriveAngle], step: Option<&DriveStep>) -> Vec<Vec<DriveAngle>> {
    let Some(step) = step else {
        return vec![stretch.to_vec()];
    };
    let before = stretch.iter().filter(|angle| angle.frame <= step.before);
    let after = stretch.iter().filter(|angle| angle.frame >= step.after);
    vec![before.copied().collect(), after.copied().collect()]
}

fn point(
    angle: &DriveAngle,
    first: &DriveAngle,
    middle: f64,
    exposure: &dyn Fn(usize) -> Option<Seconds>,
) -> Option<Point> {
    let sidereal = AngularRate::SIDEREAL.arcsec_per_s();
    Some(Point {
        time: angle.mid - middle,
        arcsec: Angle::from_rad(angle.angle - first.angle).arcsec()
            - sidereal * (angle.mid - first.mid),
        sigma: Angle::from_rad(angle.sigma).arcsec().max(1e-3),
        exposure: exposure(angle.frame)?.s(),
    })
}

/// Time, cosine and sine, the latter as their mean over an exposure.
fn columns(time: f64, frequency: f64, exposure: f64) -> [f64; 3] {
    let x = std::f64::consts::PI * exposure * frequency;
    let flattened = if x > 1e-6 { x.sin() / x } else { 1.0 };
    let (sin, cos) = (std::f64::consts::TAU * frequency * time).sin_cos();
    [time, flattened * cos, flattened * sin]
}

/// All ways that count, likeliest first.
fn ways_of(record: &[Vec<Point>], span: f64) -> Vec<Way> {
    let mut cells = first_cells(span);
    let mut ways: Vec<Vec<(f64, Way)>> = cells.iter().map(|cell| ways_at(record, cell)).collect();
    for _ in 0..4 {
        let top = top_of(&ways);
        let share = |ways: &[(f64, Way)]| ways.iter().map(|way| (way.0 - top).exp()).sum::<f64>();
        let total: f64 = ways.iter().map(|ways| share(ways)).sum();
        let (old_cells, old_ways) = (std::mem::take(&mut cells), std::mem::take(&mut ways));
        let mut is_fine = true;
        for (cell, at) in old_cells.into_iter().zip(old_ways) {
            let phase = std::f64::consts::TAU * cell.frequency * cell.width * span;
            if share(&at) > TELLING_SHARE * total && phase > FINE_PHASE {
                is_fine = false;
                let parts = split(cell);
                ways.extend(parts.iter().map(|part| ways_at(record, part)));
                cells.extend(parts);
            } else {
                cells.push(cell);
                ways.push(at);
            }
        }
        if is_fine {
            break;
        }
    }
    likeliest(ways.into_iter().flatten().collect())
}

fn top_of(ways: &[Vec<(f64, Way)>]) -> f64 {
    let logs = ways.iter().flatten().map(|way| way.0);
    logs.fold(f64::MIN, f64::max)
}

fn first_cells(span: f64) -> Vec<Cell> {
    let [shortest, longest] = PERIODS_S;
    let whole = (longest / shortest).ln();
    let finest = whole / MOST_CELLS as f64;
    let mut cells = Vec::new();
    let mut done = 0.0;
    while done < whole {
        let frequency = (done - longest.ln()).exp();
        // A quarter of a turn over the record, where that is finer.
        let width = (0.25 / (frequency * span)).clamp(finest, whole / FIRST_CELLS as f64);
        cells.push(Cell {
            frequency: frequency * (0.5 * width).exp(),
            width,
        });
        done += width;
    }
    cells
}

fn split(cell: Cell) -> [Cell; 5] {
    let width = cell.width / 5.0;
    [-2.0, -1.0, 0.0, 1.0, 2.0].map(|nth: f64| Cell {
        frequency: cell.frequency * (nth * width).exp(),
        width,
    })
}

/// The ways at a period, with the logarithm of each one's weight.
fn ways_at(record: &[Vec<Point>], cell: &Cell) -> Vec<(f64, Way)> {
    let sidereal = AngularRate::SIDEREAL.arcsec_per_s();
    let mut ways = Vec::with_capacity(BESIDES_ARCSEC.len() * SWINGS_ARCSEC.len() * RATES.len());
    for besides in BESIDES_ARCSEC {
        let sums = Sums::of(record, cell.frequency, besides);
        for swing in SWINGS_ARCSEC {
            for rate in RATES {
                let known = Vector3::new(rate * sidereal, swing, swing).map(|s| s.powi(-2));
                let normal = sums.normal + Matrix3::from_diagonal(&known);
                let Some(covariance) = normal.try_inverse() else {
                    continue;
                };
                let parts = covariance * sums.right;
                let log_weight = cell.width.ln() + sums.log_norm
                    - 0.5 * (sums.square - sums.right.dot(&parts))
                    + 0.5 * (covariance.determinant() * known.product()).ln();
                let way = Way {
                    weight: 0.0,
                    frequency: cell.frequency,
                    parts,
                    covariance,
                    besides,
                };
                ways.push((log_weight, way));
            }
        }
    }
    ways.retain(|way| way.0.is_finite());
    ways
}

/// Sums of products over the record, the stretches' offsets integrated out.
struct Sums {
    normal: Matrix3<f64>,
    right: Vector3<f64>,
    square: f64,
    log_norm: f64,
}

impl Sums {
    fn of(record: &[Vec<Point>], frequency: f64, besides: f64) -> Self {
        let mut sums = Self {
            normal: Matrix3::zeros(),
            right: Vector3::zeros(),
            square: 0.0,
            log_norm: 0.0,
        };
        for stretch in record {
            let rows: Vec<(f64, Vector3<f64>, f64)> = stretch
                .iter()
                .map(|p| {
                    let weight = (p.sigma * p.sigma + besides * besides).recip();
                    let column = Vector3::from(columns(p.time, frequency, p.exposure));
                    (weight, column, p.arcsec)
                })
                .collect();
            let whole: f64 = rows.iter().map(|row| row.0).sum();
            let mean = rows.iter().map(|row| row.1 * row.0).sum::<Vector3<f64>>() / whole;
            let level = rows.iter().map(|row| row.2 * row.0).sum::<f64>() / whole;
            for (weight, column, arcsec) in rows {
                let (column, data) = (column - mean, arcsec - level);
                sums.normal += column * column.transpose() * weight;
                sums.right += column * (data * weight);
                sums.square += data * data * weight;
                sums.log_norm += 0.5 * weight.ln();
            }
            sums.log_norm -= 0.5 * whole.ln();
        }
        sums
    }
}

/// With weights that add up to one, the negligible ones left out.
fn likeliest(mut ways: Vec<(f64, Way)>) -> Vec<Way> {
    ways.sort_by(|a, b| b.0.total_cmp(&a.0));
    let Some(top) = ways.first().map(|way| way.0) else {
        return Vec::new();
    };
    let total: f64 = ways.iter().map(|way| (way.0 - top).exp()).sum();
    let mut kept = Vec::new();
    let mut left = 1.0;
    for (log_weight, way) in ways {
        let weight = (log_weight - top).exp() / total;
        left -= weight;
        kept.push(Way { weight, ..way });
        if left < NEGLIGIBLE {
            break;
        }
    }
    kept
}

#[cfg(test)]
mod tests {
    use super::*;

    const EXPOSURE: f64 = 60.0;

    /// Frames of 60 s every 70 s, of a drive that is so many arcsec ahead of the sky at a time.
    fn record(n_frames: usize, ahead: &dyn Fn(f64) -> f64) -> Vec<DriveAngle> {
        let spin = AngularRate::SIDEREAL.rad_per_s();
        let of = |frame: usize| {
            let mid = 70.0 * frame as f64;
            // The place is the mean over the exposure.
            let steps = 600;
            let mean = (0..steps)
                .map(|n| ahead(mid + EXPOSURE * ((f64::from(n) + 0.5) / f64::from(steps) - 0.5)))
                .sum::<f64>()
                / f64::from(steps);
            DriveAngle {
                frame,
                mid,
                angle: spin * mid + Angle::from_arcsec(mean).rad(),
                sigma: Angle::from_arcsec(0.1).rad(),
                residual: Vector3::zeros(),
                chi_square: 0.0,
            }
        };
        (0..n_frames).map(of).collect()
    }

    /// Mean and sigma of the turn in each frame, arcsec, and the true one.
    fn turns(record: &[DriveAngle], ahead: &dyn Fn(f64) -> f64) -> Vec<(f64, f64, f64)> {
        let exposure = |_| Some(Seconds::new(EXPOSURE));
        let within = DriveWithin::of(&[record.to_vec()], None, &exposure).expect("a record");
        let of = |angle: &DriveAngle| {
            let guesses = within.during(Seconds::new(angle.mid), Seconds::new(EXPOSURE));
            let mean: f64 = guesses
                .iter()
                .map(|g| g.weight * g.ahead.value.arcsec())
                .sum();
            let square = |g: &TurnGuess| {
                (g.ahead.value.arcsec() - mean).powi(2) + g.ahead.sigma.arcsec().powi(2)
            };
            let variance: f64 = guesses.iter().map(|g| g.weight * square(g)).sum();
            let half = EXPOSURE / 2.0;
            (
                mean,
                variance.sqrt(),
                ahead(angle.mid + half) - ahead(angle.mid - half),
            )
        };
        record.iter().map(of).collect()
    }

    #[test]
    fn a_steady_drive_is_known_to_be_steady() {
        let ahead = |time: f64| 1e-4 * 15.0 * time;
        for (n_frames, most) in [(4, 2.0), (8, 1.0)] {
            for (mean, sigma, true_turn) in turns(&record(n_frames, &ahead), &ahead) {
                assert!(
                    (mean - true_turn).abs() < 3.0 * sigma && sigma < most,
                    "{n_frames}: {sigma}"
                );
            }
        }
    }

    #[test]
    fn a_swing_that_is_seen_is_followed_into_the_exposures() {
        let ahead = |time: f64| 20.0 * (std::f64::consts::TAU * time / 480.0 + 0.7).sin();
        for (mean, sigma, true_turn) in turns(&record(14, &ahead), &ahead) {
            assert!(
                (mean - true_turn).abs() < 3.0 * sigma,
                "{mean} +- {sigma}, {true_turn}"
            );
            assert!(sigma < 2.0, "{sigma}");
        }
    }

    #[test]
    fn two_frames_of_an_uneven_drive_leave_much_open() {
        let ahead = |time: f64| 20.0 * (std::f64::consts::TAU * time / 480.0 + 0.7).sin();
        for (mean, sigma, true_turn) in turns(&record(2, &ahead), &ahead) {
            assert!(
                (mean - true_turn).abs() < 3.0 * sigma,
                "{mean} +- {sigma}, {true_turn}"
            );
            assert!(sigma > 1.0, "{sigma}");
        }
    }

    #[test]
    fn a_step_is_cut_out_of_the_record() {
        let quiet = |_: f64| 0.0;
        let mut slipped = record(6, &quiet);
        for angle in &mut slipped[3..] {
            angle.angle += Angle::from_arcsec(if angle.frame == 3 { 9.0 } else { 20.0 }).rad();
        }
        let step = DriveStep {
            before: 2,
            after: 4,
            at: Seconds::new(210.0),
            size: Measured::new(Angle::from_arcsec(20.0), Angle::from_arcsec(0.1)),
            rate_ratio: Measured::new(1.0, 1e-5),
            odds: 1e-6,
        };
        let exposure = |_| Some(Seconds::new(EXPOSURE));
        let within = DriveWithin::of(&[slipped], Some(&step), &exposure).expect("a record");
        let guesses = within.during(Seconds::new(70.0), Seconds::new(EXPOSURE));
        let mean: f64 = guesses
            .iter()
            .map(|g| g.weight * g.ahead.value.arcsec())
            .sum();
        assert!(mean.abs() < 0.3, "{mean}");
    }

    #[test]
    fn a_lone_frame_or_one_without_an_exposure_tells_nothing() {
        let lone = record(1, &|_| 0.0);
        let exposure = |_| Some(Seconds::new(EXPOSURE));
        assert!(DriveWithin::of(&[lone], None, &exposure).is_none());
        let two = record(2, &|_| 0.0);
        assert!(DriveWithin::of(&[two], None, &|_| None).is_none());
    }
}
