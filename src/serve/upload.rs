//! Frames that a page hands over: a safe name, the right first bytes, a place inside the night.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::time::Duration;

use axum::body::{Body, BodyDataStream, Bytes};
use futures_util::StreamExt;
use tokio::io::AsyncWriteExt;
use tokio::time::timeout;

use crate::error::{Error, ErrorKind};
use crate::frame::{TELLING_BYTES, check_offered};

/// Largest frame that is taken: a RAW file of a hundred megapixels, and some.
pub(super) const MOST_BYTES: u64 = 300_000_000;
/// A sender that is silent for so long has gone.
const SILENCE: Duration = Duration::from_secs(30);
/// Longest name.
const MOST_LETTERS: usize = 120;
/// Names that some systems keep for devices.
const DEVICES: &[&str] = &["con", "prn", "aux", "nul", "com", "lpt"];

/// The name that an offered file gets: letters, digits and a few signs stay, others become `_`.
///
/// # Errors
/// `BadSetting` for a name that leads elsewhere (`/`, `\`, `..`, a drive, a hidden file).
pub(super) fn safe_name(offered: &str) -> Result<String, Error> {
    let refused = |what: &str| {
        Error::new(
            ErrorKind::BadSetting,
            format!("the name {what}; a plain file name such as IMG_0001.jpg was needed"),
        )
    };
    let leads_away = |letter: char| matches!(letter, '/' | '\\' | ':') || letter.is_control();
    if offered.contains(leads_away) || offered.contains("..") {
        return Err(refused("holds a path"));
    }
    if offered.starts_with('.') {
        return Err(refused("begins with a dot, as those of hidden files do"));
    }
    if offered.is_empty() || MOST_LETTERS < offered.chars().count() {
        return Err(refused("is empty or very long"));
    }
    let kept = |letter: char| letter.is_alphanumeric() || "-_. ()".contains(letter);
    let name: String = offered
        .chars()
        .map(|one| if kept(one) { one } else { '_' })
        .collect();
    let stem = name.split('.').next().unwrap_or_default().to_lowercase();
    let is_device = DEVICES.iter().any(|device| {
        let number = stem.trim().strip_prefix(device);
        number.is_some_and(|rest| rest.len() <= 1 && rest.chars().all(|c| c.is_ascii_digit()))
    });
    Ok(if is_device { format!("_{name}") } else { name })
}

/// A folder of the night, checked to lie inside it whatever links lead there.
///
/// # Errors
/// `BadSetting` when it lies elsewhere, `Io` when it is gone.
pub(super) fn folder_inside(root: &Path, folder: &Path) -> Result<PathBuf, Error> {
    let gone = |error: io::Error| Error::new(ErrorKind::Io, format!("the folder is gone: {error}"));
    let root = root.canonicalize().map_err(gone)?;
    let place = root.join(folder).canonicalize().map_err(gone)?;
    if place.starts_with(&root) {
        return Ok(place);
    }
    let context = "the folder lies outside the night; frames are only put inside it";
    Err(Error::new(ErrorKind::BadSetting, context))
}

/// A file on its way into the night: written aside, its name taken; dropped, it leaves nothing.
#[derive(Debug)]
pub(super) struct Aside {
    name: String,
    /// Where it will stand; an empty file keeps the place.
    target: PathBuf,
    /// Where it is written; hidden, so that nobody takes it for a frame.
    path: PathBuf,
    is_done: bool,
}

impl Aside {
    /// Takes a place, if nobody has it.
    fn new(folder: &Path, name: &str) -> Result<Self, Error> {
        let target = folder.join(name);
        let reserved = fs::OpenOptions::new()
            .write(true)
            .create_new(true)
            .open(&target);
        match reserved {
            Ok(_) => {}
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {
                let context = "is there already; nothing is written over";
                return Err(Error::new(ErrorKind::BadSetting, context).about(name));
            }
            Err(error) => return Err(unwritten(name, &error)),
        }
        Ok(Self {
            name: name.to_owned(),
            target,
            path: folder.join(format!(".{name}.{}.part", std::process::id())),
            is_done: false,
        })
    }

    /// Puts it in its place.
    ///
    /// # Errors
    /// `Io` when the system refuses.
    pub(super) fn finish(mut self) -> Result<(), Error> {
        let moved = fs::rename(&self.path, &self.target);
        moved.map_err(|error| unwritten(&self.name, &error))?;
        self.is_done = true;
        Ok(())
    }
}

impl Drop for Aside {
    fn drop(&mut self) {
        if !self.is_done {
            // What cannot be removed was perhaps never there.
            let _ = fs::remove_file(&self.path);
            let _ = fs::remove_file(&self.target);
        }
    }
}

/// Receives a frame beside its place in a folder.
///
/// # Errors
/// When it is no picture by name and first bytes, too large, there already, cut short, or cannot be
/// written; nothing of it is kept then.
pub(super) async fn receive(folder: &Path, name: &str, body: Body) -> Result<Aside, Error> {
    let mut stream = body.into_data_stream();
    let mut start: Vec<u8> = Vec::new();
    while start.len() < TELLING_BYTES {
        match next(&mut stream, name).await? {
            Some(bytes) => start.extend_from_slice(&bytes),
            None => break,
        }
    }
    check_offered(name, &start[..start.len().min(TELLING_BYTES)])?;
    let aside = Aside::new(folder, name)?;
    write_all(&aside.path, name, &start, &mut stream).await?;
    Ok(aside)
}

async fn write_all(
    path: &Path,
    name: &str,
    start: &[u8],
    stream: &mut BodyDataStream,
) -> Result<(), Error> {
    let unwritten = |error: io::Error| unwritten(name, &error);
    let mut options = tokio::fs::OpenOptions::new();
    let file = options.write(true).create_new(true).open(path).await;
    let mut file = file.map_err(unwritten)?;
    file.write_all(start).await.map_err(unwritten)?;
    let mut n_bytes = start.len() as u64;
    while let Some(bytes) = next(stream, name).await? {
        n_bytes += bytes.len() as u64;
        if MOST_BYTES < n_bytes {
            return Err(too_large(name));
        }
        file.write_all(&bytes).await.map_err(unwritten)?;
    }
    file.flush().await.map_err(unwritten)?;
    file.sync_all().await.map_err(unwritten)
}

/// The next bytes of a body; `None` at its end.
async fn next(stream: &mut BodyDataStream, name: &str) -> Result<Option<Bytes>, Error> {
    let cut = || Error::new(ErrorKind::Io, "did not arrive whole").about(name);
    match timeout(SILENCE, stream.next()).await {
        Ok(None) => Ok(None),
        Ok(Some(Ok(bytes))) => Ok(Some(bytes)),
        Ok(Some(Err(_))) | Err(_) => Err(cut()),
    }
}

/// The refusal of a frame that is too large.
pub(super) fn too_large(name: &str) -> Error {
    let context = format!(
        "is larger than {} MB, the most that is taken",
        MOST_BYTES / 1_000_000
    );
    Error::new(ErrorKind::Unsupported, context).about(name)
}

fn unwritten(name: &str, error: &io::Error) -> Error {
    Error::new(ErrorKind::Io, format!("cannot be written: {error}")).about(name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_plain_name_stays_and_odd_signs_go() {
        assert_eq!(safe_name("IMG_0001.JPG").unwrap(), "IMG_0001.JPG");
        assert_eq!(safe_name("Nacht 2 (1).nef").unwrap(), "Nacht 2 (1).nef");
        assert_eq!(safe_name("a<b>|?*&.jpg").unwrap(), "a_b_____.jpg");
        assert_eq!(safe_name("nul.jpg").unwrap(), "_nul.jpg");
        assert_eq!(safe_name("COM1.jpg").unwrap(), "_COM1.jpg");
        assert_eq!(safe_name("comet.jpg").unwrap(), "comet.jpg");
    }

    #[test]
    fn names_that_lead_elsewhere_are_refused() {
        let long = "a".repeat(MOST_LETTERS + 1);
        for name in [
            "../a.jpg",
            "..",
            "a/b.jpg",
            "a\\b.jpg",
            "/etc/a.jpg",
            "C:a.jpg",
            ".a.jpg",
            "a\0.jpg",
            "a\n.jpg",
            "",
            &long,
        ] {
            assert!(safe_name(name).is_err(), "{name:?}");
        }
    }

    #[test]
    fn folders_outside_are_refused_whatever_leads_there() {
        let night = tempfile::tempdir().unwrap();
        let outside = tempfile::tempdir().unwrap();
        fs::create_dir(night.path().join("east")).unwrap();
        assert!(folder_inside(night.path(), Path::new("")).is_ok());
        assert!(folder_inside(night.path(), Path::new("east")).is_ok());
        assert!(folder_inside(night.path(), Path::new("..")).is_err());
        assert!(folder_inside(night.path(), outside.path()).is_err());
        #[cfg(unix)]
        {
            let link = night.path().join("away");
            std::os::unix::fs::symlink(outside.path(), link).unwrap();
            assert!(folder_inside(night.path(), Path::new("away")).is_err());
        }
    }

    #[test]
    fn a_file_that_is_there_is_not_touched() {
        let night = tempfile::tempdir().unwrap();
        fs::write(night.path().join("a.jpg"), "mine").unwrap();
        assert!(Aside::new(night.path(), "a.jpg").is_err());
        assert_eq!(fs::read(night.path().join("a.jpg")).unwrap(), b"mine");
    }

    #[test]
    fn what_breaks_off_leaves_nothing() {
        let night = tempfile::tempdir().unwrap();
        let aside = Aside::new(night.path(), "a.jpg").unwrap();
        fs::write(&aside.path, "half").unwrap();
        drop(aside);
        assert_eq!(fs::read_dir(night.path()).unwrap().count(), 0);
    }
}
