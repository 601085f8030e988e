//! Where a field of known declination can stand that a person saw in some direction.

use super::{Direction, Horizon};
use crate::units::Angle;

/// A place and an hour that show a field in a direction.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ToldPlace {
    /// Latitude, north positive.
    pub latitude: Angle,
    /// Hour angle of the field, west positive, [-180, 180) degrees.
    pub hour_angle: Angle,
    /// How likely it is against the others; they sum to 1.
    pub weight: f64,
}

/// Steps of half a sigma to either side, up to three sigmas.
const STEPS: i32 = 6;
/// Nobody photographs from nearer to a pole of the Earth (own choice).
const HIGHEST: Angle = Angle::from_deg(75.0);
/// A direction lower than this was not photographed.
const LOWEST: Angle = Angle::from_deg(-1.5);

/// Places and hours that show a field of this declination within three sigmas of a direction that
/// a person told; empty where no place does.
///
/// Method: for each of the directions the latitude is solved from
/// `sin d = sin h sin phi + cos h cos A cos phi`, which has up to two solutions, and the hour angle
/// follows from its sine and cosine. Refraction is left out: it is far smaller than the doubt.
pub fn told_places(seen: Direction<Horizon>, declination: Angle, doubt: Angle) -> Vec<ToldPlace> {
    let (azimuth, altitude) = seen.az_alt();
    let steps = || -STEPS..=STEPS;
    let mut places: Vec<ToldPlace> = steps()
        .flat_map(|up| steps().map(move |side| (f64::from(up) / 2.0, f64::from(side) / 2.0)))
        .filter(|(up, side)| up * up + side * side <= 9.0)
        .flat_map(|(up, side)| {
            let height = altitude + doubt * up;
            let weight = (-0.5 * (up * up + side * side)).exp();
            places_of(azimuth + doubt * side, height, declination, weight)
        })
        .collect();
    let whole: f64 = places.iter().map(|place| place.weight).sum();
    for place in &mut places {
        place.weight /= whole;
    }
    places
}

fn places_of(azimuth: Angle, altitude: Angle, declination: Angle, weight: f64) -> Vec<ToldPlace> {
    let (north, up) = (altitude.cos() * azimuth.cos(), altitude.sin());
    let west = -altitude.cos() * azimuth.sin();
    let ratio = declination.sin() / north.hypot(up);
    if altitude < LOWEST || ratio.is_nan() || ratio.abs() > 1.0 {
        return Vec::new();
    }
    let middle = Angle::from_rad(up.atan2(north));
    let apart = Angle::from_rad(ratio.acos());
    let place = |latitude: Angle| {
        let latitude = latitude.wrapped_signed();
        let south_part = up * latitude.cos() - north * latitude.sin();
        ToldPlace {
            latitude,
            hour_angle: Angle::from_rad(west.atan2(south_part)),
            weight,
        }
    };
    [middle - apart, middle + apart]
        .map(place)
        .into_iter()
        .filter(|place| place.latitude.abs() <= HIGHEST)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::Vector3;

    /// Truth: the rotation between equator and horizon, written out on its own.
    fn seen(latitude: f64, hour_angle: f64, declination: f64) -> Direction<Horizon> {
        let [phi, turn, d] = [latitude, hour_angle, declination].map(f64::to_radians);
        let meridian = Vector3::new(0.0, -phi.sin(), phi.cos());
        let pole = Vector3::new(0.0, phi.cos(), phi.sin());
        let west = -Vector3::x();
        Direction::new((meridian * turn.cos() + west * turn.sin()) * d.cos() + pole * d.sin())
    }

    #[test]
    fn the_true_place_and_hour_are_among_the_answers() {
        for latitude in [-52.0, -23.0, 12.0, 47.0, 61.0] {
            for (hour_angle, declination) in [(0.0, 5.0), (-60.0, 15.0), (50.0, -10.0)] {
                let (azimuth, altitude) = seen(latitude, hour_angle, declination).az_alt();
                let found = places_of(azimuth, altitude, Angle::from_deg(declination), 1.0);
                let fits = |place: &ToldPlace| {
                    (place.latitude.deg() - latitude).abs() < 1e-6
                        && (place.hour_angle.deg() - hour_angle).abs() < 1e-6
                };
                assert!(found.iter().any(fits) || altitude < LOWEST, "{found:?}");
            }
        }
    }

    #[test]
    fn a_direction_that_no_place_shows_has_no_answer() {
        let low_in_the_east = Direction::from_az_alt(Angle::from_deg(90.0), Angle::from_deg(15.0));
        let doubt = Angle::from_deg(5.0);
        assert!(told_places(low_in_the_east, Angle::from_deg(60.0), doubt).is_empty());
        let fits = told_places(low_in_the_east, Angle::from_deg(8.0), doubt);
        let whole: f64 = fits.iter().map(|place| place.weight).sum();
        assert!((whole - 1.0).abs() < 1e-9);
    }
}
