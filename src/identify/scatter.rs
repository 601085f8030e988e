//! Scatter of residuals that a few strangers among them do not spoil.

/// Least squared scatter in units of the stated sigmas: with few stars a fit may pass through half of
/// them exactly, which says nothing against the others.
const LEAST_SCALE2: f64 = 0.25;

/// Squared scatter in units of the stated sigmas, from squared two-dimensional residuals in those
/// units, of which the given share is trusted.
///
/// Method: for two dimensions a share `q` of the squares lies below `-2 ln(1 - q)` (chi-square of
/// two degrees of freedom). Corrected for the terms fitted, because few stars lie closer to a fit
/// than they scatter.
pub(crate) fn robust_scale2(mut squares: Vec<f64>, share: f64, n_fitted: usize) -> f64 {
    squares.sort_unstable_by(f64::total_cmp);
    let n_values = 2.0 * squares.len() as f64;
    let at = (share * squares.len() as f64) as usize;
    let square = squares.get(at).copied().unwrap_or(0.0);
    let fitted = n_values / (n_values - n_fitted as f64).max(1.0);
    (square / (-2.0 * (1.0 - share).ln()) * fitted).max(LEAST_SCALE2)
}

/// Share of the residuals that is trusted in a round of fitting: from nearly all to the better
/// half, so that a start that fits three stars perfectly does not outvote the others at once.
pub(crate) fn trusted_share(round: usize) -> f64 {
    [0.9, 0.75].get(round).copied().unwrap_or(0.5)
}

/// Middle value; 0 without values.
pub(crate) fn median(mut values: Vec<f64>) -> f64 {
    values.sort_unstable_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::identify::test_fields::FieldNoise;

    #[test]
    fn normal_residuals_have_unit_scatter_by_any_share_and_strangers_do_little() {
        let mut noise = FieldNoise::new(31);
        let mut squares: Vec<f64> = (0..4000)
            .map(|_| noise.normal().powi(2) + noise.normal().powi(2))
            .collect();
        for share in [0.5, 0.75, 0.9] {
            let scale2 = robust_scale2(squares.clone(), share, 3);
            assert!((0.9..1.1).contains(&scale2), "{share}: {scale2}");
        }
        squares.extend(vec![1e6; 800]);
        assert!(robust_scale2(squares, 0.5, 3) < 1.4);
    }

    #[test]
    fn few_residuals_or_none_never_give_nothing() {
        assert_eq!(robust_scale2(vec![], 0.5, 5), LEAST_SCALE2);
        assert_eq!(robust_scale2(vec![0.0; 4], 0.5, 5), LEAST_SCALE2);
    }
}
