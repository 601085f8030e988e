//! How the stars are drawn out in each part of a frame. Alike all over is a drift, a whirl is
//! field rotation, rays or rings are the lens.

use std::collections::BTreeMap;

use super::drawing::Point;
use crate::stars::{Star, StarField};
use crate::units::PixelTensor;

/// Cells along the longer side: few enough that most hold several stars.
pub const CELLS: f64 = 15.0;
/// Stars below this signal to noise ratio only blur a cell's middle value.
const GOOD_SIGNAL_TO_NOISE: f64 = 20.0;
/// Stars that are taken in any case.
const FEWEST_STARS: usize = 150;

/// Mean elongation of the stars of a cell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Elongation {
    /// Middle of the cell, pixels of the frame.
    pub middle: Point,
    /// From the middle to an end of the trail that would draw the stars out so much, pixels.
    pub half: Point,
}

impl Elongation {
    /// Length of that trail, pixels.
    pub fn length(&self) -> f64 {
        2.0 * self.half.0.hypot(self.half.1)
    }
}

/// The two components of each star's elongation, by row and column of their cell.
type Members = BTreeMap<(usize, usize), (Vec<f64>, Vec<f64>)>;

/// Cells that hold stars, row by row.
///
/// The two components of the elongation are taken by their medians, not its length: noise has no
/// direction and cancels, while a mean length would grow with it; and one double star does no harm.
pub fn elongations(field: &StarField) -> Vec<Elongation> {
    let longer = field.width.max(field.height) as f64;
    let count = |side: usize| (CELLS * side as f64 / longer).round().max(1.0);
    let (columns, rows) = (count(field.width), count(field.height));
    let (across, down) = (field.width as f64 / columns, field.height as f64 / rows);
    let mut members = Members::new();
    for star in good_stars(field) {
        // Pixel centres stand half a pixel inside the field's edge.
        let column = ((star.position.x + 0.5) / across).clamp(0.0, columns - 1.0);
        let row = ((star.position.y + 0.5) / down).clamp(0.0, rows - 1.0);
        let cell = members.entry((row as usize, column as usize)).or_default();
        cell.0.push(star.moments.xx - star.moments.yy);
        cell.1.push(star.moments.xy);
    }
    let fewest = fewest_members(&members);
    members
        .into_iter()
        .filter(|(_, (differences, _))| differences.len() >= fewest)
        .map(|((row, column), (mut difference, mut mixed))| Elongation {
            middle: (
                (column as f64 + 0.5) * across - 0.5,
                (row as f64 + 0.5) * down - 0.5,
            ),
            half: half_whisker(median(&mut difference), median(&mut mixed)),
        })
        .collect()
}

/// Clean stars with a good signal; the best of them where few are that good.
fn good_stars(field: &StarField) -> Vec<&Star> {
    let mut clean: Vec<&Star> = field
        .stars
        .iter()
        .filter(|star| star.quality.is_clean())
        .collect();
    clean.sort_by(|a, b| b.signal_to_noise().total_cmp(&a.signal_to_noise()));
    let n_good = clean.partition_point(|star| star.signal_to_noise() >= GOOD_SIGNAL_TO_NOISE);
    clean.truncate(n_good.max(FEWEST_STARS));
    clean
}

/// Stars that a cell needs: one alone may be a double, so three where most cells have them.
fn fewest_members(members: &Members) -> usize {
    let mut counts: Vec<usize> = members.values().map(|(list, _)| list.len()).collect();
    counts.sort_unstable();
    counts
        .get(counts.len() / 2)
        .map_or(1, |usual| (*usual).min(3))
}

/// The middle value, or the mean of the two middle ones; the list is not empty.
fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    let (low, high) = ((values.len() - 1) / 2, values.len() / 2);
    (values[low] + values[high]) / 2.0
}

/// Half of the trail that draws a star out so much: a segment of length L adds L^2 / 12 along itself.
fn half_whisker(difference: f64, mixed: f64) -> Point {
    let (large, small, along) = PixelTensor::new(difference, mixed, 0.0).principal();
    let half = (12.0 * (large - small)).max(0.0).sqrt() / 2.0;
    (half * along.angle().cos(), half * along.angle().sin())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::measure::tests::slanted;

    fn field() -> StarField {
        slanted().measured.unwrap().field
    }

    #[test]
    fn whiskers_lie_as_the_stars_do() {
        for cell in elongations(&field()) {
            // Drawn out by 6 px towards the lower right: half a whisker is 3 px at 45 degrees.
            assert!((cell.half.0 - 3.0 / 2f64.sqrt()).abs() < 1e-9);
            assert!((cell.half.1 - 3.0 / 2f64.sqrt()).abs() < 1e-9);
        }
    }

    #[test]
    fn stars_that_are_not_clean_draw_nothing() {
        let mut field = field();
        for star in &mut field.stars {
            star.quality.saturated = true;
        }
        assert!(elongations(&field).is_empty());
    }

    #[test]
    fn one_odd_star_does_not_bend_a_whisker() {
        let mut field = field();
        field.stars[0].moments = PixelTensor::new(90.0, 0.0, 1.0);
        let first = &elongations(&field)[0];
        assert!((first.half.0 - 3.0 / 2f64.sqrt()).abs() < 1e-9);
    }
}
