//! Lines of satellites and aircraft: straight, narrow, far longer than the trails of the stars.

use super::LightLine;
use super::background::Background;
use super::component::Component;
use crate::units::{PixelPoint, PixelVector};

/// A piece of a line is at least this long, in Gaussian sigmas of a star: longer than pairs of stars.
const LEAST_PIECE: f64 = 18.0;
/// A line of pieces is at least this long, in pixels and in sigmas of a star (stars out of focus touch in
/// chains), and this many times the stars' trails longer.
const LEAST_LENGTH: f64 = 60.0;
const LEAST_SIGMAS: f64 = 40.0;
const TRAILS: f64 = 3.0;
/// The same for a line that runs with the trails, of which several may touch end to end.
const PARALLEL_TRAILS: f64 = 8.0;
const PARALLEL_RAD: f64 = 0.07;
/// Most of a piece's pixels lie within this many sigmas and pixels of its line; the rest is stars on it.
const NARROW_SIGMAS: f64 = 2.2;
const NARROW_PIXELS: f64 = 1.5;
/// Share of a piece's pixels within that, and of its length that they cover.
const LEAST_SHARE: f64 = 0.55;
const LEAST_COVER: f64 = 0.9;
/// Pieces belong together up to a gap of this share of what they make together.
const LARGEST_GAP: f64 = 0.3;

/// The lines among the patches of light, longest first.
///
/// Method: a straight line is fitted to the pixels of each long patch, those off it left out in turns; a
/// patch that covers its line and little beside it is a piece; pieces in line with each other are joined.
/// Edges of a foreground and of the frame are straight, too: what lies on them is left out.
/// Input: Gaussian sigma of a star, the stars' trail at the centre.
pub(super) fn light_lines(
    patches: &[Component],
    sky: &Background,
    sigma: f64,
    trail: PixelVector,
) -> Vec<LightLine> {
    let mut pieces: Vec<LightLine> = patches
        .iter()
        .filter_map(|patch| piece_of(patch, sigma))
        .filter(|piece| is_on_sky(piece, sky))
        .collect();
    pieces.sort_by(|a, b| b.length().total_cmp(&a.length()));
    let mut lines: Vec<LightLine> = Vec::new();
    for piece in pieces {
        match lines.iter().position(|line| in_line(line, &piece, sigma)) {
            Some(index) => lines[index] = joined(&lines[index], &piece),
            None => lines.push(piece),
        }
    }
    lines.retain(|line| is_long_line(line, sigma, trail));
    lines.sort_by(|a, b| b.length().total_cmp(&a.length()));
    lines
}

impl LightLine {
    /// Length, pixels.
    pub(super) fn length(&self) -> f64 {
        self.from.distance(self.to).px()
    }

    pub(super) fn middle(&self) -> PixelPoint {
        PixelPoint::new(
            0.5 * (self.from.x + self.to.x),
            0.5 * (self.from.y + self.to.y),
        )
    }

    /// Unit vector from the first end to the second.
    fn along(&self) -> PixelVector {
        let length = self.length().max(f64::MIN_POSITIVE);
        PixelVector::new(
            (self.to.x - self.from.x) / length,
            (self.to.y - self.from.y) / length,
        )
    }

    /// Places along and across from the first end.
    fn place(&self, at: PixelPoint) -> (f64, f64) {
        let along = self.along();
        let (rx, ry) = (at.x - self.from.x, at.y - self.from.y);
        (rx * along.dx + ry * along.dy, ry * along.dx - rx * along.dy)
    }

    /// Whether a place is within `margin` of the line, its ends included.
    pub(super) fn touches(&self, at: PixelPoint, margin: f64) -> bool {
        let (u, v) = self.place(at);
        v.abs() < margin && u > -margin && u < self.length() + margin
    }
}

/// Whether a line is longer than stars with this trail draw, alone or touching end to end.
pub(super) fn is_long_line(line: &LightLine, sigma: f64, trail: PixelVector) -> bool {
    let along = line.along();
    let trail_length = trail.length().px();
    let across = (trail.dx * along.dy - trail.dy * along.dx).abs();
    let parallel = across < PARALLEL_RAD * trail_length;
    let trails = if parallel { PARALLEL_TRAILS } else { TRAILS };
    line.length() > LEAST_LENGTH.max(LEAST_SIGMAS * sigma) + trails * trail_length
}

/// Whether most of a piece runs over plain sky inside the frame.
fn is_on_sky(piece: &LightLine, sky: &Background) -> bool {
    const STEPS: usize = 8;
    const MARGIN: f64 = 10.0;
    let plain = |step: usize| {
        let t = step as f64 / STEPS as f64;
        let at = PixelPoint::new(
            piece.from.x + t * (piece.to.x - piece.from.x),
            piece.from.y + t * (piece.to.y - piece.from.y),
        );
        sky.is_inside(at, MARGIN) && !sky.is_textured(at)
    };
    2 * (0..=STEPS).filter(|step| plain(*step)).count() > STEPS
}

/// The straight piece that a patch is, if it is one.
fn piece_of(patch: &Component, sigma: f64) -> Option<LightLine> {
    let [x0, y0, x1, y1] = patch.bounds;
    let diagonal = ((x1 - x0) as f64).hypot((y1 - y0) as f64);
    let width = NARROW_SIGMAS * sigma + NARROW_PIXELS;
    // Twice the narrow band on both sides: more is no line, however it lies.
    if diagonal < LEAST_PIECE * sigma || patch.area as f64 > 4.0 * width * diagonal {
        return None;
    }
    let mut line = fitted(patch, |_| true)?;
    for margin in [4.0, 2.0, 1.0, 1.0] {
        line = fitted(patch, |at| line.place(at).1.abs() < margin * width)?;
    }
    let near: Vec<f64> = pixels(patch)
        .map(|at| line.place(at))
        .filter(|(_, v)| v.abs() < width)
        .map(|(u, _)| u)
        .collect();
    let length = line.length();
    let mut covered = vec![false; length.ceil() as usize + 1];
    for u in &near {
        if let Some(bin) = covered.get_mut(u.max(0.0) as usize) {
            *bin = true;
        }
    }
    let cover = covered.iter().filter(|c| **c).count() as f64 / covered.len() as f64;
    let is_line = near.len() as f64 > LEAST_SHARE * patch.area as f64
        && cover > LEAST_COVER
        && length > LEAST_PIECE * sigma;
    is_line.then_some(line)
}

fn pixels(patch: &Component) -> impl Iterator<Item = PixelPoint> {
    patch
        .runs
        .iter()
        .flat_map(|run| (run.start..run.end).map(|x| PixelPoint::new(x as f64, run.y as f64)))
}

/// The principal axis of the pixels that are kept, from the first of them to the last.
fn fitted(patch: &Component, keep: impl Fn(PixelPoint) -> bool) -> Option<LightLine> {
    let kept: Vec<PixelPoint> = pixels(patch).filter(|at| keep(*at)).collect();
    let n = kept.len() as f64;
    let mean = |of: &dyn Fn(&PixelPoint) -> f64| kept.iter().map(of).sum::<f64>() / n;
    let (mx, my) = (mean(&|p| p.x), mean(&|p| p.y));
    let (xx, xy, yy) = (
        mean(&|p| (p.x - mx).powi(2)),
        mean(&|p| (p.x - mx) * (p.y - my)),
        mean(&|p| (p.y - my).powi(2)),
    );
    let angle = 0.5 * (2.0 * xy).atan2(xx - yy);
    let (c, s) = (angle.cos(), angle.sin());
    let span = kept
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |span, p| {
            let u = (p.x - mx) * c + (p.y - my) * s;
            (span.0.min(u), span.1.max(u))
        });
    let at = |u: f64| PixelPoint::new(mx + u * c, my + u * s);
    (kept.len() > 2 && span.1 > span.0).then(|| LightLine {
        from: at(span.0),
        to: at(span.1),
    })
}

/// Whether a shorter piece runs on the line of a longer one, not far beyond its ends.
fn in_line(line: &LightLine, piece: &LightLine, sigma: f64) -> bool {
    let length = line.length();
    let ends = [line.place(piece.from), line.place(piece.to)];
    // The line's own direction is known to about a pixel over its length.
    let straight = ends.iter().all(|(u, v)| {
        let beyond = (-u).max(u - length).max(0.0);
        v.abs() < 2.0 * sigma + 2.0 * beyond / length
    });
    let (first, last) = (ends[0].0.min(ends[1].0), ends[0].0.max(ends[1].0));
    let gap = (-last).max(first - length).max(0.0);
    let together = last.max(length) - first.min(0.0);
    straight && gap < LARGEST_GAP * together
}

/// From the outermost end to the outermost end.
fn joined(line: &LightLine, piece: &LightLine) -> LightLine {
    let ends = [line.from, line.to, piece.from, piece.to];
    let along = |at: &&PixelPoint| line.place(**at).0;
    let by = |a: &&PixelPoint, b: &&PixelPoint| along(a).total_cmp(&along(b));
    LightLine {
        from: ends.iter().min_by(by).copied().unwrap_or(line.from),
        to: ends.iter().max_by(by).copied().unwrap_or(line.to),
    }
}

#[cfg(test)]
mod tests {
    use super::super::component::components;
    use super::super::detect::scan;
    use super::super::filter::Filter;
    use super::super::rendered::{Drawn, Scene, flux_for, grid, picture};
    use super::*;
    use crate::frame::Plane;

    const STILL: PixelVector = PixelVector::new(0.0, 0.0);

    fn scene() -> Scene {
        Scene {
            width: 640,
            height: 560,
            ..Scene::clear(2.5, 31)
        }
    }

    fn stars() -> Vec<Drawn> {
        let flux = flux_for(&scene(), (0.0, 0.0), 40.0);
        grid(&scene(), 40.0, (0.0, 0.0), flux, 30.0 * flux)
    }

    /// The picture with a line y = 60 + 0.6 x of this height where `lit` says so.
    fn lines(height: f32, lit: impl Fn(f64) -> bool) -> Vec<LightLine> {
        let plane = picture(&scene(), &stars());
        let width = plane.width();
        let light = plane.data().iter().enumerate().map(|(i, v)| {
            let (x, y) = ((i % width) as f64, (i / width) as f64);
            let off = (y - 60.0 - 0.6 * x) / 1.36_f64.sqrt();
            let share = if lit(x) {
                (-0.5 * (off / 1.2).powi(2)).exp()
            } else {
                0.0
            };
            v + height * share as f32
        });
        let plane = Plane::new(width, plane.height(), light.collect()).expect("sizes agree");
        let sky = Background::estimate(&plane);
        let found = scan(&plane, &sky, &Filter::of_stars(1.2), 5.0);
        light_lines(&components(&plane, &sky, &found), &sky, 1.1, STILL)
    }

    fn ends_at(line: &LightLine, from: (f64, f64), to: (f64, f64)) -> bool {
        let near = |p: PixelPoint, q: (f64, f64)| (p.x - q.0).hypot(p.y - q.1) < 8.0;
        near(line.from, from) && near(line.to, to) || near(line.from, to) && near(line.to, from)
    }

    #[test]
    fn a_line_among_stars_is_found_with_its_ends() {
        let found = lines(0.03, |x| (40.0..560.0).contains(&x));
        assert_eq!(found.len(), 1, "{found:?}");
        assert!(
            ends_at(&found[0], (40.0, 84.0), (560.0, 396.0)),
            "{found:?}"
        );
    }

    #[test]
    fn pieces_of_a_line_are_joined() {
        let found = lines(0.02, |x| {
            (40.0..560.0).contains(&x) && (x / 60.0) as i64 % 3 != 2
        });
        assert_eq!(found.len(), 1, "{found:?}");
        assert!(found[0].length() > 500.0, "{found:?}");
    }

    #[test]
    fn stars_bright_and_touching_are_no_lines() {
        let mut crowd = stars();
        // Pairs and a chain of three within a few pixels of each other.
        let chain = crowd.iter().flat_map(|s| {
            [1.0, 2.0].map(|k| Drawn {
                x: s.x + 4.0 * k,
                y: s.y + 2.0 * k,
                ..*s
            })
        });
        let all: Vec<Drawn> = crowd
            .iter()
            .copied()
            .chain(chain.collect::<Vec<_>>())
            .collect();
        crowd = all;
        let plane = picture(&scene(), &crowd);
        let sky = Background::estimate(&plane);
        let found = scan(&plane, &sky, &Filter::of_stars(1.2), 5.0);
        let lines = light_lines(&components(&plane, &sky, &found), &sky, 1.1, STILL);
        assert!(lines.is_empty(), "{lines:?}");
    }

    #[test]
    fn star_trails_are_no_lines() {
        let trail = (50.0, 35.0);
        let flux = flux_for(&scene(), trail, 80.0);
        let plane = picture(&scene(), &grid(&scene(), 75.0, trail, flux, 5.0 * flux));
        let sky = Background::estimate(&plane);
        let found = scan(&plane, &sky, &Filter::of_stars(1.2), 5.0);
        let patches = components(&plane, &sky, &found);
        let vector = PixelVector::new(trail.0, trail.1);
        assert!(light_lines(&patches, &sky, 1.1, vector).is_empty());
    }
}
