//! One plane of light from a colour-filter mosaic: green as measured, green between greens elsewhere.

use rayon::prelude::*;

/// Which sites of a repeating mosaic are green.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Mosaic {
    width: usize,
    height: usize,
    green: Vec<bool>,
}

/// A part of the stored picture, in stored pixels.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Area {
    /// First column.
    pub(super) x: usize,
    /// First row.
    pub(super) y: usize,
    /// Columns.
    pub(super) width: usize,
    /// Rows.
    pub(super) height: usize,
}

impl Mosaic {
    /// From the letters of a two by two pattern, row by row, such as "RGGB".
    ///
    /// `None` unless there are four letters, two of them G on a diagonal.
    pub(super) fn from_letters(letters: &str) -> Option<Self> {
        let green: Vec<bool> = letters
            .trim()
            .chars()
            .map(|letter| letter.eq_ignore_ascii_case(&'G'))
            .collect();
        let diagonal = [[true, false, false, true], [false, true, true, false]];
        diagonal
            .iter()
            .any(|pattern| green == pattern)
            .then_some(Self {
                width: 2,
                height: 2,
                green,
            })
    }

    /// From a function of column and row over one period; `None` without any green.
    pub(super) fn from_sites(
        (width, height): (usize, usize),
        is_green: impl Fn(usize, usize) -> bool,
    ) -> Option<Self> {
        let green: Vec<bool> = (0..height)
            .flat_map(|y| (0..width).map(move |x| (x, y)))
            .map(|(x, y)| is_green(x, y))
            .collect();
        green.contains(&true).then_some(Self {
            width,
            height,
            green,
        })
    }

    fn is_green(&self, x: usize, y: usize) -> bool {
        self.green[(y % self.height) * self.width + x % self.width]
    }

    /// Green light over an area.
    ///
    /// Method: a green site keeps its value; another takes the mean of the green sites among its
    /// eight neighbours (in a Bayer mosaic the four that touch it). Full resolution and no smear
    /// beyond one pixel; values between greens carry half the noise variance or less.
    /// Input: `stored` row by row with `stride` values a row; the pattern starts at its first value;
    /// `to_light` gets column, row and value.
    pub(super) fn green_light<T: Copy + Sync>(
        &self,
        stored: &[T],
        stride: usize,
        area: Area,
        to_light: impl Fn(usize, usize, T) -> f32 + Sync,
    ) -> Vec<f32> {
        let mut light = vec![0.0f32; area.width * area.height];
        light
            .par_chunks_mut(area.width)
            .enumerate()
            .for_each(|(row, out)| {
                let y = area.y + row;
                for (column, slot) in out.iter_mut().enumerate() {
                    let x = area.x + column;
                    *slot = if self.is_green(x, y) {
                        to_light(x, y, stored[y * stride + x])
                    } else {
                        self.mean_of_greens_around(x, y, area, |x, y| {
                            to_light(x, y, stored[y * stride + x])
                        })
                    };
                }
            });
        light
    }

    fn mean_of_greens_around(
        &self,
        x: usize,
        y: usize,
        area: Area,
        light_at: impl Fn(usize, usize) -> f32,
    ) -> f32 {
        let (mut sum, mut count) = (0.0, 0u8);
        for ny in y.saturating_sub(1).max(area.y)..=(y + 1).min(area.y + area.height - 1) {
            for nx in x.saturating_sub(1).max(area.x)..=(x + 1).min(area.x + area.width - 1) {
                if self.is_green(nx, ny) {
                    sum += light_at(nx, ny);
                    count += 1;
                }
            }
        }
        if count == 0 {
            light_at(x, y)
        } else {
            sum / f32::from(count)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const WHOLE: Area = Area {
        x: 0,
        y: 0,
        width: 4,
        height: 4,
    };

    #[test]
    fn greens_stay_and_others_take_the_mean_of_the_four_around() {
        let rggb = Mosaic::from_letters("RGGB").unwrap();
        let stored: [u16; 16] = [
            900, 10, 900, 20, //
            30, 900, 40, 900, //
            900, 50, 900, 60, //
            70, 900, 80, 900,
        ];
        let light = rggb.green_light(&stored, 4, WHOLE, |_, _, v| f32::from(v));
        assert_eq!((light[1], light[4]), (10.0, 30.0));
        // Row 1, column 1 (blue): greens above 10, left 30, right 40, below 50.
        assert_eq!(light[5], 32.5);
        // The red corner has two green neighbours only.
        assert_eq!(light[0], 20.0);
        assert!(light.iter().all(|&v| v < 100.0), "no red or blue leaks in");
    }

    #[test]
    fn a_crop_keeps_the_pattern_in_step() {
        let stored: [u16; 16] =
            std::array::from_fn(|i| if (i % 4 + i / 4) % 2 == 1 { 5 } else { 900 });
        let rggb = Mosaic::from_letters("RGGB").unwrap();
        let area = Area {
            x: 1,
            y: 1,
            width: 3,
            height: 2,
        };
        let light = rggb.green_light(&stored, 4, area, |_, _, v| f32::from(v));
        assert_eq!(light, [5.0; 6]);
    }

    #[test]
    fn patterns_without_a_green_diagonal_are_refused() {
        assert!(Mosaic::from_letters("GBRG").is_some());
        for letters in ["RGBG2", "GGRB", "CYYM", "RG", ""] {
            assert_eq!(Mosaic::from_letters(letters), None, "{letters}");
        }
        assert_eq!(Mosaic::from_sites((2, 2), |_, _| false), None);
    }
}
