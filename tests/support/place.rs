//! A copy of the demo night with a cache, and whole runs of the built program on it.
#![allow(dead_code, reason = "each test file takes what it needs")]

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

use tempfile::TempDir;

/// A folder with a copy of the demo night, and a cache.
pub struct Place(TempDir);

/// What a run left.
pub struct Run {
    /// `None` for a run that a signal ended.
    pub code: Option<i32>,
    pub stdout: String,
    pub stderr: String,
}

impl Place {
    pub fn new() -> Self {
        let place = Self(tempfile::tempdir().unwrap());
        let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("testdata/demo/night");
        // The page of an earlier run may lie beside the folders.
        let entries = fs::read_dir(demo).unwrap().flatten();
        for folder in entries.filter(|entry| entry.path().is_dir()) {
            let to = place.path("night").join(folder.file_name());
            fs::create_dir_all(&to).unwrap();
            for file in fs::read_dir(folder.path()).unwrap().flatten() {
                fs::copy(file.path(), to.join(file.file_name())).unwrap();
            }
        }
        place
    }

    /// The demo night through a sensor of a quarter of the pixels, each four times as large: the same
    /// sky, and frames that are measured in less time. The whole of it, or its first two frames.
    pub fn with_large_pixels(whole: bool) -> Self {
        let place = Self(tempfile::tempdir().unwrap());
        let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("testdata/demo/night.toml");
        let mut scenario = fs::read_to_string(demo).unwrap();
        if !whole {
            let second = "[[alignment.pointing]]\nhour_angle_h";
            scenario.truncate(scenario.find(second).expect("a second direction"));
        }
        for (sharp, coarse) in [
            ("width_px = 1800", "width_px = 900"),
            ("height_px = 1200", "height_px = 600"),
            ("pitch_um = 2.8", "pitch_um = 5.6"),
        ] {
            assert!(scenario.contains(sharp), "{sharp}");
            scenario = scenario.replace(sharp, coarse);
        }
        fs::write(place.path("night.toml"), scenario).unwrap();
        let mut draw = Command::new(env!("CARGO_BIN_EXE_stillpoint"));
        draw.args(["simulate", "night.toml", "--out", "night"]);
        let drawn = Run::of(place.command(&mut draw).spawn().expect("it starts"));
        assert_eq!((drawn.code, drawn.stderr.as_str()), (Some(0), ""));
        place
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    pub fn frame(&self, name: &str) -> PathBuf {
        self.path("night").join(name)
    }

    pub fn n_frames(&self) -> usize {
        let files = files_below(&self.path("night"));
        files
            .iter()
            .filter(|path| path.extension().is_some_and(|ending| ending == "jpg"))
            .count()
    }

    /// Entries of the cache with what tells a file from one that replaced it.
    pub fn entries(&self) -> Vec<(PathBuf, u64)> {
        let files = files_below(&self.path("cache"));
        files
            .into_iter()
            .filter(|path| path.extension().is_some_and(|ending| ending == "measures"))
            .map(|path| (path.clone(), identity(&path)))
            .collect()
    }

    pub fn leftovers(&self) -> Vec<PathBuf> {
        let files = files_below(self.0.path());
        files
            .into_iter()
            .filter(|path| path.extension().is_some_and(|ending| ending == "part"))
            .collect()
    }

    pub fn command<'a>(&self, command: &'a mut Command) -> &'a mut Command {
        command
            .current_dir(self.0.path())
            .env("XDG_CONFIG_HOME", self.path("none"))
            .env("XDG_CACHE_HOME", self.path("none"))
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
    }

    /// Starts the program, with the place's cache unless the words forbid one.
    pub fn start(&self, words: &[&str]) -> Child {
        let mut command = Command::new(env!("CARGO_BIN_EXE_stillpoint"));
        command.args(words);
        if !words.contains(&"--no-cache") {
            command.args(["--cache", "cache"]);
        }
        self.command(&mut command).spawn().expect("it starts")
    }

    pub fn run(&self, words: &[&str]) -> Run {
        Run::of(self.start(words))
    }

    pub fn json(&self, words: &[&str]) -> String {
        let run = self.run(&[&["diagnose", "night", "--json", "-"], words].concat());
        assert!(matches!(run.code, Some(0 | 1)), "{}", run.stderr);
        assert_eq!(run.stderr, "");
        run.stdout
    }
}

impl Run {
    pub fn of(child: Child) -> Self {
        let output = child.wait_with_output().expect("it ends");
        let stderr = String::from_utf8(output.stderr).expect("UTF-8");
        assert!(!stderr.contains("panicked"), "{stderr}");
        Self {
            code: output.status.code(),
            stdout: String::from_utf8(output.stdout).expect("UTF-8"),
            stderr,
        }
    }
}

fn files_below(folder: &Path) -> Vec<PathBuf> {
    let Ok(entries) = fs::read_dir(folder) else {
        return Vec::new();
    };
    let mut paths: Vec<PathBuf> = entries.flatten().map(|entry| entry.path()).collect();
    paths.sort();
    paths
        .into_iter()
        .flat_map(|path| {
            if path.is_dir() {
                files_below(&path)
            } else {
                vec![path]
            }
        })
        .collect()
}

#[cfg(unix)]
fn identity(path: &Path) -> u64 {
    use std::os::unix::fs::MetadataExt;
    fs::metadata(path).unwrap().ino()
}

#[cfg(not(unix))]
fn identity(_path: &Path) -> u64 {
    0
}
