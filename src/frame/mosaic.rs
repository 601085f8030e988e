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
        let diagonals = [[true, false, false, true], [false, true, true, false]];
        if !diagonals.iter().any(|diagonal| green == diagonal) {
            return None;
        }
        Self::from_sites((2, 2), |x, y| green[2 * y + x])
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
    /// `row_to_light` gets the number of a stored row, its values over the area's columns, and the
    /// place for as many light values.
    pub(super) fn green_light<T: Copy + Sync>(
        &self,
        stored: &[T],
        stride: usize,
        area: Area,
        row_to_light: impl Fn(usize, &[T], &mut [f32]) + Sync,
    ) -> Vec<f32> {
        let mut light = vec![0.0f32; area.width * area.height];
        light
            .par_chunks_mut(area.width * ROWS_TOGETHER)
            .enumerate()
            .for_each(|(band, out)| {
                // The band's rows and one more above and below, as light.
                let first = band * ROWS_TOGETHER;
                let last = first + out.len() / area.width - 1;
                let rows = first.saturating_sub(1)..=(last + 1).min(area.height - 1);
                let mut window = Window {
                    first_row: *rows.start(),
                    width: area.width,
                    light: vec![0.0; area.width * rows.clone().count()],
                };
                for (row, slot) in rows.zip(window.light.chunks_exact_mut(area.width)) {
                    let start = (area.y + row) * stride + area.x;
                    row_to_light(area.y + row, &stored[start..start + area.width], slot);
                }
                for (index, out) in out.chunks_exact_mut(area.width).enumerate() {
                    self.fill_row(&window, area, first + index, out);
                }
            });
        light
    }

    /// One row of the area; the columns repeat with the pattern, so the places to add up are
    /// worked out once a column of the pattern.
    fn fill_row(&self, window: &Window, area: Area, row: usize, out: &mut [f32]) {
        let middle = &window.light[(row - window.first_row) * window.width..][..window.width];
        let is_inner_row = row > 0 && row + 1 < area.height;
        for phase in 0..self.width.min(area.width) {
            let columns = (phase..area.width).step_by(self.width);
            if self.is_green(area.x + phase, area.y + row) {
                columns.for_each(|x| out[x] = middle[x]);
                continue;
            }
            let around = self.greens_around(area.x + phase, area.y + row);
            for x in columns {
                let is_inner = is_inner_row && x > 0 && x + 1 < area.width && !around.is_empty();
                out[x] = if is_inner {
                    let sum: f32 = around
                        .iter()
                        .map(|&(dx, dy)| window.at(x, row, dx, dy))
                        .sum();
                    sum / around.len() as f32
                } else {
                    mean_within(window, area, (x, row), &around)
                };
            }
        }
    }

    /// Steps to the green sites among the eight neighbours of a site.
    fn greens_around(&self, x: usize, y: usize) -> Vec<(isize, isize)> {
        // A whole number of periods is added so that the steps to the left and up stay positive.
        let (x, y) = (x + self.width, y + self.height);
        (-1..=1)
            .flat_map(|dy| (-1..=1).map(move |dx| (dx, dy)))
            .filter(|&(dx, dy)| self.is_green(x.wrapping_add_signed(dx), y.wrapping_add_signed(dy)))
            .collect()
    }
}

/// Rows made together.
const ROWS_TOGETHER: usize = 32;

/// Some rows of the area as light, all colours.
#[derive(Debug)]
struct Window {
    /// Row of the area that comes first.
    first_row: usize,
    width: usize,
    light: Vec<f32>,
}

impl Window {
    fn at(&self, x: usize, row: usize, dx: isize, dy: isize) -> f32 {
        let place = (row - self.first_row) * self.width + x;
        self.light[place.wrapping_add_signed(dy * self.width as isize + dx)]
    }
}

/// The mean of the neighbours that lie within the area; the site's own value where none does.
fn mean_within(
    window: &Window,
    area: Area,
    (x, row): (usize, usize),
    around: &[(isize, isize)],
) -> f32 {
    let inside: Vec<f32> = around
        .iter()
        .filter(|&&(dx, dy)| {
            x.wrapping_add_signed(dx) < area.width && row.wrapping_add_signed(dy) < area.height
        })
        .map(|&(dx, dy)| window.at(x, row, dx, dy))
        .collect();
    if inside.is_empty() {
        window.at(x, row, 0, 0)
    } else {
        inside.iter().sum::<f32>() / inside.len() as f32
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

    fn counts(_: usize, row: &[u16], light: &mut [f32]) {
        light
            .iter_mut()
            .zip(row)
            .for_each(|(slot, &count)| *slot = f32::from(count));
    }

    #[test]
    fn greens_stay_and_others_take_the_mean_of_the_four_around() {
        let rggb = Mosaic::from_letters("RGGB").unwrap();
        let stored: [u16; 16] = [
            900, 10, 900, 20, //
            30, 900, 40, 900, //
            900, 50, 900, 60, //
            70, 900, 80, 900,
        ];
        let light = rggb.green_light(&stored, 4, WHOLE, counts);
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
        let light = rggb.green_light(&stored, 4, area, counts);
        assert_eq!(light, [5.0; 6]);
    }

    #[test]
    fn bands_join_without_a_seam() {
        // Green sites hold their row, taller than two bands: means at red and blue sites are the row too.
        let (width, height) = (10, 70);
        let stored: Vec<u16> = (0..width * height).map(|i| (i / width) as u16).collect();
        let area = Area {
            x: 0,
            y: 0,
            width,
            height,
        };
        let grbg = Mosaic::from_letters("GRBG").unwrap();
        let light = grbg.green_light(&stored, width, area, counts);
        for row in 1..height - 1 {
            assert_eq!(light[row * width + 4], row as f32);
            assert_eq!(light[row * width + 5], row as f32);
        }
    }

    #[test]
    fn wide_patterns_take_the_greens_that_are_near() {
        // One green in a period of three by three: every other site touches exactly one.
        let sparse = Mosaic::from_sites((3, 3), |x, y| x == 1 && y == 1).unwrap();
        let stored: Vec<u16> = (0..81)
            .map(|i| {
                if (i % 9) % 3 == 1 && (i / 9) % 3 == 1 {
                    7
                } else {
                    900
                }
            })
            .collect();
        let area = Area {
            x: 0,
            y: 0,
            width: 9,
            height: 9,
        };
        assert_eq!(sparse.green_light(&stored, 9, area, counts), [7.0; 81]);
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
