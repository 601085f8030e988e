//! Places on a frame sorted into square cells, to find what lies near a point.

use crate::units::PixelPoint;

/// An index of pixel places; answers carry the place's number in the list it was built from.
pub(crate) struct PixelGrid {
    cell_px: f64,
    columns: usize,
    rows: usize,
    origin: PixelPoint,
    /// First entry of each cell in `entries`, and one past the end.
    starts: Vec<u32>,
    entries: Vec<(u32, PixelPoint)>,
}

impl PixelGrid {
    /// Sorts places into cells of about `cell_px`; no more cells than about four a place.
    pub(crate) fn new(points: &[PixelPoint], cell_px: f64) -> Self {
        let (origin, far) = bounds(points);
        let (width, height) = (far.x - origin.x, far.y - origin.y);
        let smallest = (width * height / (4.0 * points.len() as f64 + 16.0)).sqrt();
        let long_side = width.max(height) / 4096.0;
        let cell_px = cell_px.max(smallest).max(long_side).max(1e-6);
        let columns = (width / cell_px) as usize + 1;
        let rows = (height / cell_px) as usize + 1;
        let cell_of = |p: &PixelPoint| {
            ((p.y - origin.y) / cell_px) as usize * columns + ((p.x - origin.x) / cell_px) as usize
        };
        let mut starts = vec![0_u32; columns * rows + 1];
        for point in points {
            starts[cell_of(point) + 1] += 1;
        }
        for cell in 0..columns * rows {
            starts[cell + 1] += starts[cell];
        }
        let mut next = starts.clone();
        let mut entries = vec![(0, PixelPoint::default()); points.len()];
        for (idx, point) in points.iter().enumerate() {
            let slot = &mut next[cell_of(point)];
            entries[*slot as usize] = (idx as u32, *point);
            *slot += 1;
        }
        Self {
            cell_px,
            columns,
            rows,
            origin,
            starts,
            entries,
        }
    }

    /// Calls `visit(number, squared distance)` for every place within `radius_px` of a point.
    pub(crate) fn visit_within(
        &self,
        point: PixelPoint,
        radius_px: f64,
        mut visit: impl FnMut(usize, f64),
    ) {
        // Casts cut towards zero and make 0 of what is no number: a cell too many at the edge is
        // looked at, and the distance decides.
        let column = |x: f64| ((x - self.origin.x) / self.cell_px) as i64;
        let row = |y: f64| ((y - self.origin.y) / self.cell_px) as i64;
        let (left, right) = (column(point.x - radius_px), column(point.x + radius_px));
        let (top, bottom) = (row(point.y - radius_px), row(point.y + radius_px));
        let outside =
            right < 0 || bottom < 0 || left >= self.columns as i64 || top >= self.rows as i64;
        if outside {
            return;
        }
        let (left, top) = (left.max(0) as usize, top.max(0) as usize);
        let right = (right as usize).min(self.columns - 1);
        let bottom = (bottom as usize).min(self.rows - 1);
        for row in top..=bottom {
            let first = self.starts[row * self.columns + left] as usize;
            let last = self.starts[row * self.columns + right + 1] as usize;
            for (idx, place) in &self.entries[first..last] {
                let (dx, dy) = (place.x - point.x, place.y - point.y);
                let squared = dx * dx + dy * dy;
                if squared <= radius_px * radius_px {
                    visit(*idx as usize, squared);
                }
            }
        }
    }

    /// The nearest place within `radius_px` that `accept` lets pass, and its squared distance.
    pub(crate) fn nearest_where(
        &self,
        point: PixelPoint,
        radius_px: f64,
        accept: impl Fn(usize) -> bool,
    ) -> Option<(usize, f64)> {
        let mut best: Option<(usize, f64)> = None;
        self.visit_within(point, radius_px, |idx, squared| {
            if best.is_none_or(|(_, least)| squared < least) && accept(idx) {
                best = Some((idx, squared));
            }
        });
        best
    }

    /// The nearest place within `radius_px`, and its squared distance.
    pub(crate) fn nearest(&self, point: PixelPoint, radius_px: f64) -> Option<(usize, f64)> {
        self.nearest_where(point, radius_px, |_| true)
    }
}

/// Corners of the smallest upright rectangle about the places; the origin twice without places.
fn bounds(points: &[PixelPoint]) -> (PixelPoint, PixelPoint) {
    let Some(first) = points.first() else {
        return (PixelPoint::default(), PixelPoint::default());
    };
    points.iter().fold((*first, *first), |(low, high), p| {
        (
            PixelPoint::new(low.x.min(p.x), low.y.min(p.y)),
            PixelPoint::new(high.x.max(p.x), high.y.max(p.y)),
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finds_the_same_as_a_plain_search() {
        let points: Vec<PixelPoint> = (0..500)
            .map(|i| {
                let t = f64::from(i);
                PixelPoint::new((t * 37.7) % 801.0 - 100.0, (t * 91.3) % 603.0)
            })
            .collect();
        let grid = PixelGrid::new(&points, 10.0);
        for step in 0..200 {
            let t = f64::from(step);
            let asked = PixelPoint::new(t * 5.0 - 150.0, (t * 17.0) % 700.0 - 20.0);
            let plain = (0..points.len())
                .map(|i| (i, points[i].distance(asked).px()))
                .filter(|(_, d)| *d <= 25.0)
                .min_by(|a, b| a.1.total_cmp(&b.1));
            let found = grid.nearest(asked, 25.0);
            assert_eq!(found.map(|f| f.0), plain.map(|p| p.0));
        }
    }

    #[test]
    fn an_empty_grid_and_a_point_that_is_no_number_find_nothing() {
        let empty = PixelGrid::new(&[], 10.0);
        assert!(empty.nearest(PixelPoint::new(0.0, 0.0), 5.0).is_none());
        let one = PixelGrid::new(&[PixelPoint::new(3.0, 4.0)], 10.0);
        assert!(one.nearest(PixelPoint::new(f64::NAN, 0.0), 5.0).is_none());
        assert_eq!(one.nearest(PixelPoint::new(3.0, 9.0), 5.0), Some((0, 25.0)));
    }
}
