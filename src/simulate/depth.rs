//! How faint a star a frame shows, through which air.

use super::path::Exposure;
use super::psf::Profile;
use super::sensor::Sensor;

/// What a frame's air lets through.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Air {
    /// Share of the starlight that gets through.
    pub transparency: f64,
    /// Brightness of the sky over that of the clear sky.
    pub sky_factor: f64,
}

/// Noise of the sky under a star smeared over the frame's longest trail, electrons.
pub fn noise_under_star(
    sensor: &Sensor,
    profile: &Profile,
    exposure: &Exposure,
    exposure_s: f64,
    air: Air,
) -> f64 {
    // A star's light lies on about twice the area that its peak suggests.
    let area = 1.0 / profile.density(0.0);
    let smeared = 2.0 * area + 1.5 * area.sqrt() * exposure.longest_trail_px();
    (sensor.sky_variance(exposure_s, air.sky_factor) * smeared)
        .sqrt()
        .max(1.0)
}

/// Magnitude of a star with the given signal to noise ratio against the sky.
pub fn faintest(
    sensor: &Sensor,
    profile: &Profile,
    exposure: &Exposure,
    exposure_s: f64,
    air: Air,
    signal_to_noise: f64,
) -> f64 {
    let electrons = signal_to_noise * noise_under_star(sensor, profile, exposure, exposure_s, air);
    let zero = sensor.electrons(0.0, exposure_s) * air.transparency.max(1e-9);
    2.5 * (zero / electrons).log10()
}
