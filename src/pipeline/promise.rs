//! Truth held here: synthetic. What the plan of next frames promises is what those frames give.

use super::DiagnoseSettings;
use super::alignment::{Examined, Part, examine};
use super::facts::NightFacts;
use super::gather::{Gathered, MeasuredFrame};
use crate::advice::NextFrame;
use crate::frame::Overrides;
use crate::identify::Identifier;
use crate::mount::observability::{Knowledge, sigma_along};
use crate::mount::plan::Purpose;
use crate::simulate::{Scenario, star_lists};
use crate::units::{Angle, Pixels, Seconds};

/// Noise of a star's place in the lists, pixels a coordinate.
const CENTROID_PX: f64 = 0.06;
/// The promise holds within this factor: star counts and residuals of the new frames are not
/// known beforehand.
const WITHIN: f64 = 1.5;
/// Another side of the sky may hold half as many stars.
const WITHIN_ELSEWHERE: f64 = WITHIN * std::f64::consts::SQRT_2;

/// A pointing of the scenario, as text.
fn pointing(looking: &str, frames: usize, exposure: f64) -> String {
    format!(
        "[[alignment.pointing]]\n{looking}\nframes = {frames}\nexposure_s = {exposure:.1}\ngap_s = 5.0\nsettle_s = 10.0\n"
    )
}

fn scenario(latitude: f64, axis: (f64, f64), pointings: &str) -> Scenario {
    let text = format!(
        r#"
seed = 90125
start_utc = "2026-02-17T19:40:00Z"
[site]
latitude_deg = {latitude}
longitude_deg = 21.0
height_m = 200.0
pressure_hpa = 985.0
temperature_c = 6.0
[camera]
maker = "Quillon"
model = "Q-6"
width_px = 3000
height_px = 2000
pitch_um = 4.6
read_noise_e = 2.4
full_well_e = 30000.0
iso = 800.0
bits = 14
[lens]
name = "Quillon 300 mm f/5"
focal_mm = 300.0
f_number = 5.0
fwhm_px = 2.5
[sky]
brightness_mag_arcsec2 = 20.8
[output]
format = "jpg"
utc_offset_h = 1.0
prefix = "QLN"
first_number = 1
[[alignment]]
axis = {{ altitude_error_arcmin = {}, azimuth_error_arcmin = {} }}
[alignment.drive]
rate = "sidereal"
{pointings}"#,
        axis.0, axis.1
    );
    Scenario::parse(&text).unwrap()
}

/// The scenario's star lists through the pipeline, without pixels.
fn examined(scenario: &Scenario) -> Examined {
    examined_to(scenario, None)
}

/// The same with a trail that is still called good.
fn examined_to(scenario: &Scenario, tolerance: Option<Pixels>) -> Examined {
    examined_with(scenario, tolerance, |facts| facts)
}

/// The same with the night's facts changed.
fn examined_with(
    scenario: &Scenario,
    tolerance: Option<Pixels>,
    change: impl Fn(NightFacts) -> NightFacts,
) -> Examined {
    let settings = DiagnoseSettings {
        tolerance,
        ..DiagnoseSettings::default()
    };
    let frames: Vec<MeasuredFrame> = star_lists(scenario, CENTROID_PX)
        .unwrap()
        .into_iter()
        .map(|list| MeasuredFrame {
            file: list.truth.file.clone(),
            header: list.header,
            field: list.field,
            stacked: None,
            response: None,
        })
        .collect();
    let facts = change(NightFacts::new(
        frames.iter().map(|frame| &frame.header),
        &Overrides::default(),
    ));
    let gathered = Gathered {
        name: "night".to_owned(),
        frames,
        set_aside: Vec::new(),
        warnings: Vec::new(),
        missing: Vec::new(),
    };
    examine(gathered, &facts, &settings, 0, &Identifier::new(), None)
}

/// The pointing that takes the proposed frames.
fn as_pointing(next: &NextFrame) -> String {
    let looking = if next.untouched {
        "same_camera = true".to_owned()
    } else {
        format!(
            "hour_angle_h = {}\ndeclination_deg = {}\nroll_deg = 0.0\nbefore_s = 60.0",
            next.hour_angle.unwrap().hours(),
            next.declination.unwrap().deg()
        )
    };
    pointing(&looking, next.count, next.exposure.s())
}

/// The part that holds for the last frames.
fn now(examined: &Examined) -> &Part {
    examined.parts.last().expect("never empty")
}

/// Takes the first proposed frames and compares what becomes of the axis with the promise.
/// Two frames of 30 s come before it. Returns what was proposed.
fn check_promise(
    latitude: f64,
    axis: (f64, f64),
    looking: &str,
    tolerance: Option<Pixels>,
) -> NextFrame {
    let count = 2;
    let first = pointing(looking, count, 30.0);
    let before = examined_to(&scenario(latitude, axis, &first), tolerance);
    let frames = now(&before).advice.next_frames[0].clone();
    let Purpose::Axis {
        before: known,
        weak_after,
        largest_after,
    } = frames.purpose
    else {
        panic!("{frames:?}")
    };
    let start = Knowledge::of(&now(&before).evidence.axis().unwrap().covariance);
    let factor = start.weak_sigma / known.weak_sigma;
    assert!((1.0 / WITHIN..WITHIN).contains(&factor), "before: {factor}");
    let all = format!("{first}{}", as_pointing(&frames));
    let after = examined_to(&scenario(latitude, axis, &all), tolerance);
    assert_eq!(after.gathered.frames.len(), count + frames.count);
    let reached = now(&after).evidence.axis().unwrap();
    let weak = sigma_along(&reached.covariance, known.weak);
    let largest = Knowledge::of(&reached.covariance).weak_sigma;
    let within = if frames.untouched {
        WITHIN
    } else {
        WITHIN_ELSEWHERE
    };
    for (reached, promised) in [(weak, weak_after), (largest, largest_after)] {
        let factor = reached / promised;
        assert!(
            (1.0 / within..within).contains(&factor),
            "{:.3}' instead of {:.3}', from {:.3}': {frames:?}",
            reached.arcmin(),
            promised.arcmin(),
            known.weak_sigma.arcmin()
        );
    }
    // And the axis is where it says.
    let off = [
        reached.error.up.arcmin() - axis.0,
        reached.error.east.arcmin() - axis.1,
    ];
    let (up, east, _) = reached.parts();
    assert!(off[0].abs() < 4.0 * up.sigma.arcmin() && off[1].abs() < 4.0 * east.sigma.arcmin());
    frames
}

const NEAR_EQUATOR: &str = "hour_angle_h = 0.2\ndeclination_deg = 3.0\nroll_deg = 0.0";

/// So little trail is called good that the same field does not suffice.
const STRICT: Option<Pixels> = Some(Pixels::new(0.1));
/// More, but less than two frames of 30 s allow for.
const MIDDLING: Option<Pixels> = Some(Pixels::new(0.4));

#[test]
fn frames_promised_in_the_north_give_what_was_promised() {
    assert!(check_promise(48.0, (20.0, 70.0), NEAR_EQUATOR, MIDDLING).untouched);
}

#[test]
fn frames_promised_in_the_south_give_what_was_promised() {
    assert!(check_promise(-34.0, (20.0, -70.0), NEAR_EQUATOR, MIDDLING).untouched);
}

#[test]
fn another_side_of_the_sky_gives_what_was_promised() {
    assert!(!check_promise(48.0, (20.0, 70.0), NEAR_EQUATOR, STRICT).untouched);
}

#[test]
fn another_side_of_the_southern_sky_gives_what_was_promised() {
    assert!(!check_promise(-34.0, (20.0, -70.0), NEAR_EQUATOR, STRICT).untouched);
}

#[test]
fn frames_promised_after_a_pointing_in_the_east_give_what_was_promised() {
    let east = "hour_angle_h = -4.5\ndeclination_deg = 15.0\nroll_deg = 20.0";
    check_promise(48.0, (-80.0, 30.0), east, MIDDLING);
}

#[test]
fn a_lone_frame_is_told_to_go_on_and_what_it_is_promised_comes_true() {
    let lone = scenario(48.0, (10.0, 70.0), &pointing(NEAR_EQUATOR, 1, 60.0));
    let lone = examined(&lone);
    assert!(
        now(&lone)
            .evidence
            .axis()
            .is_none_or(|axis| axis.mirror_ambiguous)
    );
    assert!(now(&lone).advice.correction.is_none());
    let frames = &now(&lone).advice.next_frames[0];
    assert!(frames.untouched && frames.count == 1, "{frames:?}");
    assert_eq!(now(&lone).advice.next_frames[0].facing, "the same field");
    let Purpose::Sign {
        after: Some(promised),
    } = frames.purpose
    else {
        panic!("{frames:?}")
    };
    let pair = scenario(48.0, (10.0, 70.0), &pointing(NEAR_EQUATOR, 2, 60.0));
    let pair = examined(&pair);
    let reached = Knowledge::of(&now(&pair).evidence.axis().unwrap().covariance);
    let factor = reached.weak_sigma / promised.weak_sigma;
    assert!((1.0 / WITHIN..WITHIN).contains(&factor), "{factor}");
}

#[test]
fn round_stars_ask_for_nothing() {
    let aligned = scenario(48.0, (0.5, -0.5), &pointing(NEAR_EQUATOR, 4, 60.0));
    let aligned = examined(&aligned);
    assert_eq!(
        now(&aligned).advice.decision,
        crate::advice::Decision::CarryOn
    );
    assert!(now(&aligned).advice.next_frames.is_empty());
}

#[test]
fn few_frames_of_a_wrong_rate_ask_for_the_time_of_a_turn_of_the_worm() {
    let mut solar = scenario(48.0, (0.0, 0.0), &pointing(NEAR_EQUATOR, 3, 60.0));
    solar.alignments[0].drive.rate = crate::simulate::Rate::Solar;
    for pointing in &mut solar.alignments[0].pointings {
        pointing.exposure_s = 180.0;
    }
    let found = examined(&solar);
    let frames = &now(&found).advice.next_frames[0];
    assert!(frames.untouched, "{frames:?}");
    let Purpose::Drive { will_span, .. } = frames.purpose else {
        panic!("{frames:?}")
    };
    assert!(will_span >= Seconds::new(480.0));
}

/// One frame of a night with its own noise, lens, axis and direction.
fn lone_night(seed: u64, focal_mm: f64, axis: (f64, f64), looking: &str) -> Examined {
    let mut night = scenario(48.0, axis, &pointing(looking, 1, 60.0));
    night.seed = seed;
    night.lens.focal_mm = focal_mm;
    examined(&night)
}

#[test]
fn a_lone_frame_holds_the_truth_or_its_mirror_within_its_ellipse() {
    let east = "hour_angle_h = -4.0\ndeclination_deg = 20.0\nroll_deg = 30.0";
    let pole = "hour_angle_h = 2.0\ndeclination_deg = 75.0\nroll_deg = 0.0";
    let nights = [
        (1, 300.0, (15.0, 60.0), NEAR_EQUATOR),
        (2, 300.0, (-70.0, 40.0), east),
        (3, 135.0, (100.0, -120.0), NEAR_EQUATOR),
        (4, 135.0, (-90.0, 150.0), pole),
        (5, 50.0, (150.0, 200.0), east),
        (6, 24.0, (-120.0, 220.0), NEAR_EQUATOR),
        (7, 24.0, (180.0, -160.0), pole),
    ];
    let mut squares = 0.0;
    for (seed, focal_mm, truth, looking) in nights {
        let night = lone_night(seed, focal_mm, truth, looking);
        let axis = now(&night).evidence.axis().expect("the trail is seen");
        assert!(axis.mirror_ambiguous && now(&night).advice.correction.is_none());
        let mirror = now(&night).evidence.lone.as_ref().unwrap().mirror.unwrap();
        let weight = axis.covariance.try_inverse().unwrap();
        let square = |error: crate::mount::model::AxisError| {
            let off = nalgebra::Vector2::new(
                error.up.rad() - Angle::from_arcmin(truth.0).rad(),
                error.east.rad() - Angle::from_arcmin(truth.1).rad(),
            );
            (off.transpose() * weight * off)[0]
        };
        let nearer = square(axis.error).min(square(mirror));
        // Chi-square of two parts: 13.8 is one time in a thousand.
        assert!(nearer < 13.8, "{focal_mm} mm: {nearer}");
        squares += nearer;
    }
    // Each has the mean 2; the priors are wide, so that the ellipse is rather too large.
    assert!(squares < 2.0 * nights.len() as f64 * 1.8, "{squares}");
}

/// What the shapes over the field add: the part that the centre's trail cannot tell.
#[test]
fn a_long_trail_on_a_wide_field_tells_both_parts() {
    let night = lone_night(8, 24.0, (150.0, 260.0), NEAR_EQUATOR);
    let known = Knowledge::of(&now(&night).evidence.axis().unwrap().covariance);
    // The prior alone leaves 240'.
    assert!(known.weak_sigma.arcmin() < 120.0);
}

#[test]
fn refraction_far_from_the_zenith_is_not_taken_for_an_error_of_the_axis() {
    // 65 degrees from the zenith, the axis on the refracted pole.
    let low = "hour_angle_h = -3.7\ndeclination_deg = 3.0\nroll_deg = 0.0";
    let night = scenario(48.0, (0.0, 0.0), &pointing(low, 3, 120.0));
    let axis_of = |examined: &Examined| {
        let evidence = &now(examined).evidence;
        let fit = evidence.fit.as_ref().map(|fit| (&fit.axis, fit.misfit));
        *evidence
            .axis()
            .unwrap_or_else(|| panic!("no axis: {fit:?}"))
    };
    let with_air = axis_of(&examined(&night));
    assert!(with_air.error.total().arcmin() < 1.0, "{with_air:?}");
    let without = axis_of(&examined_with(&night, None, |facts| facts.without_air()));
    let off = without.direction.separation(with_air.direction).arcmin();
    assert!(off > 2.0, "{off}");
}
