//! The page around the report: its own few words, and what a script takes from it.

use askama::Template;
use serde::Serialize;

use super::shown::Shown;
use crate::error::Warned;
use crate::frame::endings;
use crate::live::Look;
use crate::report::NightReport;
use crate::report::html::{Pieces, STYLE};

/// Style of the page beyond the report's.
const OWN_STYLE: &str = include_str!("templates/live.css");
/// The page's script.
pub(super) const SCRIPT: &str = include_str!("templates/live.js");

/// The style sheet, whole.
pub(super) fn style() -> String {
    format!("{STYLE}{OWN_STYLE}")
}

#[derive(Template)]
#[template(path = "live.html", config = "src/serve/askama.toml")]
struct Page<'a> {
    shown: &'a Shown,
    notes: Notes<'a>,
    buttons: Buttons<'a>,
    endings: String,
    version: &'static str,
}

/// What has to be known before the answer is read.
#[derive(Template)]
#[template(path = "notes.html", config = "src/serve/askama.toml")]
struct Notes<'a> {
    shown: &'a Shown,
}

/// What can be noted and chosen.
#[derive(Template)]
#[template(path = "buttons.html", config = "src/serve/askama.toml")]
struct Buttons<'a> {
    shown: &'a Shown,
}

#[derive(Template)]
#[template(path = "enter.html", config = "src/serve/askama.toml")]
struct Enter<'a> {
    trouble: Option<&'a str>,
}

#[derive(Template)]
#[template(path = "empty.html", config = "src/serve/askama.toml")]
struct Empty;

/// What the script asks for after each change.
#[derive(Serialize)]
struct Now<'a> {
    version: u64,
    status: &'a str,
    answer: &'a str,
    sections: &'a str,
    notes: String,
    buttons: String,
    places: Vec<&'a str>,
}

/// The whole page.
pub(super) fn whole(shown: &Shown) -> String {
    let page = Page {
        shown,
        notes: Notes { shown },
        buttons: Buttons { shown },
        endings: endings(),
        version: env!("CARGO_PKG_VERSION"),
    };
    // Rendering fails only where writing into a string fails, which it does not.
    page.render().unwrap_or_default()
}

/// What changes of the page, as JSON.
pub(super) fn now(shown: &Shown) -> String {
    let now = Now {
        version: shown.version,
        status: &shown.status,
        answer: &shown.answer,
        sections: &shown.sections,
        notes: Notes { shown }.render().unwrap_or_default(),
        buttons: Buttons { shown }.render().unwrap_or_default(),
        places: shown.places.iter().map(|one| one.name.as_str()).collect(),
    };
    // Strings and numbers always have a JSON.
    serde_json::to_string(&now).unwrap_or_default()
}

/// The page that asks for the code.
pub(super) fn enter(trouble: Option<&str>) -> String {
    Enter { trouble }.render().unwrap_or_default()
}

/// In place of an answer while there are no frames.
pub(super) fn no_frames() -> Pieces {
    Pieces {
        answer: Empty.render().unwrap_or_default(),
        sections: String::new(),
    }
}

/// One line about the folder.
pub(super) fn status(report: Option<&Warned<NightReport>>, look: &Look) -> String {
    let frames = report.map_or(&[][..], |report| &report.value.frames);
    let n_used = frames.iter().filter(|one| one.is_used()).count();
    let n_aside = frames.len() - n_used;
    let mut words = match n_used {
        0 if n_aside == 0 && look.arriving.is_empty() => "Waiting for frames".to_owned(),
        0 => "No frame used yet".to_owned(),
        1 => "1 frame".to_owned(),
        n => format!("{n} frames"),
    };
    if 0 < n_aside {
        words.push_str(&format!(", {n_aside} set aside"));
    }
    match look.arriving.as_slice() {
        [] => words.push('.'),
        [one] => words.push_str(&format!(". {} is arriving.", one.display())),
        several => words.push_str(&format!(". {} frames are arriving.", several.len())),
    }
    words
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::serve::shown::Place;
    use std::path::PathBuf;

    fn shown() -> Shown {
        let place = |name: &str, stretch| Place {
            name: name.into(),
            folder: PathBuf::new(),
            stretch,
        };
        Shown {
            version: 3,
            status: "2 frames.".into(),
            places: vec![place("<one>", 0), place("<one>, after correction 1", 1)],
            moved: Some("21:30 UTC".into()),
            ..Shown::default()
        }
    }

    #[test]
    fn the_page_has_no_script_or_style_inside_and_asks_this_server_only() {
        let page = whole(&shown());
        for word in [
            "<script>", " style=", " onclick", "http://", "https://", "//cdn",
        ] {
            assert!(!page.contains(word), "{word}");
        }
        assert!(page.contains("src=\"/live.js\"") && page.contains("href=\"/style.css\""));
        for address in ["http", "//"] {
            assert!(!style().contains(address));
        }
    }

    #[test]
    fn names_are_escaped() {
        for page in [whole(&shown()), now(&shown())] {
            assert!(!page.contains("option value=\"0\"><one>"), "{page}");
        }
    }

    #[test]
    fn the_line_about_the_folder_counts() {
        let look = |arriving: &[&str]| Look {
            is_new: false,
            arriving: arriving.iter().map(PathBuf::from).collect(),
        };
        assert_eq!(status(None, &look(&[])), "Waiting for frames.");
        assert_eq!(
            status(None, &look(&["a.jpg"])),
            "No frame used yet. a.jpg is arriving."
        );
        assert_eq!(
            status(None, &look(&["a", "b"])),
            "No frame used yet. 2 frames are arriving."
        );
    }
}
