//! One plane of light from a colour-filter mosaic whose white balance is known: every site as it was
//! measured, on one scale, nothing interpolated.

use rayon::prelude::*;

/// Sites of a block whose sky is one level.
const BLOCK: usize = 64;
/// Most gain that a filter may need against green, and least.
const GAINS: std::ops::RangeInclusive<f32> = 0.4..=4.0;
/// Mean noise variance of the sites against that of green beyond which the greens alone, of which
/// half as many are, tell more.
const WORTH: f32 = 1.8;

/// What red, green and blue sites have to be multiplied by so that white light is the same on all;
/// `None` where they are no gains, or leave red and blue too noisy to be of use.
pub(super) fn gains_of(white_balance: [f32; 3]) -> Option<[f32; 3]> {
    let gains = white_balance.map(|gain| gain / white_balance[1]);
    if !gains.iter().all(|gain| GAINS.contains(gain)) {
        return None;
    }
    // Where light is amplified by a gain, photon noise of the same sky has that times the variance.
    let mean_variance = (gains[0] + 2.0 + gains[2]) / 4.0;
    (mean_variance < WORTH).then_some(gains)
}

/// Brings all sites of a mosaic to the scale of the green ones, sky included.
///
/// Method: 1. each site times its filter's gain; 2. in blocks of 64 x 64 sites the median of each
/// filter against that of green, smoothed over 3 x 3 blocks: the sky's colour; 3. that difference,
/// linear between the blocks' centres, is taken off the red and blue sites. A star of another
/// colour than white is a little uneven from site to site, which moves it by less than a hundredth
/// of a pixel where stars are 2 pixels wide and wider; twice the light is worth more.
/// Input: `light` row by row, `filter_of` gives 0 red, 1 green, 2 blue for column and row.
pub(super) fn even_light(
    light: &mut [f32],
    width: usize,
    filter_of: impl Fn(usize, usize) -> usize + Sync,
    gains: [f32; 3],
) {
    light
        .par_chunks_mut(width)
        .enumerate()
        .for_each(|(y, row)| {
            for (x, value) in row.iter_mut().enumerate() {
                *value *= gains[filter_of(x, y).min(2)];
            }
        });
    let height = light.len() / width;
    let [red, blue] = [0, 2].map(|filter| sky_colour(light, (width, height), &filter_of, filter));
    light
        .par_chunks_mut(width)
        .enumerate()
        .for_each(|(y, row)| {
            for (x, value) in row.iter_mut().enumerate() {
                *value -= match filter_of(x, y) {
                    0 => red.at(x, y),
                    2 => blue.at(x, y),
                    _ => 0.0,
                };
            }
        });
}

/// How much brighter the sky is on one filter's sites than on the green ones.
struct SkyColour {
    columns: usize,
    rows: usize,
    values: Vec<f32>,
}

fn sky_colour(
    light: &[f32],
    (width, height): (usize, usize),
    filter_of: &(impl Fn(usize, usize) -> usize + Sync),
    filter: usize,
) -> SkyColour {
    let (columns, rows) = (width.div_ceil(BLOCK), height.div_ceil(BLOCK));
    let difference = |block: usize| {
        let (left, top) = (block % columns * BLOCK, block / columns * BLOCK);
        let level = |wanted: usize| {
            let ys = top..(top + BLOCK).min(height);
            let sites = ys.flat_map(|y| (left..(left + BLOCK).min(width)).map(move |x| (x, y)));
            let of_filter = sites.filter(|&(x, y)| filter_of(x, y) == wanted);
            median(of_filter.map(|(x, y)| light[y * width + x]).collect())
        };
        level(filter)
            .zip(level(1))
            .map_or(0.0, |(own, green)| own - green)
    };
    let raw: Vec<f32> = (0..columns * rows)
        .into_par_iter()
        .map(difference)
        .collect();
    let smooth = |block: usize| {
        let (column, row) = (block % columns, block / columns);
        let near = |at: usize, n: usize| at.saturating_sub(1)..(at + 2).min(n);
        let around: Vec<f32> = near(row, rows)
            .flat_map(|r| near(column, columns).map(move |c| (c, r)))
            .map(|(c, r)| raw[r * columns + c])
            .collect();
        around.iter().sum::<f32>() / around.len() as f32
    };
    SkyColour {
        columns,
        rows,
        values: (0..columns * rows).map(smooth).collect(),
    }
}

fn median(mut values: Vec<f32>) -> Option<f32> {
    values.retain(|value| value.is_finite());
    if values.is_empty() {
        return None;
    }
    let middle = values.len() / 2;
    Some(*values.select_nth_unstable_by(middle, f32::total_cmp).1)
}

impl SkyColour {
    /// Linear between the centres of blocks, level beyond the outermost.
    fn at(&self, x: usize, y: usize) -> f32 {
        let place = |at: usize, n: usize| {
            let block = ((at as f32 + 0.5) / BLOCK as f32 - 0.5).clamp(0.0, (n - 1) as f32);
            let below = (block as usize).min(n.saturating_sub(2));
            (below, (below + 1).min(n - 1), block - below as f32)
        };
        let (left, right, across) = place(x, self.columns);
        let (top, bottom, down) = place(y, self.rows);
        let value = |column: usize, row: usize| self.values[row * self.columns + column];
        let mix = |row: usize| value(left, row) * (1.0 - across) + value(right, row) * across;
        mix(top) * (1.0 - down) + mix(bottom) * down
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Red, green / green, blue.
    fn filter_of(x: usize, y: usize) -> usize {
        x % 2 + y % 2
    }

    #[test]
    fn white_stars_on_a_coloured_sky_are_even() {
        // Responses 0.5, 1, 0.7; a sky that is redder to the right; a white star.
        let responses = [0.5, 1.0, 0.7];
        // Between the centres of the second blocks from the sides a slope is followed exactly. The
        // outermost blocks have a neighbour on one side only smoothed in, and beyond their centres
        // the colour is taken as level: at the side it is that of 64 pixels further in, with a slope
        // of 0.1 / 640.
        const EDGE: f32 = 0.0101;
        let (width, height) = (320, 256);
        let star = |x: usize, y: usize| {
            let square = (x as f32 - 150.0).powi(2) + (y as f32 - 120.0).powi(2);
            0.4 * (-square / 8.0).exp()
        };
        let mut light: Vec<f32> = (0..width * height)
            .map(|i| {
                let (x, y) = (i % width, i / width);
                let filter = filter_of(x, y);
                let colour = [1.0 + x as f32 / 640.0, 1.0, 0.9][filter];
                responses[filter] * (0.1 * colour + star(x, y))
            })
            .collect();
        let gains = gains_of([2.0, 1.0, 1.0 / 0.7]).unwrap();
        even_light(&mut light, width, filter_of, gains);
        for (i, value) in light.iter().enumerate() {
            let (x, y) = (i % width, i / width);
            let inner = (96..224).contains(&x);
            let off = (value - 0.1 - star(x, y)).abs();
            assert!(off < if inner { 2e-4 } else { EDGE }, "{x} {y}: {off}");
        }
    }

    #[test]
    fn gains_that_help_nobody_are_not_taken() {
        assert_eq!(gains_of([2.0, 2.0, 3.0]), Some([1.0, 1.0, 1.5]));
        for odd in [
            [f32::NAN, 1.0, 1.0],
            [0.0, 1.0, 1.0],
            [1.0, 0.0, 1.0],
            [9.0, 1.0, 1.0],
            [3.5, 1.0, 3.0],
        ] {
            assert_eq!(gains_of(odd), None, "{odd:?}");
        }
    }
}
