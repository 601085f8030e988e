//! The search for a field's place on the sky: picture triangles against catalogue triangles, each
//! agreement checked at once, the promising ones grown and judged.

use nalgebra::{Matrix3, Rotation3, Vector3};

use super::fit::{LensPrior, Pose};
use super::image::ImageField;
use super::lens::Lens;
use super::pattern::{IndexStar, PatternIndex, Triangle};
use super::verify::{Grown, Growth, Reach, bright_alike, grow, log10_odds};
use super::{Hints, Unidentified};
use crate::sky::catalogue::Catalogue;
use crate::units::{Angle, PixelPoint};

/// A pose that stands up to the odds, with the catalogue stars it was judged on.
pub(crate) struct Found {
    pub(crate) grown: Grown,
    pub(crate) stars: Vec<IndexStar>,
    pub(crate) log10_chance: f64,
}

/// Highest accepted logarithm (base 10) of the number of such agreements to expect by chance, all
/// trials counted: one in a hundred million.
pub(crate) const MAX_LOG10_CHANCE: f64 = -8.0;
/// A fit to the index's stars goes on to the whole catalogue at these odds.
const LIKELY_LOG10: f64 = -4.0;
/// Stars of the index that a field holds on average, where the catalogue has as many.
const N_INDEX_STARS_IN_FIELD: f64 = 20.0;
/// Fewest usable stars: three make a trial, and one has to speak for it.
const N_FEWEST: usize = 4;
/// Magnitude differences up to this are colour, clouds, vignetting.
const MAGNITUDE_WINDOW: f64 = 2.0;
/// Noise of a star's place that the shapes of triangles allow for, pixels.
const SHAPE_NOISE_PX: f64 = 1.5;
/// Tolerance on a triangle's side ratios above which its shape says too little.
const MAX_SHAPE_TOLERANCE: f64 = 0.045;

/// Indices of the whole sky for fields of different size, built when first asked for.
#[derive(Debug, Default)]
pub(crate) struct Indices {
    levels: [std::sync::OnceLock<PatternIndex>; N_LEVELS],
}

/// Each level is for fields of half the area of the one before.
const N_LEVELS: usize = 14;
/// Area of the fields of the first level, steradian (a 14 mm lens on a 36 x 24 mm sensor: 2.1).
const LARGEST_AREA: f64 = 4.0;

impl Indices {
    fn level(&self, catalogue: &Catalogue, level: usize) -> &PatternIndex {
        self.levels[level].get_or_init(|| PatternIndex::build(catalogue, density_of(level), None))
    }
}

fn level_for(area: f64) -> usize {
    ((LARGEST_AREA / area).log2().round().max(0.0) as usize).min(N_LEVELS - 1)
}

/// Stars of an index a steradian.
fn density_of(level: usize) -> f64 {
    N_INDEX_STARS_IN_FIELD / LARGEST_AREA * f64::from(1_u32 << level)
}

/// Focal lengths that are tried together: within `ln_half_width` of `focal_px` on a logarithmic scale.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Pass {
    focal_px: f64,
    ln_half_width: f64,
}

/// The passes that cover a range of focal lengths, from its middle outwards.
fn passes(low_px: f64, high_px: f64, half_diagonal: f64) -> Vec<Pass> {
    let (low, high) = (low_px.ln(), high_px.ln());
    // Shapes of triangles change with a wrong focal length only where the field is wide.
    let width_at = |ln_focal: f64| {
        let tangent = half_diagonal / ln_focal.exp();
        let ratio: f64 = if tangent > 0.3 {
            1.08
        } else if tangent > 0.12 {
            1.2
        } else {
            1.6
        };
        ratio.ln()
    };
    let piece = |from: f64, to: f64| Pass {
        focal_px: (0.5 * (from + to)).exp(),
        ln_half_width: 0.5 * (to - from),
    };
    let middle = 0.5 * (low + high);
    let half = 0.5 * width_at(middle);
    let (mut left, mut right) = ((middle - half).max(low), (middle + half).min(high));
    let mut found = vec![piece(left, right)];
    while left > low || right < high {
        if right < high {
            let next = (right + width_at(right)).min(high);
            found.push(piece(right, next));
            right = next;
        }
        if left > low {
            let next = (left - width_at(left)).max(low);
            found.push(piece(next, left));
            left = next;
        }
    }
    found
}

/// Searches the sky, or the hinted part of it.
pub(crate) fn search(
    image: &ImageField,
    hints: &Hints,
    catalogue: &Catalogue,
    indices: &Indices,
) -> Result<Found, Unidentified> {
    let n_stars = image.stars.len();
    if n_stars < N_FEWEST {
        return Err(Unidentified::TooFewStars {
            found: n_stars,
            needed: N_FEWEST,
        });
    }
    let mut n_trials = 0;
    let (low, high) = hints.focal.bounds_px();
    for pass in passes(low, high, image.half_diagonal()) {
        let level = level_for(field_area(image, pass.focal_px));
        let regional;
        let index = match hints.near {
            Some((center, radius)) if radius.deg() < 25.0 => {
                let reach = radius.rad() + (image.half_diagonal() / pass.focal_px).atan();
                let region = (center, Angle::from_rad(reach));
                regional = PatternIndex::build(catalogue, density_of(level), Some(region));
                &regional
            }
            _ => indices.level(catalogue, level),
        };
        let mut scan = Scan {
            image,
            hints,
            catalogue,
            index,
            pass,
            n_trials,
        };
        if let Some(found) = scan.run(density_of(level)) {
            return Ok(found);
        }
        n_trials = scan.n_trials;
    }
    Err(Unidentified::NoAgreement { n_stars, n_trials })
}

/// Solid angle of the frame, steradian (that of a rectangle seen square on).
fn field_area(image: &ImageField, focal_px: f64) -> f64 {
    let (a, b) = (image.width / 2.0, image.height / 2.0);
    let f2 = focal_px * focal_px;
    4.0 * (a * b / ((f2 + a * a) * (f2 + b * b)).sqrt()).asin()
}

/// One pass of the search.
struct Scan<'a> {
    image: &'a ImageField,
    hints: &'a Hints,
    catalogue: &'a Catalogue,
    index: &'a PatternIndex,
    pass: Pass,
    n_trials: usize,
}

impl Scan<'_> {
    /// Goes through the triangles of the bright stars, brightest first.
    fn run(&mut self, density: f64) -> Option<Found> {
        let area = field_area(self.image, self.pass.focal_px);
        let mean_density = self.catalogue.len() as f64 / (4.0 * std::f64::consts::PI);
        let n_expected = 1.6 * area * density.min(mean_density);
        let chosen = self
            .image
            .bright_and_spread((n_expected as usize).clamp(14, 32));
        let lens = self.lens(self.pass.focal_px);
        let directions: Vec<Vector3<f64>> = chosen
            .iter()
            .map(|n| lens.direction(self.image.stars[*n].place).vector())
            .collect();
        let mut alike = Vec::new();
        for k in 2..chosen.len() {
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

    /// The lens of the pass at a focal length.
    fn lens(&self, focal_px: f64) -> Lens {
        Lens {
            focal_px,
            center: self.image.center(),
            k1: self.hints.k1,
        }
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
        let center = self.image.center();
        let square = |n: u32| {
            let place = self.image.stars[n as usize].place;
            (place.distance(center).px() / self.pass.focal_px).powi(2)
        };
        let off_axis2 = triangle.corners.map(square).iter().sum::<f64>() / 3.0;
        let longest_px = f64::from(triangle.longest) * self.pass.focal_px;
        let noise = 1.5 * (SHAPE_NOISE_PX + self.hints.extra_noise_px) / longest_px;
        let corner = self.image.half_diagonal() / self.pass.focal_px;
        let distortion = greatest_distortion(corner) / (corner * corner);
        noise + off_axis2 * (distortion + self.pass.ln_half_width)
    }

    /// Whether a catalogue triangle is the picture's triangle, judged by the other stars.
    fn test(&mut self, picture: &Triangle, sky: &Triangle) -> Option<Found> {
        let zero_point = self.common_zero_point(picture, sky)?;
        let pose = self.pose(picture, sky)?;
        if let Some((center, radius)) = self.hints.near
            && pose.axis().separation(center).rad() > radius.rad()
        {
            return None;
        }
        self.n_trials += 1;
        let corner = self.image.half_diagonal() / pose.lens.focal_px;
        let reach = self.first_reach(picture, &pose.lens);
        if self.quick_odds(&pose, zero_point, &reach, sky) < promising_ln(corner) {
            return None;
        }
        let radius =
            Angle::from_rad(1.05 * (self.image.half_diagonal() / pose.lens.focal_px).atan());
        let mut near = Vec::new();
        self.index
            .visit_near(pose.axis(), radius, |star| near.push(*star));
        let prior = lens_prior(self.image, self.hints);
        let growth = growth(&pose.lens, reach, 4);
        let grown = grow(&near, self.image, pose, zero_point, &prior, &growth)?;
        let odds = log10_odds(&near, self.image, &grown, growth.magnitude_window, 1);
        if odds > LIKELY_LOG10 {
            return None;
        }
        settle(
            self.image,
            self.hints,
            self.catalogue,
            &grown,
            self.n_trials,
        )
    }

    /// The middle zero point of three stars, unless brightness rules the triangle out.
    fn common_zero_point(&self, picture: &Triangle, sky: &Triangle) -> Option<f64> {
        let mut values = [0.0; 3];
        let mut slack = MAGNITUDE_WINDOW;
        for (value, (p, s)) in values
            .iter_mut()
            .zip(picture.corners.iter().zip(&sky.corners))
        {
            let star = &self.image.stars[*p as usize];
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
        let places = picture.corners.map(|n| self.image.stars[n as usize].place);
        let targets = sky.corners.map(|s| self.index.star(s).place);
        let wanted = circumference(&targets);
        let mut focal_px = self.pass.focal_px;
        let mut directions = self.directions(&places, focal_px);
        for _ in 0..2 {
            focal_px *= circumference(&directions) / wanted;
            directions = self.directions(&places, focal_px);
        }
        let (low, high) = self.hints.focal.bounds_px();
        if !(0.97 * low..=1.03 * high).contains(&focal_px) {
            return None;
        }
        let matrix = axes(&targets)? * axes(&directions)?.transpose();
        Some(Pose {
            lens: self.lens(focal_px),
            attitude: Rotation3::from_matrix_unchecked(matrix),
        })
    }

    fn directions(&self, places: &[PixelPoint; 3], focal_px: f64) -> [Vector3<f64>; 3] {
        let lens = self.lens(focal_px);
        places.map(|place| lens.direction(place).vector())
    }

    /// How near to its predicted place a star has to be when the pose rests on one triangle.
    fn first_reach(&self, picture: &Triangle, lens: &Lens) -> Reach {
        let places = picture.corners.map(|n| self.image.stars[n as usize].place);
        let longest_px = f64::from(picture.longest) * self.pass.focal_px;
        let corner = self.image.half_diagonal() / lens.focal_px;
        let noise_px = SHAPE_NOISE_PX + self.hints.extra_noise_px;
        Reach {
            base_px: 2.0 * noise_px,
            // The triangle's own noise turns and stretches the pose; the unknown distortion adds.
            slope: noise_px / longest_px + 0.8 * greatest_distortion(corner),
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
        let radius = Angle::from_rad((self.image.half_diagonal() / pose.lens.focal_px).atan());
        let mut odds = 0.0;
        self.index.visit_near(pose.axis(), radius, |star| {
            if corners.contains(&star.catalogue_idx) {
                return;
            }
            let place = pose.project(&star.place);
            let Some(place) = place.filter(|p| self.image.contains(*p)) else {
                return;
            };
            let magnitude = f64::from(star.magnitude);
            let radius_px = reach.at(place);
            let hit = self.image.nearest_where(place, radius_px, |s| {
                bright_alike(magnitude, s, zero_point, MAGNITUDE_WINDOW)
            });
            if hit.is_none() {
                odds += LN_UNSEEN;
                return;
            }
            let p_hit =
                self.image
                    .chance_of_hit(magnitude - zero_point, MAGNITUDE_WINDOW, radius_px);
            odds += (P_SEEN / p_hit).ln();
        });
        odds
    }
}

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

/// A pose grown on the whole catalogue and judged; `None` where chance could have made it.
pub(crate) fn settle(
    image: &ImageField,
    hints: &Hints,
    catalogue: &Catalogue,
    start: &Grown,
    n_trials: usize,
) -> Option<Found> {
    let pose = start.fit.pose;
    let reach = Angle::from_rad(1.03 * (image.half_diagonal() / pose.lens.focal_px).atan());
    let faintest_picture = image.stars.last()?.magnitude;
    let faintest = faintest_picture + start.zero_point + 0.7;
    let mut stars = Vec::new();
    catalogue.visit_near(pose.axis(), reach, faintest, |star_idx| {
        stars.push(IndexStar {
            place: catalogue.vector(star_idx),
            magnitude: catalogue.magnitude(star_idx) as f32,
            catalogue_idx: star_idx as u32,
        });
    });
    let growth = growth(&pose.lens, Reach::uniform(start.radius_px), 8);
    let prior = lens_prior(image, hints);
    let grown = grow(&stars, image, pose, start.zero_point, &prior, &growth)?;
    let (low, high) = hints.focal.bounds_px();
    if !(0.97 * low..=1.03 * high).contains(&grown.fit.pose.lens.focal_px) {
        return None;
    }
    let log10_chance = log10_odds(&stars, image, &grown, growth.magnitude_window, n_trials);
    (log10_chance <= MAX_LOG10_CHANCE).then_some(Found {
        grown,
        stars,
        log10_chance,
    })
}

/// How to grow a pose of a lens from a first reach.
fn growth(lens: &Lens, reach: Reach, n_rounds: usize) -> Growth {
    Growth {
        reach,
        least_radius_px: 1.5,
        magnitude_window: MAGNITUDE_WINDOW,
        // 0.4 arcsec: proper motion since the catalogue's epoch, aberration across the field.
        floor_px: (lens.focal_px * Angle::from_arcsec(0.4).rad()).max(0.1),
        n_rounds,
    }
}

/// What is known of the lens before any star is matched.
fn lens_prior(image: &ImageField, hints: &Hints) -> LensPrior {
    let (low, high) = hints.focal.bounds_px();
    let ln_focal = 0.5 * (low.ln() + high.ln());
    let corner = image.half_diagonal() / ln_focal.exp();
    LensPrior {
        ln_focal,
        ln_focal_sigma: (0.5 * (high / low).ln()).max(1e-4),
        k1: hints.k1,
        k1_sigma: greatest_distortion(corner) / (corner * corner),
    }
}

/// Radial displacement in a frame's corner that a lens may show, relative to the corner's distance;
/// its argument is the tangent of the corner's angle off the axis. Common practice, no source: up
/// to one per cent for long lenses, some per cent for wide ones.
fn greatest_distortion(corner_tangent: f64) -> f64 {
    (0.012 + 0.25 * corner_tangent * corner_tangent).min(0.04)
}

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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn passes_cover_the_range_without_gaps_from_the_middle_outwards() {
        for (low, high, half_diagonal) in [
            (900.0, 1100.0, 1000.0),
            (30000.0, 36000.0, 1000.0),
            (576.0, 144_000.0, 961.0),
        ] {
            let mut found = passes(low, high, half_diagonal);
            let middle = (low * high).sqrt().ln();
            assert!((found[0].focal_px.ln() - middle).abs() <= found[0].ln_half_width);
            found.sort_by(|p, q| p.focal_px.total_cmp(&q.focal_px));
            let edges = |p: &Pass| {
                (
                    p.focal_px.ln() - p.ln_half_width,
                    p.focal_px.ln() + p.ln_half_width,
                )
            };
            assert!((edges(&found[0]).0 - f64::ln(low)).abs() < 1e-9);
            assert!((edges(found.last().unwrap()).1 - f64::ln(high)).abs() < 1e-9);
            for pair in found.windows(2) {
                assert!((edges(&pair[0]).1 - edges(&pair[1]).0).abs() < 1e-9);
            }
        }
    }

    #[test]
    fn a_square_on_cube_face_covers_a_sixth_of_the_sky() {
        let field = crate::stars::StarField {
            width: 1000,
            height: 1000,
            stars: Vec::new(),
            background: 0.0,
            noise: 1.0,
            fwhm: None,
            trail: None,
            rejected: Default::default(),
        };
        let area = field_area(&ImageField::new(&field), 500.0);
        assert!((area - 4.0 * std::f64::consts::PI / 6.0).abs() < 1e-12);
    }
}
