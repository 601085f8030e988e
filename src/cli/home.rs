//! The user's own folders, by the custom of the system.

use std::path::PathBuf;

/// Name of the program's own folder among the user's.
const FOLDER: &str = "stillpoint";

/// The folder of the user's settings; `None` where the system names no home.
pub fn configuration_of_user() -> Option<PathBuf> {
    let base = base(&CONFIGURATIONS, |name| std::env::var(name).ok())?;
    Some(base.join(FOLDER))
}

/// The folder for what can be made again; `None` where the system names no home.
pub fn cache_of_user() -> Option<PathBuf> {
    let base = base(&CACHES, |name| std::env::var(name).ok())?;
    Some(base.join(FOLDER))
}

/// Where one kind of folder lies: by the XDG base directory specification, on systems that have
/// another custom by that.
struct Custom {
    /// Variable of the XDG specification.
    variable: &'static str,
    /// Variable of Windows.
    windows: &'static str,
    /// Folders below the home on macOS.
    mac: &'static str,
    /// Folder below the home elsewhere.
    elsewhere: &'static str,
}

const CONFIGURATIONS: Custom = Custom {
    variable: "XDG_CONFIG_HOME",
    windows: "APPDATA",
    mac: "Library/Application Support",
    elsewhere: ".config",
};
const CACHES: Custom = Custom {
    variable: "XDG_CACHE_HOME",
    windows: "LOCALAPPDATA",
    mac: "Library/Caches",
    elsewhere: ".cache",
};

fn base(custom: &Custom, variable: impl Fn(&str) -> Option<String>) -> Option<PathBuf> {
    // The specification wants relative paths ignored.
    let absolute = |name: &str| {
        variable(name)
            .map(PathBuf::from)
            .filter(|path| path.is_absolute())
    };
    if let Some(path) = absolute(custom.variable) {
        return Some(path);
    }
    if cfg!(windows) {
        return absolute(custom.windows);
    }
    let home = absolute("HOME")?;
    Some(if cfg!(target_os = "macos") {
        home.join(custom.mac)
    } else {
        home.join(custom.elsewhere)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    #[cfg(all(unix, not(target_os = "macos")))]
    fn the_folders_follow_the_custom() {
        fn of(custom: &Custom, pairs: &[(&str, &str)]) -> Option<PathBuf> {
            base(custom, |name| {
                let found = pairs.iter().find(|pair| pair.0 == name);
                found.map(|pair| pair.1.to_owned())
            })
        }
        let home = ("HOME", "/home/ada");
        assert_eq!(
            of(&CONFIGURATIONS, &[home]),
            Some("/home/ada/.config".into())
        );
        assert_eq!(of(&CACHES, &[home]), Some("/home/ada/.cache".into()));
        let set = ("XDG_CONFIG_HOME", "/etc/ada");
        assert_eq!(of(&CONFIGURATIONS, &[home, set]), Some("/etc/ada".into()));
        assert_eq!(of(&CACHES, &[home, set]), Some("/home/ada/.cache".into()));
        for unusable in ["relative", ""] {
            let set = ("XDG_CACHE_HOME", unusable);
            assert_eq!(of(&CACHES, &[set, home]), Some("/home/ada/.cache".into()));
        }
        assert_eq!(of(&CONFIGURATIONS, &[]), None);
    }
}
