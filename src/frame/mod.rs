//! Files in, linear light and the facts of the exposure out.
//!
//! A night is a folder; each sub-folder is an alignment. A frame is one picture file, decoded to
//! one plane of linear light with the EXIF orientation applied, and a header. Frames are read one
//! by one, when they are needed: memory does not grow with the length of the night.
//!
//! `walk_night` lists the files; `read_frame` reads one: `format` tells what it is, `jpeg`, `png`,
//! `tiff`, `fits` or `raw` decode it, `decoded` undoes the tone curve and turns it upright, `header`
//! settles the facts. What a header lacks is listed by `missing`; doubts come as warnings.

mod clock;
mod corrections;
mod decoded;
#[cfg_attr(not(feature = "raw"), allow(dead_code))]
mod directories;
#[cfg(feature = "raw")]
mod even_light;
mod exif_facts;
mod facts;
mod fits;
mod fits_facts;
mod fits_header;
mod fits_mosaic;
mod format;
mod guard;
mod header;
mod jpeg;
mod levels;
mod limits;
mod missing;
mod mosaic;
mod natural;
mod offered;
mod optics;
mod orientation;
mod png;
#[cfg(feature = "raw")]
mod raw;
#[cfg(feature = "raw")]
mod raw_boxes;
#[cfg(feature = "raw")]
mod raw_claims;
#[cfg(feature = "raw")]
mod raw_facts;
#[cfg(feature = "raw")]
mod raw_kinds;
#[cfg(feature = "raw")]
mod raw_sizes;
#[cfg(feature = "raw")]
mod raw_tables;
mod read;
mod samples;
mod sensor;
mod sequence;
mod tiff;
mod tone;

use std::path::PathBuf;

use jiff::Timestamp;
use jiff::civil::DateTime;

use format::Format;

pub(crate) use corrections::slashed;
pub use corrections::{CORRECTIONS_FILE, Corrections};
pub use missing::{MissingFact, missing};
pub use offered::{TELLING_BYTES, check_offered, endings};
pub use read::{PictureFile, PixelFacts, read_frame, read_header};
pub use sequence::{walk_files, walk_night};

use crate::error::Warning;
use crate::units::{Length, PixelPoint, Seconds, Site};

/// One plane of linear light, row by row from the top, orientation applied.
///
/// Values are proportional to the light received, scaled so that full scale of the file is 1.0;
/// never NaN or infinite.
#[derive(Debug, Clone, PartialEq)]
pub struct Plane {
    width: usize,
    height: usize,
    data: Vec<f32>,
}

impl Plane {
    /// A plane from its rows; `None` unless `data` holds `width * height` values and neither is zero.
    pub fn new(width: usize, height: usize, data: Vec<f32>) -> Option<Self> {
        let sized = width > 0 && height > 0 && width.checked_mul(height) == Some(data.len());
        sized.then_some(Self {
            width,
            height,
            data,
        })
    }
    /// Pixels in a row.
    pub fn width(&self) -> usize {
        self.width
    }
    /// Number of rows.
    pub fn height(&self) -> usize {
        self.height
    }
    /// All values, row by row from the top.
    pub fn data(&self) -> &[f32] {
        &self.data
    }
    /// One row, counted from the top.
    pub fn row(&self, y: usize) -> &[f32] {
        &self.data[y * self.width..(y + 1) * self.width]
    }
    /// Centre of the frame.
    pub fn center(&self) -> PixelPoint {
        PixelPoint::new(
            (self.width as f64 - 1.0) / 2.0,
            (self.height as f64 - 1.0) / 2.0,
        )
    }
}

/// Where the pixel pitch comes from, which says how far to trust it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PitchSource {
    /// `--pixel-pitch` or the settings.
    Option,
    /// Focal-plane tags that agree with the size of the picture.
    FocalPlaneTags,
    /// Sensor width worked out from the 35 mm equivalent focal length, or from tags that belong to
    /// a larger picture, spread over this picture's pixels: good to a few per cent.
    SensorSize,
}

/// How the pixels relate to the lens: what the file or the user says.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Optics {
    /// Focal length of the lens.
    pub focal_length: Option<Length>,
    /// Focal length that gives the same view on a 36 x 24 mm sensor (35 mm equivalent).
    pub equivalent_focal_length: Option<Length>,
    /// Side of one pixel of this picture, and who says so.
    pub pixel_pitch: Option<(Length, PitchSource)>,
}

/// The facts of an exposure that came with the file or by option.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Header {
    /// Start of the exposure, UTC.
    pub start: Option<Timestamp>,
    /// Start of the exposure by the camera's own clock, whatever its zone: enough for the time
    /// between frames where `start` is absent for want of the zone.
    pub local_start: Option<DateTime>,
    /// Length of the exposure.
    pub exposure: Option<Seconds>,
    /// Lens and pixels.
    pub optics: Optics,
    /// Where the camera stood, if the file says.
    pub site: Option<Site>,
    /// Maker and model of the camera.
    pub camera: Option<String>,
    /// Name of the lens.
    pub lens: Option<String>,
    /// Light at or above this value is saturated, on the scale of [`Plane`]: 250 of 255 for 8-bit
    /// pictures, 98 % of the white level for counts.
    pub saturation: f32,
    /// Put together of several exposures, as its tags say.
    pub composed: bool,
    /// True where the file is a camera's or program's rendering (tone curve, 8 bit) rather than raw counts.
    pub developed: bool,
}

impl Header {
    /// The same exposure so much later by its clock.
    #[must_use]
    pub fn later(self, by: Seconds) -> Self {
        let Ok(by) = jiff::SignedDuration::try_from_secs_f64(by.s()) else {
            return self;
        };
        Self {
            start: self.start.and_then(|start| start.checked_add(by).ok()),
            local_start: self
                .local_start
                .and_then(|start| start.checked_add(by).ok()),
            ..self
        }
    }
}

/// A header with width and height of its upright picture.
pub type SizedHeader = (Header, (usize, usize));

/// One picture: its pixels and the facts of its exposure.
#[derive(Debug, Clone, PartialEq)]
pub struct Frame {
    /// Linear light.
    pub plane: Plane,
    /// Facts of the exposure.
    pub header: Header,
}

/// The instant whose time a camera writes into a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Stamp {
    /// The start of the exposure: common practice, no source.
    #[default]
    Start,
    /// Its end.
    End,
}

/// Facts given by option, which overrule the files, and those that fill in.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Overrides {
    /// `--site LAT,LON`.
    pub site: Option<Site>,
    /// `--utc-offset +HH:MM`: the camera clock's zone, seconds east of UTC.
    pub utc_offset: Option<Seconds>,
    /// `--exposure`.
    pub exposure: Option<Seconds>,
    /// `--focal`.
    pub focal_length: Option<Length>,
    /// `--pixel-pitch`.
    pub pixel_pitch: Option<Length>,
    /// What fills in where neither option nor file says anything.
    pub defaults: Defaults,
}

/// Facts from the settings, for what the files do not say.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Defaults {
    /// Where the tracker stands; the headers leave it out, the night takes it.
    pub site: Option<Site>,
    /// What the camera's clock is ahead of UTC, seconds.
    pub utc_offset: Option<Seconds>,
    /// Which end of the exposure the camera's clock stamps, if the user says so.
    pub stamped: Option<Stamp>,
    /// Focal length of the only lens.
    pub focal_length: Option<Length>,
    /// Cameras with their pixels.
    pub cameras: Vec<CameraPitch>,
}

/// A camera's pixels by the camera's name.
#[derive(Debug, Clone, PartialEq)]
pub struct CameraPitch {
    /// Its model, or a part of that; `None` stands for any camera.
    pub name: Option<String>,
    /// Side of one pixel.
    pub pixel_pitch: Length,
}

/// Frames taken while the axis stayed put, as the folders say: one sub-folder, or the night's own folder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AlignmentFiles {
    /// Name of the sub-folder, or of the night's folder.
    pub name: String,
    /// Picture files in natural order, relative to the night's folder.
    pub files: Vec<PathBuf>,
}

/// The files of a night.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NightFiles {
    /// The night's folder.
    pub root: PathBuf,
    /// Alignments in natural order of their folders.
    pub alignments: Vec<AlignmentFiles>,
    /// Files that are not used, relative to the night's folder: no pictures, or the JPEG beside its RAW file.
    pub ignored: Vec<PathBuf>,
    /// What could not be looked into, and why.
    pub warnings: Vec<Warning>,
}
