//! Files of reports: whole or not at all, and never over something that is none.

use std::ffi::OsString;
use std::fs;
use std::io::Read;
use std::path::{Path, PathBuf};

use crate::error::{Error, ErrorKind};

/// Bytes of a file that tell what it is.
const START: u64 = 256;

/// Writes a text aside, then renames it, so that no half of it ever stands there.
///
/// `is_ours` says by its first bytes whether a file that stands there may be replaced; an empty
/// one may always.
///
/// # Errors
/// When the system refuses to write, and when something else stands there already.
pub(super) fn write_whole(
    path: &Path,
    text: &str,
    is_ours: impl Fn(&[u8]) -> bool,
    kind: &str,
) -> Result<(), Error> {
    if path.is_file() && !may_be_replaced(path, is_ours) {
        return Err(Error::new(
            ErrorKind::BadSetting,
            format!("{}: is there already and is no {kind}", path.display()),
        )
        .with_hint("give another name for the report, or remove that file yourself"));
    }
    let refused = |error: std::io::Error| {
        Error::new(
            ErrorKind::Io,
            format!("{}: cannot write the report: {error}", path.display()),
        )
        .with_hint("give a file in a folder that exists and that you may write to")
    };
    if path.exists() && !path.is_file() {
        // A device or a pipe is written to as it is; a rename would replace it.
        return fs::write(path, text).map_err(refused);
    }
    let aside = aside(path);
    fs::write(&aside, text)
        .and_then(|()| fs::rename(&aside, path))
        .map_err(|error| {
            // The first failure is the one to tell; there may be nothing to remove.
            let _ = fs::remove_file(&aside);
            refused(error)
        })
}

/// A file that cannot be read counts as something else.
fn may_be_replaced(path: &Path, is_ours: impl Fn(&[u8]) -> bool) -> bool {
    let mut start = Vec::new();
    fs::File::open(path)
        .and_then(|file| file.take(START).read_to_end(&mut start))
        .is_ok_and(|_| start.is_empty() || is_ours(&start))
}

/// A name beside the target's, so that the rename stays on one disk.
fn aside(path: &Path) -> PathBuf {
    let mut name = OsString::from(".");
    name.push(path.file_name().unwrap_or_default());
    name.push(format!(".{}.part", std::process::id()));
    path.with_file_name(name)
}
