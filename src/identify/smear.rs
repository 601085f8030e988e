//! How far the stars ran while the shutter was open, from their shapes.
//!
//! A star's measured place is the mean of its light, and a path across the frame is bent: the mean
//! lies beside the middle of the path by half of its bend times the variance along it. Where all
//! frames are alike this cancels, else (a slip, a start with backlash) it turns frames against each
//! other: a path of 900" is bent by 0.2".

use super::attitude::Evolve;
use super::lens::Lens;
use super::scatter::median;
use crate::sky::{Camera, Horizon, Rotation};
use crate::stars::{Star, StarField};
use crate::units::{PixelVector, Seconds};

/// Time by which the sky's motion is asked for, either way.
const STEP: Seconds = Seconds::new(1.0);
/// Variances along paths shorter than this, pixels: no path to speak of is bent.
const SHORTEST_PX: f64 = 1.0;

/// Standard deviation of the light along the stars' paths, as the time in which the sky runs so far.
///
/// Method: the difference of a star's second moments along and across the daily motion, in which a
/// round image cancels, over the square of its speed; median of the faster half of the clean stars.
/// Output: zero where the stars are round or too few.
pub(super) fn smear_of(
    field: &StarField,
    lens: &Lens,
    attitude: &Rotation<Camera, Horizon>,
    evolve: &Evolve<'_>,
) -> Seconds {
    let to_camera = attitude.inverse();
    let speed = |star: &Star| {
        let seen = attitude.apply(lens.direction(star.position));
        let at = |time: Seconds| lens.pixel(to_camera.apply(evolve(seen, time)));
        Some((at(STEP)? - at(-STEP)?) * (0.5 / STEP.s()))
    };
    let clean = field.stars.iter().filter(|star| star.quality.is_clean());
    let mut runs: Vec<(f64, f64)> = clean
        .filter_map(|star| {
            let speed = speed(star)?;
            Some((speed.length().px().powi(2), variance_along(star, speed)))
        })
        .collect();
    runs.sort_by(|a, b| b.0.total_cmp(&a.0));
    runs.truncate(runs.len().div_ceil(2));
    let squares = runs.iter().map(|(square, variance)| variance / square);
    let square = median(squares.collect());
    let fastest = runs.first().map_or(0.0, |run| run.0);
    if square * fastest < SHORTEST_PX * SHORTEST_PX {
        return Seconds::default();
    }
    Seconds::new(square.sqrt())
}

/// Variance of a star's light along a direction beyond that across it, square pixels.
fn variance_along(star: &Star, direction: PixelVector) -> f64 {
    if let Some(trail) = star.trail {
        return trail.length().px().powi(2) / 12.0;
    }
    let (x, y) = (direction.dx, direction.dy);
    let m = star.moments;
    ((m.xx - m.yy) * (x * x - y * y) + 4.0 * m.xy * x * y) / (x * x + y * y)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::identify::test_fields::{field_of, star_at};
    use crate::sky::Direction;
    use crate::units::{AngularRate, PixelPoint, PixelTensor};
    use nalgebra::{Rotation3, Vector3};

    const LENS: Lens = Lens {
        focal_px: 20000.0,
        center: PixelPoint::new(1199.5, 799.5),
        k1: 0.0,
        k2: 0.0,
    };

    /// The sky turns about the picture's upward direction: stars run to the right.
    fn turned(seen: Direction<Horizon>, time: Seconds) -> Direction<Horizon> {
        let angle = AngularRate::SIDEREAL.over(time).rad();
        Direction::new(Rotation3::new(Vector3::y() * angle) * seen.vector())
    }

    fn smear(moments: PixelTensor) -> Seconds {
        let stars = (0..40).map(|nth| {
            let mut star = star_at(
                f64::from(nth * 389 % 2400),
                f64::from(nth * 241 % 1600),
                9.0,
                0.1,
            );
            star.moments = moments;
            star
        });
        let field = field_of(2400, 1600, stars.collect());
        let level = Rotation::new(Rotation3::identity());
        smear_of(&field, &LENS, &level, &turned)
    }

    #[test]
    fn an_even_path_of_a_minute_spreads_over_a_minute_by_the_root_of_twelve() {
        let length_px = LENS.focal_px * AngularRate::SIDEREAL.over(Seconds::new(60.0)).rad();
        let spread = 1.5 + length_px.powi(2) / 12.0;
        let found = smear(PixelTensor::new(spread, 0.0, 1.5));
        assert!((found.s() - 60.0 / 12f64.sqrt()).abs() < 0.1, "{found:?}");
    }

    #[test]
    fn round_stars_and_stars_stretched_across_run_nowhere() {
        assert_eq!(smear(PixelTensor::new(1.5, 0.0, 1.5)), Seconds::default());
        assert_eq!(smear(PixelTensor::new(1.5, 0.0, 9.0)), Seconds::default());
    }
}
