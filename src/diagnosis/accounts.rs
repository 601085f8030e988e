//! The cause that the accounts of a night agree on.

use super::{Cause, Evidence};
use crate::mount::account::{Account, Part};
use crate::units::{Measured, Pixels};

/// What the accounts say.
#[derive(Debug, Clone, Copy)]
pub(super) struct Told<'a> {
    /// The likeliest account among those that name the likeliest cause.
    pub account: &'a Account,
    /// The cause that it names; none where nothing that moves is beyond what it must exceed.
    pub cause: Option<Cause>,
    /// Probability of all accounts that name it.
    pub chance: f64,
}

/// The cause that the accounts name, each with its probability.
pub(super) fn told(evidence: &Evidence, tolerance_px: f64) -> Option<Told<'_>> {
    let name = |account: &Account| named(account, tolerance_px);
    let mut chances: Vec<(Option<Cause>, f64)> = Vec::new();
    for account in &evidence.accounts {
        let cause = name(account);
        match chances.iter_mut().find(|one| one.0 == cause) {
            Some(one) => one.1 += account.chance,
            None => chances.push((cause, account.chance)),
        }
    }
    let (cause, chance) = chances.into_iter().max_by(|a, b| a.1.total_cmp(&b.1))?;
    let account = evidence.accounts.iter().find(|one| name(one) == cause)?;
    Some(Told {
        account,
        cause,
        chance,
    })
}

/// The largest trail beyond the tolerance; else a knock.
fn named(account: &Account, tolerance_px: f64) -> Option<Cause> {
    let beyond = |one: &&(Part, Measured<Pixels>)| one.1.value.px() > tolerance_px;
    let trail = account.parts.iter().filter(beyond);
    let trail = trail.clone().find(|one| one.0 != Part::Knock).or_else(|| {
        let mut all = trail;
        all.find(|one| one.0 == Part::Knock)
    });
    trail.map(|one| cause_of(one.0))
}

/// The name of a fault.
pub(super) fn cause_of(part: Part) -> Cause {
    match part {
        Part::Axis => Cause::Axis,
        Part::Rate => Cause::DriveRate,
        Part::Swing => Cause::DrivePeriodic,
        Part::Slack => Cause::DriveBacklash,
        Part::Step => Cause::Slip,
        Part::Sag => Cause::Sag,
        Part::Knock => Cause::Bump,
        Part::Gusts => Cause::Shake,
    }
}
