//! The header that a reader of the frame's file would make of its tags.

use super::scenario::{Format, Omit, Scenario};
use super::schedule::Shot;
use super::tags::equivalent_focal_mm;
use super::truth::instant;
use crate::frame::{Header, Optics, PitchSource};
use crate::units::{Angle, Length, Seconds, Site};

/// Light from which on a pixel is taken as full.
const SATURATION: f32 = 0.98;

/// What a frame's file says about itself, by the camera's clock and without the facts left out.
pub fn header(scenario: &Scenario, shot: &Shot) -> Header {
    let says = |fact: Omit| !scenario.output.omit.contains(&fact);
    let (camera, lens) = (&scenario.camera, &scenario.lens);
    let by_clock = instant(
        scenario.start_utc,
        shot.start + scenario.output.clock_error_s,
    );
    let place = &scenario.site;
    let site = Site::new(
        Angle::from_deg(place.latitude_deg),
        Angle::from_deg(place.longitude_deg),
    );
    let pitch = (
        Length::from_um(camera.pitch_um),
        PitchSource::FocalPlaneTags,
    );
    let body = Header {
        camera: says(Omit::Maker).then(|| format!("{} {}", camera.maker, camera.model)),
        lens: says(Omit::Lens).then(|| lens.name.clone()),
        saturation: SATURATION,
        developed: !matches!(
            scenario.output.format,
            Format::Png16 | Format::Tif16 | Format::Dng | Format::Fits
        ),
        ..Header::default()
    };
    Header {
        start: (says(Omit::Time) && says(Omit::Offset)).then_some(by_clock),
        exposure: says(Omit::Exposure).then_some(Seconds::new(shot.exposure)),
        optics: Optics {
            focal_length: says(Omit::Focal).then_some(Length::from_mm(lens.focal_mm)),
            equivalent_focal_length: says(Omit::Equivalent)
                .then(|| Length::from_mm(equivalent_focal_mm(scenario).round())),
            pixel_pitch: says(Omit::FocalPlane).then_some(pitch),
        },
        site: site
            .filter(|_| says(Omit::Gps))
            .map(|s| s.at_height_m(place.height_m)),
        ..body
    }
}
