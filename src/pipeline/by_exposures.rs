//! Lenses told from trails where frames of different exposure allow it.

use super::gather::MeasuredFrame;
use crate::identify::Plate;
use crate::identify::pointing::Pointing;
use crate::stars::{Exposed, FrameTrail, LensOverExposures, StarField, lens_over_exposures};
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
    let mut firsts: Vec<(usize, &Plate)> = Vec::new();
    let mut stands = Vec::with_capacity(plates.len());
    for (number, plate) in plates.iter().enumerate() {
        let stand = plate.map(|plate| {
            let same = firsts.iter().find(|first| is_same_sight(first.1, plate));
            same.map_or(number, |first| first.0)
        });
        if let Some(plate) = plate.filter(|_| stand == Some(number)) {
            firsts.push((number, plate));
        }
        stands.push(stand);
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

/// Gives the frames of an alignment the lens that their different exposures tell.
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
    }
    found
}

/// The trail that a perfect lens would show in a frame, where its own is seen to leave stars out of round
/// at the centre.
pub(super) fn perfect_trail(found: &[LensOverExposures], frame: usize) -> Option<FrameTrail> {
    let seen = found.iter().filter(|lens| is_seen_at_center(lens));
    let mut trails = seen.flat_map(|lens| &lens.trails);
    trails.find_map(|(number, trail)| (*number == frame).then_some(*trail))
}

/// Whether a lens leaves stars out of round at the centre beyond doubt.
pub(super) fn is_seen_at_center(lens: &LensOverExposures) -> bool {
    lens.center_significance() > SURE
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::identify::lens::Lens;
    use crate::sky::Rotation;
    use crate::stars::{LensShape, Stretch};
    use crate::units::{Measured, PixelPoint, PixelVector, Pixels};
    use nalgebra::{Matrix3, Rotation3};

    /// A view 1200 x 800 px through 600 px of focal length, turned by small angles about the picture's
    /// axes, degrees.
    fn view(right: f64, down: f64, about: f64) -> Plate {
        let center = PixelPoint::new(599.5, 399.5);
        let [right, down, about] = [right, down, about].map(f64::to_radians);
        Plate {
            lens: Lens {
                focal_px: 600.0,
                center,
                k1: 0.0,
                k2: 0.0,
            },
            focal_sigma: 1e-3,
            k1_sigma: 0.01,
            attitude: Rotation::new(Rotation3::from_euler_angles(right, down, about)),
            attitude_covariance: Matrix3::identity() * 1e-8,
            matches: Vec::new(),
            rms: Pixels::new(0.3),
            log10_chance: -50.0,
            k2_sigma: 0.01,
            frame_center: center,
        }
    }

    #[test]
    fn frames_that_look_the_same_way_are_of_one_stand() {
        // A tenth of the diagonal is 13.8 degrees, a tenth of a radian 5.7.
        let views = [
            view(0.0, 0.0, 0.0),
            view(5.0, 0.0, 0.0),
            view(0.0, 0.0, 5.0),
            view(0.0, 0.0, 6.0),
            view(0.0, 6.0, 0.0),
            view(0.5, 0.0, 6.5),
        ];
        let mut plates: Vec<Option<&Plate>> = views.iter().map(Some).collect();
        plates.insert(1, None);
        let stands = stands_by_sight(&plates);
        assert_eq!(
            stands,
            [0, -1, 0, 0, 4, 5, 4].map(|n| usize::try_from(n).ok())
        );
    }

    fn told(center_sigma_deg: f64) -> LensOverExposures {
        let trail = |length: f64, sigma_deg: f64| {
            let vector = PixelVector::new(length, 0.0);
            FrameTrail::seen(vector, 0.1, Angle::from_deg(sigma_deg))
        };
        LensOverExposures {
            frames: vec![2, 5],
            exposures: [10.0, 40.0].map(Seconds::new),
            at_center: trail(0.8, center_sigma_deg),
            corner: LensShape {
                corner: Measured::new(Pixels::new(2.0), Pixels::new(0.2)),
                stretch: Stretch::Around,
                turn_told: true,
            },
            trails: vec![(2, trail(0.3, 10.0)), (5, trail(1.2, 3.0))],
        }
    }

    #[test]
    fn trails_of_a_perfect_lens_are_taken_where_the_lens_is_seen_at_the_centre() {
        // Half a radian over the sigmas of the elongation.
        let seen = [told(9.0)];
        let length = |frame| perfect_trail(&seen, frame).map(|trail| trail.length.value.px());
        assert_eq!([2, 5, 0].map(length), [Some(0.3), Some(1.2), None]);
        assert_eq!(perfect_trail(&[told(10.0)], 2), None);
    }
}
