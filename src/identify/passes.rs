//! In which order focal lengths are tried, and how hard.

/// Focal lengths that are tried together: within `ln_half_width` of `focal_px` on a logarithmic scale.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Pass {
    /// Middle of the focal lengths, pixels.
    pub(crate) focal_px: f64,
    /// Half of their range, as a natural logarithm.
    pub(crate) ln_half_width: f64,
}

/// The passes that cover a range of focal lengths, from its middle outwards.
pub(crate) fn passes(low_px: f64, high_px: f64, half_diagonal: f64) -> Vec<Pass> {
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

/// How hard to look: the first look finds most fields in no time, the next ones find the rest.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Effort {
    /// Levels that the index is finer than the size of the field asks for.
    pub(crate) finer: usize,
    /// Picture stars that make triangles, as a share of the index's stars on the frame.
    pub(crate) n_picture_stars: f64,
    /// Added to the odds (natural logarithm) that a trial needs before it is fitted.
    pub(crate) promising_ln: f64,
    /// Share of the greatest distortion that the shapes of triangles allow for.
    pub(crate) distortion: f64,
    /// Trials after which a pass costs more time than it is worth; the brightest stars came first.
    pub(crate) most_trials: usize,
}

pub(crate) const EFFORTS: [Effort; 3] = [
    Effort {
        finer: 0,
        n_picture_stars: 1.6,
        promising_ln: 0.0,
        distortion: 0.3,
        most_trials: 60_000,
    },
    Effort {
        finer: 1,
        n_picture_stars: 1.2,
        promising_ln: -3.0,
        distortion: 0.6,
        most_trials: 40_000,
    },
    Effort {
        finer: 0,
        n_picture_stars: 2.5,
        promising_ln: -4.0,
        distortion: 1.0,
        most_trials: 40_000,
    },
];

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
}
