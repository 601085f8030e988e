//! The pole stars, and where each stands about the refracted pole as the eye sees it.

use super::{CatalogueStar, Direction, Horizon, Icrs, SkyAt};
use crate::units::{Angle, Hemisphere};

/// The bright star next to a celestial pole.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PoleStar {
    /// Alpha Ursae Minoris, magnitude 2.0, HIP 11767: north.
    AlphaUmi,
    /// Sigma Octantis, magnitude 5.5, HIP 104382: south.
    SigmaOct,
}

impl PoleStar {
    /// The pole star of a hemisphere.
    pub fn of(hemisphere: Hemisphere) -> Self {
        match hemisphere {
            Hemisphere::North => PoleStar::AlphaUmi,
            Hemisphere::South => PoleStar::SigmaOct,
        }
    }
    /// Its name.
    pub fn name(self) -> &'static str {
        match self {
            PoleStar::AlphaUmi => "alpha Ursae Minoris",
            PoleStar::SigmaOct => "sigma Octantis",
        }
    }
    /// Its number in the Hipparcos catalogue.
    pub fn hipparcos_number(self) -> u32 {
        match self {
            PoleStar::AlphaUmi => 11_767,
            PoleStar::SigmaOct => 104_382,
        }
    }
    /// Catalogue direction, proper motion applied for the years since J2000.0.
    ///
    /// Left out: parallax (0.008" and 0.011").
    pub fn direction(self, julian_years_since_j2000: f64) -> Direction<Icrs> {
        self.catalogue_star().direction(julian_years_since_j2000)
    }
    /// Place and proper motion.
    ///
    /// Source: Hipparcos, the new reduction (F. van Leeuwen 2007, A&A 474, 653), brought to
    /// J2000.0; values from memory, held to the table `polestar_place.csv` by `published_sky`.
    pub fn catalogue_star(self) -> CatalogueStar {
        let mas = |value: f64| Angle::from_arcsec(value / 1000.0);
        match self {
            PoleStar::AlphaUmi => CatalogueStar {
                right_ascension: Angle::from_hours(2.0 + 31.0 / 60.0 + 49.094_56 / 3600.0),
                declination: Angle::from_deg(89.0 + 15.0 / 60.0 + 50.792_3 / 3600.0),
                motion_east: mas(44.48),
                motion_north: mas(-11.85),
            },
            PoleStar::SigmaOct => CatalogueStar {
                right_ascension: Angle::from_hours(21.0 + 8.0 / 60.0 + 46.863_57 / 3600.0),
                declination: -Angle::from_deg(88.0 + 57.0 / 60.0 + 23.398_3 / 3600.0),
                motion_east: mas(26.46),
                motion_north: mas(5.06),
            },
        }
    }
}

/// Where a star stands about the refracted pole, for somebody who faces the pole.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlaceAboutPole {
    /// Distance on the sky from the refracted pole to the star as it is seen.
    pub distance: Angle,
    /// Direction from pole to star as on a clock face: 0 up, 90 degrees to the right (3 o'clock),
    /// [0, 360). Right is east for who faces north, west for who faces south.
    pub clockwise_from_up: Angle,
}

impl PlaceAboutPole {
    /// Of a direction seen in the sky about a pole seen in the sky.
    pub fn of(star: Direction<Horizon>, pole: Direction<Horizon>) -> Self {
        let forward = pole.vector();
        let zenith = nalgebra::Vector3::z();
        let up = zenith - forward * forward.z;
        let right = forward.cross(&zenith);
        let v = star.vector();
        Self {
            distance: pole.separation(star),
            clockwise_from_up: Angle::from_rad(v.dot(&right).atan2(v.dot(&up))).wrapped_positive(),
        }
    }
    /// The same place in a scope that turns the picture by 180 degrees, as a straight one does.
    pub fn in_inverting_scope(self) -> Self {
        Self {
            clockwise_from_up: (self.clockwise_from_up + Angle::from_deg(180.0)).wrapped_positive(),
            ..self
        }
    }
    /// The place that far to the right and above, on the sky.
    pub fn shifted(self, right: Angle, up: Angle) -> Self {
        let (right, up) = (self.right() + right, self.up() + up);
        Self {
            distance: Angle::from_rad(right.rad().hypot(up.rad())),
            clockwise_from_up: Angle::from_rad(right.rad().atan2(up.rad())).wrapped_positive(),
        }
    }
    /// How far to the right of the pole, on the sky.
    pub fn right(self) -> Angle {
        self.distance * self.clockwise_from_up.sin()
    }
    /// How far above the pole, on the sky.
    pub fn up(self) -> Angle {
        self.distance * self.clockwise_from_up.cos()
    }
}

/// The pole star of a sky: where it is and where it stands about the refracted pole.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PoleStarPlace {
    /// Which star.
    pub star: PoleStar,
    /// Without air.
    pub airless: Direction<Horizon>,
    /// As seen.
    pub observed: Direction<Horizon>,
    /// About the refracted pole.
    pub about_pole: PlaceAboutPole,
    /// Distance from the celestial pole of date, refraction left out of both.
    pub polar_distance: Angle,
    /// Hour angle, west positive, [-180, 180) degrees.
    pub hour_angle: Angle,
}

/// Where the pole star of the site's hemisphere stands.
///
/// Valid: airless places within 1", distance within 0.05' of ERFA (`tests/published_sky.rs`).
pub fn pole_star_place(sky: &SkyAt) -> PoleStarPlace {
    let star = PoleStar::of(sky.observer().site().hemisphere());
    let catalogue = star.direction(sky.julian_years_since_j2000());
    let airless = sky.airless(catalogue);
    let observed = sky.refract(airless);
    PoleStarPlace {
        star,
        airless,
        observed,
        about_pole: PlaceAboutPole::of(observed, sky.refracted_pole()),
        polar_distance: sky.true_pole().separation(airless),
        hour_angle: sky.hour_angle_declination(catalogue).0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn horizon(azimuth_deg: f64, altitude_deg: f64) -> Direction<Horizon> {
        Direction::from_az_alt(Angle::from_deg(azimuth_deg), Angle::from_deg(altitude_deg))
    }

    #[test]
    fn facing_north_east_is_at_three_o_clock() {
        let place = PlaceAboutPole::of(horizon(1.0, 50.0), horizon(0.0, 50.0));
        assert!((place.clockwise_from_up.deg() - 90.0).abs() < 1.0);
        assert!((place.right().arcmin() - 38.6).abs() < 0.1);
        let scope = place.in_inverting_scope();
        assert!((scope.clockwise_from_up.deg() - 270.0).abs() < 1.0);
        assert_eq!(scope.distance, place.distance);
    }

    #[test]
    fn facing_south_west_is_at_three_o_clock() {
        let place = PlaceAboutPole::of(horizon(181.0, 30.0), horizon(180.0, 30.0));
        assert!((place.clockwise_from_up.deg() - 90.0).abs() < 1.0);
        let above = PlaceAboutPole::of(horizon(180.0, 31.0), horizon(180.0, 30.0));
        assert!(above.clockwise_from_up.wrapped_signed().deg().abs() < 1e-9);
        assert!((above.up().deg() - 1.0).abs() < 1e-9);
    }

    #[test]
    fn the_pole_star_turns_anticlockwise_in_the_north_and_clockwise_in_the_south() {
        for (latitude, sense) in [(51.5, -1.0), (-33.9, 1.0)] {
            let site = crate::units::Site::new(Angle::from_deg(latitude), Angle::ZERO).unwrap();
            let observer = crate::sky::Observer::new(site, crate::sky::Atmosphere::standard(0.0));
            let clock = |text: &str| {
                pole_star_place(&observer.at(text.parse().unwrap()))
                    .about_pole
                    .clockwise_from_up
            };
            let turned = clock("2026-11-10T23:00:00Z") - clock("2026-11-10T22:00:00Z");
            let expected = sense * 15.04;
            assert!((turned.wrapped_signed().deg() - expected).abs() < 0.2);
        }
    }

    #[test]
    fn proper_motion_moves_the_star_by_its_yearly_amount() {
        for star in [PoleStar::AlphaUmi, PoleStar::SigmaOct] {
            let moved = star.direction(0.0).separation(star.direction(100.0));
            assert!((2.5..5.0).contains(&moved.arcsec()), "{}", moved.arcsec());
        }
    }
}
