//! Connected patches of light: runs joined into shapes, with the moments of what they hold.

use rayon::prelude::*;

use super::background::Background;
use super::detect::{Peak, Run, Scan};
use crate::frame::Plane;
use crate::units::{PixelPoint, PixelTensor};

/// One connected patch above the threshold.
#[derive(Debug, Clone)]
pub(super) struct Component {
    /// Light-weighted middle.
    pub(super) centroid: PixelPoint,
    /// Light-weighted second moments inside the patch, square pixels.
    pub(super) moments: PixelTensor,
    /// Light inside the patch above the sky.
    pub(super) flux: f64,
    /// Brightest pixel of the plane, sky included.
    pub(super) brightest: f32,
    /// Number of pixels.
    pub(super) area: usize,
    /// First column, first row, end column, end row (half-open).
    pub(super) bounds: [usize; 4],
    /// The filtered maxima inside, strongest first.
    pub(super) peaks: Vec<Peak>,
    /// The runs that it is made of.
    pub(super) runs: Vec<Run>,
}

impl Component {
    /// True where the patch comes within `margin` pixels of the frame's edge.
    pub(super) fn near_edge(&self, width: usize, height: usize, margin: usize) -> bool {
        let [x0, y0, x1, y1] = self.bounds;
        x0 < margin || y0 < margin || x1 + margin > width || y1 + margin > height
    }

    /// Extent along a direction (unit vector), in pixels: distance between the outermost pixel centres plus one.
    pub(super) fn extent(&self, along: (f64, f64)) -> (f64, f64) {
        let mut span = (f64::INFINITY, f64::NEG_INFINITY);
        for run in &self.runs {
            for x in [run.start, run.end - 1] {
                let place = (x as f64 - self.centroid.x) * along.0
                    + (run.y as f64 - self.centroid.y) * along.1;
                span = (span.0.min(place), span.1.max(place));
            }
        }
        span
    }
}

/// Joins the runs of a scan into components; touching at corners counts.
pub(super) fn components(plane: &Plane, sky: &Background, scan: &Scan) -> Vec<Component> {
    let labels = label_runs(&scan.runs);
    let count = labels.iter().max().map_or(0, |l| l + 1);
    let mut members: Vec<(Vec<Run>, Vec<Peak>)> = vec![Default::default(); count];
    for (run, label) in scan.runs.iter().zip(&labels) {
        members[*label].0.push(*run);
    }
    for peak in &scan.peaks {
        if let Some(index) = run_of(&scan.runs, peak) {
            members[labels[index]].1.push(*peak);
        }
    }
    members
        .into_par_iter()
        .with_min_len(64)
        .map(|(runs, peaks)| describe(plane, sky, runs, peaks))
        .collect()
}

fn run_of(runs: &[Run], peak: &Peak) -> Option<usize> {
    let after = runs.partition_point(|r| (r.y, r.start) <= (peak.y, peak.x));
    after
        .checked_sub(1)
        .filter(|i| runs[*i].y == peak.y && peak.x < runs[*i].end)
}

/// A label for each run, numbered in reading order of the components' first runs.
fn label_runs(runs: &[Run]) -> Vec<usize> {
    let mut parent: Vec<usize> = (0..runs.len()).collect();
    let mut above = 0;
    for current in 0..runs.len() {
        let run = runs[current];
        while above < current
            && (runs[above].y + 1 < run.y
                || (runs[above].y + 1 == run.y && runs[above].end < run.start))
        {
            above += 1;
        }
        let mut other = above;
        while other < current && runs[other].y + 1 == run.y && runs[other].start <= run.end {
            join(&mut parent, other, current);
            other += 1;
        }
    }
    let mut names = vec![usize::MAX; runs.len()];
    let mut next = 0;
    (0..runs.len())
        .map(|run| {
            let root = root_of(&mut parent, run);
            if names[root] == usize::MAX {
                names[root] = next;
                next += 1;
            }
            names[root]
        })
        .collect()
}

fn root_of(parent: &mut [usize], mut run: usize) -> usize {
    while parent[run] != run {
        parent[run] = parent[parent[run]];
        run = parent[run];
    }
    run
}

fn join(parent: &mut [usize], one: usize, other: usize) {
    let (a, b) = (root_of(parent, one), root_of(parent, other));
    parent[a.max(b)] = a.min(b);
}

fn describe(plane: &Plane, sky: &Background, runs: Vec<Run>, mut peaks: Vec<Peak>) -> Component {
    let first = runs[0];
    let origin = (first.start as f64, first.y as f64);
    let mut sums = [0.0_f64; 6];
    let mut bounds = [usize::MAX, usize::MAX, 0, 0];
    let (mut area, mut brightest) = (0, 0.0_f32);
    for run in &runs {
        let level = sky.level_at(usize::midpoint(run.start, run.end), run.y);
        for (x, value) in (run.start..run.end).zip(&plane.row(run.y)[run.start..run.end]) {
            let light = f64::from((value - level).max(0.0)) + 1e-12;
            let (dx, dy) = (x as f64 - origin.0, run.y as f64 - origin.1);
            for (sum, term) in sums
                .iter_mut()
                .zip([1.0, dx, dy, dx * dx, dx * dy, dy * dy])
            {
                *sum += light * term;
            }
            brightest = brightest.max(*value);
        }
        area += run.end - run.start;
        bounds = [
            bounds[0].min(run.start),
            bounds[1].min(run.y),
            bounds[2].max(run.end),
            bounds[3].max(run.y + 1),
        ];
    }
    let [flux, mx, my, mxx, mxy, myy] = [
        sums[0],
        sums[1] / sums[0],
        sums[2] / sums[0],
        sums[3] / sums[0],
        sums[4] / sums[0],
        sums[5] / sums[0],
    ];
    peaks.sort_by(|a, b| b.significance.total_cmp(&a.significance));
    Component {
        centroid: PixelPoint::new(origin.0 + mx, origin.1 + my),
        moments: PixelTensor::new(mxx - mx * mx, mxy - mx * my, myy - my * my),
        flux,
        brightest,
        area,
        bounds,
        peaks,
        runs,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plane() -> Plane {
        Plane::new(30, 20, vec![1.0; 600]).expect("sizes agree")
    }

    fn joined(runs: Vec<Run>) -> Vec<Component> {
        components(
            &plane(),
            &Background::flat(30, 20, 0.0, 0.1),
            &Scan {
                runs,
                peaks: Vec::new(),
            },
        )
    }

    #[test]
    fn runs_that_touch_at_corners_are_one_patch_and_others_are_not() {
        let run = |y, start, end| Run { y, start, end };
        let patches = joined(vec![
            run(2, 3, 6),
            run(3, 6, 8),
            run(3, 12, 14),
            run(4, 15, 16),
        ]);
        assert_eq!(patches.len(), 3);
        assert_eq!((patches[0].area, patches[0].bounds), (5, [3, 2, 8, 4]));
    }

    #[test]
    fn arms_that_meet_further_down_are_one_patch() {
        let run = |y, start, end| Run { y, start, end };
        let patches = joined(vec![
            run(0, 2, 3),
            run(0, 6, 7),
            run(1, 2, 3),
            run(1, 6, 7),
            run(2, 2, 7),
        ]);
        assert_eq!(patches.len(), 1);
        assert!((patches[0].centroid.x - 4.0).abs() < 1e-9);
    }

    #[test]
    fn extent_runs_from_the_first_to_the_last_pixel() {
        let patch = &joined(vec![Run {
            y: 5,
            start: 10,
            end: 21,
        }])[0];
        let (first, last) = patch.extent((1.0, 0.0));
        assert!((last - first - 10.0).abs() < 1e-9 && (first + last).abs() < 1e-9);
        assert!(!patch.near_edge(30, 20, 5) && patch.near_edge(30, 20, 6));
    }
}
