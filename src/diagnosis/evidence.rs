//! What is known about each frame before anyone asks why.

use crate::mount::lone::LoneFrame;
use crate::mount::predict::{OwnMotion, TrailParts};
use crate::mount::{AxisEstimate, MountFit};
use crate::stars::{FrameTrail, LensShape};
use crate::units::{Angle, Measured, PixelVector, Pixels, Seconds};

/// One frame's facts.
#[derive(Debug, Clone, PartialEq)]
pub struct FrameEvidence {
    /// Index of the frame in its alignment.
    pub frame: usize,
    /// Pointing within the alignment, from 0.
    pub pointing: usize,
    /// Length of the exposure.
    pub exposure: Option<Seconds>,
    /// Width of a star across its trail.
    pub fwhm: Option<Measured<Pixels>>,
    /// Trail that the stars' shapes show.
    pub trail: Option<FrameTrail>,
    /// Trail that axis and drive draw by the motion between frames.
    pub predicted: Option<TrailParts>,
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

/// All that is known about one alignment.
#[derive(Debug, Clone, PartialEq)]
pub struct Evidence {
    /// Frames that were measured, in order of time.
    pub frames: Vec<FrameEvidence>,
    /// Fit of axis and drive; `None` for a lone frame or without a direction.
    pub fit: Option<MountFit>,
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

    /// The axis, from whatever told it.
    pub fn axis(&self) -> Option<&AxisEstimate> {
        let fitted = self.fit.as_ref().and_then(|fit| fit.axis.as_ref().ok());
        fitted.or_else(|| self.lone.as_ref()?.axis.as_ref())
    }
}
