//! Charts of the stars' drift in a pointing, of the drive, and of how long to expose.

use super::plot::{Chart, Plot, Series, Style, Value};
use crate::report::{
    AlignmentReport, CenterReport, DriftReport, DriveReport, FrameReport, LongestExposure,
};
use crate::units::{Angle, PixelVector, Seconds};

/// Fewer points make no line.
const FEWEST_POINTS: usize = 3;
/// Focal lengths that the chart of exposures covers, as factors of the lens in use.
const FACTORS: [f64; 2] = [0.125, 4.0];

/// Drift of one pointing along and across the daily motion.
pub(super) fn drifts(alignment: &AlignmentReport, frames: &[&FrameReport], id: &str) -> Vec<Plot> {
    let pointings = frames.iter().filter_map(|frame| frame.pointing);
    let pointings: std::collections::BTreeSet<usize> = pointings.collect();
    let mut plots = Vec::new();
    for (nth, pointing) in pointings.into_iter().enumerate() {
        let members: Vec<&FrameReport> = frames
            .iter()
            .copied()
            .filter(|frame| frame.pointing == Some(pointing))
            .collect();
        let Some(points) = Points::of(&members) else {
            continue;
        };
        let place = format!("{}, pointing {}", alignment.name, nth + 1);
        for (part, name) in [(Part::Across, "across"), (Part::Along, "along")] {
            let id = format!("{id}-{nth}-{name}");
            plots.push(Plot::of(id, points.chart(&place, part)));
        }
    }
    plots
}

#[derive(Clone, Copy, PartialEq)]
enum Part {
    Along,
    Across,
}

/// Running sums of the drift of a pointing.
struct Points {
    /// Minutes, east and north, sigma, the same by the axis alone; arcseconds.
    rows: Vec<Row>,
    has_axis: bool,
}

#[derive(Clone, Copy, Default)]
struct Row {
    minutes: f64,
    measured: (f64, f64),
    sigma: f64,
    by_axis: (f64, f64),
}

impl Points {
    fn of(members: &[&FrameReport]) -> Option<Self> {
        let mut row = Row::default();
        let mut rows = vec![row];
        let mut has_axis = true;
        for frame in members.iter().skip(1) {
            let (drift, scale) = (frame.drift?, frame.pixel_scale?.arcsec());
            let center = frame.center.as_ref()?;
            let add = |sum: (f64, f64), vector: PixelVector| {
                let (east, north) = on_the_sky(vector, center);
                (sum.0 + east * scale, sum.1 + north * scale)
            };
            row.minutes += drift.interval.s() / 60.0;
            row.measured = add(row.measured, drift.vector);
            row.sigma = row.sigma.hypot(drift.sigma.px() * scale);
            match drift.by_axis {
                Some(vector) => row.by_axis = add(row.by_axis, vector),
                None => has_axis = false,
            }
            rows.push(row);
        }
        (rows.len() >= FEWEST_POINTS).then_some(Self { rows, has_axis })
    }

    fn chart(&self, place: &str, part: Part) -> Chart {
        let pick = |both: (f64, f64)| match part {
            Part::Along => both.0,
            Part::Across => both.1,
        };
        let value = |row: &Row, y, sigma| Value {
            x: row.minutes,
            y,
            sigma,
        };
        let measured = Series {
            name: "measured".into(),
            style: Style::Dots,
            values: self
                .rows
                .iter()
                .map(|row| value(row, pick(row.measured), row.sigma))
                .collect(),
        };
        let mut series = vec![measured];
        if self.has_axis {
            series.push(Series {
                name: "by the axis alone, drive even".into(),
                style: Style::Dashes,
                values: self
                    .rows
                    .iter()
                    .map(|row| value(row, pick(row.by_axis), 0.0))
                    .collect(),
            });
        }
        let (title, y_name) = match part {
            Part::Along => ("Drift along the daily motion", "east, arcsec"),
            Part::Across => ("Drift across the daily motion", "north, arcsec"),
        };
        let last = self.rows.last().copied().unwrap_or_default();
        Chart {
            title: format!("{title}: {place}"),
            description: format!(
                "{:.1} arcsec after {:.1} minutes.",
                pick(last.measured),
                last.minutes
            ),
            x_name: "minutes since the first frame".into(),
            y_name: y_name.into(),
            height: 220.0,
            series,
            logarithmic: false,
        }
    }
}

/// East and north parts of a vector on the picture, pixels.
///
/// With the picture's up at position angle p (north through east), up is `cos p` north and `sin p`
/// east; right is `sin p` north and `-cos p` east in an unmirrored picture.
fn on_the_sky(vector: PixelVector, center: &CenterReport) -> (f64, f64) {
    let (sin, cos) = center.up_position_angle.rad().sin_cos();
    let (right, up) = (vector.dx, -vector.dy);
    (up * sin - right * cos, up * cos + right * sin)
}

/// How the drive ran against its mean rate.
pub(super) fn drive(drive: &DriveReport, name: &str, id: &str) -> Option<Plot> {
    if drive.record.len() < FEWEST_POINTS {
        return None;
    }
    let values = drive.record.iter().map(|point| Value {
        x: point.after.s() / 60.0,
        y: point.ahead.value.arcsec(),
        sigma: point.ahead.sigma.arcsec(),
    });
    let ahead = drive.record.iter().map(|point| point.ahead.value);
    let most = ahead.map(Angle::abs).fold(Angle::ZERO, Angle::max);
    Some(Plot::of(
        format!("{id}-drive"),
        Chart {
            title: format!("Drive against its mean rate: {name}"),
            description: format!(
                "The drive ran at {:.4} of the star rate and was at most {:.1} arcsec off its own line.",
                drive.rate_ratio.value,
                most.arcsec()
            ),
            x_name: "minutes since the first frame".into(),
            y_name: "ahead, arcsec".into(),
            height: 220.0,
            series: vec![Series {
                name: "drive ahead (+) or behind (-)".into(),
                style: Style::Dots,
                values: values.collect(),
            }],
            logarithmic: false,
        },
    ))
}

/// Longest exposure against focal length, now and after the correction.
///
/// A trail grows with focal length and time alike, so their product is what the tolerance allows.
pub(super) fn exposures(longest: &LongestExposure, focal_mm: f64, id: &str) -> Option<Plot> {
    let line = |limit: Option<Seconds>, name: &str, style| {
        let limit = limit.filter(|limit| limit.s() > 0.0)?;
        let values = FACTORS.map(|factor| Value {
            x: focal_mm * factor,
            y: limit.s() / factor,
            sigma: 0.0,
        });
        Some(Series {
            name: name.into(),
            style,
            values: values.to_vec(),
        })
    };
    let now = line(longest.now, "as it stands", Style::Line);
    let corrected = longest
        .after_correction
        .filter(|after| Some(*after) > longest.now);
    let after = line(corrected, "once corrected", Style::Dashes);
    let here = longest.now.map(|limit| Series {
        name: format!("this lens, {focal_mm:.0} mm"),
        style: Style::Dots,
        values: vec![Value {
            x: focal_mm,
            y: limit.s(),
            sigma: 0.0,
        }],
    });
    let series: Vec<Series> = now.into_iter().chain(after).chain(here).collect();
    (!series.is_empty()).then(|| {
        Plot::of(
            format!("{id}-exposures"),
            Chart {
                title: "Longest exposure against focal length".into(),
                description: "Same camera, same place in the sky; a trail grows with both.".into(),
                x_name: "focal length, mm".into(),
                y_name: "seconds".into(),
                height: 260.0,
                series,
                logarithmic: true,
            },
        )
    })
}

/// The last drift of a frame, for its card.
pub(super) fn drift_words(drift: &DriftReport) -> String {
    format!(
        "{:.1} px since the frame before ({:.0} s)",
        drift.vector.length().px(),
        drift.interval.s()
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;

    #[test]
    fn picture_directions_become_sky_directions() {
        let mut center = sample::realign().value.frames[0].center.unwrap();
        center.up_position_angle = Angle::ZERO;
        // North up: down in the picture is south, right is west.
        assert_eq!(on_the_sky(PixelVector::new(0.0, 1.0), &center), (0.0, -1.0));
        assert_eq!(on_the_sky(PixelVector::new(1.0, 0.0), &center), (-1.0, 0.0));
        center.up_position_angle = Angle::from_deg(90.0);
        // East up: right is north.
        let (east, north) = on_the_sky(PixelVector::new(1.0, 0.0), &center);
        assert!(east.abs() < 1e-12 && (north - 1.0).abs() < 1e-12);
    }

    #[test]
    fn three_frames_of_a_pointing_make_two_charts_and_two_make_none() {
        let night = sample::realign().value;
        let mut frames: Vec<_> = night.frames.iter().filter(|one| one.is_used()).collect();
        assert!(drifts(&night.alignments[0], &frames, "a").is_empty());
        frames.insert(1, frames[1]);
        assert_eq!(drifts(&night.alignments[0], &frames, "a").len(), 2);
    }

    #[test]
    fn twice_the_focal_length_takes_half_of_the_time() {
        let longest = LongestExposure {
            now: Some(Seconds::new(60.0)),
            after_correction: None,
        };
        assert!(exposures(&longest, 100.0, "a").is_some());
        assert!(exposures(&LongestExposure::default(), 100.0, "a").is_none());
    }
}
