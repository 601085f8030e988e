//! Fields that show few stars of the catalogue, through a lens that is known well: two stars make
//! a pose there, and the other bright stars of the picture judge it.
//!
//! Triangles of near neighbours need three of five neighbours on the picture; where a foreground
//! or a cloud hides half of a dozen stars, no such triangle may be left.
//!
//! Method: every pair of catalogue stars that is as far apart as two of the picture's brightest
//! stars, and about as different in brightness, is laid onto them in the one sense that is no
//! mirror image. Each other bright star then either falls onto a catalogue star of its brightness
//! or not. How many do by chance is worked out from the density of such stars around each place.

use nalgebra::{Matrix3, Rotation3};
use rayon::prelude::*;

use super::KnownLens;
use super::duos::{BrightStar, Duo, Duos, Seen, is_known, pair_axes};
use super::fit::{Pose, PoseFit, Squeeze};
use super::image::ImageStar;
use super::levels::{Indices, field_area, level_for};
use super::parts::{Part, Placed, blocks};
use super::pattern::{IndexStar, PatternIndex};
use super::search::{Found, MAX_LOG10_CHANCE, Search};
use super::verify::{Grown, bright_alike};
use crate::sky::{Direction, Icrs};
use crate::units::Angle;

/// A lens whose scale is less sure than this, relative, says too little of a pair's length.
const KNOWN_SCALE: f64 = 1e-3;
/// Bright stars besides the pair that have to agree before the odds are worked out.
const N_AGREEING: usize = 2;
/// Magnitude differences up to this are colour, clouds, vignetting.
const WINDOW: f64 = 1.5;
/// How much a saturated core may be too dim, magnitudes; the same in [`bright_alike`].
const DIMMED: f64 = 2.0;
/// Stars that should be fainter than this are not in the catalogue (it ends at 10) and judge nothing.
const FAINTEST: f64 = 10.3;
/// Circle in which the density of catalogue stars around a place is counted, as a share of the half
/// diagonal.
const AROUND: f64 = 0.5;
/// Two poses that put a star more than this many pixels apart are two answers.
const SAME_PX: f64 = 10.0;

/// Goes through all pairs of catalogue stars that are as far apart as two bright stars of the
/// picture; `None` where the lens is not known well enough, or no pose or more than one stands out.
pub(crate) fn search_pairs(
    search: &Search<'_>,
    indices: &Indices,
    n_trials_before: usize,
) -> Option<Found> {
    let known = search.hints.lens?;
    let corner = search.image.half_diagonal() / known.lens.focal_px;
    if !is_known(&known, corner, KNOWN_SCALE) {
        return None;
    }
    let level = level_for(field_area(search.image, known.lens.focal_px));
    let scan = PairScan {
        search,
        known,
        index: indices.level(search.catalogue, level),
        duos: Duos::new(search, &known),
    };
    let (candidates, n_trials) = scan.candidates();
    let log10_trials = ((n_trials + n_trials_before) as f64).max(1.0).log10();
    let mut likely: Vec<Candidate> = candidates
        .into_iter()
        .filter(|candidate| candidate.log10_tail + log10_trials <= MAX_LOG10_CHANCE)
        .collect();
    likely.sort_by(|p, q| p.log10_tail.total_cmp(&q.log10_tail));
    let best = likely.first()?;
    let apart = SAME_PX / known.lens.focal_px;
    let stars = &scan.duos.stars;
    if likely
        .iter()
        .any(|other| other.is_elsewhere(best, stars, apart))
    {
        return None;
    }
    likely
        .iter()
        .find_map(|candidate| scan.settled(candidate, candidate.log10_tail + log10_trials))
}

/// A pose that brings several bright stars onto the catalogue's.
#[derive(Debug, Clone)]
struct Candidate {
    attitude: Rotation3<f64>,
    zero_point: f64,
    /// Picture stars that agree, the pair among them.
    agreeing: Vec<usize>,
    /// Decimal logarithm of the probability that chance does as well in one trial.
    log10_tail: f64,
}

impl Candidate {
    /// Whether another pose puts one of the stars somewhere else.
    fn is_elsewhere(&self, other: &Candidate, stars: &[BrightStar], apart: f64) -> bool {
        let gap = |star: &BrightStar| {
            (self.attitude * star.direction - other.attitude * star.direction).norm()
        };
        stars.iter().any(|star| gap(star) > apart)
    }
}

/// One pass over the sky.
struct PairScan<'a> {
    search: &'a Search<'a>,
    known: KnownLens,
    index: &'a PatternIndex,
    duos: Duos,
}

impl PairScan<'_> {
    /// Poses that several stars speak for, and the number of poses tried.
    fn candidates(&self) -> (Vec<Candidate>, usize) {
        let outcomes: Vec<(usize, Vec<Candidate>)> = blocks(self.index, self.duos.reach)
            .into_par_iter()
            .map(|anchors| self.poses_in(&anchors))
            .collect();
        let n_trials = outcomes.iter().map(|(n, _)| n).sum();
        let found = outcomes.into_iter().flat_map(|(_, found)| found).collect();
        (found, n_trials)
    }

    /// Tries the stars of a part of the sky (numbers in the index) as the first of every pair.
    fn poses_in(&self, anchors: &[u32]) -> (usize, Vec<Candidate>) {
        let (mut n_trials, mut found) = (0, Vec::new());
        let Some(part) = Part::new(self.index, anchors, self.duos.reach) else {
            return (0, found);
        };
        let mut squares = vec![0.0_f32; part.near.len()];
        for anchor in anchors {
            let own = part.placed(self.index.star(*anchor));
            part.square_chords(&own.place, &mut squares);
            for (other, square) in squares.iter().enumerate() {
                if *square > self.duos.longest2 {
                    continue;
                }
                let mut alike = self.duos.alike(*square);
                while alike != 0 {
                    let duo = &self.duos.duos[alike.trailing_zeros() as usize];
                    alike &= alike - 1;
                    let other = &part.near[other];
                    if let Some(zero_point) = self.fits(duo, &own, other) {
                        n_trials += 1;
                        found.extend(self.tried(duo, (&own, other), &part, zero_point));
                    }
                }
            }
        }
        (n_trials, found)
    }

    /// The zero point that lays a pair of the picture on one of the sky, where length and brightness
    /// allow it.
    fn fits(&self, duo: &Duo, first: &Placed, second: &Placed) -> Option<f64> {
        let separation = (first.place - second.place).norm();
        let is_as_long = (separation - duo.separation).abs() <= duo.tolerance;
        is_as_long.then(|| self.common_zero_point(duo, &first.star, &second.star))?
    }

    fn tried(
        &self,
        duo: &Duo,
        (first, second): (&Placed, &Placed),
        part: &Part,
        zero_point: f64,
    ) -> Option<Candidate> {
        let turn = pair_axes(&first.place, &second.place)? * duo.from_camera;
        let n_agreeing = self.n_agreeing(duo, &turn, part, zero_point);
        (n_agreeing >= N_AGREEING).then(|| self.judged(duo, part.axes * turn, zero_point))?
    }

    fn picture_star(&self, bright: usize) -> &ImageStar {
        &self.search.image.stars[self.duos.stars[bright].idx]
    }

    /// Catalogue minus picture magnitude of two stars, unless they cannot be the same two.
    fn common_zero_point(&self, duo: &Duo, first: &IndexStar, second: &IndexStar) -> Option<f64> {
        let star = self.picture_star(duo.first);
        let other = self.picture_star(duo.second);
        let one = f64::from(first.magnitude) - star.magnitude;
        let two = f64::from(second.magnitude) - other.magnitude;
        let slack = |dim: &ImageStar| WINDOW + if dim.saturated { DIMMED } else { 0.0 };
        // A dimmed star seems fainter than it is: its zero point comes out too small.
        if two - one > slack(star) || one - two > slack(other) {
            return None;
        }
        match (star.saturated, other.saturated) {
            (true, false) => Some(two),
            (false, true) => Some(one),
            _ => Some(0.5 * (one + two)),
        }
    }

    /// Whether a picture star is bright enough to be in the catalogue.
    fn is_asked(&self, bright: usize, zero_point: f64) -> bool {
        self.picture_star(bright).magnitude + zero_point <= FAINTEST
    }

    /// Number of bright stars besides the pair that fall onto catalogue stars; `turn` takes camera
    /// directions to the part's axes.
    fn n_agreeing(&self, duo: &Duo, turn: &Matrix3<f64>, part: &Part, zero_point: f64) -> usize {
        let asked = duo.others.iter();
        let asked = asked.take_while(|seen| self.is_asked(seen.star, zero_point));
        asked
            .filter(|seen| {
                let place = turn * self.duos.stars[seen.star].direction;
                let star = self.picture_star(seen.star);
                part.any_near(&place, seen.limit2, |other| alike(other, star, zero_point))
            })
            .count()
    }

    /// A pose judged on all catalogue stars around it.
    ///
    /// Method: the number of agreeing stars by chance is a sum of rare events, one a star asked, each
    /// with the density of fitting catalogue stars around the predicted place times the area of the
    /// tolerance; `P(K >= k) <= (sum)^k / k!` for any such sum (union over all choices of k).
    fn judged(&self, duo: &Duo, attitude: Matrix3<f64>, zero_point: f64) -> Option<Candidate> {
        let around = AROUND * self.search.image.half_diagonal() / self.known.lens.focal_px;
        let asked: Vec<&Seen> = duo
            .others
            .iter()
            .take_while(|seen| self.is_asked(seen.star, zero_point))
            .collect();
        let mut agreeing = vec![
            self.duos.stars[duo.first].idx,
            self.duos.stars[duo.second].idx,
        ];
        let mut taken: Vec<u32> = Vec::new();
        let mut expected = 0.0;
        for seen in asked {
            let place = attitude * self.duos.stars[seen.star].direction;
            let star = self.picture_star(seen.star);
            let (mut n_around, mut nearest) = (0, None);
            let circle = Angle::from_rad(around);
            self.index
                .visit_near(Direction::<Icrs>::new(place), circle, |other| {
                    let chord2 = (other.place - place).norm_squared();
                    if chord2 <= around * around && alike(other, star, zero_point) {
                        n_around += 1;
                        if chord2 <= seen.limit2 && !taken.contains(&other.catalogue_idx) {
                            nearest = Some(other.catalogue_idx);
                        }
                    }
                });
            if let Some(own) = nearest {
                taken.push(own);
                agreeing.push(self.duos.stars[seen.star].idx);
                n_around -= 1;
            }
            // One more than were counted: none counted does not mean that there can be none.
            expected += f64::from(n_around + 1) * seen.limit2 / (around * around);
        }
        let n_hits = taken.len();
        (n_hits >= N_AGREEING).then(|| Candidate {
            attitude: Rotation3::from_matrix_unchecked(attitude),
            zero_point,
            agreeing,
            log10_tail: log10_tail(expected, n_hits),
        })
    }

    /// The pose fitted to all stars; `None` where one of the stars that made it does not stay.
    fn settled(&self, candidate: &Candidate, log10_chance: f64) -> Option<Found> {
        let pose = Pose {
            lens: self.known.lens,
            attitude: candidate.attitude,
            squeeze: Squeeze::default(),
        };
        if let Some((center, radius)) = self.search.hints.near
            && pose.axis().separation(center).rad() > radius.rad()
        {
            return None;
        }
        let widest = self.duos.duos.iter().map(|duo| duo.tolerance);
        let radius_px = widest.fold(0.0, f64::max) * self.known.lens.focal_px;
        let start = started(pose, candidate.zero_point, radius_px);
        self.search
            .settle_pairs(&start, log10_chance, &candidate.agreeing)
    }
}

fn alike(sky: &IndexStar, star: &ImageStar, zero_point: f64) -> bool {
    bright_alike(f64::from(sky.magnitude), star, zero_point, WINDOW)
}

/// Decimal logarithm of the bound `expected^n / n!`, never above 0.
fn log10_tail(expected: f64, n_hits: usize) -> f64 {
    let factorial: f64 = (1..=n_hits).map(|n| (n as f64).log10()).sum();
    (n_hits as f64 * expected.max(1e-12).log10() - factorial).min(0.0)
}

/// A pose as a start for growth.
fn started(pose: Pose, zero_point: f64, radius_px: f64) -> Grown {
    Grown {
        fit: PoseFit {
            pose,
            covariance: nalgebra::Matrix6::zeros(),
            kept: Vec::new(),
            residuals: Vec::new(),
            scatter_px: radius_px,
        },
        pairs: Vec::new(),
        zero_point,
        radius_px: radius_px.max(4.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::identify::Hints;
    use crate::identify::image::ImageField;
    use crate::identify::lens::Lens;
    use crate::identify::test_fields::{FieldNoise, field_of, star_at};
    use crate::sky::catalogue::Catalogue;
    use crate::stars::StarField;
    use crate::units::PixelPoint;
    use nalgebra::Vector3;

    fn known() -> KnownLens {
        KnownLens {
            lens: Lens {
                focal_px: 9000.0,
                center: PixelPoint::new(999.5, 666.5),
                k1: -0.2,
                k2: 0.0,
            },
            focal_sigma: 2e-4,
            k1_sigma: 0.01,
            k2_sigma: 0.1,
        }
    }

    fn attitude() -> Rotation3<f64> {
        Rotation3::new(Vector3::new(0.8, -0.4, 1.3))
    }

    /// Of the twelve brightest stars of a frame every other one, and as many strangers as asked.
    fn field(n_strangers: usize, mirror: bool) -> StarField {
        let catalogue = Catalogue::embedded();
        let mut noise = FieldNoise::new(77);
        let axis = Direction::new(attitude() * Vector3::z());
        let pose = Pose {
            lens: known().lens,
            attitude: attitude(),
            squeeze: Squeeze::default(),
        };
        let mut stars = Vec::new();
        let mut n_seen = 0;
        for star_idx in catalogue.within(axis, Angle::from_deg(8.0), 9.0) {
            let place = pose.project(&catalogue.vector(star_idx)).unwrap();
            let inside = (0.0..1999.0).contains(&place.x) && (0.0..1333.0).contains(&place.y);
            if !inside || n_seen == 12 {
                continue;
            }
            n_seen += 1;
            if n_seen % 2 == 0 {
                let x = place.x + 0.2 * noise.normal();
                let y = place.y + 0.2 * noise.normal();
                let flux =
                    10_f64.powf(-0.4 * (catalogue.magnitude(star_idx) + noise.normal() / 4.0));
                let x = if mirror { 1999.0 - x } else { x };
                stars.push(star_at(x, y, flux, 0.2));
            }
        }
        for n in 0..n_strangers {
            let (x, y) = (noise.uniform(0.0, 1999.0), noise.uniform(0.0, 1333.0));
            stars.push(star_at(x, y, stars[n].flux.value, 0.2));
        }
        field_of(2000, 1334, stars)
    }

    fn searched(field: &StarField, known: KnownLens) -> Option<Found> {
        let image = ImageField::new(field);
        let hints = Hints::with_lens(known).unwrap_or_else(|| panic!("a focal length"));
        let search = Search {
            image: &image,
            hints: &hints,
            catalogue: Catalogue::embedded(),
        };
        search_pairs(&search, &Indices::default(), 0)
    }

    #[test]
    fn six_stars_among_strangers_tell_where_a_known_lens_looked() {
        let found = searched(&field(2, false), known()).expect("a pose");
        let pose = &found.grown.fit.pose;
        let off = pose.attitude.angle_to(&attitude());
        assert!(off < 2e-3, "{off}");
        let gap = pose.axis().vector() - attitude() * Vector3::z();
        assert!(gap.norm() * 9000.0 < 1.0, "{}", gap.norm() * 9000.0);
        assert!(found.log10_chance < MAX_LOG10_CHANCE);
    }

    #[test]
    fn their_mirror_image_is_refused() {
        assert!(searched(&field(2, true), known()).is_none());
    }

    #[test]
    fn a_lens_that_is_not_known_is_not_used() {
        let vague = KnownLens {
            focal_sigma: 0.01,
            ..known()
        };
        assert!(searched(&field(2, false), vague).is_none());
    }

    #[test]
    fn random_stars_are_refused() {
        let mut noise = FieldNoise::new(78);
        for _ in 0..4 {
            let star = |_| {
                let (x, y) = (noise.uniform(0.0, 1999.0), noise.uniform(0.0, 1333.0));
                star_at(x, y, noise.uniform(1e-4, 1e-3), 0.2)
            };
            let stars = (0..15).map(star).collect();
            assert!(searched(&field_of(2000, 1334, stars), known()).is_none());
        }
    }

    #[test]
    fn the_tail_bounds_that_of_poisson_from_above() {
        // Poisson with mean 0.1: P(K >= 3) = 1.5465e-4 (1 - e^-0.1 (1 + 0.1 + 0.005)).
        let bound = log10_tail(0.1, 3);
        assert!(bound > 1.5465e-4_f64.log10() && bound < 1.7e-4_f64.log10());
        assert_eq!(log10_tail(50.0, 2), 0.0);
    }
}
