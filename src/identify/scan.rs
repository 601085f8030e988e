//! One pass of the search: picture triangles against catalogue triangles, each agreement checked
//! at once, the promising ones grown and judged.

use nalgebra::{Matrix3, Rotation3, Vector3};

use super::fit::{Pose, Squeeze};
use super::lens::Lens;
use super::levels::field_area;
use super::passes::{Effort, Pass};
use super::pattern::{PatternIndex, Triangle};
use super::search::{Found, MAGNITUDE_WINDOW, Search, Whereabouts};
use super::verify::{Reach, bright_alike, grow, log10_odds};
use crate::units::{Angle, PixelPoint};

/// A fit to the index's stars goes on to the whole catalogue at these odds.
const LIKELY_LOG10: f64 = -4.0;
/// Tolerance on a triangle's side ratios above which its shape says too little.
const MAX_SHAPE_TOLERANCE: f64 = 0.045;

/// One pass of the search.
pub(crate) struct Scan<'a> {
    pub(crate) search: &'a Search<'a>,
    pub(crate) index: &'a PatternIndex,
    pub(crate) pass: Pass,
    pub(crate) effort: &'a Effort,
    /// Poses tried so far, those of earlier passes included.
    pub(crate) n_trials: usize,
}

impl Scan<'_> {
    /// Goes through the triangles of the bright stars, brightest first.
    pub(crate) fn run(&mut self, n_index_stars: f64) -> Option<Found> {
        let area = field_area(self.search.image, self.pass.focal_px);
        let mean_density = self.search.catalogue.len() as f64 / (4.0 * std::f64::consts::PI);
        let n_expected = self.effort.n_picture_stars * n_index_stars.min(area * mean_density);
        let chosen = self
            .search
            .image
            .bright_and_spread((n_expected as usize).clamp(14, 50));
        let lens = self.search.lens(self.pass.focal_px);
        let directions: Vec<Vector3<f64>> = chosen
            .iter()
            .map(|n| lens.direction(self.search.image.stars[*n].place).vector())
            .collect();
        let mut alike = Vec::new();
        let last_trial = self.n_trials + self.effort.most_trials;
        for k in 2..chosen.len() {
            if self.n_trials > last_trial {
                return None;
            }
            for j in 1..k {
                for i in 0..j {
                    let corners = [i, j, k];
                    let at = corners.map(|n| &directions[n]);
                    let stars = corners.map(|n| chosen[n] as u32);
                    let Some(triangle) = Triangle::new(at, stars) else {
                        continue;
                    };
                    self.find_alike(&triangle, &mut alike);
                    for candidate in &alike {
                        if let Some(found) = self.test(&triangle, candidate) {
                            return Some(found);
                        }
                    }
                }
            }
        }
        None
    }

    /// Catalogue triangles of the same shape and a possible size.
    fn find_alike(&self, triangle: &Triangle, alike: &mut Vec<Triangle>) {
        alike.clear();
        let spread = self.pass.ln_half_width;
        let longest = f64::from(triangle.longest);
        if longest * (-spread).exp() > self.index.longest() {
            return;
        }
        let tolerance = self.shape_tolerance(triangle);
        let (short, middle) = (
            f64::from(triangle.short_ratio),
            f64::from(triangle.middle_ratio),
        );
        // Sides of nearly the same length may stand in either order in the catalogue.
        let ambiguous = 1.0 - middle < tolerance || middle - short < tolerance;
        if tolerance > MAX_SHAPE_TOLERANCE || ambiguous {
            return;
        }
        let margin = spread + tolerance;
        let bounds = (
            (longest * (-margin).exp()) as f32,
            (longest * margin.exp()) as f32,
        );
        self.index
            .visit_alike(triangle, tolerance as f32, bounds, |t| alike.push(*t));
    }

    /// How much the side ratios may be off: noise of the places, and for triangles away from the
    /// centre of wide fields the unknown distortion and focal length.
    fn shape_tolerance(&self, triangle: &Triangle) -> f64 {
        let center = self.search.image.center();
        let square = |n: u32| {
            let place = self.search.image.stars[n as usize].place;
            (place.distance(center).px() / self.pass.focal_px).powi(2)
        };
        let off_axis2 = triangle.corners.map(square).iter().sum::<f64>() / 3.0;
        let longest_px = f64::from(triangle.longest) * self.pass.focal_px;
        let noise = 1.5 * (self.search.noise_px()) / longest_px;
        let corner = self.search.image.half_diagonal() / self.pass.focal_px;
        let distortion =
            self.effort.distortion * self.search.greatest_distortion(corner) / (corner * corner);
        noise + off_axis2 * (distortion + self.pass.ln_half_width)
    }

    /// Whether a catalogue triangle is the picture's triangle, judged by the other stars.
    fn test(&mut self, picture: &Triangle, sky: &Triangle) -> Option<Found> {
        let zero_point = self.common_zero_point(picture, sky)?;
        let pose = self.pose(picture, sky)?;
        if let Some((center, radius)) = self.search.hints.near
            && pose.axis().separation(center).rad() > radius.rad()
        {
            return None;
        }
        self.n_trials += 1;
        let corner = self.search.image.half_diagonal() / pose.lens.focal_px;
        let reach = self.first_reach(picture, &pose.lens);
        if self.quick_odds(&pose, zero_point, &reach, sky)
            < promising_ln(corner) + self.effort.promising_ln
        {
            return None;
        }
        let radius =
            Angle::from_rad(1.05 * (self.search.image.half_diagonal() / pose.lens.focal_px).atan());
        let mut near = Vec::new();
        self.index
            .visit_near(pose.axis(), radius, |star| near.push(*star));
        let prior = self.search.lens_prior();
        let growth = self.search.growth(&pose.lens, reach, 3);
        let grown = grow(&near, self.search.image, pose, zero_point, &prior, &growth)?;
        let odds = log10_odds(&near, self.search.image, &grown, growth.magnitude_window, 1);
        if odds > LIKELY_LOG10 {
            return None;
        }
        self.search
            .settle(&grown, self.n_trials, Whereabouts::Searched)
    }

    /// The middle zero point of three stars, unless brightness rules the triangle out.
    fn common_zero_point(&self, picture: &Triangle, sky: &Triangle) -> Option<f64> {
        let mut values = [0.0; 3];
        let mut slack = MAGNITUDE_WINDOW;
        for (value, (p, s)) in values
            .iter_mut()
            .zip(picture.corners.iter().zip(&sky.corners))
        {
            let star = &self.search.image.stars[*p as usize];
            *value = f64::from(self.index.star(*s).magnitude) - star.magnitude;
            if star.saturated {
                slack = MAGNITUDE_WINDOW + 2.0;
            }
        }
        values.sort_unstable_by(f64::total_cmp);
        (values[2] - values[0] <= slack).then_some(values[1])
    }

    /// The pose that lays the picture's triangle on the sky's, with the focal length that makes
    /// them equally large; `None` where that is out of range.
    fn pose(&self, picture: &Triangle, sky: &Triangle) -> Option<Pose> {
        let places = picture
            .corners
            .map(|n| self.search.image.stars[n as usize].place);
        let targets = sky.corners.map(|s| self.index.star(s).place);
        let wanted = circumference(&targets);
        let mut focal_px = self.pass.focal_px;
        let mut directions = self.directions(&places, focal_px);
        for _ in 0..2 {
            focal_px *= circumference(&directions) / wanted;
            directions = self.directions(&places, focal_px);
        }
        let (low, high) = self.search.hints.focal.bounds_px();
        if !(0.97 * low..=1.03 * high).contains(&focal_px) {
            return None;
        }
        let matrix = axes(&targets)? * axes(&directions)?.transpose();
        Some(Pose {
            lens: self.search.lens(focal_px),
            attitude: Rotation3::from_matrix_unchecked(matrix),
            squeeze: Squeeze::default(),
        })
    }

    fn directions(&self, places: &[PixelPoint; 3], focal_px: f64) -> [Vector3<f64>; 3] {
        let lens = self.search.lens(focal_px);
        places.map(|place| lens.direction(place).vector())
    }

    /// How near to its predicted place a star has to be when the pose rests on one triangle.
    fn first_reach(&self, picture: &Triangle, lens: &Lens) -> Reach {
        let places = picture
            .corners
            .map(|n| self.search.image.stars[n as usize].place);
        let longest_px = f64::from(picture.longest) * self.pass.focal_px;
        let corner = self.search.image.half_diagonal() / lens.focal_px;
        let noise_px = self.search.noise_px();
        Reach {
            base_px: 2.0 * noise_px,
            // The triangle's own noise turns and stretches the pose; the unknown distortion adds.
            slope: noise_px / longest_px + 0.8 * self.search.greatest_distortion(corner),
            around: PixelPoint::new(
                (places[0].x + places[1].x + places[2].x) / 3.0,
                (places[0].y + places[1].y + places[2].y) / 3.0,
            ),
        }
    }

    /// Natural logarithm of the odds for a pose against chance, from the index's stars near it.
    ///
    /// A right pose shows a star with [`P_SEEN`], whatever its neighbours do; chance shows one with
    /// the probability that a picture star of its brightness lies within reach. The triangle's own
    /// stars agree by construction and say nothing.
    fn quick_odds(&self, pose: &Pose, zero_point: f64, reach: &Reach, sky: &Triangle) -> f64 {
        let corners = sky.corners.map(|s| self.index.star(s).catalogue_idx);
        let radius =
            Angle::from_rad((self.search.image.half_diagonal() / pose.lens.focal_px).atan());
        let mut odds = 0.0;
        self.index.visit_near(pose.axis(), radius, |star| {
            if odds < HOPELESS_LN || corners.contains(&star.catalogue_idx) {
                return;
            }
            let place = pose.project(&star.place);
            let Some(place) = place.filter(|p| self.search.image.contains(*p)) else {
                return;
            };
            let magnitude = f64::from(star.magnitude);
            let radius_px = reach.at(place);
            let hit = self.search.image.nearest_where(place, radius_px, |s| {
                bright_alike(magnitude, s, zero_point, MAGNITUDE_WINDOW)
            });
            if hit.is_none() {
                odds += LN_UNSEEN;
                return;
            }
            let p_hit = self.search.image.chance_of_hit(
                magnitude - zero_point,
                MAGNITUDE_WINDOW,
                radius_px,
            );
            odds += (P_SEEN / p_hit).ln();
        });
        odds
    }
}

/// Odds (natural logarithm) from which no right pose recovers: some twelve bright stars in a row unseen.
const HOPELESS_LN: f64 = -11.0;

/// Odds (natural logarithm) with which the stars near a trial have to speak for it before it is
/// fitted. In wide fields the unknown distortion blurs the first look, but trials are few enough
/// to fit many; in narrow ones it is sharp, and trials are many.
fn promising_ln(corner_tangent: f64) -> f64 {
    (3.0 - 25.0 * corner_tangent).max(-4.0)
}

/// Share of bright catalogue stars that a sound picture shows.
const P_SEEN: f64 = 0.6;
/// Natural logarithm of the odds that a star's absence gives, where chance rarely shows one.
const LN_UNSEEN: f64 = -0.916;

/// Sum of the sides of a triangle of directions (chords).
fn circumference(corners: &[Vector3<f64>; 3]) -> f64 {
    let [p, q, r] = corners;
    (p - q).norm() + (q - r).norm() + (r - p).norm()
}

/// Right-handed axes fixed to three directions: towards their middle, along one side, across.
fn axes(corners: &[Vector3<f64>; 3]) -> Option<Matrix3<f64>> {
    let middle = (corners[0] + corners[1] + corners[2]).try_normalize(1e-9)?;
    // The corner opposite the shortest side and the middle of that side are farthest apart.
    let side = 0.5 * (corners[1] + corners[2]) - corners[0];
    let along = (side - middle * side.dot(&middle)).try_normalize(1e-12)?;
    let across = middle.cross(&along);
    Some(Matrix3::from_columns(&[middle, along, across]))
}
