//! Adaptive moments: a star's place, light and shape through a Gaussian weight that takes on its shape.
//!
//! Source: [HS03] Hirata & Seljak 2003, MNRAS 343, 459, section 2.1 (adaptive moments as the
//! best-fitting elliptical Gaussian).

use super::background::Background;
use crate::frame::Plane;
use crate::units::{PixelPoint, PixelTensor};

/// Result of the adaptive scheme.
#[derive(Debug, Clone, Copy)]
pub(super) struct Adaptive {
    pub(super) center: PixelPoint,
    pub(super) moments: PixelTensor,
    pub(super) flux: f64,
    pub(super) errors: AdaptiveErrors,
}

/// 1-sigma errors of the adaptive scheme's results.
#[derive(Debug, Clone, Copy)]
pub(super) struct AdaptiveErrors {
    /// Covariance of the place, square pixels.
    pub(super) place: PixelTensor,
    /// Sigma of each of the moments, square pixels.
    pub(super) moments: PixelTensor,
    pub(super) flux: f64,
    /// Brightest pixel within one sigma of the middle, above the sky.
    pub(super) peak: f64,
}

/// Noise of a pixel: sky part and what grows with light.
#[derive(Debug, Clone, Copy)]
pub(super) struct Noise {
    /// Scatter of neighbouring pixels' sum over that of white noise of the same pixel scatter.
    pub(super) correlation: f64,
    /// Variance added per unit of light.
    pub(super) gain: f64,
}

impl Noise {
    /// White noise of the sky alone.
    pub(super) const WHITE: Noise = Noise {
        correlation: 1.0,
        gain: 0.0,
    };

    /// Variance of a pixel with `light` above the sky, where the sky alone scatters by `sky_noise`; as
    /// sums of neighbours feel it.
    fn variance(&self, sky_noise: f64, light: f64) -> f64 {
        self.correlation.powi(2) * (sky_noise.powi(2) + self.gain * light.max(0.0))
    }
}

/// Widths outside of which a patch is no star, in pixels (Gaussian sigma).
const NARROWEST: f64 = 0.25;
const WIDEST: f64 = 12.0;
const MOST_ROUNDS: usize = 40;

/// Adaptive moments near `start` with a first guess of the width (Gaussian sigma, pixels); `None` if they run away.
pub(super) fn adaptive_moments(
    plane: &Plane,
    sky: &Background,
    noise: &Noise,
    start: PixelPoint,
    sigma: f64,
) -> Option<Adaptive> {
    let mut center = start;
    let mut shape = PixelTensor::new(sigma * sigma, 0.0, sigma * sigma);
    let mut pedestal = local_pedestal(plane, sky, center, sigma)?;
    for round in 0..MOST_ROUNDS {
        let sums = weighted_sums(plane, sky, center, shape, pedestal)?;
        if sums.light <= 0.0 {
            return None;
        }
        // Fixed point: weighted moments are half the weight's own. Steps are held to the width.
        let scale = 1.0 / sums.light;
        let step = (2.0 * sums.x * scale, 2.0 * sums.y * scale);
        let wide = (shape.xx + shape.yy).sqrt();
        center = PixelPoint::new(
            center.x + step.0.clamp(-wide, wide),
            center.y + step.1.clamp(-wide, wide),
        );
        let next = updated_shape(
            shape,
            PixelTensor::new(sums.xx * scale, sums.xy * scale, sums.yy * scale),
        )?;
        let change =
            (next.xx - shape.xx).abs() + (next.xy - shape.xy).abs() + (next.yy - shape.yy).abs();
        let settled = change < 1e-4 * (next.xx + next.yy) && step.0.hypot(step.1) < 1e-4 * wide;
        shape = next;
        if center.distance(start).px() > 3.0 * sigma + wide {
            return None;
        }
        if round == 3 {
            pedestal = local_pedestal(plane, sky, center, (0.5 * (shape.xx + shape.yy)).sqrt())?;
        }
        if settled && round > 3 {
            break;
        }
    }
    let flux = 2.0 * weighted_sums(plane, sky, center, shape, pedestal)?.light;
    let errors = errors(plane, sky, noise, center, shape, pedestal)?;
    let result = Adaptive {
        center,
        moments: shape,
        flux,
        errors,
    };
    (flux > 0.0 && flux.is_finite()).then_some(result)
}

/// The fixed point is reached at twice the weighted moments; half steps from both sides keep it stable.
fn updated_shape(old: PixelTensor, weighted: PixelTensor) -> Option<PixelTensor> {
    // Exact for a Gaussian star: 1/weighted = 1/weight + 1/star, so star = (1/weighted - 1/weight)^-1.
    let (w, o) = (inverse(weighted)?, inverse(old)?);
    let star = inverse(PixelTensor::new(w.xx - o.xx, w.xy - o.xy, w.yy - o.yy));
    let next = match star.filter(|s| is_positive(*s)) {
        Some(star) => PixelTensor::new(
            0.5 * (star.xx + old.xx),
            0.5 * (star.xy + old.xy),
            0.5 * (star.yy + old.yy),
        ),
        None => PixelTensor::new(1.5 * old.xx, 1.5 * old.xy, 1.5 * old.yy),
    };
    let (large, small, _) = next.principal();
    (small > NARROWEST * NARROWEST && large < WIDEST * WIDEST).then_some(next)
}

fn is_positive(t: PixelTensor) -> bool {
    t.xx > 0.0 && t.yy > 0.0 && t.xx * t.yy > t.xy * t.xy
}

fn inverse(t: PixelTensor) -> Option<PixelTensor> {
    let determinant = t.xx * t.yy - t.xy * t.xy;
    (determinant.abs() > 1e-12)
        .then(|| PixelTensor::new(t.yy / determinant, -t.xy / determinant, t.xx / determinant))
}

#[derive(Default)]
struct Sums {
    light: f64,
    x: f64,
    y: f64,
    xx: f64,
    xy: f64,
    yy: f64,
}

/// Visits the pixels of the weight's ellipse: dx, dy, weight, light above the sky, sky noise.
fn visit(
    plane: &Plane,
    sky: &Background,
    center: PixelPoint,
    shape: PixelTensor,
    pedestal: f64,
    mut see: impl FnMut(f64, f64, f64, f64),
) -> Option<()> {
    const REACH: f64 = 3.5;
    let inverse = inverse(shape)?;
    let (rx, ry) = (REACH * shape.xx.sqrt(), REACH * shape.yy.sqrt());
    let inside = |v: f64, size: usize| v >= 0.0 && v <= (size - 1) as f64;
    if !inside(center.x, plane.width()) || !inside(center.y, plane.height()) {
        return None;
    }
    let (x0, x1) = (
        (center.x - rx).ceil().max(0.0) as usize,
        ((center.x + rx).floor() as usize).min(plane.width() - 1),
    );
    let (y0, y1) = (
        (center.y - ry).ceil().max(0.0) as usize,
        ((center.y + ry).floor() as usize).min(plane.height() - 1),
    );
    let level =
        f64::from(sky.level_at(center.x.round() as usize, center.y.round() as usize)) + pedestal;
    for y in y0..=y1 {
        let dy = y as f64 - center.y;
        let row = plane.row(y);
        for (x, value) in row.iter().enumerate().take(x1 + 1).skip(x0) {
            let dx = x as f64 - center.x;
            let rho = inverse.xx * dx * dx + 2.0 * inverse.xy * dx * dy + inverse.yy * dy * dy;
            if rho < REACH * REACH {
                see(dx, dy, (-0.5 * rho).exp(), f64::from(*value) - level);
            }
        }
    }
    Some(())
}

fn weighted_sums(
    plane: &Plane,
    sky: &Background,
    center: PixelPoint,
    shape: PixelTensor,
    pedestal: f64,
) -> Option<Sums> {
    let mut s = Sums::default();
    visit(
        plane,
        sky,
        center,
        shape,
        pedestal,
        |dx, dy, weight, light| {
            let wl = weight * light;
            s.light += wl;
            s.x += wl * dx;
            s.y += wl * dy;
            s.xx += wl * dx * dx;
            s.xy += wl * dx * dy;
            s.yy += wl * dy * dy;
        },
    )?;
    Some(s)
}

/// Errors of moments measured before, with another knowledge of the noise.
pub(super) fn renewed_errors(
    plane: &Plane,
    sky: &Background,
    noise: &Noise,
    center: PixelPoint,
    shape: PixelTensor,
) -> Option<AdaptiveErrors> {
    let pedestal = local_pedestal(plane, sky, center, (0.5 * (shape.xx + shape.yy)).sqrt())?;
    errors(plane, sky, noise, center, shape, pedestal)
}

/// Errors from the noise of the pixels through the fixed-point conditions.
///
/// Place: sum(W n dx) / (S / 2). Moments: a change m of the weighted moments moves the fixed point
/// by 4 m, since the weighted moments of a matched Gaussian follow the weight by 1/4 and must equal 1/2.
fn errors(
    plane: &Plane,
    sky: &Background,
    noise: &Noise,
    center: PixelPoint,
    shape: PixelTensor,
    pedestal: f64,
) -> Option<AdaptiveErrors> {
    let sky_noise = sky.noise_near(center);
    let (mut light, mut peak, mut flux) = (0.0, 0.0_f64, 0.0);
    let (mut place, mut spread) = (PixelTensor::default(), PixelTensor::default());
    visit(
        plane,
        sky,
        center,
        shape,
        pedestal,
        |dx, dy, weight, value| {
            let power = weight * weight * noise.variance(sky_noise, value);
            light += weight * value;
            flux += power;
            place.xx += power * dx * dx;
            place.xy += power * dx * dy;
            place.yy += power * dy * dy;
            spread.xx += power * (dx * dx - 0.5 * shape.xx).powi(2);
            spread.xy += power * (dx * dy - 0.5 * shape.xy).powi(2);
            spread.yy += power * (dy * dy - 0.5 * shape.yy).powi(2);
            if weight > 0.5 {
                peak = peak.max(value);
            }
        },
    )?;
    let (p, q) = (4.0 / (light * light), 4.0 / light);
    (light > 0.0).then(|| AdaptiveErrors {
        place: PixelTensor::new(p * place.xx, p * place.xy, p * place.yy),
        moments: PixelTensor::new(
            q * spread.xx.sqrt(),
            q * spread.xy.sqrt(),
            q * spread.yy.sqrt(),
        ),
        flux: 2.0 * flux.sqrt(),
        peak,
    })
}

/// Light left over the mesh around a star: clipped mean of a ring at 5 to 8 sigma.
fn local_pedestal(plane: &Plane, sky: &Background, center: PixelPoint, sigma: f64) -> Option<f64> {
    let (inner, outer) = (5.0 * sigma + 1.0, 8.0 * sigma + 2.0);
    let mut values = Vec::new();
    let (cx, cy) = (center.x.round() as i64, center.y.round() as i64);
    let reach = outer.ceil() as i64;
    if cx < 0 || cy < 0 || cx >= plane.width() as i64 || cy >= plane.height() as i64 {
        return None;
    }
    let level = f64::from(sky.level_at(cx as usize, cy as usize));
    let noise = f64::from(sky.noise_at(cx as usize, cy as usize));
    for y in (cy - reach).max(0)..=(cy + reach).min(plane.height() as i64 - 1) {
        for x in (cx - reach).max(0)..=(cx + reach).min(plane.width() as i64 - 1) {
            let distance = ((x - cx) as f64).hypot((y - cy) as f64);
            if distance >= inner && distance <= outer {
                values.push(f64::from(plane.row(y as usize)[x as usize]) - level);
            }
        }
    }
    Some(clipped_middle(&mut values, noise))
}

/// Mean within 2.5 sigma of the median; zero with too few values.
fn clipped_middle(values: &mut [f64], noise: f64) -> f64 {
    if values.len() < 12 {
        return 0.0;
    }
    let half = values.len() / 2;
    let median = *values.select_nth_unstable_by(half, f64::total_cmp).1;
    let kept = values.iter().filter(|v| (*v - median).abs() < 2.5 * noise);
    let (sum, count) = kept.fold((0.0, 0), |(s, n), v| (s + v, n + 1));
    if count > 0 {
        sum / f64::from(count)
    } else {
        median
    }
}
