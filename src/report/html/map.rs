//! How the stars are drawn out over a frame.

use askama::Template;

use super::plot::rounded;
use crate::report::FrameReport;
use crate::report::elongation::{CELLS, Elongation};

/// Length of the drawing's longer side in its own units.
const LONGER: f64 = 360.0;
/// Longest line of a usual cell, as a part of the cell.
const FILLED: f64 = 0.85;
/// Trails below this are not drawn larger, pixels.
const SMALLEST: f64 = 0.5;

struct Stroke {
    x1: f64,
    y1: f64,
    x2: f64,
    y2: f64,
}

/// The drawing laid out.
#[derive(Template)]
#[template(path = "map.svg", config = "src/report/html/askama.toml")]
pub(super) struct StarMap {
    id: String,
    /// The frame's file.
    pub(super) file: String,
    width: f64,
    height: f64,
    strokes: Vec<Stroke>,
    /// Length of a line that stands for the trail in `bar_letters`.
    bar: f64,
    bar_letters: String,
}

impl StarMap {
    /// The map of a frame with enough stars.
    pub(super) fn of(id: String, frame: &FrameReport) -> Option<Self> {
        let pictures = frame.pictures.as_ref()?;
        let longest = usual_longest(&pictures.elongations)?.max(SMALLEST);
        let (columns, rows) = pictures.size;
        let scale = LONGER / columns.max(rows) as f64;
        // Units for one pixel of trail.
        let magnified = FILLED * LONGER / CELLS / longest;
        let bar_px = if longest >= 2.0 {
            longest.floor()
        } else {
            SMALLEST
        };
        Some(Self {
            id,
            file: frame.file.clone(),
            width: columns as f64 * scale,
            height: rows as f64 * scale,
            strokes: pictures
                .elongations
                .iter()
                .map(|one| stroke(one, scale, magnified))
                .collect(),
            bar: rounded(magnified * bar_px),
            bar_letters: format!("{bar_px} px"),
        })
    }
}

fn stroke(one: &Elongation, scale: f64, magnified: f64) -> Stroke {
    let (x, y) = (one.middle.0 * scale, one.middle.1 * scale);
    let (dx, dy) = (one.half.0 * magnified, one.half.1 * magnified);
    Stroke {
        x1: rounded(x - dx),
        y1: rounded(y - dy),
        x2: rounded(x + dx),
        y2: rounded(y + dy),
    }
}

/// Length that nine in ten stay below, pixels; `None` without any.
fn usual_longest(elongations: &[Elongation]) -> Option<f64> {
    let mut lengths: Vec<f64> = elongations.iter().map(Elongation::length).collect();
    lengths.sort_by(f64::total_cmp);
    lengths.get(lengths.len() * 9 / 10).copied()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;

    #[test]
    fn strokes_lie_as_the_stars_do() {
        let frame = &sample::realign().value.frames[0];
        let map = StarMap::of("m".into(), frame).unwrap();
        // 2.8 px straight up and down at (1000, 2000) of 6000 x 4000.
        let stroke = &map.strokes[0];
        assert_eq!((stroke.x1, stroke.x2), (60.0, 60.0));
        assert!(stroke.y2 > stroke.y1);
        assert_eq!(map.bar_letters, "2 px");
    }

    #[test]
    fn frames_that_were_not_measured_have_no_map() {
        let frame = FrameReport::set_aside("a.jpg", "night", "empty");
        assert!(StarMap::of("m".into(), &frame).is_none());
    }
}
