//! A night's findings in; JSON and words for the terminal out.
//!
//! The pipeline fills [`NightReport`], in the types of the stages; `contract` holds the same in
//! the shape of the JSON contract, converted by hand, `json` writes it, `text` lays it out for a
//! person on a `page`. The other commands have their own reports: `measure`, `polestar`, `limits`,
//! `beam`.

pub mod beam;
pub mod contract;
pub mod drawing;
pub mod elongation;
pub mod html;
pub mod json;
pub mod limits;
pub mod measure;
pub mod page;
pub mod polestar;
pub mod screen;
pub mod text;

mod exposing;
mod mean_star;
mod save;
mod table;

#[cfg(test)]
mod sample;

use jiff::Timestamp;
use nalgebra::Matrix2;

pub use crate::advice::{Correction, LongestExposure, NextFrame};

use elongation::Elongation;

use crate::advice::{Decision, PoleStarInstead};
use crate::diagnosis::outlook::Outlook;
use crate::diagnosis::shortening::Shortening;
use crate::diagnosis::{Cause, ToldSides, Verdict};
use crate::mount::model::AxisError;
use crate::mount::observability::Knowledge;
use crate::mount::predict::OwnMotion;
use crate::sky::{Direction, Horizon, PlaceAboutPole, PoleStar};
use crate::stars::{FrameTrail, StackedStar};
use crate::units::{Angle, Hemisphere, Length, Measured, PixelVector, Pixels, Seconds, Site};

/// All that one night's frames say.
#[derive(Debug, Clone, PartialEq)]
pub struct NightReport {
    /// The answer in one or two sentences for a tired person; the first line of the text.
    pub answer: String,
    /// Where the camera stood, if anything says so.
    pub site: Option<SiteReport>,
    /// Every picture file of the night, used or set aside, in the order of the night.
    pub frames: Vec<FrameReport>,
    /// In the order of the night; the last one is how the tracker stands now.
    pub alignments: Vec<AlignmentReport>,
    /// What was taken for granted, a sentence each (clock zone, lens, tolerance).
    pub assumptions: Vec<String>,
    /// The sky about the pole at the last frame's end, if the site is known.
    pub pole: Option<PoleReport>,
}

impl NightReport {
    /// Whether the alignment that answers, the last one with frames, ended with something else
    /// than a wish for more frames.
    pub fn is_answered(&self) -> bool {
        self.alignments
            .iter()
            .rfind(|alignment| alignment.n_frames > 0)
            .is_some_and(|alignment| alignment.decision != Decision::MoreFrames)
    }
}

/// Who says where the camera stood.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SiteSource {
    /// The frames' GPS tags.
    Gps,
    /// `--site`.
    Option,
    /// The settings file.
    Settings,
}

impl SiteSource {
    /// Its name in the JSON contract.
    pub const fn key(self) -> &'static str {
        match self {
            SiteSource::Gps => "gps",
            SiteSource::Option => "option",
            SiteSource::Settings => "settings",
        }
    }
}

/// Where the camera stood.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SiteReport {
    /// The place.
    pub site: Site,
    /// Who says so.
    pub source: SiteSource,
}

/// The sky about the pole that the axis should point at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PoleReport {
    /// When, if the clock is known.
    pub at: Option<Timestamp>,
    /// Which pole.
    pub hemisphere: Hemisphere,
    /// How high the refracted pole stands.
    pub altitude: Angle,
    /// How much higher than the true pole that is.
    pub lift: Angle,
    /// Where the pole star stands about the refracted pole, as seen by eye; needs the clock.
    pub star: Option<(PoleStar, PlaceAboutPole)>,
}

/// What one frame shows.
#[derive(Debug, Clone, PartialEq)]
pub struct FrameReport {
    /// Path relative to the night's folder, with `/` between its parts.
    pub file: String,
    /// Name of the alignment that it belongs to.
    pub alignment: String,
    /// Pointing within the alignment, from 0; `None` for a frame set aside before that was known.
    pub pointing: Option<usize>,
    /// Why the frame was set aside; `None` means that it was used.
    pub skipped_because: Option<String>,
    /// Start of the exposure, UTC.
    pub start: Option<Timestamp>,
    /// Length of the exposure.
    pub exposure: Option<Seconds>,
    /// Focal length by tags or option.
    pub focal_length: Option<Length>,
    /// Angle of one pixel at the centre of the frame, fitted or from tags.
    pub pixel_scale: Option<Angle>,
    /// Stars found.
    pub n_stars: usize,
    /// Stars found and matched to the catalogue.
    pub n_identified: usize,
    /// Width of a star across its trail (full width at half maximum).
    pub fwhm: Option<Measured<Pixels>>,
    /// Trail at the centre of the frame, by all that is known: the shapes of its stars and, where an
    /// axis is known, the motion between frames.
    pub trail: Option<FrameTrail>,
    /// The trail by the shapes of its stars alone.
    pub trail_by_shapes: Option<FrameTrail>,
    /// Motion of the stars since the frame before in the same pointing.
    pub drift: Option<DriftReport>,
    /// Its own trail against what axis and drive, as the motion between frames tells them, draw.
    pub own_motion: Option<OwnMotion>,
    /// Where the frame's centre looks.
    pub center: Option<CenterReport>,
    /// How its stars look.
    pub verdict: Verdict,
    /// What its stars look like; `None` where nothing was measured.
    pub pictures: Option<FramePictures>,
}

impl FrameReport {
    /// A frame set aside before anything could be measured.
    pub fn set_aside(
        file: impl Into<String>,
        alignment: impl Into<String>,
        reason: impl Into<String>,
    ) -> Self {
        Self {
            file: file.into(),
            alignment: alignment.into(),
            pointing: None,
            skipped_because: Some(reason.into()),
            start: None,
            exposure: None,
            focal_length: None,
            pixel_scale: None,
            n_stars: 0,
            n_identified: 0,
            fwhm: None,
            trail: None,
            trail_by_shapes: None,
            drift: None,
            own_motion: None,
            center: None,
            verdict: Verdict::Unmeasured,
            pictures: None,
        }
    }

    /// Whether the frame was used.
    pub fn is_used(&self) -> bool {
        self.skipped_because.is_none()
    }
}

/// What a frame's stars look like, for pictures.
#[derive(Debug, Clone, PartialEq)]
pub struct FramePictures {
    /// Width and height of the frame, pixels.
    pub size: (usize, usize),
    /// The mean image of its stars.
    pub stacked: Option<StackedStar>,
    /// How they are drawn out in each part of it.
    pub elongations: Vec<Elongation>,
}

/// How the stars at the frame's centre moved since the frame before.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DriftReport {
    /// Signed motion, pixels right and down.
    pub vector: PixelVector,
    /// 1-sigma of each component.
    pub sigma: Pixels,
    /// Time between the middles of the two exposures.
    pub interval: Seconds,
    /// What the fitted axis would have moved them in that time with an even drive.
    pub by_axis: Option<PixelVector>,
}

/// Who says where a frame looks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CenterSource {
    /// Its stars were identified.
    Stars,
    /// `--facing` and `--altitude`, or `--at`.
    Hint,
}

impl CenterSource {
    /// Its name in the JSON contract.
    pub const fn key(self) -> &'static str {
        match self {
            CenterSource::Stars => "stars",
            CenterSource::Hint => "hint",
        }
    }
}

/// Where a frame's centre looks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CenterReport {
    /// Right ascension, ICRS; `None` where a hint gave the direction but no time is known.
    pub ra: Option<Angle>,
    /// Declination, ICRS.
    pub dec: Angle,
    /// Hour angle at mid exposure, west positive; needs site and time.
    pub hour_angle: Option<Angle>,
    /// Direction over the ground at mid exposure, refracted; needs site and time.
    pub horizon: Option<Direction<Horizon>>,
    /// Position angle of the picture's upward direction, north through east.
    pub up_position_angle: Angle,
    /// Who says so.
    pub source: CenterSource,
}

/// What the frames of one alignment say together.
#[derive(Debug, Clone, PartialEq)]
pub struct AlignmentReport {
    /// Name of the folder, with a number where a stretch of one folder was split off.
    pub name: String,
    /// Frames that were used.
    pub n_frames: usize,
    /// Pointings among them.
    pub n_pointings: usize,
    /// Where the axis points, if the frames tell.
    pub axis: Option<AxisReport>,
    /// Where the axis points against a field, where its sides are not known.
    pub axis_without_site: Option<AxisWithoutSite>,
    /// How the drive ran, if the frames tell.
    pub drive: Option<DriveReport>,
    /// The largest cause.
    pub cause: Cause,
    /// Probability that it is the right answer, [0, 1]; `None` where it cannot be told.
    pub cause_confidence: Option<f64>,
    /// Causes as shares of the trail, largest first.
    pub causes: Vec<CauseShare>,
    /// What to do.
    pub decision: Decision,
    /// How to move the axis; only where a move is advised or worth knowing.
    pub correction: Option<Correction>,
    /// How long to expose.
    pub longest_exposure: LongestExposure,
    /// The same for the lenses of the bag, the target and the worst place.
    pub outlook: Option<Outlook>,
    /// What shorter exposures would cost, where they are needed.
    pub shortening: Option<Shortening>,
    /// Where the pole star should stand instead, where a move is advised.
    pub pole_star: Option<PoleStarInstead>,
    /// Frames that would settle what is open.
    pub next_frames: Vec<NextFrame>,
    /// One sentence: what is wrong and what to do.
    pub headline: String,
    /// Why, a sentence each.
    pub reasons: Vec<String>,
    /// What to do, a step each, in order.
    pub todo: Vec<String>,
}

/// The axis against the pole: axis minus pole, altitude part up positive, azimuth part on the sky
/// and east positive in both hemispheres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AxisReport {
    /// Against the refracted pole, up positive.
    pub altitude_error: Measured<Angle>,
    /// Against the refracted pole, on the sky, east positive.
    pub azimuth_error: Measured<Angle>,
    /// Correlation of the two errors, in (-1, 1).
    pub correlation: f64,
    /// A lone frame: the opposite of both errors fits as well.
    pub mirror_ambiguous: bool,
    /// The other answer of a lone frame, against the refracted pole.
    pub mirror: Option<AxisError>,
    /// Altitude error against the true (airless) pole, up positive.
    pub true_pole_altitude_error: Angle,
    /// Azimuth error against the true (airless) pole, on the sky, east positive.
    pub true_pole_azimuth_error: Angle,
}

impl AxisReport {
    /// Distance of the axis from the refracted pole, with the 1-sigma along the line to it.
    ///
    /// Method: `sqrt(alt^2 + az^2)`, its sigma by linear propagation with the correlation; at no
    /// distance at all, the root mean square of the two sigmas.
    pub fn total(&self) -> Measured<Angle> {
        let (up, east) = (
            self.altitude_error.value.rad(),
            self.azimuth_error.value.rad(),
        );
        let (up_sigma, east_sigma) = (
            self.altitude_error.sigma.rad(),
            self.azimuth_error.sigma.rad(),
        );
        let total = up.hypot(east);
        let variance = if total > 0.0 {
            let (along_up, along_east) = (up / total * up_sigma, east / total * east_sigma);
            along_up.powi(2) + along_east.powi(2) + 2.0 * self.correlation * along_up * along_east
        } else {
            (up_sigma.powi(2) + east_sigma.powi(2)) / 2.0
        };
        Measured::new(
            Angle::from_rad(total),
            Angle::from_rad(variance.max(0.0).sqrt()),
        )
    }

    /// The directions in which the axis is known best and worst.
    pub fn knowledge(&self) -> Knowledge {
        let (up, east) = (
            self.altitude_error.sigma.rad(),
            self.azimuth_error.sigma.rad(),
        );
        let mixed = self.correlation * up * east;
        Knowledge::of(&Matrix2::new(up * up, mixed, mixed, east * east))
    }
}

/// The axis of frames whose stars are known and whose place or hour is not.
#[derive(Debug, Clone, PartialEq)]
pub struct AxisWithoutSite {
    /// Distance of the axis from the pole; the sigma covers the air, which is not in the model.
    pub total: Measured<Angle>,
    /// Hour angle of the axis's northern end less that of the field, west positive.
    pub hour_angle_from_field: Measured<Angle>,
    /// File of the frame that shows the field.
    pub field: String,
    /// Its sides, where the direction of that field was told.
    pub by_direction: Option<ToldSides>,
}

/// How the drive ran.
#[derive(Debug, Clone, PartialEq)]
pub struct DriveReport {
    /// Mean rate over the sidereal rate; 1 is right, negative runs backwards.
    pub rate_ratio: Measured<f64>,
    /// Swing about the mean rate, where there is one.
    pub periodic: Option<PeriodicReport>,
    /// A step of the drive angle, where there is one.
    pub step: Option<StepReport>,
    /// Pointings at whose start the drive stood still.
    pub standstills: Vec<StandstillReport>,
    /// How far it ran ahead of or behind its mean rate, in order of time.
    pub record: Vec<DrivePoint>,
}

/// The drive at one frame against the line of its mean rate.
#[derive(Debug, Clone, PartialEq)]
pub struct DrivePoint {
    /// The frame's file.
    pub file: String,
    /// Mid exposure, from the alignment's first.
    pub after: Seconds,
    /// Angle ahead of the line (positive) or behind.
    pub ahead: Measured<Angle>,
}

/// A drive's swing about its mean rate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PeriodicReport {
    /// Half of the full swing, as an angle about the axis; a lower bound where the period is unknown.
    pub amplitude: Measured<Angle>,
    /// Its period, if the frames span enough of it.
    pub period: Option<Measured<Seconds>>,
    /// Time for which the drive was watched.
    pub watched: Seconds,
}

/// A step of the drive angle between two frames, or inside the frame between them.
#[derive(Debug, Clone, PartialEq)]
pub struct StepReport {
    /// File of the last frame before it.
    pub before: String,
    /// File of the first frame after it.
    pub after: String,
    /// When, in the middle between the two, if the clock is known.
    pub at: Option<Timestamp>,
    /// How far the drive jumped ahead (positive) or back, as an angle about the axis.
    pub size: Measured<Angle>,
}

/// A drive that stood still at the start of a pointing.
#[derive(Debug, Clone, PartialEq)]
pub struct StandstillReport {
    /// File of the pointing's first frame.
    pub file: String,
    /// Time from the start of its exposure until the drive ran.
    pub duration: Measured<Seconds>,
    /// The slack that it ran through in that time; at least.
    pub slack: Measured<Angle>,
}

/// One cause's part of the trail.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CauseShare {
    /// The cause.
    pub cause: Cause,
    /// Trail that it makes in the longest exposure of the alignment.
    pub trail: Pixels,
    /// Its part of the whole, [0, 1].
    pub share: f64,
    /// Probability that the cause is there at all, [0, 1]; of the largest cause, that of the answer.
    pub confidence: f64,
}

#[cfg(test)]
mod tests {
    use super::*;

    fn axis(up: f64, east: f64, correlation: f64) -> AxisReport {
        let arcmin =
            |value, sigma| Measured::new(Angle::from_arcmin(value), Angle::from_arcmin(sigma));
        AxisReport {
            altitude_error: arcmin(up, 3.0),
            azimuth_error: arcmin(east, 4.0),
            correlation,
            mirror_ambiguous: false,
            mirror: None,
            true_pole_altitude_error: Angle::ZERO,
            true_pole_azimuth_error: Angle::ZERO,
        }
    }

    #[test]
    fn total_error_takes_the_sigma_along_its_own_direction() {
        let pure_up = axis(-30.0, 0.0, 0.5).total();
        assert!((pure_up.value.arcmin() - 30.0).abs() < 1e-9);
        assert!((pure_up.sigma.arcmin() - 3.0).abs() < 1e-9);
        // At 45 degrees with full correlation the errors add: (3 + 4) / sqrt 2.
        let slanted = axis(10.0, 10.0, 1.0).total();
        assert!((slanted.sigma.arcmin() - 7.0 / 2f64.sqrt()).abs() < 1e-9);
        let opposed = axis(10.0, -10.0, 1.0).total();
        assert!((opposed.sigma.arcmin() - 1.0 / 2f64.sqrt()).abs() < 1e-9);
    }

    #[test]
    fn the_last_alignment_with_frames_answers() {
        let mut night = sample::full().value;
        assert!(night.is_answered());
        night.alignments[1].decision = Decision::MoreFrames;
        assert!(!night.is_answered());
        night.alignments[1].n_frames = 0;
        assert!(night.is_answered());
    }

    #[test]
    fn no_distance_has_a_sigma_all_the_same() {
        let none = axis(0.0, 0.0, 0.0).total();
        assert!((none.sigma.arcmin() - 12.5f64.sqrt()).abs() < 1e-9);
    }
}
