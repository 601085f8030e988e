//! How long stars will stay round: for every lens of the bag, at the target and where stars drift
//! fastest, as the axis stands and with the axis on the pole; and how many frames a swinging drive
//! leaves round.

use super::Evidence;
use crate::limits::{CameraInUse, LONGEST};
use crate::mount::drive::NominalRate;
use crate::mount::swing::Swing;
use crate::sky::{Direction, Horizon, TurningAxis};
use crate::units::{Angle, AngularRate, Hemisphere, Length, Pixels, Seconds};

/// What the outlook rests on.
#[derive(Debug, Clone, Copy)]
pub struct OutlookQuestion<'a> {
    /// Axis and drive.
    pub evidence: &'a Evidence,
    /// The refracted pole and which pole it is.
    pub pole: (Direction<Horizon>, Hemisphere),
    /// Side of one pixel.
    pub pixel_pitch: Length,
    /// Focal length of the lens in use.
    pub lens_in_use: Length,
    /// Focal lengths of the other lenses.
    pub bag: &'a [Length],
    /// Where the target stands at the last frame, if one is known.
    pub target: Option<Direction<Horizon>>,
    /// Trail that is still called round.
    pub tolerance: Pixels,
    /// Exposures that the shares are wanted for.
    pub exposures: &'a [Seconds],
}

/// How long stars will stay round.
#[derive(Debug, Clone, PartialEq)]
pub struct Outlook {
    /// The lens in use first, then the bag.
    pub lenses: Vec<LensOutlook>,
    /// Frames that stay round with the lens in use, by exposure; empty without a swing.
    pub kept: Vec<KeptShare>,
    /// What those shares rest on.
    pub kept_by: KeptBy,
}

/// What the shares of round frames rest on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum KeptBy {
    /// A swing whose period is known, where it does most.
    Swing,
    /// The paces of the frames at hand, at their own places.
    Frames,
}

/// What one lens will stand.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LensOutlook {
    /// The lens on the sensor.
    pub camera: CameraInUse,
    /// As the axis stands.
    pub now: PlaceLimits,
    /// With the axis on the refracted pole and the drive as it is.
    pub after_correction: PlaceLimits,
}

/// Longest exposures by where the camera looks; not above [`LONGEST`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlaceLimits {
    /// At the target.
    pub target: Option<Seconds>,
    /// Where stars drift fastest: no place is worse.
    pub worst: Seconds,
}

/// Part of the frames that stay round.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KeptShare {
    /// Exposure.
    pub exposure: Seconds,
    /// As the axis stands, [0, 1].
    pub now: f64,
    /// With the axis on the pole, [0, 1].
    pub after_correction: f64,
}

/// Starts of an exposure in the swing that are tried.
const PHASES: usize = 120;
/// Points of an exposure at which the swing is looked at.
const POINTS: usize = 24;
/// Frames that tell a share.
const LEAST_FRAMES: usize = 4;
/// Halvings to the longest exposure.
const HALVINGS: usize = 40;

/// The outlook; `None` without an axis that has sides.
///
/// Method: the drift of the turning axis (w (r a - P) x s), and the swing of the drive along the
/// daily motion on top of it; a trail is the extent of the path, and the longest exposure the one
/// that no start in the swing makes longer than the tolerance. A swing without a known period
/// counts as a rate that is wrong by the most that a frame shows. Refraction counts as in the frame
/// where it drifts stars fastest; at the target it is left out, which matters low in the sky only.
pub fn outlook(question: &OutlookQuestion<'_>) -> Option<Outlook> {
    let evidence = question.evidence;
    let axis = evidence.axis()?;
    if axis.mirror_ambiguous || evidence.adrift.is_some() {
        return None;
    }
    let (pole, hemisphere) = question.pole;
    let as_it_stands = TurningAxis {
        axis: axis.direction,
        pole,
        hemisphere,
        rate_ratio: rate_ratio(evidence),
    };
    let corrected = TurningAxis {
        axis: pole,
        ..as_it_stands
    };
    let swing = known_swing(evidence);
    let air = drift_by_air(evidence);
    let of_lens = |focal: Length| {
        let camera = CameraInUse {
            focal,
            pixel_pitch: question.pixel_pitch,
        };
        let limits = |axis: &TurningAxis| PlaceLimits {
            target: question
                .target
                .map(|target| Path::at(axis, target, swing).longest(camera, question.tolerance)),
            worst: Path::worst(axis, swing, air).longest(camera, question.tolerance),
        };
        LensOutlook {
            camera,
            now: limits(&as_it_stands),
            after_correction: limits(&corrected),
        }
    };
    let all = std::iter::once(&question.lens_in_use).chain(question.bag);
    let lenses: Vec<LensOutlook> = all.map(|&focal| of_lens(focal)).collect();
    let camera = lenses[0].camera;
    let share = |&exposure: &Seconds| {
        let of = |axis| {
            let path = Path::worst(axis, swing, air);
            path.share_round(camera, exposure, question.tolerance)
        };
        KeptShare {
            exposure,
            now: of(&as_it_stands),
            after_correction: of(&corrected),
        }
    };
    let exposures = question.exposures.iter();
    let (kept, kept_by) = match swing {
        Some(_) => (exposures.map(share).collect(), KeptBy::Swing),
        None => {
            let shares = exposures
                .filter_map(|&exposure| share_of_frames(evidence, exposure, question.tolerance));
            (shares.collect(), KeptBy::Frames)
        }
    };
    Some(Outlook {
        lenses,
        kept,
        kept_by,
    })
}

/// The part of the frames at hand that would stay round at another exposure, each at its own pace;
/// `None` without a swing or with fewer frames than tell a share.
fn share_of_frames(evidence: &Evidence, exposure: Seconds, tolerance: Pixels) -> Option<KeptShare> {
    evidence.fit.as_ref()?.drive.as_ref()?.periodic?;
    let paces: Vec<(f64, f64)> = evidence
        .frames
        .iter()
        .filter_map(|frame| {
            let (parts, time) = (frame.predicted?, frame.exposure?.s());
            let left = (parts.drive + parts.refraction).length().px();
            Some((parts.total.length().px() / time, left / time))
        })
        .collect();
    if paces.len() < LEAST_FRAMES {
        return None;
    }
    let share = |pace: &dyn Fn(&(f64, f64)) -> f64| {
        let fits = |one: &&(f64, f64)| pace(one) * exposure.s() <= tolerance.px();
        paces.iter().filter(fits).count() as f64 / paces.len() as f64
    };
    Some(KeptShare {
        exposure,
        now: share(&|pace| pace.0),
        after_correction: share(&|pace| pace.1),
    })
}

/// The drive's rate over the sidereal one, as it counts for exposures.
///
/// A swing whose period is known is told apart from the mean rate. One that is not shows as a rate
/// that differs from frame to frame: the frame in which the drive strays most speaks for all.
fn rate_ratio(evidence: &Evidence) -> f64 {
    if known_swing(evidence).is_none() {
        let strays = evidence.frames.iter().filter_map(|frame| {
            let (drive, along) = (frame.predicted?.drive, frame.along?);
            let square = along.dx * along.dx + along.dy * along.dy;
            let stray = (drive.dx * along.dx + drive.dy * along.dy) / square;
            stray.is_finite().then_some(stray)
        });
        if let Some(most) = strays.reduce(|a, b| if a.abs() >= b.abs() { a } else { b }) {
            return 1.0 + most;
        }
    }
    mean_rate(evidence)
}

/// The drive's mean rate; exactly sidereal where the record does not tell it from that.
fn mean_rate(evidence: &Evidence) -> f64 {
    let record = evidence.fit.as_ref().and_then(|fit| fit.drive.as_ref());
    record.map_or(1.0, |record| {
        let rate = record.rate_ratio;
        let is_sidereal = record.nominal == Some(NominalRate::Sidereal)
            || (rate.value - 1.0).abs() <= 2.0 * rate.sigma;
        if is_sidereal { 1.0 } else { rate.value }
    })
}

/// The fastest drift that the changing refraction draws in any frame.
fn drift_by_air(evidence: &Evidence) -> AngularRate {
    let rates = evidence.frames.iter().filter_map(|frame| {
        let trail = frame.predicted?.refraction.length().px();
        let angle = evidence.pixel_scale? * trail;
        Some(AngularRate::from_rad_per_s(
            angle.rad() / frame.exposure?.s(),
        ))
    });
    rates.fold(AngularRate::default(), AngularRate::max)
}

/// Amplitude and period of the drive's swing, where both are known.
fn known_swing(evidence: &Evidence) -> Option<(Angle, Seconds)> {
    let record = evidence.fit.as_ref()?.drive.as_ref()?;
    let swing: Swing = record.periodic?;
    Some((swing.amplitude.value, swing.period?.value))
}

/// How a star moves against the camera: evenly, and swinging along the daily motion.
#[derive(Debug, Clone, Copy)]
struct Path {
    along: AngularRate,
    across: AngularRate,
    /// Amplitude on the sky, and period.
    swing: Option<(Angle, Seconds)>,
}

impl Path {
    fn at(axis: &TurningAxis, star: Direction<Horizon>, swing: Option<(Angle, Seconds)>) -> Self {
        let drift = axis.drift(star);
        let polar = axis.pole.separation(star);
        Self {
            along: drift.east,
            across: drift.north,
            swing: swing.map(|(amplitude, period)| (amplitude * polar.sin(), period)),
        }
    }

    /// The fastest drift, along the swing, with the air's share on top: nothing in the sky as high
    /// as the frames is worse.
    fn worst(axis: &TurningAxis, swing: Option<(Angle, Seconds)>, air: AngularRate) -> Self {
        Self {
            along: axis.worst_drift() + air,
            across: AngularRate::default(),
            swing,
        }
    }

    /// The extent of the path during an exposure that starts at a phase of the swing.
    fn extent(&self, exposure: Seconds, phase: f64) -> Angle {
        let Some((amplitude, period)) = self.swing else {
            return self.straight(exposure);
        };
        let (mut low, mut high) = (f64::MAX, f64::MIN);
        for point in 0..=POINTS {
            let time = exposure * (point as f64 / POINTS as f64);
            let turned = std::f64::consts::TAU * (time / period + phase);
            let place = self.along.over(time).rad() + amplitude.rad() * turned.sin();
            (low, high) = (low.min(place), high.max(place));
        }
        Angle::from_rad((high - low).hypot(self.across.over(exposure).rad()))
    }

    fn straight(&self, exposure: Seconds) -> Angle {
        let (along, across) = (self.along.over(exposure), self.across.over(exposure));
        Angle::from_rad(along.rad().hypot(across.rad()))
    }

    /// Part of the starts from which an exposure stays within the tolerance.
    fn share_round(&self, camera: CameraInUse, exposure: Seconds, tolerance: Pixels) -> f64 {
        let limit = camera.pixel_scale() * tolerance.px();
        let phases = (0..PHASES).map(|nth| nth as f64 / PHASES as f64);
        let n_round = phases
            .filter(|&phase| self.extent(exposure, phase) <= limit)
            .count();
        n_round as f64 / PHASES as f64
    }

    /// The longest exposure that stays within the tolerance from every start.
    fn longest(&self, camera: CameraInUse, tolerance: Pixels) -> Seconds {
        let fits = |exposure| self.share_round(camera, exposure, tolerance) >= 1.0;
        if fits(LONGEST) {
            return LONGEST;
        }
        let (mut low, mut high) = (Seconds::new(0.0), LONGEST);
        for _ in 0..HALVINGS {
            let middle = (low + high) / 2.0;
            if fits(middle) {
                low = middle;
            } else {
                high = middle;
            }
        }
        low
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const CAMERA: CameraInUse = CameraInUse {
        focal: Length::from_mm(150.0),
        pixel_pitch: Length::from_um(3.3),
    };
    const TOLERANCE: Pixels = Pixels::new(2.0);
    const STILL: AngularRate = AngularRate::from_rad_per_s(0.0);

    fn pole() -> Direction<Horizon> {
        Direction::from_az_alt(Angle::ZERO, Angle::from_deg(50.0))
    }

    fn off_by(arcmin: f64) -> TurningAxis {
        TurningAxis {
            axis: Direction::from_az_alt(Angle::ZERO, Angle::from_deg(50.0 + arcmin / 60.0)),
            pole: pole(),
            hemisphere: Hemisphere::North,
            rate_ratio: 1.0,
        }
    }

    #[test]
    fn without_a_swing_the_longest_exposure_is_that_of_the_rule() {
        // 9.0757" over 15.041" x 38 x 2.90888e-4 a second, as `report::limits` has it by hand.
        let longest = Path::worst(&off_by(38.0), None, STILL).longest(CAMERA, TOLERANCE);
        assert!((longest.s() - 54.59).abs() < 0.03, "{longest:?}");
        let aligned = Path::worst(&off_by(0.0), None, STILL).longest(CAMERA, TOLERANCE);
        assert_eq!(aligned, LONGEST);
    }

    #[test]
    fn a_target_on_the_axis_s_side_of_the_equator_hardly_drifts() {
        // Too high: the meridian; the equator stands 40 degrees high in the south.
        let south = Direction::from_az_alt(Angle::from_deg(180.0), Angle::from_deg(40.0));
        let longest = Path::at(&off_by(38.0), south, None).longest(CAMERA, TOLERANCE);
        assert_eq!(longest, LONGEST);
        let east = Direction::from_az_alt(Angle::from_deg(90.0), Angle::ZERO);
        let longest = Path::at(&off_by(38.0), east, None).longest(CAMERA, TOLERANCE);
        assert!((longest.s() - 54.59).abs() < 0.5, "{longest:?}");
    }

    #[test]
    fn a_small_swing_never_spoils_a_frame_and_a_large_one_spoils_some() {
        let period = Seconds::new(480.0);
        // 2 x 4" stay below 9.08" whatever the exposure.
        let small = Path::worst(&off_by(0.0), Some((Angle::from_arcsec(4.0), period)), STILL);
        assert_eq!(small.longest(CAMERA, TOLERANCE), LONGEST);
        // 12" in 480 s run at up to 0.157" a second: 9.08" in about 60 s at the fastest.
        let large = Path::worst(
            &off_by(0.0),
            Some((Angle::from_arcsec(12.0), period)),
            STILL,
        );
        let longest = large.longest(CAMERA, TOLERANCE).s();
        // 2 x 12" sin(pi T / 480 s) = 9.0757" at T = 59.3 s.
        assert!((longest - 59.3).abs() < 0.5, "{longest}");
        let share = |s: f64| large.share_round(CAMERA, Seconds::new(s), TOLERANCE);
        assert!(share(55.0) == 1.0 && share(600.0) == 0.0);
        assert!(share(90.0) > share(120.0) && share(120.0) > share(200.0));
    }

    #[test]
    fn the_share_of_round_frames_by_hand() {
        // No drift, exposures well below half a period: the extent is 2 A |sin(pi T / P)| |cos(mid
        // phase)| unless a turning point lies inside. T = P / 6: 2 A sin 30 deg = A where fastest.
        let path = Path::worst(
            &off_by(0.0),
            Some((Angle::from_arcsec(10.0), Seconds::new(600.0))),
            STILL,
        );
        // 9.0757" of 10": |cos| <= 0.90757, which leaves mid phases beyond 24.8 deg: 72.4 %.
        let share = path.share_round(CAMERA, Seconds::new(100.0), TOLERANCE);
        assert!((share - 0.724).abs() < 0.02, "{share}");
    }
}
