//! How likely a named cause is the right one.

use super::{Cause, CauseShare};
use crate::units::{Measured, Pixels};

/// How far margins are trusted.
#[derive(Clone, Copy)]
pub(super) struct Margins {
    /// What the shares leave out beside their noise: a cause's trail is known to about this part of
    /// it. A larger value brings confidences near a limit nearer to one half.
    model: f64,
    /// Answers that are right where nothing is near a limit: what is left is what no margin knows of.
    sound: f64,
}

impl Margins {
    /// Of shares that are read one by one (own choice of the first, by the sizes in
    /// `tests/study/causes.md`); 0.926 +- 0.019 of 189 sure answers of seed 2 of `scripts/cause-study`
    /// were right by them.
    pub(super) const OF_SHARES: Self = Self {
        model: 0.15,
        sound: 0.95,
    };
    /// Of shares by accounts, whose own probability counts besides: set on seed 11 of
    /// `scripts/cause-study`; of 1140 answers of seed 21 stated at 0.9 and more 0.987 +- 0.003 were right
    /// (`tests/study/causes.md`).
    pub(super) const OF_ACCOUNTS: Self = Self {
        model: 0.05,
        sound: 0.98,
    };
}

/// The same where no pointing has three frames: a wrong rate and a swing look alike, and the
/// drive's answer is one of two.
const TWO_FRAMES: f64 = 0.6;
/// Noise below this is no shape's, pixels.
const LEAST_PX: f64 = 0.05;
/// A trail beyond this is visible at all, pixels.
pub(super) const VISIBLE_PX: f64 = 0.33;

/// Chance that a drive's answer between a rate and a swing is right where every pointing has two
/// frames.
pub(super) fn of_two_frames(confidence: f64) -> f64 {
    confidence.min(TWO_FRAMES)
}

/// Chance that a cause makes a visible trail.
pub(super) fn is_there(trail: Measured<Pixels>) -> f64 {
    let margins = Margins::OF_SHARES;
    margins.sound * margins.beyond(trail.value.px() - VISIBLE_PX, &[trail])
}

impl Margins {
    /// Chance that an answer names the right cause.
    ///
    /// Method: the answer stands on margins: the cause's share is beyond its limit and beyond every
    /// rival's, or, of round stars, no share and no trail is beyond the limit. Each margin's sigma is
    /// the noise of what it compares, with a part of its size on top; the least sure margin gives the
    /// chance.
    /// `limits` gives what each cause must exceed, pixels; `rivals` are the causes that it competes with.
    pub(super) fn is_right(
        self,
        cause: Cause,
        shares: &[CauseShare],
        longest: Option<Measured<Pixels>>,
        limit_px: impl Fn(Cause) -> f64,
        competes: impl Fn(Cause) -> bool,
    ) -> f64 {
        let over = |share: &CauseShare| share.trail.value.px() - limit_px(share.cause);
        let own = shares.iter().find(|share| share.cause == cause);
        let chances: Vec<f64> = match own {
            Some(own) => {
                let limit = self.beyond(over(own), &[own.trail]);
                let rivals = shares
                    .iter()
                    .filter(|share| share.cause != cause && competes(share.cause));
                let lead = |rival: &CauseShare| {
                    let more = own.trail.value.px() - rival.trail.value.px();
                    self.beyond(more, &[own.trail, rival.trail])
                };
                rivals.map(lead).chain([limit]).collect()
            }
            None => {
                let within = |share: &CauseShare| self.beyond(-over(share), &[share.trail]);
                let shown = longest.map(|trail| {
                    let limit = limit_px(Cause::Axis);
                    self.beyond(limit - trail.value.px(), &[trail])
                });
                shares.iter().map(within).chain(shown).collect()
            }
        };
        self.sound * chances.into_iter().fold(1.0, f64::min)
    }

    /// Chance that a margin between measured lengths is positive.
    fn beyond(self, margin: f64, of: &[Measured<Pixels>]) -> f64 {
        let variance = |trail: &Measured<Pixels>| {
            trail.sigma.px().powi(2) + (self.model * trail.value.px()).powi(2)
        };
        let sigma = of.iter().map(variance).sum::<f64>().sqrt();
        normal_cdf(margin / sigma.max(LEAST_PX))
    }
}

/// Cumulative normal distribution, to 1e-3.
///
/// Source: logistic approximation with the cubic term, from memory: `1 / (1 + exp(-1.5976 x - 0.07056 x^3))`.
fn normal_cdf(x: f64) -> f64 {
    let x = x.clamp(-8.0, 8.0);
    1.0 / (1.0 + (-1.5976 * x - 0.07056 * x.powi(3)).exp())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn px(value: f64, sigma: f64) -> Measured<Pixels> {
        Measured::new(Pixels::new(value), Pixels::new(sigma))
    }

    fn share(cause: Cause, value: f64) -> CauseShare {
        CauseShare {
            cause,
            trail: px(value, 0.1),
            confidence: 0.0,
        }
    }

    fn chance(cause: Cause, shares: &[CauseShare], longest: f64) -> f64 {
        let longest = Some(px(longest, 0.1));
        Margins::OF_SHARES.is_right(cause, shares, longest, |_| 2.0, |_| true)
    }

    #[test]
    fn the_normal_distribution_has_its_known_points() {
        assert!((normal_cdf(0.0) - 0.5).abs() < 1e-6);
        assert!((normal_cdf(1.0) - 0.8413).abs() < 1e-3);
        assert!((normal_cdf(-2.0) - 0.0228).abs() < 1e-3);
    }

    #[test]
    fn an_answer_is_as_sure_as_its_least_margin() {
        let clear = [share(Cause::Axis, 8.0), share(Cause::DrivePeriodic, 1.0)];
        assert!(chance(Cause::Axis, &clear, 8.0) > 0.9);
        let rivalled = [share(Cause::Axis, 8.0), share(Cause::DrivePeriodic, 7.9)];
        assert!((0.4..0.6).contains(&chance(Cause::Axis, &rivalled, 8.0)));
        let at_limit = [share(Cause::Axis, 2.02)];
        assert!((0.4..0.6).contains(&chance(Cause::Axis, &at_limit, 2.0)));
    }

    #[test]
    fn round_stars_are_sure_where_nothing_is_near_the_limit() {
        assert!(chance(Cause::Aligned, &[share(Cause::Axis, 0.3)], 0.3) > 0.9);
        assert!(chance(Cause::Aligned, &[share(Cause::Axis, 1.9)], 1.0) < 0.7);
        assert!(chance(Cause::Aligned, &[], 2.0) < 0.6);
    }
}
