//! Where counts end: white levels that a file does not tell.

use super::decoded::SATURATED_SHARE;

/// Bit depths of cameras whose counts are often stored unshifted in 16-bit files.
const CAMERA_BITS: [u32; 3] = [10, 12, 14];
/// A largest count within this share below a camera's full scale is that scale: counts never
/// exceed it, and a subtracted offset takes a few per cent off.
const REACHES_FULL_SCALE: f32 = 0.94;

/// Saturation of unsigned 16-bit counts, on the scale where 65 535 is 1.0.
///
/// Where the brightest pixel sits at the full scale of a 10-, 12- or 14-bit camera, that scale is
/// taken as the white level. A frame whose brightest star ends there by chance loses that one star.
pub(super) fn saturation_of_words(counts: &[u16]) -> f32 {
    saturation_of_largest(f32::from(counts.iter().copied().max().unwrap_or(u16::MAX)))
}

/// The same, from the largest count.
pub(super) fn saturation_of_largest(largest: f32) -> f32 {
    let full_scale = CAMERA_BITS
        .into_iter()
        .map(|bits| ((1u32 << bits) - 1) as f32)
        .find(|&full| largest <= full && largest >= REACHES_FULL_SCALE * full)
        .map_or(f32::from(u16::MAX), |_| largest);
    SATURATED_SHARE * full_scale / f32::from(u16::MAX)
}

/// Factor that brings 32-bit floats to full scale 1.0.
///
/// Values up to about 1 are on that scale already; larger ones are 16-bit counts as floats, and
/// still larger ones (sums of frames) are scaled by the next power of two, so that frames of one
/// night come out on one scale.
pub(super) fn float_scale(values: &[f32]) -> f32 {
    let largest = values
        .iter()
        .copied()
        .filter(|value| value.is_finite())
        .fold(0.0f32, f32::max);
    if largest <= 2.0 {
        1.0
    } else if largest <= 65_536.0 {
        1.0 / f32::from(u16::MAX)
    } else {
        (-largest.log2().ceil()).exp2()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn twelve_bit_counts_in_a_sixteen_bit_file_saturate_at_their_own_white() {
        let saturation = saturation_of_words(&[200, 4095, 310]);
        assert!((saturation * 65535.0 - 0.98 * 4095.0).abs() < 0.5);
        assert_eq!(saturation_of_words(&[200, 65535]), 0.98);
        assert_eq!(saturation_of_words(&[200, 30_000]), 0.98);
        assert_eq!(saturation_of_words(&[200, 4200]), 0.98);
    }

    #[test]
    fn floats_are_brought_to_one() {
        assert_eq!(float_scale(&[0.1, 1.2, f32::NAN]), 1.0);
        assert_eq!(float_scale(&[0.1, 60_000.0]), 1.0 / 65535.0);
        assert_eq!(float_scale(&[100_000.0, f32::INFINITY]), 1.0 / 131_072.0);
        assert_eq!(float_scale(&[]), 1.0);
    }
}
