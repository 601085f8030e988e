//! The limits in words and tables.

use super::{LensLimits, LimitsReport};
use crate::limits::LONGEST;
use crate::report::page::{Look, Page, Role, Side, cell};
use crate::report::text::rounded_down;
use crate::units::{Angle, Seconds};

/// Larger axis errors are not told apart.
const FARTHEST: Angle = Angle::from_arcmin(600.0);
/// Columns of a number in the tables.
const COLUMN: usize = 7;

impl LimitsReport {
    /// The whole answer for a terminal.
    pub fn to_text(&self, look: &Look) -> String {
        let mut page = Page::new(*look);
        page.words(Role::Answer, "", &self.answer());
        self.exposures(&mut page);
        self.alignments(&mut page);
        page.gap();
        for (label, words) in self.notes() {
            page.words(Role::Body, &format!(" {label:<9}"), &words);
        }
        page.finish()
    }

    /// The first line alone.
    pub fn to_brief(&self, look: &Look) -> String {
        let mut page = Page::new(*look);
        page.words(Role::Answer, "", &self.answer());
        page.finish()
    }

    /// What the wanted exposure needs, with the longest lens: the one that asks for most.
    pub(super) fn answer(&self) -> String {
        let hardest = self.hardest();
        let (Some(lens), Some(exposure)) = (hardest, self.wanted()) else {
            return "No lens and no exposure to tell the limits of.".to_owned();
        };
        let needed = lens.camera.needed_alignment(exposure, lens.tolerance);
        format!(
            "{} s at {} mm need the axis within {} of the pole; then stars stay round in any part of the sky. Without a tracker {} mm hold {} s.",
            plain(exposure.s()),
            plain(lens.camera.focal.mm()),
            rounded_down_angle(needed),
            plain(lens.camera.focal.mm()),
            seconds(lens.untracked)
        )
    }

    fn hardest(&self) -> Option<&LensLimits> {
        let by_focal =
            |a: &&LensLimits, b: &&LensLimits| a.camera.focal.mm().total_cmp(&b.camera.focal.mm());
        self.lenses.iter().max_by(by_focal)
    }

    pub(super) fn wanted(&self) -> Option<Seconds> {
        let question = &self.question;
        question.wanted.or(question.exposures.last().copied())
    }

    fn exposures(&self, page: &mut Page) {
        page.gap();
        page.words(
            Role::Heading,
            "",
            "Longest exposure in seconds, in the worst direction, by how far the axis misses the pole",
        );
        let errors = self.question.axis_errors.iter();
        let heads = errors.map(|&error| error_words(error));
        self.table(page, heads.chain([self.untracked_head()]), |lens| {
            let ranges = lens.exposures.iter().map(|range| seconds(range.worst));
            ranges.chain([seconds(lens.untracked)]).collect()
        });
    }

    fn untracked_head(&self) -> String {
        "none".to_owned()
    }

    fn alignments(&self, page: &mut Page) {
        page.gap();
        page.words(
            Role::Heading,
            "",
            "How near the pole the axis has to be, in arcminutes, by exposure",
        );
        let exposures = self.question.exposures.iter();
        let heads = exposures.map(|exposure| format!("{} s", plain(exposure.s())));
        self.table(page, heads, |lens| {
            lens.alignments.iter().map(|&angle| arcmin(angle)).collect()
        });
    }

    fn table(
        &self,
        page: &mut Page,
        heads: impl Iterator<Item = String>,
        cells: impl Fn(&LensLimits) -> Vec<String>,
    ) {
        let right = |text: &String| cell(text, COLUMN, Side::Right);
        let heads: Vec<String> = heads.collect();
        // A narrow terminal gets the columns under each other.
        let per_line = ((page.width().saturating_sub(16)) / COLUMN).max(1);
        for start in (0..heads.len()).step_by(per_line) {
            let part = start..heads.len().min(start + per_line);
            let head: String = heads[part.clone()].iter().map(right).collect();
            let lead = cell(" lens", 16, Side::Left);
            page.line(&[(Role::Quiet, lead + &head)]);
            for lens in &self.lenses {
                let row: String = cells(lens)[part.clone()].iter().map(right).collect();
                page.line(&[(Role::Body, cell(&name(lens), 16, Side::Left) + &row)]);
            }
        }
    }

    fn notes(&self) -> Vec<(&'static str, String)> {
        let question = &self.question;
        let dec = question.declination;
        let tolerances = self.lenses.iter().map(|lens| lens.tolerance.px());
        let (least, most) = tolerances.fold((f64::MAX, 0.0f64), |(l, m), t| (l.min(t), m.max(t)));
        let trail = if most - least < 0.05 {
            format!("{most:.1} px")
        } else {
            format!("{least:.1} to {most:.1} px, by aperture")
        };
        let mut notes = vec![(
            "round",
            format!(
                "a trail up to {trail} of {} um counts as round{}",
                plain(question.pixel_pitch.um()),
                match question.star.tolerance {
                    Some(_) => " (as given)".to_owned(),
                    None => format!(
                        ": two thirds of the stars' width; {} px are taken, measure tells your own",
                        plain(question.star.width.px())
                    ),
                }
            ),
        )];
        notes.push((
            "worst",
            "a quarter turn beside the way in which the axis is off: for an axis too far east or west that is due south and north, for one too high or low due east and west. Every part of the frame is covered, field rotation too".to_owned(),
        ));
        notes.push(("kindest", kindest(dec)));
        notes.push((
            "none",
            format!(
                "without a tracker the sky runs at 15.041\" x cos({}\u{b0}) a second: fastest on the celestial equator, seen due south from the northern half of the Earth and due north from the southern",
                plain(dec.deg())
            ),
        ));
        notes.push((
            "drive",
            "an ideal drive is taken; a drive that swings or runs at a wrong rate shortens this, most on the celestial equator. diagnose measures it".to_owned(),
        ));
        notes
    }
}

fn kindest(declination: Angle) -> String {
    let sine = declination.sin().abs();
    if sine < 0.02 {
        "on the side on which the axis is off, stars on the celestial equator hardly drift: the field turns about them".to_owned()
    } else {
        format!(
            "on the side on which the axis is off, stars at declination {}\u{b0} stay round {:.1} times as long",
            plain(declination.deg()),
            1.0 / sine
        )
    }
}

fn name(lens: &LensLimits) -> String {
    let focal = format!(" {:>4} mm", plain(lens.camera.focal.mm()));
    match lens.lens.f_number {
        Some(n) => format!("{focal} f/{}", plain(n)),
        None => focal,
    }
}

/// A whole number without decimals, any other with two at most.
fn plain(value: f64) -> String {
    let text = format!("{value:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

fn seconds(time: Seconds) -> String {
    if time > LONGEST {
        format!("{}+", LONGEST.s())
    } else {
        rounded_down(time)
    }
}

fn error_words(error: Angle) -> String {
    match error.arcmin() {
        x if x >= 60.0 => format!("{}\u{b0}", plain(error.deg())),
        x => format!("{}'", plain(x)),
    }
}

fn arcmin(angle: Angle) -> String {
    match angle.arcmin() {
        // A tracker that points elsewhere altogether is beyond the model.
        x if x > FARTHEST.arcmin() => format!("{:.0}+", FARTHEST.arcmin()),
        x if x >= 10.0 => format!("{:.0}", x.floor()),
        x => format!("{:.1}", (x * 10.0).floor() / 10.0),
    }
}

fn rounded_down_angle(angle: Angle) -> String {
    match angle.deg() {
        deg if deg >= 2.0 => format!("{:.1}\u{b0}", (deg * 10.0).floor() / 10.0),
        _ => format!("{}'", arcmin(angle)),
    }
}

#[cfg(test)]
mod tests {
    use super::super::{report_limits, sample};
    use super::*;
    use crate::report::page::{Ink, Letters};
    use unicode_width::UnicodeWidthStr;

    fn look(width: usize) -> Look {
        Look {
            width,
            letters: Letters::Ascii,
            ink: Ink::Plain,
        }
    }

    #[test]
    fn the_first_line_answers_for_the_longest_lens() {
        let report = report_limits(&sample::question(&[50.0, 150.0]));
        let text = report.to_text(&look(400));
        let first = text.lines().next().unwrap();
        assert!(
            first.starts_with("60 s at 150 mm need the axis within 34' of the pole"),
            "{first}"
        );
        assert!(first.contains("hold 0.6 s"), "{first}");
        assert_eq!(report.to_brief(&look(400)).trim_end(), first);
    }

    #[test]
    fn tables_have_a_line_a_lens_and_stay_inside() {
        let report = report_limits(&sample::question(&[14.0, 50.0, 150.0]));
        for width in [44, 60, 80] {
            let text = report.to_text(&look(width));
            let widest = text.lines().map(|line| line.width()).max();
            assert!(widest <= Some(width), "{width}:\n{text}");
        }
        let text = report.to_text(&look(80));
        assert!(
            text.contains("   14 mm          1800+  1800+    580    6.4"),
            "{text}"
        );
        assert!(
            text.contains("  150 mm          1800+    410     54    0.6"),
            "{text}"
        );
    }

    #[test]
    fn the_kindest_place_goes_with_the_declination() {
        assert!(kindest(Angle::from_deg(-30.0)).contains("2.0 times"));
        assert!(kindest(Angle::ZERO).contains("hardly drift"));
    }
}
