//! Matching of the stars of two frames of one pointing, without a catalogue.
//!
//! Two stars of either frame that are equally far apart and equally bright give a trial rotation;
//! the trials that carry most of the bright stars onto stars are refined on all of them.

use std::collections::HashSet;

use nalgebra::{Matrix3, Rotation3, Vector3};

use super::chance::log10_chance;
use super::grid::PixelGrid;
use super::image::bright_and_spread;
use super::lens::Lens;
use super::turn::{Sighting, Turn, fit_turn};
use crate::sky::{Camera, Direction};
use crate::stars::{Star, StarField};
use crate::units::PixelPoint;

/// Stars common to two frames, and how the camera turned between them.
#[derive(Debug, Clone, PartialEq)]
pub struct FrameMatch {
    /// Numbers of the same star in the first and in the second frame, brightest first.
    pub pairs: Vec<(usize, usize)>,
    /// Carries camera directions of the first frame to camera directions of the second.
    pub rotation: Rotation3<f64>,
    /// Covariance of `rotation` as a small rotation vector applied after it, in the camera frame
    /// of the second frame, square radians; scaled by the residuals.
    pub covariance: Matrix3<f64>,
    /// Root mean square of the two-dimensional residuals of `pairs`, pixels of the second frame.
    pub rms_px: f64,
    /// Decimal logarithm of the number of such agreements to expect by chance; -6 is one in a million.
    pub log10_chance: f64,
}

/// Bright stars of the first frame that make and judge trial rotations.
const N_BRIGHT: usize = 32;
/// Bright stars of the second frame: more, because the order of brightness is not quite the same.
const N_BRIGHT_SECOND: usize = 48;
/// Distinct best trials that are refined on all stars.
const N_CANDIDATES: usize = 4;
/// Widest turn of the camera between two frames, radians (30 degrees: two hours of a stopped
/// drive at the pole); beyond, chance agreement is all that could be found.
const MAX_TURN: f64 = std::f64::consts::FRAC_PI_6;
/// Natural logarithm of the widest brightness ratio between the two images of one star, after
/// the common factor; clouds, vignetting and saturated cores stay within it.
const MAX_LN_RATIO: f64 = 1.1;
/// Highest accepted logarithm (base 10) of chance agreement, all trials counted.
const MAX_LOG10_CHANCE: f64 = -6.0;
/// Motion below this is "still", where hot pixels and lamps agree as well as stars, pixels.
const STILL_PX: f64 = 1.0;

/// The stars common to two frames and the camera's rotation between them.
///
/// Method: 1. pairs of bright stars with equal separation and brightness ratio give trial
/// rotations; 2. the few trials that carry most bright stars onto stars are refined on all stars,
/// with a matching radius that shrinks to the scatter, and the one least due to chance wins;
/// 3. if the camera seems not to have moved, all that agrees with that is set aside and the rest is
/// asked again, because hot pixels and lamps of the foreground always stand still. (Stars whose
/// noise makes them seem to move are not set apart from their like: the choice would be the motion.)
/// Input: star fields brightest first, the lens of both (a focal length 10 % off is good enough to
/// match, and scales the rotation accordingly).
/// Output: `None` where no rotation up to 30 degrees explains the stars better than chance would.
pub fn match_frames(a: &StarField, b: &StarField, lens: &Lens) -> Option<FrameMatch> {
    let a_all = usable(a);
    let b_all = usable(b);
    let pair = FramePair::new(a, b, lens);
    let first = pair.search(&a_all, &b_all);
    let (a_rest, b_rest) = match &first {
        Some(found) if pair.moves(found) => return first,
        Some(still) => (
            rest_of(&a_all, still.pairs.iter().map(|pair| pair.0)),
            rest_of(&b_all, still.pairs.iter().map(|pair| pair.1)),
        ),
        None => pair.without_still(&a_all, &b_all),
    };
    let second = pair.search(&a_rest, &b_rest);
    second.filter(|found| pair.moves(found)).or(first)
}

/// A list without the stars that are taken.
fn rest_of(all: &[usize], taken: impl Iterator<Item = usize>) -> Vec<usize> {
    let taken: HashSet<usize> = taken.collect();
    let left = all.iter().filter(|star| !taken.contains(star));
    left.copied().collect()
}

/// Numbers of the stars whose place is finite and whose light is positive.
fn usable(field: &StarField) -> Vec<usize> {
    let sound = |star: &Star| {
        let place = star.position;
        place.x.is_finite() && place.y.is_finite() && star.flux.value > 0.0
    };
    (0..field.stars.len())
        .filter(|idx| sound(&field.stars[*idx]) && field.stars[*idx].flux.value.is_finite())
        .collect()
}

/// Two frames side by side, with their stars as directions in the camera.
struct FramePair<'a> {
    a: &'a StarField,
    b: &'a StarField,
    lens: &'a Lens,
    a_directions: Vec<Vector3<f64>>,
    b_directions: Vec<Vector3<f64>>,
}

/// A trial rotation and what speaks for it.
#[derive(Clone, Copy)]
struct Trial {
    rotation: Rotation3<f64>,
    ln_ratio: f64,
    n_agreeing: usize,
}

/// Stars of the second frame that may be partners, ready for look-ups.
struct Partners<'a> {
    stars: &'a [usize],
    grid: PixelGrid,
}

impl<'a> Partners<'a> {
    fn new(stars: &'a [usize], field: &StarField, radius_px: f64) -> Self {
        let places: Vec<PixelPoint> = stars.iter().map(|i| field.stars[*i].position).collect();
        Self {
            stars,
            grid: PixelGrid::new(&places, 2.0 * radius_px),
        }
    }
}

impl<'a> FramePair<'a> {
    fn new(a: &'a StarField, b: &'a StarField, lens: &'a Lens) -> Self {
        let directions = |field: &StarField| -> Vec<Vector3<f64>> {
            let stars = field.stars.iter();
            stars
                .map(|star| lens.direction(star.position).vector())
                .collect()
        };
        Self {
            a,
            b,
            lens,
            a_directions: directions(a),
            b_directions: directions(b),
        }
    }

    /// Trials with a narrow and then a wide tolerance (unknown distortion, focal length off).
    fn search(&self, a_stars: &[usize], b_stars: &[usize]) -> Option<FrameMatch> {
        let diagonal = (self.a.width as f64).hypot(self.a.height as f64);
        [3.0, 0.006 * diagonal]
            .into_iter()
            .find_map(|tolerance_px| self.search_within(a_stars, b_stars, tolerance_px))
    }

    fn search_within(
        &self,
        a_stars: &[usize],
        b_stars: &[usize],
        tolerance_px: f64,
    ) -> Option<FrameMatch> {
        let a_bright = chosen_stars(self.a, a_stars, N_BRIGHT);
        let b_bright = chosen_stars(self.b, b_stars, N_BRIGHT_SECOND);
        let (candidates, n_trials) = self.best_trials(&a_bright, &b_bright, tolerance_px);
        let partners = Partners::new(b_stars, self.b, tolerance_px);
        candidates
            .iter()
            .filter_map(|trial| self.refine(a_stars, &partners, trial, tolerance_px, n_trials))
            .filter(|found| found.log10_chance <= MAX_LOG10_CHANCE)
            .min_by(|p, q| p.log10_chance.total_cmp(&q.log10_chance))
    }

    /// The distinct trial rotations that most bright stars agree with, and how many were tried.
    fn best_trials(
        &self,
        a_bright: &[usize],
        b_bright: &[usize],
        tolerance_px: f64,
    ) -> (Vec<Trial>, usize) {
        let tolerance = 1.5 * tolerance_px / self.lens.focal_px;
        let b_pairs = separations(&self.b_directions, b_bright);
        let partners = Partners::new(b_bright, self.b, tolerance_px);
        let shortest = 0.05 * (self.a.width as f64).hypot(self.a.height as f64);
        let mut best: Vec<Trial> = Vec::new();
        let mut n_trials = 0;
        for (separation, i, j) in separations(&self.a_directions, a_bright) {
            if separation * self.lens.focal_px < shortest {
                continue;
            }
            let first = b_pairs.partition_point(|pair| pair.0 < separation - tolerance);
            let near = b_pairs[first..]
                .iter()
                .take_while(|pair| pair.0 <= separation + tolerance);
            for (k, l) in near.flat_map(|pair| [(pair.1, pair.2), (pair.2, pair.1)]) {
                let Some(mut trial) = self.trial((i, j), (k, l)) else {
                    continue;
                };
                n_trials += 1;
                let agrees = |idx: &&usize| {
                    self.partner(
                        **idx,
                        &trial.rotation,
                        trial.ln_ratio,
                        &partners,
                        tolerance_px,
                    )
                    .is_some()
                };
                trial.n_agreeing = a_bright.iter().filter(agrees).count();
                self.keep_if_better(&mut best, trial, tolerance_px);
            }
        }
        (best, n_trials)
    }

    /// Puts a trial among the best few unless one that is as good says the same.
    fn keep_if_better(&self, best: &mut Vec<Trial>, trial: Trial, tolerance_px: f64) {
        let full = best.len() == N_CANDIDATES;
        let last = best.last().map_or(0, |t| t.n_agreeing);
        if trial.n_agreeing < 3 || (full && trial.n_agreeing <= last) {
            return;
        }
        let same = |other: &Trial| {
            let apart = other.rotation.matrix() - trial.rotation.matrix();
            apart.column(2).norm() * self.lens.focal_px < 3.0 * tolerance_px
        };
        match best.iter().position(same) {
            Some(twin) if best[twin].n_agreeing >= trial.n_agreeing => return,
            Some(twin) => best[twin] = trial,
            None if full => best[N_CANDIDATES - 1] = trial,
            None => best.push(trial),
        }
        best.sort_by_key(|t| std::cmp::Reverse(t.n_agreeing));
    }

    /// The rotation that carries two stars onto two others, if small enough and if both have the
    /// same brightness ratio.
    fn trial(&self, (i, j): (usize, usize), (k, l): (usize, usize)) -> Option<Trial> {
        let first = self.ln_ratio(i, k);
        let second = self.ln_ratio(j, l);
        if (first - second).abs() > MAX_LN_RATIO {
            return None;
        }
        let from = axes_of_pair(&self.a_directions[i], &self.a_directions[j])?;
        let to = axes_of_pair(&self.b_directions[k], &self.b_directions[l])?;
        let matrix = to * from.transpose();
        // The trace is 1 + 2 cos(angle): cheaper than building the rotation first.
        (matrix.trace() >= 1.0 + 2.0 * MAX_TURN.cos()).then(|| Trial {
            rotation: Rotation3::from_matrix_unchecked(matrix),
            ln_ratio: 0.5 * (first + second),
            n_agreeing: 0,
        })
    }

    /// Logarithm of the second image's light over the first's.
    fn ln_ratio(&self, a_idx: usize, b_idx: usize) -> f64 {
        (self.b.stars[b_idx].flux.value / self.a.stars[a_idx].flux.value).ln()
    }

    /// The nearest star of fitting brightness to where a rotation takes a star, as its place in
    /// the list of partners and the squared distance.
    fn partner(
        &self,
        a_idx: usize,
        rotation: &Rotation3<f64>,
        ln_ratio: f64,
        partners: &Partners<'_>,
        radius_px: f64,
    ) -> Option<(usize, f64)> {
        let place = self.turned_place(a_idx, rotation)?;
        partners.grid.nearest_where(place, radius_px, |slot| {
            (self.ln_ratio(a_idx, partners.stars[slot]) - ln_ratio).abs() < MAX_LN_RATIO
        })
    }

    /// Where a rotation takes a star of the first frame.
    fn turned_place(&self, a_idx: usize, rotation: &Rotation3<f64>) -> Option<PixelPoint> {
        let turned = Direction::<Camera>::new(rotation * self.a_directions[a_idx]);
        self.lens.pixel(turned)
    }

    /// Whether the matched stars moved, clearly more than they scatter.
    fn moves(&self, found: &FrameMatch) -> bool {
        let moved = |(a_idx, _): &(usize, usize)| {
            let place = self.turned_place(*a_idx, &found.rotation);
            place.map(|p| p.distance(self.a.stars[*a_idx].position).px())
        };
        let mut lengths: Vec<f64> = found.pairs.iter().filter_map(moved).collect();
        lengths.sort_unstable_by(f64::total_cmp);
        let middle = lengths.get(lengths.len() / 2).copied().unwrap_or(0.0);
        middle >= STILL_PX.max(4.0 * found.rms_px)
    }

    /// Both lists without the stars that have a twin at the same place in the other frame.
    fn without_still(&self, a_stars: &[usize], b_stars: &[usize]) -> (Vec<usize>, Vec<usize>) {
        let moved = |own: &StarField, own_stars: &[usize], other: &StarField, others: &[usize]| {
            let others = Partners::new(others, other, STILL_PX);
            let alone = |i: &usize| {
                let place = own.stars[*i].position;
                others.grid.nearest(place, STILL_PX).is_none()
            };
            own_stars.iter().copied().filter(alone).collect()
        };
        (
            moved(self.a, a_stars, self.b, b_stars),
            moved(self.b, b_stars, self.a, a_stars),
        )
    }

    /// The rotation fitted to all stars, matched with a radius that shrinks to their scatter.
    fn refine(
        &self,
        a_stars: &[usize],
        partners: &Partners<'_>,
        trial: &Trial,
        tolerance_px: f64,
        n_trials: usize,
    ) -> Option<FrameMatch> {
        let mut trial = *trial;
        let mut radius_px = tolerance_px;
        let mut found = None;
        for _ in 0..6 {
            let pairs = self.mutual_pairs(a_stars, partners, &trial, radius_px);
            let turn = fit_turn(&self.sightings(&pairs), trial.rotation, self.lens)?;
            trial.rotation = turn.rotation;
            let next_px = (4.0 * turn.scatter_px).clamp(0.5, tolerance_px);
            let settled = next_px > 0.95 * radius_px && found.is_some();
            found = Some((pairs, turn, radius_px));
            radius_px = next_px;
            if settled {
                break;
            }
        }
        let (pairs, turn, radius_px) = found?;
        Some(self.judged(a_stars, partners, pairs, turn, radius_px, n_trials))
    }

    /// A fitted turn with the chance of finding as good a one in a random field.
    fn judged(
        &self,
        a_stars: &[usize],
        partners: &Partners<'_>,
        pairs: Vec<(usize, usize)>,
        turn: Turn,
        radius_px: f64,
        n_trials: usize,
    ) -> FrameMatch {
        let (width, height) = (self.b.width as f64, self.b.height as f64);
        let inside = |i: &&usize| {
            self.turned_place(**i, &turn.rotation).is_some_and(|p| {
                p.x >= 0.0 && p.y >= 0.0 && p.x <= width - 1.0 && p.y <= height - 1.0
            })
        };
        let n_asked = a_stars.iter().filter(inside).count();
        // A floor, because the radius was chosen with a view of the result.
        let radius_px = radius_px.max(1.5);
        let p_hit = partners.stars.len() as f64 * std::f64::consts::PI * radius_px * radius_px
            / (width * height);
        let kept = pairs.into_iter().zip(&turn.kept).filter(|(_, kept)| **kept);
        let pairs: Vec<(usize, usize)> = kept.map(|(pair, _)| pair).collect();
        // Two stars made the trial and agree with it by construction.
        let log10_chance = log10_chance(
            n_asked.saturating_sub(2),
            p_hit,
            pairs.len().saturating_sub(2),
            n_trials,
        );
        FrameMatch {
            pairs,
            rotation: turn.rotation,
            covariance: turn.covariance,
            rms_px: turn.rms_px,
            log10_chance,
        }
    }

    /// Pairs that choose each other within a radius, brightest first.
    fn mutual_pairs(
        &self,
        a_stars: &[usize],
        partners: &Partners<'_>,
        trial: &Trial,
        radius_px: f64,
    ) -> Vec<(usize, usize)> {
        let mut suitors: Vec<Option<(usize, f64)>> = vec![None; partners.stars.len()];
        for a_idx in a_stars {
            let found = self.partner(*a_idx, &trial.rotation, trial.ln_ratio, partners, radius_px);
            if let Some((slot, squared)) = found
                && suitors[slot].is_none_or(|(_, least)| squared < least)
            {
                suitors[slot] = Some((*a_idx, squared));
            }
        }
        let chosen = suitors.iter().zip(partners.stars);
        let mut pairs: Vec<(usize, usize)> = chosen
            .filter_map(|(suitor, b_idx)| suitor.map(|(a_idx, _)| (a_idx, *b_idx)))
            .collect();
        pairs.sort_unstable();
        pairs
    }

    fn sightings(&self, pairs: &[(usize, usize)]) -> Vec<Sighting> {
        let sighting = |&(a_idx, b_idx): &(usize, usize)| Sighting {
            direction: self.a_directions[a_idx],
            first_covariance: self.a.stars[a_idx].position_covariance,
            place: self.b.stars[b_idx].position,
            covariance: self.b.stars[b_idx].position_covariance,
        };
        pairs.iter().map(sighting).collect()
    }
}

/// The brightest stars of a list and of each part of the frame, in the order of the list.
fn chosen_stars(field: &StarField, stars: &[usize], n_wanted: usize) -> Vec<usize> {
    let places: Vec<PixelPoint> = stars.iter().map(|i| field.stars[*i].position).collect();
    let (width, height) = (field.width as f64, field.height as f64);
    let chosen = bright_and_spread(&places, width, height, n_wanted);
    chosen.into_iter().map(|n| stars[n]).collect()
}

/// All pairs of a list of stars as (angular separation in radians, one, other), nearest first.
fn separations(directions: &[Vector3<f64>], stars: &[usize]) -> Vec<(f64, usize, usize)> {
    let mut all = Vec::with_capacity(stars.len() * stars.len() / 2);
    for (n, i) in stars.iter().enumerate() {
        for j in &stars[n + 1..] {
            let chord = (directions[*i] - directions[*j]).norm();
            all.push((2.0 * (0.5 * chord).min(1.0).asin(), *i, *j));
        }
    }
    all.sort_unstable_by(|p, q| p.0.total_cmp(&q.0).then((p.1, p.2).cmp(&(q.1, q.2))));
    all
}

/// Right-handed axes fixed to two directions: towards their middle, from one to the other, across.
fn axes_of_pair(one: &Vector3<f64>, other: &Vector3<f64>) -> Option<Matrix3<f64>> {
    let middle = (one + other).try_normalize(1e-9)?;
    let along = (other - one).try_normalize(1e-9)?;
    let across = middle.cross(&along);
    Some(Matrix3::from_columns(&[middle, along, across]))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::identify::test_fields::{FieldNoise, field_of, star_at};

    const LENS: Lens = Lens {
        focal_px: 30000.0,
        center: PixelPoint::new(1199.5, 799.5),
        k1: 0.0,
        k2: 0.0,
    };

    fn field(places: &[(f64, f64, f64)]) -> StarField {
        let star = |(x, y, flux): &(f64, f64, f64)| star_at(*x, *y, *flux, 0.1);
        field_of(2400, 1600, places.iter().map(star).collect())
    }

    /// Two frames of `n` stars, the second turned; 0.1 px noise, 20 % of strangers in either.
    fn two_frames(
        noise: &mut FieldNoise,
        n: usize,
        turn: Rotation3<f64>,
    ) -> (StarField, StarField) {
        let (mut first, mut second) = (Vec::new(), Vec::new());
        for _ in 0..n * 2 {
            let place = PixelPoint::new(
                noise.uniform(-1200.0, 3600.0),
                noise.uniform(-800.0, 2400.0),
            );
            let flux = noise.uniform(0.02, 1.0).powi(-2);
            let turned = Direction::<Camera>::new(turn * LENS.direction(place).vector());
            let moved = LENS.pixel(turned).unwrap();
            for (list, at) in [(&mut first, place), (&mut second, moved)] {
                let jitter = (0.1 * noise.normal(), 0.1 * noise.normal());
                let inside = (0.0..2399.0).contains(&at.x) && (0.0..1599.0).contains(&at.y);
                if inside && noise.uniform(0.0, 1.0) > 0.1 {
                    let light = flux * (0.1 * noise.normal()).exp();
                    list.push((at.x + jitter.0, at.y + jitter.1, light));
                }
            }
        }
        for list in [&mut first, &mut second] {
            for _ in 0..list.len() / 5 {
                let flux = noise.uniform(0.02, 1.0).powi(-2);
                list.push((noise.uniform(0.0, 2399.0), noise.uniform(0.0, 1599.0), flux));
            }
        }
        (field(&first), field(&second))
    }

    #[test]
    fn turns_of_any_size_are_found_and_their_covariance_is_true() {
        let mut noise = FieldNoise::new(7);
        let mut sum_of_squares = 0.0;
        for case in 0..60 {
            let reach = [0.0003, 0.004, 0.012][case % 3];
            let turn = Rotation3::new(Vector3::new(
                noise.uniform(-reach, reach),
                noise.uniform(-reach, reach),
                noise.uniform(-0.1, 0.1),
            ));
            let (a, b) = two_frames(&mut noise, 80, turn);
            let found = match_frames(&a, &b, &LENS).expect("a turn");
            let error = (turn * found.rotation.inverse()).scaled_axis();
            let inverse = found.covariance.try_inverse().unwrap();
            sum_of_squares += error.dot(&(inverse * error));
        }
        // Chi-square of 180 degrees of freedom: 180 +- 19, four sigma either way.
        assert!((104.0..256.0).contains(&sum_of_squares), "{sum_of_squares}");
    }

    #[test]
    fn more_hot_pixels_than_stars_do_not_hold_the_camera_still() {
        let mut noise = FieldNoise::new(8);
        let turn = Rotation3::new(Vector3::new(0.0004, -0.0001, 0.0002));
        let (mut a, mut b) = two_frames(&mut noise, 40, turn);
        for _ in 0..90 {
            let (x, y) = (noise.uniform(0.0, 2399.0), noise.uniform(0.0, 1599.0));
            let hot = star_at(x, y, noise.uniform(1.0, 3000.0), 0.1);
            a.stars.push(hot);
            b.stars.push(hot);
        }
        for list in [&mut a.stars, &mut b.stars] {
            list.sort_by(|p, q| q.flux.value.total_cmp(&p.flux.value));
        }
        let found = match_frames(&a, &b, &LENS).expect("a turn");
        // Roll is the loosest part: 0.1 px over 600 px, 40 stars; four sigma.
        assert!(found.rotation.angle_to(&turn) < 1e-4);
    }

    #[test]
    fn a_camera_at_rest_is_at_rest() {
        let mut noise = FieldNoise::new(9);
        let (a, b) = two_frames(&mut noise, 60, Rotation3::identity());
        let found = match_frames(&a, &b, &LENS).expect("a turn");
        let center = LENS
            .pixel(Direction::new(found.rotation * Vector3::z()))
            .unwrap();
        assert!(center.distance(LENS.center).px() < 0.1);
    }

    #[test]
    fn stars_that_hardly_move_are_all_kept_and_move_as_they_do() {
        let mut noise = FieldNoise::new(11);
        for turn_px in [0.6, 0.8, 1.0, 1.2] {
            let turn = Rotation3::new(Vector3::new(0.0, turn_px / LENS.focal_px, 0.0));
            let (a, b) = two_frames(&mut noise, 200, turn);
            let found = match_frames(&a, &b, &LENS).expect("a turn");
            // About 100 stars lie on the frame, of which either list holds nine in ten.
            assert!(found.pairs.len() > 65, "{} pairs", found.pairs.len());
            let center = LENS.pixel(Direction::new(found.rotation * Vector3::z()));
            let moved = (center.unwrap() - LENS.center).length().px();
            // 0.14 px over the root of the pairs is 0.016; four of it.
            assert!((moved - turn_px).abs() < 0.065, "{moved} of {turn_px} px");
        }
    }

    #[test]
    fn another_part_of_the_sky_is_no_match() {
        let mut noise = FieldNoise::new(10);
        for n in [4, 6, 10, 30, 100, 400] {
            let (a, _) = two_frames(&mut noise, n, Rotation3::identity());
            let (_, b) = two_frames(&mut noise, n, Rotation3::identity());
            assert!(match_frames(&a, &b, &LENS).is_none(), "{n} stars");
        }
    }

    #[test]
    fn empty_frames_and_places_that_are_no_numbers_are_no_match() {
        let bad = field(&[(f64::NAN, 1.0, 2.0), (1.0, 2.0, f64::NAN), (3.0, 4.0, 0.0)]);
        assert!(match_frames(&bad, &bad, &LENS).is_none());
        assert!(match_frames(&field(&[]), &field(&[]), &LENS).is_none());
    }
}
