//! From a plane to its stars.

use nalgebra::SVector;
use rayon::prelude::*;

use super::background::Background;
use super::detect::{Patch, Significance};
use super::fit::{Cutout, N, Shape, StarFit, Strip, fit_star};
use super::trail::frame_trail;
use super::{Quality, Rejected, Star, StarField};
use crate::frame::Plane;
use crate::units::{Measured, PixelPoint, PixelTensor, PixelVector};

/// Stars that are fitted, brightest first; more would sharpen the frame's trail by little.
const N_FITTED: usize = 500;
/// Stars kept at all.
const N_KEPT: usize = 3000;
/// A pixel that holds more than this share of the light of its 3 x 3 neighbourhood is hot: a
/// pixel-sharp star (FWHM 1.2 px, centred) reaches 0.6.
const HOT_SHARE: f64 = 0.72;
/// Noise of the smoothed map for white noise; what exceeds it is noise that goes together.
const WHITE_SCATTER: f64 = 0.2351;

/// What the bulk of the patches looks like.
#[derive(Debug, Clone, Copy)]
struct Bulk {
    /// Segment from end to end that most stars are drawn along.
    segment: (f64, f64),
    /// Standard deviation across it.
    sigma: f64,
}

impl Bulk {
    fn length(&self) -> f64 {
        self.segment.0.hypot(self.segment.1)
    }

    /// Whether trails are long enough for segment and width to be told apart.
    fn shape(&self) -> Shape {
        if self.length() > 3.5 * self.sigma {
            Shape::Segment
        } else {
            Shape::Moments
        }
    }
}

/// Finds and measures the stars of a plane.
///
/// `saturation` is the level, on the plane's scale, from which on light is cut off.
/// Output: stars brightest first; `fwhm` and `trail` are absent with fewer than five clean stars.
pub fn measure_stars(plane: &Plane, saturation: f32) -> StarField {
    let background = Background::measure(plane);
    let significance = Significance::of(plane, &background);
    let mut patches = significance.patches();
    let together = (significance.scatter() / WHITE_SCATTER).max(1.0);
    drop(significance);
    patches.sort_by(|a, b| {
        b.weight
            .total_cmp(&a.weight)
            .then(a.y.cmp(&b.y))
            .then(a.x.cmp(&b.x))
    });
    let mut rejected = Rejected::default();
    patches.retain(|patch| {
        let hot = is_hot(plane, &background, patch);
        rejected.hot_pixels += usize::from(hot);
        !hot
    });
    let bulk = bulk(&patches);
    patches.retain(|patch| is_like_bulk(patch, &bulk, &mut rejected));
    patches.truncate(N_KEPT);
    let frame = Surveyed {
        plane,
        background: &background,
        saturation,
        bulk,
        together,
    };
    let stars: Vec<Star> = patches
        .par_iter()
        .enumerate()
        .filter_map(|(rank, patch)| frame.measure(patch, rank < N_FITTED))
        .collect();
    let mut stars = without_neighbours(stars, &bulk);
    stars.sort_by(|a, b| b.flux.value.total_cmp(&a.flux.value));
    let (level, noise) = background.medians();
    let shapes = frame_trail(&stars, plane.width(), plane.height(), bulk.shape());
    StarField {
        width: plane.width(),
        height: plane.height(),
        stars,
        background: level,
        noise,
        fwhm: shapes.map(|shapes| shapes.fwhm),
        trail: shapes.map(|shapes| shapes.trail),
        rejected,
    }
}

fn is_hot(plane: &Plane, background: &Background, patch: &Patch) -> bool {
    let (x, y) = (
        patch.center.0.round() as usize,
        patch.center.1.round() as usize,
    );
    if patch.area > 40 || x < 1 || y < 1 || x + 1 >= plane.width() || y + 1 >= plane.height() {
        return false;
    }
    let (level, _) = background.at(x, y);
    let (mut sum, mut peak) = (0.0f64, 0.0f64);
    for row in y - 1..=y + 1 {
        for value in &plane.row(row)[x - 1..=x + 1] {
            let light = f64::from(value - level);
            sum += light;
            peak = peak.max(light);
        }
    }
    peak > HOT_SHARE * sum
}

/// The typical patch, from the medians of the moments: signed parts, so that noise cancels.
fn bulk(patches: &[Patch]) -> Bulk {
    let clear: Vec<&Patch> = patches
        .iter()
        .filter(|patch| !patch.at_edge && patch.peak > 8.0 && patch.area >= 5)
        .take(200)
        .collect();
    if clear.is_empty() {
        return Bulk {
            segment: (0.0, 0.0),
            sigma: 1.3,
        };
    }
    let of = |part: &dyn Fn(&Patch) -> f64| {
        let mut values: Vec<f64> = clear.iter().map(|patch| part(patch)).collect();
        values.sort_by(f64::total_cmp);
        values[values.len() / 2]
    };
    let difference = of(&|patch| patch.moments.0 - patch.moments.2);
    let mixed = of(&|patch| 2.0 * patch.moments.1);
    let small = of(&|patch| {
        let (xx, xy, yy) = patch.moments;
        0.5 * (xx + yy) - (0.5 * (xx - yy)).hypot(xy)
    });
    let length = (12.0 * difference.hypot(mixed)).sqrt();
    let angle = 0.5 * mixed.atan2(difference);
    Bulk {
        segment: (length * angle.cos(), length * angle.sin()),
        sigma: small.max(0.3).sqrt(),
    }
}

/// Keeps patches that the frame's typical motion can have drawn.
fn is_like_bulk(patch: &Patch, bulk: &Bulk, rejected: &mut Rejected) -> bool {
    let (xx, xy, yy) = patch.moments;
    let length = (12.0 * (xx - yy).hypot(2.0 * xy)).sqrt();
    // Faint trails are seen shorter, field rotation and distortion make them differ by some.
    let longest = 1.6 * bulk.length() + 14.0 * bulk.sigma + 0.15 * (patch.area as f64).sqrt();
    if length > longest {
        rejected.lines += 1;
        return false;
    }
    let width = (patch.area as f64) / (length.max(3.0 * bulk.sigma));
    if width > 30.0 * bulk.sigma.max(1.0) {
        rejected.shapes += 1;
        return false;
    }
    true
}

struct Surveyed<'a> {
    plane: &'a Plane,
    background: &'a Background,
    saturation: f32,
    bulk: Bulk,
    /// Factor by which noise that goes together between pixels widens every sigma.
    together: f64,
}

impl Surveyed<'_> {
    fn measure(&self, patch: &Patch, fitted: bool) -> Option<Star> {
        let saturated = self.is_saturated(patch);
        let reach = 4.0 * self.bulk.sigma + 2.0;
        let strip = Strip {
            center: patch.center,
            segment: self.bulk.segment,
            reach,
        };
        let cutout = Cutout::new(self.plane, self.background, &strip);
        let quality = Quality {
            saturated,
            blended: false,
            at_edge: patch.at_edge || cutout.is_none(),
        };
        let fit = cutout
            .as_ref()
            .filter(|_| fitted && !saturated)
            .and_then(|cutout| self.fit(cutout, patch));
        match (fit, cutout) {
            (Some(fit), Some(cutout)) => self.fitted_star(&fit, &cutout, quality),
            (None, Some(cutout)) => Some(self.plain_star(patch, Some(&cutout), quality)),
            (_, None) => Some(self.plain_star(patch, None, quality)),
        }
    }

    fn is_saturated(&self, patch: &Patch) -> bool {
        (patch.y.0..=patch.y.1).any(|y| {
            self.plane.row(y)[patch.x.0..=patch.x.1]
                .iter()
                .any(|value| *value >= self.saturation)
        })
    }

    fn fit(&self, cutout: &Cutout, patch: &Patch) -> Option<StarFit> {
        let (sigma, segment) = (self.bulk.sigma, self.bulk.segment);
        let shape = match self.bulk.shape() {
            Shape::Moments => {
                let width = (sigma * sigma - 1.4).max(0.5);
                [
                    width + segment.0 * segment.0 / 12.0,
                    segment.0 * segment.1 / 12.0,
                    width + segment.1 * segment.1 / 12.0,
                ]
            }
            Shape::Segment => [segment.0, segment.1, (sigma * sigma - 1.4).max(0.5).sqrt()],
        };
        let start = SVector::<f64, N>::from_column_slice(&[
            cutout.light().max(cutout.peak()),
            patch.center.0,
            patch.center.1,
            0.0,
            shape[0],
            shape[1],
            shape[2],
        ]);
        let fit = fit_star(cutout, self.bulk.shape(), start)?;
        let moved = (fit.parameters[1] - patch.center.0).hypot(fit.parameters[2] - patch.center.1);
        let stayed = moved < 3.0 + 0.4 * self.bulk.length();
        (stayed && fit.parameters[0] > 0.0).then_some(fit)
    }

    fn fitted_star(&self, fit: &StarFit, cutout: &Cutout, quality: Quality) -> Option<Star> {
        let p = &fit.parameters;
        let widen = self.together * self.together;
        let c = |row: usize, column: usize| fit.covariance[(row, column)] * widen;
        let (moments, trail) = match self.bulk.shape() {
            Shape::Moments => (PixelTensor::new(p[4], p[5], p[6]), None),
            Shape::Segment => {
                let square = p[6] * p[6];
                let moments = PixelTensor::new(
                    square + p[4] * p[4] / 12.0,
                    p[4] * p[5] / 12.0,
                    square + p[5] * p[5] / 12.0,
                );
                (moments, Some(PixelVector::new(p[4], p[5])))
            }
        };
        // Of a segment the ends' sigmas stand in for those of the moments.
        let moments_sigma = PixelTensor::new(c(4, 4).sqrt(), c(5, 5).sqrt(), c(6, 6).sqrt());
        let sound = c(1, 1) > 0.0 && c(2, 2) > 0.0 && c(0, 0) > 0.0;
        sound.then(|| Star {
            position: PixelPoint::new(p[1], p[2]),
            position_covariance: PixelTensor::new(c(1, 1), c(1, 2), c(2, 2)),
            flux: Measured::new(p[0], c(0, 0).sqrt()),
            peak: cutout.peak(),
            moments,
            moments_sigma,
            trail,
            quality: Quality {
                blended: fit.misfit > 4.0,
                ..quality
            },
        })
    }

    /// A star that was not fitted: centroid and moments of its patch, with honest, wide sigmas.
    fn plain_star(&self, patch: &Patch, cutout: Option<&Cutout>, quality: Quality) -> Star {
        let (xx, xy, yy) = patch.moments;
        let (level, noise) = self
            .background
            .at(patch.center.0 as usize, patch.center.1 as usize);
        let area = patch.area as f64;
        let light = cutout.map_or(patch.weight * f64::from(noise), Cutout::light);
        let variance = cutout.map_or(area * f64::from(noise * noise), Cutout::light_variance);
        let flux = Measured::new(light.max(f64::from(noise)), variance.sqrt() * self.together);
        let signal_to_noise = (flux.value / flux.sigma).max(1.0);
        // A saturated or cut-off image has its centroid pulled: half a pixel is admitted.
        let pulled = if quality.is_clean() { 0.0 } else { 0.5 };
        let place = |moment: f64| {
            moment.max(0.5) / signal_to_noise.powi(2) + pulled * pulled + 0.05f64.powi(2)
        };
        let shape_sigma = (xx + yy) / signal_to_noise * std::f64::consts::SQRT_2 + 0.5;
        Star {
            position: PixelPoint::new(patch.center.0, patch.center.1),
            position_covariance: PixelTensor::new(place(xx), 0.0, place(yy)),
            flux,
            peak: f64::from(patch.peak * noise).max(f64::from(level) * 0.0),
            moments: PixelTensor::new(xx, xy, yy),
            moments_sigma: PixelTensor::new(shape_sigma, shape_sigma, shape_sigma),
            trail: None,
            quality,
        }
    }
}

/// Marks stars whose images touch, and drops the fainter of two fits that ended on one place.
fn without_neighbours(mut stars: Vec<Star>, bulk: &Bulk) -> Vec<Star> {
    stars.sort_by(|a, b| a.position.y.total_cmp(&b.position.y));
    let near = 3.0 * bulk.sigma + 2.0;
    let reach = bulk.length() + near;
    let mut dropped = vec![false; stars.len()];
    for idx in 0..stars.len() {
        for other in idx + 1..stars.len() {
            if stars[other].position.y - stars[idx].position.y > reach {
                break;
            }
            let step = stars[other].position - stars[idx].position;
            if step.length().px() > reach || !images_touch(step, bulk, near) {
                continue;
            }
            let (bright, faint) = if stars[idx].flux.value >= stars[other].flux.value {
                (idx, other)
            } else {
                (other, idx)
            };
            if step.length().px() < 1.0 {
                dropped[faint] = true;
                continue;
            }
            stars[faint].quality.blended = true;
            if stars[faint].flux.value > 0.02 * stars[bright].flux.value {
                stars[bright].quality.blended = true;
            }
        }
    }
    let mut idx = 0;
    stars.retain(|_| {
        idx += 1;
        !dropped[idx - 1]
    });
    stars
}

/// Whether two equal segments a step apart come nearer than `near`.
fn images_touch(step: PixelVector, bulk: &Bulk, near: f64) -> bool {
    let length = bulk.length();
    if length < near {
        return step.length().px() < length + near;
    }
    let (cos, sin) = (bulk.segment.0 / length, bulk.segment.1 / length);
    let (along, across) = (
        step.dx * cos + step.dy * sin,
        -step.dx * sin + step.dy * cos,
    );
    across.abs() < near && along.abs() < length + near
}
