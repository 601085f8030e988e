//! `measure`: single frames in, their stars and where they looked out.

use std::path::PathBuf;

use crate::error::{Error, ErrorKind, Warned};
use crate::frame::Overrides;
use crate::pipeline::{self, MeasureSettings};
use crate::report::measure::MeasureReport;

use super::Outcome;
use super::args::MeasureArgs;
use super::cache;
use super::picture::PictureFile;
use super::quantity::{read_exposure, read_threads};
use super::refuse::Wanted;
use super::settings::place_and_lens;
use super::settings_file;
use super::terminal::{self, Bar};
use super::threads::in_threads;

const PICTURE: Wanted = Wanted {
    flag: "--picture",
    allowed: "a new file",
    example: "stillpoint measure IMG_0001.jpg --picture trails.png",
};

/// Runs `measure` from flags to exit code.
///
/// # Errors
/// When a flag is not usable, no file is, or the output cannot be written.
pub fn run(args: &MeasureArgs) -> Result<Outcome, Error> {
    let threads = args.threads.as_deref().map(read_threads).transpose()?;
    let pictures = pictures(args)?;
    let files = existing(&args.files)?;
    let exposure = args.exposure.as_deref().map(read_exposure).transpose()?;
    let cache = args.cache.open();
    let settings = MeasureSettings {
        overrides: Overrides {
            exposure,
            defaults: settings_file::load(&place_of(&files))?.defaults(),
            ..place_and_lens(&args.site, &args.utc_offset, &args.focal, &args.pixel_pitch)?
        },
        photographs: !pictures.is_empty(),
        cache: cache.clone(),
    };
    let bar = Bar::new(args.red, args.cache.on_rerun(cache.as_ref()));
    let report = in_threads(threads, || pipeline::measure(&files, &settings, &bar))?;
    cache::finish(cache.as_ref());
    let drawn = draw(&pictures, &report.value);
    terminal::print(&words(args, &report))?;
    drawn?;
    Ok(if report.value.is_answered() {
        Outcome::Answered
    } else {
        Outcome::CannotTell
    })
}

/// Writes the pictures as far as it goes.
///
/// # Errors
/// The first that could not be written.
fn draw(pictures: &[PictureFile], report: &MeasureReport) -> Result<(), Error> {
    let frames = pictures.iter().zip(&report.frames);
    frames
        .filter_map(|(picture, frame)| Some((picture, frame.to_drawing()?)))
        .map(|(picture, drawing)| picture.write(&drawing))
        .fold(Ok(()), Result::and)
}

fn words(args: &MeasureArgs, report: &Warned<MeasureReport>) -> String {
    match (args.json, args.csv) {
        (true, _) => MeasureReport::to_json(report),
        (_, true) => report.value.to_csv(),
        _ if args.brief => MeasureReport::to_brief(report, &terminal::look(args.red)),
        _ => MeasureReport::to_text(report, &terminal::look(args.red)),
    }
}

/// A file for the picture of each frame, none of which may be a frame itself; none at all where
/// no picture is wanted.
fn pictures(args: &MeasureArgs) -> Result<Vec<PictureFile>, Error> {
    let Some(path) = args.picture.as_deref() else {
        return Ok(Vec::new());
    };
    let first = PictureFile::checked(path)?;
    let count = args.files.len();
    let pictures: Vec<PictureFile> = (0..count).map(|nth| first.numbered(nth, count)).collect();
    for picture in &pictures {
        let same = |file: &PathBuf| match (file.canonicalize(), picture.path().canonicalize()) {
            (Ok(frame), Ok(drawn)) => frame == drawn,
            _ => false,
        };
        if args.files.iter().any(same) {
            let name = picture.path().display().to_string();
            return Err(PICTURE.refuse(&name, "it is a frame itself"));
        }
    }
    Ok(pictures)
}

/// The folder of the first file, whose settings hold.
fn place_of(files: &[PathBuf]) -> PathBuf {
    let first = files.first().and_then(|file| file.parent());
    first.map_or(PathBuf::from("."), PathBuf::from)
}

/// Folders are for `diagnose`.
fn existing(files: &[PathBuf]) -> Result<Vec<PathBuf>, Error> {
    match files.iter().find(|file| file.is_dir()) {
        Some(folder) => Err(Error::new(
            ErrorKind::BadSetting,
            format!("{} is a folder; measure takes files", folder.display()),
        )
        .with_hint(format!(
            "for a whole night: stillpoint diagnose {}",
            folder.display()
        ))),
        None => Ok(files.to_vec()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_picture_never_falls_on_a_frame() {
        let place = tempfile::tempdir().unwrap();
        let frame = place.path().join("frame.png");
        let second = place.path().join("frame-2.png");
        std::fs::write(&frame, b"x").unwrap();
        std::fs::write(&second, b"y").unwrap();
        let args = |files: &[&PathBuf]| MeasureArgs {
            files: files.iter().map(|file| (*file).clone()).collect(),
            picture: Some(frame.clone()),
            ..MeasureArgs::default()
        };
        for files in [vec![&frame], vec![&frame, &second]] {
            let error = run(&args(&files)).unwrap_err();
            assert!(error.context.contains("it is a frame itself"), "{error}");
        }
        assert_eq!(std::fs::read(&frame).unwrap(), b"x");
        assert_eq!(std::fs::read(&second).unwrap(), b"y");
    }

    #[test]
    fn a_folder_is_sent_to_diagnose() {
        let place = tempfile::tempdir().unwrap();
        let error = existing(&[place.path().to_path_buf()]).unwrap_err();
        assert!(error.hint.unwrap().contains("stillpoint diagnose"));
    }
}
