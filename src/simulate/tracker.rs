//! The scenario of one alignment: axis, drive, disturbances, and where the camera looked.

use serde::Deserialize;
use serde::de::{Deserializer, Error as _};

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
