//! Truth: own output of a run that nothing disturbed. Kept measures and full disks change no answer.

#[path = "support/place.rs"]
mod place;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use place::{Place, Run};

#[test]
fn the_answer_is_the_same_without_with_and_from_kept_measures() {
    let place = Place::new();
    let expected = place.json(&["--no-cache"]);
    assert_eq!(place.entries().len(), 0);
    assert_eq!(place.json(&[]), expected);
    let kept = place.entries();
    assert_eq!(kept.len(), place.n_frames());
    assert_eq!(place.json(&[]), expected);
    // Options that the headers are settled with need no new measures.
    let elsewhere = ["--site", "40,10", "--exposure", "30"];
    let without = place.json(&[&["--no-cache"], elsewhere.as_slice()].concat());
    assert_eq!(place.json(&elsewhere), without);
    assert_ne!(without, expected);
    assert_eq!(place.entries(), kept);
}

#[test]
fn measuring_single_frames_gives_the_same_stars_and_pictures() {
    let place = Place::new();
    let (frame, picture) = (place.frame("first-try/QLN_0211.jpg"), place.path("out.png"));
    let frame = frame.to_str().unwrap();
    let expected = place
        .run(&["measure", frame, "--json", "--no-cache"])
        .stdout;
    let drawn = |words: &[&str]| {
        let all = [
            &["measure", frame, "--picture", picture.to_str().unwrap()],
            words,
        ]
        .concat();
        assert_eq!(place.run(&all).code, Some(0));
        fs::read(&picture).unwrap()
    };
    let photograph = drawn(&["--no-cache"]);
    for _ in 0..2 {
        assert_eq!(place.run(&["measure", frame, "--json"]).stdout, expected);
        assert!(drawn(&[]) == photograph);
    }
}

#[test]
fn one_more_frame_is_measured_alone() {
    let place = Place::new();
    let (last, away) = (
        place.frame("after-correction/QLN_0218.jpg"),
        place.path("away.jpg"),
    );
    fs::rename(&last, &away).unwrap();
    place.json(&[]);
    let before = place.entries();
    fs::rename(&away, &last).unwrap();
    assert_eq!(place.json(&[]), place.json(&["--no-cache"]));
    let after = place.entries();
    assert_eq!(after.len(), before.len() + 1);
    // An entry that is written anew is another file.
    assert!(before.iter().all(|entry| after.contains(entry)));
}

#[test]
fn damaged_swapped_and_missing_entries_are_measured_again() {
    let place = Place::new();
    let expected = place.json(&[]);
    let paths: Vec<PathBuf> = place.entries().into_iter().map(|entry| entry.0).collect();
    let sound: Vec<Vec<u8>> = paths.iter().map(|path| fs::read(path).unwrap()).collect();
    let mut flipped = sound[0].clone();
    let middle = flipped.len() / 2;
    flipped[middle] ^= 1;
    fs::write(&paths[0], flipped).unwrap();
    fs::write(&paths[1], &sound[1][..sound[1].len() / 2]).unwrap();
    fs::write(&paths[2], "").unwrap();
    fs::write(&paths[3], &sound[4]).unwrap();
    fs::remove_file(&paths[4]).unwrap();
    assert_eq!(place.json(&[]), expected);
    for (path, sound) in paths.iter().zip(&sound) {
        assert!(fs::read(path).unwrap() == *sound, "{}", path.display());
    }
    fs::remove_dir_all(place.path("cache")).unwrap();
    assert_eq!(place.json(&[]), expected);
}

#[test]
fn two_runs_at_once_do_no_harm() {
    let place = Place::new();
    let expected = place.json(&["--no-cache"]);
    std::thread::scope(|scope| {
        let runs: Vec<_> = (0..3).map(|_| scope.spawn(|| place.json(&[]))).collect();
        for run in runs {
            assert_eq!(run.join().unwrap(), expected);
        }
    });
    assert_eq!(place.entries().len(), place.n_frames());
    assert!(place.leftovers().is_empty());
}

#[test]
fn part_files_of_killed_runs_are_cleared() {
    let place = Place::new();
    place.json(&[]);
    for part in ["night", "cache/frames"] {
        fs::write(place.path(part).join(".stillpoint-99-0.part"), "half").unwrap();
    }
    place.run(&["diagnose", "night"]);
    assert!(place.leftovers().is_empty(), "{:?}", place.leftovers());
}

#[test]
fn a_page_that_cannot_be_written_costs_no_answer() {
    let place = Place::new();
    let expected = place.run(&["diagnose", "night", "--no-report"]).stdout;
    let run = place.run(&["diagnose", "night", "--report", "nowhere/page.html"]);
    assert_eq!((run.code, &run.stdout), (Some(2), &expected));
    for words in ["nowhere", "cannot write the report", "hint: "] {
        assert!(run.stderr.contains(words), "{words}: {}", run.stderr);
    }
    // Nobody asked for the page beside the night: the answer's own code.
    fs::create_dir(place.path("night/stillpoint.html")).unwrap();
    let run = place.run(&["diagnose", "night"]);
    assert_eq!((run.code, &run.stdout), (Some(0), &expected));
    assert!(run.stderr.contains("--no-report"), "{}", run.stderr);
}

#[cfg(unix)]
#[test]
fn files_that_may_not_grow_are_told_and_leave_no_part() {
    let place = Place::new();
    let expected = place.run(&["diagnose", "night", "--no-report"]).stdout;
    fs::remove_dir_all(place.path("cache")).unwrap();
    let narrow = "ulimit -f 8; exec \"$0\" \"$@\"";
    let program = env!("CARGO_BIN_EXE_stillpoint");
    let words = [
        "-c", narrow, program, "diagnose", "night", "--json", "a.json",
    ];
    let run = Run::of(
        place
            .command(Command::new("sh").args(words))
            .spawn()
            .unwrap(),
    );
    assert_eq!((run.code, &run.stdout), (Some(2), &expected));
    for words in ["the measures of frames", "a.json: cannot write the report"] {
        assert!(run.stderr.contains(words), "{words}: {}", run.stderr);
    }
    assert!(place.leftovers().is_empty(), "{:?}", place.leftovers());
    assert!(!place.path("a.json").exists() && !place.path("night/stillpoint.html").exists());
    let words = [
        "-c",
        narrow,
        program,
        "simulate",
        "night.toml",
        "--out",
        "drawn",
    ];
    let scenario = Path::new(env!("CARGO_MANIFEST_DIR")).join("testdata/demo/night.toml");
    fs::copy(scenario, place.path("night.toml")).unwrap();
    let run = Run::of(
        place
            .command(Command::new("sh").args(words))
            .spawn()
            .unwrap(),
    );
    assert_eq!(run.code, Some(2));
    assert!(run.stderr.contains("the simulated night"), "{}", run.stderr);
    assert!(place.leftovers().is_empty(), "{:?}", place.leftovers());
}

#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_is_named_and_the_answer_stays() {
    let place = Place::new();
    let expected = place.run(&["diagnose", "night", "--no-report"]).stdout;
    let run = place.run(&["diagnose", "night", "--no-report", "--json", "/dev/full"]);
    assert_eq!((run.code, &run.stdout), (Some(2), &expected));
    assert!(run.stderr.contains("the disk is full"), "{}", run.stderr);
}

#[cfg(target_os = "linux")]
#[test]
fn frames_whose_names_are_no_text_are_measured() {
    use std::os::unix::ffi::OsStrExt;
    let place = Place::new();
    let folder = place.path("night/first-try");
    for (nth, name) in [b"\xff.jpg".as_slice(), b"\xfe.jpg"].iter().enumerate() {
        let old = folder.join(format!("QLN_021{}.jpg", nth + 1));
        fs::rename(old, folder.join(std::ffi::OsStr::from_bytes(name))).unwrap();
    }
    let report: serde_json::Value = serde_json::from_str(&place.json(&[])).unwrap();
    let frames = report["frames"].as_array().unwrap();
    assert_eq!(frames.len(), place.n_frames());
    assert!(frames.iter().all(|frame| frame["used"] == true));
}
