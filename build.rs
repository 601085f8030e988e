//! A fingerprint of everything that the measuring of a frame depends on, for the kept measures.
//!
//! Whoever changes how frames are decoded or stars measured need not remember to say so: measures
//! of another fingerprint are not used.

use std::collections::hash_map::DefaultHasher;
use std::fs;
use std::hash::{Hash, Hasher};
use std::path::{Path, PathBuf};
use std::process::Command;

/// Code whose change may change what is measured or how it is kept, and the libraries' versions.
const MEASURING: [&str; 5] = [
    "src/frame",
    "src/stars",
    "src/cache",
    "src/units.rs",
    "Cargo.lock",
];
/// What the compiler is asked, beside the code.
const ASKED: [&str; 5] = [
    "TARGET",
    "OPT_LEVEL",
    "CARGO_CFG_TARGET_FEATURE",
    "CARGO_FEATURE_RAW",
    "CARGO_ENCODED_RUSTFLAGS",
];

fn main() {
    let mut hasher = DefaultHasher::new();
    for part in MEASURING {
        println!("cargo::rerun-if-changed={part}");
        for file in files_of(Path::new(part)) {
            file.hash(&mut hasher);
            fs::read(&file).unwrap_or_default().hash(&mut hasher);
        }
    }
    for name in ASKED {
        std::env::var(name).ok().hash(&mut hasher);
    }
    compiler().hash(&mut hasher);
    println!(
        "cargo::rustc-env=STILLPOINT_MEASURING={:016x}",
        hasher.finish()
    );
}

/// A file alone, or all files below a folder, in a fixed order.
fn files_of(part: &Path) -> Vec<PathBuf> {
    let Ok(entries) = fs::read_dir(part) else {
        return vec![part.to_path_buf()];
    };
    let mut parts: Vec<PathBuf> = entries.flatten().map(|entry| entry.path()).collect();
    parts.sort();
    parts.iter().flat_map(|part| files_of(part)).collect()
}

/// The compiler's version, as it says it.
fn compiler() -> Option<Vec<u8>> {
    let compiler = std::env::var_os("RUSTC")?;
    let answer = Command::new(compiler).arg("-vV").output().ok()?;
    Some(answer.stdout)
}
