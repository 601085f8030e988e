//! Truth: published programs. What sep, photutils and galsim measure on the same pixels
//! (testdata/shapes, made by scripts/make_reference_shapes.py).

use std::fs;
use std::path::{Path, PathBuf};

use stillpoint::frame::{Frame, Overrides, read_frame};
use stillpoint::stars::{Star, StarField, measure_stars};

/// A star this near a detection of another program is the same, pixels.
const SAME_PX: f64 = 1.5;
/// Stars nearer to the edge are cut off, pixels.
const MARGIN_PX: f64 = 8.0;
/// Other detections nearer than this disturb place and shape, pixels.
const ALONE_PX: f64 = 10.0;
/// Signal to noise ratio from where on all must be found, and from where on places and shapes are compared:
/// below, each program's own noise is larger than what is asked.
const BRIGHT: f64 = 10.0;
const CLEAR: f64 = 20.0;
/// Share of theirs that must be found; seen last: 0.984 to 1.
const LEAST_FOUND: f64 = 0.98;
/// Root mean square of the difference in place on either axis; seen last: 0.011 to 0.020 px.
const MOST_APART_PX: f64 = 0.05;
/// Difference of the median second moment from galsim's; seen last: 0.007.
const MOST_SIZE_OFF: f64 = 0.02;

/// A detection of another program.
#[derive(Debug, Clone, Copy)]
struct Seen {
    x: f64,
    y: f64,
    ratio: f64,
    /// xx, xy, yy, square pixels.
    moments: Option<[f64; 3]>,
}

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("testdata/shapes")
}

fn measured(name: &str) -> StarField {
    let file = folder().join(format!("{name}.png"));
    let Frame { plane, header } = read_frame(&file, &Overrides::default())
        .expect("a frame")
        .value;
    measure_stars(&plane, header.saturation)
}

fn seen_by(program: &str, name: &str) -> Vec<Seen> {
    let table = fs::read_to_string(folder().join(format!("{name}.csv"))).expect("a table");
    let seen = |line: &str| {
        let cells: Vec<&str> = line.split(',').collect();
        let number = |k: usize| cells[k].parse::<f64>().ok();
        (cells[0] == program).then(|| Seen {
            x: number(1).expect("a place"),
            y: number(2).expect("a place"),
            ratio: number(3).expect("a ratio"),
            moments: number(4).map(|xx| [xx, number(5).unwrap_or(0.0), number(6).unwrap_or(0.0)]),
        })
    };
    let all: Vec<Seen> = table.lines().filter_map(seen).collect();
    assert!(all.len() > 100, "{program} on {name}: {}", all.len());
    all
}

fn inside(seen: &Seen, field: &StarField) -> bool {
    let within = |v: f64, size: usize| v > MARGIN_PX && v < size as f64 - 1.0 - MARGIN_PX;
    within(seen.x, field.width) && within(seen.y, field.height)
}

fn of_ours<'a>(seen: &Seen, field: &'a StarField) -> Option<&'a Star> {
    let distance = |s: &Star| (s.position.x - seen.x).hypot(s.position.y - seen.y);
    let nearest = field
        .stars
        .iter()
        .min_by(|a, b| distance(a).total_cmp(&distance(b)));
    nearest.filter(|star| distance(star) < SAME_PX)
}

/// Single stars by galsim's sizes: a pair that no program takes apart is wider than most, and each program
/// puts it elsewhere.
fn singles(name: &str) -> Vec<Seen> {
    const ALIKE: f64 = 0.2;
    let all = seen_by("galsim", name);
    let size = |seen: &Seen| seen.moments.map_or(0.0, |[xx, _, yy]| xx + yy);
    let mut bright: Vec<f64> = all.iter().filter(|s| s.ratio > CLEAR).map(size).collect();
    let usual = median(&mut bright);
    all.into_iter()
        .filter(|seen| (size(seen) / usual - 1.0).abs() < ALIKE)
        .collect()
}

/// Clear single stars that stand alone, with theirs.
fn pairs<'a>(program: &str, name: &str, field: &'a StarField) -> Vec<(Seen, &'a Star)> {
    let all = seen_by(program, name);
    let alone = |seen: &Seen| {
        let near = |other: &&Seen| (other.x - seen.x).hypot(other.y - seen.y) < ALONE_PX;
        all.iter().filter(near).count() == 1
    };
    let singles = singles(name);
    let single = |seen: &Seen| {
        let same = |other: &Seen| (other.x - seen.x).hypot(other.y - seen.y) < SAME_PX;
        singles.iter().any(same)
    };
    let clear = all
        .iter()
        .filter(|s| s.ratio > CLEAR && inside(s, field) && alone(s) && single(s));
    let found = clear.filter_map(|s| of_ours(s, field).map(|star| (*s, star)));
    let clean: Vec<_> = found.filter(|(_, star)| star.quality.is_clean()).collect();
    assert!(clean.len() > 25, "{program} on {name}: {}", clean.len());
    clean
}

#[test]
fn what_other_programs_find_is_found() {
    for name in ["round", "trailed"] {
        let field = measured(name);
        for program in ["sep", "photutils", "galsim"] {
            let theirs: Vec<Seen> = seen_by(program, name)
                .into_iter()
                .filter(|s| s.ratio > BRIGHT && inside(s, &field))
                .collect();
            let missed: Vec<&Seen> = theirs
                .iter()
                .filter(|s| of_ours(s, &field).is_none())
                .collect();
            let share = 1.0 - missed.len() as f64 / theirs.len() as f64;
            assert!(
                share >= LEAST_FOUND,
                "{program} on {name}: {share:.3}, {missed:?}"
            );
        }
    }
}

#[test]
fn places_agree_with_other_programs() {
    for name in ["round", "trailed"] {
        let field = measured(name);
        for program in ["sep", "photutils", "galsim"] {
            let pairs = pairs(program, name, &field);
            let squares: f64 = pairs
                .iter()
                .map(|(s, star)| (star.position.x - s.x).powi(2) + (star.position.y - s.y).powi(2))
                .sum();
            let apart = (squares / (2.0 * pairs.len() as f64)).sqrt();
            assert!(apart < MOST_APART_PX, "{program} on {name}: {apart:.4} px");
        }
    }
}

/// galsim's adaptive moments are the same quantity; sep's depend on its threshold and are not.
#[test]
fn second_moments_agree_with_adaptive_moments() {
    for name in ["round", "trailed"] {
        let field = measured(name);
        let mut ratios: Vec<f64> = pairs("galsim", name, &field)
            .iter()
            .filter_map(|(s, star)| {
                let [xx, _, yy] = s.moments?;
                Some((star.moments.xx + star.moments.yy) / (xx + yy))
            })
            .collect();
        let middle = median(&mut ratios);
        assert!((middle - 1.0).abs() < MOST_SIZE_OFF, "{name}: {middle:.4}");
    }
}

#[test]
fn directions_scatter_no_more_than_those_of_other_programs() {
    let field = measured("trailed");
    for program in ["sep", "galsim"] {
        let pairs = pairs(program, "trailed", &field);
        let theirs = pairs.iter().filter_map(|(s, _)| s.moments.map(direction));
        let ours = pairs
            .iter()
            .map(|(_, star)| direction([star.moments.xx, star.moments.xy, star.moments.yy]));
        let (theirs, ours) = (scatter(theirs.collect()), scatter(ours.collect()));
        assert!(
            ours <= theirs,
            "{program}: {ours:.2} against {theirs:.2} degrees"
        );
    }
}

/// Direction of the long axis, degrees; lines, so known up to 180.
fn direction([xx, xy, yy]: [f64; 3]) -> f64 {
    (0.5 * (2.0 * xy).atan2(xx - yy)).to_degrees()
}

/// Median deviation of directions from their own middle.
fn scatter(directions: Vec<f64>) -> f64 {
    let twice = |f: fn(f64) -> f64| {
        directions
            .iter()
            .map(|d| f(2.0 * d.to_radians()))
            .sum::<f64>()
    };
    let middle = (0.5 * twice(f64::sin).atan2(twice(f64::cos))).to_degrees();
    let mut away: Vec<f64> = directions
        .iter()
        .map(|d| ((d - middle + 90.0).rem_euclid(180.0) - 90.0).abs())
        .collect();
    median(&mut away)
}

fn median(values: &mut [f64]) -> f64 {
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f64::total_cmp).1
}
