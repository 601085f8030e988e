//! Ranges of one alignment's values: axis, drive, disturbances, pointings.

use super::ranges::{all_within, refuse};
use super::tracker::{Alignment, Pointing};
use crate::error::Error;

/// Refuses values of an alignment that cannot be; `prefix` says which alignment it is.
pub fn check_alignment(alignment: &Alignment, prefix: &str) -> Result<(), Error> {
    check_axis_and_drive(alignment, prefix)?;
    check_disturbances(alignment, prefix)?;
    check_air(alignment, prefix)?;
    if alignment.pointings.is_empty() {
        return Err(refuse(format!(
            "{prefix}no [[alignment.pointing]] found; at least one is needed"
        )));
    }
    for (index, pointing) in alignment.pointings.iter().enumerate() {
        let prefix = format!("{prefix}pointing {index}: ");
        check_pointing(pointing, &prefix)?;
        check_direction(pointing, index, &prefix)?;
    }
    check_frame_numbers(alignment, prefix)
}

fn check_axis_and_drive(alignment: &Alignment, prefix: &str) -> Result<(), Error> {
    let (axis, drive) = (&alignment.axis, &alignment.drive);
    let (up, east) = (axis.altitude_error_arcmin, axis.azimuth_error_arcmin);
    all_within(
        prefix,
        &[
            ("before_s", alignment.before_s, 0.0, 1e6),
            ("axis.altitude_error_arcmin", up, -1800.0, 1800.0),
            ("axis.azimuth_error_arcmin", east, -1800.0, 1800.0),
            ("drive.rate", drive.rate.ratio(), -20.0, 20.0),
            ("drive.rate_error_ppm", drive.rate_error_ppm, -1e6, 1e6),
            ("drive.backlash_s", drive.backlash_s, 0.0, 3600.0),
        ],
    )?;
    drive.periodic.iter().try_for_each(|periodic| {
        all_within(
            &format!("{prefix}drive.periodic."),
            &[
                ("amplitude_arcsec", periodic.amplitude_arcsec, 0.0, 3600.0),
                ("period_s", periodic.period_s, 1.0, 1e5),
                ("phase_deg", periodic.phase_deg, -360.0, 360.0),
            ],
        )
    })?;
    drive.slip.iter().try_for_each(|slip| {
        all_within(
            &format!("{prefix}drive.slip."),
            &[
                ("arcsec", slip.arcsec, -36_000.0, 36_000.0),
                ("second", slip.second, -1e5, 1e5),
            ],
        )
    })
}

fn check_disturbances(alignment: &Alignment, prefix: &str) -> Result<(), Error> {
    if let Some(sag) = alignment.sag {
        all_within(
            &format!("{prefix}sag."),
            &[
                ("arcsec", sag.arcsec, -36_000.0, 36_000.0),
                ("time_s", sag.time_s, 1.0, 1e5),
            ],
        )?;
    }
    if let Some(shake) = alignment.shake {
        all_within(
            &format!("{prefix}shake."),
            &[
                ("arcsec", shake.arcsec, 0.0, 3600.0),
                ("frequency_hz", shake.frequency_hz, 0.01, 50.0),
                ("decay_s", shake.decay_s.unwrap_or(1.0), 0.05, 1e5),
            ],
        )?;
    }
    alignment.bumps.iter().try_for_each(|bump| {
        all_within(
            &format!("{prefix}bump."),
            &[
                ("altitude_arcmin", bump.altitude_arcmin, -600.0, 600.0),
                ("azimuth_arcmin", bump.azimuth_arcmin, -600.0, 600.0),
                ("second", bump.second, -1e5, 1e5),
            ],
        )
    })
}

fn check_air(alignment: &Alignment, prefix: &str) -> Result<(), Error> {
    for cloud in &alignment.clouds {
        all_within(
            &format!("{prefix}cloud."),
            &[
                ("transparency", cloud.transparency, 0.0, 1.0),
                ("sky_factor", cloud.sky_factor, 0.1, 100.0),
            ],
        )?;
    }
    alignment.streaks.iter().try_for_each(|streak| {
        let peak = streak.peak_over_noise;
        all_within(prefix, &[("streak.peak_over_noise", peak, 0.0, 1000.0)])
    })
}

/// Disturbances name frames that exist.
fn check_frame_numbers(alignment: &Alignment, prefix: &str) -> Result<(), Error> {
    let last = alignment.pointings.iter().map(|p| p.frames).sum::<usize>() as f64 - 1.0;
    let (bumps, slips) = (&alignment.bumps, &alignment.drive.slip);
    let covered = alignment.clouds.iter().flat_map(|c| &c.frames);
    let rows: Vec<(&str, f64, f64, f64)> = bumps
        .iter()
        .map(|b| ("bump.frame", b.frame))
        .chain(slips.iter().map(|s| ("drive.slip.frame", s.frame)))
        .chain(alignment.streaks.iter().map(|s| ("streak.frame", s.frame)))
        .chain(covered.map(|&frame| ("cloud.frames", frame)))
        .map(|(key, frame)| (key, frame as f64, 0.0, last))
        .collect();
    all_within(prefix, &rows)
}

fn check_pointing(pointing: &Pointing, prefix: &str) -> Result<(), Error> {
    let given = |value: Option<f64>| value.unwrap_or(0.0);
    let up = given(pointing.up_position_angle_deg);
    all_within(
        prefix,
        &[
            ("frames", pointing.frames as f64, 1.0, 1000.0),
            ("exposure_s", pointing.exposure_s, 1e-3, 3600.0),
            ("gap_s", pointing.gap_s, 0.0, 1e5),
            ("before_s", pointing.before_s, 0.0, 1e5),
            ("settle_s", pointing.settle_s, 0.0, 1e5),
            ("azimuth_deg", given(pointing.azimuth_deg), -360.0, 360.0),
            ("altitude_deg", given(pointing.altitude_deg), -5.0, 90.0),
            ("hour_angle_h", given(pointing.hour_angle_h), -24.0, 24.0),
            (
                "declination_deg",
                given(pointing.declination_deg),
                -90.0,
                90.0,
            ),
            ("roll_deg", given(pointing.roll_deg), -360.0, 360.0),
            ("up_position_angle_deg", up, -360.0, 360.0),
        ],
    )?;
    if pointing.roll_deg.is_some() && pointing.up_position_angle_deg.is_some() {
        return Err(refuse(format!(
            "{prefix}give roll_deg or up_position_angle_deg, not both"
        )));
    }
    Ok(())
}

/// One way of saying where the camera looked, and only one.
fn check_direction(pointing: &Pointing, index: usize, prefix: &str) -> Result<(), Error> {
    let facing = pointing.facing.as_deref();
    let given = (
        usize::from(facing.is_some()) + usize::from(pointing.azimuth_deg.is_some()),
        pointing.altitude_deg.is_some(),
        pointing.hour_angle_h.is_some(),
        pointing.declination_deg.is_some(),
    );
    let sound = match given {
        (0, false, false, false) => pointing.same_camera && index > 0,
        (1, true, false, false) | (0, false, true, true) => !pointing.same_camera,
        _ => false,
    };
    if !sound {
        return Err(refuse(format!(
            "{prefix}give either facing (or azimuth_deg) with altitude_deg, or hour_angle_h with declination_deg, or (after the first pointing) same_camera = true"
        )));
    }
    match facing.filter(|name| compass_azimuth_deg(name).is_none()) {
        Some(name) => Err(refuse(format!(
            "{prefix}facing = \"{name}\" is not known; allowed are {}",
            COMPASS.join(", ")
        ))),
        None => Ok(()),
    }
}

const COMPASS: [&str; 8] = [
    "north",
    "north-east",
    "east",
    "south-east",
    "south",
    "south-west",
    "west",
    "north-west",
];

/// Azimuth of a compass point, degrees.
pub fn compass_azimuth_deg(name: &str) -> Option<f64> {
    let place = COMPASS.iter().position(|point| *point == name)?;
    Some(45.0 * place as f64)
}
