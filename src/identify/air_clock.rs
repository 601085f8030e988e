//! By how much a clock is wrong, from how the air flattens the sky in frames.
//!
//! Site and clock together say how high each frame looks and which way is up in it; so does the
//! air, roughly and without a clock. An hour turns the sky by 15 degrees, which in a frame at half
//! height is ten times what the air leaves open.

use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;

use super::air_gauge::{AirView, SqueezeParts};
use crate::units::{Measured, Seconds};

/// A frame: the squeeze that it shows, and what the air would make of it for a time so much later;
/// `None` where the frame would lie below the horizon.
pub struct AirWitness<'a> {
    /// The squeeze that the frame shows.
    pub seen: SqueezeParts,
    /// What the air makes of the frame at its instant and so much later.
    pub air: &'a (dyn Fn(Seconds) -> Option<AirView> + Sync),
}

/// What the air says about the clock.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ClockByAir {
    /// The clock agrees with the air, and no time that is an hour off does; 1-sigma in time.
    BornOut(Seconds),
    /// The clock does not agree with the air, and one other time does: how far the clock is ahead.
    Ahead(Measured<Seconds>),
    /// Several times agree.
    CannotTell,
}

/// Squeeze of the lens and the sensor themselves, the same in all frames (own estimate: pixels are
/// square to a millionth, glass off its axis makes some 1e-5).
const INSTRUMENT: f64 = 2e-5;
/// A lens of which one frame alone speaks may be a poorer one.
const INSTRUMENT_UNPROVEN: f64 = 5e-5;
/// What differs from frame to frame: trails that are no straight lines.
const FRAME: f64 = 1e-5;
/// The air's density is known to this share at a known height: weather makes 3 % of pressure, 15
/// degrees of temperature 5 %.
const DENSITY: f64 = 0.06;

/// Steps of the search, minutes.
const COARSE_MIN: f64 = 20.0;
const FINE_MIN: f64 = 1.0;
/// Times that are this much less likely, in twice the logarithm, are out of the question: ...
const OUT: f64 = 25.0;
/// ... are doubtful, ...
const DOUBTFUL: f64 = 16.0;
/// ... or may still be.
const STANDS: f64 = 9.0;
/// A clock that is wrong by less than this is not told so: the air's own model may be.
const LEAST_MIN: f64 = 20.0;
/// Other times this near are the same answer.
const SAME_MIN: f64 = 45.0;
/// Mean square of what is left in units of its sigma beyond which nothing fits.
const FITS: f64 = 4.0;

/// What frames of one night say about the clock that they share.
///
/// Method: for each shift of the clock the squeezes that the frames show are compared with those
/// that the air would make; the covariance holds the frames' own, the instrument's (alike in all)
/// and the air's density (in proportion). The likeliest shift within half a day either way, and
/// whether others remain.
/// Output: positive where the clock shows too much. A wrong zone and a wrong longitude of the site
/// look the same.
pub fn clock_by_air(witnesses: &[AirWitness]) -> ClockByAir {
    if witnesses.is_empty() {
        return ClockByAir::CannotTell;
    }
    let steps = (12.0 * 60.0 / COARSE_MIN) as i32;
    let coarse: Vec<(f64, f64)> = (-steps..=steps)
        .into_par_iter()
        .map(|step| f64::from(step) * COARSE_MIN)
        .filter_map(|later| Some((later, unlikeliness(witnesses, later)?.0)))
        .collect();
    let Some(&(middle, _)) = coarse.iter().min_by(|a, b| a.1.total_cmp(&b.1)) else {
        return ClockByAir::CannotTell;
    };
    let fine: Vec<(f64, f64)> = (-20..=20)
        .into_par_iter()
        .map(|step| middle + f64::from(step) * FINE_MIN)
        .filter_map(|later| Some((later, unlikeliness(witnesses, later)?.0)))
        .collect();
    let Some(&(best, least)) = fine.iter().min_by(|a, b| a.1.total_cmp(&b.1)) else {
        return ClockByAir::CannotTell;
    };
    let fits = unlikeliness(witnesses, best).is_some_and(|(_, left)| left < FITS);
    let now = unlikeliness(witnesses, 0.0).map_or(f64::INFINITY, |(value, _)| value) - least;
    let sigma = Seconds::new(60.0 * width(&fine, best, least));
    let alone = |around: f64, above: f64| {
        let mut others = coarse
            .iter()
            .filter(|(later, _)| (later - around).abs() > SAME_MIN);
        others.all(|(_, value)| value - least > above)
    };
    if fits && now < STANDS && alone(0.0, DOUBTFUL) {
        ClockByAir::BornOut(sigma)
    } else if fits && now > OUT && best.abs() > LEAST_MIN && alone(best, STANDS) {
        ClockByAir::Ahead(Measured::new(Seconds::new(-60.0 * best), sigma))
    } else {
        ClockByAir::CannotTell
    }
}

/// Twice the negative logarithm of the likelihood, and the mean square left in units of its sigma;
/// `None` where a frame would lie below the horizon.
fn unlikeliness(witnesses: &[AirWitness], later_min: f64) -> Option<(f64, f64)> {
    let n = 2 * witnesses.len();
    let instrument = match witnesses.len() {
        1 => INSTRUMENT_UNPROVEN,
        _ => INSTRUMENT,
    };
    let mut gap = DVector::zeros(n);
    let mut air = DVector::zeros(n);
    let mut covariance = DMatrix::zeros(n, n);
    for (at, witness) in witnesses.iter().enumerate() {
        let expected = (witness.air)(Seconds::new(60.0 * later_min))?;
        for row in 0..2 {
            air[2 * at + row] = expected.squeeze[row];
            gap[2 * at + row] = witness.seen[row] - expected.squeeze[row];
            for column in 0..2 {
                covariance[(2 * at + row, 2 * at + column)] += expected.covariance[(row, column)];
            }
            covariance[(2 * at + row, 2 * at + row)] += FRAME * FRAME;
            for other in 0..witnesses.len() {
                covariance[(2 * at + row, 2 * other + row)] += instrument * instrument;
            }
        }
    }
    covariance += &air * air.transpose() * (DENSITY * DENSITY);
    let cholesky = covariance.cholesky()?;
    let chi2 = gap.dot(&cholesky.solve(&gap));
    Some((chi2 + cholesky.ln_determinant(), chi2 / n as f64))
}

/// Half the width, in minutes, of the valley in which times are as likely as one sigma.
fn width(fine: &[(f64, f64)], best: f64, least: f64) -> f64 {
    let inside = fine.iter().filter(|(_, value)| value - least <= 1.0);
    let reach = inside
        .map(|(later, _)| (later - best).abs())
        .fold(0.0, f64::max);
    reach.max(FINE_MIN)
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::Matrix2;

    /// A frame at the equator's height that crosses the meridian now, under 45 degrees of latitude,
    /// its picture level at the meridian: squeeze by tan^2 of the zenith distance along the vertical.
    fn air(later: Seconds, hours_from_meridian: f64) -> Option<SqueezeParts> {
        let latitude = 45f64.to_radians();
        let angle = (15.0 * (later.s() / 3600.0 + hours_from_meridian)).to_radians();
        let altitude = (angle.cos() * latitude.cos()).asin();
        if altitude < 0.02 {
            return None;
        }
        // Parallactic angle of a star on the equator.
        let tilt = angle.sin().atan2(latitude.tan());
        let size = 1.41e-4 / altitude.tan().powi(2);
        Some(SqueezeParts::new(
            size * (2.0 * tilt).cos(),
            size * (2.0 * tilt).sin(),
        ))
    }

    fn verdict(clock_ahead_h: f64, places: &[f64], offset: f64) -> ClockByAir {
        let airs: Vec<_> = places
            .iter()
            .map(|&place| {
                move |later| {
                    Some(AirView {
                        squeeze: air(later, place + clock_ahead_h)?,
                        covariance: Matrix2::identity() * 1e-12,
                    })
                }
            })
            .collect();
        let witnesses: Vec<AirWitness> = airs
            .iter()
            .zip(places)
            .map(|(air_of, &place)| AirWitness {
                seen: air(Seconds::new(0.0), place).unwrap() + SqueezeParts::new(offset, offset),
                air: air_of,
            })
            .collect();
        clock_by_air(&witnesses)
    }

    #[test]
    fn a_right_clock_is_born_out_and_a_wrong_one_is_told_with_its_sign() {
        let places = [-2.5, 0.0, 2.0];
        assert!(matches!(
            verdict(0.0, &places, 1e-5),
            ClockByAir::BornOut(_)
        ));
        for hours in [1.0, -1.0, 2.5] {
            let ClockByAir::Ahead(ahead) = verdict(hours, &places, 1e-5) else {
                panic!("{hours} h: {:?}", verdict(hours, &places, 1e-5));
            };
            let off = ahead.value.s() - hours * 3600.0;
            assert!(off.abs() < 4.0 * ahead.sigma.s(), "{hours}: {ahead:?}");
        }
    }

    #[test]
    fn a_squeeze_that_no_hour_explains_accuses_no_clock() {
        assert_eq!(verdict(1.0, &[0.0], 6e-4), ClockByAir::CannotTell);
        assert_eq!(clock_by_air(&[]), ClockByAir::CannotTell);
    }
}
