//! Ranges of a scenario's values. Every message names key, value and allowed range.

use super::check_alignment::check_alignment;
use super::ranges::{all_within, is_file_name, refuse};
use super::scenario::Scenario;
use super::tracker::Alignment;
use crate::error::Error;

/// Refuses values that no night can have, or that this simulator cannot draw.
pub fn check(scenario: &Scenario) -> Result<(), Error> {
    check_site(scenario)?;
    check_camera(scenario)?;
    check_lens(scenario)?;
    check_sky(scenario)?;
    check_output(scenario)?;
    if scenario.alignments.is_empty() {
        return Err(refuse(
            "no [[alignment]] found; at least one is needed".into(),
        ));
    }
    for (index, alignment) in scenario.alignments.iter().enumerate() {
        check_name(&scenario.alignments, index)?;
        check_alignment(alignment, &format!("alignment {index}: "))?;
    }
    Ok(())
}

fn check_site(scenario: &Scenario) -> Result<(), Error> {
    let site = &scenario.site;
    let year = 1970.0 + scenario.start_utc.as_second() as f64 / 31_556_952.0;
    // UTC has its present form since 1972; the series behind the Earth's motion hold to 2100.
    all_within("", &[("year of start_utc", year.floor(), 1975.0, 2095.0)])?;
    all_within(
        "site.",
        &[
            ("latitude_deg", site.latitude_deg, -89.0, 89.0),
            ("longitude_deg", site.longitude_deg, -180.0, 360.0),
            ("height_m", site.height_m, -500.0, 9000.0),
            ("pressure_hpa", site.pressure_hpa, 0.0, 1100.0),
            ("temperature_c", site.temperature_c, -60.0, 60.0),
            ("humidity", site.humidity, 0.0, 1.0),
            ("ut1_minus_utc_s", site.ut1_minus_utc_s, -1.0, 1.0),
        ],
    )
}

fn check_camera(scenario: &Scenario) -> Result<(), Error> {
    let camera = &scenario.camera;
    all_within(
        "camera.",
        &[
            ("width_px", camera.width_px as f64, 64.0, 20_000.0),
            ("height_px", camera.height_px as f64, 64.0, 20_000.0),
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
    )?;
    check_text("camera.maker", &camera.maker)?;
    check_text("camera.model", &camera.model)
}

/// EXIF keeps such texts in ASCII.
fn check_text(key: &str, text: &str) -> Result<(), Error> {
    if text.is_empty() || !text.is_ascii() {
        return Err(refuse(format!(
            "{key} = \"{text}\" must be ASCII text, not empty"
        )));
    }
    Ok(())
}

fn check_lens(scenario: &Scenario) -> Result<(), Error> {
    let lens = &scenario.lens;
    all_within(
        "lens.",
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
    )?;
    check_text("lens.name", &lens.name)?;
    let (width, height) = scenario.frame_size();
    let half_diagonal_px = 0.5 * (width as f64).hypot(height as f64);
    let corner = half_diagonal_px * scenario.camera.pitch_um / 1000.0 / lens.focal_mm;
    // Beyond this the distortion shifts the corner by an eighth and soon turns back on itself.
    let limit = 0.12 / (corner * corner);
    all_within(
        "",
        &[
            (
                "half of the sensor's diagonal over lens.focal_mm",
                corner,
                0.0,
                1.7,
            ),
            ("lens.k1", lens.k1, -limit, limit),
        ],
    )
}

fn check_sky(scenario: &Scenario) -> Result<(), Error> {
    let sky = &scenario.sky;
    all_within(
        "sky.",
        &[
            (
                "brightness_mag_arcsec2",
                sky.brightness_mag_arcsec2,
                14.0,
                23.0,
            ),
            ("gradient", sky.gradient, 0.0, 0.9),
            (
                "gradient_towards_deg",
                sky.gradient_towards_deg,
                -360.0,
                360.0,
            ),
            ("foreground", sky.foreground, 0.0, 0.8),
        ],
    )
}

fn check_output(scenario: &Scenario) -> Result<(), Error> {
    let output = &scenario.output;
    all_within(
        "output.",
        &[
            ("quality", f64::from(output.quality), 1.0, 100.0),
            ("orientation", f64::from(output.orientation), 1.0, 8.0),
            ("clock_error_s", output.clock_error_s, -1e6, 1e6),
            ("utc_offset_h", output.utc_offset_h, -12.0, 14.0),
            ("first_number", f64::from(output.first_number), 0.0, 9999.0),
        ],
    )?;
    if is_file_name(&output.prefix) {
        return Ok(());
    }
    Err(refuse(format!(
        "output.prefix = \"{}\" must be letters, digits, '-' or '_'",
        output.prefix
    )))
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
