//! Files of reports: whole or not at all, and never over something that is none.

use std::fs;
use std::io::Read;
use std::path::Path;

use crate::error::{Error, ErrorKind};
use crate::whole::{self, Lasting, Standing};

/// Bytes of a file that tell what it is.
const START: u64 = 256;

/// Writes a text so that no half of it ever stands there.
///
/// `is_ours` says by its first bytes whether a file that stands there may be replaced; an empty
/// one may always.
///
/// # Errors
/// When the system refuses to write, and when something else stands there already.
pub(super) fn save(
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
    whole::clear_leftovers(whole::folder_of(path));
    whole::write(path, text.as_bytes(), Standing::Replaced, Lasting::Written)
        .map_err(|error| whole::refused(path, "the report", &error))
}

/// A file that cannot be read counts as something else.
fn may_be_replaced(path: &Path, is_ours: impl Fn(&[u8]) -> bool) -> bool {
    let mut start = Vec::new();
    fs::File::open(path)
        .and_then(|file| file.take(START).read_to_end(&mut start))
        .is_ok_and(|_| start.is_empty() || is_ours(&start))
}
