//! One file that is written anew for every try.

use std::path::PathBuf;

use stillpoint::frame::{Overrides, read_frame, read_header};

/// A path for this process in memory where the system has such a folder, else on disk.
pub fn path(name: &str) -> PathBuf {
    let memory = PathBuf::from("/dev/shm");
    let folder = if memory.is_dir() {
        memory
    } else {
        std::env::temp_dir()
    };
    let own = folder.join(format!("stillpoint-fuzz-{}", std::process::id()));
    std::fs::create_dir_all(&own).expect("a folder for the tries");
    own.join(name)
}

/// Reads the bytes as a file of this ending: header, then pixels, which must be numbers.
#[allow(dead_code, reason = "each target takes what it needs")]
pub fn read_as(ending: &str, bytes: &[u8]) {
    let path = path(&format!("try.{ending}"));
    std::fs::write(&path, bytes).expect("the try is written");
    let none = Overrides::default();
    let header = read_header(&path, &none);
    let Ok(frame) = read_frame(&path, &none) else {
        return;
    };
    let plane = &frame.value.plane;
    assert!(plane.data().iter().all(|value| value.is_finite()));
    let (_, size) = header.expect("a frame that is read has a header").value;
    assert_eq!(size, (plane.width(), plane.height()));
}
