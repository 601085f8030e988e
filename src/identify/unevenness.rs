//! Whether residuals run together over the frame, as they do where the lens is no radial cubic:
//! then many stars are worth fewer than they are, and sigmas that count them all are too small.

use crate::units::{PixelPoint, PixelVector};

const COLUMNS: usize = 4;
const ROWS: usize = 3;
/// Fewest stars for a judgement: five in each part of the frame on average.
const N_FEWEST: usize = 60;
/// Terms of the fit, which follow the broad pattern and take that much out of it.
const N_FITTED: f64 = 5.0;

/// Factor on the covariance of a fit that takes the pattern of its residuals into account; 1 where
/// they scatter as independent stars do.
///
/// Method: the mean residual of `n` independent stars has 1/n of their variance; the factor is the
/// sum of squares of the means of 4 x 3 parts of the frame over what that expects, never below 1.
pub(crate) fn unevenness(residuals: &[(PixelPoint, PixelVector)], width: f64, height: f64) -> f64 {
    if residuals.len() < N_FEWEST {
        return 1.0;
    }
    let part = |at: f64, size: f64, parts: usize| {
        ((at / size * parts as f64).max(0.0) as usize).min(parts - 1)
    };
    let mut sums = [(0.0, 0.0, 0.0); COLUMNS * ROWS];
    let mut square_sum = 0.0;
    for (place, residual) in residuals {
        let cell = part(place.y, height, ROWS) * COLUMNS + part(place.x, width, COLUMNS);
        sums[cell].0 += 1.0;
        sums[cell].1 += residual.dx;
        sums[cell].2 += residual.dy;
        square_sum += residual.dx * residual.dx + residual.dy * residual.dy;
    }
    let variance = square_sum / (2.0 * residuals.len() as f64);
    let filled = sums.iter().filter(|(n, _, _)| *n > 0.0);
    let (mut chi2, mut freedom) = (0.0, -N_FITTED);
    for (n, x, y) in filled {
        chi2 += (x * x + y * y) / (n * variance.max(1e-12));
        freedom += 2.0;
    }
    if freedom < 5.0 {
        return 1.0;
    }
    (chi2 / freedom).max(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::identify::test_fields::FieldNoise;

    fn residuals(pattern_px: f64) -> Vec<(PixelPoint, PixelVector)> {
        let mut noise = FieldNoise::new(41);
        (0..600)
            .map(|_| {
                let place = PixelPoint::new(noise.uniform(0.0, 2000.0), noise.uniform(0.0, 1500.0));
                let wave = pattern_px * (place.x / 250.0).sin();
                let residual = PixelVector::new(wave + 0.3 * noise.normal(), 0.3 * noise.normal());
                (place, residual)
            })
            .collect()
    }

    #[test]
    fn independent_residuals_change_little_and_a_pattern_much() {
        assert!(unevenness(&residuals(0.0), 2000.0, 1500.0) < 1.6);
        assert!(unevenness(&residuals(0.3), 2000.0, 1500.0) > 5.0);
    }

    #[test]
    fn few_or_equal_residuals_are_left_alone() {
        assert_eq!(unevenness(&residuals(0.3)[..50], 2000.0, 1500.0), 1.0);
        let still = vec![(PixelPoint::new(3.0, 4.0), PixelVector::new(0.0, 0.0)); 100];
        assert_eq!(unevenness(&still, 2000.0, 1500.0), 1.0);
    }
}
