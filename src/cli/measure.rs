//! `measure`: single frames in, their stars out.

use std::path::PathBuf;

use crate::error::{Error, ErrorKind, Warned};
use crate::frame::Overrides;
use crate::pipeline;
use crate::report::measure::MeasureReport;

use super::Outcome;
use super::args::MeasureArgs;
use super::picture::PictureFile;
use super::quantity::read_threads;
use super::refuse::Wanted;
use super::terminal::{self, Bar};
use super::threads::in_threads;

const PICTURE: Wanted = Wanted {
    flag: "--picture",
    allowed: "a new file, and one frame to draw",
    example: "stillpoint measure IMG_0001.jpg --picture trails.png",
};

/// Runs `measure` from flags to exit code.
///
/// # Errors
/// When a flag is not usable, no file is, or the output cannot be written.
pub fn run(args: &MeasureArgs) -> Result<Outcome, Error> {
    let threads = args.threads.as_deref().map(read_threads).transpose()?;
    let picture = picture(args)?;
    let files = existing(&args.files)?;
    let bar = Bar::new(args.red);
    let report = in_threads(threads, || {
        pipeline::measure(&files, &Overrides::default(), &bar)
    })?;
    if let (Some(picture), Some(drawing)) = (picture, report.value.frames[0].to_drawing()) {
        picture.write(&drawing)?;
    }
    terminal::print(&words(args, &report))?;
    Ok(if report.value.is_answered() {
        Outcome::Answered
    } else {
        Outcome::CannotTell
    })
}

fn words(args: &MeasureArgs, report: &Warned<MeasureReport>) -> String {
    match (args.json, args.csv) {
        (true, _) => MeasureReport::to_json(report),
        (_, true) => report.value.to_csv(),
        _ => MeasureReport::to_text(report, &terminal::look(args.red)),
    }
}

/// The file for the picture, which must not be the frame itself.
fn picture(args: &MeasureArgs) -> Result<Option<PictureFile<'_>>, Error> {
    let Some(path) = args.picture.as_deref() else {
        return Ok(None);
    };
    let name = path.display().to_string();
    if args.files.len() > 1 {
        let found = format!("it draws one frame, {} were given", args.files.len());
        return Err(PICTURE.refuse(&name, found));
    }
    let same = |file: &PathBuf| match (file.canonicalize(), path.canonicalize()) {
        (Ok(frame), Ok(drawn)) => frame == drawn,
        _ => false,
    };
    if args.files.iter().any(same) {
        return Err(PICTURE.refuse(&name, "it is the frame itself"));
    }
    PictureFile::checked(path).map(Some)
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
    fn a_picture_is_of_one_frame_and_never_the_frame_itself() {
        let place = tempfile::tempdir().unwrap();
        let frame = place.path().join("frame.png");
        std::fs::write(&frame, b"x").unwrap();
        let mut args = MeasureArgs {
            files: vec![frame.clone()],
            picture: Some(frame.clone()),
            ..MeasureArgs::default()
        };
        let error = run(&args).unwrap_err();
        assert!(error.context.contains("it is the frame itself"), "{error}");
        args.picture = Some(place.path().join("other.png"));
        args.files.push(frame.clone());
        let error = run(&args).unwrap_err();
        assert!(error.context.contains("2 were given"), "{error}");
        assert_eq!(std::fs::read(&frame).unwrap(), b"x");
    }

    #[test]
    fn a_folder_is_sent_to_diagnose() {
        let place = tempfile::tempdir().unwrap();
        let error = existing(&[place.path().to_path_buf()]).unwrap_err();
        assert!(error.hint.unwrap().contains("stillpoint diagnose"));
    }
}
