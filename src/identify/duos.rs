//! The bright stars of a picture taken through a known lens, two by two: how far apart they are,
//! and where the others lie as seen from them.

use nalgebra::{Matrix3, Vector3};

use super::KnownLens;
use super::search::Search;
use crate::units::Angle;

/// Brightest stars that make pairs: where the catalogue shows few, they are its own. No more than 32
/// pairs have a bit each.
const N_MAKING: usize = 8;
/// Brightest stars that judge a pose.
const N_JUDGING: usize = 20;
/// A place may be off by so many of its sigmas.
const SIGMAS: f64 = 3.0;
/// Least sigma of a star's place on one axis, pixels: double stars, middles of trails.
const FLOOR_PX: f64 = 0.4;
/// The same on the sky, arcseconds: proper motion since the catalogue's epoch.
const FLOOR_ARCSEC: f64 = 0.3;
/// What the air squeezes a frame beyond what the lens's focal length took in, relative: 3e-4 at an
/// altitude of 35 degrees (refraction by the tangent rule).
const AIR: f64 = 3e-4;
/// Of stars closer than this share of the half diagonal only the brightest is taken: what is next
/// to a star of the catalogue is often next to one in the picture.
const CLOSEST: f64 = 0.01;
/// A pair shorter than this share of the half diagonal tells too little of the picture's turn.
const SHORTEST: f64 = 0.25;
/// Predictions that are this much less sure than the stars themselves judge nothing.
const LEAST_SURE: f64 = 9.0;
/// Bins of the squared separation.
const N_BINS: usize = 4096;

/// A bright star of the picture.
#[derive(Debug, Clone, Copy)]
pub(super) struct BrightStar {
    /// Its number among the picture's usable stars.
    pub(super) idx: usize,
    /// Where it stands in front of the camera.
    pub(super) direction: Vector3<f64>,
    /// Sigma of its place on one axis, radians.
    pub(super) sigma: f64,
}

/// How near to its predicted place a star of the picture has to be.
#[derive(Debug, Clone, Copy)]
pub(super) struct Seen {
    /// Number among the bright stars.
    pub(super) star: usize,
    /// Squared distance (chord) within which it has to be found.
    pub(super) limit2: f64,
}

/// Two bright stars of the picture, the brighter one first.
#[derive(Debug, Clone)]
pub(super) struct Duo {
    pub(super) first: usize,
    pub(super) second: usize,
    /// Chord between them, and how much it may be off.
    pub(super) separation: f64,
    pub(super) tolerance: f64,
    /// From the camera to axes fixed to the pair (see [`pair_axes`]).
    pub(super) from_camera: Matrix3<f64>,
    /// The other bright stars, brightest first.
    pub(super) others: Vec<Seen>,
}

/// All pairs of the picture's bright stars.
pub(super) struct Duos {
    pub(super) stars: Vec<BrightStar>,
    pub(super) duos: Vec<Duo>,
    /// Longest chord that a pair or a prediction needs.
    pub(super) reach: f64,
    /// Square of the longest chord between two stars of a pair, its tolerance included.
    pub(super) longest2: f32,
    /// For each bin of the squared chord, the pairs that may have it, a bit each.
    bins: Vec<u32>,
    bins_per_square: f32,
}

impl Duos {
    pub(super) fn new(search: &Search<'_>, known: &KnownLens) -> Self {
        let stars = bright_stars(search, known);
        let size = search.image.half_diagonal() / known.lens.focal_px;
        let stretch = stretch_of(known, size);
        let n_making = stars.len().min(N_MAKING);
        let mut duos = Vec::new();
        for second in 1..n_making {
            for first in 0..second {
                duos.extend(Duo::new(&stars, (first, second), stretch, SHORTEST * size));
            }
        }
        let chords = stars.iter().take(n_making).flat_map(|one| {
            let gap = |other: &BrightStar| (one.direction - other.direction).norm();
            stars.iter().map(gap)
        });
        let reach = 1.01 * chords.fold(0.0, f64::max);
        let upper = |duo: &Duo| duo.separation + duo.tolerance;
        let longest = duos.iter().map(upper).fold(0.0, f64::max) as f32;
        let mut own = Self {
            stars,
            duos,
            reach,
            longest2: longest * longest,
            bins: vec![0; N_BINS + 1],
            bins_per_square: N_BINS as f32 / (longest * longest).max(1e-12),
        };
        own.fill_bins();
        own
    }

    fn bin(&self, squared: f32) -> usize {
        ((squared * self.bins_per_square) as usize).min(N_BINS)
    }

    fn fill_bins(&mut self) {
        for (at, duo) in self.duos.iter().enumerate() {
            let shortest = (duo.separation - duo.tolerance).max(0.0) as f32;
            let longest = (duo.separation + duo.tolerance) as f32;
            // A bin more on either side for what single precision rounds off.
            let first = self.bin(shortest * shortest).saturating_sub(1);
            let last = (self.bin(longest * longest) + 1).min(N_BINS);
            for bin in &mut self.bins[first..=last] {
                *bin |= 1 << at;
            }
        }
    }

    /// Pairs whose stars may be as far apart as a squared chord says, and a few more: a bit each.
    pub(super) fn alike(&self, squared: f32) -> u32 {
        self.bins[self.bin(squared)]
    }
}

/// Right-handed axes fixed to two directions: their middle, from one to the other, across.
pub(super) fn pair_axes(first: &Vector3<f64>, second: &Vector3<f64>) -> Option<Matrix3<f64>> {
    let middle = (first + second).try_normalize(1e-9)?;
    let along = (second - first).try_normalize(1e-12)?;
    Some(Matrix3::from_columns(&[
        middle,
        along,
        middle.cross(&along),
    ]))
}

impl Duo {
    /// `None` where the stars are too close together or nearly opposite.
    fn new(
        stars: &[BrightStar],
        (first, second): (usize, usize),
        stretch: f64,
        shortest: f64,
    ) -> Option<Self> {
        let (one, other) = (&stars[first], &stars[second]);
        let separation = (one.direction - other.direction).norm();
        if separation < shortest {
            return None;
        }
        let from_camera = pair_axes(&one.direction, &other.direction)?.transpose();
        let noise = one.sigma.hypot(other.sigma);
        let mut duo = Self {
            first,
            second,
            separation,
            tolerance: SIGMAS * noise.hypot(stretch * separation),
            from_camera,
            others: Vec::with_capacity(stars.len()),
        };
        for (star, bright) in stars.iter().enumerate() {
            if star != first && star != second {
                duo.others
                    .extend(duo.seen(star, bright, 0.5 * noise * noise, stretch));
            }
        }
        Some(duo)
    }

    /// A third star as the pair predicts it; `None` where the pair is too short to say.
    ///
    /// Method: the picture is laid so that the pair's middle and direction agree with the sky's; the
    /// noise of the two stars (`variance` on one axis of each) moves the middle and turns the rest.
    fn seen(&self, star: usize, bright: &BrightStar, variance: f64, stretch: f64) -> Option<Seen> {
        let place = self.from_camera * bright.direction;
        let ahead = place.y / self.separation;
        let aside = place.z / self.separation;
        // Across the pair: both stars weigh in; along it: their mean, and the turn.
        let across = (0.5 - ahead).powi(2) + (0.5 + ahead).powi(2);
        let along = 0.5 + 2.0 * aside * aside;
        let growth = 0.5 * (across + along);
        let spread = (bright.sigma * bright.sigma + variance * growth).sqrt();
        let limit = SIGMAS * spread.hypot(stretch * place.y.hypot(place.z));
        (growth < LEAST_SURE).then_some(Seen {
            star,
            limit2: limit * limit,
        })
    }
}

/// How much larger or smaller the picture may be than the known lens says, relative.
fn stretch_of(known: &KnownLens, corner_tangent: f64) -> f64 {
    let bend = known.k1_sigma * corner_tangent * corner_tangent;
    known.focal_sigma.hypot(bend).hypot(AIR)
}

/// Whether the lens is known well enough to take the length of a pair for given; `limit` is the
/// greatest relative error of its scale.
pub(super) fn is_known(known: &KnownLens, corner_tangent: f64, limit: f64) -> bool {
    stretch_of(known, corner_tangent) <= limit
}

/// The brightest stars, of close ones only the brightest.
fn bright_stars(search: &Search<'_>, known: &KnownLens) -> Vec<BrightStar> {
    let lens = &known.lens;
    let image = search.image;
    let closest = CLOSEST * image.half_diagonal();
    let floor_px = FLOOR_PX.hypot(Angle::from_arcsec(FLOOR_ARCSEC).rad() * lens.focal_px);
    let mut chosen: Vec<usize> = Vec::with_capacity(N_JUDGING);
    for (idx, star) in image.stars.iter().enumerate() {
        let is_close = |other: &usize| {
            let place = image.stars[*other].place;
            place.distance(star.place).px() < closest
        };
        if !chosen.iter().any(is_close) {
            chosen.push(idx);
        }
        if chosen.len() == N_JUDGING {
            break;
        }
    }
    let bright = |idx: usize| {
        let star = &image.stars[idx];
        let own = 0.5 * (star.covariance.xx + star.covariance.yy);
        let sigma_px = (own + floor_px * floor_px).sqrt() + search.hints.extra_noise_px;
        BrightStar {
            idx,
            direction: lens.direction(star.place).vector(),
            sigma: sigma_px / lens.focal_px,
        }
    };
    chosen.into_iter().map(bright).collect()
}
