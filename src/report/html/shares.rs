//! What draws the trails: a bar for each cause, as long as its part.

use askama::Template;

use super::plot::rounded;
use crate::diagnosis::Cause;
use crate::report::CauseShare;
use crate::report::text::cause_words;

/// Width of the drawing in its own units: letters keep their size on a phone.
const WIDTH: f64 = 340.0;
/// Height of one cause: its words and below them its bar.
const ROW: f64 = 44.0;
/// Smallest bar that is seen.
const SMALLEST: f64 = 2.0;

struct Bar {
    name: &'static str,
    words: String,
    /// Where its words stand.
    base: f64,
    length: f64,
}

/// The drawing laid out.
#[derive(Template)]
#[template(path = "shares.svg", config = "src/report/html/askama.toml")]
pub(super) struct Shares {
    width: f64,
    height: f64,
    bars: Vec<Bar>,
    description: String,
}

impl Shares {
    /// The bars of an alignment that has causes.
    pub(super) fn of(causes: &[CauseShare]) -> Option<Self> {
        let most = causes.iter().map(|one| one.trail.px()).fold(0.0, f64::max);
        let bar = |(nth, one): (usize, &CauseShare)| Bar {
            name: cause_words(one.cause),
            words: size_words(one),
            base: ROW * nth as f64 + 16.0,
            length: rounded(WIDTH * one.trail.px() / most.max(1e-9)).clamp(SMALLEST, WIDTH),
        };
        let bars: Vec<Bar> = causes.iter().enumerate().map(bar).collect();
        let said = bars
            .iter()
            .map(|bar| format!("{}: {}", bar.name, bar.words));
        let description = said.collect::<Vec<_>>().join("; ");
        (!bars.is_empty()).then_some(Self {
            width: WIDTH,
            height: ROW * bars.len() as f64,
            bars,
            description,
        })
    }
}

fn size_words(share: &CauseShare) -> String {
    let place = match share.cause {
        Cause::Lens => " in the corners",
        _ => "",
    };
    // Nothing is certain, whatever the rounding says.
    let sure = (100.0 * share.confidence).min(99.0);
    format!("{:.1} px{place}, {sure:.0} % sure", share.trail.px())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Pixels;

    #[test]
    fn bars_are_as_long_as_their_parts_and_no_longer_than_the_drawing() {
        let share = |trail, confidence| CauseShare {
            cause: Cause::Axis,
            share: 0.5,
            trail: Pixels::new(trail),
            confidence,
        };
        let shares = Shares::of(&[share(3.0, 1.0), share(1.5, 0.5), share(0.0, 0.1)]).unwrap();
        let lengths: Vec<f64> = shares.bars.iter().map(|bar| bar.length).collect();
        assert_eq!(lengths, [WIDTH, WIDTH / 2.0, SMALLEST]);
        assert!(shares.bars[0].words.ends_with("99 % sure"));
        assert!(Shares::of(&[]).is_none());
    }
}
