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
