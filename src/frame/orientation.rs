//! Turning a picture upright: the eight EXIF orientations, applied while values become light.

use rayon::prelude::*;

/// How the stored picture has to be turned or mirrored to be upright.
///
/// The names say where the stored first row and first column belong.
/// Source: [EXIF] 3.0 (CIPA DC-008-2023), section 4.6.5, tag Orientation (274).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) enum Orientation {
    /// 1: as stored.
    #[default]
    TopLeft,
    /// 2: mirrored left to right.
    TopRight,
    /// 3: turned by 180 degrees.
    BottomRight,
    /// 4: mirrored top to bottom.
    BottomLeft,
    /// 5: rows and columns change places.
    LeftTop,
    /// 6: to be turned by 90 degrees clockwise.
    RightTop,
    /// 7: rows and columns change places, then turned by 180 degrees.
    RightBottom,
    /// 8: to be turned by 90 degrees anticlockwise.
    LeftBottom,
}

/// Rows made together, so that a column of the stored picture is read in whole cache lines.
const ROWS_TOGETHER: usize = 16;

impl Orientation {
    /// From the tag's value; `None` unless it is 1 to 8.
    pub(super) fn from_tag(value: u32) -> Option<Self> {
        use Orientation::*;
        let all = [
            TopLeft,
            TopRight,
            BottomRight,
            BottomLeft,
            LeftTop,
            RightTop,
            RightBottom,
            LeftBottom,
        ];
        all.get((value as usize).checked_sub(1)?).copied()
    }

    /// Whether width and height change places.
    fn transposes(self) -> bool {
        use Orientation::*;
        matches!(self, LeftTop | RightTop | RightBottom | LeftBottom)
    }

    /// Size of the upright picture.
    pub(super) fn upright_size(self, width: usize, height: usize) -> (usize, usize) {
        if self.transposes() {
            (height, width)
        } else {
            (width, height)
        }
    }

    /// Where the upright pixel (x, y) is stored, for a stored picture of this size.
    fn stored_place(self, x: usize, y: usize, width: usize, height: usize) -> (usize, usize) {
        let (right, bottom) = (width - 1, height - 1);
        match self {
            Orientation::TopLeft => (x, y),
            Orientation::TopRight => (right - x, y),
            Orientation::BottomRight => (right - x, bottom - y),
            Orientation::BottomLeft => (x, bottom - y),
            Orientation::LeftTop => (y, x),
            Orientation::RightTop => (y, bottom - x),
            Orientation::RightBottom => (right - y, bottom - x),
            Orientation::LeftBottom => (right - y, x),
        }
    }

    /// The upright picture, each value changed by `to_light` on the way; rows in parallel.
    ///
    /// `stored` holds `width * height` values; the result's size is [`Self::upright_size`].
    pub(super) fn upright<T: Copy + Sync>(
        self,
        stored: &[T],
        (width, height): (usize, usize),
        to_light: impl Fn(T) -> f32 + Sync,
    ) -> Vec<f32> {
        assert_eq!(stored.len(), width * height, "a value for each pixel");
        let (upright_width, _) = self.upright_size(width, height);
        let mut upright = vec![0.0f32; stored.len()];
        upright
            .par_chunks_mut(upright_width * ROWS_TOGETHER)
            .enumerate()
            .for_each(|(band, rows)| {
                let first_row = band * ROWS_TOGETHER;
                let n_rows = rows.len() / upright_width;
                let mut fill = |x: usize, row: usize| {
                    let (from_x, from_y) = self.stored_place(x, first_row + row, width, height);
                    rows[row * upright_width + x] = to_light(stored[from_y * width + from_x]);
                };
                if self.transposes() {
                    (0..upright_width).for_each(|x| (0..n_rows).for_each(|row| fill(x, row)));
                } else {
                    (0..n_rows).for_each(|row| (0..upright_width).for_each(|x| fill(x, row)));
                }
            });
        upright
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The upright picture is the letter F, 3 wide and 4 high; stored pictures are what a camera
    /// turned or mirrored in each way would write, drawn by hand.
    const UPRIGHT_F: [u8; 12] = [
        1, 1, 1, //
        1, 0, 0, //
        1, 1, 0, //
        1, 0, 0,
    ];

    fn assert_upright(tag: u32, width: usize, height: usize, stored: [u8; 12]) {
        let orientation = Orientation::from_tag(tag).unwrap();
        assert_eq!(orientation.upright_size(width, height), (3, 4), "tag {tag}");
        let light = orientation.upright(&stored, (width, height), f32::from);
        assert_eq!(light, UPRIGHT_F.map(f32::from), "tag {tag}");
    }

    #[test]
    fn stored_upright_or_mirrored_or_upside_down() {
        assert_upright(1, 3, 4, UPRIGHT_F);
        assert_upright(2, 3, 4, [1, 1, 1, 0, 0, 1, 0, 1, 1, 0, 0, 1]);
        assert_upright(3, 3, 4, [0, 0, 1, 0, 1, 1, 0, 0, 1, 1, 1, 1]);
        assert_upright(4, 3, 4, [1, 0, 0, 1, 1, 0, 1, 0, 0, 1, 1, 1]);
    }

    #[test]
    fn stored_on_its_side() {
        // 5: the first stored row is the upright left column, the first stored column the top.
        assert_upright(5, 4, 3, [1, 1, 1, 1, 1, 0, 1, 0, 1, 0, 0, 0]);
        // 6: the first stored row is the upright right column, read from the top.
        assert_upright(6, 4, 3, [1, 0, 0, 0, 1, 0, 1, 0, 1, 1, 1, 1]);
        // 7: the first stored row is the upright right column, read from the bottom.
        assert_upright(7, 4, 3, [0, 0, 0, 1, 0, 1, 0, 1, 1, 1, 1, 1]);
        // 8: the first stored row is the upright left column, read from the bottom.
        assert_upright(8, 4, 3, [1, 1, 1, 1, 0, 1, 0, 1, 0, 0, 0, 1]);
    }

    #[test]
    fn only_one_to_eight_are_orientations() {
        assert_eq!(Orientation::from_tag(0), None);
        assert_eq!(Orientation::from_tag(9), None);
    }
}
