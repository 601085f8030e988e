//! The scenario file: one made-up night, in TOML. Units stand in the keys; unknown keys are refused.

use std::path::Path;

use jiff::Timestamp;
use serde::Deserialize;
use serde::de::{Deserializer, Error as _};

use super::check;
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

/// A stretch of the night during which the axis stayed put.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Alignment {
    /// Sub-folder; empty puts the frames into the night's own folder.
    #[serde(default)]
    pub name: String,
    /// Pause before it, seconds.
    #[serde(default)]
    pub before_s: f64,
    /// Where the axis points.
    pub axis: AxisError,
    /// How the drive turns.
    pub drive: Drive,
    /// Slow droop of the camera after it was aimed.
    pub sag: Option<Sag>,
    /// Wind and steps.
    pub shake: Option<Shake>,
    /// Knocks at the tripod.
    #[serde(default, rename = "bump")]
    pub bumps: Vec<Bump>,
    /// Clouds over some frames.
    #[serde(default, rename = "cloud")]
    pub clouds: Vec<Cloud>,
    /// Satellites through some frames.
    #[serde(default, rename = "streak")]
    pub streaks: Vec<Streak>,
    /// Where the camera looked, in order of time.
    #[serde(rename = "pointing")]
    pub pointings: Vec<Pointing>,
}

/// Axis minus the refracted pole.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AxisError {
    /// Altitude part, arcminutes, up positive.
    pub altitude_error_arcmin: f64,
    /// Azimuth part on the sky (times the cosine of the pole's altitude), arcminutes, east positive.
    pub azimuth_error_arcmin: f64,
}

/// How the drive turns.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Drive {
    /// Mean rate.
    #[serde(deserialize_with = "rate")]
    pub rate: Rate,
    /// Relative error of the mean rate, parts in a million.
    #[serde(default)]
    pub rate_error_ppm: f64,
    /// Periodic errors, added up.
    #[serde(default)]
    pub periodic: Vec<Periodic>,
    /// Seconds that the axis stands still from the start of the first exposure after the camera was aimed.
    #[serde(default)]
    pub backlash_s: f64,
    /// Sudden turns of the axis.
    #[serde(default)]
    pub slip: Vec<Slip>,
}

/// Mean rate of a drive.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Rate {
    /// With the stars.
    Sidereal,
    /// With the mean Sun.
    Solar,
    /// With the mean Moon.
    Lunar,
    /// Half of the stars' rate.
    Half,
    /// Standing still.
    Off,
    /// The wrong way round.
    Reverse,
    /// Any multiple of the stars' rate.
    Ratio(f64),
}

/// `amplitude sin(2 pi t / period + phase)`, t from the start of the alignment.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Periodic {
    /// Amplitude of the drive angle, arcseconds about the axis.
    pub amplitude_arcsec: f64,
    /// Period, seconds.
    pub period_s: f64,
    /// Phase at the start of the alignment, degrees.
    #[serde(default)]
    pub phase_deg: f64,
}

/// A sudden turn of the axis, forward positive.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Slip {
    /// Frame of the alignment, from 0.
    pub frame: usize,
    /// Seconds after the start of that frame's exposure; negative is before it.
    pub second: f64,
    /// Turn about the axis, arcseconds.
    pub arcsec: f64,
}

/// Slow droop of the camera after it was aimed: `amount (1 - exp(-t / time))` towards the ground.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Sag {
    /// Whole droop, arcseconds.
    pub arcsec: f64,
    /// Time in which it falls to 1/e, seconds.
    pub time_s: f64,
}

/// Swinging of the camera, along a line that differs from frame to frame.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Shake {
    /// Half of the swing, arcseconds.
    pub arcsec: f64,
    /// Swings a second.
    pub frequency_hz: f64,
    /// Time in which the swing dies to 1/e after the start of each exposure; without it, it lasts.
    pub decay_s: Option<f64>,
}

/// A knock that moves the tripod, and with it axis and camera.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Bump {
    /// Frame of the alignment, from 0.
    pub frame: usize,
    /// Seconds after the start of that frame's exposure; negative is before it.
    pub second: f64,
    /// Change of the axis's altitude, arcminutes, up positive.
    pub altitude_arcmin: f64,
    /// Change of the axis's azimuth on the sky, arcminutes, east positive.
    pub azimuth_arcmin: f64,
}

/// Clouds over some frames.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Cloud {
    /// Frames of the alignment, from 0.
    pub frames: Vec<usize>,
    /// Share of the starlight that gets through.
    pub transparency: f64,
    /// Brightness of the sky over that of the clear sky.
    pub sky_factor: f64,
}

/// A satellite's line through a frame.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Streak {
    /// Frame of the alignment, from 0.
    pub frame: usize,
    /// Height of its crest over the noise of the sky.
    pub peak_over_noise: f64,
}

/// Where the camera looked, and the frames it took there.
///
/// The direction is that of the middle of the frame at the moment of aiming, as the horizon and
/// the true pole have it, refraction included.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Pointing {
    /// Compass point (`south`, `south-east`, ...); goes with `altitude_deg`.
    pub facing: Option<String>,
    /// Azimuth instead of a compass point, degrees from north through east; goes with `altitude_deg`.
    pub azimuth_deg: Option<f64>,
    /// Altitude above the horizon, degrees.
    pub altitude_deg: Option<f64>,
    /// Hour angle, hours, west positive; goes with `declination_deg`.
    pub hour_angle_h: Option<f64>,
    /// Declination, degrees.
    pub declination_deg: Option<f64>,
    /// The camera stays as the pointing before left it; no direction is given then.
    #[serde(default)]
    pub same_camera: bool,
    /// Turn of the camera from level, degrees, clockwise seen from behind.
    pub roll_deg: Option<f64>,
    /// Position angle of the picture's up side, degrees north through east, instead of a roll.
    pub up_position_angle_deg: Option<f64>,
    /// Number of frames.
    pub frames: usize,
    /// Length of an exposure, seconds.
    pub exposure_s: f64,
    /// Pause between exposures, seconds.
    pub gap_s: f64,
    /// Seconds spent before the camera is aimed.
    #[serde(default)]
    pub before_s: f64,
    /// Seconds between aiming and the first exposure.
    #[serde(default)]
    pub settle_s: f64,
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

impl Rate {
    /// Turn of the axis in units of the stars' rate.
    pub fn ratio(self) -> f64 {
        match self {
            Rate::Sidereal => 1.0,
            // Mean solar over mean sidereal rate (IAU 1982: 1.002737909350795 sidereal days a day).
            Rate::Solar => 1.0 / 1.002_737_909_350_795,
            // The Moon moves 360 degrees against the stars in 27.321661 days (mean sidereal month).
            Rate::Lunar => 1.0 - 1.0 / (27.321_661 * 1.002_737_909_350_795),
            Rate::Half => 0.5,
            Rate::Off => 0.0,
            Rate::Reverse => -1.0,
            Rate::Ratio(ratio) => ratio,
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

fn rate<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Rate, D::Error> {
    let value = toml::Value::deserialize(deserializer)?;
    let named = match value.as_str() {
        Some("sidereal") => Some(Rate::Sidereal),
        Some("solar") => Some(Rate::Solar),
        Some("lunar") => Some(Rate::Lunar),
        Some("half") => Some(Rate::Half),
        Some("off") => Some(Rate::Off),
        Some("reverse") => Some(Rate::Reverse),
        Some(_) => None,
        None => value
            .as_float()
            .or_else(|| value.as_integer().map(|i| i as f64))
            .map(Rate::Ratio),
    };
    named.ok_or_else(|| {
        D::Error::custom(format!(
            "rate = {value} is not known; allowed are \"sidereal\", \"solar\", \"lunar\", \"half\", \"off\", \"reverse\" or a number"
        ))
    })
}
