//! Each frame's stars identified, and one lens for frames that agree.

use super::gather::MeasuredFrame;
use super::lenses::NightLenses;
use crate::frame::PitchSource;
use crate::identify::lens::Lens;
use crate::identify::{FocalRange, Hints, Identification, Identifier, Plate};
use crate::sky::{Direction, Icrs};
use crate::units::Angle;

/// What identification made of an alignment's frames.
pub struct Plates {
    /// A plate a frame, where its stars were identified.
    pub plates: Vec<Option<Plate>>,
    /// Each frame's lens: fitted where possible, else by tags or options.
    pub lenses: Vec<Option<Lens>>,
}

/// Focal lengths and pixel pitches in tags are nominal: this far off at most.
const NOMINAL: f64 = 0.10;
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
    let mut lenses = NightLenses::of(frames, &plates);
    lenses.refine(frames, &mut plates, identifier);
    look_again(frames, &mut plates, &mut lenses, identifier);
    let lenses = lenses.per_frame(frames, &tagged);
    Plates { plates, lenses }
}

/// Looks again at frames that were not identified, with the lens that the others tell, and once more
/// where that brought a frame closer by.
fn look_again(
    frames: &[MeasuredFrame],
    plates: &mut [Option<Plate>],
    lenses: &mut NightLenses,
    identifier: &Identifier,
) {
    let mut looked_beside: Vec<Option<usize>> = vec![None; frames.len()];
    for idx in (0..frames.len()).chain(0..frames.len()) {
        let Some(nearest) = nearest(plates, idx) else {
            return;
        };
        if plates[idx].is_some() || looked_beside[idx] == Some(nearest) {
            continue;
        }
        looked_beside[idx] = Some(nearest);
        let beside = plates[nearest].as_ref();
        let beside = beside.filter(|plate| fits(plate, &frames[idx]));
        let found = lenses.for_frame(frames, idx).find_map(|(series, known)| {
            let hints = Hints {
                prior: beside.cloned(),
                ..Hints::with_lens(known)?
            };
            let found = identifier.identify(&frames[idx].field, &hints);
            Some((series, found.plate()?.clone()))
        });
        if let Some((series, plate)) = found {
            lenses.take(series, idx);
            plates[idx] = Some(plate);
        }
    }
}

/// The identified frame that was taken soonest before or after.
fn nearest(plates: &[Option<Plate>], idx: usize) -> Option<usize> {
    let known = (0..plates.len()).filter(|other| plates[*other].is_some());
    known.min_by_key(|other| other.abs_diff(idx))
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
    plate.frame_center.distance(frame.field.center()).px() < 1.0
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
