//! The limits as JSON; keys carry their units.

use serde::Serialize;

use super::{LensLimits, LimitsReport};
use crate::report::contract::{Number, Program, number};

#[derive(Serialize)]
struct Limits {
    schema: u32,
    program: Program,
    answer: String,
    pixel_pitch_um: Number,
    declination_deg: Number,
    wanted_exposure_s: Number,
    lenses: Vec<Lens>,
}

#[derive(Serialize)]
struct Lens {
    name: Option<String>,
    focal_length_mm: Number,
    f_number: Number,
    pixel_scale_arcsec: Number,
    fwhm_px: Number,
    tolerance_px: Number,
    longest_exposure_s: Vec<Exposure>,
    untracked_s: Number,
    needed_alignment: Vec<Alignment>,
}

#[derive(Serialize)]
struct Exposure {
    axis_error_arcmin: Number,
    worst: Number,
    /// Null where nothing drifts.
    kindest: Number,
}

#[derive(Serialize)]
struct Alignment {
    exposure_s: Number,
    axis_error_arcmin: Number,
}

impl LimitsReport {
    /// The whole answer as indented JSON with a line end; exposures are not cut at half an hour.
    pub fn to_json(&self) -> String {
        let question = &self.question;
        let limits = Limits {
            schema: 1,
            program: Program::this(),
            answer: self.answer(),
            pixel_pitch_um: number(question.pixel_pitch.um()),
            declination_deg: number(question.declination.deg()),
            wanted_exposure_s: self.wanted().and_then(|wanted| number(wanted.s())),
            lenses: self.lenses.iter().map(|lens| self.lens(lens)).collect(),
        };
        // Text keys and plain values serialise without fail.
        serde_json::to_string_pretty(&limits).unwrap_or_default() + "\n"
    }

    fn lens(&self, lens: &LensLimits) -> Lens {
        let exposures = lens.exposures.iter().map(|range| Exposure {
            axis_error_arcmin: number(range.axis_error.arcmin()),
            worst: number(range.worst.s()),
            // On the equator only the rounding of a sine is left of the drift.
            kindest: number(range.kindest.s()).filter(|&time| time < 1e9),
        });
        let alignments = self.question.exposures.iter().zip(&lens.alignments);
        Lens {
            name: lens.lens.name.clone(),
            focal_length_mm: number(lens.camera.focal.mm()),
            f_number: lens.lens.f_number.and_then(number),
            pixel_scale_arcsec: number(lens.camera.pixel_scale().arcsec()),
            fwhm_px: number(lens.width.px()),
            tolerance_px: number(lens.tolerance.px()),
            longest_exposure_s: exposures.collect(),
            untracked_s: number(lens.untracked.s()).filter(|&time| time < 1e9),
            needed_alignment: alignments
                .map(|(exposure, error)| Alignment {
                    exposure_s: number(exposure.s()),
                    axis_error_arcmin: number(error.arcmin()),
                })
                .collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::{report_limits, sample};
    use serde_json::Value;

    #[test]
    fn keys_carry_numbers_and_null_where_nothing_drifts() {
        let text = report_limits(&sample::question(&[150.0])).to_json();
        let value: Value = serde_json::from_str(&text).unwrap();
        let lens = &value["lenses"][0];
        assert_eq!(lens["focal_length_mm"], 150.0);
        let exposure = &lens["longest_exposure_s"][2];
        assert_eq!(exposure["axis_error_arcmin"], 38.0);
        assert!((exposure["worst"].as_f64().unwrap() - 54.59).abs() < 0.02);
        assert!(exposure["kindest"].is_null());
        assert_eq!(lens["needed_alignment"][1]["exposure_s"], 60.0);
    }
}
