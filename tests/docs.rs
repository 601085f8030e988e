//! Truth: the repository itself. The pages name files, options and sources that are there.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

#[test]
fn every_path_that_the_pages_name_exists() {
    for page in ["DEVELOPERS.md", "README.md"] {
        let text = read(page);
        let paths = paths_in(&text);
        assert!(page != "DEVELOPERS.md" || paths.len() > 20, "{paths:?}");
        let missing: Vec<&String> = paths
            .iter()
            .filter(|path| !root().join(path).exists())
            .collect();
        assert!(
            missing.is_empty(),
            "{page} names what is not there: {missing:?}"
        );
    }
}

#[test]
fn every_source_key_in_the_code_is_in_the_list() {
    let listed = keys_in(&read("DEVELOPERS.md"));
    let mut used = BTreeSet::new();
    for folder in ["src", "tests"] {
        walk(&root().join(folder), &mut |file| {
            if file.extension().is_some_and(|extension| extension == "rs") {
                let text = fs::read_to_string(file).expect("a readable source file");
                used.extend(
                    text.lines()
                        .filter(|line| is_comment(line))
                        .flat_map(keys_in),
                );
            }
        });
    }
    let missing: Vec<&String> = used.difference(&listed).collect();
    assert!(
        missing.is_empty(),
        "DEVELOPERS.md does not list {missing:?}"
    );
}

#[test]
fn the_readme_lists_every_option_of_every_command_and_no_other() {
    let commands = commands_in(&help_of(&["--help"]));
    assert!(commands.contains("diagnose"), "{commands:?}");
    let text = read("README.md");
    for command in &commands {
        let offered = options_in(&help_of(&[command, "--help"]));
        let described = options_in(section(&text, &format!("## Options of `{command}`")));
        let hidden: Vec<_> = offered
            .difference(&described)
            .filter(|option| *option != "--help")
            .collect();
        let invented: Vec<_> = described.difference(&offered).collect();
        assert!(
            hidden.is_empty() && invented.is_empty(),
            "{command}: missing {hidden:?}, invented {invented:?}"
        );
    }
}

#[test]
fn the_readers_of_pages_find_what_they_should() {
    assert_eq!(
        paths_in("see `src/units.rs`, `cargo test` and `scripts/check --all`"),
        BTreeSet::from(["src/units.rs".to_string(), "scripts/check".to_string()])
    );
    assert_eq!(
        keys_in("[SOFA] and [ICC.1], not [crate::Frame] nor [`Angle`] nor [a] nor row[HOT]"),
        BTreeSet::from(["SOFA".to_string(), "ICC.1".to_string()])
    );
    assert_eq!(
        options_in("--utc-offset +01:00, --red."),
        BTreeSet::from(["--red".to_string(), "--utc-offset".to_string(),])
    );
}

fn help_of(words: &[&str]) -> String {
    let output = Command::new(env!("CARGO_BIN_EXE_stillpoint"))
        .args(words)
        .output()
        .expect("the program starts");
    String::from_utf8(output.stdout).expect("help is UTF-8")
}

/// The words that begin the indented lines under "Commands:", without clap's own "help".
fn commands_in(help: &str) -> BTreeSet<String> {
    help.lines()
        .skip_while(|line| *line != "Commands:")
        .skip(1)
        .take_while(|line| line.starts_with("  "))
        .filter_map(|line| line.split_whitespace().next())
        .filter(|word| *word != "help")
        .map(str::to_string)
        .collect()
}

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn read(page: &str) -> String {
    fs::read_to_string(root().join(page)).unwrap_or_else(|error| panic!("{page}: {error}"))
}

fn is_comment(line: &str) -> bool {
    line.trim_start().starts_with("//")
}

/// Paths in code marks that start with one of the repository's folders.
fn paths_in(text: &str) -> BTreeSet<String> {
    let marked = text.split('`').skip(1).step_by(2);
    let first_words = marked.filter_map(|code| code.split_whitespace().next());
    first_words
        .filter(|word| {
            ["src/", "tests/", "scripts/", "testdata/", ".ci/"]
                .iter()
                .any(|folder| word.starts_with(folder))
        })
        .map(str::to_string)
        .collect()
}

/// Source keys: capitals and digits in square brackets that are no index.
fn keys_in(text: &str) -> BTreeSet<String> {
    let mut keys = BTreeSet::new();
    for (at, _) in text.match_indices('[') {
        let is_index = text[..at].ends_with(|c: char| c.is_alphanumeric() || c == '_');
        let Some((key, _)) = text[at + 1..].split_once(']').filter(|_| !is_index) else {
            continue;
        };
        let plain = key
            .chars()
            .all(|c| c.is_ascii_uppercase() || c.is_ascii_digit() || ['.', '-'].contains(&c));
        if plain && key.len() >= 2 && key.starts_with(|c: char| c.is_ascii_uppercase()) {
            keys.insert(key.to_string());
        }
    }
    keys
}

fn options_in(text: &str) -> BTreeSet<String> {
    text.split(|letter: char| !(letter.is_ascii_lowercase() || letter == '-'))
        .filter(|word| word.len() > 3 && word.starts_with("--") && !word[2..].starts_with('-'))
        .map(str::to_string)
        .collect()
}

/// From a heading to the next of the same rank.
fn section<'a>(text: &'a str, heading: &str) -> &'a str {
    let start = text
        .find(heading)
        .unwrap_or_else(|| panic!("no section {heading}"));
    let body = &text[start + heading.len()..];
    body.find("\n## ").map_or(body, |end| &body[..end])
}

fn walk(folder: &PathBuf, visit: &mut impl FnMut(&Path)) {
    for entry in fs::read_dir(folder).expect("a readable folder") {
        let path = entry.expect("a readable entry").path();
        if path.is_dir() {
            walk(&path, visit);
        } else {
            visit(&path);
        }
    }
}
