//! Truth: synthetic. What a camera's development of a picture does to trails and widths: the same light
//! measured as it came, and after tone curve, smoothing, sharpening and compression.
//!
//! `tests/study/development.md` holds the table that `cargo test --release --test development -- --nocapture` prints.
#![allow(clippy::print_stdout)] // The table is for people.

#[path = "support/limit.rs"]
mod limit;

use image::codecs::jpeg::JpegEncoder;
use limit::Shot;
use stillpoint::frame::{Overrides, Plane, read_frame};
use stillpoint::stars::{StarField, measure_stars};

/// How a camera makes its picture.
struct Development {
    name: &'static str,
    /// How far an S-shaped curve moves the quarter tones, share of full scale.
    contrast: f32,
    /// Share of the middle of each 3 x 3 pixels that replaces a pixel.
    smoothing: f32,
    /// Share of the difference from the blurred picture that is added.
    sharpening: f32,
}

const DEVELOPMENTS: [Development; 6] = [
    development("as it is", 0.0, 0.0, 0.0),
    development("contrast", 0.06, 0.0, 0.0),
    development("smoothed", 0.0, 0.4, 0.0),
    development("sharpened", 0.0, 0.0, 0.5),
    development("smoothed, sharpened", 0.0, 0.4, 0.5),
    development("all three", 0.06, 0.4, 0.5),
];

const fn development(
    name: &'static str,
    contrast: f32,
    smoothing: f32,
    sharpening: f32,
) -> Development {
    Development {
        name,
        contrast,
        smoothing,
        sharpening,
    }
}

/// Light is brought up so that the sky is dark grey, as in a photograph of a night.
const BRIGHTER: f32 = 8.0;
const QUALITY: u8 = 92;
const N_FRAMES: u64 = 4;

/// Source: IEC 61966-2-1:1999 (sRGB), the curve from light to values.
fn srgb_value(light: f32) -> f32 {
    let light = light.clamp(0.0, 1.0);
    if light <= 0.003_130_8 {
        12.92 * light
    } else {
        1.055 * light.powf(1.0 / 2.4) - 0.055
    }
}

/// A picture on values of 0 to 1 that is read beyond its edges as at them.
struct Values {
    width: usize,
    height: usize,
    data: Vec<f32>,
}

impl Values {
    fn of(plane: &Plane) -> Self {
        Self {
            width: plane.width(),
            height: plane.height(),
            data: plane
                .data()
                .iter()
                .map(|v| srgb_value(BRIGHTER * v))
                .collect(),
        }
    }

    fn around(&self, i: usize) -> [f32; 9] {
        let (x, y) = ((i % self.width) as i64, (i / self.width) as i64);
        let at = |k: usize| {
            let column = (x + (k % 3) as i64 - 1).clamp(0, self.width as i64 - 1);
            let row = (y + (k / 3) as i64 - 1).clamp(0, self.height as i64 - 1);
            self.data[row as usize * self.width + column as usize]
        };
        std::array::from_fn(at)
    }

    fn mixed(self, of: impl Fn(f32, [f32; 9]) -> f32) -> Self {
        let data = (0..self.data.len()).map(|i| of(self.data[i], self.around(i)).clamp(0.0, 1.0));
        Self {
            data: data.collect(),
            ..self
        }
    }
}

impl Development {
    fn developed(&self, plane: &Plane) -> Plane {
        const BLUR: [f32; 9] = [1.0, 2.0, 1.0, 2.0, 4.0, 2.0, 1.0, 2.0, 1.0];
        let curve = |v: f32| v + self.contrast * (std::f32::consts::TAU * (v - 0.5)).sin();
        let middle = |mut around: [f32; 9]| {
            around.sort_by(f32::total_cmp);
            around[4]
        };
        let blurred = |around: [f32; 9]| {
            around.iter().zip(BLUR).map(|(v, w)| v * w).sum::<f32>() / BLUR.iter().sum::<f32>()
        };
        let values = Values::of(plane)
            .mixed(|v, around| v + self.smoothing * (middle(around) - v))
            .mixed(|v, _| curve(v))
            .mixed(|v, around| v + self.sharpening * (v - blurred(around)));
        through_jpeg(&values)
    }
}

fn through_jpeg(values: &Values) -> Plane {
    let bytes: Vec<u8> = values
        .data
        .iter()
        .flat_map(|v| [(255.0 * v).round() as u8; 3])
        .collect();
    let place = tempfile::tempdir().expect("a folder");
    let path = place.path().join("frame.jpg");
    let mut jpeg = Vec::new();
    JpegEncoder::new_with_quality(&mut jpeg, QUALITY)
        .encode(
            &bytes,
            values.width as u32,
            values.height as u32,
            image::ExtendedColorType::Rgb8,
        )
        .expect("encodes");
    std::fs::write(&path, jpeg).expect("writes");
    read_frame(&path, &Overrides::default())
        .expect("reads")
        .value
        .plane
}

/// Mean over some frames: error of the length, its stated sigma, and the width.
struct Row {
    off_px: f64,
    sigma_px: f64,
    fwhm_px: f64,
}

fn row(shot: &Shot, of: impl Fn(&Plane) -> StarField) -> Row {
    let mut row = Row {
        off_px: 0.0,
        sigma_px: 0.0,
        fwhm_px: 0.0,
    };
    for frame in 0..N_FRAMES {
        let shot = Shot {
            seed: 40 + frame,
            ..*shot
        };
        let field = of(&shot.picture(&shot.places()));
        let trail = field.trail.expect("many stars");
        let share = 1.0 / N_FRAMES as f64;
        row.off_px += share * (trail.length.value.px() - shot.length());
        row.sigma_px += share * trail.length.sigma.px();
        row.fwhm_px += share * field.fwhm.expect("many stars").value.px();
    }
    row
}

#[test]
fn the_sigma_of_a_trail_covers_what_development_does_to_it() {
    println!("| stars | trail, px | development | length off, px | stated sigma | width, px |");
    println!("|---|---|---|---|---|---|");
    let mut failures = Vec::new();
    for (fwhm, length) in [(2.5, 1.0), (2.5, 2.0), (2.5, 6.0), (3.5, 2.5), (3.5, 10.0)] {
        let shot = Shot {
            fwhm,
            wings: 0.2,
            trail: (0.8 * length, 0.6 * length),
            sky_e: 400.0,
            ratio: 20.0,
            brighter: 8.0,
            size: (640, 560),
            seed: 0,
        };
        let mut told = |name: &str, row: Row| {
            println!(
                "| {fwhm} px | {length} | {name} | {:+.3} | {:.3} | {:.2} |",
                row.off_px, row.sigma_px, row.fwhm_px
            );
            // All three together, as strong as any camera's, are the worst that is allowed for.
            let most = if name == "all three" { 2.7 } else { 1.7 };
            if row.off_px.abs() > most * row.sigma_px {
                failures.push(format!(
                    "{fwhm} px, {length} px, {name}: {:+.3} +- {:.3}",
                    row.off_px, row.sigma_px
                ));
            }
        };
        told(
            "linear light",
            row(&shot, |plane| measure_stars(plane, 10.0)),
        );
        for development in &DEVELOPMENTS {
            let of =
                |plane: &Plane| measure_stars(&development.developed(plane), 0.98).of_developed();
            told(development.name, row(&shot, of));
        }
    }
    assert!(failures.is_empty(), "{failures:#?}");
}
