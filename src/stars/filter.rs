//! Separable filters over the rows of the plane, in units of the sky's noise.

use super::background::Background;
use crate::frame::Plane;

/// Filters reach out to this many of their sigmas; the rest of a Gaussian holds 0.3 % of its light.
const FILTER_REACH: f32 = 3.0;

/// Whether the left half of the weights equals the right half or is its negative.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Parity {
    Even,
    Odd,
}

/// Weights along one axis, normalised so that white noise of one sigma leaves with one sigma.
#[derive(Debug, Clone)]
struct Taps {
    /// Right half with the centre first.
    half: Vec<f32>,
    parity: Parity,
}

impl Taps {
    /// A Gaussian, or a Gaussian times the distance.
    fn gaussian(sigma: f32, parity: Parity) -> Self {
        let reach = (FILTER_REACH * sigma).ceil().max(1.0) as usize;
        let shape = |i: usize| {
            let weight = (-0.5 * (i as f32 / sigma).powi(2)).exp();
            if parity == Parity::Odd {
                weight * i as f32
            } else {
                weight
            }
        };
        let mut half: Vec<f32> = (0..=reach).map(shape).collect();
        let squares = half[0] * half[0] + 2.0 * half[1..].iter().map(|k| k * k).sum::<f32>();
        half.iter_mut().for_each(|k| *k /= squares.sqrt());
        Self { half, parity }
    }

    fn reach(&self) -> usize {
        self.half.len() - 1
    }

    /// Sign of the weights left of the centre.
    fn left(&self) -> f32 {
        if self.parity == Parity::Odd {
            -1.0
        } else {
            1.0
        }
    }
}

/// A filter that is a product of weights along rows and along columns.
#[derive(Debug, Clone)]
pub(super) struct Filter {
    rows: Taps,
    columns: Taps,
}

impl Filter {
    /// Finds stars of this Gaussian width in pixels.
    pub(super) fn of_stars(sigma: f32) -> Self {
        Self {
            rows: Taps::gaussian(sigma, Parity::Even),
            columns: Taps::gaussian(sigma, Parity::Even),
        }
    }
    /// Feels what noise does to a star's place.
    pub(super) fn of_places(sigma: f32) -> Self {
        Self {
            rows: Taps::gaussian(sigma, Parity::Odd),
            columns: Taps::gaussian(sigma, Parity::Even),
        }
    }
    /// Feels what noise does to a star's elongation.
    pub(super) fn of_shapes(sigma: f32) -> Self {
        Self {
            rows: Taps::gaussian(sigma, Parity::Odd),
            columns: Taps::gaussian(sigma, Parity::Odd),
        }
    }
}

/// Pixels that are worked on at a time, so that their sums stay in registers.
const LANES: usize = 16;

/// Filters a plane row by row, downwards: first along rows, then along columns; beyond the frame the sky
/// is empty. Only as many rows as the filter is high are kept, so that they stay in cache.
pub(super) struct Sweep<'a> {
    plane: &'a Plane,
    sky: &'a Background,
    filter: &'a Filter,
    /// Length of a row in whole lanes.
    stride: usize,
    /// Rows filtered along rows; row y of the plane lies at y modulo their number.
    smooth: Vec<Vec<f32>>,
    /// The row of the plane that is filtered next along rows.
    next: usize,
    empty: Vec<f32>,
    padded: Vec<f32>,
    inverse_noise: Vec<f32>,
}

impl<'a> Sweep<'a> {
    /// Ready for the filtered row `first` and those below it.
    pub(super) fn starting_at(
        plane: &'a Plane,
        sky: &'a Background,
        filter: &'a Filter,
        first: usize,
    ) -> Self {
        let stride = plane.width().next_multiple_of(LANES);
        Self {
            plane,
            sky,
            filter,
            stride,
            smooth: vec![vec![0.0; stride]; 2 * filter.columns.reach() + 1],
            next: first.saturating_sub(filter.columns.reach()),
            empty: vec![0.0; stride],
            padded: vec![0.0; stride + 2 * filter.rows.reach()],
            inverse_noise: vec![0.0; stride],
        }
    }

    /// Puts the filtered row `y`, in sigmas of white pixel noise, into `out`, which has the plane's width;
    /// `y` goes up by one from call to call.
    pub(super) fn row(&mut self, y: usize, out: &mut Vec<f32>) {
        let (width, height) = (self.plane.width(), self.plane.height());
        let reach = self.filter.columns.reach();
        while self.next < (y + reach + 1).min(height) {
            self.smooth_next();
        }
        out.resize(self.stride, 0.0);
        let row = |y: Option<usize>| match y {
            Some(y) if y < height => self.smooth[y % self.smooth.len()].as_slice(),
            _ => self.empty.as_slice(),
        };
        let pairs: Vec<[&[f32]; 2]> = (1..=reach)
            .map(|i| [row(y.checked_sub(i)), row(Some(y + i))])
            .collect();
        weigh(&self.filter.columns, row(Some(y)), &pairs, out);
        out.truncate(width);
        let inverse_noise = &mut self.inverse_noise[..width];
        self.sky.inverse_noise_row(y, inverse_noise);
        for (value, inverse) in out.iter_mut().zip(inverse_noise) {
            *value *= *inverse;
        }
    }

    /// Filters the next row of the plane along the row.
    fn smooth_next(&mut self) {
        let (taps, width) = (&self.filter.rows, self.plane.width());
        let side = taps.reach();
        let light = &mut self.padded[side..side + width];
        self.sky
            .subtract(self.next, 0, self.plane.row(self.next), light);
        let shifted = |by: usize| &self.padded[by..by + self.stride];
        let pairs: Vec<[&[f32]; 2]> = (1..=side)
            .map(|i| [shifted(side - i), shifted(side + i)])
            .collect();
        let place = self.next % self.smooth.len();
        weigh(taps, shifted(side), &pairs, &mut self.smooth[place]);
        self.next += 1;
    }
}

/// Sums of the rows times the weights: `middle`, and the pairs at equal distances before and behind it.
fn weigh(taps: &Taps, middle: &[f32], pairs: &[[&[f32]; 2]], out: &mut [f32]) {
    let sign = taps.left();
    for (i, sums) in out.chunks_exact_mut(LANES).enumerate() {
        let here = i * LANES..(i + 1) * LANES;
        let mut lanes = [0.0_f32; LANES];
        for (lane, v) in lanes.iter_mut().zip(&middle[here.clone()]) {
            *lane = taps.half[0] * v;
        }
        for ([before, behind], weight) in pairs.iter().zip(&taps.half[1..]) {
            let both = before[here.clone()].iter().zip(&behind[here.clone()]);
            for (lane, (a, b)) in lanes.iter_mut().zip(both) {
                *lane += weight * (sign * a + b);
            }
        }
        sums.copy_from_slice(&lanes);
    }
}

#[cfg(test)]
mod tests {
    use std::ops::Range;

    use super::*;

    fn point_at(x: usize, y: usize) -> Plane {
        let mut data = vec![0.0; 40 * 30];
        data[y * 40 + x] = 1.0;
        Plane::new(40, 30, data).expect("sizes agree")
    }

    fn filtered(plane: &Plane, filter: &Filter, rows: Range<usize>) -> Vec<Vec<f32>> {
        let sky = Background::flat(40, 30, 0.0, 1.0);
        let mut sweep = Sweep::starting_at(plane, &sky, filter, rows.start);
        let row = |y| {
            let mut row = Vec::new();
            sweep.row(y, &mut row);
            row
        };
        rows.map(row).collect()
    }

    #[test]
    fn filters_keep_the_power_of_white_noise() {
        for filter in [
            Filter::of_stars(1.4),
            Filter::of_places(1.4),
            Filter::of_shapes(1.4),
        ] {
            let rows = filtered(&point_at(20, 15), &filter, 0..30);
            let power: f32 = rows.iter().flatten().map(|v| v * v).sum();
            assert!((power - 1.0).abs() < 1e-5, "{power}");
        }
    }

    #[test]
    fn a_point_becomes_the_weights_right_to_the_edges() {
        let filter = Filter::of_places(1.4);
        let (across, down) = (&filter.rows.half, &filter.columns.half);
        for (x, y) in [(20, 15), (0, 0), (39, 29), (2, 28)] {
            let rows = filtered(&point_at(x, y), &filter, 0..30);
            for (row, column) in (0..30_usize).flat_map(|j| (0..40_usize).map(move |i| (j, i))) {
                let weight = |half: &[f32], off: usize| half.get(off).copied().unwrap_or(0.0);
                // A point to the left lies under the left, negative weights.
                let sign = if column > x { -1.0 } else { 1.0 };
                let expected =
                    sign * weight(across, column.abs_diff(x)) * weight(down, row.abs_diff(y));
                let found = rows[row][column];
                assert!(
                    (found - expected).abs() < 1e-6,
                    "{x} {y}: {found} {expected}"
                );
            }
        }
    }

    #[test]
    fn sweeps_agree_wherever_they_start() {
        let filter = Filter::of_places(1.4);
        let plane = point_at(3, 9);
        let whole = filtered(&plane, &filter, 0..30);
        assert_eq!(whole[8..12], filtered(&plane, &filter, 8..12));
    }
}
