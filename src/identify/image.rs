//! The stars of a picture, made ready for look-ups by place and brightness.

use super::grid::PixelGrid;
use super::scatter::median;
use crate::stars::{Star, StarField};
use crate::units::{PixelPoint, PixelTensor};

/// One usable star of the picture.
#[derive(Debug, Clone, Copy)]
pub(crate) struct ImageStar {
    /// Its number in the star field.
    pub(crate) star_idx: usize,
    /// Its place.
    pub(crate) place: PixelPoint,
    /// Covariance of its place, square pixels.
    pub(crate) covariance: PixelTensor,
    /// -2.5 log10 of its light: a magnitude without a zero point.
    pub(crate) magnitude: f64,
    /// Its light is only a lower bound.
    pub(crate) saturated: bool,
}

/// Most stars that are used to identify a field; the faintest beyond are left to the final match.
const N_MOST: usize = 4000;

/// The usable stars of a picture, brightest first.
pub(crate) struct ImageField {
    pub(crate) width: f64,
    pub(crate) height: f64,
    pub(crate) stars: Vec<ImageStar>,
    /// Typical sigma of a bright star's place on one axis, pixels.
    pub(crate) noise_px: f64,
    grid: PixelGrid,
}

impl ImageField {
    /// Stars with a finite place inside the frame and some light.
    pub(crate) fn new(field: &StarField) -> Self {
        let (width, height) = (field.width as f64, field.height as f64);
        let sound = |star: &Star| {
            let place = star.position;
            (-0.5..=width - 0.5).contains(&place.x)
                && (-0.5..=height - 0.5).contains(&place.y)
                && star.flux.value > 0.0
                && star.flux.value.is_finite()
        };
        let indexed = field.stars.iter().enumerate();
        let mut stars: Vec<ImageStar> = indexed
            .filter(|(_, star)| sound(star))
            .map(|(star_idx, star)| ImageStar {
                star_idx,
                place: star.position,
                covariance: finite_or_pixel(star.position_covariance),
                magnitude: -2.5 * star.flux.value.log10(),
                saturated: star.quality.saturated,
            })
            .collect();
        stars.sort_by(|p, q| p.magnitude.total_cmp(&q.magnitude));
        stars.truncate(N_MOST);
        let places: Vec<PixelPoint> = stars.iter().map(|s| s.place).collect();
        Self {
            width,
            height,
            noise_px: typical_noise(&stars),
            stars,
            grid: PixelGrid::new(&places, 16.0),
        }
    }

    /// Square pixels of the frame.
    pub(crate) fn area(&self) -> f64 {
        self.width * self.height
    }

    /// Half of the frame's diagonal, pixels.
    pub(crate) fn half_diagonal(&self) -> f64 {
        0.5 * self.width.hypot(self.height)
    }

    /// Middle of the frame.
    pub(crate) fn center(&self) -> PixelPoint {
        PixelPoint::new((self.width - 1.0) / 2.0, (self.height - 1.0) / 2.0)
    }

    /// Whether a place lies on the frame.
    pub(crate) fn contains(&self, place: PixelPoint) -> bool {
        (0.0..=self.width - 1.0).contains(&place.x) && (0.0..=self.height - 1.0).contains(&place.y)
    }

    /// Number of stars whose magnitude lies within a window.
    pub(crate) fn n_between(&self, brightest: f64, faintest: f64) -> usize {
        let first = self.stars.partition_point(|s| s.magnitude < brightest);
        let last = self.stars.partition_point(|s| s.magnitude <= faintest);
        last.saturating_sub(first)
    }

    /// The probability that chance puts a star within a magnitude window inside a circle.
    pub(crate) fn chance_of_hit(&self, magnitude: f64, window: f64, radius_px: f64) -> f64 {
        let n_alike = self.n_between(magnitude - window, magnitude + window);
        let disc = std::f64::consts::PI * radius_px * radius_px / self.area();
        // At least one star: a hit by one not counted is a surprise, but not an impossible one.
        (n_alike.max(1) as f64 * disc).min(0.9)
    }

    /// The nearest star within a radius that `accept` lets pass, and its squared distance.
    pub(crate) fn nearest_where(
        &self,
        place: PixelPoint,
        radius_px: f64,
        accept: impl Fn(&ImageStar) -> bool,
    ) -> Option<(usize, f64)> {
        self.grid
            .nearest_where(place, radius_px, |idx| accept(&self.stars[idx]))
    }

    /// Half of the stars the brightest of all, half the brightest of each part of the frame, so
    /// that neither a lit skyline nor a hole in the clouds has the only word; brightest first.
    pub(crate) fn bright_and_spread(&self, n_wanted: usize) -> Vec<usize> {
        let places: Vec<PixelPoint> = self.stars.iter().map(|s| s.place).collect();
        bright_and_spread(&places, self.width, self.height, n_wanted)
    }
}

/// Parts that a frame is cut into to spread the choice of stars.
const COLUMNS: usize = 4;
const ROWS: usize = 3;

/// Numbers of the chosen places: half the first of all, half the first of each part of the frame.
pub(crate) fn bright_and_spread(
    places: &[PixelPoint],
    width: f64,
    height: f64,
    n_wanted: usize,
) -> Vec<usize> {
    let part = |at: f64, size: f64, parts: usize| {
        ((at / size * parts as f64).max(0.0) as usize).min(parts - 1)
    };
    let mut n_in_cell = [0_usize; COLUMNS * ROWS];
    let mut ranked: Vec<(usize, usize)> = Vec::with_capacity(places.len());
    for (rank, place) in places.iter().enumerate() {
        let cell = part(place.y, height, ROWS) * COLUMNS + part(place.x, width, COLUMNS);
        let order = if rank < n_wanted / 2 {
            0
        } else {
            n_in_cell[cell]
        };
        n_in_cell[cell] += 1;
        ranked.push((order, rank));
    }
    ranked.sort_unstable();
    let mut chosen: Vec<usize> = ranked
        .iter()
        .take(n_wanted)
        .map(|(_, rank)| *rank)
        .collect();
    chosen.sort_unstable();
    chosen
}

/// Median sigma of the brightest stars' places on one axis, pixels.
fn typical_noise(stars: &[ImageStar]) -> f64 {
    let variance = |star: &ImageStar| 0.5 * (star.covariance.xx + star.covariance.yy);
    median(stars.iter().take(N_TYPICAL).map(variance).collect()).sqrt()
}

/// Brightest stars that say how well places are known.
const N_TYPICAL: usize = 40;

/// A covariance that can be used; one square pixel where none was measured.
fn finite_or_pixel(covariance: PixelTensor) -> PixelTensor {
    let sound = covariance.xx >= 0.0
        && covariance.yy >= 0.0
        && (covariance.xx + covariance.yy + covariance.xy).is_finite();
    if sound {
        covariance
    } else {
        PixelTensor::new(1.0, 0.0, 1.0)
    }
}
