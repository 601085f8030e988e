//! Where settings files lie.

use std::path::{Path, PathBuf};

/// Name of a settings file.
pub use crate::pipeline::SETTINGS_FILE as FILE_NAME;
/// Name of the program's own folder among the user's configurations.
const FOLDER: &str = "stillpoint";

/// The settings file of a folder, whether it is there or not.
pub fn in_folder(folder: &Path) -> PathBuf {
    folder.join(FILE_NAME)
}

/// The user's own settings file, whether it is there or not; `None` where the system names no home.
pub fn of_user() -> Option<PathBuf> {
    let configurations = configurations(|name| std::env::var(name).ok())?;
    Some(configurations.join(FOLDER).join(FILE_NAME))
}

/// The folder of the user's configurations: by the XDG base directory specification, on systems
/// that have another custom by that.
fn configurations(variable: impl Fn(&str) -> Option<String>) -> Option<PathBuf> {
    let set = |name: &str| variable(name).filter(|value| !value.is_empty());
    // The specification wants relative paths ignored.
    let absolute = |name: &str| {
        set(name)
            .map(PathBuf::from)
            .filter(|path| path.is_absolute())
    };
    if let Some(path) = absolute("XDG_CONFIG_HOME") {
        return Some(path);
    }
    if cfg!(windows) {
        return absolute("APPDATA");
    }
    let home = absolute("HOME")?;
    Some(if cfg!(target_os = "macos") {
        home.join("Library").join("Application Support")
    } else {
        home.join(".config")
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    #[cfg(all(unix, not(target_os = "macos")))]
    fn the_configuration_folder_follows_the_custom() {
        fn of(pairs: &[(&str, &str)]) -> Option<PathBuf> {
            configurations(|name| {
                let found = pairs.iter().find(|pair| pair.0 == name);
                found.map(|pair| pair.1.to_owned())
            })
        }
        let home = ("HOME", "/home/ada");
        assert_eq!(of(&[home]), Some("/home/ada/.config".into()));
        let set = ("XDG_CONFIG_HOME", "/etc/ada");
        assert_eq!(of(&[home, set]), Some("/etc/ada".into()));
        let relative = ("XDG_CONFIG_HOME", "relative");
        assert_eq!(of(&[relative, home]), Some("/home/ada/.config".into()));
        assert_eq!(of(&[]), None);
    }
}
