//! The scenario file: one made-up night, in TOML. Units stand in the keys; unknown keys are refused.

use std::path::Path;

use jiff::Timestamp;
use serde::Deserialize;
use serde::de::{Deserializer, Error as _};

use super::check;
use super::missing_keys::missing_keys;
use super::tracker::Alignment;
use crate::error::{Error, ErrorKind};

/// One made-up night: place, camera, lens, sky, and one or more alignments of the tracker.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Scenario {
    /// Number that every random choice follows from.
    pub seed: u64,
    /// Start of the night, UTC.
    #[serde(deserialize_with = "utc")]
    pub start_utc: Timestamp,
    /// Where the camera stands, and the air above it.
    pub site: SitePlace,
    /// The camera body.
    pub camera: CameraBody,
    /// The lens.
    pub lens: LensSpec,
    /// Brightness of the sky and what hides it.
    pub sky: Sky,
    /// Files and what they say about themselves.
    pub output: Output,
    /// Stretches of the night during which the axis stayed put, in order of time.
    #[serde(rename = "alignment")]
    pub alignments: Vec<Alignment>,
}

/// Where the camera stands, and the air above it.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SitePlace {
    /// Geodetic latitude, degrees, north positive.
    pub latitude_deg: f64,
    /// Longitude, degrees, east positive.
    pub longitude_deg: f64,
    /// Height above the ellipsoid, metres.
    #[serde(default)]
    pub height_m: f64,
    /// Air pressure at the camera, hectopascal; 0 switches refraction off.
    pub pressure_hpa: f64,
    /// Air temperature, degrees Celsius.
    pub temperature_c: f64,
    /// Relative humidity, 0 to 1.
    #[serde(default)]
    pub humidity: f64,
    /// UT1 minus UTC, seconds.
    #[serde(default)]
    pub ut1_minus_utc_s: f64,
}

/// The camera body. Makers are invented.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CameraBody {
    /// Invented maker.
    pub maker: String,
    /// Invented model.
    pub model: String,
    /// Pixels along the sensor's rows, before the orientation is applied.
    pub width_px: usize,
    /// Rows of the sensor, before the orientation is applied.
    pub height_px: usize,
    /// Side of a pixel, micrometres.
    pub pitch_um: f64,
    /// Colour filters over the pixels; without them the camera is monochrome.
    #[serde(default)]
    pub colour: bool,
    /// Read noise, electrons.
    pub read_noise_e: f64,
    /// Electrons that a pixel holds at ISO 100.
    pub full_well_e: f64,
    /// Sensitivity: full scale is reached at `full_well_e * 100 / iso` electrons.
    pub iso: f64,
    /// Bits of the converter.
    pub bits: u32,
    /// Pixels in a million that glow by themselves, always the same ones.
    #[serde(default)]
    pub hot_pixels_per_million: f64,
}

/// The lens.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LensSpec {
    /// Invented name.
    pub name: String,
    /// Focal length, millimetres.
    pub focal_mm: f64,
    /// Focal length over aperture.
    pub f_number: f64,
    /// Radial distortion: a place at `u = f tan(theta)` falls at `u (1 + k1 (u / f)^2)`.
    #[serde(default)]
    pub k1: f64,
    /// Full width at half maximum of a still star at the centre, pixels.
    pub fwhm_px: f64,
    /// Exponent of a Moffat profile; without it the profile is Gaussian.
    pub moffat_beta: Option<f64>,
    /// Share of the light lost in the corner.
    #[serde(default)]
    pub vignetting: f64,
    /// Length of the streak in the corner, growing with the square of the distance from the
    /// centre; positive points to the centre, negative runs around it.
    #[serde(default)]
    pub astigmatism_px: f64,
    /// Length of the outward flare in the corner, growing with the distance from the centre.
    #[serde(default)]
    pub coma_px: f64,
    /// Diameter of the blur disc at the right edge that a tilted sensor adds; at the left edge
    /// its negative is added.
    #[serde(default)]
    pub tilt_px: f64,
    /// Diameter of the blur disc of a lens out of focus.
    #[serde(default)]
    pub defocus_px: f64,
}

#[cfg(test)]
impl LensSpec {
    /// A lens without faults, for tests to spoil.
    pub(super) fn faultless() -> Self {
        LensSpec {
            name: "Test".into(),
            focal_mm: 100.0,
            f_number: 2.8,
            k1: 0.0,
            fwhm_px: 2.4,
            moffat_beta: None,
            vignetting: 0.0,
            astigmatism_px: 0.0,
            coma_px: 0.0,
            tilt_px: 0.0,
            defocus_px: 0.0,
        }
    }
}

/// Brightness of the sky and what hides it.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Sky {
    /// Surface brightness, magnitudes a square arcsecond.
    pub brightness_mag_arcsec2: f64,
    /// Relative rise of the sky from the centre to the corner.
    #[serde(default)]
    pub gradient: f64,
    /// Image angle towards which the sky is brighter, degrees from right towards down.
    #[serde(default)]
    pub gradient_towards_deg: f64,
    /// Share of the frame that a dark skyline hides at the first frame of each pointing.
    #[serde(default)]
    pub foreground: f64,
}

/// Files and what they say about themselves.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Output {
    /// Kind of picture file.
    pub format: Format,
    /// JPEG quality, 1 to 100.
    #[serde(default = "usual_quality")]
    pub quality: u8,
    /// EXIF orientation, 1 to 8: how the stored picture is to be turned for looking.
    #[serde(default = "upright")]
    pub orientation: u8,
    /// Facts that the files keep to themselves.
    #[serde(default)]
    pub omit: Vec<Omit>,
    /// What the camera's clock shows too much, seconds.
    #[serde(default)]
    pub clock_error_s: f64,
    /// Zone of the camera's clock, hours east of UTC.
    pub utc_offset_h: f64,
    /// First letters of the file names.
    pub prefix: String,
    /// Number of the first file.
    pub first_number: u32,
}

fn usual_quality() -> u8 {
    90
}

fn upright() -> u8 {
    1
}

/// Kind of picture file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
pub enum Format {
    /// JPEG, 8 bit, sRGB curve.
    #[serde(rename = "jpg")]
    Jpg,
    /// PNG, 8 bit, sRGB curve.
    #[serde(rename = "png8")]
    Png8,
    /// PNG, 16 bit, linear.
    #[serde(rename = "png16")]
    Png16,
    /// TIFF, 8 bit, sRGB curve.
    #[serde(rename = "tif8")]
    Tif8,
    /// TIFF, 16 bit, linear.
    #[serde(rename = "tif16")]
    Tif16,
    /// DNG: the converter's counts under their colour filters.
    #[serde(rename = "dng")]
    Dng,
    /// FITS: the same counts.
    #[serde(rename = "fits")]
    Fits,
}

impl Format {
    /// Whether files hold the converter's counts, not a developed picture.
    pub(super) fn keeps_counts(self) -> bool {
        matches!(self, Format::Dng | Format::Fits)
    }
}

/// A fact that the files keep to themselves.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Omit {
    /// Place of the camera.
    Gps,
    /// Zone of the clock.
    Offset,
    /// Time of the exposure.
    Time,
    /// Length of the exposure.
    Exposure,
    /// Focal length.
    Focal,
    /// 35 mm equivalent of the focal length.
    Equivalent,
    /// Pixels a centimetre of the sensor.
    FocalPlane,
    /// Name of the lens.
    Lens,
    /// Maker and model.
    Maker,
}

impl Scenario {
    /// Reads and checks a scenario file.
    ///
    /// # Errors
    /// `Io` where it cannot be read; `BadSetting` for TOML errors, unknown keys and values out of
    /// range, with file, key, value and range.
    pub fn read(path: &Path) -> Result<Self, Error> {
        let text = std::fs::read_to_string(path)
            .map_err(|e| Error::new(ErrorKind::Io, format!("cannot read the scenario: {e}")))
            .map_err(|e| e.about(path.display()))?;
        Self::parse(&text).map_err(|e| e.about(path.display()))
    }

    /// A checked scenario from its TOML text.
    ///
    /// # Errors
    /// `BadSetting`, with line or key, value and range.
    pub fn parse(text: &str) -> Result<Self, Error> {
        // Text that is no TOML is told below, with its line.
        let missing = text
            .parse()
            .map_or(Vec::new(), |table| missing_keys(&table));
        if !missing.is_empty() {
            return Err(Error::new(
                ErrorKind::BadSetting,
                format!("the scenario lacks {}", missing.join(", ")),
            )
            .with_hint("testdata/demo/night.toml has all of them"));
        }
        let scenario: Self = toml::from_str(text).map_err(|e| {
            let line = e.span().map(|s| text[..s.start].matches('\n').count() + 1);
            let place = line.map_or(String::new(), |n| format!("line {n}: "));
            Error::new(
                ErrorKind::BadSetting,
                format!("{place}{}", e.message().trim()),
            )
        })?;
        check::check(&scenario)?;
        Ok(scenario)
    }

    /// Width and height of a frame after its orientation is applied, pixels.
    pub fn frame_size(&self) -> (usize, usize) {
        match self.output.orientation {
            5..=8 => (self.camera.height_px, self.camera.width_px),
            _ => (self.camera.width_px, self.camera.height_px),
        }
    }
}

fn utc<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Timestamp, D::Error> {
    let text = String::deserialize(deserializer)?;
    text.parse().map_err(|_| {
        D::Error::custom(format!(
            "start_utc = \"{text}\" is no UTC time; write it like \"2026-10-10T19:30:00Z\""
        ))
    })
}
