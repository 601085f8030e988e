//! Frames one by one: their stars, width and trail. No sky, no night.

use std::path::{Path, PathBuf};

use rayon::prelude::*;

use super::Progress;
use super::assemble::verdict;
use super::gather::{MeasuredFrame, measure_file};
use crate::error::{Error, Warned, Warning};
use crate::frame::Overrides;
use crate::report::FrameReport;
use crate::report::measure::{MeasureReport, MeasuredFile};

/// Measures each file by itself, in the order given.
///
/// # Errors
/// The first file's error when none of the files could be used.
pub fn measure(
    files: &[PathBuf],
    overrides: &Overrides,
    progress: &dyn Progress,
) -> Result<Warned<MeasureReport>, Error> {
    progress.begin("measuring", files.len());
    let measured: Vec<_> = files
        .par_iter()
        .map(|file| {
            let outcome = measure_file(file, overrides);
            progress.step();
            outcome
        })
        .collect();
    progress.end();
    let mut warnings: Vec<Warning> = Vec::new();
    let mut frames = Vec::with_capacity(files.len());
    let mut first_error = None;
    for (file, outcome) in files.iter().zip(measured) {
        frames.push(match outcome {
            Ok((header, field, news)) => {
                let news = news.into_iter().filter(|one| !warnings.contains(one));
                let news: Vec<Warning> = news.collect();
                warnings.extend(news);
                measured_file(MeasuredFrame {
                    file: file.display().to_string(),
                    header,
                    field,
                })
            }
            Err(error) => {
                let reason = error.context.clone();
                first_error.get_or_insert(error);
                set_aside(file, reason)
            }
        });
    }
    match first_error {
        Some(error) if frames.iter().all(|frame| frame.field.is_none()) => Err(error),
        _ => Ok(Warned {
            value: MeasureReport { frames },
            warnings,
        }),
    }
}

fn set_aside(file: &Path, reason: String) -> MeasuredFile {
    MeasuredFile {
        frame: FrameReport::set_aside(file.display().to_string(), folder(file), reason),
        field: None,
    }
}

fn measured_file(frame: MeasuredFrame) -> MeasuredFile {
    let report = FrameReport {
        file: frame.file.clone(),
        alignment: folder(Path::new(&frame.file)),
        pointing: None,
        skipped_because: None,
        start: frame.header.start,
        exposure: frame.header.exposure,
        focal_length: frame.header.optics.focal_length,
        pixel_scale: None,
        n_stars: frame.field.stars.len(),
        n_identified: 0,
        fwhm: frame.field.fwhm,
        trail: frame.field.trail,
        drift: None,
        center: None,
        verdict: verdict(&frame),
    };
    MeasuredFile {
        frame: report,
        field: Some(frame.field),
    }
}

/// The folder that the file lies in, as it was typed.
fn folder(file: &Path) -> String {
    file.parent()
        .map(|folder| folder.display().to_string())
        .unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pipeline::Unwatched;

    #[test]
    fn no_usable_file_is_an_error_that_names_the_first() {
        let place = tempfile::tempdir().unwrap();
        let files = [place.path().join("one.jpg"), place.path().join("two.jpg")];
        let error = measure(&files, &Overrides::default(), &Unwatched).unwrap_err();
        assert!(error.context.contains("one.jpg"), "{error}");
    }
}
