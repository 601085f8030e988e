//! Files whole or not at all: written aside under a lock, then renamed. The only place that writes.
//!
//! A run that is killed leaves a part file behind; the next run that writes to the same folder
//! removes it. Part files of runs that are still at work are locked, and so are left alone.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{RwLock, RwLockWriteGuard, TryLockError};

use crate::error::{Error, ErrorKind};

/// How the names of part files begin and end; hidden, so that no folder of frames shows them.
const PART_START: &str = ".stillpoint-";
const PART_END: &str = ".part";
/// Tries to write beside another run that clears leftovers at the same moment.
const TRIES: usize = 5;

/// Held for reading while a file is written, for writing while leftovers are cleared: between the
/// making of a part file and its lock it looks like a leftover.
static AT_WORK: RwLock<()> = RwLock::new(());

/// What is done where a file of the name stands already.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// It is replaced at one stroke.
    Replaced,
    /// It stays, and the writing fails with `AlreadyExists`.
    Kept,
}

/// How surely a file is on the disk when the call returns.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Lasting {
    /// Written through: a full disk shows, and a power cut afterwards does no harm.
    Written,
    /// Handed to the system: for what can be made again and is checked when read.
    Handed,
}

/// Writes a file so that no half of it ever stands under its name.
///
/// Method: a part file beside the target, locked, written, renamed. A link is followed to the file
/// that it names; a device or a pipe is written to as it is.
///
/// # Errors
/// What the system says; nothing is left behind then, and what stood there stays.
pub fn write(path: &Path, bytes: &[u8], standing: Standing, lasting: Lasting) -> io::Result<()> {
    let _at_work = AT_WORK.read();
    if path.exists() && !path.is_file() && !path.is_dir() {
        return OpenOptions::new().write(true).open(path)?.write_all(bytes);
    }
    let target = fs::canonicalize(path).unwrap_or_else(|_| path.to_path_buf());
    let mut outcome = Ok(());
    for _ in 0..TRIES {
        outcome = write_once(&target, bytes, standing, lasting);
        match &outcome {
            // Another run took the unlocked part file for a leftover, unless the folder is gone.
            Err(error) if error.kind() == io::ErrorKind::NotFound => {}
            _ => break,
        }
    }
    outcome
}

fn write_once(target: &Path, bytes: &[u8], standing: Standing, lasting: Lasting) -> io::Result<()> {
    let (part, mut file) = part_file(target)?;
    // Where a file system knows no locks, its leftovers are not cleared either.
    let _ = file.try_lock();
    let written = file
        .write_all(bytes)
        .and_then(|()| match lasting {
            Lasting::Written => file.sync_all(),
            Lasting::Handed => Ok(()),
        })
        .and_then(|()| match standing {
            Standing::Replaced => fs::rename(&part, target),
            Standing::Kept => rename_to_new(&part, target),
        });
    if written.is_err() {
        // The first failure is the one to tell; there may be nothing to remove.
        let _ = fs::remove_file(&part);
    }
    written
}

/// A new file beside the target, so that the rename stays on one disk.
fn part_file(target: &Path) -> io::Result<(PathBuf, File)> {
    static COUNT: AtomicUsize = AtomicUsize::new(0);
    loop {
        let count = COUNT.fetch_add(1, Ordering::Relaxed);
        let name = format!("{PART_START}{}-{count}{PART_END}", std::process::id());
        let part = target.with_file_name(name);
        match OpenOptions::new().write(true).create_new(true).open(&part) {
            // Left by a killed run that had the same number.
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
            opened => return opened.map(|file| (part, file)),
        }
    }
}

/// Renames unless something stands there. A link is made at one stroke and fails where a name is
/// taken; disks without links are asked first, which is as good unless two ask at once.
fn rename_to_new(part: &Path, target: &Path) -> io::Result<()> {
    match fs::hard_link(part, target) {
        Ok(()) => fs::remove_file(part),
        Err(error) if error.kind() == io::ErrorKind::AlreadyExists => Err(error),
        Err(_) if target.symlink_metadata().is_ok() => Err(io::ErrorKind::AlreadyExists.into()),
        Err(_) => fs::rename(part, target),
    }
}

/// The folder that a file lies in; "." for a bare name.
pub fn folder_of(path: &Path) -> &Path {
    match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    }
}

/// Removes the part files of killed runs from a folder; those that are being written stay.
pub fn clear_leftovers(folder: &Path) {
    let _alone = AT_WORK.write();
    // Leftovers do no harm: what cannot be listed or removed stays.
    let Ok(entries) = fs::read_dir(folder) else {
        return;
    };
    for entry in entries
        .flatten()
        .filter(|entry| is_part(&entry.file_name()))
    {
        let path = entry.path();
        if !path.symlink_metadata().is_ok_and(|facts| facts.is_file()) {
            continue;
        }
        let Ok(file) = OpenOptions::new().read(true).write(true).open(&path) else {
            continue;
        };
        if file.try_lock().is_ok() {
            let _ = fs::remove_file(&path);
        }
    }
}

/// Whether a name is one that [`write`] gives its part files.
fn is_part(name: &std::ffi::OsStr) -> bool {
    let digits = |text: &str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
    name.to_str()
        .and_then(|name| name.strip_prefix(PART_START)?.strip_suffix(PART_END))
        .and_then(|middle| middle.split_once('-'))
        .is_some_and(|(process, count)| digits(process) && digits(count))
}

/// Keeps all threads from beginning another file, if none is at work on one; for the end of a run
/// that was interrupted.
pub fn try_hold() -> Option<RwLockWriteGuard<'static, ()>> {
    match AT_WORK.try_write() {
        Ok(held) => Some(held),
        Err(TryLockError::Poisoned(held)) => Some(held.into_inner()),
        Err(TryLockError::WouldBlock) => None,
    }
}

/// The error of a file that could not be written: file, what happened, what to do.
///
/// `what` names the file in words, "the report".
pub fn refused(path: &Path, what: &str, error: &io::Error) -> Error {
    use io::ErrorKind as Io;
    let (reason, hint) = match error.kind() {
        Io::NotFound => (
            "there is no such folder".to_string(),
            "make that folder first, or name a file in a folder that exists",
        ),
        Io::PermissionDenied => (
            "permission denied".to_string(),
            "name a file in a folder that you may write to",
        ),
        Io::ReadOnlyFilesystem => (
            "the disk or card may only be read".to_string(),
            "name a file on another disk, or take the card's write lock off",
        ),
        Io::StorageFull => (
            "the disk is full".to_string(),
            "make room on that disk, or name a file on another one, and run again",
        ),
        Io::QuotaExceeded => (
            "your share of the disk is used up".to_string(),
            "make room, or name a file on another disk, and run again",
        ),
        Io::FileTooLarge => (
            "it would be larger than files may be here".to_string(),
            "lift the limit (ulimit -f), or name a file on another disk",
        ),
        Io::IsADirectory => (
            "a folder of that name stands there".to_string(),
            "give another name",
        ),
        _ => (
            error.to_string(),
            "name a file in a folder that exists and that you may write to",
        ),
    };
    Error::new(ErrorKind::Io, format!("cannot write {what}: {reason}"))
        .with_hint(hint)
        .about(path.display())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(folder: &Path) -> Vec<String> {
        let mut names: Vec<String> = fs::read_dir(folder)
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    }

    fn replace(path: &Path, text: &str) -> io::Result<()> {
        write(path, text.as_bytes(), Standing::Replaced, Lasting::Written)
    }

    #[test]
    fn a_file_is_replaced_and_nothing_is_left_beside_it() {
        let place = tempfile::tempdir().unwrap();
        let path = place.path().join("a.txt");
        replace(&path, "one").unwrap();
        replace(&path, "two").unwrap();
        assert_eq!(fs::read_to_string(&path).unwrap(), "two");
        assert_eq!(names(place.path()), ["a.txt"]);
    }

    #[test]
    fn a_file_that_is_kept_stays() {
        let place = tempfile::tempdir().unwrap();
        let path = place.path().join("a.txt");
        let keep = |text: &str| write(&path, text.as_bytes(), Standing::Kept, Lasting::Written);
        keep("one").unwrap();
        assert_eq!(
            keep("two").unwrap_err().kind(),
            io::ErrorKind::AlreadyExists
        );
        assert_eq!(fs::read_to_string(&path).unwrap(), "one");
        assert_eq!(names(place.path()), ["a.txt"]);
    }

    #[test]
    fn a_refusal_leaves_what_stood_there_and_no_part() {
        let place = tempfile::tempdir().unwrap();
        let folder = place.path().join("folder");
        fs::create_dir(&folder).unwrap();
        fs::write(folder.join("kept"), "x").unwrap();
        let error = replace(&folder, "text").unwrap_err();
        let words = refused(&folder, "the report", &error);
        assert!(words.context.contains("folder: cannot write the report"));
        assert!(words.hint.is_some());
        assert_eq!(names(place.path()), ["folder"]);
        let missing = place.path().join("nowhere").join("a.txt");
        let error = refused(&missing, "the report", &replace(&missing, "x").unwrap_err());
        assert!(error.context.contains("no such folder"), "{error}");
    }

    #[cfg(unix)]
    #[test]
    fn a_link_stays_a_link() {
        let place = tempfile::tempdir().unwrap();
        let (path, link) = (place.path().join("a.txt"), place.path().join("link"));
        fs::write(&path, "old").unwrap();
        std::os::unix::fs::symlink(&path, &link).unwrap();
        replace(&link, "new").unwrap();
        assert!(link.symlink_metadata().unwrap().is_symlink());
        assert_eq!(fs::read_to_string(&path).unwrap(), "new");
    }

    #[test]
    fn leftovers_go_and_files_being_written_stay() {
        let place = tempfile::tempdir().unwrap();
        let dead = place.path().join(".stillpoint-12-0.part");
        fs::write(&dead, "half").unwrap();
        let (at_work, file) = part_file(&place.path().join("a.txt")).unwrap();
        file.try_lock().unwrap();
        for other in ["a.part", ".stillpoint-.part", ".stillpoint-x-1.part"] {
            fs::write(place.path().join(other), "not ours").unwrap();
        }
        clear_leftovers(place.path());
        assert!(!dead.exists());
        assert!(at_work.exists());
        assert_eq!(names(place.path()).len(), 4);
    }

    #[test]
    fn writers_and_clearers_at_once_do_no_harm() {
        let place = tempfile::tempdir().unwrap();
        std::thread::scope(|scope| {
            for k in 0..4 {
                let path = place.path().join(format!("{k}.txt"));
                let folder = place.path();
                scope.spawn(move || {
                    for round in 0..50 {
                        let text = format!("{k} {round}");
                        write(&path, text.as_bytes(), Standing::Replaced, Lasting::Handed).unwrap();
                        assert_eq!(fs::read_to_string(&path).unwrap(), text);
                        clear_leftovers(folder);
                    }
                });
            }
        });
        assert_eq!(names(place.path()), ["0.txt", "1.txt", "2.txt", "3.txt"]);
    }
}
