//! The light that a star stands on beyond what the background mesh follows.

use super::background::Background;
use crate::frame::Plane;
use crate::units::PixelPoint;

/// Light left over the mesh around a star: clipped mean of a ring at 5 to 8 sigma, of every other pixel.
pub(super) fn local_pedestal(
    plane: &Plane,
    sky: &Background,
    center: PixelPoint,
    sigma: f64,
) -> Option<f64> {
    let (inner, outer) = (5.0 * sigma + 1.0, 8.0 * sigma + 2.0);
    let (width, height) = (plane.width() as f64, plane.height() as f64);
    if !(center.x >= 0.0 && center.y >= 0.0 && center.x < width && center.y < height) {
        return None;
    }
    let (cx, cy) = (
        center.x.round().min(width - 1.0) as usize,
        center.y.round().min(height - 1.0) as usize,
    );
    let (level, noise) = (sky.level_at(cx, cy), sky.noise_at(cx, cy));
    let mut values = Vec::with_capacity((2.0 * outer * outer) as usize);
    let reach = outer as usize;
    let rows = cy.saturating_sub(reach)..(cy + reach + 1).min(plane.height());
    // The columns left and right of the star of every other pixel of the ring, shifted from row to row.
    let sides = |y: usize| {
        let across = y.abs_diff(cy) as f64;
        let half = |radius: f64| (radius * radius - across * across).max(0.0).sqrt() as usize;
        let (far, near, shift) = (half(outer), half(inner), y % 2);
        [
            (cx.saturating_sub(far) + shift, cx.saturating_sub(near)),
            (cx + near + 1 + shift, (cx + far + 1).min(plane.width())),
        ]
    };
    // The first of each row before all others: these loads, which mostly miss the cache, do not wait for
    // each other.
    for skipped in [true, false] {
        for y in rows.clone() {
            let row = plane.row(y);
            for (from, end) in sides(y) {
                let side = &row[from.min(end)..end];
                if skipped {
                    values.extend(side.first().map(|v| v - level));
                } else {
                    let others = side.get(2..).unwrap_or_default();
                    values.extend(others.iter().step_by(2).map(|v| v - level));
                }
            }
        }
    }
    Some(f64::from(clipped_middle(&mut values, noise)))
}

/// Mean within 2.5 sigma of the middle: that of the mesh where most values are near it, else the median's;
/// zero with too few values.
fn clipped_middle(values: &mut [f32], noise: f32) -> f32 {
    const CLIP: f32 = 2.5;
    /// Share of the values near the mesh that makes it a good start: 0.99 of a plain sky is.
    const PLAIN: f32 = 0.8;
    if values.len() < 12 {
        return 0.0;
    }
    let (sum, count) = sum_near(values, 0.0, CLIP * noise);
    let start = if count > PLAIN * values.len() as f32 {
        sum / count
    } else {
        let half = values.len() / 2;
        *values.select_nth_unstable_by(half, f32::total_cmp).1
    };
    let (sum, count) = sum_near(values, start, CLIP * noise);
    if count > 0.0 { sum / count } else { start }
}

/// Sum and number of the values within `limit` of `middle`, several at a time.
fn sum_near(values: &[f32], middle: f32, limit: f32) -> (f32, f32) {
    const LANES: usize = 8;
    let (mut sums, mut counts) = ([0.0_f32; LANES], [0.0_f32; LANES]);
    for chunk in values.chunks(LANES) {
        for ((sum, count), v) in sums.iter_mut().zip(&mut counts).zip(chunk) {
            let near = f32::from(u8::from((v - middle).abs() < limit));
            *sum += near * v;
            *count += near;
        }
    }
    (sums.iter().sum(), counts.iter().sum())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_ring_gives_what_the_mesh_leaves_and_ignores_a_neighbour() {
        let value = |i: usize| {
            let (x, y) = ((i % 60) as f64, (i / 60) as f64);
            let star = 5.0 * (-0.5 * ((x - 30.0).powi(2) + (y - 30.0).powi(2)) / 1.4).exp();
            let neighbour = 2.0 * (-0.5 * ((x - 37.0).powi(2) + (y - 32.0).powi(2)) / 1.4).exp();
            (0.13 + star + neighbour + 0.01 * ((i * 7919 % 13) as f64 - 6.0) / 3.74) as f32
        };
        let plane = Plane::new(60, 60, (0..3600).map(value).collect()).expect("sizes agree");
        let sky = Background::flat(60, 60, 0.1, 0.01);
        let found = local_pedestal(&plane, &sky, PixelPoint::new(30.0, 30.0), 1.2).expect("inside");
        assert!((found - 0.03).abs() < 0.003, "{found}");
        assert!(local_pedestal(&plane, &sky, PixelPoint::new(-1.0, 30.0), 1.2).is_none());
    }
}
