//! Where the frames looked and through which lens: two tables for the terminal, and how angles
//! are spelt in them.

use crate::report::CenterReport;
use crate::report::page::{Page, Role, Side, cell};
use crate::report::table::file_name;
use crate::units::{Angle, Measured};

use super::{Identified, Identity, MeasureReport, MeasuredFile, Measurement};

/// Frames up to which each has a row of its own; of more, the first and the last are shown.
const MOST_ROWS: usize = 12;
/// Width from which the tables have all their columns; narrower ones lose the last.
const ROOMY: usize = 72;

/// Lays out where the frames looked, through which lens, and which of them were not identified.
pub fn write(report: &MeasureReport, page: &mut Page) {
    let known: Vec<Row> = report.frames.iter().filter_map(Row::of).collect();
    if !known.is_empty() {
        page.gap();
        page.line(&[(Role::Heading, "Where the camera looked".into())]);
        where_table(&known, page);
        page.gap();
        lens_table(&known, page);
        page.gap();
        explain(&known, page);
    }
    unidentified(report, page);
}

/// A frame with identified stars.
struct Row<'a> {
    file: &'a MeasuredFile,
    center: &'a CenterReport,
    known: &'a Identified,
}

impl<'a> Row<'a> {
    fn of(file: &'a MeasuredFile) -> Option<Self> {
        Some(Row {
            file,
            center: file.frame.center.as_ref()?,
            known: file.measured.as_ref()?.identity.known()?,
        })
    }

    fn name(&self) -> &'a str {
        file_name(&self.file.frame.file)
    }
}

fn where_table(rows: &[Row], page: &mut Page) {
    let head = [
        "right asc.",
        "declin.",
        "top",
        "azimuth",
        "high",
        "hour angle",
        "rms px",
    ];
    table(rows, head, [11, 11, 7, 10, 6, 12, 8], page, |row| {
        let horizon = row.center.horizon.map(|direction| direction.az_alt());
        let or_dash = |text: Option<String>| text.unwrap_or("-".into());
        [
            or_dash(row.center.ra.map(right_ascension)),
            declination(row.center.dec),
            format!("{:.1}", row.center.up_position_angle.deg()),
            or_dash(horizon.map(|(azimuth, _)| with_side(azimuth))),
            or_dash(horizon.map(|(_, altitude)| format!("{:.1}", altitude.deg()))),
            or_dash(row.center.hour_angle.map(hour_angle)),
            format!("{:.2}", row.known.plate.rms.px()),
        ]
    });
}

fn lens_table(rows: &[Row], page: &mut Page) {
    let head = ["identified", "one pixel", "focal length", "distortion"];
    table(rows, head, [13, 18, 20, 16], page, |row| {
        let frame = &row.file.frame;
        [
            format!("{} of {}", frame.n_identified, frame.n_stars),
            scale(row.known),
            focal_length(row.known),
            plus_minus_at_most(row.known.distortion(), 3),
        ]
    });
}

/// Rows of cells; a narrow page keeps the first three, or two of few.
fn table<const N: usize>(
    rows: &[Row],
    head: [&str; N],
    widths: [usize; N],
    page: &mut Page,
    cells: impl Fn(&Row) -> [String; N],
) {
    let n_cells = if page.width() >= ROOMY {
        N
    } else {
        N.div_ceil(3)
    };
    let fixed: usize = widths[..n_cells].iter().sum();
    let longest = rows.iter().map(|row| row.name().chars().count()).max();
    let room = page.width().saturating_sub(fixed + 1).max(8);
    let name_columns = longest.unwrap_or(0).clamp(8, room);
    let line = |name: &str, texts: &[&str]| {
        let filled = texts.iter().zip(&widths[..n_cells]);
        let cells: String = filled
            .map(|(text, width)| cell(text, *width, Side::Right))
            .collect();
        format!(" {}{cells}", cell(name, name_columns, Side::Left))
    };
    page.line(&[(Role::Quiet, line("frame", &head))]);
    for (nth, row) in rows.iter().enumerate() {
        let hidden =
            rows.len() > MOST_ROWS && (MOST_ROWS / 2..rows.len() - MOST_ROWS / 2).contains(&nth);
        if !hidden {
            let texts = cells(row).map(|text| page.spelt(&text));
            let name = page.spelt(row.name());
            let texts: Vec<&str> = texts.iter().map(String::as_str).collect();
            page.line(&[(Role::Body, line(&name, &texts))]);
        } else if nth == MOST_ROWS / 2 {
            let n_hidden = rows.len() - MOST_ROWS;
            let words = format!(" ... {n_hidden} more between; --json has all");
            page.line(&[(Role::Quiet, words)]);
        }
    }
}

fn explain(rows: &[Row], page: &mut Page) {
    let mut words = "top: where the picture's top points, degrees from north through east; \
                     right ascension and declination: ICRS"
        .to_string();
    if rows.iter().any(|row| row.center.horizon.is_none()) {
        words += "; azimuth, height and hour angle need the place (--site) and the exact time \
                  (--utc-offset tells the clock's zone)";
    }
    page.words(Role::Quiet, " ", &words);
}

/// Frames without identified stars, those with the same reason together.
fn unidentified(report: &MeasureReport, page: &mut Page) {
    let mut groups: Vec<(String, Vec<&str>)> = Vec::new();
    for file in &report.frames {
        let Some(Measurement {
            identity: Identity::Unknown(reason),
            ..
        }) = &file.measured
        else {
            continue;
        };
        let (reason, name) = (reason.to_string(), file_name(&file.frame.file));
        match groups.iter_mut().find(|(same, _)| *same == reason) {
            Some((_, names)) => names.push(name),
            None => groups.push((reason, vec![name])),
        }
    }
    if groups.is_empty() {
        return;
    }
    page.gap();
    page.line(&[(Role::Heading, "Stars not identified".into())]);
    for (reason, names) in &groups {
        let names = match names.as_slice() {
            [first, .., last] if names.len() > 4 => {
                format!("{first} to {last} ({} frames)", names.len())
            }
            names => names.join(", "),
        };
        page.words(Role::Body, " ", &format!("{names}: {reason}"));
    }
    let help = "what helps: the lens (--focal MM, --pixel-pitch UM), a shorter exposure, sharper \
                focus, more sky in the frame; a picture that was mirrored, cropped off its middle \
                or warped cannot be identified";
    page.words(Role::Quiet, " ", help);
}

/// `4.278 +- 0.001"`.
pub fn scale(known: &Identified) -> String {
    let scale = known.scale();
    let arcsec = Measured::new(scale.value.arcsec(), scale.sigma.arcsec());
    format!("{}\"", plus_minus(arcsec))
}

/// In millimetres where the pixel pitch is known, else in pixels.
pub fn focal_length(known: &Identified) -> String {
    match known.focal_length() {
        Some(focal) => {
            let mm = Measured::new(focal.value.mm(), focal.sigma.mm());
            format!("{} mm", plus_minus_at_most(mm, 2))
        }
        None => {
            let focal = known.focal_px();
            let px = Measured::new(focal.value.px(), focal.sigma.px());
            format!("{} px", plus_minus(px))
        }
    }
}

/// A value with its sigma, the sigma to one digit, four decimals at most.
pub fn plus_minus(measured: Measured<f64>) -> String {
    plus_minus_at_most(measured, 4)
}

fn plus_minus_at_most(measured: Measured<f64>, most: usize) -> String {
    let places = decimals(measured.sigma, most);
    let least = 10f64.powi(-(places as i32));
    format!(
        "{:.places$} +- {:.places$}",
        measured.value,
        measured.sigma.max(least)
    )
}

/// Decimals that show a sigma's first digit.
fn decimals(sigma: f64, most: usize) -> usize {
    if sigma > 0.0 {
        (-sigma.log10().floor()).clamp(0.0, most as f64) as usize
    } else {
        most
    }
}

/// `21h43m51s`.
pub fn right_ascension(angle: Angle) -> String {
    let seconds = (angle.wrapped_positive().hours() * 3600.0).round() as i64 % 86_400;
    let (hours, minutes) = (seconds / 3600, seconds / 60 % 60);
    format!("{hours:02}h{minutes:02}m{:02}s", seconds % 60)
}

/// `+01d04m02s`.
pub fn declination(angle: Angle) -> String {
    let seconds = angle.arcsec().abs().round() as i64;
    let sign = if angle.rad() < 0.0 { '-' } else { '+' };
    let (degrees, minutes) = (seconds / 3600, seconds / 60 % 60);
    format!("{sign}{degrees:02}d{minutes:02}m{:02}s", seconds % 60)
}

/// `0h01m west`: past the meridian.
pub fn hour_angle(angle: Angle) -> String {
    let minutes = (angle.wrapped_signed().hours().abs() * 60.0).round() as i64;
    let side = if angle.wrapped_signed().rad() < 0.0 {
        "east"
    } else {
        "west"
    };
    format!("{}h{:02}m {side}", minutes / 60, minutes % 60)
}

/// `180.3 S`.
pub fn with_side(azimuth: Angle) -> String {
    const SIDES: [&str; 8] = ["N", "NE", "E", "SE", "S", "SW", "W", "NW"];
    let eighth = (azimuth.wrapped_positive().deg() / 45.0).round() as usize % 8;
    format!("{:.1} {}", azimuth.wrapped_positive().deg(), SIDES[eighth])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn angles_round_up_through_all_their_parts() {
        let hours = |hours: f64| Angle::from_hours(hours);
        assert_eq!(right_ascension(hours(23.999_999_9)), "00h00m00s");
        assert_eq!(right_ascension(hours(-1e-12)), "00h00m00s");
        assert_eq!(right_ascension(hours(5.588_139)), "05h35m17s");
        assert_eq!(declination(Angle::from_deg(-5.389_9)), "-05d23m24s");
        assert_eq!(declination(Angle::from_arcsec(3599.7)), "+01d00m00s");
        assert_eq!(hour_angle(Angle::from_deg(-63.0)), "4h12m east");
        assert_eq!(hour_angle(hours(0.9999)), "1h00m west");
        assert_eq!(with_side(Angle::from_deg(359.0)), "359.0 N");
        assert_eq!(with_side(Angle::from_deg(-112.4)), "247.6 W");
    }

    #[test]
    fn a_sigma_shows_one_digit() {
        let spelt = |value, sigma| plus_minus(Measured::new(value, sigma));
        assert_eq!(spelt(135.021_4, 0.012), "135.02 +- 0.01");
        assert_eq!(spelt(31_556.2, 13.0), "31556 +- 13");
        assert_eq!(spelt(-0.02, 1e-9), "-0.0200 +- 0.0001");
    }
}
