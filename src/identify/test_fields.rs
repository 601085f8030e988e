//! Invented stars and repeatable noise for the tests of this stage.

use crate::stars::{Quality, Star, StarField};
use crate::units::{Measured, PixelPoint, PixelTensor};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// Random numbers from a seed.
pub(crate) struct FieldNoise(ChaCha8Rng);

impl FieldNoise {
    pub(crate) fn new(seed: u64) -> Self {
        Self(ChaCha8Rng::seed_from_u64(seed))
    }
    pub(crate) fn uniform(&mut self, low: f64, high: f64) -> f64 {
        self.0.random_range(low..high)
    }
    pub(crate) fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }
}

/// A round star with the same sigma on both axes.
pub(crate) fn star_at(x: f64, y: f64, flux: f64, sigma_px: f64) -> Star {
    Star {
        position: PixelPoint::new(x, y),
        position_covariance: PixelTensor::new(sigma_px * sigma_px, 0.0, sigma_px * sigma_px),
        flux: Measured::new(flux, 0.02 * flux),
        peak: flux / 10.0,
        moments: PixelTensor::new(1.5, 0.0, 1.5),
        moments_sigma: PixelTensor::new(0.05, 0.05, 0.05),
        trail: None,
        quality: Quality::default(),
    }
}

/// A star field that holds nothing but these stars, sorted brightest first.
pub(crate) fn field_of(width: usize, height: usize, mut stars: Vec<Star>) -> StarField {
    stars.sort_by(|p, q| q.flux.value.total_cmp(&p.flux.value));
    StarField::holding(width, height, stars)
}
