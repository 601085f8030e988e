//! Findings into the report's own types.

use jiff::Timestamp;

use super::alignment::{Examined, Part};
use super::assumed::{assumptions, counted};
use super::clock_by_air::{clock_of_night, clock_warning};
use super::clock_doubts::clock_doubts;
use super::facts::NightFacts;
use super::gather::MeasuredFrame;
use crate::diagnosis::{Cause, Standstill, Verdict};
use crate::error::{Warned, Warning};
use crate::identify::Plate;
use crate::identify::pointing::center_motion;
use crate::mount::drive::{DriveRecord, DriveResidual};
use crate::mount::model::{error_of_axis, northern_end};
use crate::mount::predict::Exposure;
use crate::report::elongation::elongations;
use crate::report::{
    AlignmentReport, AxisReport, AxisWithoutSite, CauseShare, CenterReport, CenterSource,
    DriftReport, DrivePoint, DriveReport, FramePictures, FrameReport, LongestExposure, NightReport,
    PeriodicReport, PoleReport, StandstillReport, StepReport,
};
use crate::sky::{pole_star_place, position_angle};
use crate::units::{Angle, Measured, PixelVector, Pixels, Seconds};

/// The night's report with its warnings. `n_ignored` counts files that are no pictures.
pub fn assemble(
    n_ignored: usize,
    facts: &NightFacts,
    examined: &[Examined],
) -> Warned<NightReport> {
    let mut warnings: Vec<Warning> = Vec::new();
    let mut keep = |warning: Warning| {
        if !warnings.contains(&warning) {
            warnings.push(warning);
        }
    };
    for alignment in examined {
        let warnings = alignment
            .gathered
            .warnings
            .iter()
            .chain(&alignment.warnings);
        warnings.cloned().for_each(&mut keep);
    }
    if n_ignored > 0 {
        keep(Warning::new(format!(
            "{} in the folder ignored",
            counted(n_ignored, "other file")
        )));
    }
    let by_air = clock_of_night(facts, examined);
    clock_warning(by_air, examined)
        .into_iter()
        .chain(clock_doubts(facts, examined))
        .for_each(&mut keep);
    let alignments: Vec<_> = examined
        .iter()
        .flat_map(|alignment| {
            let report = |part| alignment_report(alignment, part, facts);
            alignment.parts.iter().map(report)
        })
        .collect();
    let value = NightReport {
        answer: answer(&alignments),
        site: facts.site,
        frames: examined
            .iter()
            .flat_map(|alignment| frame_reports(alignment, facts))
            .collect(),
        alignments,
        assumptions: assumptions(facts, examined, by_air),
        pole: pole_report(facts, examined),
    };
    Warned { value, warnings }
}

/// The last alignment is how the tracker stands now: its headline answers.
fn answer(alignments: &[AlignmentReport]) -> String {
    let measured = alignments
        .iter()
        .rev()
        .find(|alignment| alignment.n_frames > 0);
    match measured {
        Some(last) if alignments.len() > 1 => format!("{}: {}", last.name, last.headline),
        Some(last) => last.headline.clone(),
        None => "Cannot tell: no frame could be used.".to_owned(),
    }
}

fn frame_reports(alignment: &Examined, facts: &NightFacts) -> Vec<FrameReport> {
    let name = &alignment.gathered.name;
    let mut reports: Vec<_> = alignment
        .gathered
        .frames
        .iter()
        .enumerate()
        .map(|(idx, frame)| frame_report(alignment, facts, idx, frame))
        .collect();
    let aside = alignment.gathered.set_aside.iter();
    reports.extend(aside.map(|frame| FrameReport::set_aside(&frame.file, name, &frame.reason)));
    reports
}

fn frame_report(
    alignment: &Examined,
    facts: &NightFacts,
    idx: usize,
    frame: &MeasuredFrame,
) -> FrameReport {
    let field = &frame.field;
    let mut parts = alignment.parts.iter();
    let joined = parts.find_map(|part| part.evidence.joined(idx));
    FrameReport {
        file: frame.file.clone(),
        alignment: alignment.part_name(idx).to_owned(),
        pointing: alignment
            .pointings
            .iter()
            .position(|pointing| pointing.frames.contains(&idx)),
        skipped_because: None,
        start: frame.header.start,
        exposure: frame.header.exposure,
        focal_length: frame.header.optics.focal_length,
        pixel_scale: pixel_scale(alignment, facts, idx, frame),
        n_stars: field.stars.len(),
        n_identified: alignment.plates.plates[idx]
            .as_ref()
            .map_or(0, |plate| plate.matches.len()),
        fwhm: field.fwhm,
        trail: joined.or(field.trail),
        trail_by_shapes: field.trail,
        drift: drift_report(alignment, facts, idx, frame),
        own_motion: alignment
            .parts
            .iter()
            .find_map(|part| part.evidence.own_motion(idx)),
        center: center_report(alignment, facts, idx, frame),
        verdict: verdict(frame),
        pictures: Some(pictures(frame)),
    }
}

/// Angle of one pixel on the sky as it is seen: by the frame's own stars, else by a lens that other
/// frames or the tags tell.
fn pixel_scale(
    alignment: &Examined,
    facts: &NightFacts,
    idx: usize,
    frame: &MeasuredFrame,
) -> Option<Angle> {
    match &alignment.plates.plates[idx] {
        Some(plate) => Some(facts.seen_pixel_scale(&frame.header, plate).value),
        None => alignment.plates.lenses[idx].map(|lens| lens.pixel_scale()),
    }
}

/// How the stars of a frame look.
pub(super) fn verdict(frame: &MeasuredFrame) -> Verdict {
    let (Some(trail), Some(fwhm)) = (frame.field.trail, frame.field.fwhm) else {
        return Verdict::Unmeasured;
    };
    // Moments: a segment of length L adds L^2 / 12 to sigma^2 = FWHM^2 / (8 ln 2).
    let width = fwhm.value.px().powi(2) / (8.0 * std::f64::consts::LN_2);
    Verdict::of_axis_ratio(((width + trail.length.value.px().powi(2) / 12.0) / width).sqrt())
}

fn drift_report(
    alignment: &Examined,
    facts: &NightFacts,
    idx: usize,
    frame: &MeasuredFrame,
) -> Option<DriftReport> {
    let pointing = alignment
        .pointings
        .iter()
        .find(|pointing| pointing.frames.contains(&idx))?;
    let at = pointing
        .frames
        .iter()
        .position(|&frame| frame == idx)?
        .checked_sub(1)?;
    let (vector, sigma) = center_motion(
        &pointing.links[at],
        &frame.field,
        alignment.plates.lenses[idx].as_ref()?,
    )?;
    let before = alignment.mids[pointing.frames[at]]?;
    Some(DriftReport {
        vector,
        sigma: Pixels::new(sigma),
        interval: alignment.mids[idx]? - before,
        by_axis: motion_by_axis(alignment, facts, idx, alignment.mids[idx]? - before),
    })
}

/// How the fitted axis moves the stars at a frame's centre in some time, with an even drive.
fn motion_by_axis(
    alignment: &Examined,
    facts: &NightFacts,
    idx: usize,
    interval: Seconds,
) -> Option<PixelVector> {
    let part = alignment.parts.iter().find(|part| part.has(idx))?;
    let axis = part
        .evidence
        .axis()
        .filter(|_| part.evidence.adrift.is_none())?;
    let exposure = Exposure {
        lens: alignment.plates.lenses[idx].as_ref()?,
        attitude: alignment.attitudes[idx]?,
        length: interval,
    };
    let center = alignment.gathered.frames[idx].field.center();
    facts.with_ground(|ground| {
        let north = northern_end(axis.direction, ground.hemisphere());
        exposure.trail(ground, north, 1.0, center)
    })?
}

/// What the stars of a frame look like.
pub(super) fn pictures(frame: &MeasuredFrame) -> FramePictures {
    FramePictures {
        size: (frame.field.width, frame.field.height),
        stacked: frame.stacked.clone(),
        elongations: elongations(&frame.field),
    }
}

/// The sky about the pole at the end of the last frame.
fn pole_report(facts: &NightFacts, examined: &[Examined]) -> Option<PoleReport> {
    let frames = examined
        .iter()
        .flat_map(|alignment| &alignment.gathered.frames);
    let last = frames.max_by_key(|frame| frame.header.start);
    let sky = last.and_then(|frame| facts.sky_at_mid_exposure(&frame.header));
    facts.with_ground(|ground| {
        let altitude = ground.refracted_pole.az_alt().1;
        PoleReport {
            at: sky.map(|sky| sky.utc()),
            hemisphere: ground.hemisphere(),
            altitude,
            lift: altitude - ground.true_pole.az_alt().1,
            star: sky.map(|sky| {
                let place = pole_star_place(&sky);
                (place.star, place.about_pole)
            }),
        }
    })
}

fn center_report(
    alignment: &Examined,
    facts: &NightFacts,
    idx: usize,
    frame: &MeasuredFrame,
) -> Option<CenterReport> {
    match &alignment.plates.plates[idx] {
        Some(plate) => Some(center_by_stars(plate, facts, frame)),
        None => center_by_attitude(alignment, facts, idx, frame),
    }
}

/// Where a frame's identified stars say that it looks.
pub(super) fn center_by_stars(
    plate: &Plate,
    facts: &NightFacts,
    frame: &MeasuredFrame,
) -> CenterReport {
    let icrs = plate.center();
    let (ra, dec) = icrs.ra_dec();
    let sky = facts.sky_at_mid_exposure(&frame.header);
    CenterReport {
        ra: Some(ra),
        dec,
        hour_angle: sky.map(|sky| sky.hour_angle_declination(icrs).0),
        horizon: sky.map(|sky| sky.observed(icrs)),
        up_position_angle: plate.up_position_angle(),
        source: CenterSource::Stars,
    }
}

/// From the attitude that another frame of the pointing, or a hint, gave.
fn center_by_attitude(
    alignment: &Examined,
    facts: &NightFacts,
    idx: usize,
    frame: &MeasuredFrame,
) -> Option<CenterReport> {
    let attitude = alignment.attitudes[idx]?;
    let lens = alignment.plates.lenses[idx]?;
    let pointing = alignment
        .pointings
        .iter()
        .position(|pointing| pointing.frames.contains(&idx))?;
    let source = alignment.aims[pointing]?.source;
    let sky = facts.sky_at_mid_exposure(&frame.header)?;
    let center = frame.field.center();
    let above = crate::units::PixelPoint::new(center.x, center.y - 10.0);
    let horizon = attitude.apply(lens.direction(center));
    let icrs = sky.to_icrs(horizon);
    let (ra, dec) = icrs.ra_dec();
    let up = sky.to_icrs(attitude.apply(lens.direction(above)));
    Some(CenterReport {
        ra: Some(ra),
        dec,
        hour_angle: Some(sky.hour_angle_declination(icrs).0),
        horizon: Some(horizon),
        up_position_angle: position_angle(icrs, up),
        source,
    })
}

fn alignment_report(alignment: &Examined, part: &Part, facts: &NightFacts) -> AlignmentReport {
    let advice = &part.advice;
    AlignmentReport {
        name: part.name.clone(),
        n_frames: part.evidence.frames.len(),
        n_pointings: part.n_pointings(),
        axis: axis_report(part, facts),
        axis_without_site: axis_without_site(alignment, part),
        drive: drive_of(alignment, part),
        cause: part.finding.cause,
        cause_confidence: part.finding.confidence,
        causes: cause_shares(part),
        decision: advice.decision,
        correction: advice.correction,
        longest_exposure: LongestExposure {
            now: part.limits.now,
            after_correction: part.limits.after_correction,
        },
        pole_star: advice.pole_star,
        outlook: part.outlook.clone(),
        shortening: part.shortening,
        next_frames: advice.next_frames.clone(),
        headline: advice.headline.clone(),
        reasons: advice.reasons.clone(),
        todo: advice.todo.clone(),
    }
}

fn axis_report(part: &Part, facts: &NightFacts) -> Option<AxisReport> {
    if part.finding.cause == Cause::Unknown || part.evidence.adrift.is_some() {
        // Frames too poor to call a cause are too poor for an axis; and sides need a horizon.
        return None;
    }
    let axis = part.evidence.axis()?;
    let (altitude_error, azimuth_error, correlation) = axis.parts();
    let against_true =
        facts.with_ground(|ground| error_of_axis(axis.direction, ground.true_pole))?;
    Some(AxisReport {
        altitude_error,
        azimuth_error,
        correlation,
        mirror_ambiguous: axis.mirror_ambiguous,
        mirror: part.evidence.lone.as_ref().and_then(|lone| lone.mirror),
        true_pole_altitude_error: against_true.up,
        true_pole_azimuth_error: against_true.east,
    })
}

fn axis_without_site(alignment: &Examined, part: &Part) -> Option<AxisWithoutSite> {
    if part.finding.cause == Cause::Unknown {
        return None;
    }
    let axis = part.evidence.axis_beside_field()?;
    Some(AxisWithoutSite {
        total: axis.total,
        hour_angle_from_field: axis.hour_angle,
        field: alignment.gathered.frames[axis.frame].file.clone(),
        by_direction: axis.told,
    })
}

/// From the fit; without one, a camera that stands still shows by the sky's turn alone.
fn drive_of(alignment: &Examined, part: &Part) -> Option<DriveReport> {
    if let Some(record) = part.fit().and_then(|fit| fit.drive.as_ref()) {
        return Some(drive_report(alignment, part, record));
    }
    let rate = part.evidence.sky_rate?;
    let stands = part.finding.cause == Cause::DriveStopped;
    stands.then(|| DriveReport {
        rate_ratio: Measured::new(1.0 - rate.value, rate.sigma),
        periodic: None,
        step: None,
        standstills: Vec::new(),
        record: Vec::new(),
    })
}

fn drive_report(alignment: &Examined, part: &Part, record: &DriveRecord) -> DriveReport {
    let frames = &alignment.gathered.frames;
    let file = |frame: usize| frames[frame].file.clone();
    let standstill = |standstill: &Standstill| StandstillReport {
        file: file(standstill.frames[0]),
        duration: standstill.duration,
        slack: standstill.slack(),
    };
    DriveReport {
        rate_ratio: record.rate_ratio,
        periodic: record.periodic.map(|swing| PeriodicReport {
            amplitude: swing.amplitude,
            period: swing.period,
            watched: swing.watched,
        }),
        step: record.step.map(|step| StepReport {
            before: file(step.before),
            after: file(step.after),
            at: instant_between(&frames[step.before], &frames[step.after]),
            size: step.size,
        }),
        standstills: part.evidence.standstills.iter().map(standstill).collect(),
        record: drive_points(record, file),
    }
}

/// The residuals of the record, timed from its first frame.
fn drive_points(record: &DriveRecord, file: impl Fn(usize) -> String) -> Vec<DrivePoint> {
    let first = record.residuals.iter().map(|residual| residual.mid);
    let first = first.reduce(Seconds::min).unwrap_or_default();
    let point = |residual: &DriveResidual| DrivePoint {
        file: file(residual.frame),
        after: residual.mid - first,
        ahead: residual.ahead,
    };
    record.residuals.iter().map(point).collect()
}

/// The middle between the end of one exposure and the start of another, to the second.
fn instant_between(before: &MeasuredFrame, after: &MeasuredFrame) -> Option<Timestamp> {
    let exposure = before.header.exposure.unwrap_or_default();
    let (first, last) = (before.header.start?, after.header.start?);
    let first = first.as_second() as f64 + exposure.s();
    Timestamp::from_second((0.5 * (first + last.as_second() as f64)).round() as i64).ok()
}

fn cause_shares(part: &Part) -> Vec<CauseShare> {
    let shares = &part.finding.shares;
    // A bump shows between frames, focus is no trail and a lens stretches the corners: none of them
    // is a share of the trail at the centre.
    let counts = |cause: Cause| !matches!(cause, Cause::Bump | Cause::Focus | Cause::Lens);
    let trails = shares
        .iter()
        .filter(|share| counts(share.cause))
        .map(|share| share.trail.value.px());
    let whole: f64 = trails.sum();
    shares
        .iter()
        .map(|share| CauseShare {
            cause: share.cause,
            trail: share.trail.value,
            share: if counts(share.cause) && whole > 0.0 {
                share.trail.value.px() / whole
            } else {
                0.0
            },
            confidence: share.confidence,
        })
        .collect()
}
