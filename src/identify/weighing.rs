//! How much each star of a pointing counts: residuals in units of their own size, robust weights,
//! and the variance that frames show over what their stars state.

use super::reduced::Row;

/// Residuals count nothing from here on, in robust sigmas (Tukey's biweight). At 6 the variance of
/// an attitude is 1.006 times the least; sum of weights and residual scale are both 5 % low, which
/// cancels in the covariance to 0.998 (integrals of two-dimensional normal residuals).
pub(super) const CUT: f64 = 6.0;
/// Residuals are never taken to be smaller than this share of what the stars state, for the cut:
/// few stars fit their own mean by chance.
const LEAST_SCALE: f64 = 0.3;
/// The stars' stated sigmas count as much as this many residuals when a variance is taken: a
/// frame with a handful of stars is not believed to be ten times better than its stars.
const TRUST: f64 = 10.0;
/// Least share of its noise that a residual is taken to hold.
const LEAST_LEFT: f64 = 1e-6;
/// A residual tells about the scale where it holds this share of its star's noise.
const TELLING: f64 = 0.1;

/// A residual's size.
#[derive(Clone, Copy)]
pub(super) struct Sized {
    /// Square per coordinate over what is expected of it; 1 on average.
    square: f64,
    /// Share of the star's noise that the residual holds: the star's place, which rests on it,
    /// has taken the rest.
    left: f64,
}

impl Sized {
    /// `own` of the `whole` information on the star's place comes from this row; `variance` is
    /// that of the row's frame over what its stars state.
    pub(super) fn new(row: &Row, own: f64, whole: f64, variance: f64) -> Self {
        let left = (1.0 - own / whole).max(LEAST_LEFT);
        let square = (row.off.transpose() * row.weight * row.off)[0] / (2.0 * left * variance);
        Self { square, left }
    }

    /// Robust weight, zero for an outlier.
    fn weight(&self, scale: f64) -> f64 {
        let share = self.square / (scale * scale * CUT * CUT);
        (1.0 - share).max(0.0).powi(2)
    }
}

/// What a frame's residuals come to.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Tally {
    /// Stars that count.
    pub(super) n_stars: usize,
    /// Root mean square of one coordinate, pixels.
    pub(super) rms_px: f64,
    /// Weighted sum of squares over what the stars state, and what is expected of it.
    chi_square: f64,
    freedom: f64,
}

/// Residual scale of all frames from the median of the residuals that can tell: the median of a
/// chi-square of two degrees of freedom, over two, is ln 2.
pub(super) fn robust_scale(frames: &[Vec<Sized>]) -> f64 {
    let telling = frames.iter().flatten().filter(|sized| sized.left > TELLING);
    let mut squares: Vec<f64> = telling.map(|sized| sized.square).collect();
    if squares.is_empty() {
        return 1.0;
    }
    let middle = squares.len() / 2;
    let (_, median, _) = squares.select_nth_unstable_by(middle, f64::total_cmp);
    (*median / std::f64::consts::LN_2).sqrt().max(LEAST_SCALE)
}

/// Puts the weights into a frame's rows and drops outliers.
pub(super) fn weigh(rows: &mut Vec<Row>, sizes: &[Sized], scale: f64, variance: f64) -> Tally {
    let mut tally = Tally::default();
    let (mut weights, mut squares_px) = (0.0, 0.0);
    let mut kept = Vec::with_capacity(rows.len());
    for (row, sized) in rows.iter().zip(sizes) {
        let weight = sized.weight(scale);
        if weight == 0.0 {
            continue;
        }
        let counted = weight * sized.left;
        tally.n_stars += 1;
        tally.chi_square += 2.0 * counted * sized.square * variance;
        tally.freedom += 2.0 * counted;
        weights += counted;
        squares_px += weight * 0.5 * row.off.norm_squared();
        kept.push(Row {
            weight: row.weight * (weight / variance),
            ..*row
        });
    }
    tally.rms_px = (squares_px / weights.max(1e-9)).sqrt();
    // The frame's own three numbers.
    tally.freedom = (tally.freedom - 3.0).max(0.0);
    *rows = kept;
    tally
}

/// Variance of all residuals together over what the stars state.
pub(super) fn common_variance(tallies: &[Tally]) -> f64 {
    let chi_square: f64 = tallies.iter().map(|tally| tally.chi_square).sum();
    let freedom: f64 = tallies.iter().map(|tally| tally.freedom).sum();
    (TRUST + chi_square) / (TRUST + freedom)
}

/// Variance of each frame, held to the common one where it has few stars.
///
/// Call it once, with residuals of a fit that weighs all frames alike: a frame that is believed to
/// be better draws the stars' places to itself, seems better still, and so on without end.
pub(super) fn frame_variances(tallies: &[Tally], common: f64) -> Vec<f64> {
    let of = |tally: &Tally| {
        let ratio = (TRUST + tally.chi_square / common) / (TRUST + tally.freedom);
        common * ratio.clamp(0.5, 25.0)
    };
    tallies.iter().map(of).collect()
}
