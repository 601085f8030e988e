//! The JSON contract filled from the night's report.

use crate::advice::PoleStarInstead;
use crate::diagnosis::ToldSides;
use crate::error::Warned;
use crate::mount::observability::Knowledge;
use crate::mount::predict::OwnMotion;
use crate::stars::FrameTrail;
use crate::units::Angle;

use super::super::exposing::{OutlookEntry, ShorteningEntry};
use super::super::{
    AlignmentReport, AxisReport, AxisWithoutSite, CauseShare, CenterReport, Correction,
    DriftReport, DriveReport, FrameReport, NextFrame, NightReport, PeriodicReport, SiteReport,
    StandstillReport, StepReport,
};
use super::{
    AgainstDrift, Alignment, Axis, AxisBesideField, ByDirection, CauseEntry, Center,
    CorrectionEntry, Drift, Drive, Frame, LongestExposure, Mirror, NextFrameEntry, Night, Periodic,
    PoleStarEntry, Program, SCHEMA, Site, Standstill, Step, Trail, TruePole, Weak, arcmin, degrees,
    number, seconds,
};

impl From<&Warned<NightReport>> for Night {
    fn from(report: &Warned<NightReport>) -> Self {
        let night = &report.value;
        Self {
            schema: SCHEMA,
            program: Program::this(),
            answer: night.answer.clone(),
            site: night.site.as_ref().map(Site::from),
            frames: night.frames.iter().map(Frame::from).collect(),
            alignments: night.alignments.iter().map(Alignment::from).collect(),
            assumptions: night.assumptions.clone(),
            warnings: report
                .warnings
                .iter()
                .map(|warning| warning.text.clone())
                .collect(),
        }
    }
}

impl From<&SiteReport> for Site {
    fn from(report: &SiteReport) -> Self {
        Self {
            latitude_deg: degrees(report.site.latitude()),
            longitude_deg: degrees(report.site.longitude()),
            source: report.source.key(),
        }
    }
}

impl From<&FrameReport> for Frame {
    fn from(frame: &FrameReport) -> Self {
        let trail = |trail: &FrameTrail| Trail::new(trail, frame.pixel_scale);
        Self {
            file: frame.file.clone(),
            alignment: frame.alignment.clone(),
            pointing: frame.pointing,
            used: frame.is_used(),
            skipped_because: frame.skipped_because.clone(),
            start_utc: frame.start.map(|start| start.to_string()),
            exposure_s: seconds(frame.exposure),
            focal_length_mm: frame.focal_length.and_then(|length| number(length.mm())),
            pixel_scale_arcsec: frame.pixel_scale.and_then(|scale| number(scale.arcsec())),
            stars: frame.n_stars,
            identified_stars: frame.n_identified,
            fwhm_px: frame.fwhm.and_then(|fwhm| number(fwhm.value.px())),
            fwhm_sigma_px: frame.fwhm.and_then(|fwhm| number(fwhm.sigma.px())),
            trail: frame.trail.as_ref().map(trail),
            trail_by_shapes: frame.trail_by_shapes.as_ref().map(trail),
            drift: frame.drift.as_ref().map(Drift::from),
            against_drift: frame.own_motion.as_ref().map(AgainstDrift::from),
            center: frame.center.as_ref().map(Center::from),
            verdict: frame.verdict.key(),
        }
    }
}

impl Trail {
    fn new(trail: &FrameTrail, pixel_scale: Option<Angle>) -> Self {
        let length_px = trail.length.value.px();
        let covariance = trail.covariance;
        // An angle just below a half turn rounds up to it, which the interval excludes.
        let angle = degrees(trail.angle.angle()).map(|deg| if deg < 180.0 { deg } else { 0.0 });
        Self {
            length_px: number(length_px),
            length_sigma_px: number(trail.length.sigma.px()),
            angle_deg: angle,
            angle_sigma_deg: degrees(trail.angle_sigma),
            length_arcsec: pixel_scale.and_then(|scale| number(length_px * scale.arcsec())),
            covariance_px2: [covariance.xx, covariance.xy, covariance.yy].map(number),
        }
    }
}

impl From<&DriftReport> for Drift {
    fn from(drift: &DriftReport) -> Self {
        Self {
            dx_px: number(drift.vector.dx),
            dy_px: number(drift.vector.dy),
            sigma_px: number(drift.sigma.px()),
            interval_s: number(drift.interval.s()),
        }
    }
}

impl From<&OwnMotion> for AgainstDrift {
    fn from(own: &OwnMotion) -> Self {
        Self {
            along_px: number(own.along.value.px()),
            along_sigma_px: number(own.along.sigma.px()),
            across_px: number(own.across.value.px()),
            across_sigma_px: number(own.across.sigma.px()),
        }
    }
}

impl From<&CenterReport> for Center {
    fn from(center: &CenterReport) -> Self {
        let azimuth_altitude = center.horizon.map(|direction| direction.az_alt());
        Self {
            ra_deg: center.ra.and_then(degrees),
            dec_deg: degrees(center.dec),
            hour_angle_deg: center.hour_angle.and_then(degrees),
            altitude_deg: azimuth_altitude.and_then(|(_, altitude)| degrees(altitude)),
            azimuth_deg: azimuth_altitude.and_then(|(azimuth, _)| degrees(azimuth)),
            up_position_angle_deg: degrees(center.up_position_angle),
            source: center.source.key(),
        }
    }
}

impl From<&AlignmentReport> for Alignment {
    fn from(alignment: &AlignmentReport) -> Self {
        Self {
            name: alignment.name.clone(),
            frames: alignment.n_frames,
            pointings: alignment.n_pointings,
            axis: alignment.axis.as_ref().map(Axis::from),
            axis_without_site: alignment
                .axis_without_site
                .as_ref()
                .map(AxisBesideField::from),
            drive: alignment.drive.as_ref().map(Drive::from),
            cause: alignment.cause.key(),
            cause_confidence: alignment.cause_confidence.and_then(number),
            causes: alignment.causes.iter().map(CauseEntry::from).collect(),
            decision: alignment.decision.key(),
            correction: alignment.correction.as_ref().map(CorrectionEntry::from),
            longest_exposure_s: LongestExposure {
                now: seconds(alignment.longest_exposure.now),
                after_correction: seconds(alignment.longest_exposure.after_correction),
            },
            exposure_outlook: alignment.outlook.as_ref().map(OutlookEntry::from),
            shortening: alignment.shortening.as_ref().map(ShorteningEntry::from),
            pole_star: alignment.pole_star.as_ref().map(PoleStarEntry::from),
            next_frames: alignment
                .next_frames
                .iter()
                .map(NextFrameEntry::from)
                .collect(),
            headline: alignment.headline.clone(),
            reasons: alignment.reasons.clone(),
            todo: alignment.todo.clone(),
        }
    }
}

impl From<&AxisReport> for Axis {
    fn from(axis: &AxisReport) -> Self {
        let total = axis.total();
        Self {
            altitude_error_arcmin: arcmin(axis.altitude_error.value),
            altitude_sigma_arcmin: arcmin(axis.altitude_error.sigma),
            azimuth_error_arcmin: arcmin(axis.azimuth_error.value),
            azimuth_sigma_arcmin: arcmin(axis.azimuth_error.sigma),
            correlation: number(axis.correlation),
            total_arcmin: arcmin(total.value),
            total_sigma_arcmin: arcmin(total.sigma),
            mirror_ambiguous: axis.mirror_ambiguous,
            mirror: axis.mirror.map(|error| Mirror {
                altitude_error_arcmin: arcmin(error.up),
                azimuth_error_arcmin: arcmin(error.east),
            }),
            weak: Weak::from(&axis.knowledge()),
            true_pole: TruePole {
                altitude_error_arcmin: arcmin(axis.true_pole_altitude_error),
                azimuth_error_arcmin: arcmin(axis.true_pole_azimuth_error),
            },
        }
    }
}

impl From<&Knowledge> for Weak {
    fn from(known: &Knowledge) -> Self {
        let angle = known
            .weak
            .y
            .atan2(known.weak.x)
            .to_degrees()
            .rem_euclid(180.0);
        Self {
            direction: known.line().key(),
            angle_deg: number(angle).map(|deg| if deg < 180.0 { deg } else { 0.0 }),
            sigma_arcmin: arcmin(known.weak_sigma),
            across_sigma_arcmin: arcmin(known.strong_sigma),
        }
    }
}

impl From<&AxisWithoutSite> for AxisBesideField {
    fn from(axis: &AxisWithoutSite) -> Self {
        Self {
            total_arcmin: arcmin(axis.total.value),
            total_sigma_arcmin: arcmin(axis.total.sigma),
            hour_angle_from_field_deg: degrees(axis.hour_angle_from_field.value),
            hour_angle_from_field_sigma_deg: degrees(axis.hour_angle_from_field.sigma),
            field_file: axis.field.clone(),
            by_direction: axis.by_direction.as_ref().map(ByDirection::from),
        }
    }
}

impl From<&ToldSides> for ByDirection {
    fn from(told: &ToldSides) -> Self {
        Self {
            altitude_error_arcmin: told.sure_up().map(|part| arcmin(part.value)),
            altitude_error_sigma_arcmin: arcmin(told.up.sigma),
            azimuth_error_arcmin: told.sure_east().map(|part| arcmin(part.value)),
            azimuth_error_sigma_arcmin: arcmin(told.east.sigma),
            latitude_deg: degrees(told.latitude.value),
            latitude_sigma_deg: degrees(told.latitude.sigma),
        }
    }
}

impl From<&DriveReport> for Drive {
    fn from(drive: &DriveReport) -> Self {
        Self {
            rate_ratio: number(drive.rate_ratio.value),
            rate_ratio_sigma: number(drive.rate_ratio.sigma),
            periodic: drive.periodic.as_ref().map(Periodic::from),
            step: drive.step.as_ref().map(Step::from),
            standstills: drive.standstills.iter().map(Standstill::from).collect(),
        }
    }
}

impl From<&PeriodicReport> for Periodic {
    fn from(periodic: &PeriodicReport) -> Self {
        Self {
            amplitude_arcsec: number(periodic.amplitude.value.arcsec()),
            period_s: seconds(periodic.period.map(|period| period.value)),
            amplitude_sigma_arcsec: number(periodic.amplitude.sigma.arcsec()),
            period_sigma_s: seconds(periodic.period.map(|period| period.sigma)),
            watched_s: number(periodic.watched.s()),
        }
    }
}

impl From<&StepReport> for Step {
    fn from(step: &StepReport) -> Self {
        Self {
            before: step.before.clone(),
            after: step.after.clone(),
            at_utc: step.at.map(|at| at.to_string()),
            size_arcsec: number(step.size.value.arcsec()),
            size_sigma_arcsec: number(step.size.sigma.arcsec()),
        }
    }
}

impl From<&StandstillReport> for Standstill {
    fn from(standstill: &StandstillReport) -> Self {
        Self {
            file: standstill.file.clone(),
            duration_s: number(standstill.duration.value.s()),
            duration_sigma_s: number(standstill.duration.sigma.s()),
            slack_arcsec: number(standstill.slack.value.arcsec()),
        }
    }
}

impl From<&CauseShare> for CauseEntry {
    fn from(share: &CauseShare) -> Self {
        Self {
            cause: share.cause.key(),
            trail_px: number(share.trail.px()),
            share: number(share.share),
            confidence: number(share.confidence),
        }
    }
}

impl From<&Correction> for CorrectionEntry {
    fn from(correction: &Correction) -> Self {
        Self {
            raise_arcmin: arcmin(correction.raise),
            east_arcmin_on_sky: arcmin(correction.east_on_sky),
            east_deg_horizontal: degrees(correction.east_horizontal),
        }
    }
}

impl From<&PoleStarInstead> for PoleStarEntry {
    fn from(star: &PoleStarInstead) -> Self {
        let belongs = star.belongs.place;
        Self {
            at_utc: star.belongs.at.to_string(),
            belongs_clockwise_deg: degrees(belongs.clockwise_from_up),
            belongs_distance_arcmin: arcmin(belongs.distance),
            instead_clockwise_deg: degrees(star.instead.clockwise_from_up),
            instead_distance_arcmin: arcmin(star.instead.distance),
        }
    }
}

impl From<&NextFrame> for NextFrameEntry {
    fn from(next: &NextFrame) -> Self {
        Self {
            facing: next.facing.clone(),
            hour_angle_deg: next.hour_angle.and_then(degrees),
            declination_deg: next.declination.and_then(degrees),
            altitude_deg: next.altitude.and_then(degrees),
            untouched: next.untouched,
            sigma_after_arcmin: next.purpose.largest_after().and_then(arcmin),
            exposure_s: number(next.exposure.s()),
            count: next.count,
            why: next.why.clone(),
        }
    }
}
