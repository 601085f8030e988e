//! How the stars of a frame are drawn out: in each cell of a grid a whisker along their long side.
//! Whiskers alike all over are a drift, a whirl is field rotation, rays or rings are the lens.

use crate::report::drawing::{Anchor, Shape};
use crate::report::elongation::{CELLS, Elongation, elongations};
use crate::stars::StarField;

use super::panel::{Area, QUIET, RULE, TRAIL, line, text};

/// Longest whisker of a usual cell, as a part of the cell.
const FILLED: f64 = 0.8;

/// The whiskers over an area that has the frame's shape, with a bar of known length above it.
pub fn whiskers(field: &StarField, area: &Area) -> Vec<Shape> {
    let scale = area.width / field.width as f64;
    let cells = elongations(field);
    let longest = usual_longest(&cells);
    let cell_side = area.width.max(area.height) / CELLS;
    // Screen units for one pixel of trail.
    let magnified = FILLED * cell_side / longest.max(0.5);
    let mut shapes = vec![area.border(RULE)];
    for cell in &cells {
        let (x, y) = area.place(cell.middle, scale);
        let (dx, dy) = (magnified * cell.half.0, magnified * cell.half.1);
        shapes.push(line(vec![(x - dx, y - dy), (x + dx, y + dy)], 1.6, TRAIL));
    }
    let bar_px = round_length(longest);
    let (right, above) = (area.left + area.width, area.top - 9.0);
    shapes.push(line(
        vec![(right - magnified * bar_px, above), (right, above)],
        2.0,
        TRAIL,
    ));
    let beside = (right - magnified * bar_px - 6.0, above);
    shapes.push(text(beside, Anchor::End, QUIET, format!("{bar_px} px")));
    shapes.push(text(
        (area.left, above),
        Anchor::Start,
        QUIET,
        "stars drawn out".into(),
    ));
    shapes
}

/// Length that nine in ten whiskers stay below, pixels of trail.
fn usual_longest(cells: &[Elongation]) -> f64 {
    let mut lengths: Vec<f64> = cells.iter().map(Elongation::length).collect();
    lengths.sort_by(f64::total_cmp);
    lengths.get(lengths.len() * 9 / 10).copied().unwrap_or(0.0)
}

/// The nearest of 0.5, 1, 2, 5, 10 ... that is not longer, at least 0.5.
fn round_length(length: f64) -> f64 {
    let mut steps = (0..4).flat_map(|power| [1.0, 2.0, 5.0].map(|step| step * 10f64.powi(power)));
    steps.rfind(|step| *step <= length).unwrap_or(0.5)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bars_have_round_lengths() {
        assert_eq!(
            [0.2, 1.0, 4.9, 71.0].map(round_length),
            [0.5, 1.0, 2.0, 50.0]
        );
    }
}
