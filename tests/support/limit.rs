//! Pictures of stars that moved, and the least scatter that any measurement of them can have.
//!
//! Truth: synthetic, and analytic for the bound. The picture is the model of Bouquillon et al. 2017
//! (A&A 606, A27): a Gaussian star convolved with a straight motion, integrated over square pixels,
//! with the noise of its own photons and the sky's. Taken from there: this model and that the bound
//! is the inverse of the Fisher matrix, the sum over pixels of slope times slope over variance. The
//! matrix is summed up here from differences of drawn pictures, for place, light, pedestal and the
//! trail together; `tests/measuring_limit.rs` holds it against closed limits. No code of the crate
//! draws or judges here.

#![allow(dead_code)] // Each test and bench uses its own part.

use nalgebra::DMatrix;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;
use stillpoint::frame::Plane;
use stillpoint::stars::{Star, StarField, measure_stars};

/// Electrons at full scale of the plane; no star comes near.
const FULL_SCALE_E: f64 = 60_000.0;
/// Light that these pictures never reach, on the scale of the plane.
const NO_SATURATION: f32 = 1e6;
/// Sigma of a Gaussian per full width at half maximum.
const SIGMA_PER_FWHM: f64 = 0.424_660_900_144_009_5;
/// Trails longer than this many full widths are measured star by star as vectors.
pub const LONG_TRAIL_WIDTHS: f64 = 1.3;

/// Stars of one kind on a plain sky.
#[derive(Debug, Clone, Copy)]
pub struct Shot {
    /// Full width at half maximum before the pixels, pixels.
    pub fwhm: f64,
    /// Share of the light in a second Gaussian twice as wide, as lenses make it.
    pub wings: f64,
    /// Vector between the ends of the trail, pixels.
    pub trail: (f64, f64),
    /// Sky with read noise, electrons a pixel: its variance.
    pub sky_e: f64,
    /// Signal to noise ratio of the light were all else known; of the faintest stars.
    pub ratio: f64,
    /// Signal to noise ratio of the brightest stars over that of the faintest; there are half as many above
    /// twice the ratio. 1: all alike.
    pub brighter: f64,
    /// Frame size, pixels.
    pub size: (usize, usize),
    /// Number that the random choices follow from.
    pub seed: u64,
}

impl Shot {
    fn sigma(&self) -> f64 {
        self.fwhm * SIGMA_PER_FWHM
    }
    /// Length of the trail, pixels.
    pub fn length(&self) -> f64 {
        self.trail.0.hypot(self.trail.1)
    }
    /// Whether each star's vector is measured, or only its second moments.
    pub fn is_long(&self) -> bool {
        self.length() > LONG_TRAIL_WIDTHS * self.fwhm
    }
    /// Half side of a window that holds all but 1e-5 of a star.
    fn reach(&self) -> i64 {
        let wide = if self.wings > 0.0 { 2.0 } else { 1.0 };
        (0.5 * self.length() + 4.5 * wide * self.sigma() + 1.5).ceil() as i64
    }
    /// Unit light over a square window about the origin for a star at (x, y) with this trail.
    fn unit_light(&self, x: f64, y: f64, trail: (f64, f64)) -> Vec<f64> {
        let half = self.reach() + 1;
        let side = (2 * half + 1) as usize;
        let mut light = vec![0.0; side * side];
        for (share, sigma) in [
            (1.0 - self.wings, self.sigma()),
            (self.wings, 2.0 * self.sigma()),
        ] {
            if share == 0.0 {
                continue;
            }
            let steps = 1 + (3.0 * trail.0.hypot(trail.1) / sigma).ceil() as usize;
            for (t, weight) in quadrature(steps) {
                let columns = pixel_shares(x + t * trail.0, sigma, half);
                let rows = pixel_shares(y + t * trail.1, sigma, half);
                for (row, line) in rows.iter().zip(light.chunks_exact_mut(side)) {
                    let factor = share * weight * row;
                    line.iter_mut()
                        .zip(&columns)
                        .for_each(|(l, c)| *l += factor * c);
                }
            }
        }
        light
    }
    /// Electrons of the faintest stars.
    pub fn flux(&self) -> f64 {
        self.flux_at(self.ratio)
    }
    /// Electrons of a star of this signal to noise ratio.
    fn flux_at(&self, wanted: f64) -> f64 {
        let unit = self.unit_light(0.2, 0.1, self.trail);
        let ratio = |flux: f64| {
            flux * unit
                .iter()
                .map(|u| u * u / (self.sky_e + flux * u))
                .sum::<f64>()
                .sqrt()
        };
        let (mut low, mut high) = (1.0_f64, 1e9_f64);
        for _ in 0..80 {
            let middle = (low * high).sqrt();
            if ratio(middle) < wanted {
                low = middle
            } else {
                high = middle
            }
        }
        low
    }
    /// Middles of the trails: a jittered grid on which stars do not touch.
    pub fn places(&self) -> Vec<(f64, f64)> {
        let spacing = (self.length() + 10.0 * self.fwhm).max(24.0);
        let mut rng = ChaCha8Rng::seed_from_u64(self.seed ^ 0x5eed);
        let count = |size: usize| ((size as f64 - spacing) / spacing) as usize;
        let (columns, rows) = (count(self.size.0), count(self.size.1));
        (0..columns * rows)
            .map(|i| {
                let mut at = |k: usize| spacing * (k as f64 + 1.0) + rng.random_range(-1.5..1.5);
                (at(i % columns), at(i / columns))
            })
            .collect()
    }
    /// The noisy picture of stars at these places.
    pub fn picture(&self, places: &[(f64, f64)]) -> Plane {
        self.noisy(places, 1.0)
    }
    /// The picture with its noise times a factor: of -1, errors that follow the noise change their sign.
    fn noisy(&self, places: &[(f64, f64)], factor: f64) -> Plane {
        let (width, height) = self.size;
        let half = self.reach() + 1;
        let mut lot = ChaCha8Rng::seed_from_u64(self.seed ^ 0xb19);
        let mut light = vec![self.sky_e; width * height];
        let alike = (self.brighter == 1.0).then(|| self.flux());
        for &(x, y) in places {
            let rank: f64 = lot.random_range(0.0..1.0);
            let ratio = self.ratio / (1.0 - rank * (1.0 - 1.0 / self.brighter));
            let flux = alike.unwrap_or_else(|| self.flux_at(ratio));
            let (cx, cy) = (x.round(), y.round());
            let unit = self.unit_light(x - cx, y - cy, self.trail);
            let side = (2 * half + 1) as usize;
            for (i, value) in unit.iter().enumerate() {
                let px = cx as i64 - half + (i % side) as i64;
                let py = cy as i64 - half + (i / side) as i64;
                if (0..width as i64).contains(&px) && (0..height as i64).contains(&py) {
                    light[py as usize * width + px as usize] += flux * value;
                }
            }
        }
        let mut rng = ChaCha8Rng::seed_from_u64(self.seed);
        let data = light.iter().map(|e| {
            let deviate: f64 = StandardNormal.sample(&mut rng);
            ((e + factor * e.sqrt() * deviate) / FULL_SCALE_E) as f32
        });
        Plane::new(width, height, data.collect()).expect("sizes agree")
    }
    /// What the program measures on the picture of these places.
    pub fn measured(&self, places: &[(f64, f64)]) -> StarField {
        measure_stars(&self.picture(places), NO_SATURATION)
    }
}

/// A frame of 300 stars like this one and up to ten times brighter, as measured; the frames differ by number.
pub fn three_hundred(shot: Shot, frame: u64) -> StarField {
    let shot = Shot {
        brighter: 10.0,
        size: (520, 500),
        seed: 500 + frame,
        ..shot
    };
    let mut places = shot.places();
    places.truncate(300);
    shot.measured(&places)
}

/// Whether a frame shows a trail: by the noise of the light alone, and by the frame trail's own statement,
/// which allows for a lens that leaves stars out of round. Chance alone shows one in one frame of twenty.
pub fn shows_trail(field: &StarField) -> [bool; 2] {
    /// Square of a two-dimensional normal deviate that one in twenty exceeds, -2 ln 0.05.
    const ONE_IN_TWENTY: f64 = 5.991;
    let [(e1, s1), (e2, s2)] = mean_elongation(field);
    // The direction's sigma is half the elongation's over the elongation.
    let limit = 0.5 / ONE_IN_TWENTY.sqrt();
    [
        (e1 / s1).powi(2) + (e2 / s2).powi(2) > ONE_IN_TWENTY,
        field.trail.is_some_and(|t| t.angle_sigma.rad() < limit),
    ]
}

/// Places and weights of Gauss-Legendre quadrature of order two on equal steps of -1/2..1/2.
fn quadrature(steps: usize) -> impl Iterator<Item = (f64, f64)> {
    const OFFSET: f64 = 0.288_675_134_594_812_9;
    let width = 1.0 / steps as f64;
    (0..2 * steps).map(move |i| {
        let offset = if i % 2 == 0 { -OFFSET } else { OFFSET };
        (((i / 2) as f64 + 0.5 + offset) * width - 0.5, 0.5 * width)
    })
}

/// Share of a normal law about `middle` in each pixel from `-half` to `half`, by eight-point quadrature.
fn pixel_shares(middle: f64, sigma: f64, half: i64) -> Vec<f64> {
    // Abramowitz & Stegun 1964, table 25.4, n = 8, halved for an interval of one.
    const NODES: [(f64, f64); 4] = [
        (0.183_434_642_495_650, 0.362_683_783_378_362),
        (0.525_532_409_916_329, 0.313_706_645_877_887),
        (0.796_666_477_413_627, 0.222_381_034_453_374),
        (0.960_289_856_497_536, 0.101_228_536_290_376),
    ];
    let density =
        |x: f64| (-0.5 * (x / sigma).powi(2)).exp() / (sigma * std::f64::consts::TAU.sqrt());
    (-half..=half)
        .map(|pixel| {
            let from = pixel as f64 - middle;
            NODES
                .iter()
                .map(|(t, w)| 0.5 * w * (density(from + 0.5 * t) + density(from - 0.5 * t)))
                .sum()
        })
        .collect()
}

/// Least scatter of one star's numbers (1-sigma), along two axes: those of the pixels for short trails, along
/// and across the trail for long ones.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bound {
    /// Of the place, pixels.
    pub place: [f64; 2],
    /// Long trails: of the vector's components, pixels. Short: of the elongation's, Qxx - Qyy and 2 Qxy,
    /// square pixels.
    pub shape: [f64; 2],
}

impl Bound {
    /// Mean over places within a pixel. Unknown together: place, light, pedestal; the vector of long trails;
    /// the three second moments of short ones, whose slopes are the picture's second slopes (a small blur
    /// spreads light as heat).
    pub fn of(shot: &Shot) -> Self {
        const PLACES: [(f64, f64); 4] = [(0.0, 0.0), (0.5, 0.2), (-0.3, 0.5), (0.25, -0.25)];
        let mut variances = [0.0; 4];
        for place in PLACES {
            let covariance = Self::covariance(shot, place);
            for (sum, k) in variances.iter_mut().zip([0, 1, 4, 5]) {
                *sum += covariance[(k, k)] / PLACES.len() as f64;
            }
        }
        let [px, py, sx, sy] = variances.map(f64::sqrt);
        Self {
            place: [px, py],
            shape: [sx, sy],
        }
    }

    fn covariance(shot: &Shot, (x, y): (f64, f64)) -> DMatrix<f64> {
        const STEP: f64 = 0.05;
        let flux = shot.flux();
        let [u, v] = axes(shot);
        let image = |du: f64, dv: f64, lu: f64, lv: f64| {
            let trail = (
                shot.trail.0 + lu * u.0 + lv * v.0,
                shot.trail.1 + lu * u.1 + lv * v.1,
            );
            let light = shot.unit_light(x + du * u.0 + dv * v.0, y + du * u.1 + dv * v.1, trail);
            light.into_iter().map(|l| flux * l).collect::<Vec<f64>>()
        };
        let at = |du, dv| image(du, dv, 0.0, 0.0);
        let middle = at(0.0, 0.0);
        let sum = |terms: &[(f64, Vec<f64>)]| -> Vec<f64> {
            (0..middle.len())
                .map(|p| terms.iter().map(|(factor, image)| factor * image[p]).sum())
                .collect()
        };
        let h = 0.5 / STEP;
        let mut slopes = vec![
            sum(&[(h, at(STEP, 0.0)), (-h, at(-STEP, 0.0))]),
            sum(&[(h, at(0.0, STEP)), (-h, at(0.0, -STEP))]),
            sum(&[(1.0 / flux, middle.clone())]),
            vec![1.0; middle.len()],
        ];
        if shot.is_long() {
            slopes.push(sum(&[
                (h, image(0.0, 0.0, STEP, 0.0)),
                (-h, image(0.0, 0.0, -STEP, 0.0)),
            ]));
            slopes.push(sum(&[
                (h, image(0.0, 0.0, 0.0, STEP)),
                (-h, image(0.0, 0.0, 0.0, -STEP)),
            ]));
        } else {
            let second = 0.25 / (STEP * STEP);
            let (right, left) = (at(STEP, 0.0), at(-STEP, 0.0));
            let (down, up) = (at(0.0, STEP), at(0.0, -STEP));
            slopes.push(sum(&[
                (second, right.clone()),
                (second, left.clone()),
                (-second, down.clone()),
                (-second, up.clone()),
            ]));
            slopes.push(sum(&[
                (0.5 * second, at(STEP, STEP)),
                (0.5 * second, at(-STEP, -STEP)),
                (-0.5 * second, at(STEP, -STEP)),
                (-0.5 * second, at(-STEP, STEP)),
            ]));
            slopes.push(sum(&[
                (second, right),
                (second, left),
                (second, down),
                (second, up),
                (-4.0 * second, middle.clone()),
            ]));
        }
        let fisher = DMatrix::from_fn(slopes.len(), slopes.len(), |i, j| {
            (0..middle.len())
                .map(|p| slopes[i][p] * slopes[j][p] / (shot.sky_e + middle[p]))
                .sum()
        });
        fisher
            .try_inverse()
            .expect("the picture depends on all numbers")
    }
}

/// Unit vectors that scatter is told along.
pub fn axes(shot: &Shot) -> [(f64, f64); 2] {
    if !shot.is_long() {
        return [(1.0, 0.0), (0.0, 1.0)];
    }
    let length = shot.length();
    let (c, s) = (shot.trail.0 / length, shot.trail.1 / length);
    [(c, s), (-s, c)]
}

/// Errors of one number over many stars.
#[derive(Debug, Clone, Default)]
pub struct Errors {
    found: Vec<f64>,
    pulls: Vec<f64>,
}

impl Errors {
    fn add(&mut self, error: f64, sigma: f64) {
        self.found.push(error);
        self.pulls.push(error / sigma);
    }
    /// Mean error.
    pub fn bias(&self) -> f64 {
        self.found.iter().sum::<f64>() / self.found.len() as f64
    }
    /// 1-sigma of the mean error.
    pub fn bias_sigma(&self) -> f64 {
        self.scatter() / (self.found.len() as f64).sqrt()
    }
    /// Standard deviation about the mean error.
    pub fn scatter(&self) -> f64 {
        let bias = self.bias();
        let squares: f64 = self.found.iter().map(|e| (e - bias).powi(2)).sum();
        (squares / (self.found.len() as f64 - 1.0)).sqrt()
    }
    /// Root mean square of error over sigma.
    pub fn pull(&self) -> f64 {
        (self.pulls.iter().map(|p| p * p).sum::<f64>() / self.pulls.len() as f64).sqrt()
    }
    /// How many.
    pub fn count(&self) -> usize {
        self.found.len()
    }
}

/// Mean elongation of a frame's stars, Qxx - Qyy and 2 Qxy, weighted by their errors, and its 1-sigma, square
/// pixels: what the noise of the light alone lets know.
pub fn mean_elongation(field: &StarField) -> [(f64, f64); 2] {
    let clean = || field.stars.iter().filter(|s| s.quality.is_clean());
    let mean = |of: &dyn Fn(&Star) -> (f64, f64)| {
        let (sum, weight) = clean()
            .map(of)
            .fold((0.0, 0.0), |(sum, weight), (value, sigma)| {
                let w = 1.0 / (sigma * sigma);
                (sum + w * value, weight + w)
            });
        (sum / weight, weight.powf(-0.5))
    };
    [
        mean(&|s| {
            (
                s.moments.xx - s.moments.yy,
                s.moments_sigma.xx.hypot(s.moments_sigma.yy),
            )
        }),
        mean(&|s| (2.0 * s.moments.xy, 2.0 * s.moments_sigma.xy)),
    ]
}

/// Errors of all stars of some frames.
#[derive(Debug, Clone, Default)]
pub struct Outcome {
    /// Stars drawn, and found within two pixels.
    pub drawn: usize,
    /// Found within two pixels or a fifth of the trail.
    pub found: usize,
    /// Of the place along the axes, pixels.
    pub place: [Errors; 2],
    /// Of the vector (long trails), pixels, or of the elongation (short ones), square pixels.
    pub shape: [Errors; 2],
}

impl Outcome {
    /// Over frames of successive seeds.
    pub fn of(shot: &Shot, n_frames: u64) -> Self {
        let frames = each_frame(shot, n_frames, |shot| {
            let places = shot.places();
            Self::of_field(shot, &shot.measured(&places), &places)
        });
        let mut all = Self::default();
        frames.into_iter().for_each(|one| all.join(one));
        all
    }

    fn join(&mut self, other: Self) {
        self.drawn += other.drawn;
        self.found += other.found;
        let own = self.place.iter_mut().chain(&mut self.shape);
        let others = other.place.into_iter().chain(other.shape);
        for (errors, more) in own.zip(others) {
            errors.found.extend(more.found);
            errors.pulls.extend(more.pulls);
        }
    }

    fn of_field(shot: &Shot, field: &StarField, places: &[(f64, f64)]) -> Self {
        let mut all = Self::default();
        places.iter().for_each(|place| all.add(shot, field, *place));
        all
    }

    fn add(&mut self, shot: &Shot, field: &StarField, (x, y): (f64, f64)) {
        self.drawn += 1;
        let distance = |s: &Star| (s.position.x - x).hypot(s.position.y - y);
        let nearest = field
            .stars
            .iter()
            .min_by(|a, b| distance(a).total_cmp(&distance(b)));
        if let Some(star) = nearest.filter(|s| distance(s) < 2.0 + 0.2 * shot.length()) {
            self.found += 1;
            self.add_star(shot, star, (x, y));
        }
    }

    fn add_star(&mut self, shot: &Shot, star: &Star, (x, y): (f64, f64)) {
        let (ex, ey) = (star.position.x - x, star.position.y - y);
        let c = star.position_covariance;
        for (errors, (u, v)) in self.place.iter_mut().zip(axes(shot)) {
            let variance = u * u * c.xx + 2.0 * u * v * c.xy + v * v * c.yy;
            errors.add(ex * u + ey * v, variance.sqrt());
        }
        let (m, s, d) = (star.moments, star.moments_sigma, shot.trail);
        if !shot.is_long() {
            let truth = [(d.0 * d.0 - d.1 * d.1) / 12.0, 2.0 * d.0 * d.1 / 12.0];
            self.shape[0].add(m.xx - m.yy - truth[0], s.xx.hypot(s.yy));
            self.shape[1].add(2.0 * m.xy - truth[1], 2.0 * s.xy);
        } else if let Some(found) = star.trail {
            let sign = (found.dx * d.0 + found.dy * d.1).signum();
            let (ex, ey) = (sign * found.dx - d.0, sign * found.dy - d.1);
            // Moments are dx^2 / 12, dx dy / 12, dy^2 / 12: their sigmas hold the vector's covariance.
            let (xx, yy) = (
                (6.0 * s.xx / found.dx).powi(2),
                (6.0 * s.yy / found.dy).powi(2),
            );
            let mixed = (12.0 * s.xy).powi(2) - found.dx.powi(2) * yy - found.dy.powi(2) * xx;
            let xy = mixed / (2.0 * found.dx * found.dy);
            for (errors, (u, v)) in self.shape.iter_mut().zip(axes(shot)) {
                let variance = u * u * xx + 2.0 * u * v * xy + v * v * yy;
                errors.add(ex * u + ey * v, variance.sqrt());
            }
        }
    }
}

/// Something of frames of successive seeds, in their order.
fn each_frame<T: Send>(
    shot: &Shot,
    n_frames: u64,
    something: impl Fn(&Shot) -> T + Sync,
) -> Vec<T> {
    let one = |frame| {
        something(&Shot {
            seed: shot.seed + 1000 * frame,
            ..*shot
        })
    };
    (0..n_frames).into_par_iter().map(one).collect()
}

/// Mean errors of the trails (of vectors, pixels, or of elongations, square pixels) along both axes, each with
/// its 1-sigma, from pairs of frames with the same noise of either sign: what follows the noise
/// cancels, so that few stars show what does not.
pub fn mean_shape_errors(shot: &Shot, n_pairs: u64) -> [(f64, f64); 2] {
    let pairs = each_frame(shot, n_pairs, |shot| {
        let places = shot.places();
        let fields =
            [1.0, -1.0].map(|factor| measure_stars(&shot.noisy(&places, factor), NO_SATURATION));
        let mut means: [Errors; 2] = Default::default();
        for place in places {
            let found = fields.each_ref().map(|field| {
                let mut one = Outcome::default();
                one.add(shot, field, place);
                one.shape
            });
            for (k, mean) in means.iter_mut().enumerate() {
                let errors: Vec<f64> = found.iter().flat_map(|f| f[k].found.clone()).collect();
                if let [a, b] = errors[..] {
                    mean.add(0.5 * (a + b), 1.0);
                }
            }
        }
        means
    });
    // Stars of a frame share its profile: the scatter is that of the frames' means.
    [0, 1].map(|k| {
        let mut frames = Errors::default();
        pairs
            .iter()
            .for_each(|means| frames.add(means[k].bias(), 1.0));
        (frames.bias(), frames.bias_sigma())
    })
}
