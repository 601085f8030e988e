//! Each frame's stars identified, and one lens for frames that agree.

use super::gather::MeasuredFrame;
use crate::frame::PitchSource;
use crate::identify::lens::Lens;
use crate::identify::{FocalRange, Hints, Identification, Identifier, Plate};
use crate::sky::{Direction, Icrs};
use crate::units::{Angle, Measured};

/// What identification made of an alignment's frames.
pub struct Plates {
    /// A plate a frame, where its stars were identified.
    pub plates: Vec<Option<Plate>>,
    /// Each frame's lens: fitted where possible, else by tags or options.
    pub lenses: Vec<Option<Lens>>,
}

/// Focal lengths and pixel pitches in tags are nominal: this far off at most.
const NOMINAL: f64 = 0.10;
/// Frames whose focal lengths agree this well were taken with one setting of one lens; a zoom
/// that slips or a refocus changes it by more (own choice).
const SAME_LENS: f64 = 0.004;

/// Identifies all frames of an alignment, each helped by the one before.
///
/// `known` is a plate from elsewhere in the night to start from.
pub fn identify_frames(
    frames: &[MeasuredFrame],
    identifier: &Identifier,
    known: Option<&Plate>,
) -> Plates {
    let tagged: Vec<Option<Lens>> = frames.iter().map(tagged_lens).collect();
    let mut plates: Vec<Option<Plate>> = Vec::with_capacity(frames.len());
    let mut prior = known.cloned();
    for (frame, lens) in frames.iter().zip(&tagged) {
        let found = identify_frame(frame, lens.as_ref(), identifier, prior.as_ref(), None);
        let plate = found.plate().cloned();
        prior = plate.clone().or(prior);
        plates.push(plate);
    }
    let lenses = share_lenses(frames, &plates, &tagged);
    Plates { plates, lenses }
}

impl Plates {
    /// Looks again at frames that were not identified, near a direction that someone gave.
    pub fn look_near(
        &mut self,
        frames: &[MeasuredFrame],
        wanted: &[usize],
        identifier: &Identifier,
        near: (Direction<Icrs>, Angle),
    ) {
        for &idx in wanted {
            if self.plates[idx].is_none() {
                let lens = tagged_lens(&frames[idx]);
                let found =
                    identify_frame(&frames[idx], lens.as_ref(), identifier, None, Some(near));
                if let Some(plate) = found.plate() {
                    self.lenses[idx] = Some(plate.lens);
                }
                self.plates[idx] = found.plate().cloned();
            }
        }
    }
}

/// Identifies a frame by itself, or says why it could not be; `prior` is a plate of another frame
/// to start from.
pub fn identify_alone(
    frame: &MeasuredFrame,
    identifier: &Identifier,
    prior: Option<&Plate>,
) -> Identification {
    let tagged = tagged_lens(frame);
    identify_frame(frame, tagged.as_ref(), identifier, prior, None)
}

fn identify_frame(
    frame: &MeasuredFrame,
    tagged: Option<&Lens>,
    identifier: &Identifier,
    prior: Option<&Plate>,
    near: Option<(Direction<Icrs>, Angle)>,
) -> Identification {
    let try_with = |focal: FocalRange| {
        let hints = Hints {
            near,
            prior: prior.filter(|plate| fits(plate, frame)).cloned(),
            ..Hints::new(focal)
        };
        identifier.identify(&frame.field, &hints)
    };
    let (first, wider) = focal_ranges(frame, tagged);
    let outcome = try_with(first);
    match wider {
        Some(wider) if outcome.plate().is_none() => try_with(wider),
        _ => outcome,
    }
}

/// Focal lengths to search, and those to search after them where the tags are not to be relied on.
fn focal_ranges(frame: &MeasuredFrame, tagged: Option<&Lens>) -> (FocalRange, Option<FocalRange>) {
    let sure = tagged.and_then(|lens| FocalRange::about(lens.focal_px, NOMINAL));
    let (Some(sure), Some(lens)) = (sure, tagged) else {
        return (FocalRange::any(frame.field.width, frame.field.height), None);
    };
    let doubtful = !matches!(
        frame.header.optics.pixel_pitch,
        Some((_, PitchSource::Option | PitchSource::FocalPlaneTags))
    );
    let wider = FocalRange::unsure(lens.focal_px).filter(|_| doubtful);
    (sure, wider)
}

/// A plate helps only with a frame of the same size.
fn fits(plate: &Plate, frame: &MeasuredFrame) -> bool {
    plate.lens.center.distance(frame.field.center()).px() < 1.0
}

/// The lens that tags or options tell.
pub fn tagged_lens(frame: &MeasuredFrame) -> Option<Lens> {
    let optics = &frame.header.optics;
    let (pitch, _) = optics.pixel_pitch?;
    Lens::from_optics(
        optics.focal_length?,
        pitch,
        frame.field.width,
        frame.field.height,
    )
}

/// Replaces each frame's lens by the mean of all that agree with it, weighted by their sigmas; a
/// frame without a plate takes the best plate's lens if its tags name the same focal length.
fn share_lenses(
    frames: &[MeasuredFrame],
    plates: &[Option<Plate>],
    tagged: &[Option<Lens>],
) -> Vec<Option<Lens>> {
    let of = |idx: usize| {
        let own = plates[idx].as_ref();
        let lens = match own {
            Some(plate) => Some(mean_lens(plate, plates)),
            None => lens_by_tags(frames, plates, idx),
        };
        let (width, height) = (frames[idx].field.width, frames[idx].field.height);
        lens.map(|lens| lens.centred_on(width, height))
            .or(tagged[idx])
    };
    (0..frames.len()).map(of).collect()
}

fn mean_lens(own: &Plate, plates: &[Option<Plate>]) -> Lens {
    let agrees = |plate: &&Plate| (plate.lens.focal_px / own.lens.focal_px - 1.0).abs() < SAME_LENS;
    let alike: Vec<&Plate> = plates.iter().flatten().filter(agrees).collect();
    let focal = alike
        .iter()
        .map(|p| Measured::new(p.lens.focal_px, p.focal_sigma * p.lens.focal_px));
    let k1 = alike.iter().map(|p| Measured::new(p.lens.k1, p.k1_sigma));
    Lens {
        focal_px: weighted_mean(focal),
        k1: weighted_mean(k1),
        center: own.lens.center,
    }
}

fn weighted_mean(values: impl Iterator<Item = Measured<f64>>) -> f64 {
    let (mut sum, mut weights) = (0.0, 0.0);
    for measured in values {
        let weight = measured.sigma.max(1e-12).powi(-2);
        sum += weight * measured.value;
        weights += weight;
    }
    sum / weights
}

fn lens_by_tags(frames: &[MeasuredFrame], plates: &[Option<Plate>], idx: usize) -> Option<Lens> {
    let focal = frames[idx].header.optics.focal_length;
    let same = |other: &usize| frames[*other].header.optics.focal_length == focal;
    let best = (0..frames.len())
        .filter(same)
        .filter_map(|other| plates[other].as_ref());
    let best = best.min_by(|a, b| a.focal_sigma.total_cmp(&b.focal_sigma))?;
    Some(best.lens)
}
