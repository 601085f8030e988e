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
#[cfg(test)]
mod tests;

pub use exposure::{Night, Witness};
pub use shares::Part;

use crate::units::{Angle, Measured, Pixels, Seconds};

/// One account of the night.
#[derive(Debug, Clone, PartialEq)]
pub struct Account {
    /// Its probability among all accounts tried.
    pub chance: f64,
    /// What each fault draws by itself in the frame where it draws most; of a knock and of a step
    /// between exposures how far the stars jump. Largest first.
    pub parts: Vec<(Part, Measured<Pixels>)>,
    /// A step of the drive, or a knock.
    pub step: Option<Step>,
    /// How long the drive stood when each pointing began, by the pointing's first frame.
    pub stood: Vec<(usize, Measured<Seconds>)>,
    /// Northern end of the axis less that of the refracted pole, along the tangent basis there, with
    /// 1-sigma, radians.
    pub axis: [Measured<f64>; 2],
}

/// A sudden motion.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// Last frame before it (index in the alignment).
    pub before: usize,
    /// First frame after it; two further on where it fell into the frame between.
    pub after: usize,
    /// When, from the night's reference instant.
    pub at: Seconds,
    /// How far: of the drive ahead (positive) or back, of a knock without sign.
    pub size: Measured<Angle>,
}

/// The probability of all accounts that hold a fault.
pub fn chance_of(accounts: &[Account], part: Part) -> f64 {
    let has = |account: &&Account| account.parts.iter().any(|one| one.0 == part);
    accounts
        .iter()
        .filter(has)
        .map(|account| account.chance)
        .sum()
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
