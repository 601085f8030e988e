//! The measured frames in words: the answer first, then a table.

use crate::diagnosis::Verdict;
use crate::error::Warned;
use crate::report::page::{Look, Page, Role};
use crate::report::text::{labelled, set_aside};
use crate::report::{FrameReport, table};

use super::{MeasureReport, json};

impl MeasureReport {
    /// The report as JSON.
    pub fn to_json(report: &Warned<MeasureReport>) -> String {
        json::to_string(report)
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
        page.words(Role::Answer, "", &answer(&used));
        page.gap();
        if !used.is_empty() {
            table::write(&used, &mut page);
        }
        page.gap();
        let warnings = report.warnings.iter().map(|warning| warning.text.as_str());
        labelled(&mut page, "beware", Role::Middling, warnings);
        set_aside(frames.iter().map(|file| &file.frame), &mut page);
        page.finish()
    }
}

fn answer(frames: &[&FrameReport]) -> String {
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
    let longest = frames
        .iter()
        .filter_map(|frame| Some((frame, frame.trail?.length)))
        .max_by(|a, b| a.1.value.px().total_cmp(&b.1.value.px()));
    match longest {
        Some((frame, length)) => format!(
            "{}; longest trail {} px in {}.",
            words.join(", "),
            table::with_sigma(length),
            table::file_name(&frame.file)
        ),
        None => "Cannot tell: too few stars in every frame.".into(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::measure::MeasuredFile;
    use crate::report::measure::tests::slanted;
    use crate::report::page::{Ink, Letters};

    const LOOK: Look = Look {
        width: 80,
        letters: Letters::Ascii,
        ink: Ink::Plain,
    };

    #[test]
    fn the_first_line_counts_the_looks_and_names_the_longest_trail() {
        let aside = MeasuredFile {
            frame: FrameReport::set_aside("night/IMG_2.jpg", "night", "it is empty"),
            field: None,
        };
        let frames = vec![slanted(), aside];
        let text = MeasureReport::to_text(&Warned::clean(MeasureReport { frames }), &LOOK);
        assert_eq!(
            text.lines().next(),
            Some("1 trailed; longest trail 6.0 +- 0.1 px in IMG_1.jpg.")
        );
        assert!(text.contains("night/IMG_2.jpg: it is empty"), "{text}");
    }
}
