//! Invented pictures of the real sky, for tests and benches of identification.
//!
//! Truth: synthetic. Places come from spherical trigonometry written out here (the cosine formulas
//! of the gnomonic projection), not from the crate's own rotations and lens.

#![allow(dead_code)] // Each test and bench uses its own part.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use stillpoint::identify::lens::Lens;
use stillpoint::identify::{Identification, KnownLens, Match};
use stillpoint::sky::Direction;
use stillpoint::sky::catalogue::Catalogue;
use stillpoint::stars::{Quality, Rejected, Star, StarField};
use stillpoint::units::{Angle, Measured, PixelPoint, PixelTensor};

/// A camera, where it looks, and what it did to the picture.
#[derive(Debug, Clone)]
pub struct Scene {
    /// Frame size, pixels.
    pub width: usize,
    /// Frame size, pixels.
    pub height: usize,
    /// True focal length, pixels.
    pub focal_px: f64,
    /// Right ascension of the centre, degrees.
    pub ra_deg: f64,
    /// Declination of the centre, degrees.
    pub dec_deg: f64,
    /// Position angle of the picture's upward direction, degrees.
    pub up_deg: f64,
    /// Relative radial displacement in the corner; negative is barrel.
    pub corner_distortion: f64,
    /// Faintest magnitude that the picture shows.
    pub limit: f64,
    /// Noise of a place on either axis, pixels.
    pub noise_px: f64,
    /// Length of the trails, pixels: adds noise along one direction.
    pub trail_px: f64,
    /// Share of stars that are missing.
    pub missing: f64,
    /// Share of detections that are no stars.
    pub spurious: f64,
}

/// A picture and what is in it.
pub struct Picture {
    /// What the program sees.
    pub field: StarField,
    /// Catalogue number of each star of the field; `None` for strangers.
    pub truth: Vec<Option<usize>>,
    /// Catalogue stars on the frame down to the picture's limit, missing ones included.
    pub n_in_frame: usize,
}

/// Random numbers from a seed.
pub struct Dice(ChaCha8Rng);

impl Dice {
    /// From a seed.
    pub fn new(seed: u64) -> Self {
        Self(ChaCha8Rng::seed_from_u64(seed))
    }
    /// Evenly between two numbers.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        self.0.random_range(low..high)
    }
    /// Normal with unit spread.
    pub fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }
    /// One of a list.
    pub fn pick<T: Copy>(&mut self, list: &[T]) -> T {
        list[self.0.random_range(0..list.len())]
    }
}

/// A camera and a place on the sky, as photographers have them.
pub fn random_scene(dice: &mut Dice) -> Scene {
    let focal_mm = dice.pick(&[
        14.0, 20.0, 24.0, 35.0, 50.0, 85.0, 105.0, 135.0, 180.0, 200.0, 250.0, 300.0, 400.0, 500.0,
        600.0,
    ]);
    let sensor_mm = dice.pick(&[36.0, 36.0, 23.5, 22.3, 17.3, 13.2]);
    let (width, height) = dice.pick(&[
        (1600, 1200),
        (2400, 1600),
        (2000, 1333),
        (1600, 2400),
        (4000, 3000),
        (6000, 4000),
    ]);
    let long_side = f64::from(width.max(height));
    let focal_px = focal_mm / sensor_mm * long_side;
    let corner_tangent = 0.5 * f64::from(width).hypot(f64::from(height)) / focal_px;
    let lot = dice.between(0.0, 1.0);
    let (ra_deg, dec_deg) = if lot < 0.08 {
        // About the poles.
        let side = dice.pick(&[-1.0, 1.0]);
        (dice.between(0.0, 360.0), side * dice.between(84.0, 90.0))
    } else if lot < 0.16 {
        // Across 0 h.
        (dice.between(-1.0, 1.0), dice.between(-80.0, 80.0))
    } else {
        let sine = dice.between(-1.0, 1.0);
        (dice.between(0.0, 360.0), sine.asin().to_degrees())
    };
    Scene {
        width: width as usize,
        height: height as usize,
        focal_px,
        ra_deg,
        dec_deg,
        up_deg: dice.between(0.0, 360.0),
        corner_distortion: if corner_tangent > 0.3 {
            dice.between(-0.035, 0.005)
        } else {
            dice.between(-0.012, 0.006)
        },
        limit: dice.between(0.0, 1.0),
        noise_px: dice.between(0.05, 0.5),
        trail_px: dice.pick(&[0.0, 0.0, 3.0, 30.0]),
        missing: 0.3,
        spurious: 0.2,
    }
}

impl Scene {
    /// The pixel of a place on the sky, by the formulas of the gnomonic projection; `None` off the frame.
    pub fn pixel(&self, ra_deg: f64, dec_deg: f64) -> Option<(f64, f64)> {
        let (dec, dec_0) = (dec_deg.to_radians(), self.dec_deg.to_radians());
        let hour = (ra_deg - self.ra_deg).to_radians();
        let depth = dec_0.sin() * dec.sin() + dec_0.cos() * dec.cos() * hour.cos();
        if depth < 0.1 {
            return None;
        }
        let east = dec.cos() * hour.sin() / depth;
        let north = (dec_0.cos() * dec.sin() - dec_0.sin() * dec.cos() * hour.cos()) / depth;
        let up_angle = self.up_deg.to_radians();
        let up = east * up_angle.sin() + north * up_angle.cos();
        // Seen from inside the sphere, east lies a quarter turn to the left of north.
        let right = north * up_angle.sin() - east * up_angle.cos();
        let corner = 0.5 * (self.width as f64).hypot(self.height as f64) / self.focal_px;
        let reach2 = (up * up + right * right) / (corner * corner);
        let stretch = self.focal_px * (1.0 + self.corner_distortion * reach2);
        // Distortion is not followed far outside the frame, where it would fold back.
        if reach2 > 1.3 {
            return None;
        }
        let x = (self.width as f64 - 1.0) / 2.0 + stretch * right;
        let y = (self.height as f64 - 1.0) / 2.0 - stretch * up;
        let inside =
            x >= 0.0 && y >= 0.0 && x <= self.width as f64 - 1.0 && y <= self.height as f64 - 1.0;
        inside.then_some((x, y))
    }

    /// Catalogue stars on the frame with their pixels, brightest first.
    pub fn catalogue_stars(&self, faintest: f64) -> Vec<(usize, f64, f64)> {
        let catalogue = Catalogue::embedded();
        let corner = 0.5 * (self.width as f64).hypot(self.height as f64) / self.focal_px;
        let center =
            Direction::from_ra_dec(Angle::from_deg(self.ra_deg), Angle::from_deg(self.dec_deg));
        catalogue
            .within(center, Angle::from_rad((1.1 * corner).atan()), faintest)
            .into_iter()
            .filter_map(|star_idx| {
                let (ra, dec) = catalogue.direction(star_idx).ra_dec();
                let (x, y) = self.pixel(ra.deg(), dec.deg())?;
                Some((star_idx, x, y))
            })
            .collect()
    }

    /// Sets the picture's limit so that it shows about a number of catalogue stars (or all there
    /// are to magnitude 10 and then fainter ones).
    pub fn with_stars(mut self, n_stars: usize) -> Self {
        let catalogue = Catalogue::embedded();
        let all = self.catalogue_stars(10.0);
        self.limit = match all.get(n_stars) {
            Some((star_idx, _, _)) => catalogue.magnitude(*star_idx),
            None => 10.0 + 2.5 * (n_stars as f64 / (all.len() as f64).max(1.0)).log10() / 1.1,
        };
        self
    }

    /// The picture, with its noise.
    pub fn picture(&self, dice: &mut Dice) -> Picture {
        let catalogue = Catalogue::embedded();
        let known = self.catalogue_stars(self.limit.min(10.0));
        let n_in_frame = known.len();
        let mut light: Vec<(f64, f64, f64, Option<usize>)> = Vec::new();
        let brightest = known.first().map_or(9.0, |s| catalogue.magnitude(s.0));
        let saturation = brightest + dice.between(-1.0, 3.0);
        let trail_angle = dice.between(0.0, std::f64::consts::PI);
        for (star_idx, x, y) in &known {
            if dice.between(0.0, 1.0) >= self.missing {
                let magnitude = catalogue.magnitude(*star_idx);
                light.push((*x, *y, magnitude, Some(*star_idx)));
            }
        }
        // Stars beyond the catalogue: their number rises by 2.5 a magnitude.
        if self.limit > 10.0 {
            let n_to_10 = n_in_frame as f64;
            let n_faint = n_to_10 * (2.5_f64.powf(self.limit - 10.0) - 1.0) * (1.0 - self.missing);
            for _ in 0..(n_faint as usize).min(3000) {
                let depth = dice.between(1.0, 2.5_f64.powf(self.limit - 10.0)).ln() / 2.5_f64.ln();
                let (x, y) = self.anywhere(dice);
                light.push((x, y, 10.0 + depth, None));
            }
        }
        let n_spurious = (light.len() as f64 * self.spurious / (1.0 - self.spurious)) as usize;
        for _ in 0..n_spurious {
            let alike = light[..light.len() - light.len() / 10]
                .get((dice.between(0.0, 1.0) * light.len() as f64) as usize)
                .map_or(9.0, |s| s.2);
            let (x, y) = self.anywhere(dice);
            light.push((x, y, alike, None));
        }
        let corner2 = (self.width as f64).powi(2) + (self.height as f64).powi(2);
        let mut stars: Vec<(Star, Option<usize>)> = light
            .iter()
            .map(|(x, y, magnitude, truth)| {
                let reach2 = 4.0
                    * ((x - self.width as f64 / 2.0).powi(2)
                        + (y - self.height as f64 / 2.0).powi(2))
                    / corner2;
                let colour = 0.35 * dice.normal();
                let seen = magnitude + colour + 0.8 * reach2;
                // Beyond saturation only a third of the light is left, in magnitudes.
                let saturated = seen < saturation;
                let seen = if saturated {
                    saturation - (saturation - seen) / 3.0
                } else {
                    seen
                };
                let along = 0.02 * self.trail_px * dice.normal();
                let dx = self.noise_px * dice.normal() + along * trail_angle.cos();
                let dy = self.noise_px * dice.normal() + along * trail_angle.sin();
                let sigma_px = self.noise_px.hypot(0.014 * self.trail_px);
                let star = star_at(x + dx, y + dy, seen, sigma_px, saturated);
                (star, *truth)
            })
            .collect();
        stars.sort_by(|p, q| q.0.flux.value.total_cmp(&p.0.flux.value));
        Picture {
            truth: stars.iter().map(|s| s.1).collect(),
            field: field_of(
                self.width,
                self.height,
                stars.into_iter().map(|s| s.0).collect(),
            ),
            n_in_frame,
        }
    }

    /// The lens as other frames would tell it: right within its sigmas.
    pub fn known_lens(&self, dice: &mut Dice) -> KnownLens {
        let (width, height) = (self.width as f64, self.height as f64);
        let corner2 = (0.25 * width * width + 0.25 * height * height) / self.focal_px.powi(2);
        let (focal_sigma, k1_sigma) = (3e-4, 2e-4 / corner2);
        let lens = Lens {
            focal_px: self.focal_px * (1.0 + focal_sigma * dice.normal()),
            center: PixelPoint::new((width - 1.0) / 2.0, (height - 1.0) / 2.0),
            k1: self.corner_distortion / corner2 + k1_sigma * dice.normal(),
            k2: 0.0,
        };
        KnownLens {
            lens,
            focal_sigma,
            k1_sigma,
            k2_sigma: 1e-4 / (corner2 * corner2),
        }
    }

    fn anywhere(&self, dice: &mut Dice) -> (f64, f64) {
        (
            dice.between(0.0, self.width as f64 - 1.0),
            dice.between(0.0, self.height as f64 - 1.0),
        )
    }
}

/// A camera over a field of which a foreground or a cloud leaves 5 to 12 catalogue stars.
pub fn sparse_scene(dice: &mut Dice) -> Scene {
    let mut scene = random_scene(dice);
    let n_in_frame = dice.between(15.0, 30.0);
    scene = scene.with_stars(n_in_frame as usize);
    let n_here = scene.catalogue_stars(scene.limit.min(10.0)).len().max(1);
    let n_visible = dice.between(5.0, 12.99).floor();
    scene.missing = (1.0 - n_visible / n_here as f64).max(0.0);
    scene
}

/// A round star of a magnitude; magnitude 10 has the flux 1.
pub fn star_at(x: f64, y: f64, magnitude: f64, sigma_px: f64, saturated: bool) -> Star {
    let flux = 10_f64.powf(-0.4 * (magnitude - 10.0));
    Star {
        position: PixelPoint::new(x, y),
        position_covariance: PixelTensor::new(sigma_px * sigma_px, 0.0, sigma_px * sigma_px),
        flux: Measured::new(flux, 0.02 * flux),
        peak: flux / 10.0,
        moments: PixelTensor::new(1.5, 0.0, 1.5),
        moments_sigma: PixelTensor::new(0.05, 0.05, 0.05),
        trail: None,
        quality: Quality {
            saturated,
            ..Quality::default()
        },
    }
}

/// A star field that holds nothing but these stars.
pub fn field_of(width: usize, height: usize, stars: Vec<Star>) -> StarField {
    StarField {
        width,
        height,
        stars,
        background: 0.01,
        noise: 0.001,
        fwhm: None,
        trail: None,
        lens: None,
        rejected: Rejected::default(),
    }
}

/// The same picture as a mirror shows it.
pub fn mirrored(field: &StarField) -> StarField {
    let mut field = field.clone();
    for star in &mut field.stars {
        star.position.x = field.width as f64 - 1.0 - star.position.x;
    }
    field
}

/// Stars strewn at random, with the brightness distribution of real ones.
pub fn random_field(dice: &mut Dice, width: usize, height: usize, n_stars: usize) -> StarField {
    let mut stars: Vec<Star> = (0..n_stars)
        .map(|_| {
            let x = dice.between(0.0, width as f64 - 1.0);
            let y = dice.between(0.0, height as f64 - 1.0);
            let magnitude = 10.0 + dice.between(0.001, 1.0).ln() / 2.5_f64.ln();
            star_at(x, y, magnitude, 0.2, false)
        })
        .collect();
    stars.sort_by(|p, q| q.flux.value.total_cmp(&p.flux.value));
    field_of(width, height, stars)
}

/// Whether an answer is right.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// Most matched stars are what they are said to be.
    Right,
    /// No answer.
    NotFound,
    /// An answer with most stars mistaken.
    Wrong,
}

/// Compares the matched stars with the truth.
pub fn judge(answer: &Identification, picture: &Picture) -> Outcome {
    let Some(plate) = answer.plate() else {
        return Outcome::NotFound;
    };
    let right = |m: &&Match| picture.truth[m.star_idx] == Some(m.catalogue_idx);
    let n_right = plate.matches.iter().filter(right).count();
    if 2 * n_right > plate.matches.len() {
        Outcome::Right
    } else {
        Outcome::Wrong
    }
}
