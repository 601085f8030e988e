//! Matched-filter detection: runs of pixels above the threshold and the peaks among them.

use rayon::prelude::*;

use super::background::Background;
use crate::frame::Plane;

/// Rows that one task filters: large enough that the halo costs little, small enough to stay in cache.
const BAND: usize = 64;
/// The filter reaches out to this many of its sigmas; the rest of a Gaussian holds 0.3 % of its light.
const FILTER_REACH: f32 = 3.0;

/// A round Gaussian filter, normalised so that white pixel noise of one sigma leaves with one sigma.
#[derive(Debug, Clone)]
pub(super) struct Kernel {
    /// Right half with the centre first.
    half: Vec<f32>,
}

impl Kernel {
    /// For stars of this Gaussian width in pixels.
    pub(super) fn gaussian(sigma: f32) -> Self {
        let reach = (FILTER_REACH * sigma).ceil().max(1.0) as usize;
        let shape = |i: usize| (-0.5 * (i as f32 / sigma).powi(2)).exp();
        let mut half: Vec<f32> = (0..=reach).map(shape).collect();
        let squares = half[0] * half[0] + 2.0 * half[1..].iter().map(|k| k * k).sum::<f32>();
        half.iter_mut().for_each(|k| *k /= squares.sqrt());
        Self { half }
    }

    fn reach(&self) -> usize {
        self.half.len() - 1
    }
}

/// Neighbouring pixels of one row above the threshold, half-open.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Run {
    pub(super) y: usize,
    pub(super) start: usize,
    pub(super) end: usize,
}

/// A local maximum of the filtered plane, above the threshold.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Peak {
    pub(super) x: usize,
    pub(super) y: usize,
    /// Response in units of its noise.
    pub(super) significance: f32,
}

/// What stands out of the noise, row by row from the top.
#[derive(Debug, Clone, Default)]
pub(super) struct Scan {
    pub(super) runs: Vec<Run>,
    pub(super) peaks: Vec<Peak>,
}

/// Scatter of the filtered sky in units of what white pixel noise would give.
///
/// Noise reduction and demosaicing leave neighbours alike (above 1), sharpening sets them apart
/// (below 1). Sampled on bands over the whole frame; the lower half of the values only, because stars add.
pub(super) fn correlation_factor(plane: &Plane, sky: &Background, kernel: &Kernel) -> f32 {
    const BANDS: usize = 16;
    const ROWS: usize = 4;
    let mut values: Vec<f32> = (0..BANDS)
        .into_par_iter()
        .flat_map_iter(|band| {
            let y = (2 * band + 1) * plane.height() / (2 * BANDS);
            let filtered = Filtered::of(plane, sky, kernel, y, (y + ROWS).min(plane.height()));
            (y..filtered.end)
                .flat_map(|y| {
                    filtered
                        .row(y)
                        .iter()
                        .copied()
                        .step_by(5)
                        .collect::<Vec<_>>()
                })
                .collect::<Vec<_>>()
        })
        .collect();
    let mut at = |share: f32| {
        let index = (share * (values.len() - 1) as f32) as usize;
        *values.select_nth_unstable_by(index, f32::total_cmp).1
    };
    let (low, middle) = (at(0.159), at(0.5));
    (middle - low).clamp(0.3, 10.0)
}

/// All pixels whose filtered light exceeds `threshold` (in sigmas of white pixel noise).
pub(super) fn scan(plane: &Plane, sky: &Background, kernel: &Kernel, threshold: f32) -> Scan {
    let bands: Vec<Scan> = (0..plane.height().div_ceil(BAND))
        .into_par_iter()
        .map(|band| {
            let end = ((band + 1) * BAND).min(plane.height());
            scan_band(plane, sky, kernel, threshold, band * BAND, end)
        })
        .collect();
    let mut all = Scan::default();
    for band in bands {
        all.runs.extend(band.runs);
        all.peaks.extend(band.peaks);
    }
    all
}

fn scan_band(
    plane: &Plane,
    sky: &Background,
    kernel: &Kernel,
    threshold: f32,
    start: usize,
    end: usize,
) -> Scan {
    let halo_start = start.saturating_sub(1);
    let halo_end = (end + 1).min(plane.height());
    let filtered = Filtered::of(plane, sky, kernel, halo_start, halo_end);
    let mut found = Scan::default();
    for y in start..end {
        let row = filtered.row(y);
        let mut x = 0;
        while let Some(first) = row[x..].iter().position(|v| *v > threshold) {
            let first = x + first;
            let length = row[first..].iter().take_while(|v| **v > threshold).count();
            x = first + length;
            found.runs.push(Run {
                y,
                start: first,
                end: x,
            });
            found.peaks.extend(
                (first..x)
                    .filter(|x| filtered.is_peak(*x, y))
                    .map(|x| Peak {
                        x,
                        y,
                        significance: row[x],
                    }),
            );
        }
    }
    found
}

/// Some rows of the filtered plane, in sigmas of white pixel noise.
struct Filtered {
    start: usize,
    end: usize,
    width: usize,
    values: Vec<f32>,
}

impl Filtered {
    /// Rows `start..end`: first along rows, then along columns; beyond the frame the sky is empty.
    fn of(plane: &Plane, sky: &Background, kernel: &Kernel, start: usize, end: usize) -> Self {
        let (width, reach) = (plane.width(), kernel.reach());
        let first = start.saturating_sub(reach);
        let last = (end + reach).min(plane.height());
        let mut smooth = vec![0.0; width * (last - first)];
        let mut padded = vec![0.0; width + 2 * reach];
        for y in first..last {
            sky.subtract(y, 0, plane.row(y), &mut padded[reach..reach + width]);
            convolve_row(&padded, kernel, &mut smooth[(y - first) * width..][..width]);
        }
        let mut values = vec![0.0; width * (end - start)];
        let mut inverse_noise = vec![0.0; width];
        for y in start..end {
            let out = &mut values[(y - start) * width..][..width];
            for (i, weight) in kernel.half.iter().enumerate() {
                let mut add =
                    |y: usize| accumulate(&smooth[(y - first) * width..][..width], *weight, out);
                if y + i < last {
                    add(y + i);
                }
                if i > 0 && y >= first + i {
                    add(y - i);
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

    fn row(&self, y: usize) -> &[f32] {
        &self.values[(y - self.start) * self.width..][..self.width]
    }

    /// Greater than all neighbours before it in reading order, not less than those after it.
    fn is_peak(&self, x: usize, y: usize) -> bool {
        let value = self.row(y)[x];
        let (left, right) = (x.saturating_sub(1), (x + 2).min(self.width));
        let above = y > self.start && self.row(y - 1)[left..right].iter().any(|v| *v >= value);
        let below = y + 1 < self.end && self.row(y + 1)[left..right].iter().any(|v| *v > value);
        let before = x > 0 && self.row(y)[x - 1] >= value;
        let after = x + 1 < self.width && self.row(y)[x + 1] > value;
        !(above || below || before || after)
    }
}

fn convolve_row(padded: &[f32], kernel: &Kernel, out: &mut [f32]) {
    let (reach, width) = (kernel.reach(), out.len());
    let centre = kernel.half[0];
    out.iter_mut()
        .zip(&padded[reach..])
        .for_each(|(o, v)| *o = centre * v);
    for (i, weight) in kernel.half.iter().enumerate().skip(1) {
        let left = &padded[reach - i..][..width];
        let right = &padded[reach + i..][..width];
        for ((o, a), b) in out.iter_mut().zip(left).zip(right) {
            *o += weight * (a + b);
        }
    }
}

fn accumulate(row: &[f32], weight: f32, out: &mut [f32]) {
    out.iter_mut().zip(row).for_each(|(o, v)| *o += weight * v);
}
