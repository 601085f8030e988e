//! The Gaussian weight that moments are taken under, over the pixels of its ellipse.

use std::ops::Range;

use super::background::Background;
use crate::frame::Plane;
use crate::units::{PixelPoint, PixelTensor};

/// The ellipse that a weight is taken over, and the part of it on the frame.
pub(super) struct Under {
    pub(super) inverse: PixelTensor,
    /// Along a row, square pixels.
    variance: f64,
    pub(super) center: PixelPoint,
    /// Half of the ellipse's width and height.
    half: (f64, f64),
    size: (usize, usize),
}

impl Under {
    /// Radius in units of the weight's width.
    const REACH: f64 = 3.5;

    /// `None` where the centre lies off the frame.
    pub(super) fn of(plane: &Plane, center: PixelPoint, weight: PixelTensor) -> Option<Self> {
        let inside = |v: f64, size: usize| v >= 0.0 && v <= (size - 1) as f64;
        let size = (plane.width(), plane.height());
        let inverse = inverse(weight)?;
        (inside(center.x, size.0) && inside(center.y, size.1)).then(|| Self {
            inverse,
            variance: 1.0 / inverse.xx,
            center,
            half: (
                Self::REACH * weight.xx.sqrt(),
                Self::REACH * weight.yy.sqrt(),
            ),
            size,
        })
    }

    fn span(at: f64, reach: f64, size: usize) -> Range<usize> {
        let (low, high) = ((at - reach).max(0.0), at + reach);
        let below = low as usize;
        let first = below + usize::from((below as f64) < low);
        let end = if high < 0.0 { 0 } else { high as usize + 1 };
        let end = end.min(size);
        first.min(end)..end
    }

    pub(super) fn rows(&self) -> Range<usize> {
        Self::span(self.center.y, self.half.1, self.size.1)
    }

    /// Columns of the whole ellipse.
    fn all_columns(&self) -> Range<usize> {
        let all = Self::span(self.center.x, self.half.0, self.size.0);
        // A row's own columns may exceed them by one, for rounding.
        all.start.saturating_sub(1)..(all.end + 1).min(self.size.0)
    }

    pub(super) fn columns(&self, y: usize) -> Range<usize> {
        let dy = y as f64 - self.center.y;
        // rho = xx dx^2 + 2 xy dx dy + yy dy^2 is below the limit between the roots about `middle`.
        let middle = -self.inverse.xy * dy * self.variance;
        let left = (Self::REACH * Self::REACH - self.inverse.yy * dy * dy) * self.variance;
        let half = (left + middle * middle).max(0.0).sqrt();
        Self::span(self.center.x + middle, half, self.size.0)
    }
}

/// Sky and pedestal under a star.
pub(super) fn level_at(sky: &Background, center: PixelPoint, pedestal: f64) -> f64 {
    f64::from(sky.level_at(center.x.round() as usize, center.y.round() as usize)) + pedestal
}

/// exp(-a t^2 / 2 - b t) at steps of one: the ratio of neighbours itself changes by a constant factor,
/// so that all values cost three exponentials.
pub(super) struct Geometric {
    value: f64,
    ratio: f64,
    step: f64,
}

impl Geometric {
    pub(super) fn starting(a: f64, b: f64, t: f64) -> Self {
        Self {
            value: (-(0.5 * a * t + b) * t).exp(),
            ratio: (-a * (t + 0.5) - b).exp(),
            step: (-a).exp(),
        }
    }

    pub(super) fn next(&mut self) -> f64 {
        let value = self.value;
        self.value *= self.ratio;
        self.ratio *= self.step;
        value
    }
}

/// The weight along a row, but for its factor exp(-yy dy^2 / 2); from row to row each column's changes by a
/// factor of its own.
#[derive(Default)]
pub(super) struct Across {
    /// Column of the first.
    start: usize,
    weights: Vec<f64>,
    factors: Vec<f64>,
    dx: Vec<f64>,
}

impl Across {
    /// The weight along the row at `dy`.
    pub(super) fn restart(&mut self, under: &Under, dy: f64) {
        let columns = under.all_columns();
        let first = columns.start as f64 - under.center.x;
        let tilt = under.inverse.xy;
        let mut weights = Geometric::starting(under.inverse.xx, tilt * dy, first);
        let (mut factor, ratio) = ((-tilt * first).exp(), (-tilt).exp());
        self.start = columns.start;
        self.weights.clear();
        self.factors.clear();
        self.dx.clear();
        for i in 0..columns.len() {
            self.weights.push(weights.next());
            self.factors.push(factor);
            self.dx.push(first + i as f64);
            factor *= ratio;
        }
    }

    /// Those of the columns that the weight is known in.
    pub(super) fn held(&self, columns: Range<usize>) -> Range<usize> {
        let end = columns.end.clamp(self.start, self.start + self.dx.len());
        columns.start.clamp(self.start, end)..end
    }

    /// The values of a row from `column` on, with the weight and dx of each.
    fn along<'a>(
        &'a self,
        row: &'a [f32],
        column: usize,
    ) -> impl Iterator<Item = ((&'a f32, &'a f64), &'a f64)> {
        let from = column - self.start;
        row.iter().zip(&self.weights[from..]).zip(&self.dx[from..])
    }

    /// Sums of weight times light above `level`, of that times dx, and times dx^2.
    pub(super) fn sums(&self, row: &[f32], column: usize, level: f64) -> [f64; 3] {
        const LANES: usize = 2;
        let here = column - self.start..column - self.start + row.len();
        let (weights, dx) = (&self.weights[here.clone()], &self.dx[here]);
        let term = |value: f32, weight: f64, dx: f64| {
            let light = weight * (f64::from(value) - level);
            [light, light * dx, light * dx * dx]
        };
        let mut sums = [[0.0; LANES]; 3];
        let values = row.chunks_exact(LANES);
        let rest = row.len() - values.remainder().len()..row.len();
        let places = weights.chunks_exact(LANES).zip(dx.chunks_exact(LANES));
        for (value, (weight, dx)) in values.zip(places) {
            for lane in 0..LANES {
                let terms = term(value[lane], weight[lane], dx[lane]);
                sums.iter_mut().zip(terms).for_each(|(s, t)| s[lane] += t);
            }
        }
        for (lane, i) in rest.enumerate() {
            let terms = term(row[i], weights[i], dx[i]);
            sums.iter_mut().zip(terms).for_each(|(s, t)| s[lane] += t);
        }
        sums.map(|s| s.iter().sum())
    }

    pub(super) fn move_down(&mut self) {
        for (weight, factor) in self.weights.iter_mut().zip(&self.factors) {
            *weight *= factor;
        }
    }
}

/// A pixel under the weight.
pub(super) struct Weighed {
    pub(super) dx: f64,
    pub(super) dy: f64,
    /// Squared distance in units of the weight's width.
    pub(super) rho: f64,
    pub(super) weight: f64,
    /// Above the sky.
    pub(super) light: f64,
}

/// Visits the pixels of the weight's ellipse.
pub(super) fn visit(
    plane: &Plane,
    sky: &Background,
    center: PixelPoint,
    weight: PixelTensor,
    pedestal: f64,
    mut see: impl FnMut(Weighed),
) -> Option<()> {
    let under = Under::of(plane, center, weight)?;
    let (inverse, rows) = (under.inverse, under.rows());
    let level = level_at(sky, center, pedestal);
    let first = rows.start as f64 - center.y;
    let mut across = Across::default();
    across.restart(&under, first);
    let mut down = Geometric::starting(inverse.yy, 0.0, first);
    for y in rows {
        let (dy, columns) = (y as f64 - center.y, across.held(under.columns(y)));
        let (gauss, lean) = (down.next(), 2.0 * inverse.xy * dy);
        for ((value, weight), dx) in across.along(&plane.row(y)[columns.clone()], columns.start) {
            see(Weighed {
                dx: *dx,
                dy,
                rho: dx * (inverse.xx * dx + lean) + inverse.yy * dy * dy,
                weight: gauss * weight,
                light: f64::from(*value) - level,
            });
        }
        across.move_down();
    }
    Some(())
}

pub(super) fn inverse(t: PixelTensor) -> Option<PixelTensor> {
    let determinant = t.xx * t.yy - t.xy * t.xy;
    (determinant.abs() > 1e-12)
        .then(|| PixelTensor::new(t.yy / determinant, -t.xy / determinant, t.xx / determinant))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_of_a_slanted_weight_are_its_exponentials() {
        let plane = Plane::new(60, 50, vec![1.0; 3000]).expect("sizes agree");
        let sky = Background::flat(60, 50, 0.0, 1.0);
        for (center, weight) in [
            (PixelPoint::new(30.3, 20.8), PixelTensor::new(9.0, 6.5, 6.0)),
            (PixelPoint::new(0.2, 48.9), PixelTensor::new(1.4, -0.1, 1.3)),
        ] {
            let s = inverse(weight).expect("no line");
            let mut n_seen = 0;
            let seen = visit(&plane, &sky, center, weight, 0.0, |p| {
                let rho = s.xx * p.dx * p.dx + 2.0 * s.xy * p.dx * p.dy + s.yy * p.dy * p.dy;
                assert!(rho < Under::REACH * Under::REACH + 1e-9 && (rho - p.rho).abs() < 1e-9);
                assert!((p.weight / (-0.5 * rho).exp() - 1.0).abs() < 1e-10);
                n_seen += 1;
            });
            let inside = (0..3000).filter(|i| {
                let (dx, dy) = ((i % 60) as f64 - center.x, (i / 60) as f64 - center.y);
                let rho = s.xx * dx * dx + 2.0 * s.xy * dx * dy + s.yy * dy * dy;
                rho < Under::REACH * Under::REACH
            });
            assert_eq!((seen, n_seen), (Some(()), inside.count()));
        }
    }
}
