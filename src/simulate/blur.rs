//! Faults of the lens that draw a star out or wide, place by place on the frame.

use rayon::prelude::*;

use super::optics::Projection;
use super::psf::{Profile, PsfTable};
use super::scenario::LensSpec;

/// Star images over the frame: one table for each zone of a grid.
#[derive(Debug, Clone)]
pub struct LensImages {
    /// Round profile at the middle of the frame, without faults.
    pub profile: Profile,
    tables: Vec<PsfTable>,
    columns: usize,
    rows: usize,
    zone_width: f64,
    zone_height: f64,
}

impl LensImages {
    /// Works out the tables of a lens for a frame.
    pub fn new(lens: &LensSpec, projection: &Projection) -> Self {
        let profile = Profile::new(lens);
        let varies = lens.astigmatism_px != 0.0 || lens.coma_px != 0.0 || lens.tilt_px != 0.0;
        let (columns, rows) = if varies { (15, 11) } else { (1, 1) };
        let [cx, cy] = projection.center;
        let (zone_width, zone_height) = (2.0 * cx / columns as f64, 2.0 * cy / rows as f64);
        let widest =
            lens.astigmatism_px.abs() + lens.coma_px + lens.tilt_px.abs() + lens.defocus_px;
        // Ten widths hold all but a thousandth of the light of a Moffat profile with beta 3.
        let radius = (8.0 * lens.fwhm_px + 0.7 * widest).ceil() as i32;
        let tables = (0..columns * rows)
            .into_par_iter()
            .map(|zone| {
                let x = ((zone % columns) as f64 + 0.5) * zone_width - cx;
                let y = ((zone / columns) as f64 + 0.5) * zone_height - cy;
                PsfTable::new(&profile, &blur_points(lens, [x, y], [cx, cy]), radius)
            })
            .collect();
        Self {
            profile,
            tables,
            columns,
            rows,
            zone_width,
            zone_height,
        }
    }

    /// The table for a place on the frame.
    pub fn at(&self, pixel: [f64; 2]) -> &PsfTable {
        let cell = |at: f64, size: f64, count: usize| {
            ((at / size).floor().max(0.0) as usize).min(count - 1)
        };
        let column = cell(pixel[0], self.zone_width, self.columns);
        let row = cell(pixel[1], self.zone_height, self.rows);
        &self.tables[row * self.columns + column]
    }
}

/// Points (x, y in pixels, weight) among which the lens shares a star's light, with mean zero.
///
/// `from_center` is the place from the middle of the frame, `half` half of the frame's size.
pub fn blur_points(lens: &LensSpec, from_center: [f64; 2], half: [f64; 2]) -> Vec<(f64, f64, f64)> {
    let distance = from_center[0].hypot(from_center[1]);
    let relative = distance / half[0].hypot(half[1]);
    let outward = if distance > 0.0 {
        [from_center[0] / distance, from_center[1] / distance]
    } else {
        [1.0, 0.0]
    };
    let across = [-outward[1], outward[0]];
    let disc = disc_points((lens.defocus_px + lens.tilt_px * from_center[0] / half[0]).abs());
    let streak = line_points(lens.astigmatism_px.abs() * relative * relative, |_| 1.0);
    let streak_along = if lens.astigmatism_px < 0.0 {
        across
    } else {
        outward
    };
    let flare = line_points(lens.coma_px * relative, |s| 1.0 - s);
    let mut points = Vec::with_capacity(disc.len() * streak.len() * flare.len());
    for &(dx, dy, wd) in &disc {
        for &(s, ws) in &streak {
            for &(f, wf) in &flare {
                points.push((
                    dx + s * streak_along[0] + f * outward[0],
                    dy + s * streak_along[1] + f * outward[1],
                    wd * ws * wf,
                ));
            }
        }
    }
    points
}

/// Points of a uniform disc.
fn disc_points(diameter: f64) -> Vec<(f64, f64, f64)> {
    if diameter < 1e-6 {
        return vec![(0.0, 0.0, 1.0)];
    }
    let radius = 0.5 * diameter;
    let steps = (radius / 0.2).ceil().max(4.0) as i32;
    let spacing = radius / f64::from(steps);
    let mut points: Vec<(f64, f64, f64)> = (-steps..=steps)
        .flat_map(|j| (-steps..=steps).map(move |i| (f64::from(i), f64::from(j))))
        .filter(|(i, j)| i.hypot(*j) <= f64::from(steps))
        .map(|(i, j)| (i * spacing, j * spacing, 1.0))
        .collect();
    let share = 1.0 / points.len() as f64;
    points.iter_mut().for_each(|p| p.2 = share);
    points
}

/// Points along a line of a length, with a density over 0 to 1, about their mean.
fn line_points(length: f64, density: impl Fn(f64) -> f64) -> Vec<(f64, f64)> {
    if length < 1e-6 {
        return vec![(0.0, 1.0)];
    }
    let count = (length / 0.15).ceil().max(8.0);
    let raw: Vec<(f64, f64)> = (0..count as usize)
        .map(|k| (k as f64 + 0.5) / count)
        .map(|s| (s * length, density(s)))
        .collect();
    let total: f64 = raw.iter().map(|p| p.1).sum();
    let mean = raw.iter().map(|p| p.0 * p.1).sum::<f64>() / total;
    raw.iter().map(|&(s, w)| (s - mean, w / total)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::scenario::LensSpec;

    fn moments(points: &[(f64, f64, f64)]) -> [f64; 5] {
        points.iter().fold([0.0; 5], |m, &(x, y, w)| {
            [
                m[0] + w * x,
                m[1] + w * y,
                m[2] + w * x * x,
                m[3] + w * x * y,
                m[4] + w * y * y,
            ]
        })
    }

    #[test]
    fn astigmatism_stretches_the_corner_towards_the_centre_and_negative_around_it() {
        let radial = LensSpec {
            astigmatism_px: 2.0,
            ..LensSpec::faultless()
        };
        let m = moments(&blur_points(&radial, [300.0, 400.0], [300.0, 400.0]));
        // Along (0.6, 0.8): positive mixed moment; a line of 2 px has variance 4/12.
        assert!(m[3] > 0.1 && (m[2] + m[4] - 4.0 / 12.0).abs() < 0.01);
        let around = LensSpec {
            astigmatism_px: -2.0,
            ..LensSpec::faultless()
        };
        assert!(moments(&blur_points(&around, [300.0, 400.0], [300.0, 400.0]))[3] < -0.1);
    }

    #[test]
    fn no_fault_moves_the_star_and_a_tilt_grows_to_the_right() {
        let all = LensSpec {
            astigmatism_px: 1.0,
            coma_px: 2.0,
            tilt_px: 2.0,
            defocus_px: 2.0,
            ..LensSpec::faultless()
        };
        let m = moments(&blur_points(&all, [250.0, -100.0], [300.0, 200.0]));
        assert!(m[0].abs() < 1e-9 && m[1].abs() < 1e-9);
        let tilted = LensSpec {
            tilt_px: 2.0,
            defocus_px: 2.0,
            ..LensSpec::faultless()
        };
        let right = moments(&blur_points(&tilted, [300.0, 0.0], [300.0, 200.0]));
        let left = moments(&blur_points(&tilted, [-300.0, 0.0], [300.0, 200.0]));
        // A disc of diameter 4 px has variance 16/16 along each axis.
        assert!((right[2] - 1.0).abs() < 0.1 && left[2] < 1e-9);
    }
}
