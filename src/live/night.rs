//! A night's folder, looked at again and again; measured frames are kept.

use std::collections::{BTreeMap, HashMap};
use std::path::{Path, PathBuf};
use std::time::{Instant, SystemTime};

use rayon::prelude::*;

use super::settle::{Settling, Stamp};
use crate::error::{Error, ErrorKind, Warned};
use crate::frame::{NightFiles, walk_night};
use crate::pipeline::{DiagnoseSettings, Progress, ReadFile, diagnose_read};
use crate::report::NightReport;

/// A folder into which frames arrive.
#[derive(Debug)]
pub struct LiveNight {
    root: PathBuf,
    settings: DiagnoseSettings,
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

impl LiveNight {
    /// A night nobody has looked at yet.
    pub fn new(root: PathBuf, settings: DiagnoseSettings) -> Self {
        Self {
            files: no_files(&root),
            root,
            settings,
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
    /// `Io` when the folder cannot be read any more.
    pub fn look(&mut self, progress: &dyn Progress) -> Result<Look, Error> {
        self.files = match walk_night(&self.root) {
            Err(error) if error.kind == ErrorKind::NotEnoughData => no_files(&self.root),
            walked => walked?,
        };
        let names = self.files.alignments.iter().flat_map(|one| &one.files);
        let stamped: Vec<(PathBuf, Stamp)> = names
            .filter_map(|file| Some((file.clone(), Stamp::of(&self.root.join(file))?)))
            .collect();
        let gone = self.forget_all_but(&stamped);
        let whole = self.whole_of(stamped);
        let came = self.measure(whole, progress);
        Ok(Look {
            is_new: gone || came,
            arriving: self.arriving.keys().cloned().collect(),
        })
    }

    /// What the frames that were measured say; `None` while there are none.
    pub fn answer(&self) -> Option<Warned<NightReport>> {
        let known = |file: &Path| self.kept.get(file).map(|(_, read)| read.clone());
        (!self.kept.is_empty()).then(|| diagnose_read(&self.files, known, &self.settings))
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
        let (now, wall) = (Instant::now(), SystemTime::now());
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
        let read: Vec<ReadFile> = whole
            .par_iter()
            .map(|(file, _)| {
                let read = ReadFile::read(&self.root, file, &self.settings.overrides);
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
        let now = Instant::now();
        let may_be_half = read
            .error()
            .is_some_and(|error| error.kind != ErrorKind::Unsupported);
        if let Some(settling) = self.arriving.get_mut(&file) {
            if Stamp::of(&self.root.join(&file)) != Some(stamp)
                || may_be_half && settling.fails(now)
            {
                return false;
            }
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
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pipeline::Unwatched;
    use std::fs;
    use std::time::Duration;

    const DEMO: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/testdata/demo/night/first-try");

    fn live(root: &Path) -> LiveNight {
        LiveNight::new(root.to_path_buf(), DiagnoseSettings::default())
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
}
