//! Which frames were taken with one setting of one lens, and what all of them tell about it.

use rayon::prelude::*;

use super::gather::MeasuredFrame;
use crate::identify::lens::Lens;
use crate::identify::{Identifier, KnownLens, Plate, fit_shared_lens};

/// Frames whose focal lengths agree this well were taken with one setting of one lens; a zoom
/// that slips or a refocus changes it by more (own choice).
const SAME_LENS: f64 = 0.001;
/// Focal lengths that are less well known agree within so many sigmas, but never beyond a limit.
const SAME_SIGMAS: f64 = 2.0;
const SAME_AT_MOST: f64 = 0.01;

/// The lenses of an alignment.
pub struct NightLenses {
    series: Vec<Series>,
}

/// Frames of one size through one lens.
struct Series {
    frames: Vec<usize>,
    known: KnownLens,
}

impl NightLenses {
    /// Groups the frames by their lens.
    pub fn of(frames: &[MeasuredFrame], plates: &[Option<Plate>]) -> Self {
        let mut order: Vec<(usize, &Plate)> = plates
            .iter()
            .enumerate()
            .filter_map(|(idx, plate)| Some((idx, plate.as_ref()?)))
            .collect();
        order.sort_by(|a, b| a.1.focal_sigma.total_cmp(&b.1.focal_sigma));
        let mut series: Vec<(&Plate, Vec<usize>)> = Vec::new();
        for (idx, plate) in order {
            match series.iter_mut().find(|(first, _)| alike(first, plate)) {
                Some((_, members)) => members.push(idx),
                None => series.push((plate, vec![idx])),
            }
        }
        let series = series.into_iter().map(|(first, mut members)| {
            members.sort_unstable();
            Series::new(frames, plates, first, members)
        });
        Self {
            series: series.collect(),
        }
    }

    /// Fits every frame again through the lens of its series.
    pub fn refine(
        &self,
        frames: &[MeasuredFrame],
        plates: &mut [Option<Plate>],
        identifier: &Identifier,
    ) {
        let refined: Vec<(usize, Option<Plate>)> = self
            .series
            .par_iter()
            .filter(|series| series.frames.len() > 1)
            .flat_map(|series| series.frames.par_iter().map(|idx| (*idx, series.known)))
            .map(|(idx, known)| {
                let plate = plates[idx].as_ref();
                let refined =
                    plate.and_then(|plate| identifier.refine(&frames[idx].field, plate, known));
                (idx, refined)
            })
            .collect();
        for (idx, plate) in refined {
            if plate.is_some() {
                plates[idx] = plate;
            }
        }
    }

    /// Lenses that a frame may have been taken with, most likely first.
    pub fn for_frame(
        &self,
        frames: &[MeasuredFrame],
        idx: usize,
    ) -> impl Iterator<Item = (usize, KnownLens)> {
        let mut order: Vec<usize> = (0..self.series.len())
            .filter(|at| self.series[*at].is_possible(frames, idx))
            .collect();
        order.sort_by_key(|at| self.series[*at].distance(idx));
        let field = &frames[idx].field;
        let known = move |at: usize| {
            let known = self.series[at].known;
            let lens = on_frame(known.lens, field.width, field.height);
            (at, KnownLens { lens, ..known })
        };
        order.into_iter().map(known)
    }

    /// Puts a frame that was identified later to its series.
    pub fn take(&mut self, series: usize, idx: usize) {
        self.series[series].frames.push(idx);
    }

    /// Each frame's lens: that of its series, else one that its tags allow, else by its tags.
    pub fn per_frame(
        &self,
        frames: &[MeasuredFrame],
        tagged: &[Option<Lens>],
    ) -> Vec<Option<Lens>> {
        let of = |idx: usize| {
            let own = self.series.iter().find(|s| s.frames.contains(&idx));
            let field = &frames[idx].field;
            let lens = |series: &Series| on_frame(series.known.lens, field.width, field.height);
            own.map(lens)
                .or_else(|| self.for_frame(frames, idx).next().map(|(_, k)| k.lens))
                .or(tagged[idx])
        };
        (0..frames.len()).map(of).collect()
    }
}

impl Series {
    fn new(
        frames: &[MeasuredFrame],
        plates: &[Option<Plate>],
        first: &Plate,
        members: Vec<usize>,
    ) -> Self {
        let views: Vec<_> = members
            .iter()
            .filter_map(|idx| Some((&frames[*idx].field, plates[*idx].as_ref()?)))
            .collect();
        let own = KnownLens {
            lens: first.lens,
            focal_sigma: first.focal_sigma,
            k1_sigma: first.k1_sigma,
            k2_sigma: first.k2_sigma,
        };
        let shared = if views.len() > 1 {
            fit_shared_lens(&views)
        } else {
            None
        };
        Self {
            frames: members,
            known: shared.unwrap_or(own),
        }
    }

    /// A lens goes with a frame whose tags name the same focal length.
    fn is_possible(&self, frames: &[MeasuredFrame], idx: usize) -> bool {
        let focal = |idx: usize| frames[idx].header.optics.focal_length;
        self.frames.iter().any(|own| focal(*own) == focal(idx))
    }

    /// How many frames lie between a frame and the nearest of the series.
    fn distance(&self, idx: usize) -> usize {
        let gaps = self.frames.iter().map(|own| own.abs_diff(idx));
        gaps.min().unwrap_or(usize::MAX)
    }
}

/// The lens as it is on a frame of a size: where the camera was set upright, its centre is not
/// known on the new frame and taken to be the frame's.
fn on_frame(lens: Lens, width: usize, height: usize) -> Lens {
    let centred = lens.centred_on(width, height);
    let offset = centred.center - lens.center;
    let same_size = offset.dx.abs().max(offset.dy.abs()) < NEAR_CENTRE * width.min(height) as f64;
    if same_size { lens } else { centred }
}

/// Share of a frame's shorter side within which a lens's centre lies from the frame's.
const NEAR_CENTRE: f64 = 0.05;

fn alike(first: &Plate, plate: &Plate) -> bool {
    let same_size = first.frame_center.distance(plate.frame_center).px() < 1.0;
    let sigma = first.focal_sigma.hypot(plate.focal_sigma);
    let limit = (SAME_SIGMAS * sigma).clamp(SAME_LENS, SAME_AT_MOST);
    same_size && (plate.lens.focal_px / first.lens.focal_px).ln().abs() < limit
}
