//! What really made the trails of a drawn night: each cause's trail is the one that it makes alone.

use stillpoint::diagnosis::Cause;
use stillpoint::error::Error;
use stillpoint::simulate::{AxisError, CatalogueStars, FrameTruth, Rate, Scenario, Simulation};

use super::draw::Night;

/// Causes with the trail that each makes in its worst frame, largest first.
pub struct TrueCauses {
    /// Pixels at the centre of the frame; for a bump, the step between two frames.
    pub px: Vec<(Cause, f64)>,
    /// Trail that still counts as round.
    pub tolerance_px: f64,
}

/// A trail within tolerance keeps the axis ratio within 1.10: two thirds of the width.
const ROUND_SHARE: f64 = 2.0 / 3.0;
/// The largest cause is clear where it is larger than the next, or than the tolerance, by this.
const CLEAR: f64 = 1.5;

impl TrueCauses {
    /// Draws the night again with one cause at a time, and with none.
    ///
    /// # Errors
    /// Where the sky cannot be worked out for the date.
    pub fn of(night: &Night) -> Result<Self, Error> {
        let full = &night.scenario;
        let still = frames(&without_all(full))?;
        let alone = |keep: &dyn Fn(&mut Scenario)| -> Result<Vec<FrameTruth>, Error> {
            let mut one = without_all(full);
            keep(&mut one);
            frames(&one)
        };
        let mut px = vec![(
            Cause::Axis,
            worst_trail(
                &still,
                &alone(&|one| one.alignments[0].axis = full.alignments[0].axis)?,
            ),
        )];
        if let Some(cause) = night.fault.cause() {
            let faulty = alone(&|one| one.alignments[0].drive = full.alignments[0].drive.clone())?;
            px.push((cause, worst_trail(&still, &faulty)));
        }
        if full.alignments[0].sag.is_some() {
            let sagging = alone(&|one| one.alignments[0].sag = full.alignments[0].sag)?;
            px.push((Cause::Sag, worst_trail(&still, &sagging)));
        }
        if !full.alignments[0].bumps.is_empty() {
            let bumped = alone(&|one| one.alignments[0].bumps = full.alignments[0].bumps.clone())?;
            let focal_px = full.lens.focal_mm * 1000.0 / full.camera.pitch_um;
            px.push((Cause::Bump, focal_px * largest_step(&still, &bumped)));
        }
        px.sort_by(|a, b| b.1.total_cmp(&a.1));
        Ok(Self {
            px,
            tolerance_px: ROUND_SHARE * full.lens.fwhm_px,
        })
    }

    /// Trail of a cause, pixels; none is 0.
    pub fn of_cause(&self, cause: Cause) -> f64 {
        self.px
            .iter()
            .find(|one| one.0 == cause)
            .map_or(0.0, |one| one.1)
    }

    /// The cause that makes the largest trail beyond the tolerance; a bump where the trails are
    /// within it, and `aligned` where nothing is beyond it.
    pub fn dominant(&self) -> Cause {
        let beyond = self.px.iter().filter(|one| one.1 > self.tolerance_px);
        let mut beyond = beyond.map(|one| one.0);
        match beyond.clone().find(|cause| *cause != Cause::Bump) {
            Some(trail) => trail,
            None => beyond.next().unwrap_or(Cause::Aligned),
        }
    }

    /// Whether the dominant cause is beyond dispute: no other comes near it, and nothing is near
    /// the tolerance.
    pub fn is_clear(&self) -> bool {
        let largest = self.px.first().map_or(0.0, |one| one.1);
        let second = self.px.get(1).map_or(0.0, |one| one.1);
        match self.dominant() {
            Cause::Aligned => largest * CLEAR < self.tolerance_px,
            _ => {
                let bumped = self.of_cause(Cause::Bump) > self.tolerance_px / CLEAR;
                let dominant = self.of_cause(self.dominant());
                let alone = second.max(self.tolerance_px) * CLEAR < dominant;
                alone && (!bumped || self.dominant() == Cause::Bump)
            }
        }
    }
}

fn frames(scenario: &Scenario) -> Result<Vec<FrameTruth>, Error> {
    let night = Simulation::new(scenario, &CatalogueStars)?.night_truth()?;
    Ok(night
        .alignments
        .into_iter()
        .flat_map(|one| one.frames)
        .collect())
}

/// The night with a perfect tracker.
pub fn without_all(full: &Scenario) -> Scenario {
    let mut one = full.clone();
    let alignment = &mut one.alignments[0];
    alignment.axis = AxisError {
        altitude_error_arcmin: 0.0,
        azimuth_error_arcmin: 0.0,
    };
    alignment.drive.rate = Rate::Sidereal;
    alignment.drive.rate_error_ppm = 0.0;
    alignment.drive.periodic.clear();
    alignment.drive.backlash_s = 0.0;
    alignment.drive.slip.clear();
    alignment.sag = None;
    alignment.shake = None;
    alignment.bumps.clear();
    one
}

fn worst_trail(still: &[FrameTruth], moving: &[FrameTruth]) -> f64 {
    let more = |(a, b): (&FrameTruth, &FrameTruth)| {
        let (a, b) = (a.trail_center.net_px, b.trail_center.net_px);
        (b[0] - a[0]).hypot(b[1] - a[1])
    };
    still.iter().zip(moving).map(more).fold(0.0, f64::max)
}

/// How far the sight moved, radians.
pub fn largest_step(still: &[FrameTruth], moved: &[FrameTruth]) -> f64 {
    let sight = |frame: &FrameTruth| frame.attitude.map(|row| row[2]);
    let off = |(a, b): (&FrameTruth, &FrameTruth)| {
        let (a, b) = (sight(a), sight(b));
        a.iter()
            .zip(b)
            .map(|(x, y)| (x - y).powi(2))
            .sum::<f64>()
            .sqrt()
    };
    still.iter().zip(moved).map(off).fold(0.0, f64::max)
}
