//! The image of a star that moved along a straight segment: PSF convolved with the segment, and its slopes.
//!
//! Source: [B17] Bouquillon et al. 2017, A&A 606, A27, section 2 (moving Gaussian, error-function form),
//! here for a sum of two Gaussians and a star of uneven pace.

use super::pace::{Pace, normal};
use super::psf::Psf;
use crate::units::{PixelPoint, PixelVector};

/// A trailed star.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Segment {
    pub(super) center: PixelPoint,
    pub(super) vector: PixelVector,
    pub(super) flux: f64,
    pub(super) pedestal: f64,
}

/// Free numbers of a segment: x, y, dx, dy, flux, pedestal.
pub(super) const PARAMETERS: usize = 6;

/// Numbers that all stars of a frame share, see [`SegmentImage::value_and_shared_slopes`].
pub(super) const SHARED: usize = 8;

/// Shortest segment that is drawn; below, its ends would be subtracted from each other.
const SHORTEST: f64 = 0.05;

/// Brightness of a segment and its slopes, prepared for many pixels.
pub(super) struct SegmentImage {
    segment: Segment,
    psf: Psf,
    pace: Pace,
    pub(super) length: f64,
    /// Unit vector from its start to its end.
    pub(super) along: (f64, f64),
}

impl SegmentImage {
    pub(super) fn new(segment: Segment, psf: Psf, pace: Pace) -> Self {
        let length = segment.vector.length().px();
        let along = if length > 0.0 {
            (segment.vector.dx / length, segment.vector.dy / length)
        } else {
            (1.0, 0.0)
        };
        Self {
            segment,
            psf,
            pace,
            length: length.max(SHORTEST),
            along,
        }
    }

    /// Distance along and across the segment from its middle.
    #[inline]
    fn place(&self, x: f64, y: f64) -> (f64, f64) {
        let (rx, ry) = (x - self.segment.center.x, y - self.segment.center.y);
        (
            rx * self.along.0 + ry * self.along.1,
            ry * self.along.0 - rx * self.along.1,
        )
    }

    /// True where a pixel is within `margin` of the segment.
    pub(super) fn is_near(&self, x: f64, y: f64, margin: f64) -> bool {
        let (u, v) = self.place(x, y);
        v.abs() < margin && u.abs() < 0.5 * self.length + margin
    }

    /// Light at a pixel's centre, pedestal included, and its slopes.
    pub(super) fn value_and_slopes(&self, x: f64, y: f64) -> (f64, [f64; PARAMETERS]) {
        let (u, v) = self.place(x, y);
        let mut sum = Shape::default();
        for (weight, sigma) in self.psf.parts() {
            let across = weight * normal(v / sigma) / sigma;
            let along = self.pace.profile(u, sigma, self.length);
            sum.value += across * along.value;
            sum.by_u += across * along.by_place;
            sum.by_v -= v / (sigma * sigma) * across * along.value;
            sum.by_length += across * along.by_length;
        }
        self.in_pixels(u, v, &sum)
    }

    /// Light at a pixel's centre, its slopes by x, y, flux and pedestal, and those by what all stars of a
    /// frame share: logarithms of the core and of the ratio, share of the wings, logarithm of the
    /// length, and the pace.
    pub(super) fn value_and_shared_slopes(&self, x: f64, y: f64) -> (f64, [f64; 4], [f64; SHARED]) {
        let (u, v) = self.place(x, y);
        let Psf { core, ratio, wings } = self.psf;
        let (narrow, wide) = (self.part(u, v, core), self.part(u, v, core * ratio));
        let mut sum = Shape::default();
        sum.add(1.0 - wings, &narrow);
        sum.add(wings, &wide);
        let (value, own) = self.in_pixels(u, v, &sum);
        let [start, end, slope, curve] = sum.by_pace;
        let shared = [
            sum.by_width,
            wings * wide.by_width,
            wide.value - narrow.value,
            self.length * sum.by_length,
            start,
            end,
            slope,
            curve,
        ];
        (
            value,
            [own[0], own[1], own[4], own[5]],
            shared.map(|s| s * self.segment.flux),
        )
    }

    /// Slopes of unit light along the segment, across it and by its length, and its second slopes.
    pub(super) fn bends(&self, x: f64, y: f64) -> Bends {
        let (u, v) = self.place(x, y);
        let mut sum = Bends {
            u,
            v,
            ..Bends::default()
        };
        for (weight, sigma) in self.psf.parts() {
            let across = weight * normal(v / sigma) / sigma;
            let by_v = -v / (sigma * sigma) * across;
            let by_vv = ((v / sigma).powi(2) - 1.0) / (sigma * sigma) * across;
            let along = self.pace.profile(u, sigma, self.length);
            let [by_uu, by_ul, by_ll] = self.pace.bends(u, sigma, self.length);
            sum.by_u += across * along.by_place;
            sum.by_v += by_v * along.value;
            sum.by_length += across * along.by_length;
            sum.uu += across * by_uu;
            sum.uv += by_v * along.by_place;
            sum.vv += by_vv * along.value;
            sum.ul += across * by_ul;
            sum.vl += by_v * along.by_length;
            sum.ll += across * by_ll;
        }
        sum
    }

    /// One Gaussian part of unit light: a Gaussian across times the profile along.
    #[inline]
    fn part(&self, u: f64, v: f64, sigma: f64) -> Shape {
        let across = normal(v / sigma) / sigma;
        let along = self.pace.shared_profile(u, sigma, self.length);
        let square = (v / sigma).powi(2);
        Shape {
            value: across * along.value,
            by_u: across * along.by_place,
            by_v: -v / (sigma * sigma) * across * along.value,
            by_length: across * along.by_length,
            by_width: across * (along.value * (square - 1.0) + along.by_width),
            by_pace: along.by_pace.map(|p| across * p),
        }
    }

    /// From slopes along and across to slopes of x, y, dx, dy.
    #[inline]
    fn in_pixels(&self, u: f64, v: f64, shape: &Shape) -> (f64, [f64; PARAMETERS]) {
        let (c, s) = self.along;
        let flux = self.segment.flux;
        // Turning the segment by an angle moves a pixel by v along and -u across it.
        let turn = (shape.by_u * v - shape.by_v * u) / self.length;
        let slopes = [
            flux * (-shape.by_u * c + shape.by_v * s),
            flux * (-shape.by_u * s - shape.by_v * c),
            flux * (shape.by_length * c - turn * s),
            flux * (shape.by_length * s + turn * c),
            shape.value,
            1.0,
        ];
        (flux * shape.value + self.segment.pedestal, slopes)
    }
}

/// Brightness of unit light and its slopes in the segment's own frame.
#[derive(Default)]
struct Shape {
    value: f64,
    by_u: f64,
    by_v: f64,
    by_length: f64,
    /// Per logarithm of the width.
    by_width: f64,
    by_pace: [f64; 4],
}

impl Shape {
    #[inline]
    fn add(&mut self, weight: f64, other: &Shape) {
        self.value += weight * other.value;
        self.by_u += weight * other.by_u;
        self.by_v += weight * other.by_v;
        self.by_length += weight * other.by_length;
        self.by_width += weight * other.by_width;
        self.by_pace
            .iter_mut()
            .zip(other.by_pace)
            .for_each(|(a, b)| *a += weight * b);
    }
}

/// Slopes and second slopes of unit light in the segment's own frame: u along it, v across, l its length.
#[derive(Default)]
pub(super) struct Bends {
    pub(super) u: f64,
    pub(super) v: f64,
    pub(super) by_u: f64,
    pub(super) by_v: f64,
    pub(super) by_length: f64,
    pub(super) uu: f64,
    pub(super) uv: f64,
    pub(super) vv: f64,
    pub(super) ul: f64,
    pub(super) vl: f64,
    pub(super) ll: f64,
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    pub const PSF: Psf = Psf {
        core: 1.1,
        ratio: 2.1,
        wings: 0.2,
    };
    pub const PACE: Pace = Pace {
        start: 0.2,
        end: 0.05,
        slope: 0.1,
        curve: 0.1,
    };
    pub const STAR: [f64; PARAMETERS] = [0.3, -0.2, 4.0, -7.0, 50.0, 0.4];
    pub const PLACES: [(f64, f64); 4] = [(0.0, 0.0), (2.0, -4.0), (-3.0, 2.5), (1.5, 1.5)];

    pub fn segment(p: &[f64; PARAMETERS]) -> Segment {
        Segment {
            center: PixelPoint::new(p[0], p[1]),
            vector: PixelVector::new(p[2], p[3]),
            flux: p[4],
            pedestal: p[5],
        }
    }

    /// Compares slopes with differences of `value` at two shifted sets of numbers.
    fn compare<const N: usize>(at: [f64; N], slopes: [f64; N], value: impl Fn([f64; N]) -> f64) {
        for k in 0..N {
            let (mut up, mut down) = (at, at);
            up[k] += 1e-3;
            down[k] -= 1e-3;
            let difference = (value(up) - value(down)) / 2e-3;
            assert!(
                (difference - slopes[k]).abs() < 2e-3 * (1.0 + slopes[k].abs()),
                "number {k}: {difference} {}",
                slopes[k]
            );
        }
    }

    #[test]
    fn slopes_agree_with_small_differences() {
        let at = |p: [f64; PARAMETERS], x, y| {
            SegmentImage::new(segment(&p), PSF, PACE).value_and_slopes(x, y)
        };
        for (x, y) in PLACES {
            compare(STAR, at(STAR, x, y).1, |p| at(p, x, y).0);
        }
    }

    #[test]
    fn shared_slopes_agree_with_small_differences() {
        let at = |s: [f64; SHARED], x, y| {
            let psf = Psf {
                core: s[0].exp(),
                ratio: s[1].exp(),
                wings: s[2],
            };
            let mut star = segment(&STAR);
            star.vector = star.vector * s[3].exp();
            let pace = Pace {
                start: s[4],
                end: s[5],
                slope: s[6],
                curve: s[7],
            };
            SegmentImage::new(star, psf, pace).value_and_shared_slopes(x, y)
        };
        let middle = [
            PSF.core.ln(),
            PSF.ratio.ln(),
            PSF.wings,
            0.0,
            PACE.start,
            PACE.end,
            PACE.slope,
            PACE.curve,
        ];
        for (x, y) in PLACES {
            compare(middle, at(middle, x, y).2, |s| at(s, x, y).0);
        }
    }

    #[test]
    fn the_whole_image_holds_the_flux() {
        let mut p = STAR;
        p[5] = 0.0;
        let image = SegmentImage::new(segment(&p), PSF, PACE);
        let pixels = (-30..=30).flat_map(|x| (-30..=30).map(move |y| (f64::from(x), f64::from(y))));
        let sum: f64 = pixels.map(|(x, y)| image.value_and_slopes(x, y).0).sum();
        assert!((sum - 50.0).abs() < 0.01, "{sum}");
    }
}
