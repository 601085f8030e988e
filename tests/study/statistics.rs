//! Mean, spread and coverage of pulls, each next to its own error.

#![allow(dead_code)] // The program and the test use their own parts.

/// What a set of pulls looks like.
#[derive(Debug, Clone, Copy)]
pub struct PullSummary {
    /// Number of pulls.
    pub n: usize,
    /// Mean; its error is `1 / sqrt n`.
    pub mean: f64,
    /// Root mean square about zero; its error is `1 / sqrt(2 n)`.
    pub spread: f64,
    /// Half of the distance between the 15.9 % and 84.1 % points.
    pub robust: f64,
    /// Share within 1 sigma, which should be 0.6827.
    pub within_1: f64,
    /// Share within 1.96 sigma, which should be 0.95.
    pub within_2: f64,
    /// Largest size.
    pub worst: f64,
}

impl PullSummary {
    /// From pulls; `None` from fewer than two.
    pub fn of(pulls: &[f64]) -> Option<Self> {
        let mut sorted: Vec<f64> = pulls.to_vec();
        sorted.sort_by(f64::total_cmp);
        let n = sorted.len();
        if n < 2 {
            return None;
        }
        let share =
            |limit: f64| sorted.iter().filter(|p| p.abs() <= limit).count() as f64 / n as f64;
        Some(Self {
            n,
            mean: sorted.iter().sum::<f64>() / n as f64,
            spread: (sorted.iter().map(|p| p * p).sum::<f64>() / n as f64).sqrt(),
            robust: 0.5 * (quantile(&sorted, 0.8413) - quantile(&sorted, 0.1587)),
            within_1: share(1.0),
            within_2: share(1.96),
            worst: sorted.iter().map(|p| p.abs()).fold(0.0, f64::max),
        })
    }
}

/// Binomial standard error of a share that should be `expected`.
pub fn binomial_error(expected: f64, n: usize) -> f64 {
    (expected * (1.0 - expected) / n.max(1) as f64).sqrt()
}

/// Value below which a share of sorted values lies, linear between neighbours.
pub fn quantile(sorted: &[f64], share: f64) -> f64 {
    let at = share * (sorted.len() - 1) as f64;
    let (low, high) = (sorted[at.floor() as usize], sorted[at.ceil() as usize]);
    low + (high - low) * at.fract()
}

/// Median of values in any order; 0 of none.
pub fn median(values: impl Iterator<Item = f64>) -> f64 {
    let mut sorted: Vec<f64> = values.collect();
    sorted.sort_by(f64::total_cmp);
    if sorted.is_empty() {
        0.0
    } else {
        quantile(&sorted, 0.5)
    }
}
