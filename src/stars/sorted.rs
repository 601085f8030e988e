//! Values in rising order, and means over stretches of them at once.

use std::ops::Range;

/// Values in rising order with the sums up to each of them.
pub(super) struct Sorted {
    pub(super) values: Vec<f32>,
    /// Sums of the values before this one, and of their squares, both about the median.
    sums: Vec<[f64; 2]>,
    median: f64,
}

impl Sorted {
    pub(super) fn of(values: &[f32]) -> Self {
        let values = sorted(values);
        let median = f64::from(values[values.len() / 2]);
        let mut sum = [0.0; 2];
        let mut sums = Vec::with_capacity(values.len() + 1);
        sums.push(sum);
        for value in &values {
            let off = f64::from(*value) - median;
            sum = [sum[0] + off, sum[1] + off * off];
            sums.push(sum);
        }
        Self {
            values,
            sums,
            median,
        }
    }

    /// Places of the values between the limits; all where none is.
    pub(super) fn within(&self, low: f32, high: f32) -> Range<usize> {
        let start = self.values.partition_point(|v| *v < low);
        let end = self.values.partition_point(|v| *v <= high);
        if start < end {
            start..end
        } else {
            0..self.values.len()
        }
    }

    /// Means about the median of the values and of their squares.
    fn means(&self, places: Range<usize>) -> [f64; 2] {
        let count = places.len() as f64;
        let (before, to) = (self.sums[places.start], self.sums[places.end]);
        [0, 1].map(|i| (to[i] - before[i]) / count)
    }

    pub(super) fn mean(&self, places: Range<usize>) -> f32 {
        (self.median + self.means(places)[0]) as f32
    }

    pub(super) fn deviation(&self, places: Range<usize>) -> f32 {
        let [mean, square] = self.means(places);
        (square - mean * mean).max(0.0).sqrt() as f32
    }
}

/// The values in rising order.
///
/// Method: a count of the values' leading bits puts each next to its place, and what is left to do is done
/// by insertion; several times faster than sorting by comparison alone.
fn sorted(values: &[f32]) -> Vec<f32> {
    const BITS: u32 = 10;
    const BINS: usize = 1 << BITS;
    /// Values of one bin from where on insertion is slow.
    const CROWD: u32 = 64;
    let keys: Vec<i32> = values
        .iter()
        .map(|v| order_of(v.to_bits() as i32))
        .collect();
    let least = keys.iter().copied().min().unwrap_or_default();
    let spread = keys.iter().map(|k| k.wrapping_sub(least) as u32).max();
    let shift = (u32::BITS - spread.unwrap_or_default().leading_zeros()).saturating_sub(BITS);
    let bin = |key: i32| (key.wrapping_sub(least) as u32 >> shift) as usize % BINS;
    let mut ends = [0_u32; BINS];
    keys.iter().for_each(|k| ends[bin(*k)] += 1);
    let (mut end, mut most) = (0, 0);
    for count in &mut ends {
        most = most.max(*count);
        end += *count;
        *count = end;
    }
    let mut placed = vec![0; keys.len()];
    for key in &keys {
        let end = &mut ends[bin(*key)];
        *end -= 1;
        placed[*end as usize] = *key;
    }
    if most > CROWD {
        placed.sort_unstable();
    } else {
        insert_each(&mut placed);
    }
    placed
        .into_iter()
        .map(|k| f32::from_bits(order_of(k) as u32))
        .collect()
}

/// Bits of a number to a whole number that rises with it, and back.
fn order_of(bits: i32) -> i32 {
    bits ^ (((bits >> 31) as u32) >> 1) as i32
}

/// Sorts values that are nearly in order.
fn insert_each(values: &mut [i32]) {
    for i in 1..values.len() {
        let value = values[i];
        let mut at = i;
        while at > 0 && values[at - 1] > value {
            values[at] = values[at - 1];
            at -= 1;
        }
        values[at] = value;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spread(i: i32) -> f32 {
        (i * 7919 % 1013) as f32 - 500.0
    }

    fn crowded(i: i32) -> f32 {
        if i == 7 { 1e30 } else { 1e-3 * spread(i) }
    }

    #[test]
    fn values_come_out_in_order_whether_spread_or_crowded() {
        for value in [spread, crowded] {
            let values: Vec<f32> = (0..600).map(value).collect();
            let mut expected = values.clone();
            expected.sort_by(f32::total_cmp);
            assert_eq!(sorted(&values), expected);
        }
        assert_eq!(sorted(&[0.5]), [0.5]);
    }

    #[test]
    fn stretches_give_their_mean_and_scatter() {
        let values = Sorted::of(&[9.0, 1.0, 2.0, 4.0, 3.0, -7.0]);
        let middle = values.within(1.0, 4.0);
        assert_eq!(middle, 1..5);
        assert!((values.mean(middle.clone()) - 2.5).abs() < 1e-6);
        assert!((values.deviation(middle) - 1.25_f32.sqrt()).abs() < 1e-6);
        assert_eq!(values.within(5.0, 6.0), 0..6);
    }
}
