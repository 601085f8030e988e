//! Frames one by one: their stars, width and trail, and where they looked. No mount, no night.

use std::path::{Path, PathBuf};

use rayon::prelude::*;

use super::aim::{below_horizon, is_below};
use super::assemble::{center_by_stars, pictures, verdict};
use super::by_exposures::{Candidate, by_exposures, stands_by_sight};
use super::development::{allow_for_development, told};
use super::facts::NightFacts;
use super::gather::MeasuredFrame;
use super::look::{Look, look_at};
use super::plates::{identify_alone, tagged_lens};
use super::{MeasureSettings, Progress};
use crate::error::{Error, Warned, Warning};
use crate::frame::{PitchSource, Plane};
use crate::identify::{Identification, Identifier, Plate};
use crate::report::FrameReport;
use crate::report::measure::{
    Identified, Identity, MeasureReport, MeasuredFile, Measurement, Photograph,
};
use crate::stars::{Exposed, LensOverExposures, Response};
use crate::units::{Length, Measured};

/// Measures each file by itself, in the order given, and identifies its stars.
///
/// # Errors
/// The first file's error when none of the files could be used.
pub fn measure(
    files: &[PathBuf],
    settings: &MeasureSettings,
    progress: &dyn Progress,
) -> Result<Warned<MeasureReport>, Error> {
    let of: &(dyn Fn(&Plane) -> Photograph + Sync) = &Photograph::of;
    let photograph = settings.photographs.then_some(of);
    progress.begin("measuring", files.len());
    let looks: Vec<_> = files
        .par_iter()
        .map(|file| {
            let name = file.display().to_string();
            let cache = settings.cache.as_ref();
            let look = look_at(file, name, &settings.overrides, cache, photograph);
            progress.step();
            look
        })
        .collect();
    progress.end();
    let mut row = Row::new(settings);
    let frames: Vec<MeasuredFile> = files
        .iter()
        .zip(looks)
        .map(|(file, look)| row.take(file, look))
        .collect();
    let responses: Vec<Response> = frames
        .iter()
        .filter_map(|frame| frame.measured.as_ref()?.response)
        .collect();
    row.warnings.extend(told(&responses));
    match row.first_error {
        Some(error) if frames.iter().all(|frame| frame.measured.is_none()) => Err(error),
        _ => Ok(Warned {
            value: MeasureReport {
                lenses: lenses_of(&frames),
                frames,
            },
            warnings: row.warnings,
        }),
    }
}

/// What frames of different exposure say about their lenses; only identified ones show which were taken
/// with the camera in one place.
fn lenses_of(frames: &[MeasuredFile]) -> Vec<LensOverExposures> {
    let plates: Vec<Option<&Plate>> = frames
        .iter()
        .map(|file| Some(&file.measured.as_ref()?.identity.known()?.plate))
        .collect();
    let stands = stands_by_sight(&plates);
    let known = frames.iter().zip(&plates).zip(stands).enumerate();
    let candidates = known.filter_map(|(number, ((file, plate), stand))| {
        let measured = file.measured.as_ref()?;
        Some(Candidate {
            number,
            exposed: Exposed {
                field: &measured.field,
                length: file.frame.exposure?,
                stand: stand?,
                developed: measured.developed,
            },
            focal_length: file.frame.focal_length,
            focal_px: plate.as_ref()?.lens.focal_px,
        })
    });
    by_exposures(candidates.collect())
}

/// How far a pixel pitch that was worked out from the sensor's size may be off, relative; what
/// [`PitchSource::SensorSize`] calls a few per cent.
const SENSOR_SIZE_DOUBT: f64 = 0.03;

/// The files in their order: each one's plate helps the next.
struct Row<'a> {
    settings: &'a MeasureSettings,
    identifier: Identifier,
    prior: Option<Plate>,
    warnings: Vec<Warning>,
    first_error: Option<Error>,
}

impl<'a> Row<'a> {
    fn new(settings: &'a MeasureSettings) -> Self {
        Self {
            settings,
            identifier: Identifier::new(),
            prior: None,
            warnings: Vec::new(),
            first_error: None,
        }
    }

    fn take(&mut self, file: &Path, look: Result<Look<Photograph>, Error>) -> MeasuredFile {
        match look {
            Ok(look) => {
                look.warnings.into_iter().for_each(|one| self.warn(one));
                self.measured(look.frame, look.of_pixels)
            }
            Err(error) => {
                let reason = error.context.clone();
                self.first_error.get_or_insert(error);
                let name = file.display().to_string();
                MeasuredFile {
                    frame: FrameReport::set_aside(name, folder(file), reason),
                    measured: None,
                }
            }
        }
    }

    fn warn(&mut self, warning: Warning) {
        if !self.warnings.contains(&warning) {
            self.warnings.push(warning);
        }
    }

    fn measured(
        &mut self,
        mut frame: MeasuredFrame,
        photograph: Option<Photograph>,
    ) -> MeasuredFile {
        let found = identify_alone(&frame, &self.identifier, self.prior.as_ref());
        if let Some(plate) = found.plate() {
            allow_for_development(&mut frame, plate);
        }
        // Each file has its own site and clock: they need not be of one night.
        let facts = NightFacts::new(std::iter::once(&frame.header), &self.settings.overrides);
        let mut report = frame_report(&frame, found.plate(), &facts);
        let sight = report.center.and_then(|center| center.horizon);
        if let Some(sight) = sight.filter(|sight| is_below(*sight)) {
            self.warn(below_horizon(&frame.file, sight, &facts));
        }
        self.prior = found.plate().cloned().or(self.prior.take());
        let identity = identity(found, &frame, &facts);
        if let Some(known) = identity.known() {
            report.pixel_scale = Some(known.scale().value);
        }
        MeasuredFile {
            frame: report,
            measured: Some(Measurement {
                identity,
                field: frame.field,
                response: frame.response,
                developed: frame.header.developed,
                photograph,
            }),
        }
    }
}

fn identity(found: Identification, frame: &MeasuredFrame, facts: &NightFacts) -> Identity {
    match found {
        Identification::NotFound { reason } => Identity::Unknown(reason),
        Identification::Found(plate) => {
            let sky = facts.sky_at_mid_exposure(&frame.header);
            Identity::Known(Box::new(Identified {
                zenith: sky.map(|sky| sky.up_position_angle(plate.center())),
                seen_scale: sky.map(|sky| sky.seen_scale(plate.center())),
                pixel_pitch: pixel_pitch(frame),
                plate: *plate,
            }))
        }
    }
}

fn pixel_pitch(frame: &MeasuredFrame) -> Option<Measured<Length>> {
    let (pitch, source) = frame.header.optics.pixel_pitch?;
    let sigma = match source {
        PitchSource::Option | PitchSource::FocalPlaneTags => Length::from_mm(0.0),
        PitchSource::SensorSize => pitch * SENSOR_SIZE_DOUBT,
    };
    Some(Measured::new(pitch, sigma))
}

fn frame_report(frame: &MeasuredFrame, plate: Option<&Plate>, facts: &NightFacts) -> FrameReport {
    FrameReport {
        file: frame.file.clone(),
        alignment: folder(Path::new(&frame.file)),
        pointing: None,
        skipped_because: None,
        start: frame.header.start,
        exposure: frame.header.exposure,
        focal_length: frame.header.optics.focal_length,
        pixel_scale: tagged_lens(frame).map(|lens| lens.pixel_scale()),
        n_stars: frame.field.stars.len(),
        n_identified: plate.map_or(0, |plate| plate.matches.len()),
        fwhm: frame.field.fwhm,
        trail: frame.field.trail,
        trail_by_shapes: frame.field.trail,
        drift: None,
        own_motion: None,
        center: plate.map(|plate| center_by_stars(plate, facts, frame)),
        verdict: verdict(frame),
        pictures: Some(pictures(frame)),
    }
}

/// The folder that the file lies in, as it was typed.
fn folder(file: &Path) -> String {
    file.parent()
        .map(|folder| folder.display().to_string())
        .unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pipeline::Unwatched;

    #[test]
    fn no_usable_file_is_an_error_that_names_the_first() {
        let place = tempfile::tempdir().unwrap();
        let files = [place.path().join("one.jpg"), place.path().join("two.jpg")];
        let error = measure(&files, &MeasureSettings::default(), &Unwatched).unwrap_err();
        assert!(error.context.contains("one.jpg"), "{error}");
    }
}
