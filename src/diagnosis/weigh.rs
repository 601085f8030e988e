//! Evidence into shares of the trail.

use super::accounts::{Told, cause_of, told};
use super::confidence::{Margins, is_there, of_two_frames};
use super::contradiction::excess_across;
use super::drive_fault::find_drive_fault;
use super::evidence::{Evidence, FrameEvidence, MANY_STARS};
use super::{Cause, CauseShare, Finding};
use crate::mount::account::Part;
use crate::mount::drive::NominalRate;
use crate::stars::{FrameTrail, Stretch};
use crate::units::{AngularRate, AxialAngle, Measured, Pixels};

/// Trail, as a share of the FWHM, that keeps the axis ratio of a star within 1.10.
///
/// Second moments of a segment of length L add L^2 / 12 to sigma^2 = FWHM^2 / 5.55 along it; a
/// ratio of 1.10 gives L = 0.67 FWHM.
const ROUND_SHARE: f64 = 2.0 / 3.0;
/// A lens is to blame where its corners reach this many tolerances: an axis ratio of 1.25, trailed
/// by the verdict's own measure (L = 1.10 FWHM by the formula above).
const LENS_SHARE: f64 = 1.65;
/// Stars wider than this, and round, are out of focus (own choice: a sharp lens on today's
/// sensors stays below 4 px).
const FAT_PX: f64 = 6.0;
/// Shapes longer than the motion explains by less than this do not count, pixels.
const LEAST_EXCESS_PX: f64 = 0.7;

/// Weighs the evidence of an alignment.
///
/// Output: shares in pixels of the worst frame for each cause; parts that add as vectors are
/// given by their own lengths.
pub fn find_causes(evidence: &Evidence) -> Finding {
    let tolerance = tolerance(evidence);
    let longest_trail = longest_trail(evidence);
    let finding = |cause, confidence, shares| Finding {
        cause,
        confidence,
        shares,
        tolerance,
        longest_trail,
    };
    if evidence.frames.iter().all(|frame| frame.trail.is_none()) {
        return finding(Cause::Unknown, None, Vec::new());
    }
    let told = told(evidence, tolerance.px());
    let mut shares = shares(evidence, tolerance.px(), told.as_ref());
    shares.sort_by(|a, b| b.trail.value.px().total_cmp(&a.trail.value.px()));
    let cause = match &told {
        Some(told) => by_account(evidence, told, &shares, tolerance.px(), longest_trail),
        None => dominant(evidence, &shares, tolerance.px(), longest_trail),
    };
    let told_chance = told.as_ref().map(|told| told.chance);
    let confidence = confidence(cause, &shares, tolerance.px(), longest_trail, told_chance);
    let confidence = confidence.map(|sure| match cause {
        _ if told.is_some() => sure,
        Cause::DriveRate | Cause::DrivePeriodic if !tells_rate_from_swing(evidence) => {
            of_two_frames(sure)
        }
        _ => sure,
    });
    let named = shares.iter_mut().find(|share| share.cause == cause);
    if let (Some(share), Some(confidence)) = (named, confidence) {
        share.confidence = confidence;
    }
    finding(cause, confidence, shares)
}

/// Whether the drive's rate fits a switch position, or was seen over two intervals of a pointing.
fn tells_rate_from_swing(evidence: &Evidence) -> bool {
    let record = evidence.fit.as_ref().and_then(|fit| fit.drive.as_ref());
    record.is_none_or(|record| {
        let rates = record
            .residuals
            .iter()
            .map(|one| one.rate_to_next.is_some());
        let rates: Vec<bool> = rates.collect();
        let two_in_turn = rates.windows(2).any(|pair| pair[0] && pair[1]);
        let is_named = !matches!(record.nominal, None | Some(NominalRate::Sidereal));
        two_in_turn || is_named
    })
}

/// How likely the answer is right; "cannot tell" has none.
fn confidence(
    cause: Cause,
    shares: &[CauseShare],
    tolerance_px: f64,
    longest: Option<Measured<Pixels>>,
    told_chance: Option<f64>,
) -> Option<f64> {
    let event = |cause| matches!(cause, Cause::Bump | Cause::Focus | Cause::Lens);
    let limit_px = |cause| match cause {
        Cause::Focus => FAT_PX,
        Cause::Lens => LENS_SHARE * tolerance_px,
        _ => tolerance_px,
    };
    // What spoils frames beside the trails competes with none of them.
    let competes = |other| !event(other) && !event(cause);
    let margins = match told_chance {
        Some(_) => Margins::OF_ACCOUNTS,
        None => Margins::OF_SHARES,
    };
    let sure = || margins.is_right(cause, shares, longest, limit_px, competes);
    (cause != Cause::Unknown).then(|| sure() * told_chance.unwrap_or(1.0))
}

fn tolerance(evidence: &Evidence) -> Pixels {
    if let Some(tolerance) = evidence.tolerance {
        return tolerance;
    }
    let widths = evidence.frames.iter().filter_map(|frame| frame.fwhm);
    let mut widths: Vec<f64> = widths.map(|fwhm| fwhm.value.px()).collect();
    widths.sort_by(f64::total_cmp);
    // Without a width, the half-pixel rule's habit of two pixels (common practice, no source).
    let width = widths.get(widths.len() / 2).copied().unwrap_or(3.0);
    Pixels::new(ROUND_SHARE * width)
}

fn longest_trail(evidence: &Evidence) -> Option<Measured<Pixels>> {
    longest_of(evidence, |frame| frame.trail)
}

fn longest_of(
    evidence: &Evidence,
    trail: impl Fn(&FrameEvidence) -> Option<FrameTrail>,
) -> Option<Measured<Pixels>> {
    let lengths = evidence.frames.iter().filter_map(trail);
    let lengths = lengths.map(|trail| trail.length);
    lengths.max_by(|a, b| a.value.px().total_cmp(&b.value.px()))
}

/// The cause by the accounts; where they name none, a knock, fat stars, or a lens.
fn by_account(
    evidence: &Evidence,
    told: &Told<'_>,
    shares: &[CauseShare],
    tolerance_px: f64,
    longest: Option<Measured<Pixels>>,
) -> Cause {
    let px = |cause: Cause| {
        let share = shares.iter().find(|share| share.cause == cause);
        share.map_or(0.0, |share| share.trail.value.px())
    };
    match told.cause {
        Some(cause) if cause != Cause::Bump => return cause,
        _ => {}
    }
    if px(Cause::Bump) > tolerance_px {
        return Cause::Bump;
    }
    if px(Cause::Focus) > tolerance_px {
        return Cause::Focus;
    }
    if px(Cause::Lens) > LENS_SHARE * tolerance_px {
        return Cause::Lens;
    }
    small_cause(evidence, tolerance_px, longest, None)
}

fn shares(evidence: &Evidence, tolerance_px: f64, told: Option<&Told<'_>>) -> Vec<CauseShare> {
    let mut shares = match told {
        Some(told) => moved_as_told(evidence, told),
        None => moved_as_recorded(evidence),
    };
    let at_rest = [
        (Cause::Focus, fat_px(evidence, tolerance_px)),
        (Cause::Lens, lens_px(evidence)),
    ];
    shares.extend(seen(at_rest));
    shares.retain(|share| share.trail.value.px() > 0.05);
    shares
}

/// What moved the stars by the accounts of the night.
fn moved_as_told(evidence: &Evidence, told: &Told<'_>) -> Vec<CauseShare> {
    let parts = told.account.parts.iter();
    let mut shares: Vec<CauseShare> = parts
        .map(|(part, trail)| share(cause_of(*part), trail.value.px(), trail.sigma.px()))
        .collect();
    // The knock that these frames follow is none of theirs.
    let before = jump_before_px(evidence).filter(|_| !has_knock(told));
    shares.extend(seen([(Cause::Bump, before)]));
    shares
}

/// What moved the stars by the motion between frames and the record of the drive.
fn moved_as_recorded(evidence: &Evidence) -> Vec<CauseShare> {
    let mut shares: Vec<CauseShare> = seen([(Cause::Axis, axis_px(evidence))]).collect();
    if let Some(fault) = find_drive_fault(evidence) {
        shares.push(share(fault.cause, fault.trail_px, fault.sigma_px));
    } else if let Some((cause, px, sigma)) = gross_drive(evidence) {
        shares.push(share(cause, px, sigma));
    }
    shares.extend(seen([
        (Cause::Sag, creep_px(evidence)),
        (Cause::Shake, shake_px(evidence)),
        (Cause::Bump, jump_px(evidence)),
    ]));
    shares
}

/// Shares of the causes that make a trail.
fn seen<const N: usize>(
    causes: [(Cause, Option<(f64, f64)>); N],
) -> impl Iterator<Item = CauseShare> {
    let share = |(cause, trail): (Cause, Option<(f64, f64)>)| {
        trail.map(|(px, sigma)| share(cause, px, sigma))
    };
    causes.into_iter().filter_map(share)
}

fn share(cause: Cause, px: f64, sigma: f64) -> CauseShare {
    let trail = Measured::new(Pixels::new(px), Pixels::new(sigma));
    CauseShare {
        cause,
        trail,
        confidence: is_there(trail),
    }
}

fn dominant(
    evidence: &Evidence,
    shares: &[CauseShare],
    tolerance_px: f64,
    longest: Option<Measured<Pixels>>,
) -> Cause {
    let of = |cause: Cause| shares.iter().find(|share| share.cause == cause);
    // Events that spoil frames whatever the trails say.
    for event in [Cause::Sag, Cause::Bump, Cause::Focus] {
        let big = of(event).is_some_and(|share| share.trail.value.px() > tolerance_px);
        let largest_trail = longest.map_or(0.0, |trail| trail.value.px());
        let rival = shares
            .iter()
            .find(|share| !matches!(share.cause, Cause::Sag | Cause::Bump | Cause::Focus));
        let rival_px = rival.map_or(0.0, |share| share.trail.value.px());
        if big && (event == Cause::Sag || rival_px < tolerance_px || largest_trail < tolerance_px) {
            return event;
        }
    }
    let largest = shares
        .iter()
        .find(|share| !matches!(share.cause, Cause::Bump | Cause::Focus | Cause::Lens));
    match largest {
        Some(share) if share.trail.value.px() > tolerance_px => share.cause,
        Some(_) | None => {
            let cause = small_cause(evidence, tolerance_px, longest, largest);
            let lens = of(Cause::Lens).map_or(0.0, |share| share.trail.value.px());
            let by_lens = cause == Cause::Aligned && lens > LENS_SHARE * tolerance_px;
            if by_lens { Cause::Lens } else { cause }
        }
    }
}

/// Nothing explained exceeds the tolerance: well aligned, or a trail that nothing explains.
fn small_cause(
    evidence: &Evidence,
    tolerance_px: f64,
    longest: Option<Measured<Pixels>>,
    largest: Option<&CauseShare>,
) -> Cause {
    let Some(longest) = longest else {
        return Cause::Unknown;
    };
    let longest = longest_of(evidence, FrameEvidence::best_trail).unwrap_or(longest);
    if longest.value.px() <= tolerance_px + 2.0 * longest.sigma.px() {
        return if is_sure(evidence, tolerance_px) {
            Cause::Aligned
        } else {
            Cause::Unknown
        };
    }
    match (&evidence.fit, largest) {
        (Some(_), Some(share)) => share.cause,
        _ => Cause::Unknown,
    }
}

/// Whether the frames are good enough to call their stars round: they are known to be stars, and
/// most frames exclude a trail beyond the tolerance at two sigmas.
fn is_sure(evidence: &Evidence, tolerance_px: f64) -> bool {
    let trails = evidence.frames.iter().filter_map(FrameEvidence::best_trail);
    let excludes =
        |trail: &FrameTrail| trail.length.value.px() + 2.0 * trail.length.sigma.px() < tolerance_px;
    let stars = evidence
        .frames
        .iter()
        .filter_map(|frame| frame.trail)
        .map(|trail| trail.n_stars);
    let known = evidence.identified || stars.max().unwrap_or(0) >= MANY_STARS;
    known && 2 * trails.filter(excludes).count() > evidence.frames.len()
}

fn axis_px(evidence: &Evidence) -> Option<(f64, f64)> {
    let axis = evidence.axis()?;
    let parts = evidence
        .frames
        .iter()
        .filter_map(|frame| frame.predicted.as_ref());
    let worst = parts
        .map(|parts| parts.axis.length().px())
        .fold(f64::NAN, f64::max);
    if worst.is_nan() {
        return None;
    }
    let total = axis.error.total().rad();
    let sigma = (axis.covariance.trace() / 2.0).sqrt();
    let longest = evidence
        .frames
        .iter()
        .filter_map(|frame| frame.exposure)
        .map(|e| e.s())
        .fold(0.0, f64::max);
    let per_radian = AngularRate::SIDEREAL.rad_per_s() * longest / evidence.pixel_scale?.rad();
    // A weak direction of the axis moves no star here: its sigma must not hide the strong one.
    let sigma_px = (sigma * per_radian).min(worst * sigma / total.max(1e-9));
    Some((worst, sigma_px))
}

/// A grossly wrong drive seen without a fit: in a lone frame's trail, or in the sky's turn itself.
fn gross_drive(evidence: &Evidence) -> Option<(Cause, f64, f64)> {
    let longest = longest_trail(evidence)?;
    let cause = match evidence.lone.as_ref().and_then(|lone| lone.rate) {
        Some(NominalRate::Stopped) => Cause::DriveStopped,
        Some(NominalRate::Reversed) => Cause::DriveReversed,
        Some(_) => Cause::DriveRate,
        None => {
            let rate = evidence.sky_rate?;
            let stands =
                evidence.axis().is_none() && (rate.value - 1.0).abs() < 0.06 + 2.0 * rate.sigma;
            stands.then_some(Cause::DriveStopped)?
        }
    };
    Some((cause, longest.value.px(), longest.sigma.px()))
}

fn creep_px(evidence: &Evidence) -> Option<(f64, f64)> {
    evidence.fit.as_ref()?.creep?;
    // What creeps between frames creeps during them: the shapes must show the same motion.
    let steady = |frame: &&FrameEvidence| {
        let (Some(trail), Some(drifted)) = (frame.trail, frame.drifted) else {
            return false;
        };
        let (shown, moved) = (trail.length.value.px(), drifted.length().px());
        let alike = AxialAngle::of(drifted).separation(trail.angle).deg() < 20.0;
        moved > 0.5 && (0.6..1.7).contains(&(shown / moved)) && alike
    };
    let n_steady = evidence.frames.iter().filter(steady).count();
    let longest = longest_trail(evidence)?;
    (2 * n_steady > evidence.frames.len()).then_some((longest.value.px(), longest.sigma.px()))
}

/// A shape longer than the motion explains counts beyond this many sigmas: the longest of dozens of
/// frames reaches three by chance.
const SURE_EXCESS: f64 = 4.0;

/// What the shapes show beyond the motion between frames, in the worst frame, where shaking is seen.
///
/// Across the daily motion nothing but shaking makes a trail that does not show between frames;
/// along it, an uneven drive does. Wind blows any way: once it is seen across, what frames show
/// along is as likely its own.
pub(super) fn shake_px(evidence: &Evidence) -> Option<(f64, f64)> {
    evidence.fit.as_ref()?;
    let excess = |frame: &FrameEvidence| {
        let expected = frame.predicted.map(|parts| parts.total).or(frame.drifted)?;
        let across = excess_across(frame, expected)?;
        let whole = frame.trail?.length;
        let (shown, drawn) = (whole.value.px(), expected.length().px());
        // Spreads of light add, and a spread goes with the square of the length.
        let more = (shown * shown - drawn * drawn).max(0.0).sqrt();
        let is_sure = sure(across, shown, drawn) && across.value > LEAST_EXCESS_PX;
        Some((more.max(across.value), whole.sigma.px(), is_sure))
    };
    let all: Vec<_> = evidence.frames.iter().filter_map(excess).collect();
    let largest = |of: &dyn Fn(&(f64, f64, bool)) -> bool| {
        let of = all.iter().copied().filter(|one| of(one));
        of.max_by(|a, b| a.0.total_cmp(&b.0))
    };
    let seen = largest(&|one| one.2)?;
    // Frames that it stretched along the motion by about as much.
    let any = largest(&|one| one.0 < ANY_WAY * seen.0 && one.0 > SURE_EXCESS * one.1);
    let (px, sigma, _) = any.unwrap_or(seen);
    Some((px.max(seen.0), sigma))
}

/// Shaking that reaches so far across the daily motion may reach this many times as far along it.
const ANY_WAY: f64 = 3.0;

/// Whether a length across the motion is more than chance makes of a shape.
///
/// Shapes tell the square of a length, `L^2 / 12`: a length's sigma is `6 / L` of theirs, so that a
/// length of four of its own sigmas is two of theirs from none.
fn sure(across: Measured<f64>, shown: f64, drawn: f64) -> bool {
    let beyond = (shown * shown - drawn * drawn) / (2.0 * shown.max(1e-9));
    let beyond = beyond.min(across.value);
    beyond > SURE_EXCESS * across.sigma
}

/// Whether shaking that is seen across the daily motion accounts for a trail along it.
pub fn is_shaken(evidence: &Evidence, along_px: f64) -> bool {
    shake_px(evidence).is_some_and(|(px, _)| ANY_WAY * px > along_px)
}

fn has_knock(told: &Told<'_>) -> bool {
    told.account.parts.iter().any(|one| one.0 == Part::Knock)
}

fn jump_before_px(evidence: &Evidence) -> Option<(f64, f64)> {
    let (scale, fit) = (evidence.pixel_scale?, evidence.fit.as_ref()?);
    let change = fit.change?;
    let jump = fit.jumps.iter().find(|jump| jump.after == change.after)?;
    Some((jump.size.value / scale, jump.size.sigma / scale))
}

fn jump_px(evidence: &Evidence) -> Option<(f64, f64)> {
    let scale = evidence.pixel_scale?;
    let jumps = evidence.fit.as_ref()?.jumps.iter();
    let sizes = jumps.map(|jump| (jump.size.value / scale, jump.size.sigma / scale));
    sizes.max_by(|a, b| a.0.total_cmp(&b.0))
}

fn fat_px(evidence: &Evidence, tolerance_px: f64) -> Option<(f64, f64)> {
    let widths = evidence.frames.iter().filter_map(|frame| frame.fwhm);
    let narrowest = widths.min_by(|a, b| a.value.px().total_cmp(&b.value.px()))?;
    let longest = longest_trail(evidence)?;
    let round = longest.value.px() < tolerance_px.max(0.67 * narrowest.value.px());
    (narrowest.value.px() > FAT_PX && round).then_some((narrowest.value.px(), narrowest.sigma.px()))
}

/// The radial pattern of the shapes that no turn of the field accounts for: the middle one of the
/// frames, because a lens does the same at every exposure.
fn lens_px(evidence: &Evidence) -> Option<(f64, f64)> {
    let of = |frame: &FrameEvidence| {
        let lens = frame.lens?;
        let turned = match lens.stretch {
            Stretch::Around if !lens.turn_told => frame.corner_trail.map_or(0.0, Pixels::px),
            Stretch::Around | Stretch::Outwards => 0.0,
        };
        let (shown, sigma) = (lens.corner.value.px(), lens.corner.sigma.px());
        // Elongations go with the square of the length.
        let own = (shown * shown - turned * turned).max(0.0).sqrt();
        Some((own, sigma))
    };
    let mut patterns: Vec<(f64, f64)> = evidence.frames.iter().filter_map(of).collect();
    patterns.sort_by(|a, b| a.0.total_cmp(&b.0));
    let middle = patterns.get(patterns.len() / 2).copied();
    // In fewer than half of the frames it is no property of the lens.
    middle.filter(|(px, sigma)| *px > 3.0 * sigma && 2 * patterns.len() > evidence.frames.len())
}
