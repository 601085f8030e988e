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
fn the_readme_shows_what_the_demo_night_answers() {
    let readme = include_str!("../README.md");
    let demo = concat!(env!("CARGO_MANIFEST_DIR"), "/testdata/demo/night");
    let run = stillpoint(&["diagnose", demo, "--brief", "--no-report"]);
    assert_eq!(run.code, 0, "{}", run.stderr);
    let plain = |text: &str| {
        let words: Vec<_> = text.split_whitespace().collect();
        words.join(" ").replace('±', "+-")
    };
    let answer = plain(&run.stdout);
    assert!(
        plain(readme).contains(&answer),
        "README.md should show: {answer}"
    );
}

#[test]
fn bad_files_do_not_cost_a_night_and_each_is_named() {
    let night = demo_night();
    let whole = fs::read(night.path().join("QLN_0213.jpg")).unwrap();
    let add = |name: &str, bytes: &[u8]| fs::write(night.path().join(name), bytes).unwrap();
    add("half.jpg", &whole[..whole.len() / 2]);
    add("empty.jpg", b"");
    add("notes.jpg", b"clouds at ten");
    add("small.png", &grey_png(&|_, _| 40));
    let reasons = [
        ("half.jpg", "cut short"),
        ("empty.jpg", "0 bytes"),
        ("notes.jpg", "holds text"),
        ("small.png", "320 x 240 px"),
    ];

    let (run, report) = diagnose_json(&night);
    assert_eq!(run.code, 0, "{}", run.stderr);
    assert!(run.stderr.is_empty(), "{}", run.stderr);
    let place = night.path().to_str().unwrap();
    for (file, reason) in reasons {
        let frame = frame_of(&report, file);
        assert_eq!(frame["used"], false, "{frame}");
        let because = frame["skipped_because"].as_str().unwrap();
        assert!(because.contains(reason), "{because}");
        assert!(because.starts_with(file), "{because}");
        assert!(!run.stdout.contains(place), "{place} is in the JSON");
    }
    assert_demo_axis(&report);

    let text = stillpoint(&["diagnose", place]);
    assert_eq!(text.code, 0);
    let words = text.stdout.split_whitespace().collect::<Vec<_>>().join(" ");
    for (file, reason) in reasons {
        assert!(words.contains(file) && words.contains(reason), "{words}");
    }
}

#[test]
fn a_frame_without_tags_is_used_and_what_it_lacks_is_named() {
    let night = demo_night();
    let whole = fs::read(night.path().join("QLN_0213.jpg")).unwrap();
    fs::write(night.path().join("bare.jpg"), without_tags(&whole)).unwrap();
    let (run, report) = diagnose_json(&night);
    assert_eq!(run.code, 0, "{}", run.stderr);
    let frame = frame_of(&report, "bare.jpg");
    assert_eq!(frame["used"], true);
    assert!(frame["start_utc"].is_null() && frame["exposure_s"].is_null());
    let warnings = report["warnings"].to_string();
    for words in ["bare.jpg", "date and time", "length of the exposure"] {
        assert!(warnings.contains(words), "{words} is not in {warnings}");
    }
    assert_demo_axis(&report);
}

#[cfg(target_os = "linux")]
#[test]
fn a_name_that_is_no_text_is_shown_without_harm_to_the_terminal() {
    use std::os::unix::ffi::OsStrExt;
    let night = demo_night();
    let name = std::ffi::OsStr::from_bytes(b"odd\xff\x1b[2J.jpg");
    fs::write(night.path().join(name), "no picture").unwrap();
    let (run, report) = diagnose_json(&night);
    assert_eq!(run.code, 0, "{}", run.stderr);
    assert_eq!(frame_of(&report, "odd\u{fffd}\u{1b}[2J.jpg")["used"], false);
    let text = stillpoint(&["diagnose", night.path().to_str().unwrap()]);
    assert_eq!(text.code, 0);
    assert!(text.stdout.contains("odd") && !text.stdout.contains('\x1b'));
}

#[test]
fn an_empty_folder_ends_with_2_and_says_what_to_name() {
    let night = TempDir::new().unwrap();
    let run = stillpoint(&["diagnose", night.path().to_str().unwrap(), "--json", "-"]);
    assert_eq!(run.code, 2);
    assert!(run.stdout.is_empty(), "{}", run.stdout);
    assert!(run.stderr.contains("no pictures found"), "{}", run.stderr);
    assert!(run.stderr.contains("hint: "), "{}", run.stderr);
}

#[test]
fn pipes_get_no_colours_and_no_bar() {
    let night = TempDir::new().unwrap();
    let run = stillpoint(&["diagnose", night.path().to_str().unwrap(), "--red"]);
    assert!(!run.stdout.contains('\x1b') && !run.stderr.contains('\x1b'));
}

/// A copy of the demo night's first alignment, free to be spoilt.
fn demo_night() -> TempDir {
    let night = TempDir::new().unwrap();
    let demo = concat!(env!("CARGO_MANIFEST_DIR"), "/testdata/demo/night/first-try");
    for entry in fs::read_dir(demo).unwrap() {
        let file = entry.unwrap();
        fs::copy(file.path(), night.path().join(file.file_name())).unwrap();
    }
    night
}

/// The run and its report; standard output holds JSON alone.
fn diagnose_json(night: &TempDir) -> (Run, serde_json::Value) {
    let run = stillpoint(&["diagnose", night.path().to_str().unwrap(), "--json", "-"]);
    let report = serde_json::from_str(&run.stdout).expect("JSON alone");
    (run, report)
}

#[track_caller]
fn frame_of<'a>(report: &'a serde_json::Value, file: &str) -> &'a serde_json::Value {
    let frames = report["frames"].as_array().expect("frames");
    let found = frames.iter().find(|frame| frame["file"] == file);
    found.unwrap_or_else(|| panic!("no frame {file}"))
}

/// The axis is 82.0' west and 14.0' high by `testdata/demo/night.truth.json`; 2' is several sigmas.
#[track_caller]
fn assert_demo_axis(report: &serde_json::Value) {
    let axis = &report["alignments"][0]["axis"];
    let part = |key: &str| axis[key].as_f64().unwrap_or_else(|| panic!("no {key}"));
    assert!((part("azimuth_error_arcmin") + 82.0).abs() < 2.0, "{axis}");
    assert!((part("altitude_error_arcmin") - 14.0).abs() < 2.0, "{axis}");
}

/// A JPEG without its application segment 1, which holds the EXIF tags. Source: [JPEG] annex B.
fn without_tags(jpeg: &[u8]) -> Vec<u8> {
    let (mut kept, mut at) = (jpeg[..2].to_vec(), 2);
    while jpeg[at + 1] != 0xda {
        let length = usize::from(u16::from_be_bytes([jpeg[at + 2], jpeg[at + 3]]));
        let segment = &jpeg[at..at + 2 + length];
        if segment[1] != 0xe1 {
            kept.extend(segment);
        }
        at += segment.len();
    }
    kept.extend(&jpeg[at..]);
    kept
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
        // Nobody's own settings have a say here.
        .env(
            "XDG_CONFIG_HOME",
            concat!(env!("CARGO_MANIFEST_DIR"), "/testdata/none"),
        )
        // Nobody's own folder of measures is filled either.
        .env("XDG_CACHE_HOME", env!("CARGO_TARGET_TMPDIR"))
        .output()
        .expect("the program starts");
    assert!(!String::from_utf8_lossy(&output.stderr).contains("panicked"));
    Run {
        code: output.status.code().expect("an exit code, not a signal"),
        stdout: String::from_utf8(output.stdout).expect("UTF-8"),
        stderr: String::from_utf8(output.stderr).expect("UTF-8"),
    }
}

#[test]
fn a_page_of_pictures_stands_beside_the_night_unless_it_is_not_wanted() {
    let demo = concat!(env!("CARGO_MANIFEST_DIR"), "/testdata/demo/night");
    let place = tempfile::tempdir().unwrap();
    for folder in fs::read_dir(demo).unwrap().flatten() {
        let to = place.path().join(folder.file_name());
        if folder.path().is_dir() {
            fs::create_dir(&to).unwrap();
            for file in fs::read_dir(folder.path()).unwrap().flatten() {
                fs::copy(file.path(), to.join(file.file_name())).unwrap();
            }
        }
    }
    let (night, page) = (
        place.path().to_str().unwrap(),
        place.path().join("stillpoint.html"),
    );
    assert_eq!(stillpoint(&["diagnose", night, "--no-report"]).code, 0);
    assert!(!page.exists());
    let first = stillpoint(&["diagnose", night]);
    assert_eq!(first.code, 0, "{}", first.stderr);
    let html = fs::read_to_string(&page).unwrap();
    assert!(html.contains("The axis and the pole") && html.len() < 1_500_000);
    // The page of the last run is no file of the night.
    assert_eq!(stillpoint(&["diagnose", night]).stdout, first.stdout);
    fs::write(&page, "mine").unwrap();
    let page = page.to_str().unwrap();
    assert_eq!(stillpoint(&["diagnose", night, "--report", page]).code, 2);
}
