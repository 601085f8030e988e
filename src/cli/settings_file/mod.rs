//! The settings file, `stillpoint.toml`: what a photographer does not want to type every night.
//!
//! One in the night's folder, one in the user's configuration folder; the night's wins key by key.
//! `place` tells where they are, `reader` reads TOML with line numbers, `schema` knows the keys,
//! `example` writes a commented one.

mod example;
mod place;
mod reader;
mod schema;

use std::path::{Path, PathBuf};

use crate::advice::BaseScrews;
use crate::error::{Error, ErrorKind};
use crate::frame::{CameraPitch, Defaults, Stamp};
use crate::pipeline::KeptFacts;
use crate::report::limits::LensInBag;
use crate::sky::{Direction, Icrs};
use crate::units::{Length, Pixels, Seconds, Site};

use super::refuse::printable;

pub use example::EXAMPLE;
pub use place::{FILE_NAME, in_folder, of_user};

/// Settings as kept in files, checked.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct KeptSettings {
    /// Files that they come from; the night's first.
    pub files: Vec<PathBuf>,
    /// Where the tracker stands.
    pub site: Option<Site>,
    /// What the camera's clock is ahead of UTC, seconds.
    pub utc_offset: Option<Seconds>,
    /// Which end of an exposure the camera stamps.
    pub stamped: Option<Stamp>,
    /// Cameras by name.
    pub cameras: Vec<KeptCamera>,
    /// Lenses of the bag.
    pub lenses: Vec<LensInBag>,
    /// The base's screws.
    pub base: BaseScrews,
    /// Trail that is accepted.
    pub tolerance: Option<Pixels>,
    /// Exposure that is wanted.
    pub exposure: Option<Seconds>,
    /// What is photographed.
    pub target: Option<Target>,
}

/// A camera and its pixels.
#[derive(Debug, Clone, PartialEq)]
pub struct KeptCamera {
    /// As its frames' tags call it, or a part of that.
    pub name: Option<String>,
    /// Side of one pixel.
    pub pixel_pitch: Length,
}

/// What is photographed.
#[derive(Debug, Clone, PartialEq)]
pub struct Target {
    /// Its name.
    pub name: Option<String>,
    /// Where it is.
    pub direction: Direction<Icrs>,
}

/// The settings for a night's folder, or for the folder one is in.
///
/// # Errors
/// A file that is there and cannot be read, or holds what is no setting: file, line, what is allowed.
pub fn load(night: &Path) -> Result<KeptSettings, Error> {
    let night = read_if_there(&in_folder(night))?;
    let user = match of_user() {
        Some(path) => read_if_there(&path)?,
        None => KeptSettings::default(),
    };
    Ok(night.over(user))
}

fn read_if_there(path: &Path) -> Result<KeptSettings, Error> {
    let name = printable(&path.display().to_string());
    let bytes = match std::fs::read(path) {
        Ok(bytes) => bytes,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
            return Ok(KeptSettings::default());
        }
        // A folder above it that is none is no settings file either.
        Err(error) if error.kind() == std::io::ErrorKind::NotADirectory => {
            return Ok(KeptSettings::default());
        }
        Err(error) => {
            return Err(Error::new(ErrorKind::Io, format!("{name}: {error}"))
                .with_hint("make it readable, or move it away"));
        }
    };
    let text = String::from_utf8(bytes).map_err(|_| {
        Error::new(ErrorKind::BadSetting, format!("{name}: no UTF-8 text"))
            .with_hint("stillpoint settings prints an example")
    })?;
    let mut settings = schema::read(&name, &text)?;
    settings.files.push(path.to_path_buf());
    Ok(settings)
}

impl KeptSettings {
    /// These settings, with those of another file where they say nothing.
    fn over(self, other: Self) -> Self {
        let longer = |mine: Vec<_>, theirs: Vec<_>| if mine.is_empty() { theirs } else { mine };
        Self {
            files: self.files.into_iter().chain(other.files).collect(),
            site: self.site.or(other.site),
            utc_offset: self.utc_offset.or(other.utc_offset),
            stamped: self.stamped.or(other.stamped),
            cameras: if self.cameras.is_empty() {
                other.cameras
            } else {
                self.cameras
            },
            lenses: longer(self.lenses, other.lenses),
            base: BaseScrews {
                altitude: self.base.altitude.or(other.base.altitude),
                azimuth: self.base.azimuth.or(other.base.azimuth),
            },
            tolerance: self.tolerance.or(other.tolerance),
            exposure: self.exposure.or(other.exposure),
            target: self.target.or(other.target),
        }
    }

    /// Where they come from, as the report on a night tells it; `None` without a file.
    pub fn origin(&self, night: &Path) -> Option<String> {
        let name = |file: &PathBuf| match *file == in_folder(night) {
            true => "the night's folder",
            false => "your configuration folder",
        };
        let names: Vec<&str> = self.files.iter().map(name).collect();
        (!names.is_empty()).then(|| {
            format!(
                "settings of {}: site, clock's zone, camera and lens where the frames say nothing",
                names.join(" and ")
            )
        })
    }

    /// What fills in where frames say nothing.
    pub fn defaults(&self) -> Defaults {
        let lens = match self.lenses.as_slice() {
            [only] => Some(only.focal),
            _ => None,
        };
        let camera = |camera: &KeptCamera| CameraPitch {
            name: camera.name.clone(),
            pixel_pitch: camera.pixel_pitch,
        };
        Defaults {
            site: self.site,
            utc_offset: self.utc_offset,
            stamped: self.stamped,
            focal_length: lens,
            cameras: self.cameras.iter().map(camera).collect(),
        }
    }

    /// What an alignment's words make use of.
    pub fn facts(&self) -> KeptFacts {
        KeptFacts {
            base: self.base,
            bag: self.lenses.iter().map(|lens| lens.focal).collect(),
            wanted: self.exposure,
            target: self.target.as_ref().map(|target| target.direction),
        }
    }

    /// The first camera's pixels.
    pub fn pixel_pitch(&self) -> Option<Length> {
        self.cameras.first().map(|camera| camera.pixel_pitch)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Angle;

    #[test]
    fn the_night_wins_key_by_key() {
        let user = schema::read(
            "user",
            "exposure_s = 60\ntolerance_px = 2\n[site]\nlatitude_deg = 51.5\nlongitude_deg = 0\n[base]\naltitude_arcmin_per_turn = 60\nazimuth_arcmin_per_turn = 90\n[[lens]]\nfocal_length_mm = 50\n",
        );
        let night = schema::read(
            "night",
            "exposure_s = 90\n[base]\naltitude_arcmin_per_turn = 30\n",
        );
        let both = night.unwrap().over(user.unwrap());
        assert_eq!(both.exposure, Some(Seconds::new(90.0)));
        assert_eq!(both.tolerance, Some(Pixels::new(2.0)));
        assert_eq!(both.lenses.len(), 1);
        let per_turn = |screw: Option<crate::advice::Screw>| screw.unwrap().per_turn.arcmin();
        assert!((per_turn(both.base.altitude) - 30.0).abs() < 1e-9);
        assert!((per_turn(both.base.azimuth) - 90.0).abs() < 1e-9);
        assert_eq!(both.site.unwrap().latitude(), Angle::from_deg(51.5));
    }

    #[test]
    fn the_report_tells_where_settings_come_from() {
        let night = Path::new("tonight");
        let mut kept = KeptSettings::default();
        assert_eq!(kept.origin(night), None);
        kept.files = vec![in_folder(night), PathBuf::from("elsewhere/stillpoint.toml")];
        let words = kept.origin(night).unwrap();
        assert!(words.starts_with("settings of the night's folder and your configuration folder:"));
    }

    #[test]
    fn a_folder_without_a_file_has_no_settings() {
        let folder = tempfile::tempdir().unwrap();
        let none = read_if_there(&in_folder(folder.path())).unwrap();
        assert_eq!(none, KeptSettings::default());
        let file = folder.path().join("frame.jpg");
        std::fs::write(&file, "x").unwrap();
        assert_eq!(
            read_if_there(&in_folder(&file)).unwrap(),
            KeptSettings::default()
        );
    }

    #[test]
    fn a_file_that_is_no_text_is_refused_by_name() {
        let folder = tempfile::tempdir().unwrap();
        let path = in_folder(folder.path());
        std::fs::write(&path, [0xff, 0xfe, 0x00]).unwrap();
        let error = read_if_there(&path).unwrap_err();
        assert!(
            error.context.contains("stillpoint.toml: no UTF-8"),
            "{error}"
        );
    }
}
