//! Frames without pixels: what a star finder would report, with noise of a known size.
//!
//! Every error of a star is drawn from the sigma that is stated beside the value; the error that all
//! stars of a frame share, where one is asked for, is stated nowhere. Whatever is fitted to these
//! lists and allows for the shared error must have pulls of unit spread.

use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

use super::depth::{faintest, noise_under_star};
use super::dice::dice;
use super::field::SkyStar;
use super::header::header;
use super::night::Simulation;
use super::path::{Exposure, mean, spread};
use super::scenario::Scenario;
use super::schedule::Shot;
use super::shapes::read_shapes;
use super::{Listing, SimulatedField};
use crate::error::Error;
use crate::stars::{Quality, Rejected, Star, StarField};
use crate::units::{Angle, Measured, PixelPoint, PixelTensor, PixelVector};

/// Signal to noise ratio from which on a star is found.
const FOUND: f64 = 8.0;
/// Stars closer than this many widths (and a trail) merge with a brighter one.
const MERGING_WIDTHS: f64 = 2.5;
/// Sine of the altitude, 10 degrees, below which no stars are listed: ground, trees and haze hide
/// them, and the truth's refraction, two terms in tan z, is none there (1.2" from ray traces 10
/// degrees up, 26" 5 degrees up, whatever below the horizon).
const LOWEST_SINE: f64 = 0.173_648;
const CENTROIDS: u64 = 0xce27;
/// Mark of the dice that move a star beside its catalogue place.
const PLACES: u64 = 0x91ace;
/// Mark of the dice that move a whole list.
const WHOLE_LIST: u64 = 0x1157;
/// Mark of the dice that make all stars of a night uneven.
const UNEVENNESS: u64 = 0x0dd;
/// Full width at half maximum over standard deviation of a Gaussian, `sqrt(8 ln 2)`.
const FWHM_OVER_SIGMA: f64 = 2.354_820_045;

/// The star list of one frame with normal noise.
///
/// # Errors
/// Where the sky cannot be worked out for the date.
pub fn star_list(
    simulation: &Simulation,
    alignment: usize,
    shot: &Shot,
    listing: Listing,
) -> Result<SimulatedField, Error> {
    let exposure = simulation.exposure(alignment, shot)?;
    let air = simulation.air(alignment, shot);
    let (sensor, profile) = (&simulation.sensor, &simulation.profile);
    let limit = faintest(sensor, profile, &exposure, shot.exposure, air, FOUND);
    let mut candidates = simulation.stars_for(&exposure, limit_of(listing, limit));
    if candidates.len() < MANY * listing.most_stars.unwrap_or(usize::MAX / MANY) {
        candidates = simulation.stars_for(&exposure, limit);
    }
    for star in &mut candidates {
        misplace(star, simulation.scenario.seed, listing.place_arcsec);
    }
    candidates.sort_by(|a, b| a.magnitude.total_cmp(&b.magnitude));
    let noise_e = noise_under_star(sensor, profile, &exposure, shot.exposure, air);
    let mut lister = Lister {
        simulation,
        exposure: &exposure,
        sigma_px: listing.star_px,
        dice: dice(
            simulation.scenario.seed,
            &[CENTROIDS, u64::from(shot.number)],
        ),
        found: Vec::new(),
        n_clean: 0,
    };
    for star in &candidates {
        if listing
            .most_stars
            .is_some_and(|most| lister.n_clean >= most)
        {
            break;
        }
        let electrons = sensor.electrons(star.magnitude, shot.exposure) * air.transparency;
        lister.list(star, electrons, (electrons + noise_e * noise_e).sqrt());
    }
    let truth = simulation.truth(alignment, shot, &exposure, lister.found.len())?;
    let (mut stars, places): (Vec<Star>, Vec<SkyStar>) = lister.found.into_iter().unzip();
    let (ra, dec) = exposure.place_at(simulation.projection.center);
    let shapes = read_shapes(
        &stars,
        (sensor.width, sensor.height),
        &exposure.path(ra, dec).unwrap_or_default(),
        unevenness(simulation.scenario, listing.unevenness),
        &mut lister.dice,
    );
    WholeList::thrown(simulation, shot, listing.frame_px).apply(&mut stars);
    let variance = sensor.sky_variance(shot.exposure, air.sky_factor);
    Ok(SimulatedField {
        alignment,
        header: header(simulation.scenario, shot),
        field: StarField {
            width: sensor.width,
            height: sensor.height,
            stars,
            background: sensor.sky * air.sky_factor * shot.exposure / sensor.full_scale,
            noise: variance.sqrt() / sensor.full_scale,
            fwhm: shapes.fwhm,
            trail: shapes.trail,
            lens: shapes.lens,
            rejected: Rejected::default(),
        },
        places,
        truth,
    })
}

/// Candidates for each wanted star, for many fall beside the frame or on one another.
const MANY: usize = 8;
/// Where few stars are wanted, the real ones down to here are tried first: it saves the faint ones.
const BRIGHT: f64 = 7.5;

fn limit_of(listing: Listing, limit: f64) -> f64 {
    match listing.most_stars {
        Some(_) => limit.min(BRIGHT),
        None => limit,
    }
}

/// Moves a star beside its catalogue place, the same in all frames of a night.
fn misplace(star: &mut SkyStar, seed: u64, sigma_arcsec: f64) {
    if sigma_arcsec <= 0.0 {
        return;
    }
    let mut dice = dice(seed, &[PLACES, star.ra.to_bits(), star.dec.to_bits()]);
    let mut off = || Angle::from_arcsec(sigma_arcsec * dice.sample::<f64, _>(StandardNormal)).rad();
    let (east, north) = (off(), off());
    star.ra += east / star.dec.cos().max(1e-6);
    star.dec += north;
}

/// What moves all stars of a frame together: a shift, and a turn about the middle.
struct WholeList {
    middle: PixelPoint,
    shift: PixelVector,
    turn: f64,
}

impl WholeList {
    /// Each coordinate shifted by a normal error, and turned by the angle under which one of the
    /// same size is seen over half of the frame's height.
    fn thrown(simulation: &Simulation, shot: &Shot, sigma_px: f64) -> Self {
        let marks = [WHOLE_LIST, u64::from(shot.number)];
        let mut dice = dice(simulation.scenario.seed, &marks);
        let mut normal = || -> f64 { dice.sample(StandardNormal) };
        let [x, y] = simulation.projection.center;
        Self {
            middle: PixelPoint::new(x, y),
            shift: PixelVector::new(normal() * sigma_px, normal() * sigma_px),
            turn: normal() * sigma_px / y.max(1.0),
        }
    }

    fn apply(&self, stars: &mut [Star]) {
        let (sin, cos) = self.turn.sin_cos();
        for star in stars {
            let arm = star.position - self.middle;
            let turned = PixelVector::new(cos * arm.dx - sin * arm.dy, sin * arm.dx + cos * arm.dy);
            star.position = self.middle + turned + self.shift;
        }
    }
}

struct Lister<'a> {
    simulation: &'a Simulation<'a>,
    exposure: &'a Exposure,
    sigma_px: f64,
    dice: ChaCha8Rng,
    found: Vec<(Star, SkyStar)>,
    n_clean: usize,
}

impl Lister<'_> {
    /// Adds a star where it lies on the frame and apart from brighter ones.
    fn list(&mut self, star: &SkyStar, electrons: f64, sigma_e: f64) {
        let Some(path) = self.exposure.path(star.ra, star.dec) else {
            return;
        };
        let [x, y] = mean(&path);
        let (width, height) = (self.simulation.sensor.width, self.simulation.sensor.height);
        let inside = x > -0.5 && y > -0.5 && x < width as f64 - 0.5 && y < height as f64 - 0.5;
        if !inside || self.is_low([x, y]) || self.merges(PixelPoint::new(x, y)) {
            return;
        }
        let still = self.still_moments([x, y]);
        let [sx, sxy, sy] = spread(&path);
        let true_moments = PixelTensor::new(still.xx + sx, still.xy + sxy, still.yy + sy);
        let sigma = self.moment_sigma(true_moments);
        let variance = self.sigma_px * self.sigma_px;
        let scale = 1.0 / self.simulation.sensor.full_scale;
        let position =
            PixelPoint::new(x + self.noise(self.sigma_px), y + self.noise(self.sigma_px));
        let moments = PixelTensor::new(
            true_moments.xx + self.noise(sigma.xx),
            true_moments.xy + self.noise(sigma.xy),
            true_moments.yy + self.noise(sigma.yy),
        );
        let size = (true_moments.xx * true_moments.yy).sqrt();
        let found = Star {
            position,
            position_covariance: PixelTensor::new(variance, 0.0, variance),
            flux: Measured::new(electrons * scale, sigma_e * scale),
            peak: (electrons * scale / (std::f64::consts::TAU * size)).min(1.0),
            moments,
            moments_sigma: sigma,
            trail: None,
            quality: Quality {
                saturated: electrons * scale / (std::f64::consts::TAU * size) > 1.0,
                ..Quality::default()
            },
        };
        self.n_clean += usize::from(found.quality.is_clean());
        self.found.push((found, *star));
    }

    /// Whether ground or haze hides what is seen at a place.
    fn is_low(&self, place: [f64; 2]) -> bool {
        self.exposure.direction_at(place).z < LOWEST_SINE
    }

    fn noise(&mut self, sigma: f64) -> f64 {
        let normal: f64 = self.dice.sample(StandardNormal);
        sigma * normal
    }

    fn merges(&self, place: PixelPoint) -> bool {
        let width = self.simulation.scenario.lens.fwhm_px;
        let reach = MERGING_WIDTHS * width + self.exposure.longest_trail_px();
        self.found.iter().any(|(other, _)| {
            let (dx, dy) = (other.position.x - place.x, other.position.y - place.y);
            dx * dx + dy * dy < reach * reach
        })
    }

    /// Second moments of a still star at a place: profile, pixel and lens faults.
    ///
    /// Moments add up. A disc of diameter d has d^2 / 16 each way, a line of length L has L^2 / 12
    /// along it, and a flare whose light falls evenly to nothing over L has L^2 / 18.
    fn still_moments(&self, at: [f64; 2]) -> PixelTensor {
        let lens = &self.simulation.scenario.lens;
        let [cx, cy] = self.simulation.projection.center;
        let (x, y) = (at[0] - cx, at[1] - cy);
        let distance = x.hypot(y).max(1e-9);
        let relative = distance / cx.hypot(cy);
        let disc = (lens.defocus_px + lens.tilt_px * x / cx).powi(2) / 16.0;
        let round = (lens.fwhm_px / FWHM_OVER_SIGMA).powi(2) + 1.0 / 12.0 + disc;
        let streak = (lens.astigmatism_px * relative * relative).powi(2) / 12.0;
        let flare = (lens.coma_px * relative).powi(2) / 18.0;
        let (c, s) = (x / distance, y / distance);
        let (outwards, around) = if lens.astigmatism_px < 0.0 {
            (flare, streak)
        } else {
            (streak + flare, 0.0)
        };
        PixelTensor::new(
            round + outwards * c * c + around * s * s,
            (outwards - around) * c * s,
            round + outwards * s * s + around * c * c,
        )
    }

    /// Noise of second moments that goes with the noise of the centroid.
    ///
    /// For a Gaussian of standard deviation s, a centroid noise c means moments noise of
    /// `sqrt(2) s c` along the axes and `s c` across (from memory: photon noise of plain moments).
    fn moment_sigma(&self, moments: PixelTensor) -> PixelTensor {
        let size = (0.5 * (moments.xx + moments.yy)).sqrt();
        let across = size * self.sigma_px;
        let along = std::f64::consts::SQRT_2 * across;
        PixelTensor::new(along, across, along)
    }
}

/// What lens and sensor add to both parts of every star's elongation, the same all night, and its
/// 1-sigma; square pixels.
fn unevenness(scenario: &Scenario, share: f64) -> ([f64; 2], f64) {
    let sigma = share * (scenario.lens.fwhm_px / FWHM_OVER_SIGMA).powi(2);
    let mut dice = dice(scenario.seed, &[UNEVENNESS]);
    let mut part = || sigma * dice.sample::<f64, _>(StandardNormal);
    ([part(), part()], sigma)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_whole_list_keeps_its_shape() {
        let star = |x, y| Star {
            position: PixelPoint::new(x, y),
            position_covariance: PixelTensor::new(0.01, 0.0, 0.01),
            flux: Measured::new(1.0, 0.1),
            peak: 0.1,
            moments: PixelTensor::new(1.0, 0.0, 1.0),
            moments_sigma: PixelTensor::new(0.1, 0.1, 0.1),
            trail: None,
            quality: Quality::default(),
        };
        let mut stars = [star(100.0, 50.0), star(110.0, 50.0)];
        let moved = WholeList {
            middle: PixelPoint::new(100.0, 50.0),
            shift: PixelVector::new(0.3, -0.2),
            turn: std::f64::consts::FRAC_PI_2,
        };
        moved.apply(&mut stars);
        let off = |star: &Star, x, y| star.position.distance(PixelPoint::new(x, y)).px();
        // From right (+x) to down (+y).
        assert!(off(&stars[0], 100.3, 49.8) < 1e-9 && off(&stars[1], 100.3, 59.8) < 1e-9);
    }
}
