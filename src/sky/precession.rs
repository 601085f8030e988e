//! Proper motion of a star, and the slow turn of the Earth's axis under it.

use nalgebra::{Matrix3, Vector3};
use sofars::pnp::pmat06;

use super::{Direction, Icrs, JulianDate};
use crate::units::Angle;

/// A catalogue place for J2000.0 (ICRS) with proper motion.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CatalogueStar {
    /// Right ascension.
    pub right_ascension: Angle,
    /// Declination.
    pub declination: Angle,
    /// Proper motion in right ascension times the cosine of declination, a Julian year.
    pub motion_east: Angle,
    /// Proper motion in declination, a Julian year.
    pub motion_north: Angle,
}

impl CatalogueStar {
    /// Where the star is so many Julian years after J2000.0: a straight line through space.
    pub fn direction(&self, julian_years_since_j2000: f64) -> Direction<Icrs> {
        let (ra, dec) = (self.right_ascension, self.declination);
        let east = Vector3::new(-ra.sin(), ra.cos(), 0.0);
        let north = Vector3::new(-dec.sin() * ra.cos(), -dec.sin() * ra.sin(), dec.cos());
        let moved = east * (self.motion_east * julian_years_since_j2000).rad()
            + north * (self.motion_north * julian_years_since_j2000).rad();
        Direction::new(Direction::from_ra_dec(ra, dec).vector() + moved)
    }
}

/// Right ascension, [0, 360) degrees, and declination for the mean equator and equinox of a date:
/// precession only, neither nutation nor aberration.
///
/// Source: [SOFA] `pmat06` (IAU 2006 precession, frame bias included).
pub fn mean_place(star: Direction<Icrs>, tt: JulianDate) -> (Angle, Angle) {
    let matrix = pmat06(tt.day, tt.fraction);
    let turn = Matrix3::from_fn(|row, column| matrix[row][column]);
    // Coordinates of date in the type whose accessor reads right ascension and declination.
    Direction::<Icrs>::new(turn * star.vector()).ra_dec()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn star(motion_east_arcsec: f64, motion_north_arcsec: f64) -> CatalogueStar {
        CatalogueStar {
            right_ascension: Angle::from_deg(40.0),
            declination: Angle::from_deg(60.0),
            motion_east: Angle::from_arcsec(motion_east_arcsec),
            motion_north: Angle::from_arcsec(motion_north_arcsec),
        }
    }

    #[test]
    fn motion_east_raises_right_ascension_and_motion_north_declination() {
        let (ra, dec) = star(1.0, 0.0).direction(10.0).ra_dec();
        // On the sky 10"; in right ascension twice as much at declination 60.
        assert!(((ra - Angle::from_deg(40.0)).arcsec() - 20.0).abs() < 0.01);
        assert!((dec - Angle::from_deg(60.0)).arcsec().abs() < 0.01);
        let (ra, dec) = star(0.0, 1.0).direction(-10.0).ra_dec();
        assert!((ra - Angle::from_deg(40.0)).arcsec().abs() < 0.01);
        assert!(((dec - Angle::from_deg(60.0)).arcsec() + 10.0).abs() < 0.01);
    }

    #[test]
    fn at_j2000_the_mean_place_is_the_catalogue_place_but_for_the_frame_bias() {
        let j2000 = JulianDate {
            day: 2_451_544.5,
            fraction: 0.5,
        };
        let catalogue = star(0.0, 0.0).direction(0.0);
        let (ra, dec) = mean_place(catalogue, j2000);
        let off = Direction::from_ra_dec(ra, dec).separation(catalogue);
        assert!(off.arcsec() < 0.03, "{}", off.arcsec());
    }
}
