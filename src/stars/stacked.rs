//! The mean image of a frame's stars, on cells finer than its pixels: for the eye, not for numbers.

use super::{Star, StarField};
use crate::frame::Plane;
use crate::units::PixelPoint;

/// The mean image of clean stars about the middle of a frame.
#[derive(Debug, Clone, PartialEq)]
pub struct StackedStar {
    /// Cells along a side; the image is square and the star stands in its middle.
    pub side: usize,
    /// Cells along the side of a pixel.
    pub cells_per_pixel: usize,
    /// Light of the cells row by row from the top, the brightest 1.
    pub light: Vec<f32>,
    /// Stars that it was made of.
    pub n_stars: usize,
}

/// Stars that are taken, the best first.
const MOST_STARS: usize = 150;
/// Fewer show their own noise and neighbours only.
const FEWEST_STARS: usize = 5;
/// Part of the half diagonal about the frame's middle from which stars are taken.
const MIDDLE: f64 = 0.6;
/// Largest distance from the star's middle that is shown, pixels.
const LARGEST_REACH: f64 = 40.0;
/// The same at least.
const SMALLEST_REACH: f64 = 7.0;
/// Cells along a pixel; half as many where the image is large.
const FINE: usize = 4;

/// Stacks the clean stars about the frame's middle.
///
/// Output: `None` where fewer than five clean stars lie there. A trail longer than 80 px is cut at
/// its ends.
pub fn stack_stars(plane: &Plane, field: &StarField) -> Option<StackedStar> {
    let reach = reach(field)?;
    let mut stack = Stack::new(reach);
    for star in chosen(field).take(MOST_STARS) {
        stack.add(plane, star);
    }
    stack.finished()
}

/// Distance from a star's middle that its light and trail fill, whole pixels.
fn reach(field: &StarField) -> Option<usize> {
    let width = field.fwhm?.value.px();
    let trail = field.trail.map_or(0.0, |trail| trail.length.value.px());
    let reach = (0.5 * trail + 2.2 * width).clamp(SMALLEST_REACH, LARGEST_REACH);
    Some(reach.ceil() as usize)
}

fn chosen(field: &StarField) -> impl Iterator<Item = &Star> {
    let middle = field.center();
    let half_diagonal = middle.x.hypot(middle.y);
    field
        .stars
        .iter()
        .filter(|star| star.quality.is_clean() && star.flux.value > 0.0)
        .filter(move |star| (star.position - middle).length().px() < MIDDLE * half_diagonal)
}

struct Stack {
    reach: usize,
    fine: usize,
    side: usize,
    sum: Vec<f64>,
    count: Vec<u32>,
    n_stars: usize,
}

impl Stack {
    fn new(reach: usize) -> Self {
        let fine = if reach > 20 { FINE / 2 } else { FINE };
        let side = (2 * reach + 1) * fine;
        Self {
            reach,
            fine,
            side,
            sum: vec![0.0; side * side],
            count: vec![0; side * side],
            n_stars: 0,
        }
    }

    /// Puts each pixel about a star into the cell that it falls on, as a part of the star's light.
    fn add(&mut self, plane: &Plane, star: &Star) {
        let Some((left, top)) = self.corner(plane, star.position) else {
            return;
        };
        let pixels = 2 * self.reach + 1;
        let rows = || (top..top + pixels).map(|y| &plane.row(y)[left..left + pixels]);
        let ground = border_median(rows());
        for (y, row) in (top..).zip(rows()) {
            for (x, value) in (left..).zip(row) {
                let cell = |pixel: usize, star: f64| {
                    let from_middle = pixel as f64 - star;
                    ((from_middle + self.reach as f64 + 0.5) * self.fine as f64).floor()
                };
                let (column, line) = (cell(x, star.position.x), cell(y, star.position.y));
                let inside = |at: f64| at >= 0.0 && at < self.side as f64;
                if inside(column) && inside(line) && value.is_finite() {
                    let at = line as usize * self.side + column as usize;
                    self.sum[at] += (f64::from(*value) - ground) / star.flux.value;
                    self.count[at] += 1;
                }
            }
        }
        self.n_stars += 1;
    }

    /// Upper left pixel about a star; `None` where the frame ends before.
    fn corner(&self, plane: &Plane, at: PixelPoint) -> Option<(usize, usize)> {
        let start = |middle: f64, size: usize| {
            let start = (middle.round() as i64).checked_sub(self.reach as i64)?;
            let start = usize::try_from(start).ok()?;
            (start + 2 * self.reach < size).then_some(start)
        };
        Some((start(at.x, plane.width())?, start(at.y, plane.height())?))
    }

    fn finished(self) -> Option<StackedStar> {
        if self.n_stars < FEWEST_STARS {
            return None;
        }
        let means = self.filled();
        let brightest = means.iter().copied().fold(0.0, f64::max);
        if brightest <= 0.0 {
            return None;
        }
        Some(StackedStar {
            side: self.side,
            cells_per_pixel: self.fine,
            light: means
                .iter()
                .map(|mean| (mean / brightest).clamp(0.0, 1.0) as f32)
                .collect(),
            n_stars: self.n_stars,
        })
    }

    /// Mean of each cell with the cells about it, over a pixel's width at least where few stars
    /// leave cells empty.
    fn filled(&self) -> Vec<f64> {
        let per_cell = self.n_stars as f64 / (self.fine * self.fine) as f64;
        let around = if per_cell < 4.0 { self.fine / 2 } else { 1 };
        (0..self.side * self.side)
            .map(|at| {
                let (x, y) = (at % self.side, at / self.side);
                let span = |middle: usize| {
                    middle.saturating_sub(around)..(middle + around + 1).min(self.side)
                };
                let cells = span(y).flat_map(|line| span(x).map(move |column| (line, column)));
                let (mut sum, mut count) = (0.0, 0);
                for (line, column) in cells {
                    sum += self.sum[line * self.side + column];
                    count += self.count[line * self.side + column];
                }
                sum / f64::from(count.max(1))
            })
            .collect()
    }
}

/// The middle value of the outermost pixels.
fn border_median<'a>(rows: impl Iterator<Item = &'a [f32]> + Clone) -> f64 {
    let n_rows = rows.clone().count();
    let mut border: Vec<f32> = Vec::with_capacity(4 * n_rows);
    for (nth, row) in rows.enumerate() {
        if nth == 0 || nth + 1 == n_rows {
            border.extend(row);
        } else {
            border.extend([row[0], row[row.len() - 1]]);
        }
    }
    border.sort_by(f32::total_cmp);
    f64::from(border[border.len() / 2])
}

#[cfg(test)]
mod tests {
    use super::super::measure_stars;
    use super::super::rendered::{Scene, flux_for, grid, picture};
    use super::*;

    fn stacked(trail: (f64, f64)) -> StackedStar {
        let scene = Scene::clear(2.6, 11);
        let flux = flux_for(&scene, trail, 80.0);
        let plane = picture(&scene, &grid(&scene, 60.0, trail, flux, 4.0 * flux));
        let field = measure_stars(&plane, 1.0);
        stack_stars(&plane, &field).unwrap()
    }

    /// Root mean square distance of the light from the middle, across and down, pixels.
    fn widths(star: &StackedStar) -> (f64, f64) {
        let middle = (star.side as f64 - 1.0) / 2.0;
        let (mut whole, mut across, mut down) = (0.0, 0.0, 0.0);
        for (at, light) in star.light.iter().enumerate() {
            // Wings and noise are left out.
            let light = f64::from(*light);
            if light > 0.2 {
                let cell = |at: usize| (at as f64 - middle) / star.cells_per_pixel as f64;
                whole += light;
                across += light * cell(at % star.side).powi(2);
                down += light * cell(at / star.side).powi(2);
            }
        }
        ((across / whole).sqrt(), (down / whole).sqrt())
    }

    #[test]
    fn a_round_star_is_round_and_a_trail_lies_as_it_does() {
        let (across, down) = widths(&stacked((0.0, 0.0)));
        assert!((across / down - 1.0).abs() < 0.04, "{across} {down}");
        let (across, down) = widths(&stacked((8.0, 0.0)));
        assert!(across > 1.8 * down, "{across} {down}");
    }

    #[test]
    fn few_stars_make_no_image() {
        let scene = Scene::clear(2.6, 12);
        let flux = flux_for(&scene, (0.0, 0.0), 80.0);
        let stars = grid(&scene, 60.0, (0.0, 0.0), flux, 4.0 * flux);
        let plane = picture(&scene, &stars[..3]);
        let field = measure_stars(&plane, 1.0);
        assert!(stack_stars(&plane, &field).is_none());
    }
}
