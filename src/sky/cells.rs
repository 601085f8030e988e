//! The sky cut into cells: bands of declination, each cut into equal steps of right ascension.

use super::{Direction, Icrs};
use crate::units::Angle;

/// A division of the sky; cells are numbered band by band from the south pole, from 0 h on.
#[derive(Debug, Clone)]
pub(crate) struct SkyCells {
    bands: Vec<Band>,
}

/// Cells between two declinations, of equal width in right ascension.
#[derive(Debug, Clone, Copy)]
struct Band {
    first_cell: usize,
    n_cells: usize,
}

impl SkyCells {
    /// Cells of about a given size, nowhere larger than it by more than a third.
    pub(crate) fn of_size(size: Angle) -> Self {
        let size_deg = size.deg().clamp(0.05, 90.0);
        let n_bands = (180.0 / size_deg).ceil() as usize;
        let edge = |band: usize| Angle::from_deg(180.0 * band as f64 / n_bands as f64 - 90.0);
        Self::from_band_counts((0..n_bands).map(|band| {
            let widest = edge(band).cos().max(edge(band + 1).cos());
            ((360.0 * widest / size_deg).ceil() as usize).max(3)
        }))
    }

    /// Bands of equal height with the given numbers of cells, from the south pole on.
    pub(crate) fn from_band_counts(counts: impl IntoIterator<Item = usize>) -> Self {
        let mut first_cell = 0;
        let bands = counts.into_iter().map(|n_cells| {
            let band = Band {
                first_cell,
                n_cells,
            };
            first_cell += n_cells;
            band
        });
        Self {
            bands: bands.collect(),
        }
    }

    /// Number of cells.
    pub(crate) fn len(&self) -> usize {
        self.bands.last().map_or(0, |b| b.first_cell + b.n_cells)
    }

    /// Middle of each cell, in their order.
    pub(crate) fn middles(&self) -> impl Iterator<Item = Direction<Icrs>> {
        let n_bands = self.bands.len() as f64;
        self.bands.iter().enumerate().flat_map(move |(idx, band)| {
            let dec = Angle::from_deg(180.0 * (idx as f64 + 0.5) / n_bands - 90.0);
            (0..band.n_cells).map(move |column| {
                let turn = (column as f64 + 0.5) / band.n_cells as f64;
                Direction::from_ra_dec(Angle::from_deg(360.0 * turn), dec)
            })
        })
    }

    /// The cell that a direction lies in.
    pub(crate) fn cell_of(&self, direction: Direction<Icrs>) -> usize {
        let (ra, dec) = direction.ra_dec();
        let band = self.bands[self.band_of(dec.deg())];
        let column = (ra.deg() / 360.0 * band.n_cells as f64) as usize;
        band.first_cell + column.min(band.n_cells - 1)
    }

    /// Calls `visit` with the number of each cell that a circle on the sky touches, and of a few more.
    pub(crate) fn visit_near(
        &self,
        center: Direction<Icrs>,
        radius: Angle,
        mut visit: impl FnMut(usize),
    ) {
        let (ra, dec) = center.ra_dec();
        let reach = ra_reach_deg(dec, radius);
        let lowest = self.band_of(dec.deg() - radius.deg());
        let highest = self.band_of(dec.deg() + radius.deg());
        for band in &self.bands[lowest..=highest] {
            let cell_width = 360.0 / band.n_cells as f64;
            match reach {
                Some(reach) if 2.0 * (reach + cell_width) < 360.0 => {
                    let first = ((ra.deg() - reach) / cell_width).floor() as i64;
                    let last = ((ra.deg() + reach) / cell_width).floor() as i64;
                    for column in first..=last {
                        visit(band.first_cell + column.rem_euclid(band.n_cells as i64) as usize);
                    }
                }
                _ => (0..band.n_cells).for_each(|column| visit(band.first_cell + column)),
            }
        }
    }

    fn band_of(&self, dec_deg: f64) -> usize {
        let band = (dec_deg + 90.0) / 180.0 * self.bands.len() as f64;
        (band.max(0.0) as usize).min(self.bands.len() - 1)
    }
}

/// Half the width in right ascension of a circle on the sky, degrees; `None` around a pole.
fn ra_reach_deg(dec: Angle, radius: Angle) -> Option<f64> {
    let around_pole = dec.deg().abs() + radius.deg() >= 90.0;
    let ratio = radius.sin() / dec.cos();
    (!around_pole && ratio < 1.0).then(|| ratio.asin().to_degrees())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_middle_of_each_cell_lies_in_it_and_a_circle_about_it_finds_it() {
        for size_deg in [0.7, 5.0, 33.0] {
            let cells = SkyCells::of_size(Angle::from_deg(size_deg));
            assert_eq!(cells.middles().count(), cells.len());
            for (cell, middle) in cells.middles().enumerate() {
                assert_eq!(cells.cell_of(middle), cell);
                let mut found = Vec::new();
                cells.visit_near(middle, Angle::from_deg(0.1), |c| found.push(c));
                assert!(found.contains(&cell));
            }
        }
    }

    #[test]
    fn no_cell_is_visited_twice() {
        let cells = SkyCells::of_size(Angle::from_deg(3.0));
        for (ra, dec, radius) in [(0.0, 0.0, 10.0), (1.0, 85.0, 4.9), (300.0, -89.0, 30.0)] {
            let center = Direction::from_ra_dec(Angle::from_deg(ra), Angle::from_deg(dec));
            let mut found = Vec::new();
            cells.visit_near(center, Angle::from_deg(radius), |c| found.push(c));
            let n_visits = found.len();
            found.sort_unstable();
            found.dedup();
            assert_eq!(found.len(), n_visits);
        }
    }
}
