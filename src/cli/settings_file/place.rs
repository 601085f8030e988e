//! Where settings files lie.

use std::path::{Path, PathBuf};

use super::super::home;

/// Name of a settings file.
pub use crate::pipeline::SETTINGS_FILE as FILE_NAME;

/// The settings file of a folder, whether it is there or not.
pub fn in_folder(folder: &Path) -> PathBuf {
    folder.join(FILE_NAME)
}

/// The user's own settings file, whether it is there or not; `None` where the system names no home.
pub fn of_user() -> Option<PathBuf> {
    Some(home::configuration_of_user()?.join(FILE_NAME))
}
