//! Flags in, checked settings out; every refusal says what would be taken.

use std::num::NonZeroUsize;
use std::path::{Path, PathBuf};

use crate::error::{Error, ErrorKind};
use crate::frame::{Defaults, Overrides};
use crate::pipeline::{Aim, DiagnoseSettings, PointingHint};
use crate::report::html;
use crate::report::json::Target;

use super::args::DiagnoseArgs;
use super::direction::{ground, read_altitude, read_at, read_facing, read_roll};
use super::quantity::{
    read_exposure, read_focal_length, read_pixel_pitch, read_threads, read_tolerance,
    read_utc_offset,
};
use super::refuse::{nearest, printable};
use super::settings_file;
use super::site::read_site;

/// A whole run of `diagnose`, checked.
#[derive(Debug, Clone, PartialEq)]
pub struct DiagnoseRun {
    /// The night's folder; it exists.
    pub folder: PathBuf,
    /// What the pipeline is asked.
    pub settings: DiagnoseSettings,
    /// Where the JSON report goes.
    pub json: Option<Target>,
    /// Where the page goes.
    pub page: PageTarget,
    /// How much text.
    pub detail: Detail,
    /// Red on black only.
    pub red: bool,
    /// Threads to use; `None` takes one a core.
    pub threads: Option<NonZeroUsize>,
    /// Where settings came from, a sentence for the report.
    pub origin: Option<String>,
    /// What is said about the next run where this one is interrupted.
    pub on_rerun: &'static str,
}

/// Where the report's page goes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PageTarget {
    /// `--no-report`, or JSON in place of the text.
    Nowhere,
    /// Beside the night, if the folder can be written to.
    Beside(PathBuf),
    /// `--report FILE`.
    File(PathBuf),
}

/// How much text the terminal gets.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Detail {
    /// The answer alone.
    Brief,
    /// The whole report.
    Full,
}

impl DiagnoseArgs {
    /// Checks every flag and the folder.
    ///
    /// # Errors
    /// At the first flag whose value is not usable, and when the folder is none.
    pub fn checked(&self) -> Result<DiagnoseRun, Error> {
        let folder = existing_folder(&self.folder)?;
        let kept = settings_file::load(&folder)?;
        let tolerance = optional(&self.tolerance, read_tolerance)?;
        let settings = DiagnoseSettings {
            overrides: Overrides {
                defaults: kept.defaults(),
                ..self.overrides()?
            },
            hints: self.hints()?,
            tolerance: tolerance.or(kept.tolerance),
            kept: kept.facts(),
            cache: self.cache.open(),
        };
        let json = self.json.as_deref().map(Target::of);
        let folder = existing_folder(&self.folder)?;
        Ok(DiagnoseRun {
            on_rerun: self.cache.on_rerun(settings.cache.as_ref()),
            settings,
            page: self.page(&folder, json.as_ref()),
            threads: optional(&self.threads, read_threads)?,
            json,
            detail: if self.brief {
                Detail::Brief
            } else {
                Detail::Full
            },
            red: self.red,
            origin: kept.origin(&folder),
            folder,
        })
    }

    fn page(&self, folder: &Path, json: Option<&Target>) -> PageTarget {
        match &self.report {
            Some(file) => PageTarget::File(file.clone()),
            None if self.no_report || json == Some(&Target::StandardOutput) => PageTarget::Nowhere,
            None => PageTarget::Beside(folder.join(html::FILE_NAME)),
        }
    }

    fn overrides(&self) -> Result<Overrides, Error> {
        Ok(Overrides {
            exposure: optional(&self.exposure, read_exposure)?,
            ..place_and_lens(&self.site, &self.utc_offset, &self.focal, &self.pixel_pitch)?
        })
    }

    /// One hint a pointing, as many as the longest list of flags; shorter lists repeat their last.
    fn hints(&self) -> Result<Vec<PointingHint>, Error> {
        let facings = all(&self.facing, read_facing)?;
        let altitudes = all(&self.altitude, read_altitude)?;
        let places = all(&self.at, read_at)?;
        let rolls = all(&self.roll, read_roll)?;
        let n_hints = [facings.len(), altitudes.len(), places.len(), rolls.len()]
            .into_iter()
            .max()
            .unwrap_or(0);
        let hints = (0..n_hints).map(|nth| {
            let ground_aim = repeated(&facings, nth).zip(repeated(&altitudes, nth));
            let aim = match (ground_aim, repeated(&places, nth)) {
                (Some((facing, altitude)), _) => Aim::Ground(ground(facing, altitude)),
                (None, Some(place)) => Aim::Sky(place),
                (None, None) => Aim::Unsaid,
            };
            PointingHint {
                aim,
                roll: repeated(&rolls, nth),
            }
        });
        Ok(hints.collect())
    }
}

/// The facts of place, clock and lens that overrule the frames' tags.
///
/// # Errors
/// At the first flag whose value is not usable.
pub(super) fn place_and_lens(
    site: &Option<String>,
    utc_offset: &Option<String>,
    focal: &Option<String>,
    pixel_pitch: &Option<String>,
) -> Result<Overrides, Error> {
    Ok(Overrides {
        site: optional(site, read_site)?,
        utc_offset: optional(utc_offset, read_utc_offset)?,
        exposure: None,
        focal_length: optional(focal, read_focal_length)?,
        pixel_pitch: optional(pixel_pitch, read_pixel_pitch)?,
        defaults: Defaults::default(),
    })
}

/// The nth of a list, or its last.
fn repeated<T: Copy>(list: &[T], nth: usize) -> Option<T> {
    list.get(nth).or(list.last()).copied()
}

fn optional<T>(
    text: &Option<String>,
    read: impl Fn(&str) -> Result<T, Error>,
) -> Result<Option<T>, Error> {
    text.as_deref().map(read).transpose()
}

fn all<T>(texts: &[String], read: impl Fn(&str) -> Result<T, Error>) -> Result<Vec<T>, Error> {
    texts.iter().map(|text| read(text)).collect()
}

/// The folder, if it is one.
///
/// # Errors
/// When it is missing (with the name beside it that is nearest) or a file.
fn existing_folder(folder: &Path) -> Result<PathBuf, Error> {
    let name = printable(&folder.display().to_string());
    if folder.is_dir() {
        return Ok(folder.to_path_buf());
    }
    if folder.exists() {
        return Err(Error::new(
            ErrorKind::BadSetting,
            format!("{name} is a file; a night is a folder of frames"),
        )
        .with_hint("give the folder that the frame lies in"));
    }
    let hint = match similar_folder(folder) {
        Some(near) => format!("did you mean {}?", printable(&near.display().to_string())),
        None => "check the spelling; a relative path starts at the folder you are in".into(),
    };
    Err(Error::new(ErrorKind::Io, format!("there is no folder {name}")).with_hint(hint))
}

/// The folder of the nearest name in the same place.
fn similar_folder(folder: &Path) -> Option<PathBuf> {
    let wanted = folder.file_name()?.to_str()?;
    let place = match folder.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    let mut names: Vec<String> = std::fs::read_dir(place)
        .ok()?
        .flatten()
        .filter(|entry| entry.path().is_dir())
        .filter_map(|entry| entry.file_name().into_string().ok())
        .collect();
    names.sort_unstable();
    let near = nearest(wanted, names.iter().map(String::as_str))?;
    Some(folder.with_file_name(near))
}

#[cfg(test)]
mod tests {
    use super::super::cache::CacheArgs;
    use super::*;

    fn args() -> DiagnoseArgs {
        DiagnoseArgs {
            folder: PathBuf::from("."),
            cache: CacheArgs {
                no_cache: true,
                ..CacheArgs::default()
            },
            ..DiagnoseArgs::default()
        }
    }

    #[test]
    fn nothing_given_overrules_nothing() {
        let run = args().checked().unwrap();
        assert_eq!(run.settings, DiagnoseSettings::default());
        assert_eq!((run.json, run.detail, run.red), (None, Detail::Full, false));
    }

    #[test]
    fn shorter_lists_of_hints_repeat_their_last() {
        let run = DiagnoseArgs {
            facing: vec!["south".into(), "east".into()],
            altitude: vec!["40".into()],
            roll: vec!["0".into(), "90".into(), "-90".into()],
            ..args()
        }
        .checked()
        .unwrap();
        let hints = &run.settings.hints;
        assert_eq!(hints.len(), 3);
        let azimuth = |nth: usize| match hints[nth].aim {
            Aim::Ground(direction) => direction.az_alt().0.deg().round(),
            other => panic!("{other:?}"),
        };
        assert_eq!((azimuth(0), azimuth(1), azimuth(2)), (180.0, 90.0, 90.0));
        assert!((hints[2].roll.unwrap().deg() + 90.0).abs() < 1e-9);
        assert_eq!(run.settings.hint(7), hints.last());
    }

    #[test]
    fn a_roll_alone_says_no_direction() {
        let run = DiagnoseArgs {
            roll: vec!["90".into()],
            ..args()
        }
        .checked()
        .unwrap();
        assert_eq!(run.settings.hints[0].aim, Aim::Unsaid);
    }

    #[test]
    fn a_mistyped_folder_brings_the_nearest() {
        let place = tempfile::tempdir().unwrap();
        std::fs::create_dir(place.path().join("tonight")).unwrap();
        let error = existing_folder(&place.path().join("tonigth")).unwrap_err();
        assert_eq!(error.kind, ErrorKind::Io);
        assert!(error.hint.unwrap().contains("tonight?"));
    }

    #[test]
    fn a_file_is_no_night() {
        let place = tempfile::tempdir().unwrap();
        let file = place.path().join("frame.jpg");
        std::fs::write(&file, b"x").unwrap();
        let error = existing_folder(&file).unwrap_err();
        assert!(error.context.contains("is a file"), "{error}");
    }
}
