//! A night's folder, looked at again and again; measured frames are kept.

use std::collections::{BTreeMap, HashMap};
use std::path::{Path, PathBuf};
use std::time::Duration;

use jiff::Timestamp;
use rayon::prelude::*;

use super::clock;
use super::settle::{Settling, Stamp};
use crate::error::{Error, ErrorKind, Warned};
use crate::frame::{AlignmentFiles, Corrections, NightFiles, walk_night};
use crate::pipeline::{DiagnoseSettings, Progress, ReadFile, Source, Unwatched, diagnose_read};
use crate::report::NightReport;

/// A folder into which frames arrive.
#[derive(Debug)]
pub struct LiveNight {
    root: PathBuf,
    settings: DiagnoseSettings,
    /// Where settings came from, a sentence for the report.
    origin: Option<String>,
    corrections: Corrections,
    files: NightFiles,
    kept: HashMap<PathBuf, (Stamp, ReadFile)>,
    arriving: BTreeMap<PathBuf, Settling>,
}

/// What a look at the folder brought.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Look {
    /// Whether frames came, went or changed: a new answer is due.
    pub is_new: bool,
    /// Files that are there but not whole yet, as paths relative to the night.
    pub arriving: Vec<PathBuf>,
}

/// The longest wait between two looks: drives that give no news of files are looked at that often.
const REST: Duration = Duration::from_secs(1);
/// The wait while a file is on its way in.
const SHORT_REST: Duration = Duration::from_millis(100);

impl Look {
    /// How long to wait for the next look.
    pub fn rest(&self) -> Duration {
        if self.arriving.is_empty() {
            REST
        } else {
            SHORT_REST
        }
    }
}

impl LiveNight {
    /// A night nobody has looked at yet.
    pub fn new(root: PathBuf, settings: DiagnoseSettings, origin: Option<String>) -> Self {
        Self {
            files: no_files(&root),
            root,
            settings,
            origin,
            corrections: Corrections::default(),
            kept: HashMap::new(),
            arriving: BTreeMap::new(),
        }
    }

    /// Looks at the folder and measures what has become whole since the last look.
    ///
    /// Method: a file is whole when size and time have stood still for a moment, or at first sight
    /// when it was written long ago; one that then cannot be read is tried again for a few
    /// seconds before it is set aside. A file whose size or time changes is measured anew.
    ///
    /// # Errors
    /// `Io` when the folder cannot be read any more; `BadFile` when its note of moves is none.
    pub fn look(&mut self, progress: &dyn Progress) -> Result<Look, Error> {
        self.files = match walk_night(&self.root) {
            Err(error) if error.kind == ErrorKind::NotEnoughData => no_files(&self.root),
            walked => walked?,
        };
        let corrections = Corrections::read(&self.root)?;
        let moved = corrections != self.corrections;
        self.corrections = corrections;
        let names = self.files.alignments.iter().flat_map(|one| &one.files);
        let stamped: Vec<(PathBuf, Stamp)> = names
            .filter_map(|file| Some((file.clone(), Stamp::of(&self.root.join(file))?)))
            .collect();
        let gone = self.forget_all_but(&stamped);
        let whole = self.whole_of(stamped);
        let came = self.measure(whole, progress);
        Ok(Look {
            is_new: gone || came || moved,
            arriving: self.arriving.keys().cloned().collect(),
        })
    }

    /// What the frames that were measured say; `None` while there are none.
    pub fn answer(&self) -> Option<Warned<NightReport>> {
        self.answer_of(&self.files)
    }

    /// The answer as it was while the tracker stood as in `alignment`: that of the alignments up to
    /// it, in the order of `report`.
    pub fn answer_up_to(
        &self,
        alignment: &str,
        report: &NightReport,
    ) -> Option<Warned<NightReport>> {
        let place = |name: &str| report.alignments.iter().position(|one| one.name == name);
        let last = place(alignment)?;
        let is_meant = |one: &&AlignmentFiles| place(&one.name).is_some_and(|at| at <= last);
        let meant = self.files.alignments.iter().filter(is_meant);
        self.answer_of(&NightFiles {
            alignments: meant.cloned().collect(),
            ..self.files.clone()
        })
    }

    fn answer_of(&self, files: &NightFiles) -> Option<Warned<NightReport>> {
        if self.kept.is_empty() {
            return None;
        }
        let known = |file: &Path| self.kept.get(file).map(|(_, read)| read.clone());
        let mut report = diagnose_read(files, known, &self.settings, &Unwatched);
        report.value.assumptions.extend(self.origin.clone());
        Some(report)
    }

    /// The night's folder.
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// Its alignments and files at the last look.
    pub fn files(&self) -> &NightFiles {
        &self.files
    }

    /// The moves that are noted.
    pub fn corrections(&self) -> &Corrections {
        &self.corrections
    }

    /// Notes that the axis was moved now: the frames that are there came before.
    ///
    /// # Errors
    /// `Io` when the note cannot be written.
    pub fn note_move(&self) -> Result<(), Error> {
        let at = Timestamp::now();
        let there = self
            .files
            .alignments
            .iter()
            .flat_map(|one| one.files.clone());
        let there: Vec<PathBuf> = there.collect();
        self.change(|noted| noted.note(at, there))
    }

    /// Takes the last noted move back.
    ///
    /// # Errors
    /// `Io` when the note cannot be written.
    pub fn take_move_back(&self) -> Result<(), Error> {
        self.change(Corrections::take_back)
    }

    /// Notes that a frame, which may be still to come, was taken after so many moves.
    ///
    /// # Errors
    /// `Io` when the note cannot be written.
    pub fn put(&self, file: PathBuf, stretch: usize) -> Result<(), Error> {
        self.change(|noted| noted.put(file, stretch))
    }

    /// Changes the note on disk; the next look takes it in.
    fn change(&self, act: impl FnOnce(&mut Corrections)) -> Result<(), Error> {
        let mut corrections = Corrections::read(&self.root)?;
        act(&mut corrections);
        corrections.write(&self.root)
    }

    /// Drops what is no longer there; whether anything measured was.
    fn forget_all_but(&mut self, there: &[(PathBuf, Stamp)]) -> bool {
        let there: HashMap<&PathBuf, &Stamp> = there.iter().map(|(file, s)| (file, s)).collect();
        let n_before = self.kept.len();
        self.kept.retain(|file, _| there.contains_key(file));
        self.arriving.retain(|file, _| there.contains_key(file));
        self.kept.len() < n_before
    }

    /// The files that are worth reading now; the rest goes on arriving.
    fn whole_of(&mut self, stamped: Vec<(PathBuf, Stamp)>) -> Vec<(PathBuf, Stamp)> {
        let (now, wall) = (clock::instant(), clock::wall());
        let kept = &self.kept;
        let arriving = &mut self.arriving;
        let is_whole = |(file, stamp): &(PathBuf, Stamp)| match kept.get(file) {
            Some((known, _)) if known == stamp => false,
            _ => match arriving.get_mut(file) {
                Some(settling) => settling.look(*stamp, now),
                None => {
                    arriving.insert(file.clone(), Settling::new(*stamp, now));
                    stamp.is_old(wall)
                }
            },
        };
        stamped.into_iter().filter(is_whole).collect()
    }

    /// Measures files; whether anything came of it.
    fn measure(&mut self, whole: Vec<(PathBuf, Stamp)>, progress: &dyn Progress) -> bool {
        if whole.is_empty() {
            return false;
        }
        progress.begin("measuring frames", whole.len());
        let n_frames = self.kept.len() + whole.len();
        let source = Source::of_night(n_frames, self.settings.cache.as_ref());
        let read: Vec<ReadFile> = whole
            .par_iter()
            .map(|(file, _)| {
                let read = ReadFile::read(&self.root, file, &self.settings.overrides, source);
                progress.step();
                read
            })
            .collect();
        progress.end();
        let mut came = false;
        for ((file, stamp), read) in whole.into_iter().zip(read) {
            came |= self.keep(file, stamp, read);
        }
        came
    }

    /// Keeps what a file gave, unless it changed meanwhile or is not to be given up yet.
    fn keep(&mut self, file: PathBuf, stamp: Stamp, read: ReadFile) -> bool {
        let now = clock::instant();
        let may_be_half = read
            .error()
            .is_some_and(|error| error.kind != ErrorKind::Unsupported);
        let is_same = Stamp::of(&self.root.join(&file)) == Some(stamp);
        let goes_on = |settling: &mut Settling| !is_same || may_be_half && settling.fails(now);
        if self.arriving.get_mut(&file).is_some_and(goes_on) {
            return false;
        }
        self.arriving.remove(&file);
        self.kept.insert(file, (stamp, read));
        true
    }
}

fn no_files(root: &Path) -> NightFiles {
    NightFiles {
        root: root.to_path_buf(),
        alignments: Vec::new(),
        ignored: Vec::new(),
        warnings: Vec::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    const DEMO: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/testdata/demo/night/first-try");

    fn live(root: &Path) -> LiveNight {
        LiveNight::new(root.to_path_buf(), DiagnoseSettings::default(), None)
    }

    /// Looks until nothing is on its way in any more; how often that takes depends on the machine.
    fn looked(night: &mut LiveNight) -> bool {
        let mut is_new = false;
        loop {
            let look = night.look(&Unwatched).unwrap();
            is_new |= look.is_new;
            if look.arriving.is_empty() {
                return is_new;
            }
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    #[test]
    fn an_empty_folder_has_no_answer_and_a_missing_one_is_an_error() {
        let folder = tempfile::tempdir().unwrap();
        let mut night = live(folder.path());
        let look = night.look(&Unwatched).unwrap();
        assert!(!look.is_new && look.arriving.is_empty() && night.answer().is_none());
        let error = live(&folder.path().join("none")).look(&Unwatched);
        assert_eq!(error.unwrap_err().kind, ErrorKind::Io);
    }

    #[test]
    fn the_answer_of_a_live_night_is_that_of_a_finished_one() {
        let folder = tempfile::tempdir().unwrap();
        let place = folder.path().join("first-try");
        fs::create_dir(&place).unwrap();
        let mut night = live(folder.path());
        for name in ["QLN_0211.jpg", "QLN_0212.jpg"] {
            fs::copy(Path::new(DEMO).join(name), place.join(name)).unwrap();
            assert!(looked(&mut night));
        }
        let settings = DiagnoseSettings::default();
        let finished = crate::pipeline::diagnose(folder.path(), &settings, &Unwatched).unwrap();
        assert_eq!(night.answer(), Some(finished));
        assert!(!looked(&mut night), "nothing came, so nothing is new");
        fs::remove_file(place.join("QLN_0212.jpg")).unwrap();
        assert!(looked(&mut night));
        assert_eq!(night.answer().unwrap().value.frames.len(), 1);
    }

    #[test]
    fn half_a_file_is_waited_for() {
        let folder = tempfile::tempdir().unwrap();
        let whole = fs::read(Path::new(DEMO).join("QLN_0211.jpg")).unwrap();
        let file = folder.path().join("a.jpg");
        fs::write(&file, &whole[..whole.len() / 2]).unwrap();
        let mut night = live(folder.path());
        // However long this takes on a busy machine: half a frame is never taken for one.
        for _ in 0..10 {
            night.look(&Unwatched).unwrap();
            let frames = night
                .answer()
                .map_or(Vec::new(), |answer| answer.value.frames);
            assert!(frames.iter().all(|one| !one.is_used()));
            std::thread::sleep(Duration::from_millis(100));
        }
        fs::write(&file, &whole).unwrap();
        assert!(looked(&mut night));
        let report = night.answer().unwrap().value;
        assert!(report.frames[0].is_used(), "{:?}", report.frames[0]);
    }

    #[test]
    fn frames_after_a_noted_move_are_an_alignment_of_their_own() {
        let folder = tempfile::tempdir().unwrap();
        let copy = |name: &str| fs::copy(Path::new(DEMO).join(name), folder.path().join(name));
        let mut night = live(folder.path());
        copy("QLN_0211.jpg").unwrap();
        looked(&mut night);
        night.note_move().unwrap();
        assert!(looked(&mut night), "a move is news");
        copy("QLN_0212.jpg").unwrap();
        looked(&mut night);
        let now = night.answer().unwrap().value;
        let names: Vec<&str> = now.alignments.iter().map(|one| one.name.as_str()).collect();
        assert!(names[1].ends_with(", after correction 1"), "{names:?}");
        let before = night.answer_up_to(names[0], &now).unwrap().value;
        assert_eq!((before.alignments.len(), before.frames.len()), (1, 1));
        night.take_move_back().unwrap();
        assert!(looked(&mut night));
        assert_eq!(night.answer().unwrap().value.alignments.len(), 1);
    }
}
