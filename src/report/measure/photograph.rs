//! A small copy of a photograph, stretched so that its stars show, for the ground of a picture.

use rayon::prelude::*;

use crate::frame::Plane;
use crate::report::drawing::GreyPicture;

/// Longest side of the copy, pixels: what the picture can show.
const LONGEST_SIDE: usize = 1920;
/// Share of the pixels that turn black, and share that stay below white.
const BLACK_SHARE: f64 = 0.20;
const WHITE_SHARE: f64 = 0.998;
/// Strength of the stretch: a pixel at this part of full white is shown at about a third.
const FAINT: f64 = 0.06;

/// A small copy of a photograph.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Photograph {
    /// Its shades.
    pub grey: GreyPicture,
}

impl Photograph {
    /// The copy of a plane of linear light.
    ///
    /// Method: blocks of pixels become one, halfway between their mean and their brightest so that
    /// small stars survive; then black and white by rank, and an inverse hyperbolic sine between.
    pub fn of(plane: &Plane) -> Self {
        let step = plane
            .width()
            .max(plane.height())
            .div_ceil(LONGEST_SIDE)
            .max(1);
        let (width, height) = (plane.width().div_ceil(step), plane.height().div_ceil(step));
        let light: Vec<f32> = (0..width * height)
            .into_par_iter()
            .map(|idx| block(plane, (idx % width) * step, (idx / width) * step, step))
            .collect();
        let mut ranked = light.clone();
        let mut ranked_at = |share: f64| {
            let rank = ((ranked.len() - 1) as f64 * share) as usize;
            *ranked.select_nth_unstable_by(rank, f32::total_cmp).1
        };
        let black = f64::from(ranked_at(BLACK_SHARE));
        let white = f64::from(ranked_at(WHITE_SHARE));
        let span = (white - black).max(1e-6);
        let shade = |value: &f32| {
            let share = ((f64::from(*value) - black) / span).clamp(0.0, 1.0);
            let stretched = (share / FAINT).asinh() / (1.0 / FAINT).asinh();
            (255.0 * stretched).round() as u8
        };
        let grey = light.iter().map(shade).collect();
        Self {
            grey: GreyPicture::new(width, height, grey)
                .expect("a plane has pixels, and a block of them at least one"),
        }
    }
}

/// Halfway between the mean and the brightest of a block of pixels.
fn block(plane: &Plane, left: usize, top: usize, step: usize) -> f32 {
    let right = (left + step).min(plane.width());
    let bottom = (top + step).min(plane.height());
    let (mut sum, mut brightest) = (0.0, f32::NEG_INFINITY);
    for y in top..bottom {
        for value in &plane.row(y)[left..right] {
            sum += value;
            brightest = brightest.max(*value);
        }
    }
    let n_pixels = (right - left) * (bottom - top);
    (sum / n_pixels as f32 + brightest) / 2.0
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plane(width: usize, height: usize, star: (usize, usize)) -> Plane {
        let mut data: Vec<f32> = (0..width * height)
            .map(|idx| 0.1 + 0.001 * (idx * 7919 % 101) as f32 / 101.0)
            .collect();
        data[star.1 * width + star.0] = 0.9;
        Plane::new(width, height, data).unwrap()
    }

    #[test]
    fn a_star_of_one_pixel_survives_where_it_stands() {
        let copy = Photograph::of(&plane(4000, 90, (3001, 61))).grey;
        // 4000 / 1920 needs blocks of three.
        assert_eq!((copy.width(), copy.height()), (1334, 30));
        assert_eq!(copy.at(1000, 20), 255);
    }

    #[test]
    fn a_flat_plane_is_no_trouble() {
        let flat = Plane::new(20, 16, vec![0.5; 320]).unwrap();
        let copy = Photograph::of(&flat).grey;
        assert_eq!((copy.width(), copy.height()), (20, 16));
        assert_eq!(copy.at(3, 3), 0);
    }
}
