//! The same as JSON: each frame as in the night's contract, with its stars.

use serde::Serialize;

use crate::error::Warned;
use crate::identify::Match;
use crate::report::contract::{Frame, Number, Program, SCHEMA, number};
use crate::sky::catalogue::Catalogue;
use crate::stars::{FrameTrail, LensOverExposures, Star, StarField};

use super::{Identified, Identity, MeasureReport, MeasuredFile, Measurement};

#[derive(Serialize)]
struct Document {
    schema: u32,
    program: Program,
    frames: Vec<MeasuredFrame>,
    /// An addition to version 1: what frames of different exposure say about their lenses.
    lenses: Vec<LensEntry>,
    warnings: Vec<String>,
}

#[derive(Serialize)]
struct LensEntry {
    files: Vec<String>,
    exposures_s: [Number; 2],
    /// The trail that would draw stars as long as the lens leaves them at the centre.
    center_stretch_px: Number,
    center_stretch_sigma_px: Number,
    center_stretch_angle_deg: Number,
    /// Sigmas by which it is none at all, whichever frame is left out.
    center_significance: Number,
    /// In the corners, free of the field's turn.
    corner_stretch_px: Number,
    corner_stretch_sigma_px: Number,
    corner_stretch: &'static str,
    /// The trails that a perfect lens would show.
    trails: Vec<PerfectTrail>,
}

#[derive(Serialize)]
struct PerfectTrail {
    file: String,
    length_px: Number,
    length_sigma_px: Number,
    angle_deg: Number,
    angle_sigma_deg: Number,
}

#[derive(Serialize)]
struct MeasuredFrame {
    #[serde(flatten)]
    frame: Frame,
    identification: Option<Identification>,
    field: Option<Field>,
}

/// Where the frame looked and through which lens, beyond what `center` tells.
#[derive(Default, Serialize)]
struct Identification {
    identified: bool,
    /// Why not, in words.
    reason: Option<String>,
    /// 1-sigma of the centre along each side of the picture.
    center_sigma_arcsec: Number,
    /// 1-sigma of the picture's turn about its centre.
    up_position_angle_sigma_deg: Number,
    /// At the centre, north through east; needs site and time.
    zenith_position_angle_deg: Number,
    /// Of the sky as it is seen, the air's flattening taken out where site and time are known.
    pixel_scale_arcsec: Number,
    pixel_scale_sigma_arcsec: Number,
    focal_length_px: Number,
    focal_length_sigma_px: Number,
    /// By tags or option: what the focal length in millimetres rests on.
    pixel_pitch_um: Number,
    pixel_pitch_sigma_um: Number,
    fitted_focal_length_mm: Number,
    fitted_focal_length_sigma_mm: Number,
    /// u (1 + k1 (|u| / f)^2), a wide lens's fourth power aside; negative is barrel.
    radial_distortion: Number,
    radial_distortion_sigma: Number,
    rms_px: Number,
    /// Logarithm of the number of agreements as good to expect by chance.
    log10_chance: Number,
}

#[derive(Serialize)]
struct Field {
    width_px: usize,
    height_px: usize,
    background: Number,
    noise: Number,
    /// Trail that would stretch a star as much as the pattern about the centre does in the corners;
    /// absent where it was not measured.
    corner_stretch_px: Number,
    corner_stretch_sigma_px: Number,
    corner_stretch: Option<&'static str>,
    /// Power of the light with which heights above the sky rise in a developed picture; trails, widths and
    /// moments are put right by it. Absent where stars show no other than linear light.
    response_power: Number,
    response_power_sigma: Number,
    rejected_hot_pixels: usize,
    /// Stars that touch so closely that they show as one drawn-out patch.
    rejected_blended: usize,
    /// Lines of satellites and aircraft.
    rejected_lines: usize,
    /// Ends x, y, x, y of the longest of these.
    longest_line_px: Option<[Number; 4]>,
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
    /// ICRS, by the frame's own fit.
    ra_deg: Number,
    dec_deg: Number,
    catalogue: Option<CatalogueEntry>,
}

/// The catalogue's star; ICRS, epoch 2016.0, Gaia's G band.
#[derive(Serialize)]
struct CatalogueEntry {
    ra_deg: Number,
    dec_deg: Number,
    magnitude: Number,
    name: Option<&'static str>,
    /// Measured minus predicted place.
    residual_px: [Number; 2],
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
        lenses: report
            .value
            .lenses
            .iter()
            .map(|found| LensEntry::of(found, &report.value.frames))
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

impl LensEntry {
    fn of(found: &LensOverExposures, files: &[MeasuredFile]) -> Self {
        let file = |frame: &usize| files[*frame].frame.file.clone();
        let (center, corner) = (&found.at_center, &found.corner);
        let trail = |(frame, trail): &(usize, FrameTrail)| PerfectTrail {
            file: file(frame),
            length_px: number(trail.length.value.px()),
            length_sigma_px: number(trail.length.sigma.px()),
            angle_deg: number(trail.angle.deg()),
            angle_sigma_deg: number(trail.angle_sigma.deg()),
        };
        Self {
            files: found.frames.iter().map(file).collect(),
            exposures_s: found.exposures.map(|exposure| number(exposure.s())),
            center_stretch_px: number(center.length.value.px()),
            center_stretch_sigma_px: number(center.length.sigma.px()),
            center_stretch_angle_deg: number(center.angle.deg()),
            center_significance: number(found.center_sigmas),
            corner_stretch_px: number(corner.corner.value.px()),
            corner_stretch_sigma_px: number(corner.corner.sigma.px()),
            corner_stretch: corner.stretch.key(),
            trails: found.trails.iter().map(trail).collect(),
        }
    }
}

impl From<&MeasuredFile> for MeasuredFrame {
    fn from(file: &MeasuredFile) -> Self {
        Self {
            frame: Frame::from(&file.frame),
            identification: file
                .measured
                .as_ref()
                .map(|measured| Identification::from(&measured.identity)),
            field: file.measured.as_ref().map(Field::from),
        }
    }
}

impl From<&Identity> for Identification {
    fn from(identity: &Identity) -> Self {
        match identity {
            Identity::Unknown(reason) => Self {
                reason: Some(reason.to_string()),
                ..Self::default()
            },
            Identity::Known(known) => Self::known(known),
        }
    }
}

impl Identification {
    fn known(known: &Identified) -> Self {
        let (scale, focal) = (known.scale(), known.focal_px());
        let (length, bend) = (known.focal_length(), known.distortion());
        Self {
            identified: true,
            reason: None,
            center_sigma_arcsec: number(known.center_sigma().arcsec()),
            up_position_angle_sigma_deg: number(known.up_sigma().deg()),
            zenith_position_angle_deg: known.zenith.and_then(|angle| number(angle.deg())),
            pixel_scale_arcsec: number(scale.value.arcsec()),
            pixel_scale_sigma_arcsec: number(scale.sigma.arcsec()),
            focal_length_px: number(focal.value.px()),
            focal_length_sigma_px: number(focal.sigma.px()),
            pixel_pitch_um: known.pixel_pitch.and_then(|pitch| number(pitch.value.um())),
            pixel_pitch_sigma_um: known.pixel_pitch.and_then(|pitch| number(pitch.sigma.um())),
            fitted_focal_length_mm: length.and_then(|length| number(length.value.mm())),
            fitted_focal_length_sigma_mm: length.and_then(|length| number(length.sigma.mm())),
            radial_distortion: number(bend.value),
            radial_distortion_sigma: number(bend.sigma),
            rms_px: number(known.plate.rms.px()),
            log10_chance: number(known.plate.log10_chance),
        }
    }
}

impl From<&Measurement> for Field {
    fn from(measured: &Measurement) -> Self {
        let field = &measured.field;
        Self {
            width_px: field.width,
            height_px: field.height,
            background: number(field.background),
            noise: number(field.noise),
            corner_stretch_px: field.lens.and_then(|lens| number(lens.corner.value.px())),
            corner_stretch_sigma_px: field.lens.and_then(|lens| number(lens.corner.sigma.px())),
            corner_stretch: field.lens.map(|lens| lens.stretch.key()),
            response_power: measured.response.and_then(|one| number(one.power.value)),
            response_power_sigma: measured.response.and_then(|one| number(one.power.sigma)),
            rejected_hot_pixels: field.rejected.hot_pixels,
            rejected_blended: field.rejected.blended,
            rejected_lines: field.rejected.lines,
            longest_line_px: field
                .rejected
                .longest_line
                .map(|line| [line.from.x, line.from.y, line.to.x, line.to.y].map(number)),
            rejected_shapes: field.rejected.shapes,
            stars: star_entries(field, measured.identity.known()),
        }
    }
}

fn star_entries(field: &StarField, known: Option<&Identified>) -> Vec<StarEntry> {
    let matches = known.map(Identified::matches).unwrap_or_default();
    let entry = |(idx, star): (usize, &Star)| {
        let sky = known.map(|known| known.plate.direction(star.position).ra_dec());
        StarEntry {
            ra_deg: sky.and_then(|(ra, _)| number(ra.deg())),
            dec_deg: sky.and_then(|(_, dec)| number(dec.deg())),
            catalogue: matches
                .get(&idx)
                .map(|matched| CatalogueEntry::from(*matched)),
            ..StarEntry::from(star)
        }
    };
    field.stars.iter().enumerate().map(entry).collect()
}

impl From<&Match> for CatalogueEntry {
    fn from(matched: &Match) -> Self {
        let catalogue = Catalogue::embedded();
        let (ra, dec) = catalogue.direction(matched.catalogue_idx).ra_dec();
        Self {
            ra_deg: number(ra.deg()),
            dec_deg: number(dec.deg()),
            magnitude: number(catalogue.magnitude(matched.catalogue_idx)),
            name: catalogue.name(matched.catalogue_idx),
            residual_px: [matched.residual.dx, matched.residual.dy].map(number),
        }
    }
}

/// The star as the picture shows it, without the sky.
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
            ra_deg: None,
            dec_deg: None,
            catalogue: None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::measure::identity::tests::{identified, with_matches};
    use crate::report::measure::tests::{looking, slanted};
    use serde_json::Value;

    fn value_of(file: MeasuredFile) -> Value {
        let report = Warned::clean(MeasureReport::of_frames(vec![file]));
        serde_json::from_str(&to_string(&report)).unwrap()
    }

    #[test]
    fn an_unknown_frame_has_the_same_keys_with_a_reason() {
        let unknown = &value_of(slanted())["frames"][0];
        let known = &value_of(looking(identified(80.0, 0.0, 10.0)))["frames"][0];
        let keys = |frame: &Value| {
            let keys = frame["identification"].as_object().unwrap().keys();
            keys.cloned().collect::<Vec<String>>()
        };
        assert_eq!(keys(unknown), keys(known));
        assert_eq!(unknown["identification"]["identified"], false);
        let reason = unknown["identification"]["reason"].as_str().unwrap();
        assert!(reason.contains("catalogue"), "{reason}");
        assert!(unknown["field"]["stars"][0]["ra_deg"].is_null());
    }

    #[test]
    fn a_lens_told_by_exposures_names_its_files() {
        let file = slanted();
        let trail = file.frame.trail.expect("a trail");
        let lens = LensOverExposures {
            frames: vec![0],
            exposures: [15.0, 60.0].map(crate::units::Seconds::new),
            at_center: trail,
            center_sigmas: 4.0,
            corner: crate::stars::LensShape {
                corner: crate::report::sample::pixels(2.5, 0.2),
                stretch: crate::stars::Stretch::Around,
                turn_told: true,
            },
            trails: vec![(0, trail)],
        };
        let report = Warned::clean(MeasureReport {
            lenses: vec![lens],
            frames: vec![file],
        });
        let value: Value = serde_json::from_str(&to_string(&report)).unwrap();
        let lens = &value["lenses"][0];
        assert_eq!(lens["files"][0], "night/IMG_1.jpg");
        assert_eq!(lens["exposures_s"][1], 60.0);
        assert_eq!(
            (&lens["corner_stretch"], &lens["corner_stretch_px"]),
            (&"around".into(), &2.5.into())
        );
        assert_eq!(lens["trails"][0]["file"], "night/IMG_1.jpg");
        assert_eq!(lens["trails"][0]["length_px"], 6.0);
    }

    #[test]
    fn a_known_frame_tells_lens_and_stars() {
        // Alnilam and its neighbours.
        let known = with_matches(identified(84.05, -1.2, 10.0), 3);
        let frame = &value_of(looking(known))["frames"][0];
        let identification = &frame["identification"];
        assert_eq!(identification["identified"], true);
        assert_eq!(identification["focal_length_px"], 600.0);
        assert_eq!(identification["fitted_focal_length_mm"], 3.0);
        assert_eq!(frame["identified_stars"], 3);
        let star = &frame["field"]["stars"][0];
        assert_eq!(star["catalogue"]["name"], "Sirius");
        assert_eq!(star["catalogue"]["residual_px"][1], -0.2);
        assert!(star["ra_deg"].as_f64().is_some());
        assert!(frame["field"]["stars"][3]["catalogue"].is_null());
    }

    #[test]
    fn a_frame_has_the_nights_keys_and_its_stars() {
        let value = value_of(slanted());
        let frame = &value["frames"][0];
        assert_eq!(frame["verdict"], "trailed");
        assert!((frame["trail"]["length_px"].as_f64().unwrap() - 6.0).abs() < 1e-5);
        assert_eq!(frame["field"]["stars"].as_array().unwrap().len(), 600);
        assert_eq!(frame["field"]["stars"][0]["saturated"], false);
    }
}
