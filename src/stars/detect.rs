//! Matched-filter detection: runs of pixels above the threshold and the peaks among them.

use rayon::prelude::*;

use super::background::Background;
use super::filter::{Filter, Filtered};
use crate::frame::Plane;

/// Rows that one task filters: large enough that the halo costs little, small enough to stay in cache.
const BAND: usize = 64;
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
    let halo_start = start.saturating_sub(1);
    let halo_end = (end + 1).min(plane.height());
    let filtered = Filtered::of(plane, sky, filter, halo_start, halo_end);
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
                    .filter(|x| is_peak(&filtered, *x, y))
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

/// Greater than all neighbours before it in reading order, not less than those after it.
fn is_peak(filtered: &Filtered, x: usize, y: usize) -> bool {
    let row = filtered.row(y);
    let value = row[x];
    let (left, right) = (x.saturating_sub(1), (x + 2).min(filtered.width));
    let above = y > filtered.start && filtered.row(y - 1)[left..right].iter().any(|v| *v >= value);
    let below = y + 1 < filtered.end && filtered.row(y + 1)[left..right].iter().any(|v| *v > value);
    let before = x > 0 && row[x - 1] >= value;
    let after = x + 1 < filtered.width && row[x + 1] > value;
    !(above || below || before || after)
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
