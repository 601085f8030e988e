//! One function per workflow: the stages called in their order. No numerics.

use std::path::Path;

use crate::error::{Error, ErrorKind, Warned};
use crate::frame::Overrides;
use crate::report::NightReport;
use crate::sky::{Direction, Horizon, Icrs};
use crate::units::{Angle, Pixels};

/// What the user asked of `diagnose`, checked.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct DiagnoseSettings {
    /// Facts that overrule the files.
    pub overrides: Overrides,
    /// Where the camera looked, one a pointing in the order of the night; see [`Self::hint`].
    pub hints: Vec<PointingHint>,
    /// Trail that is still called good; `None` takes two thirds of the measured FWHM.
    pub tolerance: Option<Pixels>,
}

impl DiagnoseSettings {
    /// The hint for a pointing, counted over the whole night from 0; the last one given repeats.
    pub fn hint(&self, pointing_idx: usize) -> Option<&PointingHint> {
        self.hints.get(pointing_idx).or(self.hints.last())
    }
}

/// What the user says about where the camera looked.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PointingHint {
    /// Direction of the frame's centre.
    pub aim: Aim,
    /// `--roll`: how far the camera was turned clockwise, seen from behind it, from level.
    /// At 0 the zenith is up in the picture; at 90 a camera stands upright, its right side down.
    pub roll: Option<Angle>,
}

/// Direction of a frame's centre as a person gives it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Aim {
    /// `--facing` and `--altitude`.
    Ground(Direction<Horizon>),
    /// `--at`.
    Sky(Direction<Icrs>),
    /// `--roll` alone: the direction is not said.
    Unsaid,
}

/// Told how far the work is; the terminal shows a bar, a pipe nothing.
pub trait Progress: Sync {
    /// A stretch of work begins that has so many steps.
    fn begin(&self, what: &str, n_steps: usize);
    /// One step is done; may be called from any thread.
    fn step(&self);
    /// The stretch is over.
    fn end(&self);
}

/// Progress that nobody watches.
#[derive(Debug, Clone, Copy, Default)]
pub struct Unwatched;

impl Progress for Unwatched {
    fn begin(&self, _what: &str, _n_steps: usize) {}
    fn step(&self) {}
    fn end(&self) {}
}

/// Reads a night's folder and says what trailed, why, how far and which way to move the axis.
///
/// # Errors
/// When no frame of the night can be used, or a setting contradicts the frames.
pub fn diagnose(
    root: &Path,
    _settings: &DiagnoseSettings,
    _progress: &dyn Progress,
) -> Result<Warned<NightReport>, Error> {
    Err(Error::new(
        ErrorKind::NotEnoughData,
        format!("{}: no frame could be used", root.display()),
    ))
}
