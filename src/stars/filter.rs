//! Separable filters over bands of the plane, in units of the sky's noise.

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

/// Some rows of the filtered plane, in sigmas of white pixel noise.
pub(super) struct Filtered {
    pub(super) start: usize,
    pub(super) end: usize,
    pub(super) width: usize,
    values: Vec<f32>,
}

impl Filtered {
    /// Rows `start..end`: first along rows, then along columns; beyond the frame the sky is empty.
    pub(super) fn of(
        plane: &Plane,
        sky: &Background,
        filter: &Filter,
        start: usize,
        end: usize,
    ) -> Self {
        let (width, reach) = (plane.width(), filter.columns.reach());
        let side = filter.rows.reach();
        let first = start.saturating_sub(reach);
        let last = (end + reach).min(plane.height());
        let mut smooth = vec![0.0; width * (last - first)];
        let mut padded = vec![0.0; width + 2 * side];
        for y in first..last {
            sky.subtract(y, 0, plane.row(y), &mut padded[side..side + width]);
            convolve_row(
                &padded,
                &filter.rows,
                &mut smooth[(y - first) * width..][..width],
            );
        }
        let mut values = vec![0.0; width * (end - start)];
        let mut inverse_noise = vec![0.0; width];
        for y in start..end {
            let out = &mut values[(y - start) * width..][..width];
            for (i, weight) in filter.columns.half.iter().enumerate() {
                let mut add = |y: usize, weight: f32| {
                    accumulate(&smooth[(y - first) * width..][..width], weight, out)
                };
                if y + i < last {
                    add(y + i, *weight);
                }
                if i > 0 && y >= first + i {
                    add(y - i, *weight * filter.columns.left());
                }
            }
            sky.inverse_noise_row(y, &mut inverse_noise);
            out.iter_mut()
                .zip(&inverse_noise)
                .for_each(|(v, n)| *v *= n);
        }
        Self {
            start,
            end,
            width,
            values,
        }
    }

    pub(super) fn row(&self, y: usize) -> &[f32] {
        &self.values[(y - self.start) * self.width..][..self.width]
    }
}

fn convolve_row(padded: &[f32], taps: &Taps, out: &mut [f32]) {
    let (reach, width) = (taps.reach(), out.len());
    let (centre, sign) = (taps.half[0], taps.left());
    out.iter_mut()
        .zip(&padded[reach..])
        .for_each(|(o, v)| *o = centre * v);
    for (i, weight) in taps.half.iter().enumerate().skip(1) {
        let left = &padded[reach - i..][..width];
        let right = &padded[reach + i..][..width];
        for ((o, a), b) in out.iter_mut().zip(left).zip(right) {
            *o += weight * (sign * a + b);
        }
    }
}

fn accumulate(row: &[f32], weight: f32, out: &mut [f32]) {
    out.iter_mut().zip(row).for_each(|(o, v)| *o += weight * v);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point_at(x: usize, y: usize) -> Plane {
        let mut data = vec![0.0; 40 * 30];
        data[y * 40 + x] = 1.0;
        Plane::new(40, 30, data).expect("sizes agree")
    }

    #[test]
    fn filters_keep_the_power_of_white_noise() {
        let sky = Background::flat(40, 30, 0.0, 1.0);
        for filter in [
            Filter::of_stars(1.4),
            Filter::of_places(1.4),
            Filter::of_shapes(1.4),
        ] {
            let filtered = Filtered::of(&point_at(20, 15), &sky, &filter, 0, 30);
            let power: f32 = (0..30)
                .flat_map(|y| filtered.row(y).to_vec())
                .map(|v| v * v)
                .sum();
            assert!((power - 1.0).abs() < 1e-5, "{power}");
        }
    }

    #[test]
    fn bands_agree_with_the_whole() {
        let sky = Background::flat(40, 30, 0.0, 1.0);
        let filter = Filter::of_places(1.4);
        let whole = Filtered::of(&point_at(3, 9), &sky, &filter, 0, 30);
        let band = Filtered::of(&point_at(3, 9), &sky, &filter, 8, 12);
        (8..12).for_each(|y| assert_eq!(whole.row(y), band.row(y)));
    }
}
