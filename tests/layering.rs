//! Truth: the house's own rules. Stages depend downwards only, and do without what is not theirs.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

/// Each stage and the stages right below it, lowest first; it may use these and all below them.
const STANDS_ON: [(&str, &[&str]); 19] = [
    ("units", &[]),
    ("error", &[]),
    ("whole", &["error"]),
    ("frame", &["units", "error", "whole"]),
    ("stars", &["frame"]),
    ("cache", &["stars", "whole"]),
    ("sky", &["units", "error"]),
    ("limits", &["units", "error"]),
    ("beam", &["units", "error"]),
    ("identify", &["stars", "sky"]),
    ("mount", &["identify"]),
    ("simulate", &["identify", "whole"]),
    ("diagnosis", &["mount", "limits"]),
    ("advice", &["diagnosis"]),
    ("report", &["advice", "beam", "whole"]),
    ("pipeline", &["report", "simulate", "cache"]),
    ("live", &["pipeline"]),
    ("serve", &["live"]),
    ("cli", &["serve"]),
];

/// All stages that a stage may use; `None` where the table does not know it.
fn allowed(stage: &str) -> Option<BTreeSet<&'static str>> {
    let (_, below) = STANDS_ON.iter().find(|(name, _)| *name == stage)?;
    let mut all: BTreeSet<_> = below.iter().copied().collect();
    for stage in *below {
        all.extend(allowed(stage)?);
    }
    Some(all)
}

/// What stands in code, the stages (or files) that may have it, and why the others may not.
const KEPT_OUT: [(&[&str], &[&str], &str); 7] = [
    (
        &["println!", "eprintln!", "print!(", "eprint!("],
        &["cli"],
        "only the command line prints",
    ),
    (
        &["serde::", "serde_json::", "#[serde"],
        &["report", "cli", "simulate", "serve"],
        "inner types are not serialised",
    ),
    (
        &["std::env", "env::var", "env::args"],
        &["cli"],
        "only the command line reads the environment",
    ),
    (
        &[
            "Instant::now",
            "SystemTime::now",
            "Timestamp::now",
            "Zoned::now",
        ],
        &["cli", "live", "serve"],
        "the same frames give the same answer on any day",
    ),
    (
        &["std::fs", "File::open", "File::create"],
        &[
            "frame",
            "report",
            "cli",
            "live",
            "serve",
            "simulate",
            "cache",
            "whole",
            "sky/catalogue",
        ],
        "files are read and written at the edges",
    ),
    (
        // Uploads arrive in pieces and have a part file of their own.
        &["fs::write", "File::create", "OpenOptions", "fs::rename"],
        &["whole", "serve/upload"],
        "a file stands whole under its name or not at all",
    ),
    (
        &["process::exit", "[allow(dead_code)"],
        &[],
        "no hidden way out, nothing unused",
    ),
];

#[test]
fn no_stage_uses_a_stage_above_it() {
    let mut faults = Vec::new();
    for file in source_files() {
        let stage = stage_of(&file);
        let Some(allowed) = allowed(&stage) else {
            // The crate's root and the program's start see all.
            assert!(
                ["lib", "main"].contains(&stage.as_str()),
                "{stage} has no place in the order"
            );
            continue;
        };
        for used in used_stages(&code_of(&file)) {
            if used != stage && !allowed.contains(&used.as_str()) {
                faults.push(format!("{} uses {used}", file.display()));
            }
        }
    }
    assert!(faults.is_empty(), "upward arrows:\n{}", faults.join("\n"));
}

#[test]
fn every_stage_does_without_what_is_not_its_own() {
    let mut faults = Vec::new();
    for file in source_files() {
        let code = code_of(&file);
        let place = place_of(&file);
        for (words, homes, reason) in KEPT_OUT {
            let at_home = homes.iter().any(|home| place.starts_with(home));
            for word in words
                .iter()
                .filter(|word| !at_home && has_word(&code, word))
            {
                faults.push(format!("{} has {word}: {reason}", file.display()));
            }
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

#[test]
fn the_sky_knows_no_pixels() {
    for file in source_files().iter().filter(|file| stage_of(file) == "sky") {
        let code = code_of(file);
        assert!(!code.contains("Pixel"), "{}", file.display());
    }
}

#[test]
fn the_reader_of_arrows_sees_every_form() {
    let code = "use crate::units::Angle;\n\
                use crate::{error::Error, frame::{Frame, Plane}, sky};\n\
                let x = crate::stars::detect();\n";
    let used: Vec<String> = used_stages(code).into_iter().collect();
    assert_eq!(used, ["error", "frame", "sky", "stars", "units"]);
}

#[test]
fn comments_and_tests_are_no_code() {
    let text = "//! crate::cli\nuse crate::units::A; // crate::sky\n#[cfg(test)]\nmod tests { use crate::report; }\n";
    assert_eq!(
        used_stages(&without_comments_and_tests(text)),
        BTreeSet::from(["units".to_string()])
    );
}

fn source_root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("src")
}

fn source_files() -> Vec<PathBuf> {
    fn walk(folder: &Path, files: &mut Vec<PathBuf>) {
        let entries = fs::read_dir(folder).expect("the source folder is there");
        for path in entries.map(|entry| entry.expect("a readable entry").path()) {
            if path.is_dir() {
                walk(&path, files);
            } else if path.extension().is_some_and(|extension| extension == "rs") {
                files.push(path);
            }
        }
    }
    let mut files = Vec::new();
    walk(&source_root(), &mut files);
    files.sort();
    assert!(files.len() > 20, "found only {} source files", files.len());
    files
}

/// `frame/jpeg.rs` for a file of a stage.
fn place_of(file: &Path) -> String {
    let place = file.strip_prefix(source_root()).expect("inside src");
    place.to_string_lossy().replace('\\', "/")
}

fn stage_of(file: &Path) -> String {
    let place = place_of(file);
    let first = place.split('/').next().unwrap_or_default();
    first.trim_end_matches(".rs").to_string()
}

fn code_of(file: &Path) -> String {
    without_comments_and_tests(&fs::read_to_string(file).expect("a readable source file"))
}

/// Lines up to the unit tests at the foot, comments taken off.
fn without_comments_and_tests(text: &str) -> String {
    let lines: Vec<&str> = text.lines().collect();
    let end = lines
        .windows(2)
        .position(|pair| pair[0].trim() == "#[cfg(test)]" && pair[1].starts_with("mod tests {"))
        .unwrap_or(lines.len());
    let bare = lines[..end]
        .iter()
        .map(|line| line.split("//").next().unwrap_or_default());
    bare.collect::<Vec<_>>().join("\n")
}

/// A word not preceded by a letter, so that `print!(` is not found in `eprint!(`.
fn has_word(code: &str, word: &str) -> bool {
    code.match_indices(word).any(|(at, _)| {
        let before = code[..at].chars().next_back();
        !before.is_some_and(|letter| letter.is_alphanumeric() || letter == '_')
    })
}

/// The stages named after `crate::`, alone or in braces.
fn used_stages(code: &str) -> BTreeSet<String> {
    let mut used = BTreeSet::new();
    for (at, found) in code.match_indices("crate::") {
        let rest = &code[at + found.len()..];
        match rest.strip_prefix('{') {
            Some(group) => used.extend(top_names(group)),
            None => used.extend(leading_name(rest)),
        }
    }
    used
}

/// Names at the outermost level of a braced group.
fn top_names(group: &str) -> Vec<String> {
    let mut names = Vec::new();
    let mut depth = 1;
    let mut wants_name = true;
    for (at, letter) in group.char_indices() {
        match letter {
            '{' => depth += 1,
            '}' => depth -= 1,
            ',' if depth == 1 => wants_name = true,
            _ if depth == 1 && wants_name && letter.is_alphabetic() => {
                names.extend(leading_name(&group[at..]));
                wants_name = false;
            }
            _ => {}
        }
        if depth == 0 {
            break;
        }
    }
    names
}

/// The module name that the text starts with; types re-exported at the root start with a capital.
fn leading_name(text: &str) -> Option<String> {
    let name: String = text
        .chars()
        .take_while(|letter| letter.is_alphanumeric() || *letter == '_')
        .collect();
    name.starts_with(|first: char| first.is_lowercase())
        .then_some(name)
}
