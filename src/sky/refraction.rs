//! What the air does to altitudes: airless directions in, observed ones out, and back.
//!
//! Method: SOFA's constants A and B of dZ = A tan Z + B tan^3 Z hold to about 15 degrees above the
//! horizon. They are the first terms of the continued fraction
//! dZ = A' sin Z / (cos Z + a / (cos Z + b / (cos Z + c))) with A' = A - B and a = -B / A', which
//! stays finite at the horizon and is one smooth curve from the zenith down.
//! Source: [SOFA] `refco`; the form of the fraction is that of J. W. Marini 1972, Radio Science 7,
//! 223 (cited from memory).

use nalgebra::Vector3;
use sofars::astro::refco;

use super::{Direction, Horizon};
use crate::units::Angle;

/// b / a of the continued fraction.
///
/// Fitted once, together with [`THIRD_OVER_ROOT_FIRST`], to ray traces through seven atmospheres
/// of 700 to 1013 hPa and -10 to 25 degrees C (`scripts/make_reference_refraction.py --fit`), and
/// held to them by `tests/published_sky.rs`: 0.6" above 15, 1.1" above 10, 6" above 2 and 16" at 0
/// degrees altitude. An exponential atmosphere would have 2. Moves refraction below 15 degrees only.
const SECOND_OVER_FIRST: f64 = 2.44;
/// c over the square root of a; see [`SECOND_OVER_FIRST`].
const THIRD_OVER_ROOT_FIRST: f64 = 2.09;
/// Colour that the refraction holds for, micrometres: green, where cameras are most sensitive.
/// Between 0.45 and 0.65 refraction changes by 1.5 %, 0.9" at 45 degrees.
const WAVELENGTH_UM: f64 = 0.55;
/// Share of the water vapour that the air could hold, where nobody measured it. From 0 to 1 it
/// changes refraction by 0.1" at 45 degrees and 15 degrees C.
const HUMIDITY: f64 = 0.5;
/// Over so many degrees below the horizon refraction fades to nothing. No camera sees them; the
/// fade only keeps the map smooth and invertible there.
const FADE_BELOW_HORIZON_RAD: f64 = 20.0 * std::f64::consts::PI / 180.0;

/// Pressure and temperature of the air at the site, with the bending that follows from them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Atmosphere {
    pressure_hpa: f64,
    temperature_c: f64,
    refraction: Refraction,
}

/// How much light bends.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Refraction {
    /// Not at all: no air.
    Off,
    /// As the constants of this air say.
    Air(Bending),
}

/// Constants of the continued fraction, radians and pure numbers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bending {
    scale: f64,
    first: f64,
    second: f64,
    third: f64,
}

impl Atmosphere {
    /// The standard atmosphere at a height in metres above the sea.
    ///
    /// Method: P = 1013.25 (1 - 2.25577e-5 h)^5.25588 hPa, T = 15 - 0.0065 h degrees C.
    /// Valid: heights are limited to [-500, 9000] m.
    /// Source: [ICAO] Doc 7488, Manual of the ICAO Standard Atmosphere.
    pub fn standard(height_m: f64) -> Self {
        let height_m = height_m.clamp(-500.0, 9000.0);
        let pressure_hpa = 1013.25 * (1.0 - 2.255_77e-5 * height_m).powf(5.255_88);
        Self::from_checked(pressure_hpa, 15.0 - 0.0065 * height_m)
    }
    /// Measured pressure at the site (not reduced to sea level) and temperature; `None` unless
    /// pressure is in [0, 1200] hPa and temperature in [-90, 60] degrees C.
    pub fn measured(pressure_hpa: f64, temperature_c: f64) -> Option<Self> {
        // Comparisons are written so that NaN is refused too.
        let legal =
            (0.0..=1200.0).contains(&pressure_hpa) && (-90.0..=60.0).contains(&temperature_c);
        legal.then(|| Self::from_checked(pressure_hpa, temperature_c))
    }
    /// No air, no refraction.
    pub fn none() -> Self {
        Self::from_checked(0.0, 0.0)
    }
    /// Pressure at the site, hPa.
    pub fn pressure_hpa(&self) -> f64 {
        self.pressure_hpa
    }
    /// Temperature, degrees C.
    pub fn temperature_c(&self) -> f64 {
        self.temperature_c
    }
    /// How much light bends in this air.
    pub fn refraction(&self) -> Refraction {
        self.refraction
    }
    /// How much higher a star stands than it would without air, by the altitude it is seen at.
    ///
    /// Output: zero or positive. Valid: against ray traces within 0.6" above 15 degrees, 1.1" above
    /// 10, 6" above 2, 16" at the horizon (`tests/published_sky.rs`); fades away below it.
    pub fn refraction_at(&self, observed_altitude: Angle) -> Angle {
        match self.refraction {
            Refraction::Off => Angle::ZERO,
            Refraction::Air(bending) => Angle::from_rad(bending.at(observed_altitude.rad())),
        }
    }
    /// Where a star is seen that would stand at this direction without air.
    ///
    /// Method: Newton's iteration on lift = R(airless + lift).
    /// Output: inverse of [`Atmosphere::unrefract`] to 1e-12 rad, below the horizon too.
    pub fn refract(&self, airless: Direction<Horizon>) -> Direction<Horizon> {
        let Refraction::Air(bending) = self.refraction else {
            return airless;
        };
        let lift = bending.lift_of_airless(altitude_rad(airless));
        lifted(airless, lift)
    }
    /// Where a star would stand without air that is seen at this direction.
    pub fn unrefract(&self, observed: Direction<Horizon>) -> Direction<Horizon> {
        match self.refraction {
            Refraction::Off => observed,
            Refraction::Air(bending) => lifted(observed, -bending.at(altitude_rad(observed))),
        }
    }
    fn from_checked(pressure_hpa: f64, temperature_c: f64) -> Self {
        Self {
            pressure_hpa,
            temperature_c,
            refraction: Refraction::of(pressure_hpa, temperature_c),
        }
    }
}

/// Newton's iteration ends below this change, far under any star's error.
const ITERATION_END_RAD: f64 = 1e-14;
/// More than the slowest case, the horizon in the densest air, needs (6).
const MOST_ITERATIONS: usize = 20;
/// Step of the slope's difference quotient; it changes the speed of the iteration, not its result.
const SLOPE_STEP_RAD: f64 = 1e-6;

impl Refraction {
    fn of(pressure_hpa: f64, temperature_c: f64) -> Self {
        let (a, b) = refco(pressure_hpa, temperature_c, HUMIDITY, WAVELENGTH_UM);
        let scale = a - b;
        // A trace of pressure would leave the ratio below without meaning.
        if scale < 1e-9 {
            return Refraction::Off;
        }
        let first = -b / scale;
        Refraction::Air(Bending {
            scale,
            first,
            second: SECOND_OVER_FIRST * first,
            third: THIRD_OVER_ROOT_FIRST * first.sqrt(),
        })
    }
}

impl Bending {
    /// Refraction in radians at an observed altitude in radians.
    fn at(&self, altitude_rad: f64) -> f64 {
        if altitude_rad >= 0.0 {
            return self.above_horizon(altitude_rad);
        }
        // Point symmetry about the horizon keeps value and slope; the fade ends it.
        let below = -altitude_rad;
        let continued = 2.0 * self.above_horizon(0.0) - self.above_horizon(below);
        let left = (1.0 - below / FADE_BELOW_HORIZON_RAD).max(0.0);
        continued * left * left * (3.0 - 2.0 * left)
    }

    /// Refraction in radians by airless altitude in radians.
    fn lift_of_airless(&self, airless_rad: f64) -> f64 {
        let mut lift = self.at(airless_rad);
        for _ in 0..MOST_ITERATIONS {
            let observed = airless_rad + lift;
            let here = self.at(observed);
            let slope = (self.at(observed + SLOPE_STEP_RAD) - here) / SLOPE_STEP_RAD;
            let change = (here - lift) / (1.0 - slope);
            lift += change;
            if change.abs() < ITERATION_END_RAD {
                break;
            }
        }
        lift
    }

    fn above_horizon(&self, altitude_rad: f64) -> f64 {
        let (sin, cos) = altitude_rad.sin_cos();
        let inner = sin + self.second / (sin + self.third);
        self.scale * cos.max(0.0) / (sin + self.first / inner)
    }
}

fn altitude_rad(direction: Direction<Horizon>) -> f64 {
    let v = direction.vector();
    v.z.atan2(v.x.hypot(v.y))
}

/// The direction turned towards the zenith by an angle in radians, azimuth unchanged.
fn lifted(direction: Direction<Horizon>, lift_rad: f64) -> Direction<Horizon> {
    let v = direction.vector();
    let level = v.x.hypot(v.y);
    // At the zenith and the nadir there is no upward direction, and refraction is zero there.
    if level < 1e-15 {
        return direction;
    }
    let up = Vector3::new(-v.z * v.x / level, -v.z * v.y / level, level);
    Direction::new(v * lift_rad.cos() + up * lift_rad.sin())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(altitude_deg: f64) -> Direction<Horizon> {
        Direction::from_az_alt(Angle::from_deg(123.0), Angle::from_deg(altitude_deg))
    }

    fn airs() -> Vec<Atmosphere> {
        vec![
            Atmosphere::standard(0.0),
            Atmosphere::standard(9000.0),
            Atmosphere::measured(1200.0, -90.0).unwrap(),
            Atmosphere::measured(1.0, 60.0).unwrap(),
        ]
    }

    #[test]
    fn refract_and_unrefract_are_inverses_from_zenith_to_nadir() {
        for air in airs() {
            for step in -900..=900 {
                let start = at(f64::from(step) / 10.0);
                let there_and_back = air.unrefract(air.refract(start));
                let back_and_there = air.refract(air.unrefract(start));
                assert!(start.separation(there_and_back).rad() < 1e-12, "{step}");
                assert!(start.separation(back_and_there).rad() < 1e-12, "{step}");
            }
        }
    }

    #[test]
    fn airless_altitude_rises_with_observed_altitude_without_a_jump() {
        for air in airs() {
            let airless = |deg: f64| deg - air.refraction_at(Angle::from_deg(deg)).deg();
            for step in -9000..9000 {
                let low = f64::from(step) / 100.0;
                let gain = airless(low + 0.01) - airless(low);
                assert!(gain > 0.005 && gain < 0.02, "{low}: {gain}");
            }
        }
    }

    #[test]
    fn without_air_nothing_bends() {
        let air = Atmosphere::none();
        assert_eq!(air.refraction(), Refraction::Off);
        assert_eq!(air.refract(at(3.0)), at(3.0));
        assert_eq!(air.unrefract(at(3.0)), at(3.0));
        assert_eq!(air.refraction_at(Angle::ZERO), Angle::ZERO);
    }

    #[test]
    fn zenith_and_nadir_stay_where_they_are() {
        for deg in [90.0, -90.0] {
            let moved = Atmosphere::standard(0.0)
                .refract(at(deg))
                .separation(at(deg));
            assert!(moved.arcsec() < 1e-6);
        }
    }

    #[test]
    fn thinner_and_warmer_air_bends_less() {
        let high = Angle::from_deg(45.0);
        let refraction = |air: Atmosphere| air.refraction_at(high).arcsec();
        assert!(refraction(Atmosphere::standard(2000.0)) < refraction(Atmosphere::standard(0.0)));
        let warm = Atmosphere::measured(1000.0, 30.0).unwrap();
        let cold = Atmosphere::measured(1000.0, -20.0).unwrap();
        assert!(refraction(warm) < refraction(cold));
    }

    #[test]
    fn air_that_no_site_has_is_refused() {
        assert!(Atmosphere::measured(-1.0, 10.0).is_none());
        assert!(Atmosphere::measured(1013.0, f64::NAN).is_none());
        assert!(Atmosphere::measured(f64::NAN, 10.0).is_none());
        assert!(Atmosphere::measured(5000.0, 10.0).is_none());
    }
}
