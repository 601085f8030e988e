//! The same as JSON: each frame as in the night's contract, with its stars.

use serde::Serialize;

use crate::error::Warned;
use crate::report::contract::{Frame, Number, Program, SCHEMA, number};
use crate::stars::{Star, StarField};

use super::{MeasureReport, MeasuredFile};

#[derive(Serialize)]
struct Document {
    schema: u32,
    program: Program,
    frames: Vec<MeasuredFrame>,
    warnings: Vec<String>,
}

#[derive(Serialize)]
struct MeasuredFrame {
    #[serde(flatten)]
    frame: Frame,
    field: Option<Field>,
}

#[derive(Serialize)]
struct Field {
    width_px: usize,
    height_px: usize,
    background: Number,
    noise: Number,
    rejected_hot_pixels: usize,
    rejected_lines: usize,
    rejected_shapes: usize,
    stars: Vec<StarEntry>,
}

#[derive(Serialize)]
struct StarEntry {
    x_px: Number,
    y_px: Number,
    position_covariance_px2: [Number; 3],
    flux: Number,
    flux_sigma: Number,
    peak: Number,
    moments_px2: [Number; 3],
    moments_sigma_px2: [Number; 3],
    trail_px: Option<[Number; 2]>,
    saturated: bool,
    blended: bool,
    at_edge: bool,
}

/// The report as indented JSON with a line end after it.
pub fn to_string(report: &Warned<MeasureReport>) -> String {
    let document = Document {
        schema: SCHEMA,
        program: Program::this(),
        frames: report
            .value
            .frames
            .iter()
            .map(MeasuredFrame::from)
            .collect(),
        warnings: report
            .warnings
            .iter()
            .map(|warning| warning.text.clone())
            .collect(),
    };
    // Text keys and plain values only, which serialise without fail.
    let mut text = serde_json::to_string_pretty(&document).unwrap_or_default();
    text.push('\n');
    text
}

impl From<&MeasuredFile> for MeasuredFrame {
    fn from(file: &MeasuredFile) -> Self {
        Self {
            frame: Frame::from(&file.frame),
            field: file.field.as_ref().map(Field::from),
        }
    }
}

impl From<&StarField> for Field {
    fn from(field: &StarField) -> Self {
        Self {
            width_px: field.width,
            height_px: field.height,
            background: number(field.background),
            noise: number(field.noise),
            rejected_hot_pixels: field.rejected.hot_pixels,
            rejected_lines: field.rejected.lines,
            rejected_shapes: field.rejected.shapes,
            stars: field.stars.iter().map(StarEntry::from).collect(),
        }
    }
}

impl From<&Star> for StarEntry {
    fn from(star: &Star) -> Self {
        let three =
            |tensor: crate::units::PixelTensor| [tensor.xx, tensor.xy, tensor.yy].map(number);
        Self {
            x_px: number(star.position.x),
            y_px: number(star.position.y),
            position_covariance_px2: three(star.position_covariance),
            flux: number(star.flux.value),
            flux_sigma: number(star.flux.sigma),
            peak: number(star.peak),
            moments_px2: three(star.moments),
            moments_sigma_px2: three(star.moments_sigma),
            trail_px: star.trail.map(|trail| [trail.dx, trail.dy].map(number)),
            saturated: star.quality.saturated,
            blended: star.quality.blended,
            at_edge: star.quality.at_edge,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::measure::tests::slanted;
    use serde_json::Value;

    #[test]
    fn a_frame_has_the_nights_keys_and_its_stars() {
        let report = Warned::clean(MeasureReport {
            frames: vec![slanted()],
        });
        let value: Value = serde_json::from_str(&to_string(&report)).unwrap();
        let frame = &value["frames"][0];
        assert_eq!(frame["verdict"], "trailed");
        assert!((frame["trail"]["length_px"].as_f64().unwrap() - 6.0).abs() < 1e-5);
        assert_eq!(frame["field"]["stars"].as_array().unwrap().len(), 600);
        assert_eq!(frame["field"]["stars"][0]["saturated"], false);
    }
}
