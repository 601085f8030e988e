//! Reads and measures the frames of an alignment, one after the other; keeps stars, not pixels.

use std::collections::HashMap;
use std::path::Path;

use jiff::Timestamp;
use rayon::prelude::*;

use super::Progress;
use super::facts::clock;
use crate::error::{Error, Warning};
use crate::frame::{AlignmentFiles, Frame, Header, MissingFact, Overrides, missing, read_frame};
use crate::stars::{StackedStar, StarField, measure_stars, stack_stars};

/// A frame whose stars were measured.
#[derive(Debug, Clone)]
pub struct MeasuredFrame {
    /// Path relative to the night's folder, with `/` between its parts; any name that tells it
    /// from the other frames where there is no file.
    pub file: String,
    /// Facts of its exposure.
    pub header: Header,
    /// Its stars.
    pub field: StarField,
    /// The mean image of its stars, where there are pixels and enough stars.
    pub stacked: Option<StackedStar>,
}

impl MeasuredFrame {
    /// Measures a frame's stars; its pixels live only here.
    pub(super) fn of(file: String, frame: Frame) -> Self {
        let field = measure_stars(&frame.plane, frame.header.saturation);
        let field = if frame.header.developed {
            field.of_developed()
        } else {
            field
        };
        Self {
            file,
            stacked: stack_stars(&frame.plane, &field),
            header: frame.header,
            field,
        }
    }
}

/// A frame that was set aside.
#[derive(Debug, Clone)]
pub struct SetAside {
    /// Path relative to the night's folder.
    pub file: String,
    /// File, found, needed.
    pub reason: String,
}

/// The frames of one alignment folder.
#[derive(Debug, Clone)]
pub struct Gathered {
    /// Name of the folder.
    pub name: String,
    /// Measured frames, in order of time where all have a clock, else of their names.
    pub frames: Vec<MeasuredFrame>,
    /// Frames that could not be used.
    pub set_aside: Vec<SetAside>,
    /// What came up while reading, each once.
    pub warnings: Vec<Warning>,
    /// What the headers lack, each once.
    pub missing: Vec<MissingFact>,
}

/// Reads and measures all frames of an alignment.
///
/// Frames are read in parallel, a few at a time: a frame's pixels live only while it is measured.
pub fn gather(
    root: &Path,
    alignment: &AlignmentFiles,
    overrides: &Overrides,
    progress: &dyn Progress,
) -> Gathered {
    let measured: Vec<_> = alignment
        .files
        .par_iter()
        .map(|file| {
            let path = root.join(file);
            let outcome = measure_file(&path, slashed(file), overrides)
                .map_err(|error| named_within(error, &path, file));
            progress.step();
            outcome
        })
        .collect();
    let files = alignment.files.iter().map(|file| slashed(file));
    Gathered::new(alignment.name.clone(), files.zip(measured))
}

/// One file's frame and warnings.
type Outcome = Result<(MeasuredFrame, Vec<Warning>), Error>;

/// One file through the first two stages.
fn measure_file(path: &Path, name: String, overrides: &Overrides) -> Outcome {
    let frame = read_frame(path, overrides)?;
    let measured = MeasuredFrame::of(name, frame.value);
    Ok((measured, frame.warnings))
}

/// The error with the file named as the night knows it: reports travel, folders stay.
fn named_within(mut error: Error, path: &Path, file: &Path) -> Error {
    let full_name = path.display().to_string();
    if let Some(rest) = error.context.strip_prefix(&full_name) {
        error.context = format!("{}{rest}", slashed(file));
    }
    error
}

/// Size of the frame lying on its longer side: a camera set upright is the same camera.
fn sensor_size(field: &StarField) -> (usize, usize) {
    (field.width.max(field.height), field.width.min(field.height))
}

fn slashed(path: &Path) -> String {
    let parts: Vec<_> = path
        .components()
        .map(|part| part.as_os_str().to_string_lossy())
        .collect();
    parts.join("/")
}

impl Gathered {
    /// From what became of each file.
    fn new(name: String, outcomes: impl Iterator<Item = (String, Outcome)>) -> Self {
        let mut gathered = Self {
            name,
            frames: Vec::new(),
            set_aside: Vec::new(),
            warnings: Vec::new(),
            missing: Vec::new(),
        };
        for (file, outcome) in outcomes {
            gathered.take(file, outcome);
        }
        gathered.set_odd_sizes_aside();
        gathered.name_gaps();
        gathered.sort_by_time();
        gathered
    }

    /// From frames that were measured already.
    pub fn of_measured(name: String, frames: Vec<MeasuredFrame>) -> Self {
        let outcomes = frames
            .into_iter()
            .map(|frame| (frame.file.clone(), Ok((frame, Vec::new()))));
        Self::new(name, outcomes)
    }

    fn take(&mut self, file: String, outcome: Outcome) {
        match outcome {
            Ok((frame, warnings)) => {
                for warning in warnings {
                    if !self.warnings.contains(&warning) {
                        self.warnings.push(warning);
                    }
                }
                for fact in missing(&frame.header) {
                    if !self.missing.contains(&fact) {
                        self.missing.push(fact);
                    }
                }
                self.frames.push(frame);
            }
            Err(error) => {
                let reason = match error.hint {
                    Some(hint) => format!("{} ({hint})", error.context),
                    None => error.context,
                };
                self.set_aside.push(SetAside { file, reason });
            }
        }
    }

    /// Frames of another size than most cannot be compared with them: set aside.
    fn set_odd_sizes_aside(&mut self) {
        let mut counts: HashMap<(usize, usize), usize> = HashMap::new();
        for frame in &self.frames {
            *counts.entry(sensor_size(&frame.field)).or_default() += 1;
        }
        // Ties go to the larger picture, so that the outcome does not depend on the map's order.
        let Some((&usual, _)) = counts.iter().max_by_key(|(size, count)| (**count, **size)) else {
            return;
        };
        let (kept, odd) = std::mem::take(&mut self.frames)
            .into_iter()
            .partition(|frame: &MeasuredFrame| sensor_size(&frame.field) == usual);
        self.frames = kept;
        for frame in odd {
            let reason = format!(
                "{}: {} x {} px, but the other frames of \"{}\" have {} x {} px; frames of one alignment must be alike (put it into a folder of its own)",
                frame.file, frame.field.width, frame.field.height, self.name, usual.0, usual.1
            );
            self.set_aside.push(SetAside {
                file: frame.file,
                reason,
            });
        }
    }

    /// Names the frames that lack what others of the alignment have; what all lack is asked for once.
    fn name_gaps(&mut self) {
        let lacks: Vec<_> = self
            .frames
            .iter()
            .map(|frame| missing(&frame.header))
            .collect();
        for (frame, lack) in self.frames.iter().zip(&lacks) {
            let own: Vec<_> = lack
                .iter()
                .filter(|fact| lacks.iter().any(|other| !other.contains(fact)))
                .map(|fact| fact.name())
                .collect();
            if !own.is_empty() {
                self.warnings.push(Warning::new(format!(
                    "{} does not give the {}, as other frames do; used as far as it goes",
                    frame.file,
                    own.join(", ")
                )));
            }
        }
    }

    /// Start of the first frame, by UTC or by the camera's own clock.
    pub fn first_start(&self) -> Option<Timestamp> {
        self.frames
            .iter()
            .filter_map(|frame| clock(&frame.header))
            .min()
    }

    fn sort_by_time(&mut self) {
        if self
            .frames
            .iter()
            .all(|frame| clock(&frame.header).is_some())
        {
            self.frames.sort_by_key(|frame| clock(&frame.header));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::error::ErrorKind;

    #[test]
    fn errors_name_files_as_the_night_knows_them() {
        let error =
            Error::new(ErrorKind::BadFile, "the file is empty").about("/at/home/east/a.jpg");
        let (path, file) = (Path::new("/at/home/east/a.jpg"), Path::new("east/a.jpg"));
        let named = named_within(error, path, file);
        assert_eq!(named.context, "east/a.jpg: the file is empty");
    }
}
