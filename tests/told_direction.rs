//! Truth: synthetic, the axis of the scenario. Frames without a site and with a told direction.

#[path = "support/rig.rs"]
mod rig;

use nalgebra::Vector3;
use rig::{RIG, Rig, measured};
use stillpoint::diagnosis::ToldSides;
use stillpoint::error::Warned;
use stillpoint::pipeline::{Aim, DiagnoseSettings, PointingHint, diagnose_measured};
use stillpoint::report::{AlignmentReport, NightReport};
use stillpoint::simulate::star_lists;
use stillpoint::sky::{Direction, Horizon};
use stillpoint::units::Angle;

/// Noise of a star's place in the lists, pixels a coordinate.
const CENTROID_PX: f64 = 0.06;

/// What is said of a rig's frames without their site, with a direction told.
fn without_site(rig: &Rig, told: Option<Direction<Horizon>>) -> Warned<NightReport> {
    let mut lists = star_lists(&rig.scenario(), CENTROID_PX).expect("lists");
    for list in &mut lists {
        list.header.site = None;
    }
    let hint = |direction| PointingHint {
        aim: Aim::Ground(direction),
        roll: None,
    };
    let settings = DiagnoseSettings {
        hints: told.map(hint).into_iter().collect(),
        ..DiagnoseSettings::default()
    };
    diagnose_measured(vec![measured(&lists)], &settings)
}

fn told_sides(alignment: &AlignmentReport) -> ToldSides {
    let beside = alignment.axis_without_site.as_ref().expect("a distance");
    beside.by_direction.expect("a direction")
}

/// Where a field stands; the rotation between equator and horizon written out on its own.
fn place(rig: &Rig) -> (f64, f64) {
    let (hours, declination, _) = rig.pointings[0];
    let [phi, turn, d] = [rig.latitude_deg, hours * 15.0, declination].map(f64::to_radians);
    let meridian = Vector3::new(0.0, -phi.sin(), phi.cos());
    let pole = Vector3::new(0.0, phi.cos(), phi.sin());
    let seen = (meridian * turn.cos() - Vector3::x() * turn.sin()) * d.cos() + pole * d.sin();
    let azimuth = seen.x.atan2(seen.y).to_degrees();
    (azimuth, seen.z.asin().to_degrees())
}

fn direction(azimuth: f64, altitude: f64) -> Direction<Horizon> {
    Direction::from_az_alt(Angle::from_deg(azimuth), Angle::from_deg(altitude))
}

const SOUTH: &[(f64, f64, usize)] = &[(0.0, 2.0, 2)];
const EAST: &[(f64, f64, usize)] = &[(-4.5, 20.0, 2)];
const WEST: &[(f64, f64, usize)] = &[(4.0, 25.0, 2)];
const SOUTHERN_EAST: &[(f64, f64, usize)] = &[(-4.5, -20.0, 2)];
const SOUTHERN_NORTH: &[(f64, f64, usize)] = &[(0.3, -5.0, 2)];

#[test]
fn a_told_direction_gives_the_sides_and_never_the_wrong_one() {
    let fields = [
        (47.0, SOUTH),
        (47.0, EAST),
        (52.0, WEST),
        (-34.0, SOUTHERN_EAST),
        (-34.0, SOUTHERN_NORTH),
    ];
    let axes = [
        (70.0, 3.0),
        (-60.0, 10.0),
        (4.0, 80.0),
        (-5.0, -75.0),
        (50.0, -50.0),
    ];
    let mut sides = 0;
    for (nth, (latitude_deg, pointings)) in fields.into_iter().enumerate() {
        // Two axes a field; together every one twice.
        for other in [nth, (nth + 2) % axes.len()] {
            let axis_arcmin = axes[other];
            let rig = Rig {
                latitude_deg,
                pointings,
                axis_arcmin,
                seed: 31 * nth as u64 + other as u64,
                ..RIG
            };
            let (azimuth, altitude) = place(&rig);
            // A person is off by some degrees, another way each time.
            let (aside, up) = [
                (6.0, -4.0),
                (-7.0, 3.0),
                (0.0, 8.0),
                (8.0, 0.0),
                (-5.0, -6.0),
            ][other];
            let report = without_site(&rig, Some(direction(azimuth + aside, altitude + up))).value;
            let now = report.alignments.last().expect("an alignment");
            let told = told_sides(now);
            assert!(now.axis.is_none() && now.correction.is_none());
            let (up_truth, east_truth) = axis_arcmin;
            for (part, sure, truth) in [
                (told.up, told.sure_up(), up_truth),
                (told.east, told.sure_east(), east_truth),
            ] {
                let off = part.value.arcmin() - truth;
                let seen = format!(
                    "{latitude_deg} {pointings:?} {axis_arcmin:?}: {:.1} +- {:.1}",
                    part.value.arcmin(),
                    part.sigma.arcmin()
                );
                assert!(off.abs() < 3.0 * part.sigma.arcmin(), "{seen}");
                assert!(
                    sure.is_none_or(|part| part.value.arcmin() * truth > 0.0),
                    "{seen}"
                );
                sides += usize::from(sure.is_some());
            }
        }
    }
    assert!(sides >= 6, "only {sides} sides told");
}

#[test]
fn the_words_name_side_move_and_place() {
    let rig = Rig {
        axis_arcmin: (0.0, 60.0),
        pointings: SOUTH,
        ..RIG
    };
    let (azimuth, altitude) = place(&rig);
    let report = without_site(&rig, Some(direction(azimuth, altitude))).value;
    let now = report.alignments.last().expect("an alignment");
    assert!(now.headline.contains("too far east"), "{}", now.headline);
    assert!(
        now.headline.contains(" west and test again"),
        "{}",
        now.headline
    );
    assert!(!now.headline.contains("too high") && !now.headline.contains("too low"));
    let why = now.reasons.join(" ");
    assert!(
        why.contains("north") && why.contains("if that is not yours"),
        "{why}"
    );
}

#[test]
fn a_direction_that_no_place_shows_is_refused() {
    let rig = Rig {
        axis_arcmin: (0.0, 60.0),
        pointings: &[(1.0, 60.0, 2)],
        ..RIG
    };
    let report = without_site(&rig, Some(direction(90.0, 15.0)));
    let refused = |text: &str| text.contains("--facing") && text.contains("no place");
    assert!(report.warnings.iter().any(|one| refused(&one.text)));
    let now = report.value.alignments.last().expect("an alignment");
    let beside = now.axis_without_site.as_ref().expect("a distance");
    assert_eq!(beside.by_direction, None);
    assert!(
        now.headline.contains("cannot be told without"),
        "{}",
        now.headline
    );
}

#[test]
fn without_a_direction_both_ways_are_named() {
    let report = without_site(
        &Rig {
            axis_arcmin: (0.0, 60.0),
            pointings: SOUTH,
            ..RIG
        },
        None,
    )
    .value;
    let now = report.alignments.last().expect("an alignment");
    for way in ["--site LAT,LON", "--facing DIRECTION --altitude DEGREES"] {
        assert!(now.headline.contains(way), "{}", now.headline);
    }
}

#[test]
fn a_direction_told_for_one_field_is_not_used_for_another() {
    let rig = Rig {
        axis_arcmin: (30.0, 60.0),
        pointings: &[(0.0, 2.0, 2), (-4.5, 20.0, 2)],
        ..RIG
    };
    let (azimuth, altitude) = place(&rig);
    let report = without_site(&rig, Some(direction(azimuth, altitude))).value;
    let told = told_sides(report.alignments.last().expect("an alignment"));
    // The first field's direction tells; taken for the second it would turn the axis by 68 degrees.
    let east = told.sure_east().expect("a side");
    assert!((east.value.arcmin() - 60.0).abs() < 3.0 * east.sigma.arcmin());
    assert!((told.up.value.arcmin() - 30.0).abs() < 3.0 * told.up.sigma.arcmin());
}
