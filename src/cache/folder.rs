//! The folder of entries: its mark for backups, the stamps of use, the removal of the oldest.

use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};
use std::time::SystemTime;

use crate::whole::{self, Lasting, Standing};

/// Folder of the entries inside the user's.
pub(super) const NAME: &str = "frames";
/// Ending of an entry's name, after the 64 digits of its key.
const ENDING: &str = ".measures";
const KEY_DIGITS: usize = 64;
/// By this mark backup programs know that a folder need not be kept (Cache Directory Tagging
/// Specification 0.6, bford.info/cachedir; the first line is prescribed).
const MARK: (&str, &str) = (
    "CACHEDIR.TAG",
    "Signature: 8a477f597d28d172789f06886806bc55\n\
     # Measures of frames, kept by stillpoint so that a frame is measured once. Safe to delete.\n",
);
/// When the limit is passed, the oldest go until this share of it is left, so that not every run
/// has to remove some.
const KEPT_SHARE: f64 = 0.9;

/// The name of an entry.
pub(super) fn file_name(key_digits: &str) -> String {
    format!("{key_digits}{ENDING}")
}

/// Makes the folder and its mark, if they are not there.
pub(super) fn made(folder: &Path) -> io::Result<()> {
    if folder.is_dir() {
        return Ok(());
    }
    fs::create_dir_all(folder)?;
    let mark = folder.join(MARK.0);
    match whole::write(&mark, MARK.1.as_bytes(), Standing::Kept, Lasting::Handed) {
        Err(error) if error.kind() != io::ErrorKind::AlreadyExists => Err(error),
        _ => Ok(()),
    }
}

/// Says that an entry was used. A stamp that cannot be set only makes it go sooner.
pub(super) fn stamp(entry: &Path, now: SystemTime) {
    let _ = File::options()
        .write(true)
        .open(entry)
        .and_then(|file| file.set_modified(now));
}

/// Removes the entries stamped first until the rest takes no more than the limit, by a margin.
pub(super) fn prune(folder: &Path, limit_bytes: u64) {
    let mut entries = entries(folder);
    let mut total: u64 = entries.iter().map(|entry| entry.bytes).sum();
    if total <= limit_bytes {
        return;
    }
    let kept = (limit_bytes as f64 * KEPT_SHARE) as u64;
    entries.sort_by(|a, b| (a.stamp, &a.path).cmp(&(b.stamp, &b.path)));
    for entry in entries {
        if total <= kept {
            return;
        }
        // Another run may have removed it already.
        let _ = fs::remove_file(&entry.path);
        total -= entry.bytes;
    }
}

struct Entry {
    path: PathBuf,
    bytes: u64,
    stamp: SystemTime,
}

fn entries(folder: &Path) -> Vec<Entry> {
    let Ok(listed) = fs::read_dir(folder) else {
        return Vec::new();
    };
    listed
        .flatten()
        .filter(|entry| is_entry(&entry.file_name()))
        .filter_map(|entry| {
            let facts = entry.metadata().ok().filter(fs::Metadata::is_file)?;
            Some(Entry {
                path: entry.path(),
                bytes: facts.len(),
                stamp: facts.modified().ok()?,
            })
        })
        .collect()
}

fn is_entry(name: &std::ffi::OsStr) -> bool {
    name.to_str()
        .and_then(|name| name.strip_suffix(ENDING))
        .is_some_and(|key| key.len() == KEY_DIGITS && key.bytes().all(|b| b.is_ascii_hexdigit()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    fn entry(folder: &Path, digit: char, age: u64) -> PathBuf {
        let path = folder.join(file_name(&digit.to_string().repeat(KEY_DIGITS)));
        fs::write(&path, [0; 100]).unwrap();
        stamp(
            &path,
            SystemTime::UNIX_EPOCH + Duration::from_secs(1000 - age),
        );
        path
    }

    #[test]
    fn the_oldest_go_first_and_only_as_many_as_needed() {
        let place = tempfile::tempdir().unwrap();
        let oldest = entry(place.path(), 'b', 9);
        let middle = entry(place.path(), 'a', 5);
        let newest = entry(place.path(), 'c', 1);
        prune(place.path(), 300);
        assert!(oldest.exists() && middle.exists() && newest.exists());
        prune(place.path(), 299);
        assert!(!oldest.exists() && middle.exists() && newest.exists());
    }

    #[test]
    fn files_of_others_are_never_removed() {
        let place = tempfile::tempdir().unwrap();
        entry(place.path(), 'a', 5);
        let names = [
            "IMG_0001.jpg".to_string(),
            format!("{}.measures", "a".repeat(63)),
            format!("{}.measures", "g".repeat(64)),
            "b".repeat(64),
        ];
        for name in &names {
            fs::write(place.path().join(name), [0; 100]).unwrap();
        }
        prune(place.path(), 0);
        assert_eq!(fs::read_dir(place.path()).unwrap().count(), names.len());
    }

    #[test]
    fn a_new_folder_is_marked_for_backups() {
        let place = tempfile::tempdir().unwrap();
        let folder = place.path().join("deep").join(NAME);
        made(&folder).unwrap();
        made(&folder).unwrap();
        let mark = fs::read_to_string(folder.join("CACHEDIR.TAG")).unwrap();
        assert!(mark.starts_with("Signature: 8a477f597d28d172789f06886806bc55"));
    }
}
