//! What adaptive moments make of a trail: their elongation for a segment of known length.

use super::background::Background;
use super::moments::adaptive_moments;
use super::noise::Noise;
use super::pace::Pace;
use super::psf::Psf;
use super::segment::{Segment, SegmentImage};
use crate::frame::Plane;
use crate::units::{PixelPoint, PixelVector};

/// Elongation (Qxx - Qyy in the trail's frame, square pixels) against length, for one PSF.
///
/// For a Gaussian star and a short trail it is L^2 / 12; wings make the weight wider and the answer
/// larger, by a tenth or two for real lenses; long trails are no longer Gaussian.
#[derive(Debug, Clone)]
pub(super) struct Calibration {
    /// Squared length and elongation, both rising.
    nodes: Vec<(f64, f64)>,
}

/// Lengths of the nodes in core sigmas of the PSF: close together at first, because the line from
/// no trail to the first node takes its excess for that of all shorter trails.
const NODES: [f64; 10] = [0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0];
/// Side of the drawn picture in core sigmas to each side; holds the weight of the longest node.
const REACH_SIGMAS: f64 = 14.0;

impl Calibration {
    /// Measured on noiseless pictures of the PSF, averaged over places within a pixel.
    pub(super) fn of(psf: Psf) -> Self {
        let mut nodes = vec![(0.0, 0.0)];
        for length in NODES.map(|n| n * psf.core) {
            let Some(elongation) = drawn_elongation(psf, length) else {
                break;
            };
            if nodes.last().is_some_and(|last| elongation > last.1) {
                nodes.push((length * length, elongation));
            }
        }
        Self { nodes }
    }

    /// Nothing to calibrate: a segment shows a twelfth of its square.
    pub(super) fn exact() -> Self {
        Self {
            nodes: vec![(0.0, 0.0)],
        }
    }

    /// Squared length of the trail that shows this elongation; beyond the nodes in proportion.
    pub(super) fn squared_length(&self, elongation: f64) -> f64 {
        let Some(&(last_square, last)) = self.nodes.last().filter(|n| n.1 > 0.0) else {
            return 12.0 * elongation;
        };
        let above = self.nodes.partition_point(|n| n.1 < elongation);
        match (
            above.checked_sub(1).map(|i| self.nodes[i]),
            self.nodes.get(above),
        ) {
            (Some((s0, e0)), Some((s1, e1))) => s0 + (s1 - s0) * (elongation - e0) / (e1 - e0),
            (Some(_), None) => last_square * elongation / last,
            _ => 0.0,
        }
    }
}

impl Calibration {
    /// True over shown elongation of a trail of this length.
    pub(super) fn factor(&self, length: f64) -> f64 {
        let shown = |square: f64| {
            let above = self
                .nodes
                .partition_point(|n| n.0 < square)
                .clamp(1, self.nodes.len() - 1);
            let ((s0, e0), (s1, e1)) = (self.nodes[above - 1], self.nodes[above]);
            e0 + (e1 - e0) * (square - s0) / (s1 - s0)
        };
        let square = (length * length).max(1e-3);
        if self.nodes.len() < 2 {
            1.0
        } else {
            square / 12.0 / shown(square)
        }
    }
}

/// Mean elongation over four places within a pixel.
fn drawn_elongation(psf: Psf, length: f64) -> Option<f64> {
    const PLACES: [(f64, f64); 4] = [(0.0, 0.0), (0.5, 0.25), (0.25, 0.5), (0.75, 0.75)];
    let half = (REACH_SIGMAS * psf.core).ceil();
    let side = 2 * half as usize + 1;
    let mut sum = 0.0;
    for (x, y) in PLACES {
        let center = PixelPoint::new(half + x, half + y);
        let segment = Segment {
            center,
            vector: PixelVector::new(length, 0.0),
            flux: 1.0,
            pedestal: 0.0,
        };
        let image = SegmentImage::new(segment, psf, Pace::default());
        let pixels = (0..side * side).map(|i| {
            image
                .value_and_slopes((i % side) as f64, (i / side) as f64)
                .0 as f32
        });
        let plane = Plane::new(side, side, pixels.collect())?;
        let sky = Background::flat(side, side, 0.0, 1e-6);
        let moments =
            adaptive_moments(&plane, &sky, &Noise::WHITE, center, psf.core + 0.3 * length)
                .ok()?
                .moments;
        sum += moments.xx - moments.yy;
    }
    Some(sum / PLACES.len() as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_gaussian_star_shows_a_twelfth_of_the_squared_length_and_its_known_excess() {
        // Length (pixels) and elongation over L^2 / 12 of a Gaussian of sigma 1.5 px: fixed point
        // w of 1/m - 1/w = 1/w with m the second moment under the weight w, integrated over a
        // line of 200 001 points apart from this code. A segment is flatter than a Gaussian, so
        // the excess grows as L^2.
        const KNOWN: [(f64, f64); 4] = [
            (0.8, 1.00706),
            (1.2, 1.01575),
            (1.5, 1.02439),
            (3.0, 1.08999),
        ];
        let calibration = Calibration::of(Psf::gaussian(1.5));
        for (length, excess) in KNOWN {
            let found = calibration
                .squared_length(excess * length * length / 12.0)
                .sqrt();
            assert!((found / length - 1.0).abs() < 0.003, "{length}: {found}");
        }
    }

    #[test]
    fn wings_raise_the_elongation() {
        let winged = Calibration::of(Psf {
            core: 1.5,
            ratio: 2.0,
            wings: 0.25,
        });
        assert!(winged.squared_length(0.3) < 0.95 * 12.0 * 0.3);
    }
}
