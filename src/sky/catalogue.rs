//! The embedded star catalogue: places and magnitudes to magnitude 10, and names of bright stars.
//!
//! Made by `scripts/make_catalogue.py`, which describes the layout; credit and licence stand in
//! `src/sky/data/README.md`. Places are ICRS, epoch 2016.0, without proper motion.

use std::ops::Range;
use std::sync::OnceLock;

use nalgebra::Vector3;

use super::cells::SkyCells;
use super::{Direction, Icrs};
use crate::units::Angle;

static BYTES: &[u8] = include_bytes!("data/catalogue.bin");
static NAMES: &str = include_str!("data/names.csv");

/// Stars of the whole sky, sorted into cells of about 1.5 degrees, brightest first in each cell.
#[derive(Debug)]
pub struct Catalogue {
    cells: SkyCells,
    /// First star of each cell, and one past the last star.
    starts: Vec<u32>,
    places: Vec<[f32; 3]>,
    magnitude_codes: Vec<u8>,
}

impl Catalogue {
    /// The catalogue that comes with the program; unpacked at the first call, in a few milliseconds.
    pub fn embedded() -> &'static Self {
        static EMBEDDED: OnceLock<Catalogue> = OnceLock::new();
        EMBEDDED.get_or_init(|| {
            Self::unpack(BYTES).expect("the embedded catalogue is sound: a test unpacks it")
        })
    }

    /// Number of stars.
    pub fn len(&self) -> usize {
        self.places.len()
    }

    /// True without any star.
    pub fn is_empty(&self) -> bool {
        self.places.is_empty()
    }

    /// Catalogue place of a star (ICRS, epoch 2016.0).
    ///
    /// # Panics
    /// Where `star_idx` is not below [`Catalogue::len`].
    pub fn direction(&self, star_idx: usize) -> Direction<Icrs> {
        Direction::new(self.vector(star_idx))
    }

    /// The same as a bare unit vector, to single precision (0.01 arcsec).
    pub(crate) fn vector(&self, star_idx: usize) -> Vector3<f64> {
        Vector3::from(self.places[star_idx].map(f64::from))
    }

    /// Magnitude of a star in the Gaia G band, steps of 0.05 mag.
    pub fn magnitude(&self, star_idx: usize) -> f64 {
        f64::from(self.magnitude_codes[star_idx]) / CODES_PER_MAGNITUDE + BRIGHTEST_MAGNITUDE
    }

    /// Name of a bright star, where it has one that is in use.
    pub fn name(&self, star_idx: usize) -> Option<&'static str> {
        if self.magnitude(star_idx) > 6.0 {
            return None;
        }
        let place = self.direction(star_idx);
        let near = names().iter().find(|(_, named)| {
            let reach = Angle::from_arcsec(10.0);
            place.separation(*named) < reach
        });
        near.map(|(name, _)| *name)
    }

    /// Cells of stars, each brightest first, that between them cover the whole sky.
    pub(crate) fn star_cells(&self) -> impl Iterator<Item = Range<usize>> {
        self.starts
            .windows(2)
            .map(|pair| pair[0] as usize..pair[1] as usize)
    }

    /// Calls `visit` with every star up to a magnitude that lies within `radius` of a direction,
    /// and some that lie a little farther out; in no particular order.
    pub fn visit_near(
        &self,
        center: Direction<Icrs>,
        radius: Angle,
        faintest: f64,
        mut visit: impl FnMut(usize),
    ) {
        let code = (faintest - BRIGHTEST_MAGNITUDE) * CODES_PER_MAGNITUDE + 1e-6;
        self.cells.visit_near(center, radius, |cell| {
            for star_idx in self.starts[cell] as usize..self.starts[cell + 1] as usize {
                if f64::from(self.magnitude_codes[star_idx]) > code {
                    break;
                }
                visit(star_idx);
            }
        });
    }

    /// Stars within `radius` of a direction up to a magnitude, brightest first.
    pub fn within(&self, center: Direction<Icrs>, radius: Angle, faintest: f64) -> Vec<usize> {
        let mut found = Vec::new();
        self.visit_near(center, radius, faintest, |star_idx| {
            if self.direction(star_idx).separation(center).rad() <= radius.rad() {
                found.push(star_idx);
            }
        });
        found.sort_unstable_by_key(|star_idx| (self.magnitude_codes[*star_idx], *star_idx));
        found
    }

    fn unpack(bytes: &[u8]) -> Option<Self> {
        let mut rest = bytes.strip_prefix(b"STARCAT1")?;
        let n_stars = u32::from_le_bytes(take(&mut rest)?) as usize;
        let n_bands = u32::from_le_bytes(take(&mut rest)?) as usize;
        let reach = f64::from_le_bytes(take(&mut rest)?);
        let mut band_counts = Vec::with_capacity(n_bands.min(10_000));
        for _ in 0..n_bands {
            band_counts.push(usize::from(u16::from_le_bytes(take(&mut rest)?)));
        }
        let cells = SkyCells::from_band_counts(band_counts);
        let n_all = cells.len();
        let mut starts = vec![0_u32];
        for cell in 0..n_all {
            let count = u32::from(u16::from_le_bytes(take(&mut rest)?));
            starts.push(starts[cell] + count);
        }
        if starts[n_all] as usize != n_stars || rest.len() != n_stars * RECORD_BYTES {
            return None;
        }
        let mut catalogue = Self {
            cells,
            starts,
            places: Vec::with_capacity(n_stars),
            magnitude_codes: Vec::with_capacity(n_stars),
        };
        catalogue.unpack_stars(rest, reach);
        Some(catalogue)
    }

    fn unpack_stars(&mut self, records: &[u8], reach: f64) {
        let step = 2.0 * reach / f64::from(u16::MAX);
        let mut records = records.chunks_exact(RECORD_BYTES);
        for (cell, middle) in self.cells.middles().enumerate() {
            let toward = middle.vector();
            // Every middle lies off the poles, so east is well defined.
            let east = Vector3::z().cross(&toward).normalize();
            let north = toward.cross(&east);
            let n_here = (self.starts[cell + 1] - self.starts[cell]) as usize;
            for record in records.by_ref().take(n_here) {
                let x = f64::from(u16::from_le_bytes([record[0], record[1]])) * step - reach;
                let y = f64::from(u16::from_le_bytes([record[2], record[3]])) * step - reach;
                let scale = 1.0 / (1.0 + x * x + y * y).sqrt();
                let place = (toward + east * x + north * y) * scale;
                self.places
                    .push([place.x as f32, place.y as f32, place.z as f32]);
                self.magnitude_codes.push(record[4]);
            }
        }
    }
}

/// Two 16-bit offsets and one magnitude code.
const RECORD_BYTES: usize = 5;
/// Steps of 0.05 mag.
const CODES_PER_MAGNITUDE: f64 = 20.0;
/// Magnitude of code 0.
const BRIGHTEST_MAGNITUDE: f64 = -2.0;

/// The first bytes of a slice, which moves on.
fn take<const N: usize>(bytes: &mut &[u8]) -> Option<[u8; N]> {
    let (head, rest) = bytes.split_first_chunk::<N>()?;
    *bytes = rest;
    Some(*head)
}

/// Names and places of bright stars.
fn names() -> &'static [(&'static str, Direction<Icrs>)] {
    static TABLE: OnceLock<Vec<(&'static str, Direction<Icrs>)>> = OnceLock::new();
    TABLE.get_or_init(|| NAMES.lines().skip(1).filter_map(named_place).collect())
}

/// One line of the table: Hipparcos number, name, right ascension and declination in degrees.
fn named_place(line: &'static str) -> Option<(&'static str, Direction<Icrs>)> {
    let mut fields = line.split(',').skip(1);
    let name = fields.next()?;
    let ra = Angle::from_deg(fields.next()?.parse().ok()?);
    let dec = Angle::from_deg(fields.next()?.parse().ok()?);
    Some((name, Direction::from_ra_dec(ra, dec)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(ra_deg: f64, dec_deg: f64) -> Direction<Icrs> {
        Direction::from_ra_dec(Angle::from_deg(ra_deg), Angle::from_deg(dec_deg))
    }

    fn brightest_near(ra_deg: f64, dec_deg: f64) -> (f64, &'static str, f64) {
        let catalogue = Catalogue::embedded();
        let place = at(ra_deg, dec_deg);
        let star_idx = catalogue.within(place, Angle::from_arcmin(5.0), 6.0)[0];
        let off = catalogue.direction(star_idx).separation(place).arcsec();
        let name = catalogue.name(star_idx).unwrap_or("");
        (catalogue.magnitude(star_idx), name, off)
    }

    #[test]
    fn bright_stars_stand_where_the_almanacs_have_them() {
        // J2000 places of Vega, Sirius and Achernar (Hipparcos, van Leeuwen 2007), moved to 2016.0
        // by their proper motions of (201, 286), (-546, -1223) and (87, -38) mas a year, from memory.
        for (ra, dec, name, magnitude) in [
            (279.235884, 38.784959, "Vega", 0.07),
            (101.284634, -16.721552, "Sirius", -1.11),
            (24.429237, -57.236924, "Achernar", 0.46),
        ] {
            let (found_magnitude, found_name, off) = brightest_near(ra, dec);
            assert_eq!(found_name, name);
            assert!((found_magnitude - magnitude).abs() <= 0.03, "{name}");
            assert!(off < 1.0, "{name} {off}");
        }
    }

    #[test]
    fn every_named_star_is_in_the_catalogue() {
        assert!(names().len() > 110);
        for (name, place) in names() {
            let near = Catalogue::embedded().within(*place, Angle::from_arcsec(3.0), 6.0);
            assert!(
                near.iter()
                    .any(|i| Catalogue::embedded().name(*i) == Some(name)),
                "{name}"
            );
        }
    }

    #[test]
    fn a_circle_finds_the_same_as_a_plain_search_at_poles_and_across_0_h() {
        let catalogue = Catalogue::embedded();
        for (ra, dec, radius) in [
            (0.01, 5.0, 3.0),
            (359.99, -60.0, 8.0),
            (120.0, 89.5, 2.0),
            (10.0, -88.0, 4.0),
            (200.0, 30.0, 0.4),
            (77.0, 80.0, 40.0),
            (77.0, -1.0, 100.0),
        ] {
            let radius = Angle::from_deg(radius);
            let found = catalogue.within(at(ra, dec), radius, 7.0);
            let inside = |i: &usize| catalogue.direction(*i).separation(at(ra, dec)) <= radius;
            let plain = (0..catalogue.len())
                .filter(|i| catalogue.magnitude(*i) <= 7.0001)
                .filter(inside)
                .count();
            assert_eq!(found.len(), plain, "{ra} {dec}");
            assert!(found.is_sorted_by(|p, q| catalogue.magnitude(*p) <= catalogue.magnitude(*q)));
        }
    }

    #[test]
    fn star_counts_by_magnitude_are_those_of_the_sky() {
        // Gaia DR3 counts of the source file to G = 8 and 9.5: 62,793 and 294,317, before close
        // pairs were merged; a step of 0.05 mag moves them by up to 3 %.
        let catalogue = Catalogue::embedded();
        let to = |limit: f64| {
            (0..catalogue.len())
                .filter(|i| catalogue.magnitude(*i) <= limit)
                .count()
        };
        assert!((62_000..66_000).contains(&to(8.0)), "{}", to(8.0));
        assert!((288_000..303_000).contains(&to(9.5)), "{}", to(9.5));
    }

    #[test]
    fn a_damaged_file_is_refused() {
        assert!(Catalogue::unpack(&BYTES[..BYTES.len() - 1]).is_none());
        assert!(Catalogue::unpack(&BYTES[1..]).is_none());
        assert!(Catalogue::unpack(b"STARCAT1").is_none());
    }
}
