//! Parts of the sky with all stars in and around them, laid out for quick distances and look-ups.

use nalgebra::{Matrix3, Vector3};

use super::pattern::{IndexStar, PatternIndex};
use crate::sky::cells::SkyCells;
use crate::sky::{Direction, Icrs};
use crate::units::Angle;

/// Size of a part against how far its stars look: larger ones are fewer and hold more strangers.
const PART_SIZE: f64 = 0.7;
/// Cells on a side of the square that a part is sorted into.
const N_CELLS: usize = 64;
/// End of a list.
const NOBODY: u16 = u16::MAX;

/// The stars of an index (their numbers) part by part; a part is smaller than `reach` (radians).
pub(super) fn blocks(index: &PatternIndex, reach: f64) -> Vec<Vec<u32>> {
    let cells = SkyCells::of_size(Angle::from_rad(PART_SIZE * reach));
    let mut blocks = vec![Vec::new(); cells.len()];
    for (number, star) in index.stars().iter().enumerate() {
        blocks[cells.cell_of(Direction::new(star.place))].push(number as u32);
    }
    blocks.retain(|block| !block.is_empty());
    blocks
}

/// A star of the index on the axes of a part.
#[derive(Debug, Clone, Copy)]
pub(super) struct Placed {
    pub(super) place: Vector3<f64>,
    pub(super) star: IndexStar,
}

/// Some stars of the sky and all others within reach of them.
pub(super) struct Part {
    /// Takes the part's axes (right, up, towards its middle) to the sky's.
    pub(super) axes: Matrix3<f64>,
    pub(super) near: Vec<Placed>,
    /// The places once more, for quick distances.
    columns: [Vec<f32>; 3],
    cells_per_unit: f64,
    /// First star of each cell, and the next one after each star.
    first: Vec<u16>,
    next: Vec<u16>,
}

impl Part {
    /// `None` without anchors.
    pub(super) fn new(index: &PatternIndex, anchors: &[u32], reach: f64) -> Option<Self> {
        let place = |anchor: &u32| index.star(*anchor).place;
        let middle = anchors.iter().map(place).sum::<Vector3<f64>>();
        let middle = middle.try_normalize(1e-9)?;
        let farthest = anchors.iter().map(|anchor| (place(anchor) - middle).norm());
        let radius = farthest.fold(0.0, f64::max) + reach;
        let mut part = Self {
            axes: frame_towards(&middle),
            near: Vec::new(),
            columns: [Vec::new(), Vec::new(), Vec::new()],
            cells_per_unit: N_CELLS as f64 / (2.0 * radius),
            first: vec![NOBODY; N_CELLS * N_CELLS],
            next: Vec::new(),
        };
        let circle = Angle::from_rad(2.0 * (0.5 * radius).min(1.0).asin());
        index.visit_near(Direction::<Icrs>::new(middle), circle, |star| {
            if (star.place - middle).norm_squared() <= radius * radius {
                part.take(star);
            }
        });
        Some(part)
    }

    fn take(&mut self, star: &IndexStar) {
        if self.near.len() == usize::from(NOBODY) {
            return;
        }
        let placed = self.placed(star);
        let cell = self.row(placed.place.y) * N_CELLS + self.row(placed.place.x);
        self.next.push(self.first[cell]);
        self.first[cell] = self.near.len() as u16;
        for (column, value) in self.columns.iter_mut().zip(placed.place.iter()) {
            column.push(*value as f32);
        }
        self.near.push(placed);
    }

    /// A star on the part's axes.
    pub(super) fn placed(&self, star: &IndexStar) -> Placed {
        Placed {
            place: self.axes.tr_mul(&star.place),
            star: *star,
        }
    }

    fn row(&self, at: f64) -> usize {
        let row = at * self.cells_per_unit + (N_CELLS / 2) as f64;
        (row.max(0.0) as usize).min(N_CELLS - 1)
    }

    /// Squared chords from a place to every star near, to single precision.
    pub(super) fn square_chords(&self, place: &Vector3<f64>, squares: &mut [f32]) {
        let [x, y, z] = [place.x as f32, place.y as f32, place.z as f32];
        let [xs, ys, zs] = &self.columns;
        let places = xs.iter().zip(ys).zip(zs);
        for (square, ((px, py), pz)) in squares.iter_mut().zip(places) {
            *square = (px - x) * (px - x) + (py - y) * (py - y) + (pz - z) * (pz - z);
        }
    }

    /// Whether a star that `accept` lets pass lies within a squared chord of a place.
    pub(super) fn any_near(
        &self,
        place: &Vector3<f64>,
        limit2: f64,
        accept: impl Fn(&IndexStar) -> bool,
    ) -> bool {
        let limit = limit2.sqrt();
        for row in self.row(place.y - limit)..=self.row(place.y + limit) {
            for column in self.row(place.x - limit)..=self.row(place.x + limit) {
                let mut at = self.first[row * N_CELLS + column];
                while at != NOBODY {
                    let other = &self.near[usize::from(at)];
                    if (other.place - place).norm_squared() <= limit2 && accept(&other.star) {
                        return true;
                    }
                    at = self.next[usize::from(at)];
                }
            }
        }
        false
    }
}

/// Axes on the sky: two across a direction, and the direction itself; right-handed.
fn frame_towards(toward: &Vector3<f64>) -> Matrix3<f64> {
    let aside = if toward.z.abs() < 0.9 {
        Vector3::z()
    } else {
        Vector3::x()
    };
    let right = aside.cross(toward).normalize();
    Matrix3::from_columns(&[right, toward.cross(&right), *toward])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sky::catalogue::Catalogue;

    fn index() -> PatternIndex {
        PatternIndex::build(Catalogue::embedded(), 160.0, None)
    }

    #[test]
    fn every_star_is_in_one_block() {
        let index = index();
        let mut all: Vec<u32> = blocks(&index, 0.3).concat();
        all.sort_unstable();
        assert!(all.into_iter().eq(0..index.stars().len() as u32));
    }

    #[test]
    fn a_part_knows_every_star_within_reach_of_its_own() {
        let index = index();
        let reach = 0.3;
        for anchors in blocks(&index, reach).iter().step_by(17) {
            let part = Part::new(&index, anchors, reach).unwrap();
            assert!((part.axes.determinant() - 1.0).abs() < 1e-9);
            let own = part.placed(index.star(anchors[0]));
            let mut squares = vec![0.0; part.near.len()];
            part.square_chords(&own.place, &mut squares);
            let seen = squares.iter().filter(|square| **square <= 0.09).count();
            let place = index.star(anchors[0]).place;
            let gap = |star: &&IndexStar| (star.place - place).norm_squared() <= 0.09;
            assert_eq!(seen, index.stars().iter().filter(gap).count());
        }
    }

    #[test]
    fn a_star_is_found_at_its_place_and_nothing_beside_it() {
        let index = index();
        let anchors = &blocks(&index, 0.2)[5];
        let part = Part::new(&index, anchors, 0.2).unwrap();
        for placed in &part.near {
            let number = placed.star.catalogue_idx;
            let is_own = |star: &IndexStar| star.catalogue_idx == number;
            assert!(part.any_near(&placed.place, 1e-8, is_own));
            let beside = placed.place + Vector3::new(2e-4, 0.0, 0.0);
            assert!(!part.any_near(&beside, 1e-8, is_own));
        }
    }

    #[test]
    fn without_stars_there_is_no_part() {
        assert!(Part::new(&index(), &[], 0.2).is_none());
    }
}
