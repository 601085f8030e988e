//! The record of the drive: drive angle against time, once the axis is known.

use super::invert::DriveAngle;
use super::slip::{DriveStep, find_step};
use super::swing::{Swing, read_swing};
use crate::units::{Angle, AngularRate, Measured, Seconds};

/// Rates that a tracker can be switched to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NominalRate {
    /// With the stars.
    Sidereal,
    /// With the mean Sun, 15.000 arcsec a second.
    Solar,
    /// With the mean Moon, 14.49 arcsec a second.
    Lunar,
    /// Half the sidereal rate.
    Half,
    /// Not turning.
    Stopped,
    /// Sidereal, but the wrong way round (the other hemisphere's switch).
    Reversed,
}

impl NominalRate {
    /// All rates that are recognised.
    pub const ALL: [NominalRate; 6] = [
        Self::Sidereal,
        Self::Solar,
        Self::Lunar,
        Self::Half,
        Self::Stopped,
        Self::Reversed,
    ];

    /// The rate as a multiple of the sidereal rate.
    ///
    /// Source: mean solar 15.000 and mean lunar 14.492 arcsec a second follow from the lengths of
    /// the mean solar and the mean lunar day (86 400 s and 89 428 s, common practice, no source).
    pub fn ratio(self) -> f64 {
        match self {
            Self::Sidereal => 1.0,
            Self::Solar => 15.0 / AngularRate::SIDEREAL.arcsec_per_s(),
            Self::Lunar => 14.492 / AngularRate::SIDEREAL.arcsec_per_s(),
            Self::Half => 0.5,
            Self::Stopped => 0.0,
            Self::Reversed => -1.0,
        }
    }
}

/// A drive angle against the straight line of the mean rate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DriveResidual {
    /// Index of the frame in its alignment.
    pub frame: usize,
    /// Mid exposure, from the night's reference instant.
    pub mid: Seconds,
    /// Drive ahead of (positive) or behind its own mean rate.
    pub ahead: Measured<Angle>,
    /// Rate about this frame as a multiple of the sidereal rate, from its neighbours.
    pub local_rate: f64,
    /// Rate over the interval to the next frame of the stretch.
    pub rate_to_next: Option<Measured<f64>>,
}

/// What the drive did.
#[derive(Debug, Clone, PartialEq)]
pub struct DriveRecord {
    /// Mean rate as a multiple of the sidereal rate; positive with the sky.
    pub rate_ratio: Measured<f64>,
    /// The switch position that it fits, if any.
    pub nominal: Option<NominalRate>,
    /// Half the range of the residuals; the true amplitude is at least about this.
    pub swing: Measured<Angle>,
    /// Swing about the line, where one stands out of the noise and no step explains it.
    pub periodic: Option<Swing>,
    /// A step of the drive angle, where one explains the record.
    pub step: Option<DriveStep>,
    /// Ratio of the residuals' scatter to their sigma; 1 is a perfect drive.
    pub scatter: f64,
    /// How far the attitudes may be off together.
    pub doubt: Angle,
    /// Frames in order of time.
    pub residuals: Vec<DriveResidual>,
}

impl DriveRecord {
    /// Takes in a swing that shows inside exposures, where it is more than the record between
    /// frames shows; with a period the record knows better, and a drive that stands has none.
    pub fn raise_swing(&mut self, least: Measured<Angle>) {
        let known = self.periodic.is_some_and(|swing| swing.period.is_some())
            || self.nominal == Some(NominalRate::Stopped);
        let shown = self.periodic.map_or(Angle::ZERO, |swing| {
            swing.amplitude.value + swing.amplitude.sigma * 2.0
        });
        if known || least.value - least.sigma * 2.0 < shown {
            return;
        }
        let first = self.residuals.iter().map(|residual| residual.mid);
        let (first, last) = (
            first.clone().reduce(Seconds::min),
            first.reduce(Seconds::max),
        );
        let span = last
            .zip(first)
            .map_or(Seconds::default(), |(last, first)| last - first);
        self.periodic = Some(Swing {
            amplitude: least,
            period: None,
            watched: self.periodic.map_or(span, |swing| swing.watched),
            odds: super::swing::chance_of(least.value / least.sigma, 1),
        });
    }
}

/// Rates closer than this to a nominal rate count as that rate, whatever their sigma: cheap
/// drives are trimmed to some 1e-4 (common practice, no source); solar and sidereal differ by 2.7e-3.
const TRIM: f64 = 6e-4;

/// Straight-line record of the drive over all stretches, one common rate, one offset a stretch.
///
/// Output: sigma of the rate is 1-sigma, widened by the scatter about the line where there is any.
/// `doubt` is how far the attitudes may be off together, which lets a standing tracker seem to
/// turn slowly. `None` without two frames of one stretch.
pub fn record_drive(stretches: &[Vec<DriveAngle>], doubt: Angle) -> Option<DriveRecord> {
    let spin = AngularRate::SIDEREAL.rad_per_s();
    let long: Vec<&Vec<DriveAngle>> = stretches.iter().filter(|s| s.len() >= 2).collect();
    let (mut normal, mut right, mut n_data) = (0.0, 0.0, 0usize);
    let mut centers = Vec::with_capacity(long.len());
    for stretch in &long {
        let center = weighted_center(stretch);
        for angle in stretch.iter() {
            let weight = angle.sigma.powi(-2);
            let time = (angle.mid - center.0) * spin;
            normal += weight * time * time;
            right += weight * time * (angle.angle - center.1);
        }
        n_data += stretch.len();
        centers.push(center);
    }
    if normal <= 0.0 {
        return None;
    }
    let ratio = right / normal;
    let mut residuals = Vec::with_capacity(n_data);
    let mut chi_square = 0.0;
    for (stretch, center) in long.iter().zip(&centers) {
        for (idx, angle) in stretch.iter().enumerate() {
            let ahead = angle.angle - center.1 - ratio * spin * (angle.mid - center.0);
            chi_square += (ahead / angle.sigma).powi(2);
            residuals.push(residual_of(stretch, idx, ahead));
        }
    }
    let degrees_of_freedom = n_data - long.len() - 1;
    let scatter = match degrees_of_freedom {
        0 => 1.0,
        n => (chi_square / n as f64).sqrt(),
    };
    let by_line = Measured::new(ratio, normal.recip().sqrt() * scatter.max(1.0));
    let slices: Vec<&[DriveAngle]> = long.iter().map(|stretch| stretch.as_slice()).collect();
    // A drive that stands neither swings nor slips: what its record shows is the lens's doing.
    let stands = recognise(by_line, doubt) == Some(NominalRate::Stopped);
    let step = find_step(&slices).filter(|_| !stands);
    let reading = match step {
        Some(_) => None,
        None => read_swing(&slices).filter(|_| !stands),
    };
    let by_swing = reading.map(|reading| reading.rate_ratio);
    let rate_ratio = step
        .map(|step| step.rate_ratio)
        .or(by_swing)
        .unwrap_or(by_line);
    Some(DriveRecord {
        rate_ratio,
        nominal: recognise(rate_ratio, doubt),
        swing: swing_of(&residuals),
        periodic: reading.map(|reading| reading.swing),
        step,
        scatter,
        doubt,
        residuals,
    })
}

/// 1-sigma of the mean rate, as a multiple of the sidereal rate, by what the drive angles' errors
/// have in common beyond each one's own sigma: scale of the lens, strength of the air, axis.
///
/// `variance_of` gives the variance of a sum of angles, each with its factor, a list a stretch.
pub fn shared_rate_sigma(
    stretches: &[Vec<DriveAngle>],
    variance_of: &dyn Fn(&[Vec<f64>]) -> f64,
) -> f64 {
    let mut weights = Vec::new();
    let (mut normal, mut by_own) = (0.0, 0.0);
    for stretch in stretches {
        let center = if stretch.is_empty() {
            0.0
        } else {
            weighted_center(stretch).0
        };
        let mut own = Vec::with_capacity(stretch.len());
        for angle in stretch {
            let time = (angle.mid - center) * AngularRate::SIDEREAL.rad_per_s();
            let weight = time * angle.sigma.powi(-2);
            normal += weight * time;
            by_own += (weight * angle.sigma).powi(2);
            own.push(weight);
        }
        weights.push(own);
    }
    if normal <= 0.0 {
        return 0.0;
    }
    (variance_of(&weights) - by_own).max(0.0).sqrt() / normal
}

fn weighted_center(stretch: &[DriveAngle]) -> (f64, f64) {
    let (mut weights, mut time, mut turned) = (0.0, 0.0, 0.0);
    for angle in stretch {
        let weight = angle.sigma.powi(-2);
        weights += weight;
        time += weight * angle.mid;
        turned += weight * angle.angle;
    }
    (time / weights, turned / weights)
}

fn residual_of(stretch: &[DriveAngle], idx: usize, ahead: f64) -> DriveResidual {
    let angle = &stretch[idx];
    let (before, after) = (idx.saturating_sub(1), (idx + 1).min(stretch.len() - 1));
    DriveResidual {
        frame: angle.frame,
        mid: Seconds::new(angle.mid),
        ahead: Measured::new(Angle::from_rad(ahead), Angle::from_rad(angle.sigma)),
        local_rate: rate_between(&stretch[before], &stretch[after]).value,
        rate_to_next: stretch.get(idx + 1).map(|next| rate_between(angle, next)),
    }
}

fn rate_between(a: &DriveAngle, b: &DriveAngle) -> Measured<f64> {
    let turned = (b.mid - a.mid) * AngularRate::SIDEREAL.rad_per_s();
    Measured::new(
        (b.angle - a.angle) / turned,
        (a.sigma.hypot(b.sigma) / turned).abs(),
    )
}

fn recognise(rate: Measured<f64>, doubt: Angle) -> Option<NominalRate> {
    let fits = |nominal: &NominalRate| {
        let off = (rate.value - nominal.ratio()).abs();
        // A stopped or reversed tracker is far from everything else: no fine limit is needed there.
        let limit = match nominal {
            NominalRate::Stopped | NominalRate::Half => 0.03 + 2.0 * doubt.rad(),
            // Backwards is backwards: a gear's swing turns it by a few hundredths more or less.
            NominalRate::Reversed => 0.3,
            NominalRate::Lunar => 0.004,
            NominalRate::Sidereal | NominalRate::Solar => TRIM.max((2.0 * rate.sigma).min(1.3e-3)),
        };
        (off <= limit).then_some(off)
    };
    let fitting = NominalRate::ALL
        .into_iter()
        .filter_map(|nominal| fits(&nominal).map(|off| (off, nominal)));
    fitting
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, nominal)| nominal)
}

fn swing_of(residuals: &[DriveResidual]) -> Measured<Angle> {
    let aheads = || residuals.iter().map(|residual| residual.ahead.value.rad());
    let (low, high) = aheads().fold((f64::MAX, f64::MIN), |(low, high), x| {
        (low.min(x), high.max(x))
    });
    let n = residuals.len().max(1) as f64;
    let mean_variance = residuals
        .iter()
        .map(|r| r.ahead.sigma.rad().powi(2))
        .sum::<f64>()
        / n;
    let amplitude = (high - low).max(0.0) / 2.0;
    Measured::new(
        Angle::from_rad(amplitude),
        Angle::from_rad((mean_variance / 2.0).sqrt()),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::Vector3;
    use nalgebra::{DMatrix, DVector};

    fn angles(rate: f64, extra: &[f64]) -> Vec<DriveAngle> {
        let spin = AngularRate::SIDEREAL.rad_per_s();
        let of = |(frame, ahead): (usize, &f64)| DriveAngle {
            frame,
            mid: 70.0 * frame as f64,
            angle: rate * spin * 70.0 * frame as f64 + Angle::from_arcsec(*ahead).rad(),
            sigma: Angle::from_arcsec(0.05).rad(),
            residual: Vector3::zeros(),
            chi_square: 0.0,
        };
        extra.iter().enumerate().map(of).collect()
    }

    #[test]
    fn a_drive_that_stands_does_not_swing() {
        let uneven: Vec<f64> = (0..14).map(|k| 40.0 * (0.7 * f64::from(k)).sin()).collect();
        let running = record_drive(&[angles(1.0, &uneven)], Angle::ZERO).unwrap();
        assert!(running.periodic.is_some());
        let mut standing = record_drive(&[angles(0.0, &uneven)], Angle::ZERO).unwrap();
        assert_eq!(standing.nominal, Some(NominalRate::Stopped));
        standing.raise_swing(Measured::new(
            Angle::from_arcsec(90.0),
            Angle::from_arcsec(1.0),
        ));
        assert!(standing.periodic.is_none() && standing.step.is_none());
    }

    #[test]
    fn each_nominal_rate_is_recognised_from_three_frames() {
        for nominal in NominalRate::ALL {
            let record = record_drive(&[angles(nominal.ratio(), &[0.0; 3])], Angle::ZERO).unwrap();
            assert_eq!(record.nominal, Some(nominal));
            assert!((record.rate_ratio.value - nominal.ratio()).abs() < 1e-9);
        }
        let odd = record_drive(&[angles(1.0126, &[0.0; 3])], Angle::ZERO).unwrap();
        assert_eq!(odd.nominal, None);
    }

    #[test]
    fn a_swing_widens_the_rate_and_shows_its_size() {
        let record =
            record_drive(&[angles(1.0, &[0.0, 8.0, 0.0, -8.0, 0.0])], Angle::ZERO).unwrap();
        assert!(record.scatter > 50.0);
        assert!((record.swing.value.arcsec() - 8.0).abs() < 3.0);
        assert!((record.rate_ratio.value - 1.0).abs() < 2.0 * record.rate_ratio.sigma);
    }

    #[test]
    fn offsets_between_stretches_do_not_look_like_a_rate() {
        let mut second = angles(1.0, &[0.0; 3]);
        for angle in &mut second {
            angle.angle += 0.3;
            angle.mid += 1000.0;
        }
        let record = record_drive(&[angles(1.0, &[0.0; 3]), second], Angle::ZERO).unwrap();
        assert!((record.rate_ratio.value - 1.0).abs() < 1e-9);
    }

    #[test]
    fn what_all_angles_share_shows_in_the_rate_and_own_noise_does_not() {
        let stretches = [angles(1.0, &[0.0; 4]), angles(1.0, &[0.0; 3])];
        let spin = AngularRate::SIDEREAL.rad_per_s();
        let all: Vec<&DriveAngle> = stretches.iter().flatten().collect();
        let own = DMatrix::from_diagonal(&DVector::from_fn(7, |row, _| all[row].sigma.powi(2)));
        let sigma = |stretches: &[Vec<DriveAngle>], covariance: &DMatrix<f64>| {
            shared_rate_sigma(stretches, &|weights| {
                let weights = DVector::from_vec(weights.concat());
                weights.dot(&(covariance * &weights))
            })
        };
        assert!(sigma(&stretches, &own) < 1e-9);
        // A scale that is off by 1e-4 makes every angle longer by as much.
        let scale = DVector::from_fn(7, |row, _| 1e-4 * spin * all[row].mid);
        let shared = own + &scale * scale.transpose();
        assert!((sigma(&stretches, &shared) - 1e-4).abs() < 1e-9);
        // An offset of a whole record is no rate.
        let offset = DMatrix::from_element(7, 7, 1e-8);
        assert!(sigma(&stretches[..1], &offset.view((0, 0), (4, 4)).into()) < 1e-9);
    }
}
