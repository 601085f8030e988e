//! A plain rig for nights of star lists: one camera, one lens, nothing saturated, and what the whole
//! pipeline says of its lists.
#![allow(dead_code)] // Tests and benches use their own parts.

use stillpoint::pipeline::{DiagnoseSettings, MeasuredAlignment, MeasuredFrame, diagnose_measured};
use stillpoint::report::AlignmentReport;
use stillpoint::simulate::{Scenario, SimulatedField};

/// What differs from night to night.
#[derive(Clone, Copy)]
pub struct Rig {
    pub latitude_deg: f64,
    pub focal_mm: f64,
    pub pitch_um: f64,
    /// Altitude and azimuth error, arcminutes.
    pub axis_arcmin: (f64, f64),
    /// Lines of the scenario's `[alignment.drive]`.
    pub drive: &'static str,
    /// Hour angle (hours), declination (degrees) and frames of each pointing.
    pub pointings: &'static [(f64, f64, usize)],
    pub exposure_s: f64,
    pub seed: u64,
}

/// 5184 x 3888 pixels at 4.6 arcsec, two 60 s frames due south.
pub const RIG: Rig = Rig {
    latitude_deg: 47.0,
    focal_mm: 150.0,
    pitch_um: 3.3453,
    axis_arcmin: (9.0, -14.0),
    drive: "rate = \"sidereal\"",
    pointings: &[(0.0, 2.0, 2)],
    exposure_s: 60.0,
    seed: 90_210,
};

impl Rig {
    pub fn scenario(&self) -> Scenario {
        let pointings = self
            .pointings
            .iter()
            .map(|(hour_angle, declination, frames)| {
                format!(
                    "[[alignment.pointing]]\nhour_angle_h = {hour_angle:?}\ndeclination_deg = \
                 {declination:?}\nroll_deg = 0.0\nframes = {frames}\nexposure_s = {:?}\ngap_s = \
                 8.0\nbefore_s = 60.0\nsettle_s = 10.0\n",
                    self.exposure_s
                )
            });
        let text = format!(
            r#"
seed = {}
start_utc = "2026-02-19T21:10:00Z"
[site]
latitude_deg = {:?}
longitude_deg = 11.4
pressure_hpa = 1013.25
temperature_c = 15.0
[camera]
maker = "Quillon"
model = "Q-6"
width_px = 5184
height_px = 3888
pitch_um = {:?}
read_noise_e = 2.4
full_well_e = 1000000.0
iso = 100.0
bits = 14
[lens]
name = "Quillon"
focal_mm = {:?}
f_number = 5.6
fwhm_px = 2.4
[sky]
brightness_mag_arcsec2 = 20.8
[output]
format = "tif16"
utc_offset_h = 0.0
prefix = "QLN"
first_number = 1
[[alignment]]
name = "night"
axis = {{ altitude_error_arcmin = {:?}, azimuth_error_arcmin = {:?} }}
[alignment.drive]
{}
{}"#,
            self.seed,
            self.latitude_deg,
            self.pitch_um,
            self.focal_mm,
            self.axis_arcmin.0,
            self.axis_arcmin.1,
            self.drive,
            pointings.collect::<String>()
        );
        Scenario::parse(&text).expect("a sound scenario")
    }
}

/// The frames as one alignment.
pub fn measured(lists: &[SimulatedField]) -> MeasuredAlignment {
    let frame = |list: &SimulatedField| MeasuredFrame {
        file: list.truth.file.clone(),
        header: list.header.clone(),
        field: list.field.clone(),
        stacked: None,
        response: None,
    };
    MeasuredAlignment {
        name: "night".into(),
        frames: lists.iter().map(frame).collect(),
    }
}

/// What the pipeline says of how the tracker stands at the end.
pub fn diagnosed(lists: &[SimulatedField]) -> AlignmentReport {
    let report = diagnose_measured(vec![measured(lists)], &DiagnoseSettings::default()).value;
    report
        .alignments
        .into_iter()
        .next_back()
        .expect("an alignment")
}
