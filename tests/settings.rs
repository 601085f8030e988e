//! Truth: the promises of the commands that need no frames, and of the settings file (README). Whole
//! runs of the built program, with configuration folders of their own.

use std::fs;
use std::path::Path;
use std::process::Command;

use serde_json::Value;
use tempfile::TempDir;

struct Run {
    code: i32,
    stdout: String,
    stderr: String,
}

impl Run {
    /// The text with its lines joined, as folding depends on the width.
    fn words(&self) -> String {
        let words: Vec<&str> = self.stdout.split_whitespace().collect();
        words.join(" ").replace('\u{b1}', "+-")
    }

    fn json(&self) -> Value {
        serde_json::from_str(&self.stdout).expect("JSON alone")
    }
}

/// A place with a folder for the user's configuration and one to stand in.
struct Place {
    root: TempDir,
}

impl Place {
    fn new() -> Self {
        let root = TempDir::new().unwrap();
        fs::create_dir_all(root.path().join("config/stillpoint")).unwrap();
        fs::create_dir_all(root.path().join("here")).unwrap();
        Self { root }
    }

    fn here(&self) -> std::path::PathBuf {
        self.root.path().join("here")
    }

    fn user(self, text: &str) -> Self {
        let path = self.root.path().join("config/stillpoint/stillpoint.toml");
        fs::write(path, text).unwrap();
        self
    }

    fn night(self, text: &str) -> Self {
        fs::write(self.here().join("stillpoint.toml"), text).unwrap();
        self
    }

    fn run(&self, words: &[&str]) -> Run {
        let output = Command::new(env!("CARGO_BIN_EXE_stillpoint"))
            .args(words)
            .current_dir(self.here())
            .env("XDG_CONFIG_HOME", self.root.path().join("config"))
            .env("XDG_CACHE_HOME", self.root.path().join("cache"))
            .output()
            .expect("the program starts");
        let stderr = String::from_utf8(output.stderr).expect("UTF-8");
        assert!(!stderr.contains("panicked"), "{stderr}");
        Run {
            code: output.status.code().expect("an exit code, not a signal"),
            stdout: String::from_utf8(output.stdout).expect("UTF-8"),
            stderr,
        }
    }

    /// Copies the demo night's first alignment here.
    fn with_demo(self) -> Self {
        let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("testdata/demo/night/first-try");
        for entry in fs::read_dir(demo).unwrap() {
            let file = entry.unwrap();
            fs::copy(file.path(), self.here().join(file.file_name())).unwrap();
        }
        self
    }
}

const CIRCLE: [&str; 8] = [
    "--mark", "20,0", "--mark", "0,20", "--mark", "-20,0", "--mark", "0,-20",
];

#[test]
fn a_beam_is_answered_from_marks_and_from_a_table_alike() {
    let place = Place::new();
    fs::write(
        place.here().join("marks.csv"),
        "right,up\n20,0\n0,20\n-20,0\n0,-20\n",
    )
    .unwrap();
    let words: Vec<&str> = ["beam", "--distance", "5m", "--json"]
        .into_iter()
        .chain(CIRCLE)
        .collect();
    let by_option = place.run(&words);
    let by_table = place.run(&[
        "beam",
        "--distance",
        "500cm",
        "--json",
        "--marks",
        "marks.csv",
    ]);
    assert_eq!(
        (by_option.code, by_table.code),
        (0, 0),
        "{}",
        by_option.stderr
    );
    assert_eq!(by_option.json(), by_table.json());
    let beam = &by_option.json()["beam"];
    // atan(20 mm / 5 m) = 13.751'.
    assert!(
        (beam["angle_arcmin"].as_f64().unwrap() - 13.751).abs() < 0.01,
        "{beam}"
    );
}

#[test]
fn two_marks_end_with_1_the_reason_and_the_cautions() {
    let place = Place::new();
    let run = place.run(&[
        "beam",
        "--distance",
        "5m",
        "--mark",
        "0,0",
        "--mark",
        "40,0",
    ]);
    assert_eq!(run.code, 1, "{}", run.stderr);
    let words = run.words();
    assert!(
        words.contains("any number of circles go through 2 marks"),
        "{words}"
    );
    assert!(
        words.contains("aircraft") && words.contains("local rules"),
        "{words}"
    );
    let none = place.run(&["beam", "--distance", "5m"]);
    assert_eq!(none.code, 2);
    assert!(
        none.stderr.contains("no marks are given"),
        "{}",
        none.stderr
    );
}

#[test]
fn limits_take_camera_lenses_and_exposure_from_the_settings() {
    let settings = "exposure_s = 90\n[[camera]]\npixel_pitch_um = 4.0\n[[lens]]\nfocal_length_mm = 85\n[target]\nat = \"5h35m,-30d\"\n";
    let place = Place::new().user(settings);
    let value = place.run(&["limits", "--json"]).json();
    assert_eq!(value["pixel_pitch_um"], 4.0);
    assert_eq!(value["wanted_exposure_s"], 90.0);
    assert_eq!(value["declination_deg"], -30.0);
    assert_eq!(value["lenses"][0]["focal_length_mm"], 85.0);
    let told = place.run(&["limits", "--json", "--pixel-pitch", "3.3"]);
    assert_eq!(told.json()["pixel_pitch_um"], 3.3);
    let nothing = Place::new().run(&["limits"]);
    assert_eq!(nothing.code, 2);
    assert!(
        nothing.stderr.contains("--pixel-pitch is missing"),
        "{}",
        nothing.stderr
    );
}

#[test]
fn the_night_s_file_wins_over_the_user_s_and_both_over_nothing() {
    let place = Place::new()
        .user("exposure_s = 90\n[[camera]]\npixel_pitch_um = 4.0\n")
        .night("exposure_s = 30\n");
    let value = place.run(&["limits", "--json"]).json();
    assert_eq!(value["wanted_exposure_s"], 30.0);
    assert_eq!(value["pixel_pitch_um"], 4.0);
}

#[test]
fn a_wrong_key_stops_every_command_with_file_line_and_the_nearest() {
    let place = Place::new()
        .night("[[camera]]\npixel_pich_um = 4.0\n")
        .with_demo();
    for command in [
        &["limits"][..],
        &["diagnose", "."],
        &["polestar", "--site", "51,0"],
    ] {
        let run = place.run(command);
        assert_eq!(run.code, 2, "{command:?}");
        for words in [
            "stillpoint.toml, line 2",
            "pixel_pich_um",
            "did you mean pixel_pitch_um?",
        ] {
            assert!(run.stderr.contains(words), "{}", run.stderr);
        }
    }
}

#[test]
fn an_example_is_printed_written_and_not_written_over() {
    let place = Place::new();
    let printed = place.run(&["settings"]);
    assert_eq!(printed.code, 0);
    assert!(printed.stdout.contains("# [[lens]]"), "{}", printed.stdout);
    let written = place.run(&["settings", "--write"]);
    assert_eq!(written.code, 0, "{}", written.stderr);
    let path = place.root.path().join("config/stillpoint/stillpoint.toml");
    assert_eq!(fs::read_to_string(&path).unwrap(), printed.stdout);
    assert_eq!(place.run(&["settings", "--write"]).code, 2);
    assert_eq!(place.run(&["settings", "--write", "."]).code, 0);
    let places = place.run(&["settings", "--where"]);
    assert_eq!(
        places.stdout.matches("(there)").count(),
        2,
        "{}",
        places.stdout
    );
}

/// The demo's first alignment is 82.0' west and 14.0' high at 47.2 degrees of latitude
/// (`testdata/demo/night.truth.json`): lower by 14', turn by 82' / cos 47.2 = 121' to the east.
#[test]
fn a_correction_is_told_in_turns_of_the_base_s_screws() {
    let settings = "exposure_s = 180\n[base]\naltitude_arcmin_per_turn = 7\naltitude_clockwise = \"up\"\nazimuth_arcmin_per_turn = 60\n[[lens]]\nfocal_length_mm = 50\n";
    let place = Place::new().night(settings).with_demo();
    let run = place.run(&["diagnose", "."]);
    assert_eq!(run.code, 0, "{}", run.stderr);
    let words = run.words();
    for expected in [
        "move the axis 82' east and lower it 14'",
        "2.0 turns of its screw.",
        "2.0 turns of its screw anticlockwise.",
        "a beam has to end 82' right and 14' down",
        "180 s that you want",
        "50 mm: ",
    ] {
        assert!(words.contains(expected), "{expected} is not in {words}");
    }
    assert!(!words.contains("other file"), "{words}");
    let value = place.run(&["diagnose", ".", "--json", "-"]).json();
    let outlook = &value["alignments"][0]["exposure_outlook"]["lenses"];
    assert_eq!(outlook[1]["focal_length_mm"], 50.0);
    let worst = |nth: usize| outlook[nth]["now_worst_s"].as_f64().unwrap();
    assert!(
        (worst(1) / worst(0) - 135.0 / 50.0).abs() < 0.1,
        "{outlook}"
    );
    assert!(value["alignments"][0]["pole_star"]["instead_distance_arcmin"].is_number());
}

#[test]
fn a_site_in_the_settings_serves_the_pole_star_and_yields_to_gps() {
    let place = Place::new()
        .user("[site]\nlatitude_deg = -33.9\nlongitude_deg = 18.5\n")
        .with_demo();
    let star = place.run(&["polestar", "--time", "2026-01-15T22:00:00Z"]);
    assert!(star.stdout.starts_with("sigma Octantis"), "{}", star.stdout);
    let value = place.run(&["diagnose", ".", "--json", "-"]).json();
    assert_eq!(value["site"]["source"], "gps");
    let told = place.run(&["diagnose", ".", "--json", "-", "--site", "47.2,11.4"]);
    assert_eq!(told.json()["site"]["source"], "option");
}
