//! Lenses told from trails where frames of different exposure allow it.

use super::gather::MeasuredFrame;
use crate::identify::Plate;
use crate::identify::pointing::Pointing;
use crate::stars::{Exposed, LensOverExposures, StarField, lens_over_exposures};
use crate::units::{Angle, Length, Seconds};

/// A lens leaves stars out of round at the centre where their elongation is so many sigmas.
const SURE: f64 = 3.0;
/// Frames whose centres lie within this share of their diagonal ...
const SAME_CENTER: f64 = 0.1;
/// ... and whose tops point the same way were taken with the camera in one place (own choice: trails are
/// alike there).
const SAME_TOP: Angle = Angle::from_rad(0.1);

/// A frame, and what shows which others share its lens and its place on the tracker.
pub(super) struct Candidate<'a> {
    pub(super) field: &'a StarField,
    pub(super) exposure: Option<Seconds>,
    pub(super) focal_length: Option<Length>,
    /// Frames of one number were taken with the camera in one place.
    pub(super) stand: usize,
}

/// What each lens shows over frames of different exposure; numbers of frames are those given.
pub(super) fn by_exposures(candidates: &[Option<Candidate<'_>>]) -> Vec<LensOverExposures> {
    let lens = |one: &Candidate<'_>| (one.field.width, one.field.height, one.focal_length);
    let mut lenses: Vec<Vec<usize>> = Vec::new();
    for (number, one) in candidates.iter().enumerate() {
        let Some(one) = one else { continue };
        let same = lenses.iter_mut().find(|numbers| {
            let first = candidates[numbers[0]].as_ref();
            first.is_some_and(|first| lens(first) == lens(one))
        });
        match same {
            Some(numbers) => numbers.push(number),
            None => lenses.push(vec![number]),
        }
    }
    lenses
        .into_iter()
        .filter_map(|numbers| of_lens(candidates, &numbers))
        .collect()
}

fn of_lens(candidates: &[Option<Candidate<'_>>], numbers: &[usize]) -> Option<LensOverExposures> {
    let (mut stands, mut frames, mut exposed) = (Vec::new(), Vec::new(), Vec::new());
    for &number in numbers {
        let Some(one) = &candidates[number] else {
            continue;
        };
        let Some(length) = one.exposure else { continue };
        if !stands.contains(&one.stand) {
            stands.push(one.stand);
        }
        frames.push(number);
        exposed.push(Exposed {
            field: one.field,
            length,
            stand: stands.iter().position(|stand| *stand == one.stand)?,
        });
    }
    let mut found = lens_over_exposures(&exposed)?;
    let numbers = found.frames.iter_mut();
    numbers
        .chain(found.trails.iter_mut().map(|trail| &mut trail.0))
        .for_each(|number| *number = frames[*number]);
    Some(found)
}

/// Numbers of the places that the camera looked from, by what identified frames show; `None` for others.
pub(super) fn stands_by_sight(plates: &[Option<&Plate>]) -> Vec<Option<usize>> {
    let mut stands: Vec<Option<usize>> = Vec::with_capacity(plates.len());
    for plate in plates {
        let same = |first: &Option<&Plate>| {
            first
                .zip(*plate)
                .is_some_and(|(first, plate)| is_same_sight(first, plate))
        };
        // The frame itself at the latest.
        let first = plates.iter().position(same);
        stands.push(first.map(|first| stands.get(first).copied().flatten().unwrap_or(first)));
    }
    stands
}

fn is_same_sight(first: &Plate, other: &Plate) -> bool {
    let diagonal = 2.0 * first.frame_center.x.hypot(first.frame_center.y);
    let field = first.lens.pixel_scale() * diagonal;
    let turned = first.attitude.inner().inverse() * other.attitude.inner();
    first.center().separation(other.center()) < field * SAME_CENTER
        && turned.angle() < SAME_TOP.rad()
}

/// Gives the frames of an alignment the lens that their different exposures tell, and, where it leaves
/// stars out of round at the centre, the trails that a perfect one would show.
pub(super) fn tell_lens_apart(
    frames: &mut [MeasuredFrame],
    pointings: &[Pointing],
) -> Vec<LensOverExposures> {
    let stand = |frame: usize| pointings.iter().position(|one| one.frames.contains(&frame));
    let frames_by_number = frames.iter().enumerate();
    let candidates: Vec<_> = frames_by_number
        .map(|(number, frame)| {
            Some(Candidate {
                field: &frame.field,
                exposure: frame.header.exposure,
                focal_length: frame.header.optics.focal_length,
                stand: stand(number)?,
            })
        })
        .collect();
    let found = by_exposures(&candidates);
    for lens in &found {
        for number in &lens.frames {
            let own = &mut frames[*number].field.lens;
            *own = own.map(|_| lens.corner);
        }
        if is_seen_at_center(lens) {
            for (number, trail) in &lens.trails {
                frames[*number].field.trail = Some(*trail);
            }
        }
    }
    found
}

/// Whether a lens leaves stars out of round at the centre beyond doubt.
pub(super) fn is_seen_at_center(lens: &LensOverExposures) -> bool {
    lens.center_significance() > SURE
}
