//! Reads and measures the frames of an alignment, one after the other; keeps stars, not pixels.

use std::collections::HashMap;
use std::path::Path;

use jiff::Timestamp;
use rayon::prelude::*;

use super::Progress;
use super::facts::clock;
use super::look::look_at;
use super::odd_pictures::shape_doubts;
use super::sort_out::{copies, no_sky};
use crate::cache::MeasureCache;
use crate::error::{Error, Warning};
use crate::frame::{AlignmentFiles, Header, MissingFact, Overrides, missing, slashed};
use crate::stars::{Response, StackedStar, StarField, leave_out_fixed};

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
    /// How its development answers to light, once its stars have told; the field is put right by it.
    pub response: Option<Response>,
}

/// A frame that was set aside.
#[derive(Debug, Clone)]
pub struct SetAside {
    /// Path relative to the night's folder.
    pub file: String,
    /// File, found, needed.
    pub reason: String,
}

/// What became of one file of a night: its measured stars, or why it is set aside.
#[derive(Debug, Clone)]
pub struct ReadFile {
    file: String,
    outcome: Outcome,
}

impl ReadFile {
    /// Reads a file of the night in `root` and measures its stars.
    pub fn read(root: &Path, file: &Path, overrides: &Overrides, source: Source<'_>) -> Self {
        let path = root.join(file);
        Self {
            file: slashed(file),
            outcome: measure_file(&path, slashed(file), overrides, source)
                .map_err(|error| named_within(error, &path, file)),
        }
    }

    /// Why the file could not be used, if it could not.
    pub fn error(&self) -> Option<&Error> {
        self.outcome.as_ref().err()
    }
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
    source: Source<'_>,
    progress: &dyn Progress,
) -> Gathered {
    let read: Vec<ReadFile> = alignment
        .files
        .par_iter()
        .map(|file| {
            let read = ReadFile::read(root, file, overrides, source);
            progress.step();
            read
        })
        .collect();
    Gathered::of_read(alignment.name.clone(), read)
}

/// One file's frame and warnings.
type Outcome = Result<(MeasuredFrame, Vec<Warning>), Error>;

/// One file through the first two stages.
fn measure_file(path: &Path, name: String, overrides: &Overrides, source: Source<'_>) -> Outcome {
    let mut look = look_at::<()>(path, name, overrides, source.cache, None)?;
    look.warnings.extend(source.thin(&mut look.frame.field));
    Ok((look.frame, look.warnings))
}

/// Stars of a whole night that are kept: all together take some 50 MB and a few seconds of the fits, and a
/// thousand a frame leave the camera's turns better known than the air lets them be.
const NIGHT_STARS: usize = 100_000;
/// A frame keeps so many at least.
const FRAME_STARS: usize = 200;

/// Where measures may come from, and how many stars of them are kept.
#[derive(Debug, Clone, Copy)]
pub struct Source<'a> {
    cache: Option<&'a MeasureCache>,
    n_frames: usize,
    stars_each: usize,
}

impl<'a> Source<'a> {
    /// For a night of so many frames: time and memory keep within bounds, however long it is.
    pub fn of_night(n_frames: usize, cache: Option<&'a MeasureCache>) -> Self {
        let share = NIGHT_STARS / n_frames.max(1);
        Self {
            cache,
            n_frames,
            stars_each: share.max(FRAME_STARS),
        }
    }

    /// Keeps a frame's brightest stars, and says so where there were more.
    fn thin(self, field: &mut StarField) -> Option<Warning> {
        if field.stars.len() <= self.stars_each {
            return None;
        }
        field.stars.truncate(self.stars_each);
        field.stars.shrink_to_fit();
        Some(Warning::new(format!(
            "a night of {} frames: of each frame the brightest {} stars were used and counted, which keeps time and memory within bounds",
            self.n_frames, self.stars_each
        )))
    }
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
        gathered.set_no_sky_aside();
        gathered.set_copies_aside();
        gathered.set_odd_sizes_aside();
        gathered.name_gaps();
        gathered.warnings.extend(shape_doubts(&gathered.frames));
        gathered.sort_by_time();
        gathered.leave_out_warm_pixels();
        gathered
    }

    /// From files that were read already.
    pub fn of_read(name: String, files: Vec<ReadFile>) -> Self {
        Self::new(name, files.into_iter().map(|one| (one.file, one.outcome)))
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

    /// Darks, flats and pictures of the day.
    fn set_no_sky_aside(&mut self) {
        for frame in std::mem::take(&mut self.frames) {
            match no_sky(&frame.field, &frame.header) {
                Some(reason) => self.set_aside.push(SetAside {
                    reason: format!("{}: {reason}", frame.file),
                    file: frame.file,
                }),
                None => self.frames.push(frame),
            }
        }
    }

    /// An exposure that is there twice counts once.
    fn set_copies_aside(&mut self) {
        let copies = copies(&self.frames);
        let names: Vec<String> = self.frames.iter().map(|frame| frame.file.clone()).collect();
        let frames = std::mem::take(&mut self.frames);
        for (frame, copy_of) in frames.into_iter().zip(copies) {
            match copy_of {
                Some(other) => self.set_aside.push(SetAside {
                    reason: format!(
                        "{}: the same exposure as {}, by its start and length; it counts once",
                        frame.file, names[other]
                    ),
                    file: frame.file,
                }),
                None => self.frames.push(frame),
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

    /// What stays on its pixel while the sky moves is no star.
    fn leave_out_warm_pixels(&mut self) {
        let mut fields: Vec<&mut StarField> = self
            .frames
            .iter_mut()
            .map(|frame| &mut frame.field)
            .collect();
        leave_out_fixed(&mut fields);
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

    /// Whether it has no file at all, neither used nor set aside.
    pub fn is_empty(&self) -> bool {
        self.frames.is_empty() && self.set_aside.is_empty()
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
    use crate::stars::{Quality, Star};
    use crate::units::{Measured, PixelPoint, PixelTensor};

    fn field(n_stars: usize) -> StarField {
        let star = |nth: usize| Star {
            position: PixelPoint::new(nth as f64, 0.0),
            position_covariance: PixelTensor::default(),
            flux: Measured::new((n_stars - nth) as f64, 1.0),
            peak: 1.0,
            moments: PixelTensor::default(),
            moments_sigma: PixelTensor::default(),
            trail: None,
            quality: Quality::default(),
        };
        StarField {
            width: 100,
            height: 100,
            stars: (0..n_stars).map(star).collect(),
            background: 0.0,
            noise: 1.0,
            fwhm: None,
            trail: None,
            lens: None,
            rejected: crate::stars::Rejected::default(),
        }
    }

    #[test]
    fn long_nights_keep_the_brightest_stars_of_each_frame_and_say_so() {
        let kept = |n_frames: usize| {
            let mut field = field(10_000);
            let warning = Source::of_night(n_frames, None).thin(&mut field);
            assert_eq!(field.stars[0].position.x, 0.0);
            assert_eq!(warning.is_some(), field.stars.len() < 10_000);
            field.stars.len()
        };
        assert_eq!([1, 10, 100, 1000].map(kept), [10_000, 10_000, 1000, 200]);
    }

    #[test]
    fn errors_name_files_as_the_night_knows_them() {
        let error =
            Error::new(ErrorKind::BadFile, "the file is empty").about("/at/home/east/a.jpg");
        let (path, file) = (Path::new("/at/home/east/a.jpg"), Path::new("east/a.jpg"));
        let named = named_within(error, path, file);
        assert_eq!(named.context, "east/a.jpg: the file is empty");
    }
}
