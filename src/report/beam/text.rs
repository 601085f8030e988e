//! The beam's test in words.

use super::{BeamCost, BeamFinding, BeamReport, LengthUnit};
use crate::beam::{Clock, PointerUnknown, ScrewMove};
use crate::limits::LONGEST;
use crate::report::page::{Look, Page, Role};
use crate::report::text::{labelled, rounded_down};
use crate::units::{Angle, Length, Measured, Seconds};

/// Said each time, whatever the answer.
pub const LASER_CAUTIONS: [&str; 4] = [
    "a pointer beam is a laser: never point it at or near aircraft, vehicles, people or animals, nor at anything that reflects",
    "never look into the beam or its reflections, and let nobody else; know its class and what that class does to eyes",
    "clear the way to the wall and behind it, and switch the beam off between marks",
    "local rules decide whether you may use it outdoors at all; in some places you may not",
];

/// Marks that miss the curve by more than this many times their error are told.
const MISFIT: f64 = 2.0;

impl BeamReport {
    /// The whole answer for a terminal.
    pub fn to_text(&self, look: &Look) -> String {
        let mut page = Page::new(*look);
        page.words(Role::Answer, "", &self.answer());
        if let Ok(found) = &self.finding {
            for (nth, step) in self.steps(found).iter().enumerate() {
                page.words(Role::Body, &format!(" {}. ", nth + 1), step);
            }
            page.gap();
            for (label, words) in self.facts(found) {
                labelled(&mut page, label, Role::Body, [words.as_str()].into_iter());
            }
        }
        let beware = self.beware();
        labelled(
            &mut page,
            "beware",
            Role::Middling,
            beware.iter().map(String::as_str),
        );
        page.gap();
        labelled(&mut page, "laser", Role::Bad, LASER_CAUTIONS.into_iter());
        page.finish()
    }

    /// The answer and the cautions alone.
    pub fn to_brief(&self, look: &Look) -> String {
        let mut page = Page::new(*look);
        page.words(Role::Answer, "", &self.answer());
        page.words(
            Role::Bad,
            "",
            &format!("Laser: {}.", LASER_CAUTIONS.join("; ")),
        );
        page.finish()
    }

    /// One or two sentences.
    pub(super) fn answer(&self) -> String {
        match &self.finding {
            Err(why) => format!("Cannot tell: {}", unknown(*why)),
            Ok(found) if !found.fit.is_seen() => format!(
                "Leave the screws alone: the beam agrees with its housing within {}, as well as these marks tell.",
                angle(found.fit.angle.value + found.fit.angle.sigma * 2.0)
            ),
            Ok(found) => format!(
                "The beam leaves its housing's axis by {}. Bring the spot to {}: {} of where it stands now.",
                measured_angle(found.fit.angle),
                self.place(found),
                self.way(found)
            ),
        }
    }

    fn place(&self, found: &BeamFinding) -> String {
        let unit = self.question.unit;
        let center = found.fit.center;
        format!(
            "({}, {}) {}",
            number(center.right, unit),
            number(center.up, unit),
            unit.name()
        )
    }

    /// "20.1 mm right and 3.0 mm up".
    fn way(&self, found: &BeamFinding) -> String {
        let side = |part: Length, plus: &str, minus: &str| {
            let word = if part.mm() < 0.0 { minus } else { plus };
            format!("{} {word}", length(part.abs(), self.question.unit))
        };
        let step = found.fit.to_center;
        let parts = [
            (step.right, side(step.right, "right", "left")),
            (step.up, side(step.up, "up", "down")),
        ];
        // A part below what the marks tell is left out.
        let sigma = found.fit.center_sigma();
        let seen: Vec<String> = parts
            .into_iter()
            .filter(|(part, _)| part.abs() > sigma * 2.0)
            .map(|(_, words)| words)
            .collect();
        seen.join(" and ")
    }

    fn steps(&self, found: &BeamFinding) -> Vec<String> {
        if !found.fit.is_seen() {
            return Vec::new();
        }
        let moves = found.moves.iter().flatten();
        let mut steps: Vec<String> = moves.map(|one| self.screw(one)).collect();
        if steps.is_empty() {
            steps.push(
                "Turn the adjusting screws until the middle of the spot is there; --screws 12,3 tells how far each has to move it.".to_owned(),
            );
        } else {
            steps.push(
                "The sides are as seen from behind the pointer, the housing standing as for the mark it is on now.".to_owned(),
            );
        }
        steps.push(
            "Turn the housing once round: the spot has to stay. If it does not, mark again."
                .to_owned(),
        );
        steps
    }

    fn screw(&self, one: &ScrewMove) -> String {
        let unit = self.question.unit;
        let towards = if one.spot.value.mm() >= 0.0 {
            one.screw
        } else {
            one.screw.opposite()
        };
        if !one.is_seen() {
            return format!(
                "Screw at {}: leave it ({} of it are no more than the marks tell).",
                hour_words(one.screw),
                measured_length(one.spot, unit)
            );
        }
        format!(
            "Screw at {}: move the spot by {} on the wall, towards {}.",
            hour_words(one.screw),
            measured_length(one.spot, unit),
            hour_words(towards)
        )
    }

    fn facts(&self, found: &BeamFinding) -> Vec<(&'static str, String)> {
        let mut facts = vec![("marks", self.marks(found))];
        facts.push(("left", self.left(found)));
        facts.push((
            "wall",
            format!(
                "for {} the wall has to be at least {} away with this spot and these marks; it is {}",
                angle(self.question.accuracy),
                metres(found.shortest_distance),
                metres(self.question.test.distance)
            ),
        ));
        match (found.cost, self.question.camera) {
            (Some(cost), Some(camera)) => facts.push((
                "cost",
                format!(
                    "an axis set by this beam, at {} mm and {} um: {}",
                    camera.focal.mm(),
                    camera.pixel_pitch.um(),
                    self.cost(found, cost)
                ),
            )),
            _ => facts.push((
                "cost",
                "give --focal and --pixel-pitch to learn what exposure this costs".to_owned(),
            )),
        }
        facts
    }

    fn marks(&self, found: &BeamFinding) -> String {
        let unit = self.question.unit;
        let fit = &found.fit;
        let n = self.question.test.marks.len();
        let path = match fit.slant {
            None => "a circle".to_owned(),
            Some(slant) => format!(
                "an ellipse, as on a wall that leans by {:.0}\u{b0} +- {:.0}\u{b0}; square to the beam a circle",
                slant.value.deg(),
                slant.sigma.deg().max(1.0)
            ),
        };
        format!(
            "{n} marks, each good to {}, on {path} of radius {} about ({}, {}) +- {}",
            length(fit.mark_sigma, unit),
            measured_length(fit.radius, unit),
            number(fit.center.right, unit),
            number(fit.center.up, unit),
            length(fit.center_sigma(), unit)
        )
    }

    fn left(&self, found: &BeamFinding) -> String {
        let marks = angle(found.left_by_marks);
        match (found.left_by_spot, self.question.spot) {
            (Some(left), Some(spot)) => format!(
                "with the spot on that point: up to {}, half of the spot's {}; the point itself is known to {marks}",
                angle(left),
                length(spot, self.question.unit)
            ),
            _ => format!(
                "with the spot on that point: the point is known to {marks}; --spot tells what the spot's width adds"
            ),
        }
    }

    fn cost(&self, found: &BeamFinding, cost: BeamCost) -> String {
        let hold = |time: Seconds| {
            if time > LONGEST {
                format!("more than {:.0} s", LONGEST.s())
            } else {
                format!("{} s", rounded_down(time))
            }
        };
        let alone = if found.fit.is_seen() {
            format!(
                "stars stay round for {} at worst if left alone, ",
                hold(cost.left_alone)
            )
        } else {
            "stars stay round ".to_owned()
        };
        let wanted = self.question.wanted.map_or(String::new(), |wanted| {
            let enough = |time: Seconds| {
                if time >= wanted {
                    "holds"
                } else {
                    "does not hold"
                }
            };
            format!(
                "; {} s, as you want, {} as it is and {} then",
                wanted.s(),
                enough(cost.left_alone),
                enough(cost.adjusted)
            )
        });
        format!(
            "{alone}for {} with the beam adjusted{wanted}",
            hold(cost.adjusted)
        )
    }

    fn beware(&self) -> Vec<String> {
        let mut sentences = Vec::new();
        if let Ok(found) = &self.finding {
            sentences.extend(self.misfit(found));
            if self.question.test.marks.len() == self.question.test.wall.marks_needed() {
                sentences.push(format!(
                    "{} marks fix the curve and check nothing: one more shows a slip",
                    self.question.test.marks.len()
                ));
            }
        }
        sentences.push(
            "this tells the beam from the axis of its own housing, no more. How the bracket holds the housing against the tracker's axis shows in the frames: stillpoint diagnose FOLDER says where to put the pole star instead".to_owned(),
        );
        sentences
    }

    fn misfit(&self, found: &BeamFinding) -> Option<String> {
        let misfit = found.fit.misfit.filter(|&misfit| misfit > MISFIT)?;
        let (mark, distance) = found.fit.farthest;
        let cure = match found.fit.slant {
            None => {
                "a wall that is not square to the beam (--slanted, five marks or more), a loose housing, or a slip"
            }
            Some(_) => "a loose housing, or a slip",
        };
        Some(format!(
            "the marks miss the curve {misfit:.1} times as far as marking explains, most mark {} with {}: {cure}",
            mark + 1,
            length(distance, self.question.unit)
        ))
    }
}

fn unknown(why: PointerUnknown) -> String {
    match why {
        PointerUnknown::TooFewMarks { given: 2, needed: 3 } => "any number of circles go through 2 marks. Turn the housing to a third place, a good part of a turn away, and mark the spot there.".to_owned(),
        PointerUnknown::TooFewMarks { given, needed: 3 } => format!(
            "a circle takes three marks, and {given} are given. Turn the housing by a third of a turn between them."
        ),
        PointerUnknown::TooFewMarks { given, needed } => format!(
            "an ellipse takes {needed} marks, and {given} are given. Mark the spot at more turns of the housing, or use a wall square to the beam."
        ),
        PointerUnknown::ShortArc => "the marks lie in a row or close together, and circles of very different sizes go through them. Turn the housing by a third of a turn or more between marks.".to_owned(),
    }
}

/// A side of the housing as people say it: `3 o'clock`, `2:30`.
fn hour_words(side: Clock) -> String {
    let minutes = (side.hours() * 60.0).round() as u32;
    let hour = match minutes / 60 % 12 {
        0 => 12,
        hour => hour,
    };
    match minutes % 60 {
        0 => format!("{hour} o'clock"),
        past => format!("{hour}:{past:02}"),
    }
}

fn number(length: Length, unit: LengthUnit) -> String {
    let places = match unit {
        LengthUnit::Millimetre => 1,
        LengthUnit::Centimetre | LengthUnit::Inch => 2,
    };
    let value = length / unit.length();
    // Adding zero turns -0 into 0.
    format!("{:.places$}", value + 0.0)
}

fn length(length: Length, unit: LengthUnit) -> String {
    format!("{} {}", number(length, unit), unit.name())
}

fn measured_length(value: Measured<Length>, unit: LengthUnit) -> String {
    // An error is never shown smaller than the last digit.
    let least = match unit {
        LengthUnit::Millimetre => unit.length() * 0.1,
        LengthUnit::Centimetre | LengthUnit::Inch => unit.length() * 0.01,
    };
    format!(
        "{} +- {}",
        number(value.value.abs(), unit),
        length(value.sigma.max(least), unit)
    )
}

fn angle(angle: Angle) -> String {
    match angle.arcmin() {
        x if x >= 120.0 => format!("{:.1}\u{b0}", angle.deg()),
        x if x >= 10.0 => format!("{x:.0}'"),
        x => format!("{x:.1}'"),
    }
}

fn measured_angle(value: Measured<Angle>) -> String {
    format!(
        "{} +- {}",
        angle(value.value),
        angle(value.sigma.max(Angle::from_arcmin(0.1)))
    )
}

fn metres(length: Length) -> String {
    format!("{:.1} m", length.mm() / 1000.0)
}

#[cfg(test)]
mod tests {
    use super::super::{report_beam, sample};
    use super::*;
    use crate::report::page::{Ink, Letters};
    use unicode_width::UnicodeWidthStr;

    const LOOK: Look = Look {
        width: 400,
        letters: Letters::Ascii,
        ink: Ink::Plain,
    };

    fn text(marks: &[(f64, f64)]) -> String {
        report_beam(&sample::question(marks)).to_text(&LOOK)
    }

    #[test]
    fn sides_round_to_whole_minutes() {
        let said = |hours: f64| Clock::from_hours(hours).map(hour_words).expect("a side");
        assert_eq!(said(3.0), "3 o'clock");
        assert_eq!(said(2.5), "2:30");
        assert_eq!(said(2.9999), "3 o'clock");
        assert_eq!(said(0.001), "12 o'clock");
        assert_eq!(said(12.0), "12 o'clock");
        assert_eq!(said(0.25), "12:15");
    }

    #[test]
    fn the_answer_names_angle_point_and_way() {
        let text = text(&sample::QUARTERS);
        let first = text.lines().next().unwrap();
        assert_eq!(
            first,
            "The beam leaves its housing's axis by 14' +- 0.2'. Bring the spot to (0.0, 0.0) mm: 20.0 mm up of where it stands now."
        );
        assert!(
            text.contains("Screw at 12 o'clock: move the spot by 20.0 +- 0.2 mm on the wall, towards 12 o'clock."),
            "{text}"
        );
        assert!(
            text.contains("Screw at 3 o'clock: leave it (0.0 +- 0.6 mm"),
            "{text}"
        );
        assert!(
            text.contains("up to 2.8', half of the spot's 8.0 mm"),
            "{text}"
        );
        assert!(
            text.contains("round for 150 s at worst if left alone"),
            "{text}"
        );
    }

    #[test]
    fn cautions_and_the_bracket_are_there_whatever_the_answer() {
        let true_beam = [(0.0, 0.0), (0.2, 0.1), (-0.1, 0.2)];
        for marks in [&sample::QUARTERS[..], &sample::QUARTERS[..2], &true_beam] {
            let text = text(marks);
            for words in LASER_CAUTIONS {
                assert!(text.contains(words), "{text}");
            }
            assert!(text.contains("bracket"), "{text}");
        }
        let brief = report_beam(&sample::question(&sample::QUARTERS)).to_brief(&LOOK);
        assert!(brief.contains("aircraft"));
    }

    #[test]
    fn two_marks_are_refused_with_the_reason() {
        let text = text(&sample::QUARTERS[..2]);
        assert!(
            text.starts_with("Cannot tell: any number of circles go through 2 marks. Turn the housing to a third place"),
            "{text}"
        );
    }

    #[test]
    fn a_true_beam_is_left_alone() {
        let text = text(&[(0.0, 0.0), (0.2, 0.1), (-0.1, 0.2)]);
        assert!(text.starts_with("Leave the screws alone"), "{text}");
        assert!(!text.contains("Screw at"), "{text}");
    }

    #[test]
    fn nothing_runs_over_the_edge() {
        for width in [44, 80] {
            let look = Look { width, ..LOOK };
            let text = report_beam(&sample::question(&sample::QUARTERS)).to_text(&look);
            assert!(text.lines().all(|line| line.width() <= width), "{text}");
        }
    }
}
