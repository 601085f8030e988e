//! Accounts of a night: everything that may have moved its stars, fitted to places and shapes together.
//!
//! A place in a frame is the mean of the star's path over the exposure, a shape its spread. What moves
//! smoothly shows in both; a step, a standstill, a knock or a gust shows in one of them, or otherwise
//! in one exposure than in the next. Every account is fitted to both, and counts with its evidence:
//! how well it fits, less what its freedom would fit of anything.
//!
//! `motion` says what each fault does to the camera at an instant, `exposure` what a frame shows of
//! it, `fit` finds the best of each account and its evidence, `starts` where to begin, `shares` what
//! each fault draws by itself.

mod exposure;
mod fit;
mod motion;
mod shares;
mod starts;

pub use exposure::{Night, Witness};
pub use shares::Part;

use crate::units::{Measured, Pixels};

/// One account of the night.
#[derive(Debug, Clone, PartialEq)]
pub struct Account {
    /// Its probability among all accounts tried.
    pub chance: f64,
    /// What each fault draws by itself in the frame where it draws most; of a knock and of a step
    /// between exposures how far the stars jump. Largest first.
    pub parts: Vec<(Part, Measured<Pixels>)>,
    /// Last frame before a step or knock, and the first one after it.
    pub step: Option<(usize, usize)>,
    /// Northern end of the axis less that of the refracted pole, along the tangent basis there, with
    /// 1-sigma, radians.
    pub axis: [Measured<f64>; 2],
}

/// Accounts less likely than this are left out.
const NEGLIGIBLE: f64 = 1e-3;

/// Accounts of a night, likeliest first; none where no two frames of a pointing are known.
///
/// Method: all accounts are fitted (`fit`); each counts with its evidence and with what is usual.
pub fn tell(night: &Night) -> Vec<Account> {
    let mut fits = starts::all_fits(night);
    fits.sort_by(|a, b| b.evidence.total_cmp(&a.evidence));
    let Some(top) = fits.first().map(|fit| fit.evidence) else {
        return Vec::new();
    };
    let weight = |evidence: f64| (evidence - top).exp();
    let total: f64 = fits.iter().map(|fit| weight(fit.evidence)).sum();
    fits.iter()
        .map(|fit| (weight(fit.evidence) / total, fit))
        .take_while(|(chance, _)| *chance > NEGLIGIBLE)
        .map(|(chance, fit)| shares::account(night, fit, chance))
        .collect()
}
