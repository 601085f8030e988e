//! Stars that are about as long as they are wide: peaks of the filtered plane, adaptive moments.

use rayon::prelude::*;

use super::component::Component;
use super::field::median;
use super::fit::FitSetup;
use super::moments::{Adaptive, NoStar, adaptive_moments};
use super::{LightLine, Quality, Rejected, Star};
use crate::frame::Plane;
use crate::units::{Measured, PixelPoint};

/// Narrower than this share of the bulk's width (second moments) is sharper than the lens.
const SHARPER_THAN_LENS: f64 = 0.45;
/// Fewer well-measured stars than this are few: hot pixels may outnumber them.
const FEW_STARS: usize = 60;
/// What a lens adds at least to the second moment of a pixel, square pixels (full width 0.9 pixels).
const SHARPEST_LENS: f64 = 0.15;
/// Hot pixels come out of a development up to this many times wider than its mean grain.
const GRAIN_SPREAD: f64 = 2.5;
/// Grain from where on the picture was put together from a colour mosaic, and what its hot pixels come to
/// (full width 2.2 pixels; a mosaic keeps real stars wider). Square pixels.
const DEMOSAICED: f64 = 0.2;
const WIDEST_GRAIN: f64 = 0.85;
/// Wider than this many times the bulk's second moment is no single star.
const WIDER_THAN_STARS: f64 = 6.0;
/// A saturated star's halo may be this many times wider, if the ratio of its moments stays below the second number.
const WIDEST_HALO: f64 = 60.0;
const ROUND_HALO: f64 = 3.0;
/// A star's middle within this many of its sigmas of a line stands on the line's light.
const LINE_SIGMAS: f64 = 4.0;
/// Fainter than this many sigmas of its own light is no detection, whatever the filter said.
const LEAST_SIGNIFICANCE: f64 = 2.5;

/// Measures every peak; what is no star is counted in `rejected`, except what belongs to one of the lines.
/// Brightest first.
pub(super) fn measure_points(
    setup: &FitSetup,
    found: &[Component],
    lines: &[LightLine],
    rejected: &mut Rejected,
) -> Vec<Star> {
    let sigma = setup.psf.core;
    let on_line = |at: PixelPoint| {
        let margin = LINE_SIGMAS * sigma;
        lines.iter().any(|line| line.touches(at, margin))
    };
    let (foreground, patches): (Vec<&Component>, Vec<&Component>) =
        found.iter().partition(|c| is_foreground(c, sigma));
    rejected.shapes += foreground.iter().filter(|c| !on_line(c.centroid)).count();
    let candidates: Vec<PixelPoint> = patches
        .into_iter()
        .flat_map(|c| separate_peaks(c, sigma))
        .collect();
    let (candidates, rough): (Vec<PixelPoint>, Vec<PixelPoint>) = candidates
        .into_iter()
        .partition(|p| !setup.sky.is_textured(*p));
    rejected.shapes += rough.len();
    let measured: Vec<Result<Adaptive, NoStar>> = candidates
        .par_iter()
        .map(|place| adaptive_moments(setup.plane, setup.sky, &setup.noise, *place, sigma))
        .collect();
    let bulk = Bulk::of(&measured, sigma);
    let sharpest = sharpest_star(setup, bulk);
    let mut stars: Vec<Star> = Vec::new();
    for (adaptive, place) in measured.into_iter().zip(&candidates) {
        match adaptive.map(|a| (verdict(setup, &a, bulk.moment, sharpest), a)) {
            Ok((Verdict::Star, adaptive)) => {
                let mut star = star_of(setup, &adaptive);
                star.quality.blended = on_line(star.position);
                stars.push(star);
            }
            _ if on_line(*place) => {}
            Ok((Verdict::HotPixel, _)) | Err(NoStar::TooNarrow) => rejected.hot_pixels += 1,
            Ok((Verdict::Blend, _)) => rejected.blended += 1,
            Ok((Verdict::Shape, _)) | Err(NoStar::TooWide | NoStar::Lost) => rejected.shapes += 1,
        }
    }
    stars.sort_by(|a, b| b.flux.value.total_cmp(&a.flux.value));
    flag_neighbours(stars, bulk.moment.sqrt())
}

/// What a patch of light is.
enum Verdict {
    Star,
    HotPixel,
    /// Drawn out but no wider than a star: stars that touch.
    Blend,
    Shape,
}

/// By the bulk of the frame's stars, `bulk` being their second moment.
fn verdict(setup: &FitSetup, adaptive: &Adaptive, bulk: f64, sharpest: Sharpest) -> Verdict {
    let (large, small, _) = adaptive.moments.principal();
    let saturated = is_bright_here(setup.plane, adaptive.center, setup.saturation);
    let round = large < ROUND_HALO * small;
    let limit = if saturated && round {
        WIDEST_HALO
    } else {
        WIDER_THAN_STARS
    };
    if sharpest.exceeds(adaptive) {
        Verdict::HotPixel
    } else if large > limit * bulk {
        if small < 2.0 * bulk {
            Verdict::Blend
        } else {
            Verdict::Shape
        }
    } else if adaptive.flux < LEAST_SIGNIFICANCE * adaptive.errors.flux {
        Verdict::Shape
    } else {
        Verdict::Star
    }
}

/// Second moment below which nothing is a star, by the bulk of what was measured.
///
/// Few patches that are hardly wider than the picture's grain are hot pixels: a night of cloud has no stars.
fn sharpest_star(setup: &FitSetup, bulk: Bulk) -> Sharpest {
    let grain = setup.noise.correlation.grain;
    let grains = if grain > DEMOSAICED {
        WIDEST_GRAIN
    } else {
        GRAIN_SPREAD * grain + SHARPEST_LENS
    };
    if bulk.moment < grains && bulk.n_stars < FEW_STARS {
        Sharpest {
            moment: grains,
            sigmas: 1.0,
        }
    } else {
        Sharpest {
            moment: (SHARPER_THAN_LENS * bulk.moment).max(grain + SHARPEST_LENS),
            sigmas: 0.0,
        }
    }
}

/// Limit of sharpness.
#[derive(Clone, Copy)]
struct Sharpest {
    moment: f64,
    /// A star must exceed the limit by this many of its own sigmas.
    sigmas: f64,
}

impl Sharpest {
    fn exceeds(self, adaptive: &Adaptive) -> bool {
        let moment = 0.5 * (adaptive.moments.xx + adaptive.moments.yy);
        let sigma = 0.5 * adaptive.errors.moments.xx.hypot(adaptive.errors.moments.yy);
        moment < self.moment + self.sigmas * sigma
    }
}

/// Far larger than any star's patch and not a bright star's halo: many peaks on one patch.
fn is_foreground(component: &Component, sigma: f64) -> bool {
    let [x0, y0, x1, y1] = component.bounds;
    let side = (x1 - x0).max(y1 - y0) as f64;
    side > 60.0 * sigma.max(1.0)
}

/// Peaks of a component that are stars of their own: not on the flank of a stronger one.
fn separate_peaks(component: &Component, sigma: f64) -> Vec<PixelPoint> {
    let mut kept: Vec<(PixelPoint, f32)> = Vec::new();
    for peak in &component.peaks {
        let place = PixelPoint::new(peak.x as f64, peak.y as f64);
        let on_flank = kept.iter().any(|(other, strength)| {
            let t = place.distance(*other).px() / (2.0 * sigma);
            let wing = f64::from(*strength) * ((-t * t / 2.0).exp() + 0.1 / (1.0 + t.powi(3)));
            t < 1.0 || f64::from(peak.significance) < wing
        });
        if !on_flank {
            kept.push((place, peak.significance));
        }
    }
    kept.into_iter().map(|(place, _)| place).collect()
}

/// Second moment of the frame's stars and how many it rests on.
#[derive(Clone, Copy)]
struct Bulk {
    moment: f64,
    n_stars: usize,
}

impl Bulk {
    /// Median of the well-measured.
    fn of(measured: &[Result<Adaptive, NoStar>], sigma: f64) -> Self {
        let sizes: Vec<f64> = measured
            .iter()
            .flatten()
            .filter(|a| a.flux > 11.0 * a.errors.flux)
            .map(|a| 0.5 * (a.moments.xx + a.moments.yy))
            .collect();
        let n_stars = sizes.len();
        let moment = match n_stars {
            0..3 => sigma * sigma,
            _ => wider_kind(&sizes).unwrap_or_else(|| median(sizes.iter().copied())),
        };
        Self { moment, n_stars }
    }
}

/// Where few patches were found and some agree on being far wider than the median, those are the stars
/// and the rest are hot pixels: under cloud there may be more of these.
fn wider_kind(sizes: &[f64]) -> Option<f64> {
    const FEWEST_ALIKE: usize = 4;
    const ALIKE: f64 = 1.2;
    const FAR_WIDER: f64 = 2.5;
    if sizes.len() >= FEW_STARS {
        return None;
    }
    let middle = median(sizes.iter().copied());
    let alike = |size: f64| {
        sizes
            .iter()
            .filter(|s| **s < ALIKE * size && **s > size / ALIKE)
            .count()
    };
    let wide = sizes
        .iter()
        .copied()
        .filter(|s| *s > FAR_WIDER * middle && alike(*s) >= FEWEST_ALIKE);
    wide.max_by(|a, b| alike(*a).cmp(&alike(*b)).then(b.total_cmp(a)))
}

fn star_of(setup: &FitSetup, adaptive: &Adaptive) -> Star {
    let margin = (4.0 * setup.psf.core).ceil();
    let (x, y) = (adaptive.center.x, adaptive.center.y);
    let (right, bottom) = (
        setup.plane.width() as f64 - 1.0 - margin,
        setup.plane.height() as f64 - 1.0 - margin,
    );
    Star {
        position: adaptive.center,
        position_covariance: adaptive.errors.place,
        flux: Measured::new(adaptive.flux, adaptive.errors.flux),
        peak: adaptive.errors.peak,
        moments: adaptive.moments,
        moments_sigma: adaptive.errors.moments,
        trail: None,
        quality: Quality {
            saturated: is_bright_here(setup.plane, adaptive.center, setup.saturation),
            blended: false,
            at_edge: x < margin || y < margin || x > right || y > bottom,
        },
    }
}

fn is_bright_here(plane: &Plane, center: PixelPoint, saturation: f32) -> bool {
    let (cx, cy) = (center.x.round() as usize, center.y.round() as usize);
    (cy.saturating_sub(2)..(cy + 3).min(plane.height())).any(|y| {
        plane.row(y)[cx.saturating_sub(2)..(cx + 3).min(plane.width())]
            .iter()
            .any(|v| *v >= saturation)
    })
}

/// Places sorted into squares: what was added last to each, and what was added before each in its square.
struct Squares {
    side: f64,
    columns: usize,
    last: Vec<Option<u32>>,
    before: Vec<Option<u32>>,
}

impl Squares {
    /// Empty, with room for these stars; squares are wider where there are far more of them than stars.
    fn over(stars: &[Star], side: f64) -> Self {
        let most = |of: fn(&Star) -> f64| stars.iter().map(of).fold(0.0_f64, f64::max);
        let (right, bottom) = (most(|s| s.position.x), most(|s| s.position.y));
        let sparse = (right * bottom / (16.0 * stars.len() as f64 + 1024.0)).sqrt();
        let side = side.max(sparse).max(1.0);
        let columns = (right / side) as usize + 1;
        let rows = (bottom / side) as usize + 1;
        Self {
            side,
            columns,
            last: vec![None; columns * rows],
            before: Vec::with_capacity(stars.len()),
        }
    }

    fn square(&self, place: PixelPoint) -> (usize, usize) {
        let rows = self.last.len() / self.columns;
        let at = |v: f64, n: usize| ((v / self.side) as usize).min(n - 1);
        (at(place.x, self.columns), at(place.y, rows))
    }

    fn add(&mut self, place: PixelPoint) {
        let (column, row) = self.square(place);
        let number = self.before.len() as u32;
        let last = &mut self.last[row * self.columns + column];
        self.before.push(last.replace(number));
    }

    /// Numbers of the places in this one's square and the eight about it.
    fn around(&self, place: PixelPoint, found: &mut Vec<usize>) {
        let (column, row) = self.square(place);
        let rows = self.last.len() / self.columns;
        found.clear();
        for y in row.saturating_sub(1)..(row + 2).min(rows) {
            for x in column.saturating_sub(1)..(column + 2).min(self.columns) {
                let mut next = self.last[y * self.columns + x];
                while let Some(number) = next {
                    found.push(number as usize);
                    next = self.before[number as usize];
                }
            }
        }
    }
}

/// Flags stars with a neighbour that pulls on them, and drops second measurements of the same star.
fn flag_neighbours(stars: Vec<Star>, width: f64) -> Vec<Star> {
    let mut kept: Vec<Star> = Vec::with_capacity(stars.len());
    let mut squares = Squares::over(&stars, 8.0 * width);
    let mut near = Vec::new();
    for mut star in stars {
        squares.around(star.position, &mut near);
        if near
            .iter()
            .any(|i| kept[*i].position.distance(star.position).px() < 1.2 * width)
        {
            continue;
        }
        for i in near.iter().copied() {
            let distance = kept[i].position.distance(star.position).px();
            if distance < 7.0 * width {
                star.quality.blended = true;
                if star.flux.value > 0.02 * kept[i].flux.value {
                    kept[i].quality.blended = true;
                }
            }
        }
        squares.add(star.position);
        kept.push(star);
    }
    kept
}
