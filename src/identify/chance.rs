//! How likely it is that chance alone lines up so many stars.

/// Decimal logarithm of the expected number of trials that chance brings to `n_hits` of `n_asked`
/// stars or more, each hit with probability `p_hit`.
///
/// Method: the binomial tail, bounded from above by Chernoff's inequality
/// `P(share >= s) <= exp(-n D(s || p))` with the relative entropy D, times the number of trials.
/// Output: at or below zero for anything surprising; the number of trials where nothing is.
/// Source: H. Chernoff 1952, Ann. Math. Statist. 23, 493.
pub(crate) fn log10_chance(n_asked: usize, p_hit: f64, n_hits: usize, n_trials: usize) -> f64 {
    let p = p_hit.clamp(1e-15, 0.999);
    let trials = (n_trials as f64).max(1.0).log10();
    let share = n_hits as f64 / (n_asked as f64).max(1.0);
    if share <= p {
        return trials;
    }
    let missed = if share < 1.0 {
        (1.0 - share) * ((1.0 - share) / (1.0 - p)).ln()
    } else {
        0.0
    };
    let entropy = share * (share / p).ln() + missed;
    trials - n_asked as f64 * entropy / std::f64::consts::LN_10
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bounds_the_exact_binomial_tail_from_above_and_not_by_much() {
        // P(X >= 5) for n = 10, p = 0.1 is 0.0016349 (summed by hand from the binomial terms).
        let bound = log10_chance(10, 0.1, 5, 1);
        assert!(bound > 0.0016349_f64.log10() && bound < 0.0016349_f64.log10() + 1.0);
    }

    #[test]
    fn all_of_them_by_chance_is_the_product_of_the_chances() {
        assert!((log10_chance(6, 0.01, 6, 1000) - (3.0 - 12.0)).abs() < 1e-9);
    }

    #[test]
    fn as_many_as_expected_is_no_evidence() {
        assert_eq!(log10_chance(100, 0.2, 20, 1), 0.0);
    }
}
