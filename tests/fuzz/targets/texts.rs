//! What people type: settings, scenarios, tables of marks, and the values of options.
#![no_main]

mod scratch;

use std::ffi::OsString;

use clap::Parser;
use libfuzzer_sys::fuzz_target;
use stillpoint::cli::args::{Command, CommandLine};
use stillpoint::cli::{beam, limits};
use stillpoint::pipeline::SETTINGS_FILE;
use stillpoint::simulate::Scenario;

fuzz_target!(|bytes: &[u8]| {
    let Some((kind, rest)) = bytes.split_first() else {
        return;
    };
    match kind % 4 {
        0 => settings(rest),
        1 => scenario(rest),
        2 => marks(rest),
        _ => options(rest),
    }
});

fn settings(bytes: &[u8]) {
    let file = scratch::path(SETTINGS_FILE);
    std::fs::write(&file, bytes).expect("the try is written");
    let folder = file.parent().expect("a file has a folder").as_os_str();
    check(vec!["stillpoint".into(), "diagnose".into(), folder.into()]);
    std::fs::remove_file(&file).expect("the try is taken away");
}

fn scenario(bytes: &[u8]) {
    if let Ok(text) = std::str::from_utf8(bytes) {
        let _ = Scenario::parse(text);
    }
}

fn marks(bytes: &[u8]) {
    let file = scratch::path("marks.csv");
    std::fs::write(&file, bytes).expect("the try is written");
    let line = ["stillpoint", "beam", "--distance", "5m", "--marks"];
    let line = line.iter().map(OsString::from).chain([file.into()]);
    if let Ok(Command::Beam(args)) = CommandLine::try_parse_from(line).map(|line| line.command) {
        let _ = beam::run(&args);
    }
}

/// Lines of `option value`, the option by number.
fn options(bytes: &[u8]) {
    const DIAGNOSE: [&str; 12] = [
        "--site",
        "--utc-offset",
        "--exposure",
        "--focal",
        "--pixel-pitch",
        "--facing",
        "--altitude",
        "--at",
        "--roll",
        "--tolerance",
        "--threads",
        "--report",
    ];
    const LIMITS: [&str; 7] = [
        "--pixel-pitch",
        "--focal",
        "--axis-error",
        "--exposure",
        "--declination",
        "--fwhm",
        "--f-number",
    ];
    const BEAM: [&str; 9] = [
        "--distance",
        "--mark",
        "--mark",
        "--mark",
        "--unit",
        "--screws",
        "--spot",
        "--mark-error",
        "--accuracy",
    ];
    let Some((which, rest)) = bytes.split_first() else {
        return;
    };
    let (command, names): (&str, &[&str]) = match which % 3 {
        0 => ("diagnose", &DIAGNOSE),
        1 => ("limits", &LIMITS),
        _ => ("beam", &BEAM),
    };
    let mut line: Vec<OsString> = vec!["stillpoint".into(), command.into()];
    if command == "diagnose" {
        let folder = scratch::path("");
        line.push(folder.into());
    }
    for one in rest.split(|byte| *byte == b'\n').take(12) {
        let Some((number, value)) = one.split_first() else {
            continue;
        };
        let value = String::from_utf8_lossy(value).replace('\0', "");
        let name = names[usize::from(*number) % names.len()];
        line.push(format!("{name}={value}").into());
    }
    check(line);
}

fn check(line: Vec<OsString>) {
    match CommandLine::try_parse_from(line).map(|line| line.command) {
        Ok(Command::Diagnose(args)) => {
            let _ = args.checked();
        }
        Ok(Command::Limits(args)) => {
            let _ = limits::run(&args);
        }
        Ok(Command::Beam(args)) => {
            let _ = beam::run(&args);
        }
        _ => {}
    }
}
