//! Nights of one cause each: drawn at random, the cause scaled to a strength, others beside it.

#![allow(dead_code)] // The program and the test use their own parts.

use stillpoint::diagnosis::Cause;
use stillpoint::error::Error;
use stillpoint::simulate::{Bump, Periodic, Rate, Sag, Scenario, Shake, Slip};

use super::cause_truth::{CORNER_SHARE, Doings, FAT_PX, ROUND_SHARE};
use super::draw::{Dice, Night, draw_any, draw_pointings};

/// The thirteen causes that a night can have: all but the last, `unknown`.
pub const CAUSES: &[Cause] = Cause::ALL.split_last().expect("a list of causes").1;

/// Lens and sensor leave stars this uneven, as a share of their second moment: what the program
/// allows for.
const UNEVENNESS: f64 = 0.01;
/// Strengths of the cause that a night is drawn for, against what it must exceed to be one.
const STRENGTHS: (f64, f64) = (0.8, 12.0);
/// Longest trails that stars are found in, pixels.
const LONGEST_PX: f64 = 400.0;
/// Most clean stars of a frame.
const STARS: (f64, f64) = (30.0, 150.0);
/// Skies, cameras and exposures tried until one shows the cause as strongly as wanted.
const MOST_TRIES: u64 = 30;
/// Strengths of other causes, against the night's own.
const BESIDE: (f64, f64) = (0.02, 0.7);
/// The same in nights whose trails must stay within tolerance, against that.
const WITHIN: (f64, f64) = (0.02, 0.7);

/// A night and what was wrong with it.
pub struct CauseNight {
    /// The night; its star lists come from [`Night::scenario`].
    pub night: Night,
    /// The cause that it was drawn for.
    pub drawn_for: Cause,
    /// What each cause does.
    pub doings: Doings,
    /// Frames that wind spared.
    pub calm_frames: Vec<usize>,
}

/// The night of a number for a cause.
///
/// # Errors
/// Where the sky cannot be worked out for the date.
pub fn draw_for(seed: u64, cause: Cause, number: u64) -> Result<CauseNight, Error> {
    let stream = ((FIRST + cause as u64) << 32) | number;
    let mut tries = 0..MOST_TRIES;
    let (mut dice, mut night, own) = loop {
        let last = tries.next();
        let stream = stream | (last.unwrap_or(MOST_TRIES) << 48);
        let mut night = draw_any(seed, number, stream);
        night.listing.unevenness = UNEVENNESS;
        let mut dice = Dice::of(seed, !stream);
        night.listing.most_stars = Some(dice.log_between(STARS.0, STARS.1) as usize);
        // The brightest stars are as good as any other: nothing saturates.
        night.scenario.camera.full_well_e = 1e9;
        draw_frames(&mut dice, cause, &mut night);
        strip(&mut night.scenario);
        let limit = limit_px(cause, &night.scenario);
        let wanted = limit * dice.log_between(STRENGTHS.0, STRENGTHS.1);
        let own = put_own(&mut dice, cause, wanted, &mut night.scenario)?;
        // A short exposure with a wide lens shows nothing of some causes however large they are.
        let reached = own > 0.7 * wanted || cause == Cause::Aligned;
        let reached = reached && own < LONGEST_PX;
        if reached || last.is_none() {
            break (dice, night, own);
        }
    };
    let tolerance = ROUND_SHARE * night.scenario.lens.fwhm_px;
    let most = match cause {
        Cause::Aligned | Cause::Bump | Cause::Lens | Cause::Focus => WITHIN.1 * tolerance,
        _ => BESIDE.1 * own,
    };
    put_others(&mut dice, cause, most, &mut night.scenario)?;
    let doings = Doings::of(&night.scenario)?;
    let n_frames = n_frames(&night.scenario);
    // Gusts spare some frames, never all.
    let spared = (1..n_frames).filter(|_| dice.chance(0.4)).collect();
    let gusty = cause == Cause::Shake && n_frames > 2 && dice.chance(0.6);
    Ok(CauseNight {
        calm_frames: if gusty { spared } else { Vec::new() },
        night,
        drawn_for: cause,
        doings,
    })
}

/// What a cause must exceed, pixels.
fn limit_px(cause: Cause, scenario: &Scenario) -> f64 {
    let tolerance = ROUND_SHARE * scenario.lens.fwhm_px;
    match cause {
        Cause::Lens => CORNER_SHARE * tolerance,
        _ => tolerance,
    }
}

/// Streams of these nights are far from those of the recovery study.
const FIRST: u64 = 1 << 8;

fn n_frames(scenario: &Scenario) -> usize {
    let pointings = scenario.alignments[0].pointings.iter();
    pointings.map(|pointing| pointing.frames).sum()
}

/// As many frames as tell such a cause, and more.
fn draw_frames(dice: &mut Dice, cause: Cause, night: &mut Night) {
    night.looks.clear();
    let latitude = night.scenario.site.latitude_deg;
    let pointings = draw_pointings(dice, latitude, &mut night.looks);
    let alignment = &mut night.scenario.alignments[0];
    alignment.pointings = pointings;
    for pointing in &mut alignment.pointings {
        pointing.frames = match cause {
            // A step wants quiet frames on either side of it, a swing and a creep a curve.
            Cause::Slip | Cause::Sag => dice.pick(&[4, 5, 5, 6, 6, 8, 10]),
            Cause::DrivePeriodic => dice.pick(&[3, 4, 5, 6, 6, 8, 10]),
            Cause::Bump => dice.pick(&[3, 4, 4, 5, 6]),
            Cause::Focus | Cause::Lens => dice.pick(&[2, 3, 3, 4]),
            _ => dice.pick(&[2, 3, 3, 4, 5, 6]),
        };
    }
    alignment.pointings.truncate(2);
    night.looks.truncate(2);
}

/// A perfect tracker and lens; the lens keeps its distortion.
fn strip(scenario: &mut Scenario) {
    *scenario = super::truth::without_all(scenario);
    scenario.lens.astigmatism_px = 0.0;
    scenario.lens.coma_px = 0.0;
}

/// Puts the night's own cause at about the wanted strength; gives the strength that it has.
fn put_own(
    dice: &mut Dice,
    cause: Cause,
    wanted: f64,
    scenario: &mut Scenario,
) -> Result<f64, Error> {
    match cause {
        Cause::Aligned => return Ok(0.0),
        Cause::DriveStopped => scenario.alignments[0].drive.rate = Rate::Off,
        Cause::DriveReversed => scenario.alignments[0].drive.rate = Rate::Reverse,
        Cause::DriveRate if dice.chance(0.4) => {
            let rate = dice.pick(&[Rate::Solar, Rate::Lunar, Rate::Half]);
            scenario.alignments[0].drive.rate = rate;
        }
        Cause::Focus => {
            // Any width from just soft to doughnuts.
            let width = dice.log_between(0.7 * FAT_PX, 3.0 * FAT_PX);
            let round = scenario.lens.fwhm_px;
            let added = (width * width - round * round).max(0.0);
            scenario.lens.defocus_px = (added * 16.0 / (8.0 * std::f64::consts::LN_2)).sqrt();
        }
        _ => put_scaled(dice, cause, wanted, scenario)?,
    }
    Ok(Doings::of(scenario)?.of_cause(cause))
}

/// Puts a cause of a usual size and brings it to a strength, as far as such a thing may go.
fn put_scaled(
    dice: &mut Dice,
    cause: Cause,
    wanted: f64,
    scenario: &mut Scenario,
) -> Result<(), Error> {
    // By itself, where it goes in proportion.
    let mut alone = scenario.clone();
    strip(&mut alone);
    put_usual(dice, cause, &mut alone);
    let has = Doings::of(&alone)?.of_cause(cause);
    if has > 1e-6 {
        scale(cause, wanted / has, &mut alone);
    }
    adopt(cause, &alone, scenario);
    Ok(())
}

/// Copies one cause.
fn adopt(cause: Cause, from: &Scenario, to: &mut Scenario) {
    let (one, all) = (&from.alignments[0], &mut to.alignments[0]);
    match cause {
        Cause::Axis => all.axis = one.axis,
        Cause::DriveRate => all.drive.rate = one.drive.rate,
        Cause::DrivePeriodic => all.drive.periodic = one.drive.periodic.clone(),
        Cause::DriveBacklash => all.drive.backlash_s = one.drive.backlash_s,
        Cause::Slip => all.drive.slip = one.drive.slip.clone(),
        Cause::Sag => all.sag = one.sag,
        Cause::Shake => all.shake = one.shake,
        Cause::Bump => all.bumps = one.bumps.clone(),
        Cause::Lens => {
            to.lens.astigmatism_px = from.lens.astigmatism_px;
            to.lens.coma_px = from.lens.coma_px;
        }
        _ => {}
    }
}

fn put_usual(dice: &mut Dice, cause: Cause, scenario: &mut Scenario) {
    let (first, span) = (
        scenario.alignments[0].pointings[0].clone(),
        span_s(scenario),
    );
    let alignment = &mut scenario.alignments[0];
    match cause {
        Cause::Axis => {
            let towards = dice.between(0.0, std::f64::consts::TAU);
            alignment.axis.altitude_error_arcmin = 30.0 * towards.cos();
            alignment.axis.azimuth_error_arcmin = 30.0 * towards.sin();
        }
        Cause::DriveRate => {
            let off = 1.0 + dice.sign() * 0.003;
            alignment.drive.rate = Rate::Ratio(off);
        }
        Cause::DrivePeriodic => alignment.drive.periodic.push(Periodic {
            amplitude_arcsec: 10.0,
            period_s: dice.log_between(120.0, 1000.0),
            phase_deg: dice.between(-180.0, 180.0),
        }),
        Cause::DriveBacklash => alignment.drive.backlash_s = 10.0,
        Cause::Slip => {
            let inside = dice.chance(0.7);
            let second = if inside {
                dice.between(0.1, 0.9) * first.exposure_s
            } else {
                -0.5 * first.gap_s
            };
            alignment.drive.slip.push(Slip {
                frame: within_pointing(dice, &alignment.pointings),
                second,
                arcsec: 30.0 * dice.sign(),
            });
        }
        Cause::Sag => {
            alignment.sag = Some(Sag {
                arcsec: 60.0,
                time_s: span * dice.log_between(0.2, 1.5),
            });
        }
        Cause::Shake => {
            let lasting = dice.chance(0.5);
            let decay = dice.between(0.3, 1.0) * first.exposure_s;
            alignment.shake = Some(Shake {
                arcsec: 10.0,
                frequency_hz: dice.log_between(0.3, 5.0),
                decay_s: (!lasting).then_some(decay),
            });
        }
        Cause::Bump => {
            let towards = dice.between(0.0, std::f64::consts::TAU);
            alignment.bumps.push(Bump {
                frame: within_pointing(dice, &alignment.pointings),
                second: -0.5 * first.gap_s,
                altitude_arcmin: 5.0 * towards.cos(),
                azimuth_arcmin: 5.0 * towards.sin(),
            });
        }
        Cause::Lens => {
            let share = dice.between(0.7, 1.0);
            scenario.lens.astigmatism_px = dice.sign() * share * 3.0;
            scenario.lens.coma_px = (1.0 - share) * 3.0;
        }
        _ => {}
    }
}

/// Any frame but the first of a pointing.
fn within_pointing(dice: &mut Dice, pointings: &[stillpoint::simulate::Pointing]) -> usize {
    let mut first = 0;
    let mut frames = Vec::new();
    for pointing in pointings {
        frames.extend(first + 1..first + pointing.frames);
        first += pointing.frames;
    }
    dice.pick(&frames)
}

/// Time that the longest pointing takes.
fn span_s(scenario: &Scenario) -> f64 {
    let pointings = scenario.alignments[0].pointings.iter();
    let spans = pointings.map(|one| one.frames as f64 * (one.exposure_s + one.gap_s));
    spans.fold(0.0, f64::max)
}

/// Makes a cause larger by a factor, within what such a thing can be.
fn scale(cause: Cause, factor: f64, scenario: &mut Scenario) {
    let alignment = &mut scenario.alignments[0];
    let drive = &mut alignment.drive;
    match cause {
        Cause::Axis => {
            let axis = &mut alignment.axis;
            let total = axis.altitude_error_arcmin.hypot(axis.azimuth_error_arcmin);
            let factor = factor.min(180.0 / total);
            axis.altitude_error_arcmin *= factor;
            axis.azimuth_error_arcmin *= factor;
        }
        Cause::DriveRate => {
            let off = drive.rate.ratio() - 1.0;
            let size = (off.abs() * factor).clamp(7e-4, 0.05);
            drive.rate = Rate::Ratio(1.0 + size.copysign(off));
        }
        Cause::DrivePeriodic => {
            let swing = &mut drive.periodic[0].amplitude_arcsec;
            *swing = (*swing * factor).clamp(0.1, 120.0);
        }
        Cause::DriveBacklash => drive.backlash_s = (drive.backlash_s * factor).clamp(1.0, 90.0),
        Cause::Slip => {
            let step = &mut drive.slip[0].arcsec;
            *step = (step.abs() * factor).clamp(2.0, 1500.0).copysign(*step);
        }
        Cause::Sag => {
            if let Some(sag) = &mut alignment.sag {
                sag.arcsec = (sag.arcsec * factor).min(3000.0);
            }
        }
        Cause::Shake => {
            if let Some(shake) = &mut alignment.shake {
                shake.arcsec = (shake.arcsec * factor).min(600.0);
            }
        }
        Cause::Bump => {
            let bump = &mut alignment.bumps[0];
            let size = bump.altitude_arcmin.hypot(bump.azimuth_arcmin);
            let factor = factor.min(60.0 / size);
            bump.altitude_arcmin *= factor;
            bump.azimuth_arcmin *= factor;
        }
        Cause::Lens => {
            scenario.lens.astigmatism_px *= factor;
            scenario.lens.coma_px *= factor;
        }
        _ => {}
    }
}

/// What every night has a little of, and what some have.
fn put_others(
    dice: &mut Dice,
    own: Cause,
    most_px: f64,
    scenario: &mut Scenario,
) -> Result<(), Error> {
    let tolerance = ROUND_SHARE * scenario.lens.fwhm_px;
    if own != Cause::DriveRate {
        scenario.alignments[0].drive.rate_error_ppm = 80.0 * dice.normal();
    }
    for (cause, chance) in [
        (Cause::Axis, 0.8),
        (Cause::DrivePeriodic, 0.7),
        (Cause::Shake, 0.1),
        (Cause::Lens, 0.6),
    ] {
        // A tracker that stands has no gear at work, and a swing hides a smaller step or rate.
        let idle = cause == Cause::DrivePeriodic && own == Cause::DriveStopped;
        if own == cause || idle || !dice.chance(chance) {
            continue;
        }
        let most = match cause {
            // A fair lens, whatever the tracker does.
            Cause::Lens => tolerance,
            // Nobody goes out in a gale with a gear of wood: all but the own cause is usual.
            _ => most_px.min(4.0 * tolerance),
        };
        let wanted = most * dice.log_between(BESIDE.0 / BESIDE.1, 1.0);
        put_scaled(dice, cause, wanted, scenario)?;
    }
    for swing in &mut scenario.alignments[0].drive.periodic {
        if own != Cause::DrivePeriodic {
            // A gear beside another cause is a usual one.
            swing.amplitude_arcsec = swing.amplitude_arcsec.min(40.0);
        }
    }
    Ok(())
}
