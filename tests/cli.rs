//! Truth: the promises of the command line (README, DEVELOPERS). Whole runs of the built program.

use std::fs;
use std::process::{Command, Output};

use tempfile::TempDir;

#[test]
fn a_folder_that_is_missing_ends_with_2_and_two_lines() {
    let run = stillpoint(&["diagnose", "no-such-night"]);
    assert_eq!(run.code, 2);
    assert_eq!(run.error_lines().len(), 2, "{}", run.stderr);
    assert!(run.stderr.contains("no-such-night") && run.stderr.contains("hint: "));
    assert!(run.stdout.is_empty());
}

#[test]
fn a_night_without_frames_ends_with_2_and_names_the_folder() {
    let night = TempDir::new().unwrap();
    fs::write(night.path().join("notes.txt"), "cold").unwrap();
    let folder = night.path().to_str().unwrap();
    let run = stillpoint(&["diagnose", folder]);
    assert_eq!(run.code, 2);
    assert!(run.stderr.contains(folder), "{}", run.stderr);
}

#[test]
fn a_bad_value_names_flag_value_limits_and_an_example() {
    for (flag, value, allowed) in [
        ("--site", "151.2,-33.9", "latitude comes first"),
        ("--utc-offset", "+25:00", "-12:00 to +14:00"),
        ("--exposure", "long", "seconds above 0"),
        ("--focal", "-50", "1 to 10000"),
        ("--pixel-pitch", "3.9mm", "micrometres"),
        ("--tolerance", "0", "above 0"),
        ("--threads", "many", "1 to 1024"),
        ("--roll", "upright", "degrees"),
        ("--at", "5,5", "write 5h or 5d"),
    ] {
        let run = stillpoint(&["diagnose", ".", flag, value]);
        assert_eq!(run.code, 2, "{flag} {value}");
        for words in [flag, value, allowed, "for example: "] {
            assert!(
                run.stderr.contains(words),
                "{words} is not in {}",
                run.stderr
            );
        }
    }
}

#[test]
fn a_mistyped_side_of_the_sky_brings_the_nearest() {
    let run = stillpoint(&["diagnose", ".", "--facing", "soth", "--altitude", "40"]);
    assert_eq!(run.code, 2);
    assert!(
        run.stderr.contains("did you mean \"south\"?"),
        "{}",
        run.stderr
    );
}

#[test]
fn an_unknown_flag_ends_with_2_and_brings_the_nearest() {
    let run = stillpoint(&["diagnose", ".", "--tolerence", "1"]);
    assert_eq!(run.code, 2);
    assert!(run.stderr.contains("--tolerance"), "{}", run.stderr);
}

#[test]
fn help_and_version_end_with_0() {
    let help = stillpoint(&["--help"]);
    assert_eq!(help.code, 0);
    assert!(help.stdout.contains("diagnose") && help.stdout.contains("Exit code"));
    let version = stillpoint(&["--version"]);
    assert_eq!(
        version.stdout.trim(),
        concat!("stillpoint ", env!("CARGO_PKG_VERSION"))
    );
}

#[test]
fn measure_refuses_a_folder_and_two_forms_at_once() {
    let folder = stillpoint(&["measure", "."]);
    assert_eq!(folder.code, 2);
    assert!(
        folder.stderr.contains("stillpoint diagnose ."),
        "{}",
        folder.stderr
    );
    assert_eq!(stillpoint(&["measure", "--json", "--csv", "a.jpg"]).code, 2);
}

#[test]
fn a_file_that_is_no_picture_ends_with_2_and_is_named() {
    let place = TempDir::new().unwrap();
    let file = place.path().join("IMG_0001.jpg");
    fs::write(&file, "no picture").unwrap();
    let run = stillpoint(&["measure", file.to_str().unwrap()]);
    assert_eq!(run.code, 2);
    assert!(run.stderr.contains("IMG_0001.jpg"), "{}", run.stderr);
}

#[test]
fn a_photograph_is_not_written_over_by_a_slip_of_the_hand() {
    let night = TempDir::new().unwrap();
    let photo = night.path().join("IMG_0001.png");
    fs::write(&photo, grey_png(&|_, _| 40)).unwrap();
    let before = fs::read(&photo).unwrap();
    let photo_name = photo.to_str().unwrap();
    let folder = night.path().to_str().unwrap();
    assert_eq!(
        stillpoint(&["diagnose", folder, "--json", photo_name]).code,
        2
    );
    assert_eq!(
        stillpoint(&["measure", photo_name, "--picture", photo_name]).code,
        2
    );
    assert_eq!(fs::read(&photo).unwrap(), before);
}

#[test]
fn json_on_standard_output_stands_alone_and_a_starless_night_cannot_be_told() {
    let night = TempDir::new().unwrap();
    fs::write(
        night.path().join("a.png"),
        grey_png(&|x, y| 40 + ((x * 7 + y * 13) % 5) as u8),
    )
    .unwrap();
    let run = stillpoint(&["diagnose", night.path().to_str().unwrap(), "--json", "-"]);
    assert_eq!(run.code, 1, "{}", run.stderr);
    let value: serde_json::Value = serde_json::from_str(&run.stdout).expect("JSON alone");
    assert_eq!(value["schema"], 1);
    assert_eq!(value["frames"][0]["file"], "a.png");
    assert_eq!(value["frames"][0]["verdict"], "unmeasured");
}

#[test]
fn pipes_get_no_colours_and_no_bar() {
    let night = TempDir::new().unwrap();
    let run = stillpoint(&["diagnose", night.path().to_str().unwrap(), "--red"]);
    assert!(!run.stdout.contains('\x1b') && !run.stderr.contains('\x1b'));
}

/// A small grey PNG whose pixels a rule gives.
fn grey_png(value: &dyn Fn(u32, u32) -> u8) -> Vec<u8> {
    let picture = image::GrayImage::from_fn(320, 240, |x, y| image::Luma([value(x, y)]));
    let mut bytes = std::io::Cursor::new(Vec::new());
    picture
        .write_to(&mut bytes, image::ImageFormat::Png)
        .unwrap();
    bytes.into_inner()
}

/// What a finished run left.
struct Run {
    code: i32,
    stdout: String,
    stderr: String,
}

impl Run {
    fn error_lines(&self) -> Vec<&str> {
        self.stderr.lines().collect()
    }
}

#[track_caller]
fn stillpoint(words: &[&str]) -> Run {
    let output: Output = Command::new(env!("CARGO_BIN_EXE_stillpoint"))
        .args(words)
        .output()
        .expect("the program starts");
    assert!(!String::from_utf8_lossy(&output.stderr).contains("panicked"));
    Run {
        code: output.status.code().expect("an exit code, not a signal"),
        stdout: String::from_utf8(output.stdout).expect("UTF-8"),
        stderr: String::from_utf8(output.stderr).expect("UTF-8"),
    }
}
