//! How long to expose with which lens, in words and for the JSON contract.

use serde::Serialize;

use super::AlignmentReport;
use super::contract::{Number, number};
use super::page::{KEEP_TOGETHER, Page, Role};
use super::text::labelled;
use crate::advice::Decision;
use crate::diagnosis::outlook::{KeptBy, KeptShare, LensOutlook, Outlook, PlaceLimits};
use crate::diagnosis::shortening::{Shortening, StackNoise, Untold};
use crate::limits::settable_words;
use crate::units::Seconds;

/// Shares that are told: from the last exposure that spoils nothing on.
const MOST_SHARES: usize = 4;

/// A line a lens, where a bag or a target makes it worth one, and the shares of round frames under a
/// swinging drive.
pub(super) fn write(outlook: &Outlook, page: &mut Page) {
    let lenses = lens_lines(outlook);
    labelled(
        page,
        "lenses",
        Role::Body,
        lenses.iter().map(String::as_str),
    );
    if let Some(words) = shares(&outlook.kept, outlook.kept_by) {
        page.words(Role::Body, " keeps    ", &words);
    }
}

/// The same lines for the page of pictures.
pub(super) fn lines(outlook: &Outlook) -> Vec<String> {
    let shares = shares(&outlook.kept, outlook.kept_by);
    lens_lines(outlook).into_iter().chain(shares).collect()
}

fn lens_lines(outlook: &Outlook) -> Vec<String> {
    let has_target = outlook.lenses.iter().any(|lens| lens.now.target.is_some());
    let is_asked = has_target || outlook.lenses.len() > 1;
    let lines = outlook.lenses.iter().filter(|_| is_asked).enumerate();
    lines.map(|(nth, one)| lens(one, nth == 0)).collect()
}

/// "150 mm: 50 s where stars drift fastest, 120 s at the target; once corrected 640 s"; the places
/// are named once.
fn lens(lens: &LensOutlook, named: bool) -> String {
    let focal = format!("{:.0} mm", lens.camera.focal.mm());
    let focal = focal.replace(' ', &KEEP_TOGETHER.to_string());
    let now = places(&lens.now, named);
    if lens.now == lens.after_correction {
        format!("{focal}: {now}, corrected or not")
    } else {
        let after = places(&lens.after_correction, false);
        format!("{focal}: {now}; once corrected {after}")
    }
}

/// The worst place, and the target.
fn places(limits: &PlaceLimits, named: bool) -> String {
    let (worst, at) = match named {
        true => (" where stars drift fastest", " at the target"),
        false => ("", ""),
    };
    let target = limits
        .target
        .map_or(String::new(), |target| format!(", {}{at}", seconds(target)));
    format!("{}{worst}{target}", seconds(limits.worst))
}

fn seconds(time: Seconds) -> String {
    settable_words(time).replace(' ', &KEEP_TOGETHER.to_string())
}

/// "60 s keeps 9 of 10 frames round, 120 s 5 of 10": as the axis stands; corrected where it differs.
fn shares(kept: &[KeptShare], by: KeptBy) -> Option<String> {
    // All or none of the frames is what the longest exposure says already.
    let is_part = |share: f64| share > 0.0 && share < 1.0;
    if !kept
        .iter()
        .any(|one| is_part(one.now) || is_part(one.after_correction))
    {
        return None;
    }
    let first = kept.iter().rposition(|one| one.now >= 1.0).unwrap_or(0);
    let told: Vec<&KeptShare> = kept.iter().skip(first).take(MOST_SHARES).collect();
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
    let basis = match by {
        KeptBy::Swing => "round where the drive's swing does most",
        KeptBy::Frames => "round at the paces of these frames",
    };
    Some(format!("{basis}: {now}{corrected}"))
}

/// What shorter exposures cost, where they are the answer or tide one over until the drive is cured.
pub(super) fn cost_of(alignment: &AlignmentReport) -> Option<String> {
    let shortens = matches!(alignment.decision, Decision::Shorten | Decision::FixDrive);
    let one = alignment.shortening.as_ref().filter(|_| shortens)?;
    Some(cost(one))
}

/// "60 s instead of 120 s: 2 times the frames for the same time, and the stack's noise grows by 4 +- 1 %".
fn cost(one: &Shortening) -> String {
    let percent = |share: f64| 100.0 * share;
    let noise = match one.noise {
        StackNoise::Told(more) => format!(
            "the stack's noise grows by {:.0} +- {:.0} %",
            percent(more.value),
            percent(more.sigma).max(1.0)
        ),
        StackNoise::AtMost(most, why) => format!(
            "the stack's noise grows by at most {:.0} %; how much cannot be told because {}",
            percent(most),
            untold_words(why)
        ),
    };
    let times = format!("{:.1}", one.times());
    format!(
        "{} instead of {:.0} s: {} times the frames for the same time, and {noise}",
        seconds(one.to),
        one.from.s(),
        times.trim_end_matches(".0")
    )
}

fn untold_words(why: Untold) -> &'static str {
    match why {
        Untold::OneExposure => {
            "all frames have the same exposure (one of half the length in RAW or FITS tells)"
        }
        Untold::Developed => {
            "the camera developed the pictures (RAW or FITS frames of two exposures tell)"
        }
        Untold::Unsteady => "the sky's light changed between the exposures",
    }
}

fn of_ten(share: f64) -> String {
    match share {
        s if s >= 1.0 => "all".to_owned(),
        s if s <= 0.0 => "none".to_owned(),
        s => format!("{:.0} of 10", (10.0 * s).round().clamp(1.0, 9.0)),
    }
}

/// What shorter exposures would cost.
#[derive(Debug, Clone, Serialize)]
pub(super) struct ShorteningEntry {
    from_s: Number,
    to_s: Number,
    times_frames: Number,
    /// Growth of the stack's noise as a share of it; null where only its upper bound is known.
    noise_growth: Number,
    noise_growth_sigma: Number,
    noise_growth_at_most: Number,
    unknown_because: Option<&'static str>,
}

impl From<&Shortening> for ShorteningEntry {
    fn from(one: &Shortening) -> Self {
        let (told, at_most, why) = match one.noise {
            StackNoise::Told(more) => (Some(more), one.times().sqrt() - 1.0, None),
            StackNoise::AtMost(most, why) => (None, most, Some(untold_words(why))),
        };
        Self {
            from_s: number(one.from.s()),
            to_s: number(one.to.s()),
            times_frames: number(one.times()),
            noise_growth: told.and_then(|more| number(more.value)),
            noise_growth_sigma: told.and_then(|more| number(more.sigma)),
            noise_growth_at_most: number(at_most),
            unknown_because: why,
        }
    }
}

#[derive(Debug, Clone, Serialize)]
pub(super) struct OutlookEntry {
    lenses: Vec<LensEntry>,
    kept: Vec<KeptEntry>,
    /// What the shares rest on: a swing of known period, or the frames' own paces.
    kept_by: &'static str,
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
            kept_by: match outlook.kept_by {
                KeptBy::Swing => "swing",
                KeptBy::Frames => "frames",
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::limits::CameraInUse;
    use crate::units::{Length, Measured};

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
            lens(&outlook, false).replace(KEEP_TOGETHER, " "),
            "150 mm: 50 s, 120 s; once corrected 1800 s and more, 1800 s and more"
        );
    }

    #[test]
    fn shorter_exposures_tell_their_cost_or_why_it_is_not_known() {
        let of = |noise| {
            let one = Shortening {
                from: Seconds::new(120.0),
                to: Seconds::new(60.0),
                noise,
            };
            cost(&one).replace(KEEP_TOGETHER, " ")
        };
        assert_eq!(
            of(StackNoise::Told(Measured::new(0.042, 0.013))),
            "60 s instead of 120 s: 2 times the frames for the same time, and the stack's noise grows by 4 +- 1 %"
        );
        let bound = of(StackNoise::AtMost(0.414, Untold::Developed));
        assert!(
            bound.contains("at most 41 %; how much cannot be told because the camera developed")
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
            shares(&kept, KeptBy::Swing)
                .unwrap()
                .replace(KEEP_TOGETHER, " "),
            "round where the drive's swing does most: 30 s all, 60 s 9 of 10, 120 s 5 of 10"
        );
        let frames = shares(&kept, KeptBy::Frames).unwrap();
        assert!(frames.starts_with("round at the paces of these frames"));
        assert_eq!(shares(&kept[..2], KeptBy::Frames), None);
        assert_eq!(shares(&[], KeptBy::Swing), None);
    }
}
