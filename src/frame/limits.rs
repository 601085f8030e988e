//! Sizes that no test frame has: refused before memory is taken.

use crate::error::{Error, ErrorKind};

/// Longest side, pixels: more than any camera's, and the limit of a JPEG.
const MAX_SIDE: u64 = 65_535;
/// Most pixels in a frame: twice the largest medium-format sensors of today.
const MAX_PIXELS: u64 = 200_000_000;
/// Shortest side on which a field of stars can be measured.
const MIN_SIDE: u64 = 16;
/// Largest file: 200 megapixels of three 32-bit values, and some.
pub(super) const MAX_FILE_BYTES: u64 = 2_500_000_000;

/// Width and height as numbers for memory, once they are known to be sensible.
///
/// # Errors
/// `BadFile` where a side is zero; `Unsupported` where a side is below 16 or above 65 535 pixels,
/// or the whole above 200 megapixels.
pub(super) fn check_size(width: u64, height: u64) -> Result<(usize, usize), Error> {
    let refused = |kind, what: &str| {
        Err(Error::new(
            kind,
            format!(
                "the header claims {width} x {height} pixels, {what}; frames of {MIN_SIDE} to {MAX_SIDE} \
                 pixels a side and at most {} megapixels are read",
                MAX_PIXELS / 1_000_000
            ),
        ))
    };
    let (short, long) = (width.min(height), width.max(height));
    if short == 0 {
        refused(ErrorKind::BadFile, "which is no picture")
    } else if long > MAX_SIDE || width * height > MAX_PIXELS {
        refused(ErrorKind::Unsupported, "which is too large")
    } else if short < MIN_SIDE {
        refused(ErrorKind::Unsupported, "which is too small")
    } else {
        Ok((width as usize, height as usize))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_at_both_ends_of_the_range() {
        assert_eq!(check_size(16, 16), Ok((16, 16)));
        assert_eq!(check_size(20_000, 10_000), Ok((20_000, 10_000)));
        assert_eq!(check_size(0, 100).unwrap_err().kind, ErrorKind::BadFile);
        for (width, height) in [
            (15, 100),
            (65_536, 100),
            (20_000, 10_001),
            (u64::from(u32::MAX), u64::from(u32::MAX)),
        ] {
            let error = check_size(width, height).unwrap_err();
            assert_eq!(error.kind, ErrorKind::Unsupported);
            assert!(error.context.contains(&format!("{width} x {height}")));
        }
    }
}
