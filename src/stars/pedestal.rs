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
    for y in cy.saturating_sub(reach)..(cy + reach + 1).min(plane.height()) {
        let across = y.abs_diff(cy) as f64;
        let half = |radius: f64| (radius * radius - across * across).max(0.0).sqrt() as usize;
        let (far, near) = (half(outer), half(inner));
        let row = plane.row(y);
        let left = cx.saturating_sub(far)..cx.saturating_sub(near);
        let right = (cx + near + 1).min(row.len())..(cx + far + 1).min(row.len());
        // Every other pixel, shifted from row to row.
        values.extend(row[left].iter().skip(y % 2).step_by(2).map(|v| v - level));
        values.extend(row[right].iter().skip(y % 2).step_by(2).map(|v| v - level));
    }
    Some(f64::from(clipped_middle(&mut values, noise)))
}

/// Mean within 2.5 sigma of the median; zero with too few values.
fn clipped_middle(values: &mut [f32], noise: f32) -> f32 {
    if values.len() < 12 {
        return 0.0;
    }
    let half = values.len() / 2;
    let median = *values.select_nth_unstable_by(half, f32::total_cmp).1;
    let kept = values.iter().filter(|v| (*v - median).abs() < 2.5 * noise);
    let (sum, count) = kept.fold((0.0, 0.0), |(s, n), v| (s + v, n + 1.0));
    if count > 0.0 { sum / count } else { median }
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
