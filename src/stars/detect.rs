//! Matched-filter detection: runs of pixels above the threshold and the peaks among them.

use std::ops::Range;

use rayon::prelude::*;

use super::background::Background;
use super::filter::{Filter, Sweep};
use crate::frame::Plane;

/// Rows that one task filters: enough that the rows which two tasks filter both cost little.
const BAND: usize = 128;

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

/// All pixels whose filtered light exceeds `threshold` (in sigmas of white pixel noise).
pub(super) fn scan(plane: &Plane, sky: &Background, filter: &Filter, threshold: f32) -> Scan {
    let bands: Vec<Scan> = (0..plane.height().div_ceil(BAND))
        .into_par_iter()
        .map(|band| {
            let end = ((band + 1) * BAND).min(plane.height());
            scan_band(plane, sky, filter, threshold, band * BAND, end)
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
    filter: &Filter,
    threshold: f32,
    start: usize,
    end: usize,
) -> Scan {
    let mut sweep = Sweep::starting_at(plane, sky, filter, start.saturating_sub(1));
    let mut rows = Three::default();
    if start > 0 {
        sweep.row(start - 1, &mut rows.here);
    }
    sweep.row(start, &mut rows.below);
    let mut found = Scan::default();
    for y in start..end {
        rows.move_down();
        if y + 1 < plane.height() {
            sweep.row(y + 1, &mut rows.below);
        } else {
            rows.below.clear();
        }
        find_in_row(&rows, y, threshold, &mut found);
    }
    found
}

/// A filtered row with its neighbours, which are empty beyond the frame.
#[derive(Default)]
struct Three {
    above: Vec<f32>,
    here: Vec<f32>,
    below: Vec<f32>,
}

impl Three {
    fn move_down(&mut self) {
        std::mem::swap(&mut self.above, &mut self.here);
        std::mem::swap(&mut self.here, &mut self.below);
    }

    /// Greater than all neighbours before it in reading order, not less than those after it.
    fn is_peak(&self, x: usize) -> bool {
        let row = &self.here;
        let value = row[x];
        let around = x.saturating_sub(1)..(x + 2).min(row.len());
        let above = near(&self.above, &around).iter().any(|v| *v >= value);
        let below = near(&self.below, &around).iter().any(|v| *v > value);
        let before = x > 0 && row[x - 1] >= value;
        let after = x + 1 < row.len() && row[x + 1] > value;
        !(above || below || before || after)
    }
}

fn near<'a>(row: &'a [f32], around: &Range<usize>) -> &'a [f32] {
    row.get(around.clone()).unwrap_or_default()
}

/// Adds the runs and peaks of the middle row.
fn find_in_row(rows: &Three, y: usize, threshold: f32, found: &mut Scan) {
    let row = &rows.here;
    let mut x = 0;
    while let Some(start) = first_above(row, x, threshold) {
        let length = row[start..].iter().take_while(|v| **v > threshold).count();
        x = start + length;
        found.runs.push(Run { y, start, end: x });
        let peaks = (start..x).filter(|x| rows.is_peak(*x));
        found.peaks.extend(peaks.map(|x| Peak {
            x,
            y,
            significance: row[x],
        }));
    }
}

/// First place from `x` on that exceeds the threshold; looked for many pixels at a time.
fn first_above(row: &[f32], x: usize, threshold: f32) -> Option<usize> {
    const LANES: usize = 32;
    let rest = &row[x..];
    let any = |chunk: &[f32]| chunk.iter().fold(false, |any, v| any | (*v > threshold));
    let skipped = LANES * rest.chunks_exact(LANES).take_while(|c| !any(c)).count();
    let place = rest[skipped..].iter().position(|v| *v > threshold)?;
    Some(x + skipped + place)
}

#[cfg(test)]
mod tests {
    use super::super::rendered::{Drawn, Scene, flux_for, picture};
    use super::*;

    #[test]
    fn a_star_is_one_peak_whichever_band_it_lies_in() {
        let scene = Scene {
            width: 200,
            height: 300,
            ..Scene::clear(2.5, 1)
        };
        let flux = flux_for(&scene, (0.0, 0.0), 40.0);
        let star = |x, y| Drawn {
            x,
            y,
            dx: 0.0,
            dy: 0.0,
            flux,
        };
        // One on the border of two bands, one in the frame's corner.
        let truth = [star(50.2, 63.6), star(120.0, 191.5), star(1.0, 298.0)];
        let plane = picture(&scene, &truth);
        let sky = Background::estimate(&plane);
        let found = scan(&plane, &sky, &Filter::of_stars(1.1), 6.0);
        assert_eq!(found.peaks.len(), 3, "{:?}", found.peaks);
        for peak in &found.peaks {
            assert!(
                truth
                    .iter()
                    .any(|t| (t.x - peak.x as f64).hypot(t.y - peak.y as f64) < 1.0),
                "{peak:?}"
            );
            assert!(
                found
                    .runs
                    .iter()
                    .any(|r| r.y == peak.y && (r.start..r.end).contains(&peak.x))
            );
        }
        assert!(
            (36.0..55.0).contains(&found.peaks[0].significance),
            "{:?}",
            found.peaks
        );
    }
}
