//! DNG and camera makers' RAW files: green light between black and white level.

use std::sync::Arc;

use rawler::cfa::CFAColor;
use rawler::decoders::RawDecodeParams;
use rawler::rawimage::{BlackLevel, RawImageData, RawPhotometricInterpretation};
use rawler::rawsource::RawSource;
use rawler::{RawImage, RawlerError};

use super::Format;
use super::decoded::{Decoded, SATURATED_SHARE, Samples, Want, damaged};
use super::directories::check_directories;
use super::even_light::{even_light, gains_of};
use super::levels::float_scale;
use super::limits::check_size;
use super::mosaic::{Area, Mosaic};
use super::raw_boxes::check_boxes;
use super::raw_claims::check_claims;
use super::raw_facts::facts_of_raw;
use super::tone::Tone;
use crate::error::{Error, ErrorKind};

/// More values a pixel than any sensor has.
const MAX_VALUES_A_PIXEL: usize = 4;

/// A RAW file's green light and facts.
///
/// Method: counts less black level over white level less black level (values below black stay
/// negative: cutting them off would bias faint light); all sites on one scale by the camera's white
/// balance, or without one the greens and what lies between them; the recommended crop. Three values a pixel (linear RAW) give their green; a sensor
/// without colour filters is taken as it is.
///
/// # Errors
/// `BadFile` for damaged or cut-short files, `Unsupported` for unknown cameras and sensors
/// without green pixels.
pub(super) fn decode(bytes: Vec<u8>, want: Want) -> Result<Decoded, Error> {
    check_claims(&bytes)?;
    check_boxes(&bytes)?;
    check_directories(&bytes)?;
    let source = RawSource::new_from_shared_vec(Arc::new(bytes));
    // Without pixels first: its size is known before memory is taken for it.
    let image = rawler::decode_dummy(&source).map_err(refused)?;
    let area = usable_area(&image)?;
    let facts = facts_of_raw(&source, &image);
    let samples = match want {
        Want::Header => Samples::None,
        Want::Pixels => {
            drop(image);
            let image = rawler::decode(&source, &RawDecodeParams::default()).map_err(refused)?;
            drop(source);
            let area = usable_area(&image)?;
            Samples::Light(light_of(&image, area)?)
        }
    };
    Ok(Decoded {
        size: (area.width, area.height),
        samples,
        tone: Tone::Linear,
        saturation: SATURATED_SHARE,
        developed: false,
        facts,
        warnings: Vec::new(),
    })
}

fn refused(error: RawlerError) -> Error {
    match error {
        RawlerError::Unsupported {
            what, make, model, ..
        } => {
            let camera = format!("{make} {model}");
            let context = format!(
                "the decoder does not read this file ({what}: {})",
                camera.trim()
            );
            Error::new(ErrorKind::Unsupported, context)
                .with_hint("Convert the file to DNG, or use the camera's JPEG.")
        }
        RawlerError::DecoderFailed(reason) => damaged(Format::Raw, plain_reason(&reason)),
    }
}

/// The decoder's reason without its advice to report to the authors.
fn plain_reason(reason: &str) -> String {
    let reason = reason.to_lowercase();
    if reason.contains("panic") {
        return "the decoder gave up".into();
    }
    let first_sentence = reason.split(". ").next().unwrap_or("");
    first_sentence.trim_start_matches("todo: ").to_string()
}

/// The recommended crop, else the active area, else all; within the picture.
fn usable_area(image: &RawImage) -> Result<Area, Error> {
    if image.fuji_rotation_width.is_some() {
        let context = "the sensor's pixels lie at 45 degrees, which is not read";
        return Err(Error::new(ErrorKind::Unsupported, context));
    }
    let whole = Area {
        x: 0,
        y: 0,
        width: image.width,
        height: image.height,
    };
    let area = image
        .crop_area
        .or(image.active_area)
        .map_or(whole, |rect| Area {
            x: rect.p.x.min(image.width),
            y: rect.p.y.min(image.height),
            width: rect.d.w.min(image.width.saturating_sub(rect.p.x)),
            height: rect.d.h.min(image.height.saturating_sub(rect.p.y)),
        });
    check_size(image.width as u64, image.height as u64)?;
    check_size(area.width as u64, area.height as u64)?;
    if image.cpp > MAX_VALUES_A_PIXEL {
        return Err(no_green());
    }
    Ok(area)
}

fn light_of(image: &RawImage, area: Area) -> Result<Vec<f32>, Error> {
    let n_values = image.width * image.height * image.cpp;
    match &image.data {
        RawImageData::Integer(counts) if counts.len() == n_values => {
            let levels = Levels::of(image)?;
            plane_of(image, area, counts, |x, y, count| {
                levels.light(x, y, f32::from(count))
            })
        }
        RawImageData::Float(values) if values.len() == n_values => {
            let scale = float_scale(values);
            plane_of(image, area, values, |_, _, value| value * scale)
        }
        _ => Err(damaged(
            Format::Raw,
            "the size of the data does not fit the picture",
        )),
    }
}

/// One value a pixel over the area, by the kind of the sensor.
fn plane_of<T: Copy + Sync>(
    image: &RawImage,
    area: Area,
    values: &[T],
    to_light: impl Fn(usize, usize, T) -> f32 + Sync,
) -> Result<Vec<f32>, Error> {
    let row_to_light = |y: usize, row: &[T], light: &mut [f32]| {
        for (x, (slot, &value)) in light.iter_mut().zip(row).enumerate() {
            *slot = to_light(area.x + x, y, value);
        }
    };
    match (&image.photometric, image.cpp) {
        (RawPhotometricInterpretation::Cfa(config), 1) => {
            let period = (config.cfa.width, config.cfa.height);
            let is_green = |x, y| config.cfa.color_at(y, x) == CFAColor::GREEN as usize;
            let mosaic = Mosaic::from_sites(period, is_green).ok_or_else(no_green)?;
            if let Some(gains) = white_gains(image) {
                let mut light = vec![0.0; area.width * area.height];
                for (y, slots) in light.chunks_exact_mut(area.width).enumerate() {
                    let start = (area.y + y) * image.width + area.x;
                    row_to_light(area.y + y, &values[start..start + area.width], slots);
                }
                let filter_of = |x, y| config.cfa.color_at(area.y + y, area.x + x);
                even_light(&mut light, area.width, filter_of, gains);
                return Ok(light);
            }
            Ok(mosaic.green_light(values, image.width, area, row_to_light))
        }
        (_, cpp @ (1 | 3 | 4)) => {
            let green = if cpp == 1 { 0 } else { 1 };
            let rows = area.y..area.y + area.height;
            let places = rows.flat_map(|y| (area.x..area.x + area.width).map(move |x| (x, y)));
            let at = |(x, y)| to_light(x, y, values[(y * image.width + x) * cpp + green]);
            Ok(places.map(at).collect())
        }
        _ => Err(no_green()),
    }
}

/// The white balance that the camera noted, where the sensor has red, green and blue sites alone.
fn white_gains(image: &RawImage) -> Option<[f32; 3]> {
    let [red, green, blue, _] = image.wb_coeffs;
    let RawPhotometricInterpretation::Cfa(config) = &image.photometric else {
        return None;
    };
    let (width, height) = (config.cfa.width, config.cfa.height);
    let mut sites = (0..height).flat_map(|y| (0..width).map(move |x| (x, y)));
    let plain = sites.all(|(x, y)| config.cfa.color_at(y, x) <= CFAColor::BLUE as usize);
    plain.then(|| gains_of([red, green, blue])).flatten()
}

fn no_green() -> Error {
    Error::new(
        ErrorKind::Unsupported,
        "the sensor has no green pixels; a mosaic with green, or no mosaic, was needed",
    )
}

/// Black and white levels of counts.
#[derive(Debug, Clone, PartialEq)]
struct Levels {
    black: Vec<f32>,
    /// Period of the black levels in columns and rows.
    period: (usize, usize),
    /// Where that pattern starts.
    origin: (usize, usize),
    white: f32,
}

impl Levels {
    fn of(image: &RawImage) -> Result<Self, Error> {
        let BlackLevel {
            levels,
            cpp,
            width,
            height,
        } = &image.blacklevel;
        let all: Vec<f32> = levels.iter().map(|level| level.as_f32()).collect();
        let per_site = *cpp == 1 && all.len() == width * height && !all.is_empty();
        // Of three values a pixel, the green's level counts.
        let (black, period) = if per_site {
            (all, (*width, *height))
        } else {
            let green = all.get(1).or(all.first()).copied().unwrap_or(0.0);
            (vec![green], (1, 1))
        };
        let whites = &image.whitelevel.0;
        let white = whites
            .get(1)
            .or(whites.first())
            .copied()
            .unwrap_or(u32::from(u16::MAX)) as f32;
        let highest_black = black.iter().copied().fold(f32::MIN, f32::max);
        if white.is_nan() || white <= highest_black {
            let reason = format!("white level {white} is not above black level {highest_black}");
            return Err(damaged(Format::Raw, reason));
        }
        let origin = image
            .active_area
            .map_or((0, 0), |area| (area.p.x, area.p.y));
        Ok(Self {
            black,
            period,
            origin,
            white,
        })
    }

    fn light(&self, x: usize, y: usize, count: f32) -> f32 {
        let (columns, rows) = self.period;
        let phase = |place: usize, origin: usize, period: usize| {
            (place + period - origin % period) % period
        };
        let site = phase(y, self.origin.1, rows) * columns + phase(x, self.origin.0, columns);
        let black = self.black[site];
        (count - black) / (self.white - black)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn black_levels_follow_their_pattern_from_the_active_area_on() {
        let levels = Levels {
            black: vec![0.0, 100.0, 200.0, 300.0],
            period: (2, 2),
            origin: (3, 1),
            white: 1100.0,
        };
        assert_eq!(levels.light(3, 1, 1100.0), 1.0);
        assert_eq!(levels.light(4, 1, 100.0), 0.0);
        assert_eq!(levels.light(3, 0, 200.0), 0.0);
        assert_eq!(levels.light(0, 0, 300.0), 0.0);
        assert!(levels.light(4, 2, 0.0) < 0.0, "below black stays negative");
    }
}
