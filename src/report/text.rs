//! The report in words for a terminal: the answer first, then what was seen, why, what to beware of.

use std::path::Path;

use crate::diagnosis::Cause;
use crate::error::Warned;
use crate::limits::settable_words;
use crate::units::{Angle, Measured, Seconds};

use super::exposing;
use super::page::{KEEP_TOGETHER, Look, Page, Role};
use super::table::{self, short};
use super::{
    AlignmentReport, AxisReport, AxisWithoutSite, FrameReport, LongestExposure, NightReport,
    SiteReport, SiteSource,
};

/// An error component with a larger sigma that is not itself seen is called not known.
const UNKNOWN_ABOVE: Angle = Angle::from_arcmin(30.0);

/// The answer alone.
pub fn brief(report: &Warned<NightReport>, look: &Look) -> String {
    let mut page = Page::new(*look);
    page.words(Role::Answer, "", &report.value.answer);
    page.finish()
}

/// The whole report; `pictures` is the page that shows the same.
pub fn full(report: &Warned<NightReport>, pictures: Option<&Path>, look: &Look) -> String {
    let night = &report.value;
    let mut page = Page::new(*look);
    page.words(Role::Answer, "", &night.answer);
    if let Some((now, earlier)) = night.alignments.split_last() {
        steps(now, &mut page);
        for alignment in earlier {
            alignment_before(night, alignment, &mut page);
        }
        alignment_now(night, now, &mut page);
    }
    granted(night, &mut page);
    let warnings = report.warnings.iter().map(|warning| warning.text.as_str());
    labelled(&mut page, "beware", Role::Middling, warnings);
    set_aside(night.frames.iter(), &mut page);
    let pictures = pictures.map(|path| path.display().to_string());
    labelled(
        &mut page,
        "pictures",
        Role::Body,
        pictures.iter().map(String::as_str),
    );
    page.finish()
}

pub(super) fn steps(now: &AlignmentReport, page: &mut Page) {
    for (nth, step) in now.todo.iter().enumerate() {
        page.words(Role::Body, &format!(" {}. ", nth + 1), step);
    }
}

/// An alignment that is over: its frames and its headline.
fn alignment_before(night: &NightReport, alignment: &AlignmentReport, page: &mut Page) {
    frames_of(night, alignment, page);
    page.words(Role::Body, " ", &alignment.headline);
}

/// The alignment as the tracker stands: its frames and all that they say.
fn alignment_now(night: &NightReport, alignment: &AlignmentReport, page: &mut Page) {
    frames_of(night, alignment, page);
    if !night.answer.ends_with(&alignment.headline) {
        page.words(Role::Body, " ", &alignment.headline);
    }
    page.gap();
    findings(alignment, page);
    if let Some(outlook) = &alignment.outlook {
        exposing::write(outlook, page);
    }
    if let Some(one) = exposing::cost_of(alignment) {
        page.words(Role::Body, " cost     ", &one);
    }
    let reasons = alignment.reasons.iter().map(String::as_str);
    labelled(page, "why", Role::Body, reasons);
    page.gap();
}

/// Shares of the trail, the axis, the longest exposure.
pub(super) fn findings(alignment: &AlignmentReport, page: &mut Page) {
    causes(alignment, page);
    if let Some(found) = &alignment.axis {
        page.words(Role::Body, " axis     ", &axis_words(found));
    }
    if let Some(found) = &alignment.axis_without_site {
        page.words(Role::Body, " axis     ", &axis_without_site_words(found));
    }
    if let Some(words) = longest_words(&alignment.longest_exposure) {
        page.words(Role::Body, " expose   ", &words);
    }
}

fn frames_of(night: &NightReport, alignment: &AlignmentReport, page: &mut Page) {
    let frames: Vec<&FrameReport> = night
        .frames
        .iter()
        .filter(|frame| frame.is_used() && frame.alignment == alignment.name)
        .collect();
    page.gap();
    let counts = format!(
        ": {}, {}",
        counted(alignment.n_frames, "frame", "frames"),
        counted(alignment.n_pointings, "pointing", "pointings")
    );
    page.words(
        Role::Heading,
        "",
        &format!("Alignment {}{counts}", alignment.name),
    );
    if !frames.is_empty() {
        table::write(&frames, page);
    }
}

pub(super) fn counted(count: usize, one: &str, several: &str) -> String {
    format!("{count} {}", if count == 1 { one } else { several })
}

/// `2.9 px alignment, 0.5 px drive's swing`: shares of the trail, with how sure each is.
fn causes(alignment: &AlignmentReport, page: &mut Page) {
    if alignment.causes.is_empty() {
        return;
    }
    let shares: Vec<String> = alignment
        .causes
        .iter()
        .map(|share| {
            let kept = |words: String| words.replace(' ', &KEEP_TOGETHER.to_string());
            let size = kept(format!(
                "{} {:.1} px",
                cause_words(share.cause),
                share.trail.px()
            ));
            let place = match share.cause {
                Cause::Lens => " in the corners",
                _ => "",
            };
            // Nothing is certain, whatever the rounding says.
            let sure = (100.0 * share.confidence).min(99.0);
            let sure = kept(format!(" ({sure:.0} % sure)"));
            format!("{size}{place}{sure}")
        })
        .collect();
    page.words(Role::Body, " trail    ", &shares.join(", "));
}

/// A cause in two words.
pub(super) fn cause_words(cause: Cause) -> &'static str {
    match cause {
        Cause::Aligned => "well aligned",
        Cause::Axis => "alignment",
        Cause::DriveRate => "drive rate",
        Cause::DrivePeriodic => "drive swing",
        Cause::DriveStopped => "drive stopped",
        Cause::DriveReversed => "drive reversed",
        Cause::DriveBacklash => "drive slack",
        Cause::Slip => "slip",
        Cause::Shake => "shake",
        Cause::Bump => "bump",
        Cause::Sag => "sag",
        Cause::Lens => "lens",
        Cause::Focus => "focus",
        Cause::Unknown => "not known",
    }
}

/// Where the axis points, in words.
pub(super) fn axis_words(axis: &AxisReport) -> String {
    let altitude = altitude_words(axis.altitude_error);
    let azimuth = azimuth_words(axis.azimuth_error);
    let mirror = match axis.mirror {
        _ if !axis.mirror_ambiguous => String::new(),
        None => "; or the opposite of both, which one frame cannot tell apart".to_owned(),
        Some(mirror) => {
            let up = Measured::new(mirror.up, axis.altitude_error.sigma);
            let east = Measured::new(mirror.east, axis.azimuth_error.sigma);
            let up = match altitude_words(up) {
                // What is not known need not be said twice.
                same if same == altitude => String::new(),
                other => format!("altitude {other}; "),
            };
            format!(
                "; or {up}azimuth {} (one frame cannot tell which)",
                azimuth_words(east)
            )
        }
    };
    format!(
        "altitude {altitude}; azimuth {azimuth}{mirror}; {} from the refracted pole",
        total_words(axis)
    )
}

fn altitude_words(error: Measured<Angle>) -> String {
    side(error, "too high", "too low")
}

fn azimuth_words(error: Measured<Angle>) -> String {
    side(error, "too far east", "too far west")
}

/// The whole distance; where one of its parts is not known, the least that it can be.
fn total_words(axis: &AxisReport) -> String {
    let (up, east) = (axis.altitude_error, axis.azimuth_error);
    match (is_unknown(up), is_unknown(east)) {
        (false, false) => with_sigma(axis.total()),
        (true, false) => format!("at least {}", arcmin(east.value.abs())),
        (false, true) => format!("at least {}", arcmin(up.value.abs())),
        (true, true) => "not known how far".to_owned(),
    }
}

/// Whether an error is neither seen nor bounded to anything of use.
fn is_unknown(error: Measured<Angle>) -> bool {
    error.value.abs() <= error.sigma * 2.0 && error.sigma > UNKNOWN_ABOVE
}

/// An error with its side in words; without a side where it is not seen.
fn side(error: Measured<Angle>, positive: &str, negative: &str) -> String {
    let seen = error.value.abs() > error.sigma * 2.0;
    if is_unknown(error) {
        return format!("not known (\u{b1} {})", arcmin(error.sigma));
    }
    // What rounds to zero has no side, however surely it is seen.
    if error.value.abs() < Angle::from_arcmin(0.05) {
        let limit = error.value.abs() + error.sigma * 2.0;
        let tenths = (limit.arcmin() * 10.0 - 1e-6).ceil().max(1.0);
        return format!(
            "on the pole within {}",
            arcmin(Angle::from_arcmin(tenths / 10.0))
        );
    }
    let words = if error.value.rad() < 0.0 {
        negative
    } else {
        positive
    };
    let words = if seen {
        words.into()
    } else {
        format!("{words}, if at all")
    };
    format!(
        "{} {words}",
        with_sigma(Measured::new(error.value.abs(), error.sigma))
    )
}

fn with_sigma(angle: Measured<Angle>) -> String {
    // An error is never shown smaller than the last digit.
    let sigma = angle.sigma.max(Angle::from_arcmin(0.1));
    format!("{} \u{b1} {}", arcmin(angle.value), arcmin(sigma))
}

/// Arcminutes, without decimals from 100 on.
fn arcmin(angle: Angle) -> String {
    match angle.arcmin() {
        large if large >= 100.0 => format!("{large:.0}'"),
        small => format!("{small:.1}'"),
    }
}

/// Where an axis points whose sides are not known.
pub(super) fn axis_without_site_words(axis: &AxisWithoutSite) -> String {
    let sides = axis.by_direction.map_or(Vec::new(), |told| {
        let east = told.sure_east();
        let up = told.sure_up();
        let east = east.map(|east| side(east, "too far east", "too far west"));
        let up = up.map(|up| side(up, "too high", "too low"));
        east.into_iter().chain(up).collect()
    });
    let sides = if sides.is_empty() {
        "side not known".to_owned()
    } else {
        format!("{} by the direction given", sides.join(", "))
    };
    format!("{} from the pole, {sides}", with_sigma(axis.total))
}

/// How long to expose at most, if that is known.
pub(super) fn longest_words(longest: &LongestExposure) -> Option<String> {
    let words = |exposure: Option<Seconds>| exposure.map(settable_words);
    let at_most = |exposure: &str| match exposure {
        long if long.ends_with("more") => long.to_owned(),
        short => format!("at most {short}"),
    };
    let (now, after) = (words(longest.now), words(longest.after_correction));
    Some(match (now.as_deref(), after.as_deref()) {
        (Some(now), Some(after)) if now == after => {
            format!("{}, corrected or not", at_most(now))
        }
        (Some(now), Some(_)) if longest.after_correction <= longest.now => {
            format!("{}; moving the axis gains nothing", at_most(now))
        }
        (Some(now), Some(after)) => {
            format!("{} as it stands, {after} once corrected", at_most(now))
        }
        (Some(now), None) => format!("{} as it stands", at_most(now)),
        (None, Some(after)) => format!("{} once corrected", at_most(after)),
        (None, None) => return None,
    })
}

/// Two digits, never more than the limit itself: 228 becomes 220, 6.23 becomes 6.2.
pub(super) fn rounded_down(exposure: Seconds) -> String {
    let seconds = exposure.s();
    if seconds <= 0.0 {
        return "0".into();
    }
    let step = 10f64.powf(seconds.log10().floor() - 1.0);
    // The nudge keeps a limit that is a whole number of steps from losing one to rounding.
    short((seconds / step + 1e-9).floor() * step)
}

fn granted(night: &NightReport, page: &mut Page) {
    let site = night.site.map(|report| site_words(&report));
    let facts = site
        .iter()
        .map(String::as_str)
        .chain(night.assumptions.iter().map(String::as_str));
    labelled(page, "assumed", Role::Body, facts);
}

/// Where the camera stood, and who says so.
pub(super) fn site_words(report: &SiteReport) -> String {
    let (latitude, longitude) = (report.site.latitude().deg(), report.site.longitude().deg());
    let source = match report.source {
        SiteSource::Gps => "the frames' GPS tags",
        SiteSource::Option => "--site",
        SiteSource::Settings => "the settings",
    };
    format!(
        "Site {:.3} {}, {:.3} {} ({source}).",
        latitude.abs(),
        if latitude < 0.0 { "S" } else { "N" },
        longitude.abs(),
        if longitude < 0.0 { "W" } else { "E" },
    )
}

/// Frames set aside, those with the same reason in a row together.
pub(super) fn set_aside<'a>(frames: impl Iterator<Item = &'a FrameReport>, page: &mut Page) {
    let lines = aside_lines(frames);
    labelled(page, "aside", Role::Body, lines.iter().map(String::as_str));
}

/// A line for each run of frames that were set aside for one reason.
pub(super) fn aside_lines<'a>(frames: impl Iterator<Item = &'a FrameReport>) -> Vec<String> {
    let mut groups: Vec<(&str, &str, usize)> = Vec::new();
    for frame in frames {
        let Some(reason) = &frame.skipped_because else {
            continue;
        };
        // A reason may name the file itself, with the folders before it.
        let named = format!("{}: ", frame.file);
        let reason = reason
            .split_once(&named)
            .map_or(reason.as_str(), |(_, rest)| rest);
        match groups.last_mut() {
            Some((_, same, others)) if *same == reason => *others += 1,
            _ => groups.push((&frame.file, reason, 0)),
        }
    }
    groups
        .iter()
        .map(|(file, reason, others)| match others {
            0 => format!("{file}: {reason}"),
            n => format!(
                "{file} and {}: {reason}",
                counted(*n, "frame more", "frames more")
            ),
        })
        .collect()
}

/// Lines under each other, the first with its label in the margin.
pub(super) fn labelled<'a>(
    page: &mut Page,
    label: &str,
    role: Role,
    lines: impl Iterator<Item = &'a str>,
) {
    for (nth, line) in lines.enumerate() {
        let margin = if nth == 0 { label } else { "" };
        page.words(role, &format!(" {margin:<9}"), line);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::page::{Ink, Letters};
    use crate::report::sample;
    use unicode_width::UnicodeWidthStr;

    fn look(width: usize) -> Look {
        Look {
            width,
            letters: Letters::Ascii,
            ink: Ink::Plain,
        }
    }

    #[test]
    fn the_first_line_is_the_answer() {
        for report in [sample::full(), sample::realign(), sample::cannot_tell()] {
            let text = full(&report, None, &look(200));
            assert_eq!(text.lines().next(), Some(report.value.answer.as_str()));
            assert_eq!(brief(&report, &look(200)).trim_end(), report.value.answer);
        }
    }

    #[test]
    fn nothing_runs_over_the_edge() {
        for width in [44, 60, 80, 132] {
            for report in [sample::full(), sample::realign(), sample::cannot_tell()] {
                let text = full(&report, None, &look(width));
                let widest = text.lines().map(|line| line.width()).max();
                assert!(widest <= Some(width), "{width}:\n{text}");
            }
        }
    }

    #[test]
    fn a_night_at_work_fits_one_screen() {
        let text = full(&sample::realign(), None, &look(80));
        assert!(text.lines().count() <= 30, "{text}");
    }

    #[test]
    fn sides_are_words_and_follow_the_signs() {
        let words = |value, sigma| side(sample::arcmin(value, sigma), "too high", "too low");
        assert_eq!(words(4.1, 0.3), "4.1' \u{b1} 0.3' too high");
        assert_eq!(words(-4.1, 0.3), "4.1' \u{b1} 0.3' too low");
        assert_eq!(words(-0.4, 0.3), "0.4' \u{b1} 0.3' too low, if at all");
        assert_eq!(words(0.0, 0.04), "on the pole within 0.1'");
        assert_eq!(words(-0.04, 0.01), "on the pole within 0.1'");
        assert_eq!(words(20.0, 90.0), "not known (\u{b1} 90.0')");
        assert_eq!(words(-250.0, 40.0), "250' \u{b1} 40.0' too low");
    }

    #[test]
    fn limits_are_rounded_down() {
        let words = |seconds| rounded_down(Seconds::new(seconds));
        assert_eq!(words(228.9), "220");
        assert_eq!(words(6.29), "6.2");
        assert_eq!(words(30.0), "30");
        assert_eq!(words(0.3), "0.3");
        assert_eq!(words(0.0), "0");
    }

    #[test]
    fn a_correction_that_shortens_exposures_is_no_gain() {
        let longest = |now: f64, after: f64| {
            let longest = LongestExposure {
                now: Some(Seconds::new(now)),
                after_correction: Some(Seconds::new(after)),
            };
            longest_words(&longest).unwrap()
        };
        assert_eq!(
            longest(160.0, 150.0),
            "at most 160 s; moving the axis gains nothing"
        );
        assert_eq!(longest(24.2, 24.4), "at most 20 s, corrected or not");
        assert_eq!(longest(1800.0, 1800.0), "1800 s and more, corrected or not");
        assert_eq!(
            longest(35.0, 190.0),
            "at most 35 s as it stands, 190 s once corrected"
        );
    }

    #[test]
    fn a_part_that_is_not_known_is_said_once_and_leaves_a_least_distance() {
        let mut report = sample::realign();
        let axis = report.value.alignments[0].axis.as_mut().unwrap();
        axis.altitude_error = sample::arcmin(3.0, 99.0);
        axis.mirror_ambiguous = true;
        let words = axis_words(axis);
        assert_eq!(words.matches("not known").count(), 1, "{words}");
        assert!(
            words.ends_with("at least 31.2' from the refracted pole"),
            "{words}"
        );
    }

    #[test]
    fn the_mirror_of_a_lone_frame_is_said() {
        let mut report = sample::realign();
        let axis = report.value.alignments[0].axis.as_mut().unwrap();
        axis.mirror_ambiguous = true;
        let text = full(&report, None, &look(300));
        let other = "or altitude 4.1' +- 0.3' too low; azimuth 31.2' +- 0.6' too far west";
        assert!(text.contains(other), "{text}");
        report.value.alignments[0].axis.as_mut().unwrap().mirror = None;
        assert!(full(&report, None, &look(200)).contains("or the opposite of both"));
    }

    #[test]
    fn frames_set_aside_are_named_with_their_reason() {
        let text = full(&sample::full(), None, &look(200));
        assert!(
            text.contains("first-try/IMG_2045.jpg: not a JPEG"),
            "{text}"
        );
    }

    #[test]
    fn frames_set_aside_for_one_reason_share_a_line() {
        let mut report = sample::realign();
        for nth in 6..9 {
            let file = format!("first-try/IMG_204{nth}.jpg");
            let reason = format!("/photos/tonight/{file}: no star found");
            let frame = FrameReport::set_aside(file, "first-try", reason);
            report.value.frames.push(frame);
        }
        let text = full(&report, None, &look(200));
        let line = "first-try/IMG_2046.jpg and 2 frames more: no star found";
        assert!(text.contains(line), "{text}");
    }

    #[test]
    fn colour_changes_no_word() {
        let plain = full(&sample::full(), None, &look(80));
        for ink in [Ink::Colour, Ink::Red] {
            let inked = full(&sample::full(), None, &Look { ink, ..look(80) });
            assert_eq!(without_escapes(&inked), plain);
        }
    }

    fn without_escapes(text: &str) -> String {
        let mut parts = text.split('\x1b');
        let first = parts.next().unwrap_or_default().to_string();
        parts.fold(first, |kept, part| {
            let end = part.find(['m', 'K']).map_or(part.len(), |end| end + 1);
            kept + &part[end..]
        })
    }
}
