//! Marks on the stars of a frame: rings, brighter and larger for identified and brighter stars,
//! and the names or magnitudes of the brightest.

use std::collections::HashMap;

use crate::identify::Match;
use crate::report::drawing::{Point, Shape};
use crate::sky::catalogue::Catalogue;
use crate::stars::StarField;

use super::Identified;
use super::panel::{Area, FOUND, KNOWN, LETTERS, WORDS, letters_area, seamed_text};

/// Stars that get a mark, the brightest of the frame.
pub const MOST_MARKS: usize = 400;
/// Stars that get a name or a magnitude.
const MOST_NAMES: usize = 12;
/// Radii of the rings of the brightest and the faintest star that is marked.
const RADII: (f64, f64) = (9.5, 3.4);
/// Magnitudes from the largest ring to the smallest.
const MAGNITUDES: f64 = 5.0;

/// The marks over an area that has the frame's shape.
pub fn marks(field: &StarField, known: Option<&Identified>, area: &Area) -> Vec<Shape> {
    let scale = area.width / field.width as f64;
    let matches = known.map(Identified::matches).unwrap_or_default();
    let brightest = field.stars.first().map_or(1.0, |star| star.flux.value);
    let mut rings: Vec<Ring> = field
        .stars
        .iter()
        .take(MOST_MARKS)
        .enumerate()
        .map(|(idx, star)| {
            let fainter = 2.5 * (brightest / star.flux.value.max(1e-12)).log10();
            Ring {
                at: area.place((star.position.x, star.position.y), scale),
                radius: radius(fainter),
                is_known: matches.contains_key(&idx),
            }
        })
        .collect();
    let labels = place_labels(&labels(&matches, &rings), &rings, area);
    // Identified stars over the others.
    rings.sort_by_key(|ring| ring.is_known);
    let mut shapes: Vec<Shape> = rings.iter().map(Ring::shape).collect();
    shapes.extend(labels);
    shapes
}

/// A ring about a star.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Ring {
    at: Point,
    radius: f64,
    is_known: bool,
}

impl Ring {
    fn shape(&self) -> Shape {
        let (radius, width, colour) = if self.is_known {
            (self.radius, 1.3, KNOWN)
        } else {
            (0.85 * self.radius, 0.9, FOUND)
        };
        Shape::Ring {
            centre: self.at,
            radius,
            width,
            colour,
        }
    }

    fn area(&self) -> Area {
        Area {
            left: self.at.0 - self.radius,
            top: self.at.1 - self.radius,
            width: 2.0 * self.radius,
            height: 2.0 * self.radius,
        }
    }
}

/// The radius for a star so many magnitudes fainter than the brightest.
fn radius(fainter: f64) -> f64 {
    let share = (fainter / MAGNITUDES).clamp(0.0, 1.0);
    RADII.0 + share * (RADII.1 - RADII.0)
}

/// What to write beside which ring: the brightest stars of the catalogue first.
fn labels(matches: &HashMap<usize, &Match>, rings: &[Ring]) -> Vec<(Ring, String)> {
    let catalogue = Catalogue::embedded();
    let mut marked: Vec<(&usize, &&Match)> = matches
        .iter()
        .filter(|(star_idx, _)| **star_idx < rings.len())
        .collect();
    marked.sort_by(|a, b| {
        let magnitude = |matched: &Match| catalogue.magnitude(matched.catalogue_idx);
        magnitude(a.1).total_cmp(&magnitude(b.1)).then(a.0.cmp(b.0))
    });
    marked
        .into_iter()
        .take(MOST_NAMES)
        .map(|(star_idx, matched)| {
            let name = catalogue.name(matched.catalogue_idx);
            let letters = name.map_or_else(
                || format!("{:.1}", catalogue.magnitude(matched.catalogue_idx)),
                str::to_string,
            );
            (rings[*star_idx], letters)
        })
        .collect()
}

/// Puts each label where it covers the fewest rings; one that would cover another label or leave
/// the area stays away.
fn place_labels(labels: &[(Ring, String)], rings: &[Ring], area: &Area) -> Vec<Shape> {
    let mut taken: Vec<Area> = Vec::new();
    let mut shapes = Vec::new();
    for (ring, letters) in labels {
        let free = candidates(ring, letters).into_iter().filter(|at| {
            let needed = letters_area(*at, letters);
            area.holds(&needed) && !taken.iter().any(|other| other.meets(&needed))
        });
        let covered = |at: &Point| {
            let needed = letters_area(*at, letters);
            rings
                .iter()
                .filter(|ring| ring.is_known && ring.area().meets(&needed))
                .count()
        };
        if let Some(at) = free.min_by_key(covered) {
            taken.push(letters_area(at, letters));
            shapes.extend(seamed_text(at, WORDS, letters));
        }
    }
    shapes
}

/// Where the letters may begin: right, left, above, below, and at the corners.
fn candidates(ring: &Ring, letters: &str) -> [Point; 8] {
    let width = letters_area((0.0, 0.0), letters).width;
    let (x, y) = ring.at;
    let (beside, above) = (ring.radius + 3.0, ring.radius + LETTERS / 2.0 + 2.0);
    let (right, left, middle) = (x + beside, x - beside - width, x - width / 2.0);
    [
        (right, y),
        (left, y),
        (middle, y - above),
        (middle, y + above),
        (right, y - above),
        (right, y + above),
        (left, y - above),
        (left, y + above),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::measure::identity::tests::{identified, with_matches};
    use crate::report::measure::tests::slanted;

    const AREA: Area = Area {
        left: 16.0,
        top: 60.0,
        width: 600.0,
        height: 400.0,
    };

    fn field() -> StarField {
        slanted().measured.unwrap().field
    }

    fn rings(shapes: &[Shape], known: bool) -> Vec<Point> {
        let wanted = if known { KNOWN } else { FOUND };
        let rings = shapes.iter().filter_map(|shape| match shape {
            Shape::Ring { centre, colour, .. } if *colour == wanted => Some(*centre),
            _ => None,
        });
        rings.collect()
    }

    #[test]
    fn identified_stars_are_marked_otherwise_and_where_they_are() {
        let known = with_matches(identified(84.05, -1.2, 0.0), 3);
        let shapes = marks(&field(), Some(&known), &AREA);
        assert_eq!(rings(&shapes, false).len(), MOST_MARKS - 3);
        // Star 0 lies at pixel (20, 0) of 1200 x 800, drawn at half size.
        let first = rings(&shapes, true)[0];
        assert!((first.0 - 26.25).abs() < 1e-9 && (first.1 - 60.25).abs() < 1e-9);
        let names: Vec<&String> = shapes
            .iter()
            .filter_map(|shape| match shape {
                Shape::Text {
                    colour, letters, ..
                } if *colour == WORDS => Some(letters),
                _ => None,
            })
            .collect();
        assert_eq!(names[0], "Sirius");
    }

    #[test]
    fn labels_keep_clear_of_each_other_and_of_the_edge() {
        let ring = |x: f64, y: f64| Ring {
            at: (x, y),
            radius: 5.0,
            is_known: true,
        };
        let crowd: Vec<(Ring, String)> = (0..12)
            .map(|n| (ring(590.0 + 2.0 * f64::from(n), 70.0), "Betelgeuse".into()))
            .collect();
        let rings: Vec<Ring> = crowd.iter().map(|(ring, _)| *ring).collect();
        let shapes = place_labels(&crowd, &rings, &AREA);
        let placed: Vec<Area> = shapes
            .iter()
            .filter_map(|shape| match shape {
                Shape::Text {
                    at,
                    colour,
                    letters,
                    ..
                } if *colour == WORDS => Some(letters_area(*at, letters)),
                _ => None,
            })
            .collect();
        assert!(placed.len() > 1);
        for (nth, one) in placed.iter().enumerate() {
            assert!(AREA.holds(one));
            assert!(placed[..nth].iter().all(|other| !other.meets(one)));
        }
    }

    #[test]
    fn brighter_stars_have_larger_rings() {
        assert!(radius(0.0) > radius(2.0) && radius(2.0) > radius(4.0));
        assert!((radius(99.0) - RADII.1).abs() < 1e-9);
    }
}
