//! Lenses told from trails where frames of different exposure allow it.

use super::gather::MeasuredFrame;
use crate::identify::Plate;
use crate::identify::lens::Lens;
use crate::identify::pointing::Pointing;
use crate::stars::{Exposed, LensOverExposures, lens_over_exposures};
use crate::units::{Angle, Length};

/// Frames whose centres lie within this share of their diagonal ...
const SAME_CENTER: f64 = 0.1;
/// ... and whose tops point the same way were taken with the camera in one place (own choice: trails are
/// alike there).
const SAME_TOP: Angle = Angle::from_rad(0.1);
/// Focal lengths of one setting differ by less, share of them: those of a zoom differ by more.
const SAME_FOCAL: f64 = 0.01;
/// Stars of one aperture and focus are as wide up to this share (own choice).
const SAME_WIDTH: f64 = 0.15;
/// Half diagonal over focal length beyond which a trail over the field is more than a shift and a turn: a
/// flat picture stretches it by the square of this, a quarter (own choice; 43 mm on a 36 x 24 mm sensor).
const WIDEST: f64 = 0.5;

/// A frame, and what shows which others share its lens and its place on the tracker.
pub(super) struct Candidate<'a> {
    /// Its number, by which the answers name it.
    pub(super) number: usize,
    /// By stands of the camera on the tracker.
    pub(super) exposed: Exposed<'a>,
    pub(super) focal_length: Option<Length>,
    /// By the stars or by tags.
    pub(super) focal_px: f64,
}

/// What each lens shows over frames of different exposure.
pub(super) fn by_exposures(candidates: Vec<Candidate<'_>>) -> Vec<LensOverExposures> {
    let lens = |one: &Candidate<'_>| {
        (
            one.exposed.field.width,
            one.exposed.field.height,
            one.focal_length,
        )
    };
    let mut lenses: Vec<Vec<Candidate<'_>>> = Vec::new();
    for one in candidates.into_iter().filter(is_narrow) {
        match lenses.iter_mut().find(|same| lens(&same[0]) == lens(&one)) {
            Some(same) => same.push(one),
            None => lenses.push(vec![one]),
        }
    }
    lenses.into_iter().filter_map(of_lens).collect()
}

fn of_lens(mut frames: Vec<Candidate<'_>>) -> Option<LensOverExposures> {
    let width = |one: &Candidate<'_>| Some(one.exposed.field.fwhm?.value.px());
    let mut widths: Vec<f64> = frames.iter().filter_map(width).collect();
    widths.sort_by(f64::total_cmp);
    let usual = *widths.get(widths.len() / 2)?;
    frames.retain(|one| width(one).is_some_and(|width| (width / usual - 1.0).abs() < SAME_WIDTH));
    let exposed: Vec<Exposed<'_>> = frames.iter().map(|one| one.exposed).collect();
    let mut found = lens_over_exposures(&exposed)?;
    let trails = found.trails.iter_mut().map(|trail| &mut trail.0);
    for number in found.frames.iter_mut().chain(trails) {
        *number = frames[*number].number;
    }
    Some(found)
}

fn is_narrow(one: &Candidate<'_>) -> bool {
    let half = 0.5 * (one.exposed.field.width as f64).hypot(one.exposed.field.height as f64);
    half < WIDEST * one.focal_px
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
    let focal = other.lens.focal_px / first.lens.focal_px;
    let turned = first.attitude.inner().inverse() * other.attitude.inner();
    first.center().separation(other.center()) < field * SAME_CENTER
        && turned.angle() < SAME_TOP.rad()
        && (focal - 1.0).abs() < SAME_FOCAL
}

/// Gives the frames of an alignment the pattern off the centre that their different exposures tell.
///
/// What they say of the centre is left to `measure`: in a night the motion between frames knows it better.
pub(super) fn tell_lens_apart(
    frames: &mut [MeasuredFrame],
    pointings: &[Pointing],
    lenses: &[Option<Lens>],
) -> Vec<LensOverExposures> {
    let stand = |frame: usize| pointings.iter().position(|one| one.frames.contains(&frame));
    let by_number = frames.iter().zip(lenses).enumerate();
    let candidates = by_number.filter_map(|(number, (frame, lens))| {
        Some(Candidate {
            number,
            exposed: Exposed {
                field: &frame.field,
                length: frame.header.exposure?,
                stand: stand(number)?,
                developed: frame.header.developed,
            },
            focal_length: frame.header.optics.focal_length,
            focal_px: lens.as_ref()?.focal_px,
        })
    });
    let found = by_exposures(candidates.collect());
    for lens in &found {
        for number in &lens.frames {
            let own = &mut frames[*number].field.lens;
            *own = own.map(|_| lens.corner);
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sky::Rotation;
    use crate::units::{PixelPoint, Pixels};
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
}
