//! The report as one page of HTML that needs no network and no script: the answer and the move
//! first, then pictures, then every number. Words come from the text report.
//!
//! Templates and style lie in `templates/`; the modules here lay their pictures out.

mod drift;
mod labels;
mod map;
mod plot;
mod pole;
mod scale;
mod shares;
mod star;

use std::path::Path;

use askama::Template;

use super::exposing;
use super::save::save;
use super::table::{self, short};
use super::text::{
    aside_lines, axis_without_site_words, axis_words, counted, longest_words, site_words,
};
use super::{AlignmentReport, FrameReport, NightReport};
use crate::advice::Decision;
use crate::diagnosis::Verdict;
use crate::error::{Error, Warned};
use map::StarMap;
use plot::Plot;
use pole::PoleChart;
use shares::Shares;
use star::StarPair;

/// How the page begins, by which a report is known as one.
const START: &str = "<!DOCTYPE html>\n<html lang=\"en\" data-report=\"stillpoint\">";
/// Name of the page that is written beside a night.
pub const FILE_NAME: &str = "stillpoint.html";
/// Cards of frames that an alignment shows; of more frames those with the longest trails.
const MOST_CARDS: usize = 12;

/// The page as text.
pub fn to_string(report: &Warned<NightReport>) -> String {
    // Rendering fails only where writing into a string fails, which it does not.
    Page::of(report).render().unwrap_or_default()
}

/// Writes the page to a file: aside first, then renamed.
///
/// # Errors
/// When the system refuses to write, and when something else than such a page stands there.
pub fn write_file(report: &Warned<NightReport>, path: &Path) -> Result<(), Error> {
    let is_ours = |start: &[u8]| start.starts_with(START.as_bytes());
    save(path, &to_string(report), is_ours, "report of this program")
}

/// A report in two pieces of HTML, for a page of one's own: the answer, and all that it rests on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pieces {
    /// A `header`: the answer, the steps, the main facts.
    pub answer: String,
    /// A `section` for each picture or list.
    pub sections: String,
}

/// The pieces of the page; [`STYLE`] goes with them.
pub fn pieces(report: &Warned<NightReport>) -> Pieces {
    // As with the whole page, rendering does not fail.
    Pieces {
        answer: Answer::of(&report.value).render().unwrap_or_default(),
        sections: Sections::of(report).render().unwrap_or_default(),
    }
}

/// The style sheet of the page.
pub const STYLE: &str = include_str!("templates/style.css");

/// The whole page.
#[derive(Template)]
#[template(path = "page.html", config = "src/report/html/askama.toml")]
struct Page {
    start: &'static str,
    answer: Answer,
    sections: Sections,
    version: &'static str,
}

/// The answer, what to do, and the main facts.
#[derive(Template)]
#[template(path = "answer.html", config = "src/report/html/askama.toml")]
struct Answer {
    words: String,
    tone: &'static str,
    steps: Vec<String>,
    facts: Vec<Fact>,
}

/// All that the answer rests on.
#[derive(Template)]
#[template(path = "sections.html", config = "src/report/html/askama.toml")]
struct Sections {
    pole: Option<PoleChart>,
    pole_words: Vec<String>,
    shares: Option<Shares>,
    alignments: Vec<Alignment>,
    exposures: Option<Plot>,
    /// How long to expose with which lens, a line each.
    exposing: Vec<String>,
    reasons: Vec<String>,
    assumed: Vec<String>,
    warnings: Vec<String>,
    aside: Vec<String>,
}

/// A name with what is known under it.
struct Fact {
    name: &'static str,
    words: String,
}

/// One alignment's pictures and table.
struct Alignment {
    name: String,
    counts: String,
    /// What it ended with, where it is not the only one.
    headline: Option<String>,
    cards: Vec<Card>,
    n_left_out: usize,
    drifts: Vec<Plot>,
    drive: Option<Plot>,
    map: Option<StarMap>,
    rows: Vec<Row>,
}

/// A frame's star with its verdict.
struct Card {
    file: String,
    verdict: &'static str,
    trail: String,
    lie: String,
    /// Whether a trail is seen, so that `lie` means something.
    trailed: bool,
    drift: String,
    pair: Option<StarPair>,
    /// Why there is no pair, where that is known.
    too_long: bool,
}

/// A frame's line in the table.
struct Row {
    file: String,
    start: String,
    exposure: String,
    trail: String,
    lie: String,
    width: String,
    stars: String,
    place: String,
    verdict: &'static str,
}

impl Page {
    fn of(report: &Warned<NightReport>) -> Self {
        Self {
            start: START,
            answer: Answer::of(&report.value),
            sections: Sections::of(report),
            version: env!("CARGO_PKG_VERSION"),
        }
    }
}

impl Answer {
    fn of(night: &NightReport) -> Self {
        let now = night.alignments.last();
        Self {
            words: spelt(&night.answer),
            tone: now.map_or("unclear", |one| tone(one.decision)),
            steps: now.map_or_else(Vec::new, |one| all_spelt(&one.todo)),
            facts: now.map_or_else(Vec::new, facts),
        }
    }
}

impl Sections {
    fn of(report: &Warned<NightReport>) -> Self {
        let night = &report.value;
        let now = night.alignments.last();
        let alignments = night.alignments.iter().enumerate();
        let focal = night.frames.iter().rev().find_map(|one| one.focal_length);
        let site = night.site.iter().map(site_words);
        Self {
            pole: PoleChart::of(night),
            pole_words: pole_words(night),
            shares: now.and_then(|one| Shares::of(&one.causes)),
            alignments: alignments
                .map(|(nth, one)| Alignment::of(one, night, nth))
                .collect(),
            exposures: now.zip(focal).and_then(|(one, focal)| {
                drift::exposures(&one.longest_exposure, focal.mm(), "now")
            }),
            exposing: now.map_or_else(Vec::new, |one| {
                let lines = one.outlook.as_ref().map_or_else(Vec::new, exposing::lines);
                let cost = exposing::cost_of(one);
                lines.into_iter().chain(cost).collect()
            }),
            reasons: now.map_or_else(Vec::new, |one| all_spelt(&one.reasons)),
            assumed: site
                .chain(night.assumptions.iter().map(|text| spelt(text)))
                .collect(),
            warnings: report.warnings.iter().map(|one| spelt(&one.text)).collect(),
            aside: aside_lines(night.frames.iter()),
        }
    }
}

fn all_spelt(list: &[String]) -> Vec<String> {
    list.iter().map(|text| spelt(text)).collect()
}

/// Words with the signs that a terminal may lack.
fn spelt(words: &str) -> String {
    words.replace("+-", "\u{b1}")
}

/// Which of the page's looks an answer has; the words say the same.
fn tone(decision: Decision) -> &'static str {
    match decision {
        Decision::CarryOn => "good",
        Decision::MoreFrames => "unclear",
        _ => "act",
    }
}

fn facts(now: &AlignmentReport) -> Vec<Fact> {
    let axis = now.axis.as_ref().map(axis_words);
    let beside = now.axis_without_site.as_ref().map(axis_without_site_words);
    let mut facts = Vec::new();
    let mut add = |name, words: Option<String>| {
        facts.extend(words.map(|words| Fact { name, words }));
    };
    add("Axis", axis.or(beside));
    add("Expose", longest_words(&now.longest_exposure));
    let drive = now.drive.as_ref().map(|drive| {
        format!(
            "{:.4} \u{b1} {:.4} of the star rate",
            drive.rate_ratio.value,
            drive.rate_ratio.sigma.max(0.0001)
        )
    });
    add("Drive", drive);
    facts
}

/// What the drawing of the pole cannot show.
fn pole_words(night: &NightReport) -> Vec<String> {
    let mut words = Vec::new();
    if let Some(pole) = &night.pole {
        words.push(format!(
            "The cross is the pole as seen through the air, {:.1}\u{b0} high; the dot {:.1}' below it is the true pole.",
            pole.altitude.deg(),
            pole.lift.arcmin()
        ));
        if let (Some((star, place)), Some(at)) = (pole.star, pole.at) {
            words.push(format!(
                "At {} UTC {} stood {:.1}' from it, at {:.0}\u{b0} on a dial (up 0\u{b0}, right 90\u{b0}).",
                at.strftime("%H:%M"),
                star.name(),
                place.distance.arcmin(),
                place.clockwise_from_up.deg()
            ));
        }
        words.push("Ellipses hold the axis with 95 %.".to_owned());
    }
    words
}

impl Alignment {
    fn of(alignment: &AlignmentReport, night: &NightReport, nth: usize) -> Self {
        let id = format!("a{nth}");
        let used = night.frames.iter().filter(|one| one.is_used());
        let frames: Vec<&FrameReport> =
            used.filter(|one| one.alignment == alignment.name).collect();
        let shown = shown(&frames);
        Self {
            name: alignment.name.clone(),
            counts: format!(
                "{}, {}",
                counted(alignment.n_frames, "frame", "frames"),
                counted(alignment.n_pointings, "pointing", "pointings")
            ),
            headline: (night.alignments.len() > 1).then(|| spelt(&alignment.headline)),
            n_left_out: frames.len() - shown.len(),
            cards: shown.into_iter().map(Card::of).collect(),
            drifts: drift::drifts(alignment, &frames, &id),
            drive: alignment
                .drive
                .as_ref()
                .and_then(|drive| drift::drive(drive, &alignment.name, &id)),
            map: longest_trail(&frames).and_then(|one| StarMap::of(format!("{id}-map"), one)),
            rows: frames.into_iter().map(Row::of).collect(),
        }
    }
}

/// All frames, or those with the longest trails of many, in their order.
fn shown<'a>(frames: &[&'a FrameReport]) -> Vec<&'a FrameReport> {
    let mut lengths: Vec<f64> = frames.iter().map(|one| trail_px(one)).collect();
    lengths.sort_by(|a, b| b.total_cmp(a));
    let least = lengths.get(MOST_CARDS).copied().unwrap_or(-1.0);
    let long = frames.iter().copied().filter(|one| trail_px(one) > least);
    let shown: Vec<_> = long.take(MOST_CARDS).collect();
    if shown.is_empty() {
        return frames.iter().copied().take(MOST_CARDS).collect();
    }
    shown
}

fn trail_px(frame: &FrameReport) -> f64 {
    frame.trail.map_or(0.0, |trail| trail.length.value.px())
}

fn longest_trail<'a>(frames: &[&'a FrameReport]) -> Option<&'a FrameReport> {
    let by_length = |a: &&FrameReport, b: &&FrameReport| trail_px(a).total_cmp(&trail_px(b));
    frames.iter().copied().max_by(by_length)
}

const fn verdict_words(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Round => "round",
        Verdict::Soft => "soft",
        Verdict::Trailed => "trailed",
        Verdict::Unmeasured => "not measured",
    }
}

fn trail_words(frame: &FrameReport) -> String {
    let words = frame.trail.map(|trail| table::with_sigma(trail.length));
    words.map_or("-".to_owned(), |words| spelt(&words))
}

/// How the trail lies; its hyphens break no line.
fn direction(frame: &FrameReport) -> String {
    table::direction_words(frame).replace('-', "\u{2011}")
}

impl Card {
    fn of(frame: &FrameReport) -> Self {
        Self {
            file: frame.file.clone(),
            verdict: verdict_words(frame.verdict),
            trail: trail_words(frame),
            lie: direction(frame),
            trailed: frame
                .trail
                .is_some_and(|trail| !table::is_below_noise(trail.length)),
            drift: frame
                .drift
                .as_ref()
                .map_or(String::new(), drift::drift_words),
            pair: StarPair::of(frame),
            too_long: star::is_longer_than_picture(frame),
        }
    }
}

impl Row {
    fn of(frame: &FrameReport) -> Self {
        let place = frame.center.as_ref().and_then(|center| center.horizon);
        Self {
            file: frame.file.clone(),
            start: frame.start.map_or("-".to_owned(), |start| {
                start.strftime("%H:%M:%S").to_string()
            }),
            exposure: frame
                .exposure
                .map_or("-".to_owned(), |time| format!("{} s", short(time.s()))),
            trail: trail_words(frame),
            lie: direction(frame),
            width: frame
                .fwhm
                .map_or("-".to_owned(), |fwhm| format!("{:.1}", fwhm.value.px())),
            stars: format!("{} / {}", frame.n_identified, frame.n_stars),
            place: place.map_or("-".to_owned(), |place| {
                let (azimuth, altitude) = place.az_alt();
                format!("{:.0}\u{b0} / {:.0}\u{b0}", azimuth.deg(), altitude.deg())
            }),
            verdict: verdict_words(frame.verdict),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;

    #[test]
    fn the_page_begins_with_the_answer_and_asks_nothing_of_a_network() {
        for report in [sample::full(), sample::realign(), sample::cannot_tell()] {
            let page = to_string(&report);
            assert!(page.starts_with(START));
            let answer = page.find("<h1").unwrap();
            assert!(answer < page.find("<section").unwrap());
            for word in ["<script", "http://", "https://", "<link", "@import"] {
                assert!(!page.contains(word), "{word}");
            }
        }
    }

    #[test]
    fn words_of_the_night_are_escaped() {
        let mut report = sample::realign();
        report.value.answer = "<b>a & b</b>".into();
        report.value.frames[0].file = "first-try/<img src=x>.jpg".into();
        let page = to_string(&report);
        assert!(!page.contains("<b>a") && !page.contains("<img src=x>"));
    }

    #[test]
    fn all_pictures_are_there_and_have_titles() {
        let mut report = sample::full();
        let third = report.value.frames[1].clone();
        report.value.frames.insert(1, third);
        let page = to_string(&report);
        for title in [
            "The axis and the pole",
            "What draws the trails",
            "Drift along the daily motion",
            "Drift across the daily motion",
            "Drive against its mean rate",
            "Longest exposure against focal length",
            "How the stars are drawn out",
        ] {
            assert!(page.contains(title), "{title}");
        }
        assert_eq!(page.matches("<svg").count(), page.matches("</svg>").count());
        assert_eq!(
            page.matches("<svg").count(),
            page.matches("role=\"img\"").count()
        );
    }

    #[test]
    fn the_page_tells_lenses_and_shares_as_the_text_does() {
        let mut report = sample::full();
        report.value.alignments.truncate(1);
        let outlook = report.value.alignments[0].outlook.as_ref();
        let lines = exposing::lines(outlook.unwrap());
        assert_eq!(lines.len(), 2);
        let page = to_string(&report);
        for line in lines {
            let escaped = line.replace('\'', "&#39;");
            assert!(page.contains(&escaped), "{line}");
        }
    }

    #[test]
    fn frames_to_take_stand_among_the_steps_and_nowhere_else() {
        let report = sample::cannot_tell();
        let page = to_string(&report);
        let night = report.value;
        let steps = night.alignments.last().map_or(0, |one| one.todo.len());
        assert_eq!(page.matches("<ol>").count(), usize::from(steps > 0));
        assert!(!page.contains("Frames to take next"));
    }

    #[test]
    fn a_long_night_shows_its_longest_trails() {
        let night = sample::realign().value;
        let mut frames = vec![night.frames[0].clone(); 30];
        for (nth, frame) in frames.iter_mut().enumerate() {
            frame.trail = Some(sample::trail(nth as f64, 1.0, 0.1));
        }
        let frames: Vec<_> = frames.iter().collect();
        let shown = shown(&frames);
        assert_eq!(shown.len(), MOST_CARDS);
        assert!(shown.iter().all(|one| trail_px(one) > 17.0));
    }

    #[test]
    fn only_such_a_page_is_replaced() {
        let place = tempfile::tempdir().unwrap();
        let path = place.path().join("report.html");
        write_file(&sample::full(), &path).unwrap();
        write_file(&sample::full(), &path).unwrap();
        std::fs::write(&path, "<!DOCTYPE html><p>mine").unwrap();
        let error = write_file(&sample::full(), &path).unwrap_err();
        assert!(error.context.contains("report.html"), "{error}");
    }
}
