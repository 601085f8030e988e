//! Moves of the axis that were noted while a night went on: which frames came before which move.
//!
//! The note is a text of its own in the night's folder, so that a later run divides the night in
//! the same way. A frame that is not named came after the last move.

use std::collections::BTreeMap;
use std::fs;
use std::io::ErrorKind as Io;
use std::path::{Path, PathBuf};

use jiff::Timestamp;

use super::{AlignmentFiles, NightFiles};
use crate::error::{Error, ErrorKind};
use crate::whole::{self, Lasting, Standing};

/// Name of the note in a night's folder.
pub const CORRECTIONS_FILE: &str = "stillpoint-corrections.txt";

const HEAD: &str = "\
# Moves of the tracker's axis during this night, as they were noted.
# Frames named above a line \"moved\" were taken before that move; all others after the last.
";

/// The moves of a night.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Corrections {
    /// When, in their order.
    moved: Vec<Timestamp>,
    /// Frames by path relative to the night, each with the number of moves that came before it.
    stretches: BTreeMap<PathBuf, usize>,
}

impl Corrections {
    /// Those noted in a night's folder; none where there is no note.
    ///
    /// # Errors
    /// `Io` when the note cannot be read; `BadFile` at the first line that is none of ours.
    pub fn read(root: &Path) -> Result<Self, Error> {
        let path = root.join(CORRECTIONS_FILE);
        match fs::read_to_string(&path) {
            Ok(text) => Self::parse(&text).map_err(|error| error.about(path.display())),
            Err(error) if error.kind() == Io::NotFound || error.kind() == Io::NotADirectory => {
                Ok(Self::default())
            }
            Err(error) => Err(refused(&path, "read", &error)),
        }
    }

    fn parse(text: &str) -> Result<Self, Error> {
        let mut corrections = Self::default();
        for (nth, line) in text.lines().enumerate() {
            let line = line.trim();
            let moved = line.strip_prefix("moved ").map(|at| at.trim().parse());
            match (line.strip_prefix("frame "), moved) {
                _ if line.is_empty() || line.starts_with('#') => {}
                (Some(file), _) => {
                    let stretch = corrections.moved.len();
                    corrections
                        .stretches
                        .insert(PathBuf::from(file.trim()), stretch);
                }
                (None, Some(Ok(at))) => corrections.moved.push(at),
                _ => return Err(not_ours(nth + 1, line)),
            }
        }
        Ok(corrections)
    }

    /// Writes the note: aside first, then renamed. Without moves there is nothing to note.
    ///
    /// # Errors
    /// `Io` when the system refuses.
    pub fn write(&self, root: &Path) -> Result<(), Error> {
        let path = root.join(CORRECTIONS_FILE);
        if self.moved.is_empty() {
            return match fs::remove_file(&path) {
                Err(error) if error.kind() != Io::NotFound => {
                    Err(refused(&path, "removed", &error))
                }
                _ => Ok(()),
            };
        }
        let text = self.to_text();
        whole::write(&path, text.as_bytes(), Standing::Replaced, Lasting::Written)
            .map_err(|error| refused(&path, "written", &error))
    }

    fn to_text(&self) -> String {
        let mut text = HEAD.to_owned();
        for (nth, at) in self.moved.iter().enumerate() {
            let before = self
                .stretches
                .iter()
                .filter(|(_, stretch)| **stretch == nth);
            for (file, _) in before {
                text.push_str(&format!("frame {}\n", slashed(file)));
            }
            text.push_str(&format!("moved {at:.0}\n"));
        }
        text
    }

    /// Notes a move: the files that are there came before it.
    pub fn note(&mut self, at: Timestamp, there: impl IntoIterator<Item = PathBuf>) {
        let now = self.moved.len();
        for file in there {
            self.stretches.entry(file).or_insert(now);
        }
        self.moved.push(at);
    }

    /// Takes the last move back.
    pub fn take_back(&mut self) {
        self.moved.pop();
        let last = self.moved.len();
        self.stretches.retain(|_, stretch| *stretch < last);
    }

    /// Puts a frame into the stretch that came after so many moves.
    pub fn put(&mut self, file: PathBuf, stretch: usize) {
        if stretch < self.moved.len() {
            self.stretches.insert(file, stretch);
        }
    }

    /// When the last move was.
    pub fn last(&self) -> Option<Timestamp> {
        self.moved.last().copied()
    }

    /// How many moves came before a frame.
    pub fn stretch_of(&self, file: &Path) -> usize {
        let known = self.stretches.get(file).copied();
        known.unwrap_or(self.moved.len())
    }

    /// The night with each of its alignments divided at the moves.
    ///
    /// The first part of a divided alignment keeps its name.
    pub fn divide(&self, night: NightFiles) -> NightFiles {
        let divided = night
            .alignments
            .into_iter()
            .flat_map(|one| self.parts_of(one));
        NightFiles {
            alignments: divided.collect(),
            ..night
        }
    }

    fn parts_of(&self, alignment: AlignmentFiles) -> Vec<AlignmentFiles> {
        let mut parts: BTreeMap<usize, Vec<PathBuf>> = BTreeMap::new();
        for file in alignment.files {
            parts.entry(self.stretch_of(&file)).or_default().push(file);
        }
        let name = |nth: usize, stretch: usize| match nth {
            0 => alignment.name.clone(),
            _ => format!("{}, after correction {stretch}", alignment.name),
        };
        let named = parts.into_iter().enumerate();
        named
            .map(|(nth, (stretch, files))| AlignmentFiles {
                name: name(nth, stretch),
                files,
            })
            .collect()
    }
}

/// A path relative to the night with `/` between its parts, whatever the system.
pub(crate) fn slashed(path: &Path) -> String {
    let parts: Vec<_> = path
        .components()
        .map(|part| part.as_os_str().to_string_lossy())
        .collect();
    parts.join("/")
}

fn not_ours(line_no: usize, line: &str) -> Error {
    let shown: String = line.chars().filter(|c| !c.is_control()).take(40).collect();
    Error::new(
        ErrorKind::BadFile,
        format!(
            "line {line_no} is \"{shown}\"; \"frame FILE\", \"moved 2026-10-10T20:12:05Z\" or a line that begins with # was needed"
        ),
    )
    .with_hint("mend the line, or remove the file: the night is then not divided at the moves")
}

fn refused(path: &Path, what: &str, error: &std::io::Error) -> Error {
    let context = format!("{}: cannot be {what}: {error}", path.display());
    Error::new(ErrorKind::Io, context)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    fn paths(names: &[&str]) -> Vec<PathBuf> {
        names.iter().map(PathBuf::from).collect()
    }

    fn night(names: &[&str]) -> NightFiles {
        NightFiles {
            root: PathBuf::from("n"),
            alignments: vec![AlignmentFiles {
                name: "n".into(),
                files: paths(names),
            }],
            ignored: Vec::new(),
            warnings: Vec::new(),
        }
    }

    fn names(night: &NightFiles) -> Vec<(&str, usize)> {
        let alignments = night.alignments.iter();
        alignments
            .map(|one| (one.name.as_str(), one.files.len()))
            .collect()
    }

    #[test]
    fn a_night_is_divided_at_each_move_and_again_after_reading() {
        let folder = tempfile::tempdir().unwrap();
        let mut noted = Corrections::default();
        noted.note(at("2026-10-10T20:12:05Z"), paths(&["b.jpg", "a.jpg"]));
        assert_eq!(names(&noted.divide(night(&["a.jpg", "b.jpg"]))), [("n", 2)]);
        noted.note(
            at("2026-10-10T20:20:05Z"),
            paths(&["a.jpg", "b.jpg", "c.jpg"]),
        );
        noted.write(folder.path()).unwrap();
        let read = Corrections::read(folder.path()).unwrap();
        assert_eq!(read, noted);
        let divided = read.divide(night(&["a.jpg", "b.jpg", "c.jpg", "d.jpg", "e.jpg"]));
        assert_eq!(
            names(&divided),
            [
                ("n", 2),
                ("n, after correction 1", 1),
                ("n, after correction 2", 2)
            ]
        );
    }

    #[test]
    fn a_move_taken_back_leaves_the_night_as_it_was() {
        let folder = tempfile::tempdir().unwrap();
        let mut noted = Corrections::default();
        noted.note(at("2026-10-10T20:12:05Z"), paths(&["a.jpg"]));
        let one = noted.clone();
        noted.note(at("2026-10-10T20:20:05Z"), paths(&["a.jpg", "b.jpg"]));
        noted.take_back();
        assert_eq!(noted, one);
        noted.write(folder.path()).unwrap();
        noted.take_back();
        noted.write(folder.path()).unwrap();
        assert!(!folder.path().join(CORRECTIONS_FILE).exists());
        assert_eq!(
            Corrections::read(folder.path()).unwrap(),
            Corrections::default()
        );
    }

    #[test]
    fn a_frame_may_be_put_before_a_move() {
        let mut noted = Corrections::default();
        noted.note(at("2026-10-10T20:12:05Z"), paths(&["a.jpg"]));
        noted.put(PathBuf::from("late.jpg"), 0);
        noted.put(PathBuf::from("b.jpg"), 1);
        assert_eq!(noted.stretch_of(Path::new("late.jpg")), 0);
        assert_eq!(noted.stretch_of(Path::new("b.jpg")), 1);
    }

    #[test]
    fn a_line_that_is_none_of_ours_is_refused_with_its_number() {
        let error = Corrections::parse("# note\nframe a.jpg\nmoved yesterday\n").unwrap_err();
        assert_eq!(error.kind, ErrorKind::BadFile);
        assert!(error.context.contains("line 3"), "{error}");
        assert!(Corrections::parse("a.jpg").is_err());
    }
}
