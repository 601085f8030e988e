//! How long to expose with which lens, in words and for the JSON contract.

use serde::Serialize;

use super::contract::{Number, number};
use super::page::{KEEP_TOGETHER, Page, Role};
use super::text::{labelled, rounded_down};
use crate::diagnosis::outlook::{KeptShare, LensOutlook, Outlook, PlaceLimits};
use crate::limits::LONGEST;
use crate::units::Seconds;

/// Shares that are told: from the last exposure that spoils nothing on.
const MOST_SHARES: usize = 4;

/// A line a lens, and the shares of round frames under a swinging drive.
pub(super) fn write(outlook: &Outlook, page: &mut Page) {
    let has_target = outlook.lenses.iter().any(|lens| lens.now.target.is_some());
    let head = match has_target {
        true => "where stars drift fastest, then at the target:",
        false => "where stars drift fastest:",
    };
    let lenses = outlook.lenses.iter().map(lens);
    let lines: Vec<String> = std::iter::once(head.to_owned()).chain(lenses).collect();
    labelled(page, "lenses", Role::Body, lines.iter().map(String::as_str));
    if let Some(words) = shares(&outlook.kept) {
        page.words(Role::Body, " keeps    ", &words);
    }
}

/// "150 mm: 54 s, 120 s; once corrected 640 s".
fn lens(lens: &LensOutlook) -> String {
    let focal =
        format!("{:.0} mm", lens.camera.focal.mm()).replace(' ', &KEEP_TOGETHER.to_string());
    let (now, after) = (places(&lens.now), places(&lens.after_correction));
    if now == after {
        format!("{focal}: {now}, corrected or not")
    } else {
        format!("{focal}: {now}; once corrected {after}")
    }
}

/// The worst place, and the target where it differs.
fn places(limits: &PlaceLimits) -> String {
    let worst = seconds(limits.worst);
    let target = limits.target.map(seconds).filter(|target| *target != worst);
    target.map_or(worst.clone(), |target| format!("{worst}, {target}"))
}

fn seconds(time: Seconds) -> String {
    let words = if time >= LONGEST {
        format!("{}+ s", LONGEST.s())
    } else {
        format!("{} s", rounded_down(time))
    };
    words.replace(' ', &KEEP_TOGETHER.to_string())
}

/// "60 s keeps 9 of 10 frames round, 120 s 5 of 10": as the axis stands; corrected where it differs.
fn shares(kept: &[KeptShare]) -> Option<String> {
    let first = kept.iter().rposition(|one| one.now >= 1.0).unwrap_or(0);
    let told: Vec<&KeptShare> = kept.iter().skip(first).take(MOST_SHARES).collect();
    if told.is_empty() {
        return None;
    }
    let list = |share: &dyn Fn(&KeptShare) -> f64| {
        let parts = told.iter().map(|one| {
            let words = format!("{} s {}", one.exposure.s(), of_ten(share(one)));
            words.replace(' ', &KEEP_TOGETHER.to_string())
        });
        parts.collect::<Vec<_>>().join(", ")
    };
    let (now, after) = (list(&|one| one.now), list(&|one| one.after_correction));
    let corrected = if now == after {
        String::new()
    } else {
        format!("; once corrected {after}")
    };
    Some(format!(
        "frames that the drive's swing leaves round where it does most: {now}{corrected}"
    ))
}

fn of_ten(share: f64) -> String {
    match share {
        s if s >= 1.0 => "all".to_owned(),
        s if s <= 0.0 => "none".to_owned(),
        s => format!("{:.0} of 10", (10.0 * s).round().clamp(1.0, 9.0)),
    }
}

#[derive(Debug, Clone, Serialize)]
pub(super) struct OutlookEntry {
    lenses: Vec<LensEntry>,
    kept: Vec<KeptEntry>,
}

#[derive(Debug, Clone, Serialize)]
struct LensEntry {
    focal_length_mm: Number,
    now_worst_s: Number,
    now_target_s: Number,
    after_correction_worst_s: Number,
    after_correction_target_s: Number,
}

#[derive(Debug, Clone, Serialize)]
struct KeptEntry {
    exposure_s: Number,
    share_now: Number,
    share_after_correction: Number,
}

impl From<&Outlook> for OutlookEntry {
    fn from(outlook: &Outlook) -> Self {
        let seconds = |time: Option<Seconds>| time.and_then(|time| number(time.s()));
        let lens = |lens: &LensOutlook| LensEntry {
            focal_length_mm: number(lens.camera.focal.mm()),
            now_worst_s: seconds(Some(lens.now.worst)),
            now_target_s: seconds(lens.now.target),
            after_correction_worst_s: seconds(Some(lens.after_correction.worst)),
            after_correction_target_s: seconds(lens.after_correction.target),
        };
        let kept = |one: &KeptShare| KeptEntry {
            exposure_s: number(one.exposure.s()),
            share_now: number(one.now),
            share_after_correction: number(one.after_correction),
        };
        Self {
            lenses: outlook.lenses.iter().map(lens).collect(),
            kept: outlook.kept.iter().map(kept).collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::limits::CameraInUse;
    use crate::units::Length;

    fn limits(worst: f64, target: Option<f64>) -> PlaceLimits {
        PlaceLimits {
            worst: Seconds::new(worst),
            target: target.map(Seconds::new),
        }
    }

    #[test]
    fn a_lens_tells_both_places_before_and_after() {
        let outlook = LensOutlook {
            camera: CameraInUse {
                focal: Length::from_mm(149.7),
                pixel_pitch: Length::from_um(3.3),
            },
            now: limits(54.6, Some(128.0)),
            after_correction: limits(1800.0, Some(1800.0)),
        };
        assert_eq!(
            lens(&outlook).replace(KEEP_TOGETHER, " "),
            "150 mm: 54 s, 120 s; once corrected 1800+ s"
        );
    }

    #[test]
    fn shares_start_at_the_last_exposure_that_spoils_nothing() {
        let kept: Vec<KeptShare> = [(15.0, 1.0), (30.0, 1.0), (60.0, 0.88), (120.0, 0.52)]
            .map(|(time, share)| KeptShare {
                exposure: Seconds::new(time),
                now: share,
                after_correction: share,
            })
            .to_vec();
        assert_eq!(
            shares(&kept).unwrap().replace(KEEP_TOGETHER, " "),
            "frames that the drive's swing leaves round where it does most: 30 s all, 60 s 9 of 10, 120 s 5 of 10"
        );
        assert_eq!(shares(&[]), None);
    }
}
