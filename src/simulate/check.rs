//! Ranges of a scenario's values. Every message names key, value and allowed range.

use super::scenario::{Alignment, Pointing, Scenario};
use crate::error::{Error, ErrorKind};

fn refuse(text: String) -> Error {
    Error::new(ErrorKind::BadSetting, text)
}

/// `Ok` where `low <= value <= high`; NaN is refused.
fn within(key: &str, value: f64, low: f64, high: f64) -> Result<(), Error> {
    if (low..=high).contains(&value) {
        return Ok(());
    }
    Err(refuse(format!(
        "{key} = {value} is out of range; allowed is {low} to {high}"
    )))
}

fn all_within(rows: &[(&str, f64, f64, f64)], prefix: &str) -> Result<(), Error> {
    rows.iter().try_for_each(|&(key, value, low, high)| {
        within(&format!("{prefix}{key}"), value, low, high)
    })
}

/// Refuses values that no night can have, or that this simulator cannot draw.
pub fn check(scenario: &Scenario) -> Result<(), Error> {
    check_site(scenario)?;
    check_camera(scenario)?;
    check_lens(scenario)?;
    check_sky_and_output(scenario)?;
    if scenario.alignments.is_empty() {
        return Err(refuse(
            "no [[alignment]] found; at least one is needed".into(),
        ));
    }
    for (index, alignment) in scenario.alignments.iter().enumerate() {
        check_alignment(alignment, &format!("alignment {index}: "))?;
        check_name(&scenario.alignments, index)?;
    }
    Ok(())
}

fn check_site(scenario: &Scenario) -> Result<(), Error> {
    let site = &scenario.site;
    let year = f64::from(
        scenario
            .start_utc
            .to_string()
            .get(..4)
            .and_then(|y| y.parse::<i16>().ok())
            .unwrap_or(0),
    );
    // The theories of the Earth's motion behind the sky are good for 1900 to 2100, UTC from 1972 on.
    within("year of start_utc", year, 1975.0, 2095.0)?;
    all_within(
        &[
            ("latitude_deg", site.latitude_deg, -89.0, 89.0),
            ("longitude_deg", site.longitude_deg, -180.0, 360.0),
            ("height_m", site.height_m, -500.0, 9000.0),
            ("pressure_hpa", site.pressure_hpa, 0.0, 1100.0),
            ("temperature_c", site.temperature_c, -60.0, 60.0),
            ("humidity", site.humidity, 0.0, 1.0),
            ("ut1_minus_utc_s", site.ut1_minus_utc_s, -1.0, 1.0),
        ],
        "site.",
    )
}

fn check_camera(scenario: &Scenario) -> Result<(), Error> {
    let camera = &scenario.camera;
    all_within(
        &[
            ("width_px", camera.width_px as f64, 64.0, 20000.0),
            ("height_px", camera.height_px as f64, 64.0, 20000.0),
            ("pitch_um", camera.pitch_um, 0.5, 50.0),
            ("read_noise_e", camera.read_noise_e, 0.0, 100.0),
            ("full_well_e", camera.full_well_e, 100.0, 1e6),
            ("iso", camera.iso, 25.0, 409_600.0),
            ("bits", f64::from(camera.bits), 8.0, 16.0),
            (
                "hot_pixels_per_million",
                camera.hot_pixels_per_million,
                0.0,
                10_000.0,
            ),
        ],
        "camera.",
    )?;
    for (key, text) in [("maker", &camera.maker), ("model", &camera.model)] {
        if text.is_empty() || !text.is_ascii() {
            return Err(refuse(format!(
                "camera.{key} = \"{text}\" must be ASCII text, not empty"
            )));
        }
    }
    Ok(())
}

fn check_lens(scenario: &Scenario) -> Result<(), Error> {
    let lens = &scenario.lens;
    all_within(
        &[
            ("focal_mm", lens.focal_mm, 4.0, 3000.0),
            ("f_number", lens.f_number, 0.7, 64.0),
            ("fwhm_px", lens.fwhm_px, 1.2, 20.0),
            ("moffat_beta", lens.moffat_beta.unwrap_or(3.0), 1.5, 50.0),
            ("vignetting", lens.vignetting, 0.0, 0.95),
            ("astigmatism_px", lens.astigmatism_px, -20.0, 20.0),
            ("coma_px", lens.coma_px, 0.0, 20.0),
            ("tilt_px", lens.tilt_px, -20.0, 20.0),
            ("defocus_px", lens.defocus_px, 0.0, 30.0),
        ],
        "lens.",
    )?;
    if !lens.name.is_ascii() {
        return Err(refuse(format!(
            "lens.name = \"{}\" must be ASCII text",
            lens.name
        )));
    }
    let (width, height) = scenario.frame_size();
    let half_diagonal =
        0.5 * (width as f64).hypot(height as f64) * scenario.camera.pitch_um / 1000.0;
    let corner = half_diagonal / lens.focal_mm;
    within(
        "half of the frame's diagonal over lens.focal_mm",
        corner,
        0.0,
        1.7,
    )?;
    // Beyond this the distortion turns back on itself inside the frame.
    let limit = 0.12 / (corner * corner);
    within("lens.k1", lens.k1, -limit, limit)
}

fn check_sky_and_output(scenario: &Scenario) -> Result<(), Error> {
    let (sky, output) = (&scenario.sky, &scenario.output);
    all_within(
        &[
            (
                "sky.brightness_mag_arcsec2",
                sky.brightness_mag_arcsec2,
                14.0,
                23.0,
            ),
            ("sky.gradient", sky.gradient, 0.0, 0.9),
            (
                "sky.gradient_towards_deg",
                sky.gradient_towards_deg,
                -360.0,
                360.0,
            ),
            ("sky.foreground", sky.foreground, 0.0, 0.8),
            ("output.quality", f64::from(output.quality), 1.0, 100.0),
            (
                "output.orientation",
                f64::from(output.orientation),
                1.0,
                8.0,
            ),
            ("output.clock_error_s", output.clock_error_s, -1e6, 1e6),
            ("output.utc_offset_h", output.utc_offset_h, -12.0, 14.0),
            (
                "output.first_number",
                f64::from(output.first_number),
                0.0,
                9999.0,
            ),
        ],
        "",
    )?;
    if !is_file_name(&output.prefix) {
        return Err(refuse(format!(
            "output.prefix = \"{}\" must be letters, digits, '-' or '_'",
            output.prefix
        )));
    }
    Ok(())
}

fn is_file_name(text: &str) -> bool {
    !text.is_empty()
        && text
            .chars()
            .all(|c| c.is_ascii_alphanumeric() || c == '-' || c == '_')
}

fn check_name(alignments: &[Alignment], index: usize) -> Result<(), Error> {
    let name = &alignments[index].name;
    if alignments[..index].iter().any(|other| other.name == *name) {
        return Err(refuse(format!(
            "alignment {index}: name = \"{name}\" is taken; names must differ"
        )));
    }
    if name.is_empty() || is_file_name(name) {
        return Ok(());
    }
    Err(refuse(format!(
        "alignment {index}: name = \"{name}\" must be letters, digits, '-' or '_'"
    )))
}

fn check_alignment(alignment: &Alignment, prefix: &str) -> Result<(), Error> {
    let (axis, drive) = (&alignment.axis, &alignment.drive);
    all_within(
        &[
            ("before_s", alignment.before_s, 0.0, 1e6),
            (
                "axis.altitude_error_arcmin",
                axis.altitude_error_arcmin,
                -1800.0,
                1800.0,
            ),
            (
                "axis.azimuth_error_arcmin",
                axis.azimuth_error_arcmin,
                -1800.0,
                1800.0,
            ),
            ("drive.rate", drive.rate.ratio(), -20.0, 20.0),
            ("drive.rate_error_ppm", drive.rate_error_ppm, -1e6, 1e6),
            ("drive.backlash_s", drive.backlash_s, 0.0, 3600.0),
        ],
        prefix,
    )?;
    for p in &drive.periodic {
        within(
            &format!("{prefix}drive.periodic.amplitude_arcsec"),
            p.amplitude_arcsec,
            0.0,
            3600.0,
        )?;
        within(
            &format!("{prefix}drive.periodic.period_s"),
            p.period_s,
            1.0,
            1e5,
        )?;
        within(
            &format!("{prefix}drive.periodic.phase_deg"),
            p.phase_deg,
            -360.0,
            360.0,
        )?;
    }
    check_disturbances(alignment, prefix)?;
    if alignment.pointings.is_empty() {
        return Err(refuse(format!(
            "{prefix}no [[alignment.pointing]] found; at least one is needed"
        )));
    }
    for (index, pointing) in alignment.pointings.iter().enumerate() {
        check_pointing(pointing, index, &format!("{prefix}pointing {index}: "))?;
    }
    check_frame_numbers(alignment, prefix)
}

fn check_disturbances(alignment: &Alignment, prefix: &str) -> Result<(), Error> {
    if let Some(sag) = alignment.sag {
        within(
            &format!("{prefix}sag.arcsec"),
            sag.arcsec,
            -36_000.0,
            36_000.0,
        )?;
        within(&format!("{prefix}sag.time_s"), sag.time_s, 1.0, 1e5)?;
    }
    if let Some(shake) = alignment.shake {
        within(&format!("{prefix}shake.arcsec"), shake.arcsec, 0.0, 3600.0)?;
        within(
            &format!("{prefix}shake.frequency_hz"),
            shake.frequency_hz,
            0.01,
            50.0,
        )?;
        within(
            &format!("{prefix}shake.decay_s"),
            shake.decay_s.unwrap_or(1.0),
            0.05,
            1e5,
        )?;
    }
    for bump in &alignment.bumps {
        within(
            &format!("{prefix}bump.altitude_arcmin"),
            bump.altitude_arcmin,
            -600.0,
            600.0,
        )?;
        within(
            &format!("{prefix}bump.azimuth_arcmin"),
            bump.azimuth_arcmin,
            -600.0,
            600.0,
        )?;
        within(&format!("{prefix}bump.second"), bump.second, -1e5, 1e5)?;
    }
    for slip in &alignment.drive.slip {
        within(
            &format!("{prefix}drive.slip.arcsec"),
            slip.arcsec,
            -36_000.0,
            36_000.0,
        )?;
        within(
            &format!("{prefix}drive.slip.second"),
            slip.second,
            -1e5,
            1e5,
        )?;
    }
    for cloud in &alignment.clouds {
        within(
            &format!("{prefix}cloud.transparency"),
            cloud.transparency,
            0.0,
            1.0,
        )?;
        within(
            &format!("{prefix}cloud.sky_factor"),
            cloud.sky_factor,
            0.1,
            100.0,
        )?;
    }
    for streak in &alignment.streaks {
        within(
            &format!("{prefix}streak.peak_over_noise"),
            streak.peak_over_noise,
            0.0,
            1000.0,
        )?;
    }
    Ok(())
}

/// Disturbances name frames that exist.
fn check_frame_numbers(alignment: &Alignment, prefix: &str) -> Result<(), Error> {
    let count: usize = alignment.pointings.iter().map(|p| p.frames).sum();
    let named = alignment
        .bumps
        .iter()
        .map(|b| ("bump.frame", b.frame))
        .chain(
            alignment
                .drive
                .slip
                .iter()
                .map(|s| ("drive.slip.frame", s.frame)),
        )
        .chain(alignment.streaks.iter().map(|s| ("streak.frame", s.frame)))
        .chain(
            alignment
                .clouds
                .iter()
                .flat_map(|c| c.frames.iter().map(|&f| ("cloud.frames", f))),
        );
    for (key, frame) in named {
        within(
            &format!("{prefix}{key}"),
            frame as f64,
            0.0,
            count as f64 - 1.0,
        )?;
    }
    Ok(())
}

fn check_pointing(pointing: &Pointing, index: usize, prefix: &str) -> Result<(), Error> {
    all_within(
        &[
            ("frames", pointing.frames as f64, 1.0, 1000.0),
            ("exposure_s", pointing.exposure_s, 1e-3, 3600.0),
            ("gap_s", pointing.gap_s, 0.0, 1e5),
            ("before_s", pointing.before_s, 0.0, 1e5),
            ("settle_s", pointing.settle_s, 0.0, 1e5),
            (
                "azimuth_deg",
                pointing.azimuth_deg.unwrap_or(0.0),
                -360.0,
                360.0,
            ),
            (
                "altitude_deg",
                pointing.altitude_deg.unwrap_or(0.0),
                -5.0,
                90.0,
            ),
            (
                "hour_angle_h",
                pointing.hour_angle_h.unwrap_or(0.0),
                -24.0,
                24.0,
            ),
            (
                "declination_deg",
                pointing.declination_deg.unwrap_or(0.0),
                -90.0,
                90.0,
            ),
            ("roll_deg", pointing.roll_deg.unwrap_or(0.0), -360.0, 360.0),
            (
                "up_position_angle_deg",
                pointing.up_position_angle_deg.unwrap_or(0.0),
                -360.0,
                360.0,
            ),
        ],
        prefix,
    )?;
    check_direction(pointing, index, prefix)
}

/// One way of saying where the camera looked, and only one.
fn check_direction(pointing: &Pointing, index: usize, prefix: &str) -> Result<(), Error> {
    let by_facing =
        usize::from(pointing.facing.is_some()) + usize::from(pointing.azimuth_deg.is_some());
    let given = (
        by_facing,
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
    if pointing.roll_deg.is_some() && pointing.up_position_angle_deg.is_some() {
        return Err(refuse(format!(
            "{prefix}give roll_deg or up_position_angle_deg, not both"
        )));
    }
    match pointing
        .facing
        .as_deref()
        .map(|name| (name, compass_azimuth_deg(name)))
    {
        Some((name, None)) => Err(refuse(format!(
            "{prefix}facing = \"{name}\" is not known; allowed are north, north-east, east, south-east, south, south-west, west, north-west"
        ))),
        _ => Ok(()),
    }
}

/// Azimuth of a compass point, degrees.
pub fn compass_azimuth_deg(name: &str) -> Option<f64> {
    const POINTS: [&str; 8] = [
        "north",
        "north-east",
        "east",
        "south-east",
        "south",
        "south-west",
        "west",
        "north-west",
    ];
    let place = POINTS.iter().position(|point| *point == name)?;
    Some(45.0 * place as f64)
}
