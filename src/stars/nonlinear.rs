//! What the curvature of a model does to the mean of its least squares: noise that makes a star longer and the
//! same noise that makes it shorter move the fit by unlike amounts.

use nalgebra::{SMatrix, SVector};

use super::pace::Pace;
use super::psf::Psf;
use super::segment::{Bends, PARAMETERS, Segment, SegmentImage};

type Matrix = SMatrix<f64, PARAMETERS, PARAMETERS>;
type Vector = SVector<f64, PARAMETERS>;

/// Mean error of a fitted segment's numbers to second order in the noise, summed up pixel by pixel.
///
/// Method: b = -1/2 C sum of w g tr(S H) over the pixels; g and H: first and second slopes of the light by
/// the numbers, w the inverse variance, C the inverse of the sum of w g g^T, S the covariance of the
/// numbers: C where the noise is as the weights say. The same holds where the variance follows the
/// fitted light (weights renewed between descents): what the slopes of the weights add cancels.
/// Source: [BOX71] M. J. Box 1971, J. R. Stat. Soc. B 33, 171, quoted from memory; compared with fits of many
/// drawn stars below.
pub(super) struct SecondOrder {
    image: SegmentImage,
    flux: f64,
    inverse: Matrix,
    /// Covariance of the numbers along and across the segment.
    turned: Matrix,
    sum: Vector,
}

impl SecondOrder {
    /// Of least squares that lead to this segment, from the inverse of their normal matrix and the covariance of
    /// x, y, dx, dy, flux, pedestal.
    pub(super) fn of(
        segment: Segment,
        psf: Psf,
        pace: Pace,
        inverse: Matrix,
        covariance: Matrix,
    ) -> Self {
        let image = SegmentImage::new(segment, psf, pace);
        let (c, s) = image.along;
        let mut turn = Matrix::identity();
        for k in [0, 2] {
            (turn[(k, k)], turn[(k, k + 1)]) = (c, s);
            (turn[(k + 1, k)], turn[(k + 1, k + 1)]) = (-s, c);
        }
        Self {
            image,
            flux: segment.flux,
            inverse,
            turned: turn * covariance * turn.transpose(),
            sum: Vector::zeros(),
        }
    }

    /// Adds a pixel with its weight and slopes.
    pub(super) fn add(&mut self, x: f64, y: f64, weight: f64, slopes: [f64; PARAMETERS]) {
        let trace = self.trace(&self.image.bends(x, y));
        self.sum += Vector::from(slopes) * (weight * trace);
    }

    /// Of the covariance times the pixel's second slopes.
    fn trace(&self, bends: &Bends) -> f64 {
        let Bends { u, v, .. } = *bends;
        let c = |i: usize, k: usize| self.turned[(i, k)];
        let inverse = 1.0 / self.image.length;
        // Per angle that the segment turns by, which is the step across over the length.
        let turn = v * bends.by_u - u * bends.by_v;
        let turn_u = v * bends.uu - u * bends.uv;
        let turn_v = v * bends.uv - u * bends.vv;
        let turn_l = v * bends.ul - u * bends.vl;
        let place = c(0, 0) * bends.uu + 2.0 * c(0, 1) * bends.uv + c(1, 1) * bends.vv;
        let longer = c(2, 2) * bends.ll - 2.0 * (c(0, 2) * bends.ul + c(1, 2) * bends.vl);
        let turned_place = c(0, 3) * (bends.by_v - turn_u) - c(1, 3) * (bends.by_u + turn_v);
        let turned_longer = c(2, 3) * (turn_l - inverse * turn);
        let turned_twice = v * turn_u - u * turn_v - u * bends.by_u - v * bends.by_v;
        let turned = bends.by_length + inverse * turned_twice;
        let light = c(2, 4) * bends.by_length + inverse * c(3, 4) * turn
            - c(0, 4) * bends.by_u
            - c(1, 4) * bends.by_v;
        let shape =
            place + longer + inverse * (2.0 * (turned_place + turned_longer) + c(3, 3) * turned);
        self.flux * shape + 2.0 * light
    }

    /// Mean errors of x, y, dx, dy, flux, pedestal.
    pub(super) fn bias(&self) -> Vector {
        self.inverse * self.sum * -0.5
    }
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};
    use rayon::prelude::*;

    use super::super::background::Background;
    use super::super::fit::{FitSetup, fit_segment};
    use super::super::noise::Noise;
    use super::super::segment::tests::{PACE, PLACES, PSF, STAR, segment};
    use super::*;
    use crate::frame::Plane;

    #[test]
    fn the_trace_agrees_with_differences_of_slopes() {
        let h = 1e-4;
        let root = Matrix::from_fn(|i, k| 0.1 + ((7 * i + 3 * k) % 5) as f64 * 0.2);
        let covariance = root * root.transpose();
        for pace in [PACE, Pace::default()] {
            for (x, y) in PLACES {
                let slopes = |p| {
                    SegmentImage::new(segment(&p), PSF, pace)
                        .value_and_slopes(x, y)
                        .1
                };
                let mut known = 0.0;
                for k in 0..PARAMETERS {
                    let moved = |by: f64| {
                        let mut p = STAR;
                        p[k] += by;
                        slopes(p)
                    };
                    let (up, down) = (moved(h), moved(-h));
                    for i in 0..PARAMETERS {
                        known += covariance[(i, k)] * (up[i] - down[i]) / (2.0 * h);
                    }
                }
                let order = SecondOrder::of(segment(&STAR), PSF, pace, covariance, covariance);
                let found = order.trace(&order.image.bends(x, y));
                assert!(
                    (found - known).abs() < 1e-3 * (1.0 + known.abs()),
                    "{x} {y}: {found} {known}"
                );
            }
        }
    }

    const SKY: f64 = 2000.0;
    const SCALE: f64 = 60_000.0;
    const SIDE: usize = 560;

    /// 49 stars of 14 sigmas that moved by 20 px, in electrons.
    fn faint_stars() -> Vec<Segment> {
        let place = |k: usize| 70.0 * (k as f64 + 1.0) + 0.15 * k as f64;
        let at = |k: usize| segment(&[place(k % 7), place(k / 7), 16.0, 12.0, 8500.0, 0.0]);
        (0..49).map(at).collect()
    }

    /// Their picture with its noise times a factor.
    fn picture(psf: Psf, seed: u64, factor: f64) -> Plane {
        let mut light = vec![SKY; SIDE * SIDE];
        for star in faint_stars() {
            let image = SegmentImage::new(star, psf, Pace::default());
            let from = |at: f64| at as usize - 34;
            for y in from(star.center.y)..from(star.center.y) + 69 {
                for x in from(star.center.x)..from(star.center.x) + 69 {
                    light[y * SIDE + x] += image.value_and_slopes(x as f64, y as f64).0;
                }
            }
        }
        let mut dice = ChaCha8Rng::seed_from_u64(seed);
        let noisy = light.iter().map(|light| {
            let deviate: f64 = StandardNormal.sample(&mut dice);
            ((light + factor * light.sqrt() * deviate) / SCALE) as f32
        });
        Plane::new(SIDE, SIDE, noisy.collect()).expect("sizes agree")
    }

    /// Errors along the trail, pixels, and of the light, a share of it, of all stars of one picture.
    fn errors(psf: Psf, seed: u64, factor: f64) -> Vec<[f64; 2]> {
        let plane = picture(psf, seed, factor);
        let setup = FitSetup {
            plane: &plane,
            sky: &Background::estimate(&plane),
            noise: Noise {
                gain: 1.0 / SCALE,
                ..Noise::WHITE
            },
            psf,
            pace: Pace::default(),
            saturation: 10.0,
        };
        let error = |star: &Segment| {
            let flux = star.flux / SCALE;
            let fit = fit_segment(&setup, Segment { flux, ..*star }, None).expect("a clear star");
            let d = fit.segment.vector;
            [
                0.8 * d.dx + 0.6 * d.dy - 20.0,
                fit.segment.flux / flux - 1.0,
            ]
        };
        faint_stars().iter().map(error).collect()
    }

    /// With the same noise of either sign what is of first order in it cancels. Without the correction: 0.04 px
    /// and 1.4 % too much.
    #[test]
    fn faint_trails_are_as_long_and_as_bright_as_drawn_in_the_mean() {
        const PAIRS: u64 = 24;
        let psf = Psf::gaussian(2.14);
        let pairs: Vec<[f64; 2]> = (0..PAIRS)
            .into_par_iter()
            .flat_map_iter(|seed| {
                let (plus, minus) = (errors(psf, seed, 1.0), errors(psf, seed, -1.0));
                let mean = |(a, b): ([f64; 2], [f64; 2])| [0, 1].map(|k| 0.5 * (a[k] + b[k]));
                plus.into_iter().zip(minus).map(mean).collect::<Vec<_>>()
            })
            .collect();
        let mean = |k: usize| pairs.iter().map(|p| p[k]).sum::<f64>() / pairs.len() as f64;
        // Chance moves them by 0.013 px and 0.05 %.
        assert!(mean(0).abs() < 0.025, "{}", mean(0));
        assert!(mean(1).abs() < 0.003, "{}", mean(1));
    }
}
