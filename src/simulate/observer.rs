//! The sky over a place: ICRS <-> directions in the horizon frame, refraction included, by IAU SOFA.
//!
//! Horizon frame: x east, y north, z up.

use jiff::Timestamp;
use nalgebra::Vector3;
use sofars::astro::{IauAstrom, apco13, atciqz, aticq, atioq, atoiq};

use super::scenario::Scenario;
use crate::error::{Error, ErrorKind};

/// Effective wavelength of a camera's green light, micrometres (common practice, no source).
const WAVELENGTH_UM: f64 = 0.55;
const SECONDS_A_DAY: f64 = 86_400.0;

/// A place, its air, and the start of the night.
#[derive(Debug, Clone)]
pub struct Observer {
    latitude: f64,
    longitude: f64,
    height_m: f64,
    pressure_hpa: f64,
    temperature_c: f64,
    humidity: f64,
    ut1_minus_utc_s: f64,
    start: Timestamp,
}

/// The sky over the place at one instant.
#[derive(Debug, Clone)]
pub struct SkyMoment {
    astrom: IauAstrom,
}

impl Observer {
    /// The place and the start of a scenario.
    pub fn new(scenario: &Scenario) -> Self {
        let site = &scenario.site;
        Self {
            latitude: site.latitude_deg.to_radians(),
            longitude: site.longitude_deg.to_radians(),
            height_m: site.height_m,
            pressure_hpa: site.pressure_hpa,
            temperature_c: site.temperature_c,
            humidity: site.humidity,
            ut1_minus_utc_s: site.ut1_minus_utc_s,
            start: scenario.start_utc,
        }
    }

    /// Sense of the sky's turn about the pole above the horizon: -1 in the north, +1 in the south.
    pub fn turn_sense(&self) -> f64 {
        if self.latitude < 0.0 { 1.0 } else { -1.0 }
    }

    /// The sky `t` seconds after the start of the night.
    ///
    /// # Errors
    /// `BadSetting` where SOFA refuses the date.
    pub fn moment(&self, t: f64) -> Result<SkyMoment, Error> {
        let start_s = self.start.as_second();
        let day = start_s.div_euclid(86_400);
        let second =
            (start_s - day * 86_400) as f64 + f64::from(self.start.subsec_nanosecond()) * 1e-9 + t;
        let mut astrom = IauAstrom::default();
        let mut equation_of_origins = 0.0;
        apco13(
            2_440_587.5 + day as f64,
            second / SECONDS_A_DAY,
            self.ut1_minus_utc_s,
            self.longitude,
            self.latitude,
            self.height_m,
            0.0,
            0.0,
            self.pressure_hpa,
            self.temperature_c,
            self.humidity,
            WAVELENGTH_UM,
            &mut astrom,
            &mut equation_of_origins,
        )
        .map_err(|code| {
            let text = format!("no sky can be worked out for {} (code {code})", self.start);
            Error::new(ErrorKind::BadSetting, text)
        })?;
        Ok(SkyMoment { astrom })
    }

    /// Direction with the given hour angle (west positive) and declination about the true pole, as it is seen.
    pub fn at_hour_angle(&self, hour_angle: f64, declination: f64) -> Vector3<f64> {
        let (sin_h, cos_h) = hour_angle.sin_cos();
        let (sin_d, cos_d) = declination.sin_cos();
        let (sin_l, cos_l) = self.latitude.sin_cos();
        Vector3::new(
            -cos_d * sin_h,
            sin_d * cos_l - cos_d * cos_h * sin_l,
            sin_d * sin_l + cos_d * cos_h * cos_l,
        )
    }
}

impl SkyMoment {
    /// Where a star is seen in the horizon frame.
    pub fn seen(&self, ra: f64, dec: f64) -> Vector3<f64> {
        // SOFA hands the parameters in by reference without changing them.
        let mut astrom = self.astrom;
        let (ri, di) = atciqz(ra, dec, &mut astrom);
        self.seen_from_cirs(ri, di)
    }

    fn seen_from_cirs(&self, ri: f64, di: f64) -> Vector3<f64> {
        let (azimuth, zenith_distance, ..) = atioq(ri, di, &self.astrom);
        from_azimuth_altitude(azimuth, std::f64::consts::FRAC_PI_2 - zenith_distance)
    }

    /// ICRS right ascension and declination (radians) of a direction seen in the horizon frame.
    pub fn icrs(&self, direction: &Vector3<f64>) -> (f64, f64) {
        let azimuth = direction.x.atan2(direction.y);
        let zenith_distance = direction.x.hypot(direction.y).atan2(direction.z);
        let (ri, di) = atoiq("A", azimuth, zenith_distance, &self.astrom);
        let mut astrom = self.astrom;
        aticq(ri, di, &mut astrom)
    }

    /// The celestial pole above the horizon, as it is seen through the air.
    pub fn seen_pole(&self) -> Vector3<f64> {
        let side = if self.astrom.sphi < 0.0 { -1.0 } else { 1.0 };
        self.seen_from_cirs(0.0, side * std::f64::consts::FRAC_PI_2)
    }
}

/// Unit vector in the horizon frame, from azimuth (north through east) and altitude in radians.
pub fn from_azimuth_altitude(azimuth: f64, altitude: f64) -> Vector3<f64> {
    let (sin_a, cos_a) = azimuth.sin_cos();
    let (sin_h, cos_h) = altitude.sin_cos();
    Vector3::new(cos_h * sin_a, cos_h * cos_a, sin_h)
}
