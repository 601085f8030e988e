//! Triangles of catalogue stars, sorted by shape, for fields of one size.
//!
//! A triangle of stars is known by the ratios of its sides, by the sense in which its corners run
//! round, and by its size on the sky. All sides are true angles, so that wide fields are no
//! different from narrow ones.

use nalgebra::Vector3;
use rayon::prelude::*;

use crate::sky::catalogue::Catalogue;
use crate::sky::cells::SkyCells;
use crate::sky::{Direction, Icrs};
use crate::units::Angle;

/// A triangle with its corners in a fixed order: opposite the shortest, the middle, the longest side.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Triangle {
    /// Shortest side over longest, (0, 1].
    pub(crate) short_ratio: f32,
    /// Middle side over longest, (0, 1].
    pub(crate) middle_ratio: f32,
    /// Longest side, radians.
    pub(crate) longest: f32,
    /// Whether the corners in their order run round counter-clockwise as seen from inside the
    /// sphere's centre looking out along the right-handed axes.
    pub(crate) positive: bool,
    /// Numbers of the stars at the corners.
    pub(crate) corners: [u32; 3],
}

impl Triangle {
    /// From three directions and the numbers of their stars; `None` where it is too flat or too
    /// small for its shape to say anything.
    pub(crate) fn new(directions: [&Vector3<f64>; 3], stars: [u32; 3]) -> Option<Self> {
        let side = |i: usize, j: usize| {
            let chord = (directions[i] - directions[j]).norm();
            (2.0 * (0.5 * chord).min(1.0).asin(), 3 - i - j)
        };
        let mut sides = [side(0, 1), side(1, 2), side(0, 2)];
        sides.sort_unstable_by(|p, q| p.0.total_cmp(&q.0));
        let [(short, a), (middle, b), (longest, c)] = sides;
        // The triple product is twice the area for small triangles.
        let volume = directions[a].dot(&directions[b].cross(directions[c]));
        let telling = short >= MIN_SHORT_RATIO * longest
            && volume.abs() >= MIN_FLATNESS * longest * longest
            && longest > 0.0;
        if !telling {
            return None;
        }
        Some(Self {
            short_ratio: (short / longest) as f32,
            middle_ratio: (middle / longest) as f32,
            longest: longest as f32,
            positive: volume > 0.0,
            corners: [stars[a], stars[b], stars[c]],
        })
    }

    fn bin(&self) -> usize {
        bin_of(
            self.positive,
            row_of(self.short_ratio),
            column_of(self.middle_ratio),
        )
    }
}

/// Triangles with a shorter short side are sensitive to noise, and mostly double stars.
const MIN_SHORT_RATIO: f64 = 0.15;
/// Triple product over the longest side squared, below which the sense of the corners is noise.
const MIN_FLATNESS: f64 = 0.05;
/// Bins in either ratio; finer bins make look-ups quicker and small indices sparser.
const N_ROWS: usize = 64;
const N_COLUMNS: usize = 32;

fn row_of(short_ratio: f32) -> usize {
    ((short_ratio * N_ROWS as f32).max(0.0) as usize).min(N_ROWS - 1)
}

/// The middle side is at least half of the longest.
fn column_of(middle_ratio: f32) -> usize {
    (((middle_ratio - 0.5) * 2.0 * N_COLUMNS as f32).max(0.0) as usize).min(N_COLUMNS - 1)
}

fn bin_of(positive: bool, row: usize, column: usize) -> usize {
    (usize::from(positive) * N_ROWS + row) * N_COLUMNS + column
}

/// The brightest stars of each part of the sky and their triangles with near neighbours.
#[derive(Debug)]
pub(crate) struct PatternIndex {
    cells: SkyCells,
    /// First star of each cell in `stars`, and one past the end.
    cell_starts: Vec<u32>,
    stars: Vec<IndexStar>,
    /// First triangle of each bin in `triangles`, and one past the end.
    bin_starts: Vec<u32>,
    triangles: Vec<Triangle>,
    longest: f32,
}

/// One star of an index.
#[derive(Debug, Clone, Copy)]
pub(crate) struct IndexStar {
    /// Its catalogue place, a unit vector.
    pub(crate) place: Vector3<f64>,
    /// Its magnitude.
    pub(crate) magnitude: f32,
    /// Its number in the catalogue.
    pub(crate) catalogue_idx: u32,
}

/// Neighbours of each star that may form triangles with it; more where there are few stars.
const N_NEIGHBOURS_FEW: usize = 8;
const N_NEIGHBOURS_MANY: usize = 5;
/// Above this number of stars, fewer neighbours are enough.
const MANY_STARS: usize = 20_000;
/// Stars kept in each cell of the selection; a cell's area follows from the wanted density.
const N_PER_CELL: f64 = 5.0;

impl PatternIndex {
    /// An index of about `density` stars a steradian, of the whole sky or of a circle on it.
    pub(crate) fn build(
        catalogue: &Catalogue,
        density: f64,
        region: Option<(Direction<Icrs>, Angle)>,
    ) -> Self {
        let cells = SkyCells::of_size(Angle::from_rad((N_PER_CELL / density).sqrt()));
        let (cell_starts, stars) = select(catalogue, density, &cells, region);
        let mut index = Self {
            cells,
            cell_starts,
            stars,
            bin_starts: Vec::new(),
            triangles: Vec::new(),
            longest: 0.0,
        };
        index.fill_triangles(density);
        index
    }

    /// All stars of the index, neighbours on the sky near each other.
    pub(crate) fn stars(&self) -> &[IndexStar] {
        &self.stars
    }

    /// A star of the index.
    pub(crate) fn star(&self, index_star: u32) -> &IndexStar {
        &self.stars[index_star as usize]
    }

    /// Longest side of any triangle, radians.
    pub(crate) fn longest(&self) -> f64 {
        f64::from(self.longest)
    }

    /// Calls `visit` with every star within a circle on the sky, and some a little farther out.
    pub(crate) fn visit_near(
        &self,
        center: Direction<Icrs>,
        radius: Angle,
        mut visit: impl FnMut(&IndexStar),
    ) {
        self.cells.visit_near(center, radius, |cell| {
            let range = self.cell_starts[cell] as usize..self.cell_starts[cell + 1] as usize;
            self.stars[range].iter().for_each(&mut visit);
        });
    }

    /// Calls `visit` with every triangle that has the asked shape within a tolerance on both
    /// ratios, the same sense, and a longest side within the given bounds (radians).
    pub(crate) fn visit_alike(
        &self,
        asked: &Triangle,
        tolerance: f32,
        longest: (f32, f32),
        mut visit: impl FnMut(&Triangle),
    ) {
        let (short, middle) = (asked.short_ratio, asked.middle_ratio);
        for row in row_of(short - tolerance)..=row_of(short + tolerance) {
            let first = bin_of(asked.positive, row, column_of(middle - tolerance));
            let last = bin_of(asked.positive, row, column_of(middle + tolerance));
            let range = self.bin_starts[first] as usize..self.bin_starts[last + 1] as usize;
            for triangle in &self.triangles[range] {
                if (triangle.short_ratio - short).abs() <= tolerance
                    && (triangle.middle_ratio - middle).abs() <= tolerance
                    && triangle.longest >= longest.0
                    && triangle.longest <= longest.1
                {
                    visit(triangle);
                }
            }
        }
    }

    fn fill_triangles(&mut self, density: f64) {
        let n_neighbours = if self.stars.len() > MANY_STARS {
            N_NEIGHBOURS_MANY
        } else {
            N_NEIGHBOURS_FEW
        };
        let neighbours = self.neighbours(n_neighbours, density);
        let list_of = |star: u32| {
            let first = star as usize * n_neighbours;
            &neighbours[first..first + n_neighbours]
        };
        let found: Vec<Triangle> = (0..self.stars.len() as u32)
            .into_par_iter()
            .flat_map_iter(|star| {
                let own = list_of(star).iter().copied().filter(|n| *n != NOBODY);
                let own: Vec<u32> = own.collect();
                let mut triangles = Vec::with_capacity(n_neighbours * n_neighbours / 2);
                for (n, j) in own.iter().enumerate() {
                    for k in &own[n + 1..] {
                        // The same three stars may be neighbours of each other: only the first
                        // of those that see the other two makes the triangle.
                        let sees = |s: u32, p: u32, q: u32| {
                            s < star && list_of(s).contains(&p) && list_of(s).contains(&q)
                        };
                        if !sees(*j, star, *k) && !sees(*k, star, *j) {
                            triangles.extend(self.triangle([star, *j, *k]));
                        }
                    }
                }
                triangles
            })
            .collect();
        self.sort_into_bins(found);
    }

    fn triangle(&self, stars: [u32; 3]) -> Option<Triangle> {
        let [p, q, r] = stars.map(|s| &self.stars[s as usize].place);
        Triangle::new([p, q, r], stars)
    }

    /// The nearest stars of each star, `n_each` a star, filled up with [`NOBODY`].
    fn neighbours(&self, n_each: usize, density: f64) -> Vec<u32> {
        // A circle that holds twice as many stars as wanted, on average.
        let radius = (2.0 * n_each as f64 / density / std::f64::consts::PI).sqrt();
        let radius = Angle::from_rad(radius.min(1.5));
        let reach2 = (2.0 * (radius * 0.5).sin()).powi(2);
        let mut all = vec![NOBODY; self.stars.len() * n_each];
        all.par_chunks_mut(n_each)
            .zip(self.stars.par_iter())
            .enumerate()
            .for_each(|(own, (slots, star))| {
                let mut near: Vec<(f64, u32)> = Vec::with_capacity(8 * n_each);
                let place = Direction::<Icrs>::new(star.place);
                self.cells.visit_near(place, radius, |cell| {
                    for other in self.cell_starts[cell]..self.cell_starts[cell + 1] {
                        let gap = self.stars[other as usize].place - star.place;
                        let squared = gap.norm_squared();
                        if squared <= reach2 && other as usize != own {
                            near.push((squared, other));
                        }
                    }
                });
                near.sort_unstable_by(|p, q| p.0.total_cmp(&q.0).then(p.1.cmp(&q.1)));
                for (slot, (_, other)) in slots.iter_mut().zip(near) {
                    *slot = other;
                }
            });
        all
    }

    fn sort_into_bins(&mut self, mut found: Vec<Triangle>) {
        let mut starts = vec![0_u32; 2 * N_ROWS * N_COLUMNS + 1];
        for triangle in &found {
            starts[triangle.bin() + 1] += 1;
            self.longest = self.longest.max(triangle.longest);
        }
        for bin in 1..starts.len() {
            starts[bin] += starts[bin - 1];
        }
        // Each triangle is swapped to the next free place of its bin: no second copy in memory.
        let mut next = starts.clone();
        for bin in 0..next.len() - 1 {
            while next[bin] < starts[bin + 1] {
                let here = next[bin] as usize;
                let home = found[here].bin();
                found.swap(here, next[home] as usize);
                next[home] += 1;
            }
        }
        self.bin_starts = starts;
        self.triangles = found;
    }
}

/// Area of the catalogue's cells, steradian (1.5 degrees square).
const CATALOGUE_CELL_AREA: f64 = 6.9e-4;
/// No star: fills up lists of neighbours.
const NOBODY: u32 = u32::MAX;

/// The brightest stars of each cell, sorted by cell, with the first of each cell.
fn select(
    catalogue: &Catalogue,
    density: f64,
    cells: &SkyCells,
    region: Option<(Direction<Icrs>, Angle)>,
) -> (Vec<u32>, Vec<IndexStar>) {
    let cell_area = 4.0 * std::f64::consts::PI / cells.len() as f64;
    let mean_density = catalogue.len() as f64 / (4.0 * std::f64::consts::PI);
    let n_wanted = if density >= mean_density {
        usize::MAX
    } else {
        ((density * cell_area).round() as usize).max(1)
    };
    let mut in_cell: Vec<Vec<(u32, f32)>> = vec![Vec::new(); cells.len()];
    let mut take = |star_idx: usize| {
        let magnitude = catalogue.magnitude(star_idx) as f32;
        let list = &mut in_cell[cells.cell_of(catalogue.direction(star_idx))];
        let rank = list.partition_point(|(_, m)| *m <= magnitude);
        if rank < n_wanted {
            list.insert(rank, (star_idx as u32, magnitude));
            list.truncate(n_wanted);
        }
    };
    // Where the cells are as large as the catalogue's own, only the first few of each of those
    // can be among the brightest.
    let n_enough = if cell_area > 4.0 * CATALOGUE_CELL_AREA {
        n_wanted.saturating_mul(4)
    } else {
        usize::MAX
    };
    match region {
        Some((center, radius)) => catalogue
            .within(center, radius, f64::INFINITY)
            .into_iter()
            .for_each(&mut take),
        None => catalogue
            .star_cells()
            .flat_map(|cell| cell.take(n_enough))
            .for_each(&mut take),
    }
    let mut starts = vec![0_u32];
    let mut stars = Vec::new();
    for list in &in_cell {
        stars.extend(list.iter().map(|(star_idx, magnitude)| IndexStar {
            place: catalogue.vector(*star_idx as usize),
            magnitude: *magnitude,
            catalogue_idx: *star_idx,
        }));
        starts.push(stars.len() as u32);
    }
    (starts, stars)
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::Rotation3;

    fn triangle_of(corners: &[Vector3<f64>; 3]) -> Option<Triangle> {
        let [p, q, r] = corners;
        Triangle::new([p, q, r], [7, 8, 9])
    }

    fn some_corners() -> [Vector3<f64>; 3] {
        [(0.0, 0.0), (0.05, 0.01), (0.02, 0.04)].map(|(x, y)| Vector3::new(x, y, 1.0).normalize())
    }

    #[test]
    fn a_turned_triangle_is_the_same_and_its_mirror_image_is_not() {
        let corners = some_corners();
        let triangle = triangle_of(&corners).unwrap();
        let turn = Rotation3::new(Vector3::new(0.3, -1.1, 2.0));
        let turned = triangle_of(&corners.map(|c| turn * c)).unwrap();
        assert!((triangle.short_ratio - turned.short_ratio).abs() < 1e-6);
        assert!((triangle.middle_ratio - turned.middle_ratio).abs() < 1e-6);
        assert_eq!(triangle.positive, turned.positive);
        assert_eq!(triangle.corners, turned.corners);
        let mirror = triangle_of(&corners.map(|c| Vector3::new(-c.x, c.y, c.z))).unwrap();
        assert_ne!(triangle.positive, mirror.positive);
    }

    #[test]
    fn corners_stand_in_the_same_order_whatever_order_they_came_in() {
        let [p, q, r] = some_corners();
        let first = Triangle::new([&p, &q, &r], [1, 2, 3]).unwrap();
        let other = Triangle::new([&r, &p, &q], [3, 1, 2]).unwrap();
        assert_eq!(first.corners, other.corners);
        assert_eq!(first.positive, other.positive);
    }

    #[test]
    fn flat_triangles_double_stars_and_no_triangles_at_all_say_nothing() {
        let [p, q, _] = some_corners();
        assert!(triangle_of(&[p, q, ((p + q) * 0.5).normalize()]).is_none());
        assert!(triangle_of(&[p, q, (p + q * 0.01).normalize()]).is_none());
        assert!(triangle_of(&[p, p, p]).is_none());
    }

    #[test]
    fn an_index_holds_about_as_many_stars_as_asked_and_finds_its_own_triangles_once() {
        let index = PatternIndex::build(Catalogue::embedded(), 100.0, None);
        let n_wanted = 100.0 * 4.0 * std::f64::consts::PI;
        let n_stars = index.stars.len() as f64;
        assert!(
            (0.7 * n_wanted..1.4 * n_wanted).contains(&n_stars),
            "{n_stars}"
        );
        assert!(index.triangles.len() > 10 * index.stars.len());
        for asked in index.triangles.iter().step_by(97) {
            let mut n_same = 0;
            index.visit_alike(asked, 0.001, (asked.longest, asked.longest), |found| {
                n_same += usize::from(found.corners == asked.corners);
            });
            assert_eq!(n_same, 1);
        }
    }

    #[test]
    fn a_regional_index_stays_in_its_region() {
        let center = Direction::from_ra_dec(Angle::from_deg(359.0), Angle::from_deg(-40.0));
        let radius = Angle::from_deg(10.0);
        let index = PatternIndex::build(Catalogue::embedded(), 3000.0, Some((center, radius)));
        assert!(index.stars.len() > 100);
        let far = |star: &IndexStar| Direction::new(star.place).separation(center).deg() > 10.01;
        assert!(!index.stars.iter().any(far));
    }
}
