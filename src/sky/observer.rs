//! Catalogue directions in, apparent, horizon and observed directions out, for one site and instant.
//!
//! Method: IAU 2006/2000A precession-nutation, the Earth's velocity from SOFA's ephemeris, the
//! site's rotation velocity, exact (relativistic) aberration, Earth rotation angle, refraction.
//! Left out, with the size of the effect: the Sun's light deflection (0.01" at 45 degrees from the
//! Sun, less beyond), polar motion (about 0.3"), annual parallax and proper motion (give a direction
//! that is already brought to the date).
//! Source: [SOFA] "SOFA Astrometry Tools"; the functions of the crate `sofars` used here were
//! checked against ERFA by `tests/published_sky.rs`.

use jiff::Timestamp;
use nalgebra::{Matrix3, Rotation3, Vector3};
use sofars::astro::{IauAstrom, apco};
use sofars::eph::epv00;
use sofars::erst::era00;
use sofars::pnp::{bpn2xy, eors, pnm06a, s06};

use super::time::{JulianDate, TimeScales, Ut1};
use super::turning::{evolve, true_pole};
use super::{Atmosphere, Direction, Horizon, Icrs, Rotation};
use crate::units::{Angle, Seconds, Site};

/// A site with its air and what is known of UT1: everything but the instant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Observer {
    site: Site,
    atmosphere: Atmosphere,
    ut1: Ut1,
}

impl Observer {
    /// An observer at a site under this air; UTC stands in for UT1.
    pub fn new(site: Site, atmosphere: Atmosphere) -> Self {
        Self {
            site,
            atmosphere,
            ut1: Ut1::AsUtc,
        }
    }
    /// The same observer with a better UT1.
    pub fn with_ut1(self, ut1: Ut1) -> Self {
        Self { ut1, ..self }
    }
    /// The site.
    pub fn site(&self) -> Site {
        self.site
    }
    /// The air at the site.
    pub fn atmosphere(&self) -> Atmosphere {
        self.atmosphere
    }
    /// How UT1 is known.
    pub fn ut1(&self) -> Ut1 {
        self.ut1
    }
    /// The pole of the site's hemisphere as it would be without air.
    pub fn true_pole(&self) -> Direction<Horizon> {
        true_pole(self.site.latitude())
    }
    /// The pole of the site's hemisphere as it is seen: where a tracker's axis should point.
    pub fn refracted_pole(&self) -> Direction<Horizon> {
        self.atmosphere.refract(self.true_pole())
    }
    /// Everything about an instant that is the same for all stars, computed once.
    ///
    /// Valid: any instant. Outside 1900 to 2100 the Earth's velocity is that of the same phase of
    /// another year (aberration then 0.5" at worst), precession is extrapolated.
    pub fn at(&self, utc: Timestamp) -> SkyAt {
        SkyAt::new(*self, utc)
    }
}

/// The sky of one observer at one instant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SkyAt {
    observer: Observer,
    utc: Timestamp,
    tt: JulianDate,
    /// The observer's velocity against the solar system's barycentre, in units of light's.
    velocity: Vector3<f64>,
    /// Towards the Sun, where it was when its light left.
    sun: Direction<Icrs>,
    to_horizon: Rotation<Icrs, Horizon>,
    /// From ICRS axes to the equator of date and the celestial intermediate origin.
    to_equator_of_date: Matrix3<f64>,
    /// Local Earth rotation angle: the meridian's angle from the intermediate origin.
    meridian: Angle,
    /// Earth rotation angle minus apparent sidereal time.
    equation_of_origins: Angle,
}

impl SkyAt {
    fn new(observer: Observer, utc: Timestamp) -> Self {
        let scales = TimeScales::of(utc, observer.ut1);
        let (astrom, equation_of_origins) = star_independent(&observer, &scales);
        let equator = Matrix3::from_fn(|row, column| astrom.bpn[row][column]);
        let horizon = equator_to_horizon(astrom.eral, observer.site.latitude()) * equator;
        Self {
            observer,
            utc,
            tt: scales.tt,
            velocity: Vector3::from(astrom.v),
            sun: Direction::new(-Vector3::from(astrom.eh)),
            // Products of rotation matrices stay orthogonal to rounding.
            to_horizon: Rotation::new(Rotation3::from_matrix_unchecked(horizon)),
            to_equator_of_date: equator,
            meridian: Angle::from_rad(astrom.eral),
            equation_of_origins,
        }
    }
    /// The instant.
    pub fn utc(&self) -> Timestamp {
        self.utc
    }
    /// The observer.
    pub fn observer(&self) -> &Observer {
        &self.observer
    }
    /// Julian years of Terrestrial Time since J2000.0, for proper motion.
    pub fn julian_years_since_j2000(&self) -> f64 {
        self.tt.julian_years_since_j2000()
    }
    /// Local apparent sidereal time, [0, 360) degrees.
    pub fn local_sidereal_time(&self) -> Angle {
        (self.meridian - self.equation_of_origins).wrapped_positive()
    }
    /// Apparent right ascension, [0, 360) degrees, and declination: true equator and equinox of
    /// date, with annual and diurnal aberration, without refraction.
    ///
    /// Valid: within 0.02" of ERFA more than 20 degrees from the Sun (`tests/published_sky.rs`).
    pub fn apparent(&self, star: Direction<Icrs>) -> (Angle, Angle) {
        let (from_origin, declination) = self.intermediate(star);
        let right_ascension = (from_origin - self.equation_of_origins).wrapped_positive();
        (right_ascension, declination)
    }
    /// The catalogue direction with these coordinates of date: the inverse of `apparent`.
    pub fn from_apparent(&self, right_ascension: Angle, declination: Angle) -> Direction<Icrs> {
        let from_origin = right_ascension + self.equation_of_origins;
        let of_date = Direction::<Icrs>::from_ra_dec(from_origin, declination).vector();
        let apparent = Direction::new(self.to_equator_of_date.transpose() * of_date);
        aberrated(apparent, -self.velocity)
    }
    /// Hour angle, west positive, [-180, 180) degrees, and declination of date, without refraction.
    pub fn hour_angle_declination(&self, star: Direction<Icrs>) -> (Angle, Angle) {
        let (from_origin, declination) = self.intermediate(star);
        ((self.meridian - from_origin).wrapped_signed(), declination)
    }
    /// Where a star would stand without air.
    pub fn airless(&self, star: Direction<Icrs>) -> Direction<Horizon> {
        self.to_horizon.apply(aberrated(star, self.velocity))
    }
    /// Where a star is seen, refraction included.
    pub fn observed(&self, star: Direction<Icrs>) -> Direction<Horizon> {
        self.refract(self.airless(star))
    }
    /// Where a star is seen that would stand at this direction without air.
    pub fn refract(&self, airless: Direction<Horizon>) -> Direction<Horizon> {
        self.observer.atmosphere.refract(airless)
    }
    /// Where a star would stand without air that is seen at this direction.
    pub fn unrefract(&self, observed: Direction<Horizon>) -> Direction<Horizon> {
        self.observer.atmosphere.unrefract(observed)
    }
    /// The catalogue direction of what is seen at this direction: the inverse of `observed`.
    pub fn to_icrs(&self, observed: Direction<Horizon>) -> Direction<Icrs> {
        self.airless_to_icrs(self.unrefract(observed))
    }
    /// The catalogue direction of what would stand here without air: the inverse of `airless`.
    pub fn airless_to_icrs(&self, airless: Direction<Horizon>) -> Direction<Icrs> {
        let apparent = self.to_horizon.inverse().apply(airless);
        // Aberration by the opposite velocity undoes it exactly.
        aberrated(apparent, -self.velocity)
    }
    /// How large the sky about a star is seen, against the catalogue: a little below 1 for the
    /// air, which flattens it, and up to 1e-4 either way for aberration.
    ///
    /// Method: the mean over eight directions of separations of a degree, which a lens's mean
    /// scale over a field goes by.
    pub fn seen_scale(&self, star: Direction<Icrs>) -> f64 {
        let ra = star.ra_dec().0;
        let east = Vector3::new(-ra.sin(), ra.cos(), 0.0);
        let north = star.vector().cross(&east);
        let seen = self.observed(star);
        let ratio = |eighth: i32| {
            let towards = Angle::from_deg(45.0 * f64::from(eighth));
            let step = (north * towards.cos() + east * towards.sin()) * Angle::from_deg(1.0).rad();
            let beside = Direction::new(star.vector() + step);
            seen.separation(self.observed(beside)).rad() / star.separation(beside).rad()
        };
        (0..8).map(ratio).sum::<f64>() / 8.0
    }
    /// Position angle of the zenith at a star, [0, 360) degrees, north through east of the ICRS.
    ///
    /// Method: the catalogue direction of a point one arcminute above the star.
    /// At the zenith itself, where up has no direction, the angle means nothing.
    pub fn up_position_angle(&self, star: Direction<Icrs>) -> Angle {
        let airless = self.airless(star).vector();
        let zenith = Vector3::z();
        let upward = zenith - airless * airless.dot(&zenith);
        let step = Angle::from_arcmin(1.0).rad() / upward.norm().max(1e-12);
        let above = self.airless_to_icrs(Direction::new(airless + upward * step));
        position_angle(star, above)
    }
    /// The pole of the site's hemisphere as it would be without air.
    pub fn true_pole(&self) -> Direction<Horizon> {
        self.observer.true_pole()
    }
    /// The pole of the site's hemisphere as it is seen.
    pub fn refracted_pole(&self) -> Direction<Horizon> {
        self.observer.refracted_pole()
    }
    /// The direction of the Sun, fit for the functions that take a star's; within 5" of [MEEUS].
    pub fn sun(&self) -> Direction<Icrs> {
        self.sun
    }
    /// From catalogue to airless horizon directions without aberration: good to 21" anywhere and
    /// to 0.4" within a degree, once one star is brought to its place.
    pub fn airless_rotation(&self) -> Rotation<Icrs, Horizon> {
        self.to_horizon
    }
    /// Where the star seen at this direction now will be seen after a duration.
    pub fn evolve(&self, observed: Direction<Horizon>, duration: Seconds) -> Direction<Horizon> {
        let latitude = self.observer.site.latitude();
        evolve(latitude, &self.observer.atmosphere, observed, duration)
    }

    /// Right ascension from the intermediate origin, and declination of date.
    fn intermediate(&self, star: Direction<Icrs>) -> (Angle, Angle) {
        let v = self.to_equator_of_date * aberrated(star, self.velocity).vector();
        let declination = v.z.atan2(v.x.hypot(v.y));
        (
            Angle::from_rad(v.y.atan2(v.x)),
            Angle::from_rad(declination),
        )
    }
}

/// Position angle of one direction at another, [0, 360) degrees, north through east.
pub fn position_angle(at: Direction<Icrs>, of: Direction<Icrs>) -> Angle {
    let (ra, dec) = at.ra_dec();
    let east = Vector3::new(-ra.sin(), ra.cos(), 0.0);
    let north = Vector3::new(-dec.sin() * ra.cos(), -dec.sin() * ra.sin(), dec.cos());
    let v = of.vector();
    Angle::from_rad(v.dot(&east).atan2(v.dot(&north))).wrapped_positive()
}

/// SOFA's star-independent parameters and the equation of the origins.
fn star_independent(observer: &Observer, scales: &TimeScales) -> (IauAstrom, Angle) {
    let (tt1, tt2) = (scales.tt.day, scales.tt.fraction);
    let precession_nutation = pnm06a(tt1, tt2);
    let (x, y) = bpn2xy(&precession_nutation);
    let origin = s06(tt1, tt2, x, y);
    let rotation = era00(scales.ut1.day, scales.ut1.fraction);
    let (heliocentric, barycentric) = earth(scales.tt);
    let site = observer.site;
    let mut astrom = IauAstrom::default();
    // The zeros: polar motion and its origin; refraction, which has its own module.
    apco(
        tt1,
        tt2,
        &barycentric,
        &heliocentric[0],
        x,
        y,
        origin,
        rotation,
        site.longitude().rad(),
        site.latitude().rad(),
        site.height_m(),
        0.0,
        0.0,
        0.0,
        0.0,
        0.0,
        &mut astrom,
    );
    let equation_of_origins = eors(&precession_nutation, origin);
    (astrom, Angle::from_rad(equation_of_origins))
}

/// Position (au) and velocity (au a day).
type PositionVelocity = [[f64; 3]; 2];

/// The Earth seen from the Sun and from the barycentre.
///
/// The ephemeris ends at 1900 and 2100; beyond, whole sidereal years are taken off.
fn earth(tt: JulianDate) -> (PositionVelocity, PositionVelocity) {
    /// Length of the sidereal year at J2000.0 in days; source: [MEEUS] page 133 (from memory).
    const SIDEREAL_YEAR_DAYS: f64 = 365.256_363;
    let days = (tt.day - 2_451_545.0) + tt.fraction;
    let whole_years = (days / SIDEREAL_YEAR_DAYS).trunc() * SIDEREAL_YEAR_DAYS;
    epv00(tt.day, tt.fraction)
        .or_else(|| epv00(2_451_545.0, days - whole_years))
        // Zero velocity means no aberration, an error of 21"; the line above never fails.
        .unwrap_or_default()
}

/// From the equator of date (x at the intermediate origin) to the horizon (x east, y north, z up).
fn equator_to_horizon(meridian_rad: f64, latitude: Angle) -> Matrix3<f64> {
    let (sin_m, cos_m) = meridian_rad.sin_cos();
    let (sin_l, cos_l) = (latitude.sin(), latitude.cos());
    Matrix3::new(
        -sin_m,
        cos_m,
        0.0,
        -sin_l * cos_m,
        -sin_l * sin_m,
        cos_l,
        cos_l * cos_m,
        cos_l * sin_m,
        sin_l,
    )
}

/// A direction as seen by an observer who moves with a velocity in units of light's.
///
/// Source: [SOFA] `ab`, without the Sun's potential (0.4 mas).
fn aberrated(star: Direction<Icrs>, velocity: Vector3<f64>) -> Direction<Icrs> {
    let natural = star.vector();
    let inverse_lorentz = (1.0 - velocity.norm_squared()).sqrt();
    let along = 1.0 + natural.dot(&velocity) / (1.0 + inverse_lorentz);
    Direction::new(natural * inverse_lorentz + velocity * along)
}

#[cfg(test)]
mod tests {
    #[test]
    fn the_air_makes_the_sky_a_little_smaller() {
        let site = Site::new(Angle::from_deg(50.0), Angle::from_deg(10.0)).unwrap();
        let air = crate::sky::Atmosphere::standard(0.0);
        let sky = Observer::new(site, air).at("2026-03-01T22:00:00Z".parse().unwrap());
        let scale_at = |altitude_deg: f64| {
            let horizon =
                Direction::from_az_alt(Angle::from_deg(90.0), Angle::from_deg(altitude_deg));
            sky.seen_scale(sky.to_icrs(horizon))
        };
        // With R = 58.3" tan z [SOFA, refraction's first constant] lengths shrink by 2.8e-4 across
        // and by 2.8e-4 / cos^2 z upwards; aberration adds up to 1e-4 either way.
        let expected = |altitude_deg: f64| {
            let upwards = 1.0 / altitude_deg.to_radians().sin().powi(2);
            1.0 - 2.83e-4 * (1.0 + upwards) / 2.0
        };
        for altitude in [80.0, 45.0, 30.0] {
            let difference = scale_at(altitude) - expected(altitude);
            assert!(difference.abs() < 1.1e-4, "{altitude}: {difference}");
        }
        assert!(scale_at(20.0) < scale_at(60.0) - 5e-4);
    }

    use super::*;

    fn observer(latitude_deg: f64) -> Observer {
        let site = Site::new(Angle::from_deg(latitude_deg), Angle::from_deg(-1.5)).unwrap();
        Observer::new(site, Atmosphere::standard(0.0))
    }

    fn sky(latitude_deg: f64) -> SkyAt {
        observer(latitude_deg).at("2026-10-03T21:14:05Z".parse().unwrap())
    }

    fn stars() -> Vec<Direction<Icrs>> {
        (0..400)
            .map(|i| {
                let ra = Angle::from_deg(f64::from(i) * 137.507_764);
                let dec = Angle::from_rad(((f64::from(i) + 0.5) / 200.0 - 1.0).asin());
                Direction::from_ra_dec(ra, dec)
            })
            .collect()
    }

    #[test]
    fn there_and_back_is_where_it_started() {
        for latitude in [-89.9, -35.0, 0.0, 51.5, 90.0] {
            let sky = sky(latitude);
            for star in stars() {
                assert!(sky.to_icrs(sky.observed(star)).separation(star).rad() < 1e-11);
                let (ra, dec) = sky.apparent(star);
                assert!(sky.from_apparent(ra, dec).separation(star).rad() < 1e-11);
            }
        }
    }

    #[test]
    fn hour_angle_and_declination_say_the_same_as_azimuth_and_altitude() {
        for latitude in [-35.0, 51.5] {
            let sky = sky(latitude);
            for star in stars() {
                let (h, d) = sky.hour_angle_declination(star);
                let phi = Angle::from_deg(latitude);
                let sin_altitude = phi.sin() * d.sin() + phi.cos() * d.cos() * h.cos();
                let airless = sky.airless(star).vector();
                assert!((airless.z - sin_altitude).abs() < 1e-12);
                // West of the meridian means negative x.
                assert!((airless.x + d.cos() * h.sin()).abs() < 1e-12);
            }
        }
    }

    #[test]
    fn sidereal_time_is_right_ascension_plus_hour_angle() {
        let sky = sky(51.5);
        for star in stars() {
            let (ra, _) = sky.apparent(star);
            let (h, _) = sky.hour_angle_declination(star);
            let sum = (ra + h - sky.local_sidereal_time()).wrapped_signed();
            assert!(sum.arcsec().abs() < 1e-6);
        }
    }

    #[test]
    fn south_of_the_zenith_up_is_north_and_near_the_east_horizon_it_leans_west() {
        let sky = sky(51.5);
        let seen = |az: f64, alt: f64| {
            sky.to_icrs(Direction::from_az_alt(
                Angle::from_deg(az),
                Angle::from_deg(alt),
            ))
        };
        let south = sky.up_position_angle(seen(180.0, 40.0)).wrapped_signed();
        // Precession since 2000 turns north of date against north of the ICRS by up to 0.15 degrees.
        assert!(south.deg().abs() < 0.2, "{}", south.deg());
        let east = sky.up_position_angle(seen(90.0, 5.0)).wrapped_signed();
        assert!((east.deg() + 38.5).abs() < 1.0, "{}", east.deg());
        // Between the pole and the horizon below it, up is towards the pole: north again.
        let below = sky.up_position_angle(seen(0.0, 20.0)).wrapped_signed();
        assert!(below.deg().abs() < 0.4, "{}", below.deg());
    }

    #[test]
    fn the_sky_itself_turns_as_evolve_says() {
        for latitude in [-43.5, 51.5] {
            let observer = observer(latitude);
            let start: Timestamp = "2026-10-03T21:14:05Z".parse().unwrap();
            let later = start + jiff::SignedDuration::from_secs(600);
            let (now, then) = (observer.at(start), observer.at(later));
            for star in stars() {
                let predicted = now.evolve(now.observed(star), Seconds::new(600.0));
                let off = predicted.separation(then.observed(star));
                // Aberration, precession and nutation of ten minutes: 0.03" at most.
                assert!(off.arcsec() < 0.03, "{}", off.arcsec());
            }
        }
    }

    #[test]
    fn dates_outside_the_ephemeris_still_have_a_sky() {
        let observer = observer(40.0);
        for text in ["1899-06-01T00:00:00Z", "2101-01-01T00:00:00Z"] {
            let sky = observer.at(text.parse().unwrap());
            let speed = sky.velocity.norm() * 299_792.458;
            assert!((28.5..31.5).contains(&speed), "{text}: {speed} km/s");
        }
        let edge = |text: &str| observer.at(text.parse().unwrap()).velocity;
        // TT passes 2100 Jan 1.0 of the ephemeris between these two.
        let step = edge("2099-12-31T00:00:00Z") - edge("2100-01-03T00:00:00Z");
        assert!(Angle::from_rad(step.norm()).arcsec() < 1.7, "{step}");
    }

    #[test]
    fn a_known_ut1_turns_the_sky_by_fifteen_arcseconds_a_second() {
        let utc: Timestamp = "2026-10-03T21:14:05Z".parse().unwrap();
        let plain = observer(10.0);
        let better = plain.with_ut1(Ut1::MinusUtc(Seconds::new(0.5)));
        let change = better.at(utc).local_sidereal_time() - plain.at(utc).local_sidereal_time();
        assert!((change.arcsec() - 7.52).abs() < 0.01);
    }
}
