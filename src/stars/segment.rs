//! The image of a star that moved along a straight segment: PSF convolved with the segment, and its slopes.
//!
//! Source: [B17] Bouquillon et al. 2017, A&A 606, A27, section 2 (moving Gaussian, error-function form).

use std::f64::consts::{FRAC_1_SQRT_2, PI};

use crate::units::{PixelPoint, PixelVector};

/// A round point-spread function as a sum of two Gaussians, as sampled by the pixels (pixel width included).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Psf {
    /// Gaussian sigma of the core, pixels.
    pub(super) core: f64,
    /// Sigma of the wings over that of the core.
    pub(super) ratio: f64,
    /// Share of the light in the wings; negative for the dark ring of a sharpened picture.
    pub(super) wings: f64,
}

impl Psf {
    /// One Gaussian.
    pub(super) fn gaussian(sigma: f64) -> Self {
        Self {
            core: sigma,
            ratio: 2.0,
            wings: 0.0,
        }
    }
    /// The same profile, wider by a factor.
    pub(super) fn scaled(self, factor: f64) -> Self {
        Self {
            core: self.core * factor,
            ..self
        }
    }
    /// Share and sigma of the parts; only those that hold light.
    fn parts(self) -> impl Iterator<Item = (f64, f64)> {
        let all = [
            (1.0 - self.wings, self.core),
            (self.wings, self.core * self.ratio),
        ];
        all.into_iter().filter(|p| p.0 != 0.0)
    }
    /// Mean square distance from the centre along one axis, square pixels.
    pub(super) fn second_moment(self) -> f64 {
        self.parts().map(|(w, s)| w * s * s).sum()
    }
    /// Surface brightness at a distance from the centre, of unit light.
    fn at(self, distance: f64) -> f64 {
        let part =
            |(w, s): (f64, f64)| w * (-0.5 * (distance / s).powi(2)).exp() / (2.0 * PI * s * s);
        self.parts().map(part).sum()
    }
    /// Full width at half maximum in pixels, by bisection.
    pub(super) fn fwhm(self) -> f64 {
        let half = 0.5 * self.at(0.0);
        let (mut low, mut high) = (0.0, 3.0 * self.core * self.ratio);
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if self.at(middle) > half {
                low = middle
            } else {
                high = middle
            }
        }
        2.0 * low
    }
}

/// How the light of a trail is spread over it: evenly but for what stays at the ends while the drive stands still.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Dwell {
    /// Share at the end that the trail's vector starts from.
    pub(super) start: f64,
    /// Share at the end that the vector points to.
    pub(super) end: f64,
}

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
pub(super) const SHARED: usize = 6;

/// Shortest segment that the error-function form is used for; below, its ends would be subtracted from each other.
const SHORTEST: f64 = 0.02;

/// Brightness of a segment and its slopes, prepared for many pixels.
pub(super) struct SegmentImage {
    segment: Segment,
    psf: Psf,
    dwell: Dwell,
    length: f64,
    along: (f64, f64),
}

impl SegmentImage {
    pub(super) fn new(segment: Segment, psf: Psf, dwell: Dwell) -> Self {
        let length = segment.vector.length().px().max(SHORTEST);
        let along = match segment.vector.length().px() {
            l if l > 0.0 => (segment.vector.dx / l, segment.vector.dy / l),
            _ => (1.0, 0.0),
        };
        Self {
            segment,
            psf,
            dwell,
            length,
            along,
        }
    }

    /// Distance along and across the segment from its middle.
    pub(super) fn place(&self, x: f64, y: f64) -> (f64, f64) {
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
            sum.add(weight, &self.part(u, v, sigma));
        }
        self.in_pixels(u, v, &sum)
    }

    /// One Gaussian part of unit light, even light and dwellings together.
    fn part(&self, u: f64, v: f64, sigma: f64) -> Shape {
        let mut sum = Shape::default();
        let even = 1.0 - self.dwell.start - self.dwell.end;
        sum.add(even, &even_shape(u, v, sigma, self.length));
        for (share, side) in [(self.dwell.start, -0.5), (self.dwell.end, 0.5)] {
            if share != 0.0 {
                sum.add(share, &end_shape(u, v, sigma, self.length, side));
            }
        }
        sum
    }

    /// Light at a pixel's centre, its slopes by x, y, flux and pedestal, and those by what all stars of a
    /// frame share: logarithms of the core and of the ratio, share of the wings, logarithm of the length, dwellings.
    pub(super) fn value_and_shared_slopes(&self, x: f64, y: f64) -> (f64, [f64; 4], [f64; SHARED]) {
        let (u, v) = self.place(x, y);
        let Psf { core, ratio, wings } = self.psf;
        let (narrow, wide) = (self.part(u, v, core), self.part(u, v, core * ratio));
        let mut sum = Shape::default();
        sum.add(1.0 - wings, &narrow);
        sum.add(wings, &wide);
        let (value, own) = self.in_pixels(u, v, &sum);
        let dwell_slope = |side: f64| {
            let part = |sigma: f64| {
                end_shape(u, v, sigma, self.length, side).value
                    - even_shape(u, v, sigma, self.length).value
            };
            (1.0 - wings) * part(core) + wings * part(core * ratio)
        };
        let shared = [
            sum.by_width,
            wings * wide.by_width,
            wide.value - narrow.value,
            self.length * sum.by_length,
            dwell_slope(-0.5),
            dwell_slope(0.5),
        ];
        (
            value,
            [own[0], own[1], own[4], own[5]],
            shared.map(|s| s * self.segment.flux),
        )
    }

    /// From slopes along and across to slopes of x, y, dx, dy.
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
}

impl Shape {
    fn add(&mut self, weight: f64, other: &Shape) {
        self.value += weight * other.value;
        self.by_u += weight * other.by_u;
        self.by_v += weight * other.by_v;
        self.by_length += weight * other.by_length;
        self.by_width += weight * other.by_width;
    }
}

/// Sigmas inside of an end from where on the end is not felt (3e-7 of the light).
const FLAT: f64 = 5.0;

/// Light spread evenly over the length: a Gaussian across, a difference of error functions along.
fn even_shape(u: f64, v: f64, sigma: f64, length: f64) -> Shape {
    let across = normal(v / sigma) / sigma;
    let (a, b) = ((u + 0.5 * length) / sigma, (u - 0.5 * length) / sigma);
    // Well inside the ends the along-profile is flat: most pixels of a long trail.
    if a > FLAT && b < -FLAT {
        let value = across / length;
        return Shape {
            value,
            by_u: 0.0,
            by_v: -v / (sigma * sigma) * value,
            by_length: -value / length,
            by_width: value * ((v / sigma).powi(2) - 1.0),
        };
    }
    let (pa, pb) = (normal(a), normal(b));
    let along = (normal_integral(a) - normal_integral(b)) / length;
    Shape {
        value: across * along,
        by_u: across * (pa - pb) / (sigma * length),
        by_v: -v / (sigma * sigma) * across * along,
        by_length: across * (0.5 * (pa + pb) / sigma - along) / length,
        by_width: across * along * ((v / sigma).powi(2) - 1.0)
            - across * (a * pa - b * pb) / length,
    }
}

/// Light that stayed at one end (`side` -0.5 or 0.5 of the length).
fn end_shape(u: f64, v: f64, sigma: f64, length: f64, side: f64) -> Shape {
    let from_end = u - side * length;
    let value = normal(v / sigma) * normal(from_end / sigma) / (sigma * sigma);
    let by_u = -from_end / (sigma * sigma) * value;
    Shape {
        value,
        by_u,
        by_v: -v / (sigma * sigma) * value,
        by_length: -side * by_u,
        by_width: value * ((v * v + from_end * from_end) / (sigma * sigma) - 2.0),
    }
}

/// Density of the normal law.
fn normal(t: f64) -> f64 {
    (-0.5 * t * t).exp() / (2.0 * PI).sqrt()
}

/// Integral of the normal law up to `t`.
fn normal_integral(t: f64) -> f64 {
    0.5 * (1.0 + erf(t * FRAC_1_SQRT_2))
}

/// Error function, good to 1.5e-7.
///
/// Source: [AS64] Abramowitz & Stegun 1964, formula 7.1.26.
fn erf(x: f64) -> f64 {
    const COEFFICIENTS: [f64; 5] = [
        0.254_829_592,
        -0.284_496_736,
        1.421_413_741,
        -1.453_152_027,
        1.061_405_429,
    ];
    let t = 1.0 / (1.0 + 0.327_591_1 * x.abs());
    let polynomial = COEFFICIENTS.iter().rev().fold(0.0, |sum, c| (sum + c) * t);
    (1.0 - polynomial * (-x * x).exp()).copysign(x)
}

#[cfg(test)]
mod tests {
    use super::*;

    const PSF: Psf = Psf {
        core: 1.1,
        ratio: 2.1,
        wings: 0.2,
    };
    const DWELL: Dwell = Dwell {
        start: 0.2,
        end: 0.05,
    };

    fn segment(p: &[f64; PARAMETERS]) -> Segment {
        Segment {
            center: PixelPoint::new(p[0], p[1]),
            vector: PixelVector::new(p[2], p[3]),
            flux: p[4],
            pedestal: p[5],
        }
    }

    fn image_at(p: &[f64; PARAMETERS], x: f64, y: f64) -> (f64, [f64; PARAMETERS]) {
        SegmentImage::new(segment(p), PSF, DWELL).value_and_slopes(x, y)
    }

    #[test]
    fn shared_slopes_agree_with_small_differences() {
        let own = [0.3, -0.2, 4.0, -7.0, 50.0, 0.4];
        let value = |s: [f64; SHARED], x, y| {
            let psf = Psf {
                core: s[0].exp(),
                ratio: s[1].exp(),
                wings: s[2],
            };
            let mut star = segment(&own);
            star.vector = star.vector * s[3].exp();
            SegmentImage::new(
                star,
                psf,
                Dwell {
                    start: s[4],
                    end: s[5],
                },
            )
            .value_and_shared_slopes(x, y)
        };
        let at = [
            PSF.core.ln(),
            PSF.ratio.ln(),
            PSF.wings,
            0.0,
            DWELL.start,
            DWELL.end,
        ];
        for (x, y) in [(0.0, 0.0), (2.0, -4.0), (-3.0, 2.5), (1.5, 1.5)] {
            let slopes = value(at, x, y).2;
            for k in 0..SHARED {
                let (mut up, mut down) = (at, at);
                up[k] += 1e-3;
                down[k] -= 1e-3;
                let difference = (value(up, x, y).0 - value(down, x, y).0) / 2e-3;
                assert!(
                    (difference - slopes[k]).abs() < 2e-3 * (1.0 + slopes[k].abs()),
                    "shared {k} at {x}, {y}: {difference} {}",
                    slopes[k]
                );
            }
        }
    }

    #[test]
    fn slopes_agree_with_small_differences() {
        let at = [0.3, -0.2, 4.0, -7.0, 50.0, 0.4];
        for (x, y) in [(0.0, 0.0), (2.0, -4.0), (-3.0, 2.5), (1.5, 1.5)] {
            let slopes = image_at(&at, x, y).1;
            for k in 0..PARAMETERS {
                let (mut up, mut down) = (at, at);
                up[k] += 1e-3;
                down[k] -= 1e-3;
                let difference = (image_at(&up, x, y).0 - image_at(&down, x, y).0) / 2e-3;
                assert!(
                    (difference - slopes[k]).abs() < 2e-3 * (1.0 + slopes[k].abs()),
                    "parameter {k} at {x}, {y}: {difference} {}",
                    slopes[k]
                );
            }
        }
    }

    #[test]
    fn the_whole_image_holds_the_flux() {
        let p = [0.3, -0.2, 4.0, -7.0, 50.0, 0.0];
        let sum: f64 = (-30..=30)
            .flat_map(|x| (-30..=30).map(move |y| (x, y)))
            .map(|(x, y)| image_at(&p, x.into(), y.into()).0)
            .sum();
        assert!((sum - 50.0).abs() < 0.01, "{sum}");
    }

    #[test]
    fn a_gaussian_is_2_355_sigma_wide() {
        assert!((Psf::gaussian(1.3).fwhm() - 1.3 * (8.0 * 2f64.ln()).sqrt()).abs() < 1e-6);
    }
}
