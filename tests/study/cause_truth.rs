//! What each cause does to a night by itself, in pixels, and which of them the answer should name.

#![allow(dead_code)] // The program and the test use their own parts.

use stillpoint::diagnosis::Cause;
use stillpoint::error::Error;
use stillpoint::simulate::{CatalogueStars, FrameTruth, Scenario, Simulation};

use super::truth::{largest_step, without_all};

/// Trail that keeps the axis ratio within 1.10, as a share of the width.
pub const ROUND_SHARE: f64 = 2.0 / 3.0;
/// Corners stretched by this many tolerances look trailed: axis ratio 1.25 (1.10 widths).
pub const CORNER_SHARE: f64 = 1.65;
/// No sharp lens draws stars as wide as this, pixels.
pub const FAT_PX: f64 = 6.0;
/// What is this much larger than the next, or than what it must exceed, is beyond dispute.
const CLEAR: f64 = 1.25;
/// Shares beyond this are asked to be named.
const LARGE_PX: f64 = 1.0;

/// What each cause does.
#[derive(Debug, Clone)]
pub struct Doings {
    /// Pixels, largest first: trails of the worst frame; the step of a bump or of a slip between
    /// frames; the stretch in the corner of a lens; the width of stars out of focus.
    pub px: Vec<(Cause, f64)>,
    /// Width of a still star at the centre, pixels.
    pub width_px: f64,
}

/// Second moments of a uniform segment are a twelfth of its square.
fn segment(moment: f64) -> f64 {
    (12.0 * moment.max(0.0)).sqrt()
}

/// The larger second moment.
fn principal([xx, xy, yy]: [f64; 3]) -> f64 {
    0.5 * (xx + yy) + (0.25 * (xx - yy).powi(2) + xy * xy).sqrt()
}

fn frames(scenario: &Scenario) -> Result<Vec<FrameTruth>, Error> {
    let night = Simulation::new(scenario, &CatalogueStars)?.night_truth()?;
    let all = night.alignments.into_iter();
    Ok(all.flat_map(|one| one.frames).collect())
}

/// The even trail that would spread a star's light as far, in the worst frame: a second of standing
/// in three minutes is a long path that nobody sees.
fn worst_trail(still: &[FrameTruth], moving: &[FrameTruth]) -> f64 {
    let of = |(a, b): (&FrameTruth, &FrameTruth)| {
        let more = principal(b.trail_center.spread_px2) - principal(a.trail_center.spread_px2);
        segment(more)
    };
    still.iter().zip(moving).map(of).fold(0.0, f64::max)
}

/// The drive's fault as the scenario has it: one at most beside a swing.
fn drive_faults(full: &Scenario) -> Vec<(Cause, Scenario)> {
    let drive = &full.alignments[0].drive;
    let with = |change: &dyn Fn(&mut Scenario)| {
        let mut one = without_all(full);
        change(&mut one);
        one
    };
    let mut faults = Vec::new();
    let ratio = drive.rate.ratio() * (1.0 + drive.rate_error_ppm * 1e-6);
    if ratio != 1.0 {
        let cause = match drive.rate.ratio() {
            0.0 => Cause::DriveStopped,
            ratio if ratio < 0.0 => Cause::DriveReversed,
            _ => Cause::DriveRate,
        };
        let rate = |one: &mut Scenario| {
            one.alignments[0].drive.rate = drive.rate;
            one.alignments[0].drive.rate_error_ppm = drive.rate_error_ppm;
        };
        faults.push((cause, with(&rate)));
    }
    if !drive.periodic.is_empty() && drive.rate.ratio() != 0.0 {
        let swing = |one: &mut Scenario| {
            one.alignments[0].drive.periodic = drive.periodic.clone();
        };
        faults.push((Cause::DrivePeriodic, with(&swing)));
    }
    if drive.backlash_s > 0.0 {
        let slack = |one: &mut Scenario| one.alignments[0].drive.backlash_s = drive.backlash_s;
        faults.push((Cause::DriveBacklash, with(&slack)));
    }
    faults
}

impl Doings {
    /// Draws the night again with one cause at a time, and with none.
    ///
    /// # Errors
    /// Where the sky cannot be worked out for the date.
    pub fn of(full: &Scenario) -> Result<Self, Error> {
        let still = frames(&without_all(full))?;
        let alone = |change: &dyn Fn(&mut Scenario)| {
            let mut one = without_all(full);
            change(&mut one);
            frames(&one)
        };
        let alignment = &full.alignments[0];
        let focal_px = full.lens.focal_mm * 1000.0 / full.camera.pitch_um;
        let mut px = Vec::new();
        if alignment.axis.altitude_error_arcmin != 0.0 || alignment.axis.azimuth_error_arcmin != 0.0
        {
            let axis = alone(&|one| one.alignments[0].axis = alignment.axis)?;
            px.push((Cause::Axis, worst_trail(&still, &axis)));
        }
        for (cause, one) in drive_faults(full) {
            px.push((cause, worst_trail(&still, &frames(&one)?)));
        }
        if !alignment.drive.slip.is_empty() {
            let slipped =
                alone(&|one| one.alignments[0].drive.slip = alignment.drive.slip.clone())?;
            let between = focal_px * largest_step(&still, &slipped);
            px.push((Cause::Slip, worst_trail(&still, &slipped).max(between)));
        }
        if alignment.sag.is_some() {
            let sagging = alone(&|one| one.alignments[0].sag = alignment.sag)?;
            px.push((Cause::Sag, worst_trail(&still, &sagging)));
        }
        if alignment.shake.is_some() {
            let shaken = alone(&|one| one.alignments[0].shake = alignment.shake)?;
            px.push((Cause::Shake, worst_trail(&still, &shaken)));
        }
        if !alignment.bumps.is_empty() {
            let bumped = alone(&|one| one.alignments[0].bumps = alignment.bumps.clone())?;
            px.push((Cause::Bump, focal_px * largest_step(&still, &bumped)));
        }
        let lens = &full.lens;
        // A flare whose light falls evenly to nothing has an eighteenth of its square.
        let corner = lens.astigmatism_px.powi(2) / 12.0 + lens.coma_px.powi(2) / 18.0;
        px.push((Cause::Lens, segment(corner)));
        // A Gaussian's moment is the square of its width over 8 ln 2, a disc's d^2 / 16.
        let eight_ln_2 = 8.0 * std::f64::consts::LN_2;
        let width_px = lens
            .fwhm_px
            .hypot(lens.defocus_px * (eight_ln_2 / 16.0).sqrt());
        if lens.defocus_px > 0.0 {
            px.push((Cause::Focus, width_px));
        }
        px.sort_by(|a, b| b.1.total_cmp(&a.1));
        Ok(Self { px, width_px })
    }

    /// Pixels of a cause; none is 0.
    pub fn of_cause(&self, cause: Cause) -> f64 {
        let mut all = self.px.iter();
        all.find(|one| one.0 == cause).map_or(0.0, |one| one.1)
    }

    /// Trail that still counts as round.
    pub fn tolerance_px(&self) -> f64 {
        ROUND_SHARE * self.width_px
    }

    /// What a cause must exceed to be one.
    pub fn limit_px(&self, cause: Cause) -> f64 {
        match cause {
            Cause::Focus => FAT_PX,
            Cause::Lens => CORNER_SHARE * self.tolerance_px(),
            _ => self.tolerance_px(),
        }
    }

    fn trails(&self) -> impl Iterator<Item = (Cause, f64)> {
        let none = |cause: Cause| matches!(cause, Cause::Bump | Cause::Lens | Cause::Focus);
        self.px.iter().copied().filter(move |one| !none(one.0))
    }

    /// The largest trail beyond tolerance; without one a bump, fat stars, or a lens that spoils the
    /// corners; `aligned` where nothing is beyond its limit.
    pub fn dominant(&self) -> Cause {
        let beyond = |(cause, px): &(Cause, f64)| *px > self.limit_px(*cause);
        if let Some((cause, _)) = self.trails().find(|one| beyond(one)) {
            return cause;
        }
        let others = [Cause::Bump, Cause::Focus, Cause::Lens];
        let mut others = others.into_iter();
        let other = others.find(|cause| beyond(&(*cause, self.of_cause(*cause))));
        other.unwrap_or(Cause::Aligned)
    }

    /// Whether the dominant cause is larger than a pixel and beyond dispute: nothing comes near it,
    /// and nothing is near what it must exceed.
    pub fn is_clear(&self) -> bool {
        let dominant = self.dominant();
        let near = |(cause, px): &(Cause, f64)| {
            let limit = self.limit_px(*cause);
            *px > limit / CLEAR && *px < limit * CLEAR
        };
        let limits_apart = match dominant {
            // Small things beside a large trail do not matter.
            Cause::Aligned | Cause::Bump | Cause::Focus | Cause::Lens => !self.px.iter().any(near),
            _ => self.of_cause(dominant) > CLEAR * self.limit_px(dominant),
        };
        let largest = self.of_cause(dominant);
        let mut rivals = self.trails().filter(|one| one.0 != dominant);
        let is_trail = self.trails().any(|one| one.0 == dominant);
        let alone = !is_trail || rivals.all(|one| one.1 * CLEAR < largest);
        let is_large = dominant == Cause::Aligned || largest > LARGE_PX;
        limits_apart && alone && is_large
    }
}
