//! The answer as one screenful, for a terminal that shows it anew after each frame.

use crate::error::Warned;

use super::page::{Look, Page, Role};
use super::table;
use super::text::{self, counted};
use super::{AlignmentReport, FrameReport, NightReport};

/// Frames that are shown at most; the latest count.
const MOST_FRAMES: usize = 12;

/// The answer, the steps, the latest frames of the alignment as it stands, and where the axis
/// points, in at most so many lines.
///
/// Frames make room first. Where the answer and its steps alone are longer, they are whole all the
/// same: half a step is worse than a screen that scrolls.
pub fn screen(report: &Warned<NightReport>, look: &Look, height: usize) -> String {
    let mut n_frames = MOST_FRAMES;
    loop {
        let text = with_frames(&report.value, look, n_frames);
        if n_frames == 0 || text.lines().count() <= height {
            return text;
        }
        n_frames -= 1;
    }
}

fn with_frames(night: &NightReport, look: &Look, most: usize) -> String {
    let mut page = Page::new(*look);
    page.words(Role::Answer, "", &night.answer);
    if let Some(now) = night.alignments.last() {
        text::steps(now, &mut page);
        latest(night, now, most, &mut page);
        page.gap();
        text::findings(now, &mut page);
    }
    page.finish()
}

fn latest(night: &NightReport, now: &AlignmentReport, most: usize, page: &mut Page) {
    let of_now = night.frames.iter().filter(|one| one.alignment == now.name);
    let (used, aside): (Vec<&FrameReport>, Vec<_>) = of_now.partition(|one| one.is_used());
    let shown = &used[used.len().saturating_sub(most)..];
    if shown.is_empty() {
        return;
    }
    page.gap();
    let of_all = match used.len() - shown.len() {
        0 => String::new(),
        _ => format!(", the last {} here", shown.len()),
    };
    let set_aside = match aside.len() {
        0 => String::new(),
        n => format!(", {n} set aside"),
    };
    let counts = counted(used.len(), "frame", "frames");
    let heading = format!("Alignment {}: {counts}{of_all}{set_aside}", now.name);
    page.words(Role::Heading, "", &heading);
    table::write(shown, page);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::page::{Ink, Letters};
    use crate::report::sample;

    const LOOK: Look = Look {
        width: 80,
        letters: Letters::Unicode,
        ink: Ink::Plain,
    };

    #[test]
    fn a_screen_is_no_higher_than_the_terminal_as_long_as_the_answer_fits() {
        let report = sample::realign();
        let whole = screen(&report, &LOOK, 100);
        let n_lines = whole.lines().count();
        for height in (6..=n_lines).rev() {
            let text = screen(&report, &LOOK, height);
            let first = report.value.answer.split(' ').next().unwrap();
            assert!(text.starts_with(first));
            let bare = with_frames(&report.value, &LOOK, 0).lines().count();
            assert!(text.lines().count() <= height.max(bare), "{text}");
        }
    }

    #[test]
    fn the_latest_frames_are_shown_and_the_rest_is_counted() {
        let mut report = sample::realign();
        let frame = report.value.frames[0].clone();
        let now = report.value.alignments.last().unwrap().name.clone();
        report.value.frames = (0..30)
            .map(|nth| FrameReport {
                file: format!("IMG_{nth:04}.jpg"),
                alignment: now.clone(),
                // Frames that look alike share a row; these do not.
                pointing: Some(nth),
                ..frame.clone()
            })
            .collect();
        let text = screen(&report, &LOOK, 100);
        assert!(text.contains("30 frames, the last 12 here"), "{text}");
        assert!(
            text.contains("IMG_0029.jpg") && !text.contains("IMG_0017.jpg"),
            "{text}"
        );
    }
}
