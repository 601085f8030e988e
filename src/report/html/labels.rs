//! Where the words of a drawing stand: beside what they name, and not over one another.

use super::plot::rounded;

/// Width of a letter at the largest size that the style sheet sets, in units of the drawing.
const LETTER: f64 = 8.4;
/// Heights above and below the line that letters stand on.
const ABOVE: f64 = 14.0;
const BELOW: f64 = 5.0;
/// Places that are tried around a point: to which side, and how far down the words stand.
const TRIED: [(f64, f64); 10] = [
    (1.0, -10.0),
    (-1.0, -10.0),
    (1.0, 22.0),
    (-1.0, 22.0),
    (1.0, -30.0),
    (-1.0, -30.0),
    (1.0, 42.0),
    (-1.0, 42.0),
    (1.0, 62.0),
    (-1.0, 62.0),
];
/// Room between a point and its words.
const GAP: f64 = 10.0;

/// Words with their place.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Label {
    pub(super) words: String,
    pub(super) x: f64,
    pub(super) y: f64,
    /// Which end of the words stands at `x`.
    pub(super) anchor: &'static str,
}

#[derive(Debug, Clone, Copy)]
struct Area {
    left: f64,
    right: f64,
    top: f64,
    bottom: f64,
}

impl Area {
    fn meets(&self, other: &Self) -> bool {
        self.left < other.right
            && other.left < self.right
            && self.top < other.bottom
            && other.top < self.bottom
    }
}

/// A square drawing and what is taken of it.
#[derive(Debug)]
pub(super) struct Labels {
    side: f64,
    taken: Vec<Area>,
}

impl Labels {
    /// An empty drawing.
    pub(super) const fn new(side: f64) -> Self {
        Self {
            side,
            taken: Vec::new(),
        }
    }

    /// Keeps words away from a mark of such a radius.
    pub(super) fn keep_off(&mut self, x: f64, y: f64, radius: f64) {
        self.taken.push(Area {
            left: x - radius,
            right: x + radius,
            top: y - radius,
            bottom: y + radius,
        });
    }

    /// Keeps words away from words that stand already.
    pub(super) fn keep_off_words(&mut self, x: f64, y: f64, anchor: &str, n_letters: usize) {
        self.taken.push(area(x, y, anchor, n_letters));
    }

    /// Finds a place for words beside a point: the first that is free, else the first inside.
    pub(super) fn beside(&mut self, x: f64, y: f64, words: &str) -> Label {
        let label = |(side, down): (f64, f64)| Label {
            words: words.to_owned(),
            x: rounded(x + side * GAP),
            y: rounded(y + down),
            anchor: if side > 0.0 { "start" } else { "end" },
        };
        let covered = |one: &Label| area(one.x, one.y, one.anchor, words.chars().count());
        let is_inside = |one: &Label| {
            let area = covered(one);
            let within = |from: f64, to: f64| 0.0 <= from && to <= self.side;
            within(area.left, area.right) && within(area.top, area.bottom)
        };
        let is_free = |one: &Label| !self.taken.iter().any(|other| other.meets(&covered(one)));
        let inside: Vec<Label> = TRIED.into_iter().map(label).filter(is_inside).collect();
        let free = inside.iter().find(|one| is_free(one));
        let chosen = free.or(inside.first()).cloned();
        let chosen = chosen.unwrap_or_else(|| label(TRIED[0]));
        self.taken.push(covered(&chosen));
        chosen
    }
}

fn area(x: f64, y: f64, anchor: &str, n_letters: usize) -> Area {
    let width = LETTER * n_letters as f64;
    let left = if anchor == "end" { x - width } else { x };
    Area {
        left,
        right: left + width,
        top: y - ABOVE,
        bottom: y + BELOW,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_beside_one_point_stand_apart_and_inside() {
        let mut labels = Labels::new(480.0);
        let placed: Vec<Label> = (0..6)
            .map(|_| labels.beside(240.0, 240.0, "a star"))
            .collect();
        for (nth, one) in placed.iter().enumerate() {
            let own = area(one.x, one.y, one.anchor, 6);
            assert!(0.0 <= own.left && own.right <= 480.0);
            for other in &placed[..nth] {
                assert!(
                    !own.meets(&area(other.x, other.y, other.anchor, 6)),
                    "{one:?} {other:?}"
                );
            }
        }
    }

    #[test]
    fn words_at_an_edge_turn_inwards() {
        let mut labels = Labels::new(480.0);
        assert_eq!(
            labels.beside(470.0, 240.0, "alpha Ursae Minoris").anchor,
            "end"
        );
        assert_eq!(
            labels.beside(10.0, 240.0, "alpha Ursae Minoris").anchor,
            "start"
        );
        assert!(labels.beside(240.0, 4.0, "up there").y > 4.0);
    }

    #[test]
    fn words_keep_off_marks() {
        let mut labels = Labels::new(480.0);
        labels.keep_off(270.0, 225.0, 10.0);
        assert_eq!(labels.beside(240.0, 240.0, "axis").anchor, "end");
    }
}
