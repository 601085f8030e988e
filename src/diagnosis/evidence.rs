//! What is known about each frame before anyone asks why.

use super::told::{ToldSides, told_sides};
use crate::mount::account::Account;
use crate::mount::lone::LoneFrame;
use crate::mount::predict::{OwnMotion, TrailParts};
use crate::mount::{AxisEstimate, MountFit};
use crate::sky::ToldPlace;
use crate::stars::{FrameTrail, LensShape};
use crate::units::{Angle, AngularRate, Measured, PixelVector, Pixels, Seconds};

/// Few lights are cloud and hot pixels as likely as stars (own choice).
pub const MANY_STARS: usize = 60;

/// What a frame's background shows of its light.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FrameLight {
    /// Noise of one pixel, on the scale of linear light.
    pub noise: f64,
    /// Whether the camera developed the picture: then its noise is no longer that of the light.
    pub developed: bool,
}

/// One frame's facts.
#[derive(Debug, Clone, PartialEq)]
pub struct FrameEvidence {
    /// Index of the frame in its alignment.
    pub frame: usize,
    /// Pointing within the alignment, from 0.
    pub pointing: usize,
    /// Length of the exposure.
    pub exposure: Option<Seconds>,
    /// The background's noise.
    pub light: Option<FrameLight>,
    /// Width of a star across its trail.
    pub fwhm: Option<Measured<Pixels>>,
    /// Trail that the stars' shapes show.
    pub trail: Option<FrameTrail>,
    /// The trail by shapes and motion between frames together, where an axis is known.
    pub joined: Option<FrameTrail>,
    /// Trail that axis and drive draw by the motion between frames.
    pub predicted: Option<TrailParts>,
    /// For a frame alone in its pointing: the trail that the axis of the other frames would draw in
    /// it with the drive at its mean rate.
    pub foreseen: Option<PixelVector>,
    /// Measured trail against the predicted one.
    pub own_motion: Option<OwnMotion>,
    /// What the motion since and until the neighbouring frames would draw in this exposure,
    /// whatever made it move.
    pub drifted: Option<PixelVector>,
    /// The pattern that the lens draws off the centre.
    pub lens: Option<LensShape>,
    /// Longest trail that axis and drive draw in any corner, by the motion between frames.
    pub corner_trail: Option<Pixels>,
    /// Trail at the centre that a drive one sidereal rate too fast would add; its line is the along direction.
    pub along: Option<PixelVector>,
}

impl FrameEvidence {
    /// The trail by all witnesses where they were joined and the stars are many, else by the shapes:
    /// few stars, as through cloud, shine for a part of the exposure and hide the rest of the motion.
    pub fn best_trail(&self) -> Option<FrameTrail> {
        let many = |trail: &FrameTrail| trail.n_stars >= MANY_STARS;
        self.joined.filter(many).or(self.trail)
    }

    /// Unit vector of the along direction on the frame.
    pub fn along_line(&self) -> Option<PixelVector> {
        let along = self.along?;
        let length = along.length().px();
        (length > 0.0).then(|| along * length.recip())
    }

    /// The measured trail's parts along and across the daily motion, without sign.
    pub fn along_and_across(&self) -> Option<(f64, f64)> {
        let (trail, line) = (self.trail?.vector, self.along_line()?);
        let along = trail.dx * line.dx + trail.dy * line.dy;
        let across = trail.dx * line.dy - trail.dy * line.dx;
        Some((along.abs(), across.abs()))
    }
}

/// Frames whose stars are known and whose place or hour is not: "up" and "east" of the axis stand
/// for hour angles 0 and -90 degrees of an arbitrary meridian.
#[derive(Debug, Clone, PartialEq)]
pub struct Adrift {
    /// Frame by which the axis's side is told (index in the alignment).
    pub frame: usize,
    /// Hour angle of its centre, by the same meridian.
    pub hour_angle: Angle,
    /// Places and true hour angles of its centre that a told direction leaves; empty where none was
    /// told.
    pub told: Vec<ToldPlace>,
}

/// An axis against a field instead of the horizon.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AxisBesideField {
    /// Distance of the axis from the pole.
    pub total: Measured<Angle>,
    /// Hour angle of the axis's northern end less that of the field, west positive, [-180, 180)
    /// degrees.
    pub hour_angle: Measured<Angle>,
    /// Frame that shows the field (index in the alignment).
    pub frame: usize,
    /// Its sides, where the direction of the field was told.
    pub told: Option<ToldSides>,
}

/// A drive that stood still when a pointing began, and then ran.
#[derive(Debug, Clone, PartialEq)]
pub struct Standstill {
    /// Frames in which it stood, from the pointing's first on (indices in the alignment).
    pub frames: Vec<usize>,
    /// How long it stood from the start of the first exposure.
    pub duration: Measured<Seconds>,
    /// Trail along the daily motion in the worst of the frames.
    pub trail: Measured<Pixels>,
}

impl Standstill {
    /// The slack that it took the drive so long to run through; at least, for it may have begun
    /// before the exposure.
    pub fn slack(&self) -> Measured<Angle> {
        let turned = |time: Seconds| AngularRate::SIDEREAL.over(time);
        Measured::new(turned(self.duration.value), turned(self.duration.sigma))
    }
}

/// All that is known about one alignment.
#[derive(Debug, Clone, PartialEq)]
pub struct Evidence {
    /// Frames that were measured, in order of time.
    pub frames: Vec<FrameEvidence>,
    /// Pointings at whose start the drive stood still.
    pub standstills: Vec<Standstill>,
    /// Fit of axis and drive; `None` for a lone frame or without a direction.
    pub fit: Option<MountFit>,
    /// Where nobody knows place or hour: the field that the axis's side is told by.
    pub adrift: Option<Adrift>,
    /// The axis before the change that these frames follow.
    pub axis_before: Option<AxisEstimate>,
    /// What may have moved the stars, by places and shapes together, likeliest first; empty where that
    /// was not asked.
    pub accounts: Vec<Account>,
    /// Reading of a lone frame.
    pub lone: Option<LoneFrame>,
    /// Speed of the sky's turn in the camera over the sidereal rate, from frames alone, no hint needed.
    pub sky_rate: Option<Measured<f64>>,
    /// Whether any frame's stars were identified: what is not in the sky may be no star.
    pub identified: bool,
    /// Trail that the user still calls round.
    pub tolerance: Option<Pixels>,
    /// Angle of a pixel at the frame's centre.
    pub pixel_scale: Option<Angle>,
}

impl Evidence {
    /// A frame's own trail against the drift, by the frame's index in the alignment.
    pub fn own_motion(&self, frame: usize) -> Option<OwnMotion> {
        let of_frame = self.frames.iter().find(|one| one.frame == frame)?;
        of_frame.own_motion
    }

    /// A frame's trail by shapes and motion between frames together, by the frame's index in the
    /// alignment.
    pub fn joined(&self, frame: usize) -> Option<FrameTrail> {
        let of_frame = self.frames.iter().find(|one| one.frame == frame)?;
        of_frame.joined
    }

    /// The same evidence cut where the axis changed, in order of time.
    pub fn into_parts(mut self) -> Vec<Evidence> {
        let Some(fit) = &mut self.fit else {
            return vec![self];
        };
        let (Some(earlier), Some(change)) = (fit.earlier.take(), fit.change) else {
            return vec![self];
        };
        let axis_before = earlier.axis.as_ref().ok().copied();
        let is_before = |frame: &FrameEvidence| frame.frame < change.after;
        let (before, after) = std::mem::take(&mut self.frames)
            .into_iter()
            .partition(is_before);
        let earlier = Evidence {
            frames: before,
            fit: Some(*earlier),
            ..self.clone()
        };
        let mut parts = earlier.into_parts();
        parts.push(Evidence {
            frames: after,
            axis_before,
            ..self
        });
        parts
    }

    /// The axis against a field, where place or hour are not known.
    pub fn axis_beside_field(&self) -> Option<AxisBesideField> {
        let (adrift, axis) = (self.adrift.as_ref()?, self.axis()?);
        if axis.mirror_ambiguous {
            return None;
        }
        let total = axis.error.total();
        let (up, east) = (axis.error.up, axis.error.east);
        let along = nalgebra::Vector2::new(up.rad(), east.rad()) / total.rad().max(1e-12);
        let across = nalgebra::Vector2::new(-along.y, along.x);
        let sigma = |line: nalgebra::Vector2<f64>| {
            let variance = (line.transpose() * axis.covariance * line)[0];
            Angle::from_rad(variance.max(0.0).sqrt())
        };
        let side = Angle::from_rad((-east.rad()).atan2(up.rad()));
        let side_sigma =
            Angle::from_rad((sigma(across) / total.max(Angle::from_arcsec(1.0))).min(3.0));
        let beside = AxisBesideField {
            total: Measured::new(total, sigma(along)),
            hour_angle: Measured::new((side - adrift.hour_angle).wrapped_signed(), side_sigma),
            frame: adrift.frame,
            told: None,
        };
        Some(AxisBesideField {
            told: told_sides(&beside, sigma(across), &adrift.told),
            ..beside
        })
    }

    /// The axis, from whatever told it; without place or hour its sides mean nothing.
    pub fn axis(&self) -> Option<&AxisEstimate> {
        let fitted = self.fit.as_ref().and_then(|fit| fit.axis.as_ref().ok());
        fitted.or_else(|| self.lone.as_ref()?.axis.as_ref())
    }
}
