//! The beam's test as JSON; keys carry their units. Lengths are in millimetres whatever the marks were.

use serde::Serialize;

use super::text::LASER_CAUTIONS;
use super::{BeamFinding, BeamReport};
use crate::beam::WallPoint;
use crate::report::contract::{Number, Program, number};

#[derive(Serialize)]
struct Beam {
    schema: u32,
    program: Program,
    answer: String,
    marks: usize,
    distance_mm: Number,
    beam: Option<Found>,
    cautions: [&'static str; 4],
}

#[derive(Serialize)]
struct Found {
    angle_arcmin: Number,
    angle_sigma_arcmin: Number,
    radius_mm: Number,
    radius_sigma_mm: Number,
    center: Point,
    center_sigma_mm: Number,
    /// From where the spot stands now.
    to_center: Point,
    slant_deg: Number,
    mark_sigma_mm: Number,
    misfit: Number,
    screws: Vec<Screw>,
    left_by_spot_arcmin: Number,
    left_by_marks_arcmin: Number,
    shortest_distance_mm: Number,
    /// Null without a camera, and where nothing drifts.
    longest_exposure_left_alone_s: Number,
    longest_exposure_adjusted_s: Number,
}

#[derive(Serialize)]
struct Point {
    right_mm: Number,
    up_mm: Number,
}

#[derive(Serialize)]
struct Screw {
    clock_hours: Number,
    /// Towards the screw's own side positive.
    spot_mm: Number,
    spot_sigma_mm: Number,
}

impl BeamReport {
    /// The whole answer as indented JSON with a line end.
    pub fn to_json(&self) -> String {
        let beam = Beam {
            schema: 1,
            program: Program::this(),
            answer: self.answer(),
            marks: self.question.test.marks.len(),
            distance_mm: number(self.question.test.distance.mm()),
            beam: self.finding.as_ref().ok().map(Found::from),
            cautions: LASER_CAUTIONS,
        };
        // Text keys and plain values serialise without fail.
        serde_json::to_string_pretty(&beam).unwrap_or_default() + "\n"
    }
}

impl From<WallPoint> for Point {
    fn from(point: WallPoint) -> Self {
        Self {
            right_mm: number(point.right.mm()),
            up_mm: number(point.up.mm()),
        }
    }
}

impl From<&BeamFinding> for Found {
    fn from(found: &BeamFinding) -> Self {
        let fit = &found.fit;
        let screws = found.moves.iter().flatten().map(|one| Screw {
            clock_hours: number(one.screw.hours()),
            spot_mm: number(one.spot.value.mm()),
            spot_sigma_mm: number(one.spot.sigma.mm()),
        });
        Self {
            angle_arcmin: number(fit.angle.value.arcmin()),
            angle_sigma_arcmin: number(fit.angle.sigma.arcmin()),
            radius_mm: number(fit.radius.value.mm()),
            radius_sigma_mm: number(fit.radius.sigma.mm()),
            center: fit.center.into(),
            center_sigma_mm: number(fit.center_sigma().mm()),
            to_center: fit.to_center.into(),
            slant_deg: fit.slant.and_then(|slant| number(slant.value.deg())),
            mark_sigma_mm: number(fit.mark_sigma.mm()),
            misfit: fit.misfit.and_then(number),
            screws: screws.collect(),
            left_by_spot_arcmin: found.left_by_spot.and_then(|left| number(left.arcmin())),
            left_by_marks_arcmin: number(found.left_by_marks.arcmin()),
            shortest_distance_mm: number(found.shortest_distance.mm()),
            longest_exposure_left_alone_s: found.cost.and_then(|c| number(c.left_alone.s())),
            longest_exposure_adjusted_s: found.cost.and_then(|c| number(c.adjusted.s())),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::{report_beam, sample};
    use serde_json::Value;

    fn json(marks: &[(f64, f64)]) -> Value {
        let text = report_beam(&sample::question(marks)).to_json();
        serde_json::from_str(&text).unwrap()
    }

    #[test]
    fn numbers_stand_under_their_units() {
        let value = json(&sample::QUARTERS);
        let beam = &value["beam"];
        assert!((beam["angle_arcmin"].as_f64().unwrap() - 13.751).abs() < 0.001);
        assert!((beam["to_center"]["up_mm"].as_f64().unwrap() - 20.0).abs() < 1e-3);
        assert_eq!(beam["screws"][0]["clock_hours"], 12.0);
        assert!(beam["slant_deg"].is_null());
        assert_eq!(value["cautions"].as_array().map(Vec::len), Some(4));
    }

    #[test]
    fn an_unknown_beam_is_null() {
        let value = json(&sample::QUARTERS[..2]);
        assert!(value["beam"].is_null());
        assert!(value["answer"].as_str().unwrap().contains("2 marks"));
    }
}
