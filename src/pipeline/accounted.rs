//! The night's evidence brought in line with its accounts.

use crate::diagnosis::{Evidence, Standstill};
use crate::mount::AxisUnknown;
use crate::mount::account::{Account, Part, Step, chance_of};
use crate::mount::creep::Creep;
use crate::mount::slip::DriveStep;
use crate::mount::split::Jump;
use crate::mount::swing::Swing;
use crate::units::{Measured, Pixels, Seconds};

/// Whether a fault is likelier than not, by the accounts.
pub(super) fn tells(evidence: &Evidence, part: Part) -> bool {
    chance_of(&evidence.accounts, part) > 0.5
}

/// What a fault draws, by the likeliest account that has it.
fn drawn(evidence: &Evidence, part: Part) -> Option<Measured<Pixels>> {
    let mut parts = evidence.accounts.iter().flat_map(|one| &one.parts);
    parts.find(|one| one.0 == part).map(|one| one.1)
}

/// Whether that can be seen.
fn shows(evidence: &Evidence, part: Part) -> bool {
    drawn(evidence, part).is_some_and(|px| px.value.px() > VISIBLE_PX)
}

/// A trail shorter than this is not seen at all, pixels.
const VISIBLE_PX: f64 = 0.33;

/// The standstills that the likeliest account has, where such accounts are likelier than not.
pub(super) fn standstills_told(evidence: &Evidence) -> Vec<Standstill> {
    if !tells(evidence, Part::Slack) {
        return Vec::new();
    }
    let has = |account: &&Account| !account.stood.is_empty();
    let Some(account) = evidence.accounts.iter().find(has) else {
        return Vec::new();
    };
    let trail = account.parts.iter().find(|one| one.0 == Part::Slack);
    let sure = account
        .stood
        .iter()
        .filter(|one| one.1.value.s() > 3.0 * one.1.sigma.s());
    let standstill = |&(first, duration): &(usize, Measured<Seconds>)| {
        Some(Standstill {
            frames: standing_frames(evidence, first, duration.value),
            duration,
            trail: trail?.1,
        })
    };
    sure.filter_map(standstill).collect()
}

/// Frames of a pointing, from its first on, that a standstill reaches into.
fn standing_frames(evidence: &Evidence, first: usize, duration: Seconds) -> Vec<usize> {
    let mut left = duration.s();
    let frames = evidence.frames.iter().skip_while(|one| one.frame != first);
    let reached = frames.take_while(|one| {
        let begins = left > 0.0;
        left -= one.exposure.map_or(f64::INFINITY, Seconds::s);
        begins
    });
    reached.map(|one| one.frame).collect()
}

/// Takes out of fit and record what the accounts say was something else, and puts in what they found.
pub(super) fn agree(evidence: &mut Evidence) {
    if evidence.accounts.is_empty() {
        return;
    }
    let steps = tells(evidence, Part::Step);
    let swings = tells(evidence, Part::Swing) && shows(evidence, Part::Swing);
    let step = sudden(evidence, Part::Step).filter(|_| steps);
    let knock = sudden(evidence, Part::Knock).filter(|_| tells(evidence, Part::Knock));
    let sag = drawn(evidence, Part::Sag).filter(|_| tells(evidence, Part::Sag));
    let sunk = sag.zip(evidence.pixel_scale);
    let Some(fit) = evidence.fit.as_mut() else {
        return;
    };
    if let Some(record) = fit.drive.as_mut() {
        let known = record.step.filter(|_| steps);
        record.step = known.or_else(|| step.map(|step| drive_step(step, record.rate_ratio)));
        let is_told = |swing: &Swing| swings || swing.period.is_some();
        record.periodic = record.periodic.filter(is_told);
    }
    if let Some(step) = knock {
        fit.jumps.retain(|jump| jump.before != step.before);
        fit.jumps.push(Jump {
            before: step.before,
            after: step.after,
            size: step.size,
        });
    }
    if let Some((px, scale)) = sunk {
        fit.creep = Some(Creep {
            departure: Measured::new(scale * px.value.px(), scale * px.sigma.px()),
            smoothness: 1.0,
        });
        fit.axis = Err(AxisUnknown::Creeping);
    }
}

/// The step or knock of the likeliest account that has one.
fn sudden(evidence: &Evidence, part: Part) -> Option<Step> {
    let has = |one: &&Account| one.parts.iter().any(|own| own.0 == part);
    evidence.accounts.iter().find(has)?.step
}

fn drive_step(step: Step, rate_ratio: Measured<f64>) -> DriveStep {
    DriveStep {
        before: step.before,
        after: step.after,
        at: step.at,
        size: step.size,
        rate_ratio,
        odds: 0.5,
    }
}
