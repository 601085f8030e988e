//! Pattern indices of different density, for fields of different size.

use super::image::ImageField;
use super::passes::Pass;
use super::pattern::PatternIndex;
use crate::sky::catalogue::Catalogue;
use crate::sky::{Direction, Icrs};
use crate::units::Angle;

/// Stars of the index that a field holds on average, where the catalogue has as many.
const N_INDEX_STARS_IN_FIELD: f64 = 20.0;
/// Indices of the whole sky for fields of different size, built when first asked for.
#[derive(Debug, Default)]
pub(crate) struct Indices {
    levels: [std::sync::OnceLock<PatternIndex>; N_LEVELS],
}

/// Each level is for fields of half the area of the one before.
const N_LEVELS: usize = 14;
/// Area of the fields of the first level, steradian (a 14 mm lens on a 36 x 24 mm sensor: 2.1).
const LARGEST_AREA: f64 = 4.0;

impl Indices {
    /// The index of a level.
    pub(crate) fn level(&self, catalogue: &Catalogue, level: usize) -> &PatternIndex {
        self.levels[level].get_or_init(|| PatternIndex::build(catalogue, density_of(level), None))
    }
}

/// The level for fields of an area, steradian.
pub(crate) fn level_for(area: f64) -> usize {
    ((LARGEST_AREA / area).log2().round().max(0.0) as usize).min(N_LEVELS - 1)
}

/// A level finer by some steps, or coarser where the catalogue has no more stars to offer: either
/// way its triangles are others.
pub(crate) fn level_beside(level: usize, finer: usize) -> usize {
    let wanted = level + finer;
    if wanted < N_LEVELS {
        wanted
    } else {
        N_LEVELS - 1 - finer
    }
}

/// Stars of an index a steradian.
pub(crate) fn density_of(level: usize) -> f64 {
    N_INDEX_STARS_IN_FIELD / LARGEST_AREA * f64::from(1_u32 << level)
}

/// An index of the hinted part of the sky, where it is small enough to be quicker than the whole.
pub(crate) fn regional_index(
    image: &ImageField,
    near: Option<(Direction<Icrs>, Angle)>,
    catalogue: &Catalogue,
    pass: &Pass,
    level: usize,
) -> Option<PatternIndex> {
    let (center, radius) = near.filter(|(_, radius)| radius.deg() < 25.0)?;
    let reach = radius.rad() + (image.half_diagonal() / pass.focal_px).atan();
    let region = (center, Angle::from_rad(reach));
    Some(PatternIndex::build(
        catalogue,
        density_of(level),
        Some(region),
    ))
}

/// Solid angle of the frame, steradian (that of a rectangle seen square on).
pub(crate) fn field_area(image: &ImageField, focal_px: f64) -> f64 {
    let (a, b) = (image.width / 2.0, image.height / 2.0);
    let f2 = focal_px * focal_px;
    4.0 * (a * b / ((f2 + a * a) * (f2 + b * b)).sqrt()).asin()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::identify::test_fields::field_of;

    #[test]
    fn a_square_on_cube_face_covers_a_sixth_of_the_sky() {
        let field = field_of(1000, 1000, Vec::new());
        let area = field_area(&ImageField::new(&field), 500.0);
        assert!((area - 4.0 * std::f64::consts::PI / 6.0).abs() < 1e-12);
    }
}
