//! Light to counts: photometry, photon and read noise, hot pixels, the converter, colour filters.

use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Poisson, StandardNormal};
use rayon::prelude::*;

use super::dice::dice;
use super::scenario::Scenario;

/// Electrons a second and square centimetre of aperture from a star of magnitude 0: without and
/// with a colour filter. Order of magnitude from memory; sets only how deep a frame goes.
const ZERO_MAGNITUDE_MONO: f64 = 1.5e6;
const ZERO_MAGNITUDE_GREEN: f64 = 6.0e5;
/// Response of red, green and blue pixels to white light, green being 1 (invented, of the usual size).
pub(super) const RESPONSE: [f64; 3] = [0.62, 1.0, 0.74];
/// Colour of the night sky under distant lamps, green being 1 (invented).
const SKY_COLOUR: [f64; 3] = [1.12, 1.0, 0.94];
/// Above this mean the Poisson law is replaced by the normal one.
const MANY_ELECTRONS: f64 = 60.0;
/// Share of full scale that the converter adds so that noise is not cut off.
pub(super) const PEDESTAL: f64 = 1.0 / 64.0;
const HOT: u64 = 0x407;
const NOISE: u64 = 0x4015e;

/// A picture in linear light, developed or as the converter hands it over: 1 is full scale.
#[derive(Debug, Clone, PartialEq)]
pub struct Picture {
    /// Pixels in a row.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// 1 (grey) or 3 (red, green, blue).
    pub channels: usize,
    /// Values row by row, channels side by side, 0 to 1; a little below 0 where undeveloped.
    pub data: Vec<f32>,
}

/// The sensor and the light that falls on it.
#[derive(Debug, Clone)]
pub struct Sensor {
    /// Pixels in a row, orientation applied.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Colour filters over the pixels.
    pub colour: bool,
    /// Pictures are developed: colours filled in, nothing below black.
    developed: bool,
    /// Electrons a second from a star of magnitude 0 on green (or unfiltered) pixels.
    pub zero_magnitude: f64,
    /// Electrons a second and pixel from the sky at the middle of the frame.
    pub sky: f64,
    read_noise: f64,
    /// Electrons at which a pixel is full.
    pub full_scale: f64,
    steps: f64,
    hot: Vec<(usize, f64)>,
    seed: u64,
}

impl Sensor {
    /// The sensor of a scenario.
    pub fn new(scenario: &Scenario) -> Self {
        let (camera, lens) = (&scenario.camera, &scenario.lens);
        let (width, height) = scenario.frame_size();
        let aperture_cm = lens.focal_mm / lens.f_number / 10.0;
        let rate = if camera.colour {
            ZERO_MAGNITUDE_GREEN
        } else {
            ZERO_MAGNITUDE_MONO
        };
        let zero_magnitude = rate * std::f64::consts::PI / 4.0 * aperture_cm * aperture_cm;
        let scale_arcsec = (camera.pitch_um / 1000.0 / lens.focal_mm).to_degrees() * 3600.0;
        let sky_magnitude = scenario.sky.brightness_mag_arcsec2;
        Self {
            width,
            height,
            colour: camera.colour,
            developed: !scenario.output.format.keeps_counts(),
            zero_magnitude,
            sky: zero_magnitude * scale_arcsec * scale_arcsec * 10f64.powf(-0.4 * sky_magnitude),
            read_noise: camera.read_noise_e,
            full_scale: camera.full_well_e * 100.0 / camera.iso,
            steps: 2f64.powi(camera.bits as i32) - 1.0,
            hot: hot_pixels(scenario, width * height),
            seed: scenario.seed,
        }
    }

    /// Electrons from a star in an exposure, on green (or unfiltered) pixels.
    pub fn electrons(&self, magnitude: f64, exposure_s: f64) -> f64 {
        self.zero_magnitude * exposure_s * 10f64.powf(-0.4 * magnitude)
    }

    /// Variance of a pixel on the empty sky, square electrons.
    pub fn sky_variance(&self, exposure_s: f64, sky_factor: f64) -> f64 {
        self.sky * sky_factor * exposure_s + self.read_noise * self.read_noise
    }

    /// Response of a pixel to a star's or the sky's colour; `row` and `column` choose the filter.
    pub fn response(&self, row: usize, column: usize, colour: &[f64; 3]) -> f64 {
        if !self.colour {
            return 1.0;
        }
        let filter = filter_at(row, column);
        RESPONSE[filter] * colour[filter]
    }

    /// Colour of the sky.
    pub fn sky_colour(&self) -> [f64; 3] {
        SKY_COLOUR
    }

    /// Turns mean electrons into a picture: noise, hot pixels, full wells, converter, development.
    ///
    /// The same frame number gives the same noise whatever the number of threads.
    pub fn expose(
        &self,
        mean_electrons: &mut [f32],
        exposure_s: f64,
        frame_number: u32,
    ) -> Picture {
        for &(place, rate) in &self.hot {
            mean_electrons[place] += (rate * exposure_s) as f32;
        }
        mean_electrons
            .par_chunks_mut(self.width)
            .enumerate()
            .for_each(|(row, values)| {
                let mut dice = dice(self.seed, &[NOISE, u64::from(frame_number), row as u64]);
                for value in values {
                    *value = self.read_out(f64::from(*value), &mut dice) as f32;
                }
            });
        if self.colour && self.developed {
            self.develop(mean_electrons)
        } else {
            self.grey(mean_electrons)
        }
    }

    /// One pixel read out: its value over full scale, up to 1; developed, not below 0.
    fn read_out(&self, mean: f64, dice: &mut ChaCha8Rng) -> f64 {
        let normal: f64 = dice.sample(StandardNormal);
        let caught = if mean > MANY_ELECTRONS {
            let shot: f64 = dice.sample(StandardNormal);
            mean + mean.sqrt() * shot
        } else {
            Poisson::new(mean).map_or(0.0, |law| law.sample(dice))
        };
        let signal = (caught.min(self.full_scale) + self.read_noise * normal) / self.full_scale;
        let counts = ((signal * (1.0 - PEDESTAL) + PEDESTAL) * self.steps).round();
        let level = (counts.clamp(0.0, self.steps) / self.steps - PEDESTAL) / (1.0 - PEDESTAL);
        if self.developed {
            level.max(0.0)
        } else {
            level
        }
    }

    fn grey(&self, values: &[f32]) -> Picture {
        Picture {
            width: self.width,
            height: self.height,
            channels: 1,
            data: values.to_vec(),
        }
    }

    /// Fills in the two missing colours of each pixel from its neighbours and balances the white.
    fn develop(&self, mosaic: &[f32]) -> Picture {
        let (width, height) = (self.width, self.height);
        let mut data = vec![0f32; width * height * 3];
        let balance: [f32; 3] = std::array::from_fn(|c| (1.0 / RESPONSE[c]) as f32);
        data.par_chunks_mut(width * 3)
            .enumerate()
            .for_each(|(y, row)| {
                let (above, below) = (mirrored(y, -1, height), mirrored(y, 1, height));
                for x in 0..width {
                    let (left, right) = (mirrored(x, -1, width), mirrored(x, 1, width));
                    let at = |r: usize, c: usize| mosaic[r * width + c];
                    let here = at(y, x);
                    let plus = 0.25 * (at(above, x) + at(below, x) + at(y, left) + at(y, right));
                    let cross = 0.25
                        * (at(above, left) + at(above, right) + at(below, left) + at(below, right));
                    let beside = 0.5 * (at(y, left) + at(y, right));
                    let over = 0.5 * (at(above, x) + at(below, x));
                    let rgb = match (y % 2, x % 2) {
                        (0, 0) => [here, plus, cross],
                        (0, _) => [beside, here, over],
                        (_, 0) => [over, here, beside],
                        _ => [cross, plus, here],
                    };
                    for (c, value) in rgb.iter().enumerate() {
                        row[3 * x + c] = (value * balance[c]).min(1.0);
                    }
                }
            });
        Picture {
            width,
            height,
            channels: 3,
            data,
        }
    }
}

impl Picture {
    /// Luminance of the linear light, row by row (weights of IEC 61966-2-1).
    pub fn luminance(&self) -> Vec<f32> {
        match self.channels {
            1 => self.data.clone(),
            _ => self
                .data
                .chunks_exact(3)
                .map(|p| 0.2126 * p[0] + 0.7152 * p[1] + 0.0722 * p[2])
                .collect(),
        }
    }
}

/// Index one step away, reflected at the edge so that the filter's colour is kept.
fn mirrored(at: usize, step: isize, length: usize) -> usize {
    match (step < 0, at) {
        (true, 0) => 1,
        (true, _) => at - 1,
        (false, _) if at + 1 < length => at + 1,
        _ => at - 1,
    }
}

/// Colour of the filter over a pixel: red, green / green, blue.
pub(super) fn filter_at(row: usize, column: usize) -> usize {
    row % 2 + column % 2
}

fn hot_pixels(scenario: &Scenario, pixels: usize) -> Vec<(usize, f64)> {
    let mut dice = dice(scenario.seed, &[HOT]);
    let expected = scenario.camera.hot_pixels_per_million * pixels as f64 * 1e-6;
    let full_scale = scenario.camera.full_well_e * 100.0 / scenario.camera.iso;
    (0..expected.round() as usize)
        .map(|_| {
            let place = dice.random_range(0..pixels);
            // From barely seen to full within a minute.
            let rate = full_scale / 60.0 * 10f64.powf(dice.random_range(-2.0..0.5));
            (place, rate)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_edge_reflects_onto_the_same_colour() {
        assert_eq!(mirrored(0, -1, 10), 1);
        assert_eq!(mirrored(9, 1, 10), 8);
        assert_eq!(mirrored(4, -1, 10), 3);
        assert_eq!(mirrored(4, 1, 10), 5);
    }

    #[test]
    fn filters_stand_as_red_green_over_green_blue() {
        assert_eq!(
            [
                filter_at(0, 0),
                filter_at(0, 1),
                filter_at(1, 0),
                filter_at(1, 1)
            ],
            [0, 1, 1, 2]
        );
    }
}
