//! The stars of the sky: real ones from a source, fainter ones invented in realistic numbers.

use std::f64::consts::{PI, TAU};

use rand::RngExt;
use rand_distr::{Distribution, Poisson};

use super::dice::dice;
use crate::sky::Direction;
use crate::sky::catalogue::Catalogue;
use crate::units::Angle;

/// A star to draw.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SkyStar {
    /// ICRS right ascension at the date, radians.
    pub ra: f64,
    /// ICRS declination at the date, radians.
    pub dec: f64,
    /// Magnitude.
    pub magnitude: f64,
    /// True for a star of the source, false for an invented one.
    pub real: bool,
}

/// Where real stars come from.
pub trait StarSource: Sync {
    /// Stars within a radius of an ICRS place; all angles in radians, positions at the epoch of
    /// `years` after 2000.0.
    fn stars_within(&self, ra: f64, dec: f64, radius: f64, years: f64) -> Vec<SkyStar>;
    /// Magnitude down to which the source is complete; fainter stars are invented.
    fn limit(&self) -> f64;
}

/// The embedded catalogue.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CatalogueStars;

impl StarSource for CatalogueStars {
    fn stars_within(&self, ra: f64, dec: f64, radius: f64, _years: f64) -> Vec<SkyStar> {
        let catalogue = Catalogue::embedded();
        let place = Direction::from_ra_dec(Angle::from_rad(ra), Angle::from_rad(dec));
        catalogue
            .within(place, Angle::from_rad(radius), self.limit())
            .into_iter()
            .map(|star_idx| {
                // The catalogue keeps no proper motions.
                let (ra, dec) = catalogue.direction(star_idx).ra_dec();
                SkyStar {
                    ra: ra.rad(),
                    dec: dec.rad(),
                    magnitude: catalogue.magnitude(star_idx),
                    real: true,
                }
            })
            .collect()
    }
    fn limit(&self) -> f64 {
        9.9
    }
}

/// No real stars at all: every star is invented.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct NoRealStars;

impl StarSource for NoRealStars {
    fn stars_within(&self, _ra: f64, _dec: f64, _radius: f64, _years: f64) -> Vec<SkyStar> {
        Vec::new()
    }
    fn limit(&self) -> f64 {
        0.0
    }
}

/// Stars brighter than a magnitude on a square degree, averaged over the sky, (magnitude, log10).
///
/// From memory, rounded, after the star counts in Allen's Astrophysical Quantities; only the look
/// of invented stars depends on it.
const COUNTS: [(f64, f64); 10] = [
    (0.0, -4.0),
    (2.0, -2.92),
    (4.0, -1.90),
    (6.0, -0.93),
    (8.0, 0.0),
    (10.0, 0.90),
    (12.0, 1.74),
    (14.0, 2.50),
    (16.0, 3.18),
    (18.0, 3.72),
];
/// Side of the cells and width of the magnitude steps that stars are invented in.
const CELL: f64 = PI / 90.0;
const MAGNITUDE_STEP: f64 = 0.5;
/// Mark of the dice that invent stars.
const INVENTED: u64 = 0x57a6;

/// Stars brighter than `magnitude` on a square degree at galactic latitude `b` (sine given).
fn count(magnitude: f64, sin_b: f64) -> f64 {
    let upper = COUNTS
        .iter()
        .position(|c| c.0 >= magnitude)
        .unwrap_or(COUNTS.len() - 1)
        .max(1);
    let ((m0, n0), (m1, n1)) = (COUNTS[upper - 1], COUNTS[upper]);
    let log = n0 + (n1 - n0) * (magnitude - m0) / (m1 - m0);
    // Crowded at the Milky Way, thin at its poles; averages to 1 over the sky (from memory).
    let crowding = 0.5 + 3.3 * (-sin_b.abs() / 0.15).exp();
    10f64.powf(log) * crowding
}

/// Real and invented stars within a radius of a place, brighter than a limit; the same stars
/// whatever the radius and the limit.
pub fn stars_within(
    source: &dyn StarSource,
    seed: u64,
    place: (f64, f64),
    radius: f64,
    limit: f64,
    years: f64,
) -> Vec<SkyStar> {
    let mut stars: Vec<SkyStar> = source
        .stars_within(place.0, place.1, radius, years)
        .into_iter()
        .filter(|star| star.magnitude <= limit.min(source.limit()))
        .collect();
    for (ring, cell, cells) in cells_within(place, radius) {
        invent(&mut stars, seed, (ring, cell, cells), source.limit(), limit);
    }
    stars.retain(|star| separation(place, (star.ra, star.dec)) <= radius);
    stars
}

/// Cells (ring, cell, cells in the ring) that may touch a circle.
fn cells_within(place: (f64, f64), radius: f64) -> Vec<(i64, i64, i64)> {
    let rings = (PI / CELL).round() as i64;
    let mut all = Vec::new();
    for ring in 0..rings {
        let dec = -0.5 * PI + (ring as f64 + 0.5) * CELL;
        if (dec - place.1).abs() > radius + CELL {
            continue;
        }
        let cells = ((TAU * dec.cos() / CELL).round() as i64).max(1);
        all.extend(
            (0..cells)
                .map(|cell| (ring, cell, cells))
                .filter(|&(_, cell, _)| {
                    let ra = (cell as f64 + 0.5) * TAU / cells as f64;
                    cells < 8 || separation(place, (ra, dec)) <= radius + CELL
                }),
        );
    }
    all
}

fn invent(
    stars: &mut Vec<SkyStar>,
    seed: u64,
    (ring, cell, cells): (i64, i64, i64),
    from: f64,
    limit: f64,
) {
    let low = (-0.5 * PI + ring as f64 * CELL).sin();
    let high = (-0.5 * PI + (ring + 1) as f64 * CELL).sin();
    let width = TAU / cells as f64;
    let area = width * (high - low) * (180.0 / PI).powi(2);
    let middle = ((cell as f64 + 0.5) * width, (0.5 * (low + high)).asin());
    let sin_b = sin_galactic_latitude(middle);
    let first = (from / MAGNITUDE_STEP).floor() as i64;
    let last = (limit / MAGNITUDE_STEP).ceil() as i64;
    for step in first..last {
        let bright = step as f64 * MAGNITUDE_STEP;
        let (n0, n1) = (count(bright, sin_b), count(bright + MAGNITUDE_STEP, sin_b));
        let marks = [INVENTED, ring as u64, cell as u64, step as u64];
        let mut dice = dice(seed, &marks);
        let expected = area * (n1 - n0);
        let number = Poisson::new(expected).map_or(0.0, |p| p.sample(&mut dice)) as usize;
        for _ in 0..number {
            let n = n0 + dice.random_range(0.0..1.0) * (n1 - n0);
            let ra = (cell as f64 + dice.random_range(0.0..1.0)) * width;
            let dec = (low + dice.random_range(0.0..1.0) * (high - low))
                .clamp(-1.0, 1.0)
                .asin();
            let magnitude = bright + MAGNITUDE_STEP * (n / n0).ln() / (n1 / n0).ln();
            if magnitude > from && magnitude <= limit {
                stars.push(SkyStar {
                    ra,
                    dec,
                    magnitude,
                    real: false,
                });
            }
        }
    }
}

/// Sine of the galactic latitude (pole at ICRS 192.859, +27.128 degrees, IAU 1958 system).
fn sin_galactic_latitude(place: (f64, f64)) -> f64 {
    let (pole_ra, pole_dec) = (192.859f64.to_radians(), 27.128f64.to_radians());
    place.1.sin() * pole_dec.sin() + place.1.cos() * pole_dec.cos() * (place.0 - pole_ra).cos()
}

fn separation(a: (f64, f64), b: (f64, f64)) -> f64 {
    let (half_ra, half_dec) = (0.5 * (a.0 - b.0), 0.5 * (a.1 - b.1));
    let h = half_dec.sin().powi(2) + a.1.cos() * b.1.cos() * half_ra.sin().powi(2);
    2.0 * h.sqrt().min(1.0).asin()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_deeper_look_shows_the_same_bright_stars() {
        let shallow = stars_within(&NoRealStars, 5, (1.0, 0.3), 0.1, 10.0, 26.0);
        let deep = stars_within(&NoRealStars, 5, (1.01, 0.31), 0.2, 12.0, 26.0);
        assert!(shallow.len() > 50);
        assert!(shallow.iter().all(|star| deep.contains(star)));
    }

    #[test]
    fn the_whole_sky_holds_about_as_many_naked_eye_stars_as_the_real_one() {
        let stars = stars_within(&NoRealStars, 9, (0.0, 0.0), PI, 6.0, 26.0);
        // About 4850 stars are brighter than magnitude 6 (from memory); the table gives that mean.
        assert!((3500..6500).contains(&stars.len()), "{}", stars.len());
    }
}
