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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::identify::Hints;
    use crate::identify::image::ImageField;
    use crate::identify::lens::Lens;
    use crate::identify::test_fields::{FieldNoise, field_of, star_at};
    use crate::sky::catalogue::Catalogue;
    use crate::units::PixelPoint;

    const FOCAL_PX: f64 = 5000.0;

    fn known() -> KnownLens {
        KnownLens {
            lens: Lens {
                focal_px: FOCAL_PX,
                center: PixelPoint::new(999.5, 666.5),
                k1: 0.0,
                k2: 0.0,
            },
            focal_sigma: 1e-4,
            k1_sigma: 1e-3,
            k2_sigma: 1e-3,
        }
    }

    fn duos(places: &[(f64, f64)]) -> Duos {
        let star = |(n, (x, y)): (usize, &(f64, f64))| star_at(*x, *y, 100.0 - n as f64, 0.2);
        let stars = places.iter().enumerate().map(star).collect();
        let image = ImageField::new(&field_of(2000, 1334, stars));
        let hints = Hints::with_lens(known()).unwrap();
        let search = Search {
            image: &image,
            hints: &hints,
            catalogue: Catalogue::embedded(),
        };
        Duos::new(&search, &known())
    }

    fn random(n_stars: usize) -> Duos {
        let mut noise = FieldNoise::new(31);
        let place = |_| (noise.uniform(0.0, 1999.0), noise.uniform(0.0, 1333.0));
        duos(&(0..n_stars).map(place).collect::<Vec<_>>())
    }

    #[test]
    fn a_pair_is_found_by_its_length_within_its_tolerance_and_not_far_from_it() {
        let duos = random(20);
        assert!(duos.duos.len() > 15);
        for (at, duo) in duos.duos.iter().enumerate() {
            let has = |chord: f64| duos.alike((chord * chord) as f32) & (1 << at) != 0;
            assert!(has(duo.separation) && has(duo.separation - duo.tolerance));
            assert!(has(duo.separation + duo.tolerance));
            assert!(!has(duo.separation - 12.0 * duo.tolerance));
        }
    }

    #[test]
    fn a_star_has_to_be_nearer_beside_a_long_pair_than_beyond_a_short_one() {
        let limit_px = |second: (f64, f64), third: (f64, f64)| {
            let duos = duos(&[(500.0, 600.0), second, third]);
            duos.duos[0].others[0].limit2.sqrt() * FOCAL_PX
        };
        let beside = limit_px((1500.0, 600.0), (1000.0, 700.0));
        let beyond = limit_px((900.0, 600.0), (1300.0, 700.0));
        // Three times the star's own sigma of 0.45 px and half of that of the pair's mean.
        assert!((1.6..2.0).contains(&beside), "{beside}");
        assert!(beyond > 1.5 * beside, "{beyond}");
    }

    #[test]
    fn short_pairs_and_stars_next_to_brighter_ones_are_left_out() {
        let duos = duos(&[
            (500.0, 600.0),
            (505.0, 600.0),
            (700.0, 600.0),
            (1500.0, 800.0),
        ]);
        assert_eq!(duos.stars.len(), 3);
        // 200 px are less than a quarter of the half diagonal of 1202 px.
        assert_eq!(duos.duos.len(), 2);
    }

    #[test]
    fn pairs_are_laid_on_each_other_without_mirroring() {
        let (first, second) = (Vector3::new(0.1, 0.0, 1.0), Vector3::new(-0.1, 0.2, 1.0));
        let axes = pair_axes(&first.normalize(), &second.normalize()).unwrap();
        assert!((axes.determinant() - 1.0).abs() < 1e-12);
        assert!(pair_axes(&first, &first).is_none());
    }

    #[test]
    fn a_lens_that_is_only_guessed_is_not_known() {
        assert!(is_known(&known(), 0.24, 1e-3));
        let vague = KnownLens {
            focal_sigma: f64::INFINITY,
            ..known()
        };
        assert!(!is_known(&vague, 0.24, 1e-3));
    }
}
