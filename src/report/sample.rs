//! Invented reports for the tests of this stage.

use crate::advice::Decision;
use crate::diagnosis::{Cause, Verdict};
use crate::error::{Warned, Warning};
use crate::mount::model::AxisError;
use crate::mount::plan::Purpose;
use crate::mount::predict::OwnMotion;
use crate::sky::{Direction, PlaceAboutPole, PoleStar};
use crate::stars::{FrameTrail, StackedStar};
use crate::units::{
    Angle, AxialAngle, Hemisphere, Length, Measured, PixelTensor, PixelVector, Pixels, Seconds,
    Site,
};

use super::elongation::Elongation;
use super::{
    AlignmentReport, AxisReport, CauseShare, CenterReport, CenterSource, Correction, DriftReport,
    DrivePoint, DriveReport, FramePictures, FrameReport, LongestExposure, NextFrame, NightReport,
    PeriodicReport, PoleReport, SiteReport, SiteSource,
};
use crate::advice::{PoleStarInstead, PoleStarNow};
use crate::diagnosis::outlook::{KeptBy, KeptShare, LensOutlook, Outlook, PlaceLimits};
use crate::diagnosis::shortening::{Shortening, StackNoise};
use crate::limits::CameraInUse;

fn outlook() -> Outlook {
    let limits = |worst: f64, target: f64| PlaceLimits {
        worst: Seconds::new(worst),
        target: Some(Seconds::new(target)),
    };
    Outlook {
        lenses: vec![LensOutlook {
            camera: CameraInUse {
                focal: Length::from_mm(150.0),
                pixel_pitch: Length::from_um(3.3),
            },
            now: limits(33.0, 40.0),
            after_correction: limits(240.0, 250.0),
        }],
        kept: vec![KeptShare {
            exposure: Seconds::new(60.0),
            now: 0.2,
            after_correction: 1.0,
        }],
        kept_by: KeptBy::Swing,
    }
}

fn pole_star() -> PoleStarInstead {
    let place = |arcmin, deg| PlaceAboutPole {
        distance: Angle::from_arcmin(arcmin),
        clockwise_from_up: Angle::from_deg(deg),
    };
    PoleStarInstead {
        belongs: PoleStarNow {
            place: place(38.0, 300.0),
            at: jiff::Timestamp::UNIX_EPOCH,
        },
        instead: place(20.0, 10.0),
    }
}

pub fn arcmin(value: f64, sigma: f64) -> Measured<Angle> {
    Measured::new(Angle::from_arcmin(value), Angle::from_arcmin(sigma))
}

pub fn pixels(value: f64, sigma: f64) -> Measured<Pixels> {
    Measured::new(Pixels::new(value), Pixels::new(sigma))
}

pub fn trail(dx: f64, dy: f64, sigma: f64) -> FrameTrail {
    let vector = PixelVector::new(dx, dy);
    let length = vector.length();
    FrameTrail {
        vector,
        covariance: PixelTensor::new(sigma * sigma, 0.0, sigma * sigma),
        length: Measured::new(length, Pixels::new(sigma)),
        angle: AxialAngle::of(vector),
        angle_sigma: Angle::from_rad(sigma / length.px()),
        n_stars: 180,
    }
}

/// A frame facing south with north up: along is to the side, across is up and down.
pub fn frame(file: &str, pointing: usize, trail: FrameTrail, verdict: Verdict) -> FrameReport {
    FrameReport {
        file: file.into(),
        alignment: file.split('/').next().unwrap_or_default().into(),
        pointing: Some(pointing),
        skipped_because: None,
        start: Some("2026-03-14T21:04:10Z".parse().unwrap()),
        exposure: Some(Seconds::new(60.0)),
        focal_length: Some(Length::from_mm(150.0)),
        pixel_scale: Some(Angle::from_arcsec(5.36)),
        n_stars: 312,
        n_identified: 201,
        fwhm: Some(pixels(2.7, 0.05)),
        trail: Some(trail),
        trail_by_shapes: Some(trail),
        drift: Some(DriftReport {
            vector: PixelVector::new(0.1, 2.9),
            sigma: Pixels::new(0.04),
            interval: Seconds::new(62.0),
            by_axis: Some(PixelVector::new(0.05, 2.9)),
        }),
        own_motion: Some(OwnMotion {
            along: pixels(0.05, 0.1),
            across: pixels(-0.04, 0.08),
        }),
        center: Some(CenterReport {
            ra: Some(Angle::from_deg(137.2)),
            dec: Angle::from_deg(-1.5),
            hour_angle: Some(Angle::from_deg(-4.0)),
            horizon: Some(Direction::from_az_alt(
                Angle::from_deg(175.0),
                Angle::from_deg(37.0),
            )),
            up_position_angle: Angle::from_deg(1.0),
            source: CenterSource::Stars,
        }),
        verdict,
        pictures: Some(pictures()),
    }
}

/// Round stars of 2.7 px, and a frame in which they are drawn out to the side.
fn pictures() -> FramePictures {
    let (side, middle, sigma) = (60, 29.5, 4.6);
    let light = |at: usize| {
        let (x, y) = ((at % side) as f64 - middle, (at / side) as f64 - middle);
        (-(x * x + y * y) / (2.0 * sigma * sigma)).exp() as f32
    };
    FramePictures {
        size: (6000, 4000),
        stacked: Some(StackedStar {
            side,
            cells_per_pixel: 4,
            light: (0..side * side).map(light).collect(),
            n_stars: 90,
        }),
        elongations: vec![Elongation {
            middle: (1000.0, 2000.0),
            half: (0.0, 1.4),
        }],
    }
}

fn record() -> Vec<DrivePoint> {
    let point = |(nth, ahead): (usize, f64)| DrivePoint {
        file: format!("first-try/IMG_204{}.jpg", nth + 1),
        after: Seconds::new(62.0 * nth as f64),
        ahead: Measured::new(Angle::from_arcsec(ahead), Angle::from_arcsec(0.6)),
    };
    [3.0, -4.0, -2.0, 3.0]
        .into_iter()
        .enumerate()
        .map(point)
        .collect()
}

fn pole() -> PoleReport {
    PoleReport {
        at: Some("2026-03-14T21:20:00Z".parse().unwrap()),
        hemisphere: Hemisphere::North,
        altitude: Angle::from_deg(51.5),
        lift: Angle::from_arcmin(0.8),
        star: Some((
            PoleStar::AlphaUmi,
            PlaceAboutPole {
                distance: Angle::from_arcmin(37.6),
                clockwise_from_up: Angle::from_deg(250.0),
            },
        )),
    }
}

fn misaligned() -> AlignmentReport {
    AlignmentReport {
        name: "first-try".into(),
        n_frames: 4,
        n_pointings: 2,
        axis: Some(AxisReport {
            altitude_error: arcmin(4.1, 0.3),
            azimuth_error: arcmin(31.2, 0.6),
            correlation: -0.3,
            mirror_ambiguous: false,
            mirror: Some(AxisError {
                up: Angle::from_arcmin(-4.1),
                east: Angle::from_arcmin(-31.2),
            }),
            true_pole_altitude_error: Angle::from_arcmin(4.9),
            true_pole_azimuth_error: Angle::from_arcmin(31.2),
        }),
        axis_without_site: None,
        drive: Some(DriveReport {
            rate_ratio: Measured::new(0.9998, 0.0002),
            periodic: Some(PeriodicReport {
                amplitude: Measured::new(Angle::from_arcsec(6.0), Angle::from_arcsec(0.5)),
                period: Some(Measured::new(Seconds::new(480.0), Seconds::new(9.0))),
                watched: Seconds::new(600.0),
            }),
            step: None,
            standstills: Vec::new(),
            record: record(),
        }),
        cause: Cause::Axis,
        cause_confidence: Some(0.97),
        causes: vec![
            CauseShare {
                cause: Cause::Axis,
                trail: Pixels::new(2.9),
                share: 0.8,
                confidence: 0.97,
            },
            CauseShare {
                cause: Cause::DrivePeriodic,
                trail: Pixels::new(0.5),
                share: 0.14,
                confidence: 0.7,
            },
            CauseShare {
                cause: Cause::Lens,
                trail: Pixels::new(0.2),
                share: 0.06,
                confidence: 0.5,
            },
        ],
        decision: Decision::Realign,
        correction: Some(Correction {
            raise: Angle::from_arcmin(-4.1),
            east_on_sky: Angle::from_arcmin(-31.2),
            east_horizontal: Angle::from_arcmin(-50.1),
        }),
        longest_exposure: LongestExposure {
            now: Some(Seconds::new(35.0)),
            after_correction: Some(Seconds::new(240.0)),
        },
        outlook: Some(outlook()),
        shortening: Some(Shortening {
            from: Seconds::new(120.0),
            to: Seconds::new(50.0),
            noise: StackNoise::Told(Measured::new(0.04, 0.01)),
        }),
        pole_star: Some(pole_star()),
        next_frames: vec![NextFrame {
            facing: "south".into(),
            hour_angle: Some(Angle::ZERO),
            declination: Some(Angle::ZERO),
            altitude: Some(Angle::from_deg(38.5)),
            untouched: false,
            purpose: Purpose::First,
            exposure: Seconds::new(60.0),
            count: 2,
            why: "to check the new alignment".into(),
        }],
        headline: "The tracker's axis points 31' too far EAST and 4' too HIGH: turn the base WEST \
                   by 31' on the sky (one Moon width), then lower it by 4'."
            .into(),
        reasons: vec![
            "Stars moved across (towards the pole) by 2.9 px a minute in the south and the frame \
             turned as one misplaced axis makes it."
                .into(),
            "The drive keeps time: 0.9998 +- 0.0002 of the sidereal rate.".into(),
        ],
        todo: vec![
            "Loosen the base and turn it WEST by 0.83 deg on its scale (31' on the sky).".into(),
            "Lower the axis by 4'.".into(),
            "Then shoot 2 x 60 s facing south, to check.".into(),
        ],
    }
}

fn corrected() -> AlignmentReport {
    AlignmentReport {
        name: "after-correction".into(),
        n_frames: 2,
        n_pointings: 1,
        axis: Some(AxisReport {
            altitude_error: arcmin(0.8, 0.6),
            azimuth_error: arcmin(-1.9, 0.3),
            correlation: 0.2,
            mirror_ambiguous: false,
            mirror: None,
            true_pole_altitude_error: Angle::from_arcmin(1.6),
            true_pole_azimuth_error: Angle::from_arcmin(-1.9),
        }),
        cause: Cause::Aligned,
        cause_confidence: Some(0.96),
        causes: vec![CauseShare {
            cause: Cause::Aligned,
            trail: Pixels::new(0.2),
            share: 1.0,
            confidence: 0.9,
        }],
        decision: Decision::CarryOn,
        correction: None,
        longest_exposure: LongestExposure {
            now: Some(Seconds::new(240.0)),
            after_correction: None,
        },
        outlook: None,
        shortening: None,
        pole_star: None,
        next_frames: Vec::new(),
        headline: "Well aligned: the axis is 2' from the pole, good for 240 s with this lens. \
                   Carry on."
            .into(),
        reasons: vec!["Stars kept their places within 0.2 px between the frames.".into()],
        todo: Vec::new(),
        ..misaligned()
    }
}

/// A night with one misaligned and one corrected alignment, every key filled in the first.
pub fn full() -> Warned<NightReport> {
    let mut frames: Vec<FrameReport> = (1..=4)
        .map(|nth| {
            let file = format!("first-try/IMG_204{nth}.jpg");
            let dy = if nth < 3 { 2.9 } else { 2.2 };
            let dx = if nth < 3 { 0.3 } else { 1.9 };
            frame(&file, (nth - 1) / 2, trail(dx, dy, 0.06), Verdict::Trailed)
        })
        .collect();
    frames.push(FrameReport::set_aside(
        "first-try/IMG_2045.jpg",
        "first-try",
        "not a JPEG: the file ends after 1024 of 5210112 bytes",
    ));
    frames.extend((1..=2).map(|nth| {
        let file = format!("after-correction/IMG_205{nth}.jpg");
        frame(&file, 0, trail(0.1, 0.15, 0.09), Verdict::Round)
    }));
    Warned {
        value: NightReport {
            answer: "Well aligned now: carry on, up to 240 s with this lens.".into(),
            site: Some(SiteReport {
                site: Site::new(Angle::from_deg(51.5), Angle::from_deg(-0.1)).unwrap(),
                source: SiteSource::Gps,
            }),
            frames,
            alignments: vec![misaligned(), corrected()],
            assumptions: vec![
                "The camera's clock runs on UTC+00:00 (its own tag).".into(),
                "150 mm lens, 3.90 um pixels (focal-plane tags); fitted 149.6 mm.".into(),
                "A trail of up to 1.8 px is good (two thirds of the stars' width).".into(),
            ],
            pole: Some(pole()),
        },
        warnings: vec![Warning::new(
            "no UT1 value for this date, UTC used: hour angles may be off by up to 0.9 s, 13.5 arcsec",
        )],
    }
}

/// The first alignment of [`full`] alone, as it is in the middle of the night.
pub fn realign() -> Warned<NightReport> {
    let mut report = full();
    let night = &mut report.value;
    night.alignments.truncate(1);
    night.frames.truncate(5);
    // No settings, no bag, no target; the swing's period is not known.
    for outlook in night.alignments[0].outlook.iter_mut() {
        outlook.kept.clear();
        for lens in &mut outlook.lenses {
            (lens.now.target, lens.after_correction.target) = (None, None);
        }
    }
    night.answer = night.alignments[0].headline.clone();
    report
}

/// One frame with too few stars and no facts about it.
pub fn cannot_tell() -> Warned<NightReport> {
    let mut lone = FrameReport::set_aside("IMG_0001.jpg", "tonight", "");
    lone.skipped_because = None;
    lone.pointing = Some(0);
    lone.n_stars = 3;
    let headline = "Cannot tell: one frame with 3 stars is too little.";
    Warned::clean(NightReport {
        answer: headline.into(),
        site: None,
        frames: vec![lone],
        alignments: vec![AlignmentReport {
            name: "tonight".into(),
            n_frames: 1,
            n_pointings: 1,
            axis: None,
            axis_without_site: None,
            drive: None,
            cause: Cause::Unknown,
            cause_confidence: None,
            causes: Vec::new(),
            decision: Decision::MoreFrames,
            correction: None,
            longest_exposure: LongestExposure::default(),
            outlook: None,
            shortening: None,
            pole_star: None,
            next_frames: Vec::new(),
            headline: headline.into(),
            reasons: vec!["A fit needs 15 stars or so.".into()],
            todo: vec!["Shoot 2 x 60 s facing south, the camera untouched between them.".into()],
        }],
        assumptions: Vec::new(),
        pole: None,
    })
}
