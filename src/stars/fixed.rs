//! Light that stays on its pixel while the stars move: warm pixels that are as wide as stars.

use std::collections::HashMap;

use super::StarField;
use crate::units::PixelPoint;

/// A pixel's light is found within this many pixels of where it was; stars that moved are further off.
const SAME_PIXEL: f64 = 0.35;
/// Stars of frames that moved against each other have no counterpart this near, pixels ...
const MOVED: f64 = 3.0;
/// ... but for this share of them, by chance or because they are no stars.
const BY_CHANCE: f64 = 0.3;
/// Fewer stars than this do not tell whether a frame moved.
const FEWEST: usize = 8;
/// Views of the sky that light must stay through. Two do not tell: any two stars may come to stand alike.
const VIEWS: usize = 3;
/// Views that are compared; the first of them are all that a long night needs.
const MOST_VIEWS: usize = 12;

/// Leaves out of all frames what stays on its pixel through three views of the sky that moved against each
/// other; they count as hot pixels. Tells how many lights were left out, over all frames.
///
/// Frames of one sensor, all of one size. A night that follows its stars shows one view, and nothing is
/// left out.
pub fn leave_out_fixed(fields: &mut [&mut StarField]) -> usize {
    let views = views(fields);
    if views.len() < VIEWS {
        return 0;
    }
    let fixed = Places::of(standing(fields, &views));
    let mut n_left_out = 0;
    for field in fields.iter_mut() {
        let before = field.stars.len();
        field
            .stars
            .retain(|star| !fixed.holds(star.position, SAME_PIXEL));
        let left_out = before - field.stars.len();
        field.rejected.hot_pixels += left_out;
        n_left_out += left_out;
    }
    n_left_out
}

/// A frame of each view of the sky.
fn views(fields: &[&mut StarField]) -> Vec<usize> {
    let mut views: Vec<(usize, Places)> = Vec::new();
    for (at, field) in fields.iter().enumerate() {
        if field.stars.len() < FEWEST || views.len() == MOST_VIEWS {
            continue;
        }
        if views.iter().all(|(_, seen)| has_moved(field, seen)) {
            views.push((at, Places::of(places(field))));
        }
    }
    views.into_iter().map(|(at, _)| at).collect()
}

fn has_moved(field: &StarField, seen: &Places) -> bool {
    let near = places(field)
        .filter(|place| seen.holds(*place, MOVED))
        .count();
    (near as f64) < BY_CHANCE * field.stars.len() as f64
}

/// Places that shine in three of the views at least.
fn standing(fields: &[&mut StarField], views: &[usize]) -> impl Iterator<Item = PixelPoint> {
    let all: Vec<Places> = views
        .iter()
        .map(|&at| Places::of(places(fields[at])))
        .collect();
    let mut standing = Vec::new();
    for &view in views {
        let count = |place: &PixelPoint| all.iter().filter(|v| v.holds(*place, SAME_PIXEL)).count();
        standing.extend(places(fields[view]).filter(|place| count(place) >= VIEWS));
    }
    standing.into_iter()
}

fn places(field: &StarField) -> impl Iterator<Item = PixelPoint> {
    field.stars.iter().map(|star| star.position)
}

/// Places sorted into squares of [`MOVED`] pixels.
struct Places(HashMap<(i64, i64), Vec<PixelPoint>>);

impl Places {
    fn of(places: impl Iterator<Item = PixelPoint>) -> Self {
        let mut squares: HashMap<(i64, i64), Vec<PixelPoint>> = HashMap::new();
        for place in places {
            squares.entry(square(place)).or_default().push(place);
        }
        Self(squares)
    }

    /// Whether one of them is within `reach`, [`MOVED`] at most, of a place.
    fn holds(&self, place: PixelPoint, reach: f64) -> bool {
        let (column, row) = square(place);
        (-1..=1)
            .flat_map(|dy| (-1..=1).map(move |dx| (column + dx, row + dy)))
            .filter_map(|square| self.0.get(&square))
            .flatten()
            .any(|other| other.distance(place).px() < reach)
    }
}

fn square(place: PixelPoint) -> (i64, i64) {
    (
        (place.x / MOVED).floor() as i64,
        (place.y / MOVED).floor() as i64,
    )
}

#[cfg(test)]
mod tests {
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    use super::super::{Quality, Star};
    use super::*;
    use crate::units::{Measured, PixelTensor};

    fn star(x: f64, y: f64) -> Star {
        Star {
            position: PixelPoint::new(x, y),
            position_covariance: PixelTensor::new(0.01, 0.0, 0.01),
            flux: Measured::new(1.0, 0.05),
            peak: 0.1,
            moments: PixelTensor::new(1.2, 0.0, 1.2),
            moments_sigma: PixelTensor::new(0.1, 0.1, 0.1),
            trail: None,
            quality: Quality::default(),
        }
    }

    fn field(stars: Vec<Star>) -> StarField {
        StarField::holding(1200, 800, stars)
    }

    /// 200 stars that move by `step` pixels a frame, and 12 warm pixels, all with a tenth of a pixel of noise.
    fn night(n_frames: usize, step: f64) -> Vec<StarField> {
        let mut dice = ChaCha8Rng::seed_from_u64(5);
        let mut at = || {
            (
                dice.random_range(0.0..1200.0),
                dice.random_range(0.0..800.0),
            )
        };
        let stars: Vec<(f64, f64)> = (0..200).map(|_| at()).collect();
        let warm: Vec<(f64, f64)> = (0..12).map(|_| at()).collect();
        let mut shaken = |x: f64, y: f64| {
            let mut by = || dice.random_range(-0.1..0.1);
            star(x + by(), y + by())
        };
        (0..n_frames)
            .map(|frame| {
                let moved = step * frame as f64;
                let moving = stars.iter().map(|(x, y)| (x + moved, y + 0.5 * moved));
                field(
                    moving
                        .chain(warm.iter().copied())
                        .map(|(x, y)| shaken(x, y))
                        .collect(),
                )
            })
            .collect()
    }

    fn left(mut frames: Vec<StarField>) -> (usize, Vec<StarField>) {
        let n_left_out = leave_out_fixed(&mut frames.iter_mut().collect::<Vec<_>>());
        (n_left_out, frames)
    }

    #[test]
    fn what_stays_while_the_stars_move_is_left_out() {
        let (n_left_out, frames) = left(night(5, 7.0));
        assert_eq!(n_left_out, 60);
        for frame in &frames {
            assert_eq!(frame.stars.len(), 200);
            assert_eq!(frame.rejected.hot_pixels, 12);
        }
    }

    #[test]
    fn stars_that_are_followed_are_kept() {
        for step in [0.0, 0.05, 0.3] {
            assert_eq!(left(night(8, step)).0, 0, "{step} px a frame");
        }
    }

    #[test]
    fn two_views_do_not_tell() {
        assert_eq!(left(night(2, 40.0)).0, 0);
    }

    #[test]
    fn stars_that_come_back_are_kept() {
        // Two fields in turns: a star stands alike in every second frame, in one view of the sky.
        let mut frames = night(3, 40.0);
        let back = frames[0].clone();
        frames.extend([back.clone(), back]);
        let (n_left_out, frames) = left(frames);
        assert_eq!(n_left_out, 60);
        assert!(frames.iter().all(|frame| frame.stars.len() == 200));
    }

    #[test]
    fn frames_of_few_stars_are_no_views() {
        let few = |x: f64| field((0..5).map(|k| star(x + 30.0 * f64::from(k), 9.0)).collect());
        assert_eq!(left(vec![few(0.0), few(11.0), few(25.0), few(0.0)]).0, 0);
        assert_eq!(left(Vec::new()).0, 0);
    }
}
