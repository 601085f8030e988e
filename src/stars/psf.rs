//! The point-spread function that all stars of a frame share.

use std::f64::consts::PI;

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
    /// Share and sigma of the parts; only those that hold light.
    pub(super) fn parts(self) -> impl Iterator<Item = (f64, f64)> {
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_gaussian_is_2_355_sigma_wide() {
        assert!((Psf::gaussian(1.3).fwhm() - 1.3 * (8.0 * 2f64.ln()).sqrt()).abs() < 1e-6);
    }

    #[test]
    fn wings_hardly_widen_the_half_maximum() {
        let plain = Psf::gaussian(1.3);
        let winged = Psf {
            wings: 0.2,
            ..plain
        };
        assert!(winged.fwhm() > plain.fwhm() && winged.fwhm() < 1.1 * plain.fwhm());
        assert!(winged.second_moment() > 1.5 * plain.second_moment());
    }
}
