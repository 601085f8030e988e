//! What a frame of a series of exposures shows of lens and trail: its elongation pattern, and how that hangs
//! on what all frames share.

use nalgebra::{DMatrix, DVector, Matrix2, Vector2};

use super::elongation::{EVEN_LENS_FLOOR, ElongationFit};
use super::over_exposures::Exposed;
use super::shape::shapely;
use super::{FrameTrail, StarField};
use crate::units::Seconds;

/// Numbers of an elongation pattern: two at the centre, four slopes, two of the radial pattern.
pub(super) const PATTERN: usize = 8;
pub(super) const CENTER: usize = 2;
/// Numbers of a stand's trail: two of its elongation at the centre, and the turn of the field in pixels at
/// half the diagonal, for the longest exposure.
pub(super) const GROWING: usize = 3;

/// An elongation at one place, square pixels: `Qxx - Qyy` and `2 Qxy`, and their covariance.
pub(super) type Known = (Vector2<f64>, Matrix2<f64>);

/// The elongation that one frame shows.
#[derive(Clone)]
pub(super) struct Shape {
    /// Number of the frame.
    pub(super) frame: usize,
    pub(super) stand: usize,
    /// Square of the exposure over the longest of the stand.
    pub(super) growth: f64,
    /// What its stars show.
    pub(super) pattern: Pattern,
}

/// An elongation pattern with what it rests on.
#[derive(Clone)]
pub(super) struct Pattern {
    /// Square pixels; of long trails the values at the centre alone.
    pub(super) values: DVector<f64>,
    pub(super) covariance: DMatrix<f64>,
    pub(super) n_stars: usize,
    /// Usual second moment of a star, square pixels; `None` with long trails.
    pub(super) width: Option<f64>,
}

impl Shape {
    pub(super) fn of(frame: usize, exposed: &Exposed<'_>, longest: Seconds) -> Option<Self> {
        let field = exposed.field;
        // Where the measuring would not tell a trail, the shapes are no witnesses.
        let trail = field.trail.as_ref()?;
        let is_long = field.stars.iter().any(|star| star.trail.is_some());
        Some(Self {
            frame,
            stand: exposed.stand,
            growth: (exposed.length / longest).powi(2),
            pattern: if is_long { long(trail) } else { short(field)? },
        })
    }

    /// Elongation at the centre, brought to the stand's longest exposure.
    pub(super) fn grown(&self) -> [f64; 2] {
        [0, 1].map(|k| self.pattern.values[k] / self.growth)
    }

    pub(super) fn is_short(&self) -> bool {
        self.pattern.values.len() == PATTERN
    }

    /// Rows by the lens's numbers and each stand's trail, about a trail `near`.
    pub(super) fn design(&self, near: &[Trail]) -> DMatrix<f64> {
        let mut design = DMatrix::zeros(self.pattern.values.len(), PATTERN + GROWING * near.len());
        let from = PATTERN + GROWING * self.stand;
        for row in 0..CENTER {
            design[(row, from + row)] = self.growth;
        }
        if self.is_short() {
            design.fill_diagonal(1.0);
            let turned = near[self.stand].by_turn() * self.growth;
            design
                .view_mut((CENTER, from + CENTER), (PATTERN - CENTER, 1))
                .copy_from(&turned);
        }
        design
    }

    /// Its values less what the trail `near` adds to the straight rows of the design.
    pub(super) fn straight(&self, near: &[Trail]) -> DVector<f64> {
        let mut values = self.pattern.values.clone();
        if self.is_short() {
            values[PATTERN - CENTER] -= self.growth * near[self.stand].turn.powi(2) / 12.0;
        }
        values
    }
}

/// A stand's trail in its longest exposure.
#[derive(Debug, Clone, Copy)]
pub(super) struct Trail {
    /// At the centre, pixels.
    vector: [f64; 2],
    /// Turn of the field, pixels at half the diagonal.
    turn: f64,
}

impl Trail {
    pub(super) fn of(elongation: [f64; 2], turn: f64) -> Self {
        let length = (12.0 * elongation[0].hypot(elongation[1])).sqrt();
        let (sin, cos) = (0.5 * elongation[1].atan2(elongation[0])).sin_cos();
        Self {
            vector: [length * cos, length * sin],
            turn,
        }
    }

    /// Its elongation at the centre, square pixels.
    pub(super) fn size(&self) -> f64 {
        let [dx, dy] = self.vector;
        (dx * dx + dy * dy) / 12.0
    }

    /// What a pixel of turn adds to slopes and radial pattern: at the place (x, y) in half diagonals the
    /// trail is `vector + turn (-y, x)`, and its elongation a twelfth of its square.
    fn by_turn(&self) -> DVector<f64> {
        let [dx, dy] = self.vector;
        DVector::from_vec(vec![-dy, dx, -dx, -dy, -self.turn, 0.0]) / 6.0
    }
}

/// Pattern of a frame whose stars are about as long as wide; `None` with too few of them.
fn short(field: &StarField) -> Option<Pattern> {
    let center = field.center();
    let stars = shapely(field);
    let fit = ElongationFit::of(&stars, center, center.x.hypot(center.y).max(1.0))?;
    let (values, mut covariance) = fit.free;
    for k in 0..CENTER {
        covariance[(k, k)] += (EVEN_LENS_FLOOR * fit.width).powi(2);
    }
    (values.len() == PATTERN).then_some(Pattern {
        values,
        covariance,
        n_stars: fit.used,
        width: Some(fit.width),
    })
}

/// A long trail as the elongation that it is.
fn long(trail: &FrameTrail) -> Pattern {
    /// Ends of a long trail are where the light says, whatever the lens does: share of its elongation.
    const BY_LENS: f64 = 0.03;
    let length = trail.length.value.px();
    let sigma = trail
        .length
        .sigma
        .px()
        .max(length * trail.angle_sigma.rad());
    let sigma = (length * sigma / 6.0).hypot(BY_LENS * length * length / 12.0);
    Pattern {
        values: DVector::from_row_slice(&trail.elongation()),
        covariance: DMatrix::identity(CENTER, CENTER) * sigma.powi(2),
        n_stars: trail.n_stars,
        width: None,
    }
}
