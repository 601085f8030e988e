//! The measured frames in words: the answer first, then tables.

use crate::diagnosis::Verdict;
use crate::error::Warned;
use crate::report::page::{Look, Page, Role};
use crate::report::text::{labelled, set_aside};
use crate::report::{FrameReport, table};
use crate::stars::{FrameTrail, LensOverExposures, Stretch};

use super::{MeasureReport, MeasuredFile, json, lens_words, lines, places};

impl MeasureReport {
    /// The report as JSON.
    pub fn to_json(report: &Warned<MeasureReport>) -> String {
        json::to_string(report)
    }

    /// The answer alone.
    pub fn to_brief(report: &Warned<MeasureReport>, look: &Look) -> String {
        let frames = &report.value.frames;
        let used: Vec<&FrameReport> = frames
            .iter()
            .map(|file| &file.frame)
            .filter(|frame| frame.is_used())
            .collect();
        let mut page = Page::new(*look);
        page.words(Role::Answer, "", &answer(&used, frames));
        page.finish()
    }

    /// The report for a terminal.
    pub fn to_text(report: &Warned<MeasureReport>, look: &Look) -> String {
        let frames = &report.value.frames;
        let used: Vec<&FrameReport> = frames
            .iter()
            .map(|file| &file.frame)
            .filter(|frame| frame.is_used())
            .collect();
        let mut page = Page::new(*look);
        page.words(Role::Answer, "", &answer(&used, frames));
        page.gap();
        if !used.is_empty() {
            table::write(&used, &mut page);
        }
        places::write(&report.value, &mut page);
        if let Some(words) = corners(&report.value) {
            page.gap();
            page.words(Role::Body, " corners  ", &words);
        }
        for found in &report.value.lenses {
            page.gap();
            page.words(Role::Body, " lens     ", &lens_words(found));
            if !found.trails.is_empty() {
                let words = in_a_perfect_lens(found, frames);
                page.words(Role::Body, "          ", &words);
            }
        }
        let foreign = foreign_lines(frames);
        if !foreign.is_empty() {
            page.gap();
        }
        for words in foreign {
            page.words(Role::Body, " lines    ", &words);
        }
        page.gap();
        let warnings = report.warnings.iter().map(|warning| warning.text.as_str());
        labelled(&mut page, "beware", Role::Middling, warnings);
        set_aside(frames.iter().map(|file| &file.frame), &mut page);
        page.finish()
    }
}

fn answer(used: &[&FrameReport], files: &[MeasuredFile]) -> String {
    let longest = used
        .iter()
        .filter_map(|frame| Some((frame, frame.trail?.length)))
        .max_by(|a, b| a.1.value.px().total_cmp(&b.1.value.px()));
    let trails = match longest {
        Some((frame, length)) => format!(
            "{}; longest trail {} px in {}.",
            looks(used),
            table::with_sigma(length),
            table::file_name(&frame.file)
        ),
        None => "Cannot tell: too few stars in every frame.".into(),
    };
    format!("{trails} {}", identified(files))
}

/// The lines of satellites and aircraft, frame by frame; of many frames the first few.
fn foreign_lines(files: &[MeasuredFile]) -> Vec<String> {
    const MOST: usize = 6;
    let told = |file: &MeasuredFile| {
        let words = lines::words(&file.measured.as_ref()?.field.rejected)?;
        Some(format!("{}: {words}", table::file_name(&file.frame.file)))
    };
    let mut all: Vec<String> = files.iter().filter_map(told).collect();
    if all.len() > MOST {
        let more = all.len() + 1 - MOST;
        all.truncate(MOST - 1);
        all.push(format!(
            "{more} more frames have such lines; --json has all"
        ));
    }
    all
}

/// `with a perfect lens: IMG_1.jpg 0.5 +- 0.1, ...`; of many frames the first few.
fn in_a_perfect_lens(found: &LensOverExposures, files: &[MeasuredFile]) -> String {
    const MOST: usize = 6;
    let told = |(number, trail): &(usize, FrameTrail)| {
        let file = table::file_name(&files[*number].frame.file);
        format!("{file} {}", table::with_sigma(trail.length))
    };
    let trails: Vec<String> = found.trails.iter().take(MOST).map(told).collect();
    let more = match found.trails.len().saturating_sub(MOST) {
        0 => String::new(),
        more => format!(", {more} more in --json"),
    };
    format!("trails in a perfect lens, px: {}{more}", trails.join(", "))
}

/// The frame whose corners are drawn longest, where that is sure (three sigmas) and no other exposure
/// says more.
fn corners(report: &MeasureReport) -> Option<String> {
    let told = |number: &usize| {
        report
            .lenses
            .iter()
            .any(|lens| lens.frames.contains(number))
    };
    let alone = report.frames.iter().enumerate();
    let sure = alone
        .filter(|(number, _)| !told(number))
        .filter_map(|(_, file)| {
            let lens = file.measured.as_ref()?.field.lens?;
            (lens.corner.value > lens.corner.sigma * 3.0).then_some((file, lens))
        });
    let (file, lens) =
        sure.max_by(|a, b| a.1.corner.value.px().total_cmp(&b.1.corner.value.px()))?;
    let (way, makers) = match lens.stretch {
        Stretch::Outwards => ("outwards", "the lens does that"),
        Stretch::Around => (
            "around the centre",
            "the lens or the field's turn does that: two frames of a third of the exposure, with the \
             same field, focus and aperture and the tracker running, tell which",
        ),
    };
    Some(format!(
        "{}: stars in the corners are drawn {way}, like a trail of {} px; {makers}",
        table::file_name(&file.frame.file),
        table::with_sigma(lens.corner)
    ))
}

/// `4 round, 2 trailed`.
fn looks(frames: &[&FrameReport]) -> String {
    let count = |verdict| {
        frames
            .iter()
            .filter(|frame| frame.verdict == verdict)
            .count()
    };
    let words: Vec<String> = [
        Verdict::Round,
        Verdict::Soft,
        Verdict::Trailed,
        Verdict::Unmeasured,
    ]
    .into_iter()
    .filter(|verdict| count(*verdict) > 0)
    .map(|verdict| format!("{} {}", count(verdict), verdict.key()))
    .collect();
    words.join(", ")
}

fn identified(files: &[MeasuredFile]) -> String {
    let measured = files.iter().filter_map(|file| file.measured.as_ref());
    let known: Vec<bool> = measured
        .map(|measured| measured.identity.known().is_some())
        .collect();
    match (known.iter().filter(|known| **known).count(), known.len()) {
        (1, 1) => "Stars identified.".into(),
        (0, 1) => "Stars not identified.".into(),
        (0, _) => "Stars identified in none of them.".into(),
        (all, of) if all == of => "Stars identified in all.".into(),
        (some, of) => format!("Stars identified in {some} of {of}."),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::measure::MeasuredFile;
    use crate::report::measure::identity::tests::identified;
    use crate::report::measure::tests::{looking, slanted};
    use crate::report::page::{Ink, Letters};
    use crate::stars::LightLine;
    use crate::units::PixelPoint;

    fn text_of(frames: Vec<MeasuredFile>) -> String {
        MeasureReport::to_text(&Warned::clean(MeasureReport::of_frames(frames)), &LOOK)
    }

    #[test]
    fn a_known_frame_says_where_it_looked_and_through_which_lens() {
        let known = identified(83.82, -5.39, 1.0);
        let text = text_of(vec![looking(known)]);
        for words in [
            "Stars identified.",
            "05h35m17s",
            "-05d23m24s",
            "3.00 +- 0.01 mm",
            "343.8 +- 0.3\"",
            "-0.02 +- 0.01",
            "0.30",
            "175.0 S",
            "0h16m east",
        ] {
            assert!(text.contains(words), "{words} in {text}");
        }
        assert!(text.lines().all(|line| line.len() <= 80), "{text}");
    }

    #[test]
    fn without_site_and_time_it_says_what_they_would_tell() {
        let mut file = looking(identified(83.82, -5.39, 1.0));
        let center = file.frame.center.as_mut().unwrap();
        (center.horizon, center.hour_angle) = (None, None);
        let text = text_of(vec![file]);
        assert!(text.contains("--site"), "{text}");
    }

    #[test]
    fn a_satellite_is_told_with_its_ends() {
        let mut file = slanted();
        if let Some(measured) = &mut file.measured {
            measured.field.rejected.lines = 1;
            measured.field.rejected.longest_line = Some(LightLine {
                from: PixelPoint::new(5.0, 820.0),
                to: PixelPoint::new(1421.0, 742.0),
            });
        }
        let text = text_of(vec![file.clone()]);
        let told = "IMG_1.jpg: a satellite or aircraft line from 5,820 to 1421,742";
        assert!(text.contains(told), "{text}");
        let many = text_of(vec![file; 9]);
        assert!(many.contains("4 more frames have such lines"), "{many}");
    }

    #[test]
    fn an_unknown_frame_says_why() {
        let text = text_of(vec![slanted()]);
        assert!(text.contains("Stars not identified."), "{text}");
        assert!(
            text.contains("IMG_1.jpg: no part of the catalogue agrees"),
            "{text}"
        );
    }

    #[test]
    fn a_long_row_of_frames_stays_about_a_screen() {
        let frames = vec![looking(identified(83.82, -5.39, 1.0)); 40];
        let text = text_of(frames);
        assert!(text.contains("28 more between"), "{text}");
        assert!(text.lines().count() < 60, "{text}");
    }

    const LOOK: Look = Look {
        width: 80,
        letters: Letters::Ascii,
        ink: Ink::Plain,
    };

    #[test]
    fn the_first_line_counts_the_looks_and_names_the_longest_trail() {
        let aside = MeasuredFile {
            frame: FrameReport::set_aside("night/IMG_2.jpg", "night", "it is empty"),
            measured: None,
        };
        let text = text_of(vec![slanted(), aside]);
        assert_eq!(
            text.lines().next(),
            Some("1 trailed; longest trail 6.0 +- 0.1 px in IMG_1.jpg. Stars not identified.")
        );
        assert!(text.contains("night/IMG_2.jpg: it is empty"), "{text}");
    }
}
