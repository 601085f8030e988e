//! A made-up night in, frames and the truth about them out: for the demo and for recovery tests.
//!
//! `scenario -> schedule -> rig (drive) -> exposure paths -> paint -> sensor -> files, truth`.
//! Nothing here is shared with `sky` or `mount`: places by IAU SOFA (crate `sofars`), attitudes by
//! plain rotations, so that agreement between the two is evidence. Frames of reference: horizon
//! (x east, y north, z up) and camera (x right, y down, z into the scene).

use std::path::Path;

mod blur;
mod check;
mod check_alignment;
mod counts;
mod depth;
mod dice;
mod drive;
mod field;
mod files;
mod header;
mod missing_keys;
mod night;
mod observer;
mod optics;
mod paint;
mod path;
mod psf;
mod ranges;
mod rig;
mod scenario;
mod schedule;
mod sensor;
mod shapes;
mod skyline;
mod star_lists;
mod tags;
mod tracker;
mod truth;

pub use field::{CatalogueStars, NoRealStars, SkyStar, StarSource};
pub use night::Simulation;
pub use scenario::{CameraBody, Format, LensSpec, Omit, Output, Scenario, SitePlace, Sky};
pub use sensor::Picture;
pub use tracker::{
    Alignment, AxisError, Bump, Cloud, Drive, Periodic, Pointing, Rate, Sag, Shake, Slip, Streak,
};
pub use truth::{AlignmentTruth, AxisTruth, FrameTruth, NightTruth, TrailTruth};

use crate::error::Error;
use crate::frame::{Frame, Header, Plane};
use crate::stars::StarField;
use crate::whole;
use schedule::Shot;

/// One frame of a simulated night, as the camera would give it and as it really was.
#[derive(Debug, Clone, PartialEq)]
pub struct RenderedFrame {
    /// Alignment of the scenario, from 0.
    pub alignment: usize,
    /// What the file would say about itself.
    pub header: Header,
    /// Linear light, orientation applied.
    pub picture: Picture,
    /// What really happened.
    pub truth: FrameTruth,
    shot: Shot,
}

impl RenderedFrame {
    /// The frame as if it had been read from a file of linear light.
    pub fn to_frame(&self) -> Option<Frame> {
        let (width, height) = (self.picture.width, self.picture.height);
        let plane = Plane::new(width, height, self.picture.luminance())?;
        let header = Header {
            developed: false,
            ..self.header.clone()
        };
        Some(Frame { plane, header })
    }
}

/// One frame of a simulated night without pixels: its stars, with noise, and how it really was.
#[derive(Debug, Clone, PartialEq)]
pub struct SimulatedField {
    /// Alignment of the scenario, from 0.
    pub alignment: usize,
    /// What the file would say about itself.
    pub header: Header,
    /// Stars as a finder would report them, brightest first.
    pub field: StarField,
    /// Which star of the sky each star of `field` is.
    pub places: Vec<SkyStar>,
    /// What really happened; its `file` names the frame.
    pub truth: FrameTruth,
}

/// Draws all frames of a scenario in memory, with the embedded catalogue's stars.
///
/// # Errors
/// `BadSetting` where the sky cannot be worked out for the date.
pub fn render(scenario: &Scenario) -> Result<Vec<RenderedFrame>, Error> {
    Simulation::new(scenario, &CatalogueStars)?
        .frames()
        .collect()
}

/// How the star finder of a list works: its normal errors, and how deep it looks.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Listing {
    /// 1-sigma of each coordinate of a star, pixels; stated beside the star.
    pub star_px: f64,
    /// 1-sigma, pixels, of what all stars of a frame share: a shift in each coordinate, and a turn
    /// about the middle of the frame that moves a place at half its height by as much.
    pub frame_px: f64,
    /// Most unsaturated stars that a list holds, the brightest; `None` lists all stars that stand
    /// out of the noise.
    pub most_stars: Option<usize>,
    /// 1-sigma of how far each star stands beside its catalogue place, arcseconds in each direction;
    /// the same in all frames.
    pub place_arcsec: f64,
    /// 1-sigma of what lens and sensor add to each part of every star's elongation, as a share of
    /// its second moment; the same in all frames.
    pub unevenness: f64,
}

/// Errors of the stars alone, pixels.
impl From<f64> for Listing {
    fn from(star_px: f64) -> Self {
        Self {
            star_px,
            frame_px: 0.0,
            most_stars: None,
            place_arcsec: 0.0,
            unevenness: 0.0,
        }
    }
}

/// Star lists of all frames of a scenario with normal noise, without drawing anything: for studies
/// of many nights. A number alone is the noise of each star's coordinates, pixels.
///
/// # Errors
/// `BadSetting` where the sky cannot be worked out for the date.
pub fn star_lists(
    scenario: &Scenario,
    listing: impl Into<Listing>,
) -> Result<Vec<SimulatedField>, Error> {
    Simulation::new(scenario, &CatalogueStars)?.star_lists(listing)
}

/// Draws a scenario into a folder and writes the truth beside it (`FOLDER.truth.json`).
///
/// `progress` hears how many frames are done, and of how many.
///
/// # Errors
/// `BadSetting` where the sky cannot be worked out for the date; `Io` where a file cannot be
/// written, with its path.
pub fn write_night(
    scenario: &Scenario,
    folder: &Path,
    progress: &dyn Fn(usize, usize),
) -> Result<NightTruth, Error> {
    let simulation = Simulation::new(scenario, &CatalogueStars)?;
    let mut truth = simulation.alignments_truth()?;
    let count = simulation.frame_count();
    for alignment in &scenario.alignments {
        whole::clear_leftovers(&folder.join(&alignment.name));
    }
    progress(0, count);
    for (done, frame) in simulation.frames().enumerate() {
        let frame = frame?;
        let bytes = files::encode(scenario, &frame.shot, &frame.picture)?;
        files::save(&folder.join(&frame.truth.file), &bytes)?;
        truth.alignments[frame.alignment].frames.push(frame.truth);
        progress(done + 1, count);
    }
    files::save_truth(folder, &truth)?;
    Ok(truth)
}
