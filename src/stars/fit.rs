//! Fit of a segment to the pixels of one star, with its Fisher covariance.

use nalgebra::{SMatrix, SVector};

use super::background::Background;
use super::noise::Noise;
use super::nonlinear::SecondOrder;
use super::pace::Pace;
use super::psf::Psf;
use super::segment::{PARAMETERS, Segment, SegmentImage};
use crate::frame::Plane;
use crate::units::{PixelPoint, PixelTensor, PixelVector};

type Matrix = SMatrix<f64, PARAMETERS, PARAMETERS>;
type Vector = SVector<f64, PARAMETERS>;

/// What the fit knows beside the star.
#[derive(Clone, Copy)]
pub(super) struct FitSetup<'a> {
    pub(super) plane: &'a Plane,
    pub(super) sky: &'a Background,
    pub(super) noise: Noise,
    pub(super) psf: Psf,
    pub(super) pace: Pace,
    /// Light at or above this value is saturated.
    pub(super) saturation: f32,
}

/// A pixel of a star's window.
pub(super) struct Pixel {
    pub(super) x: f64,
    pub(super) y: f64,
    /// Above the sky.
    pub(super) light: f64,
    pub(super) variance: f64,
    pub(super) kept: bool,
}

/// A fitted segment.
#[derive(Debug, Clone, Copy)]
pub(super) struct SegmentFit {
    pub(super) segment: Segment,
    pub(super) center_covariance: PixelTensor,
    pub(super) vector_covariance: PixelTensor,
    pub(super) flux_sigma: f64,
    /// Brightest pixel above the sky.
    pub(super) peak: f64,
    /// Share of the window's pixels that were left out as foreign or saturated.
    pub(super) masked: f64,
    /// Residuals clearly beyond the noise over the light of the model, root mean squares.
    pub(super) unexplained: f64,
}

/// What is known of a star's trail beforehand.
#[derive(Debug, Clone, Copy)]
pub(super) struct Anchor {
    pub(super) vector: PixelVector,
    /// 1-sigma of each component, pixels.
    pub(super) sigma: f64,
}

/// Pixels above this share of saturation are left out: in a developed picture colours clip one by one
/// and round the top off long before white is reached.
pub(super) const SOFT_TOP: f32 = 0.7;
/// Half-width of the window beyond the segment, in core sigmas: holds all but the last of the wings.
const WINDOW_SIGMAS: f64 = 4.0;
/// Steps of each descent; a start within a pixel needs three or four.
const STEPS: usize = 8;

/// Best segment near `start`; `None` where it runs away or nothing is left to fit.
///
/// Method: Levenberg-Marquardt on the pixels within four PSF widths of the segment, weighted by sky
/// and photon noise; between descents, pixels that deviate by more than five sigma and a quarter of
/// the model belong to neighbours and are left out. Covariance: inverse Fisher matrix, scaled by the
/// noise's correlation and, where larger than chance allows, the residuals' variance.
pub(super) fn fit_segment(
    setup: &FitSetup,
    start: Segment,
    anchor: Option<Anchor>,
) -> Option<SegmentFit> {
    let mut descent = Descent::new(setup, start, anchor)?;
    descent.run()?;
    for _ in 0..2 {
        descent.reweigh();
        descent.run()?;
    }
    descent.summary()
}

/// Pixels of the window about a segment; `None` if its middle is off the frame or too few are usable.
pub(super) fn window(setup: &FitSetup, star: Segment) -> Option<Vec<Pixel>> {
    let (width, height) = (setup.plane.width() as f64, setup.plane.height() as f64);
    let c = star.center;
    if !(c.x >= 0.0 && c.y >= 0.0 && c.x < width && c.y < height) {
        return None;
    }
    let variance = f64::from(setup.sky.noise_at(c.x as usize, c.y as usize)).powi(2);
    let margin = WINDOW_SIGMAS * setup.psf.core + 1.5;
    let image = SegmentImage::new(star, setup.psf, setup.pace);
    let reach = |d: f64| 0.5 * d.abs() + margin;
    let span = |at: f64, reach: f64, size: f64| {
        (
            (at - reach).max(0.0) as usize,
            (at + reach).min(size - 1.0) as usize,
        )
    };
    let (x0, x1) = span(c.x, reach(star.vector.dx), width);
    let (y0, y1) = span(c.y, reach(star.vector.dy), height);
    let share = neighbour_share(setup.psf);
    let mut pixels = Vec::new();
    for y in y0..=y1 {
        let row = setup.plane.row(y);
        for (x, value) in row.iter().enumerate().take(x1 + 1).skip(x0) {
            let (px, py) = (x as f64, y as f64);
            if image.is_near(px, py, margin) {
                let light = f64::from(value - setup.sky.level_at(x, y));
                pixels.push(Pixel {
                    x: px,
                    y: py,
                    light,
                    variance,
                    kept: *value < SOFT_TOP * setup.saturation
                        && !is_hot(setup, x, y, light as f32, share),
                });
            }
        }
    }
    let kept = pixels.iter().filter(|p| p.kept).count();
    (kept > 2 * PARAMETERS).then_some(pixels)
}

/// Light of the neighbours of a star's brightest pixel over that pixel's, for a star centred on it.
fn neighbour_share(psf: Psf) -> f32 {
    let shade = |square: f64| (-0.5 * square / psf.core.powi(2)).exp();
    (0.5 * (shade(1.0) + shade(2.0))) as f32
}

/// A pixel that stands out more sharply than any star could: its neighbours have less than half of
/// what a star's would.
fn is_hot(setup: &FitSetup, x: usize, y: usize, light: f32, share: f32) -> bool {
    const HOT_SIGMAS: f32 = 8.0;
    let (width, height) = (setup.plane.width(), setup.plane.height());
    if light < HOT_SIGMAS * setup.sky.noise_at(x, y)
        || x == 0
        || y == 0
        || x + 1 >= width
        || y + 1 >= height
    {
        return false;
    }
    let around: f32 = (y - 1..=y + 1)
        .map(|row| setup.plane.row(row)[x - 1..=x + 1].iter().sum::<f32>())
        .sum();
    let own = setup.plane.row(y)[x];
    (around - own) / 8.0 - (own - light) < 0.5 * share * light
}

/// Stars whose light is this many sigmas are fitted without a mean error that would show: it falls with the
/// square, and is 0.02 px at most at 20 sigmas.
const SURE_SIGMAS: f64 = 100.0;

/// A fit on its way.
struct Descent<'a> {
    setup: &'a FitSetup<'a>,
    start: Segment,
    anchor: Option<Anchor>,
    pixels: Vec<Pixel>,
    sky_variance: f64,
    state: Vector,
    normal: Matrix,
    gradient: Vector,
    cost: f64,
}

impl<'a> Descent<'a> {
    fn new(setup: &'a FitSetup<'a>, start: Segment, anchor: Option<Anchor>) -> Option<Self> {
        let pixels = window(setup, start)?;
        let (c, d) = (start.center, start.vector);
        Some(Self {
            setup,
            start,
            anchor,
            sky_variance: pixels[0].variance,
            pixels,
            state: Vector::from([c.x, c.y, d.dx, d.dy, start.flux, start.pedestal]),
            normal: Matrix::zeros(),
            gradient: Vector::zeros(),
            cost: 0.0,
        })
    }

    /// Goes down until it settles; `None` where the segment leaves what the start allows.
    fn run(&mut self) -> Option<()> {
        let mut damping = 1e-3;
        (self.normal, self.gradient, self.cost) = self.equations(&self.state);
        for _ in 0..STEPS {
            let mut damped = self.normal;
            (0..PARAMETERS).for_each(|k| damped[(k, k)] *= 1.0 + damping);
            let trial = self.state + damped.cholesky()?.solve(&self.gradient);
            let next = is_sane(&trial, &self.start, self.setup.psf).then(|| self.equations(&trial));
            match next {
                Some((normal, gradient, cost)) if cost <= self.cost => {
                    let settled = self.cost - cost < 1e-4 * self.cost.min(self.pixels.len() as f64);
                    (self.state, self.normal, self.gradient, self.cost) =
                        (trial, normal, gradient, cost);
                    damping *= 0.2;
                    if settled {
                        break;
                    }
                }
                _ => damping *= 10.0,
            }
        }
        Some(())
    }

    fn each(&self, state: &Vector, mut see: impl FnMut(usize, f64, f64, [f64; PARAMETERS])) {
        let image = SegmentImage::new(segment_of(state), self.setup.psf, self.setup.pace);
        for (index, pixel) in self.pixels.iter().enumerate().filter(|(_, p)| p.kept) {
            let (value, slopes) = image.value_and_slopes(pixel.x, pixel.y);
            see(index, pixel.light - value, value - state[5], slopes);
        }
    }

    fn equations(&self, state: &Vector) -> (Matrix, Vector, f64) {
        let (mut normal, mut gradient, mut cost) = (Matrix::zeros(), Vector::zeros(), 0.0);
        self.each(state, |index, residual, _, slopes| {
            let weight = 1.0 / self.pixels[index].variance;
            cost += residual * residual * weight;
            for i in 0..PARAMETERS {
                gradient[i] += weight * slopes[i] * residual;
                for j in 0..=i {
                    normal[(i, j)] += weight * slopes[i] * slopes[j];
                }
            }
        });
        if let Some(Anchor { vector, sigma }) = self.anchor {
            for (k, away) in [(2, vector.dx - state[2]), (3, vector.dy - state[3])] {
                normal[(k, k)] += 1.0 / (sigma * sigma);
                gradient[k] += away / (sigma * sigma);
                cost += (away / sigma).powi(2);
            }
        }
        normal.fill_upper_triangle_with_lower_triangle();
        (normal, gradient, cost)
    }

    /// Gives each pixel the noise that the model expects, and leaves out those of neighbours.
    fn reweigh(&mut self) {
        let mut verdicts = Vec::with_capacity(self.pixels.len());
        self.each(&self.state, |index, residual, light, _| {
            let variance = self.setup.noise.variance(self.sky_variance.sqrt(), light);
            let kept = residual.abs() < 5.0 * variance.sqrt() + 0.25 * light.abs();
            verdicts.push((index, variance, kept));
        });
        for (index, variance, kept) in verdicts {
            (self.pixels[index].variance, self.pixels[index].kept) = (variance, kept);
        }
    }

    /// The state without its mean error of second order, where that is small.
    fn unbiased(&self, inverse: Matrix, covariance: Matrix) -> Vector {
        let state = &self.state;
        if state[4] > SURE_SIGMAS * covariance[(4, 4)].sqrt() {
            return *state;
        }
        let (psf, pace) = (self.setup.psf, self.setup.pace);
        let mut order = SecondOrder::of(segment_of(state), psf, pace, inverse, covariance);
        self.each(state, |index, _, _, slopes| {
            let pixel = &self.pixels[index];
            order.add(pixel.x, pixel.y, 1.0 / pixel.variance, slopes);
        });
        let bias = order.bias();
        let is_small = (0..PARAMETERS).all(|k| bias[k].powi(2) < 0.25 * covariance[(k, k)]);
        if is_small { state - bias } else { *state }
    }

    fn summary(&self) -> Option<SegmentFit> {
        let kept = self.pixels.iter().filter(|p| p.kept).count();
        let spare = kept.checked_sub(PARAMETERS).filter(|n| *n > PARAMETERS)?;
        let (mut peak, mut beyond, mut power) = (0.0_f64, 0.0, 0.0);
        self.each(&self.state, |index, residual, light, _| {
            peak = peak.max(light + residual);
            beyond += residual * residual - self.pixels[index].variance;
            power += light * light;
        });
        // Chance alone makes the sum of squares stray by sqrt(2 n) variances.
        beyond -= 3.0 * self.sky_variance * (2.0 * kept as f64).sqrt();
        let misfit = misfit(self.cost, spare);
        let correlation = self.setup.noise.correlation;
        let inverse = self.normal.try_inverse()?;
        let c = inverse * (correlation.place.powi(2) * misfit);
        let tensor = |i: usize| PixelTensor::new(c[(i, i)], c[(i, i + 1)], c[(i + 1, i + 1)]);
        let fit = SegmentFit {
            segment: segment_of(&self.unbiased(inverse, c)),
            center_covariance: tensor(0),
            vector_covariance: tensor(2),
            flux_sigma: c[(4, 4)].sqrt() * correlation.light / correlation.place,
            peak,
            masked: 1.0 - kept as f64 / self.pixels.len() as f64,
            unexplained: (beyond.max(0.0) / power.max(f64::MIN_POSITIVE)).sqrt(),
        };
        let sound = (0..PARAMETERS).all(|k| c[(k, k)] > 0.0 && c[(k, k)].is_finite());
        (sound && fit.segment.flux > 0.0).then_some(fit)
    }
}

/// Variance of the residuals over what was expected, where it exceeds that by more than chance does.
pub(super) fn misfit(cost: f64, spare: usize) -> f64 {
    let spare = spare.max(1) as f64;
    let by_chance = 1.0 + 2.0 * (2.0 / spare).sqrt();
    (cost / spare / by_chance).max(1.0)
}

fn segment_of(state: &Vector) -> Segment {
    Segment {
        center: PixelPoint::new(state[0], state[1]),
        vector: PixelVector::new(state[2], state[3]),
        flux: state[4],
        pedestal: state[5],
    }
}

/// Held near the start: a fit that wanders off by more than this measures something else.
fn is_sane(trial: &Vector, start: &Segment, psf: Psf) -> bool {
    let started = start.vector.length().px();
    let moved = (trial[0] - start.center.x).hypot(trial[1] - start.center.y);
    let length = trial[2].hypot(trial[3]);
    moved < 3.0 * psf.core + 0.3 * started
        && length < 1.6 * started + 4.0 * psf.core
        && trial.iter().all(|v| v.is_finite())
}

#[cfg(test)]
mod tests {
    use super::super::rendered::{Drawn, Scene, flux_for, picture};
    use super::*;

    struct Sight {
        plane: Plane,
        sky: Background,
    }

    impl Sight {
        fn of(plane: Plane) -> Self {
            Self {
                sky: Background::estimate(&plane),
                plane,
            }
        }
        fn setup(&self) -> FitSetup<'_> {
            let psf = Psf {
                core: 1.1,
                ratio: 1.8,
                wings: 0.25,
            };
            FitSetup {
                plane: &self.plane,
                sky: &self.sky,
                noise: Noise::WHITE,
                psf,
                pace: Pace::default(),
                saturation: 10.0,
            }
        }
    }

    fn scene() -> Scene {
        Scene {
            width: 120,
            height: 110,
            ..Scene::clear(2.5, 3)
        }
    }

    fn start(star: &Drawn) -> Segment {
        Segment {
            center: PixelPoint::new(star.x + 0.6, star.y - 0.5),
            vector: PixelVector::new(star.dx - 0.8, star.dy + 0.5),
            flux: 0.8 * star.flux,
            pedestal: 0.0,
        }
    }

    fn star() -> Drawn {
        Drawn {
            x: 60.3,
            y: 55.7,
            dx: 9.0,
            dy: 6.0,
            flux: flux_for(&scene(), (9.0, 6.0), 80.0),
        }
    }

    fn check(fit: &SegmentFit, star: &Drawn) {
        let s = fit.segment;
        let pull =
            |found: f64, truth: f64, variance: f64| ((found - truth) / variance.sqrt()).abs();
        assert!(
            pull(s.center.x, star.x, fit.center_covariance.xx) < 4.0,
            "{fit:?}"
        );
        assert!(
            pull(s.center.y, star.y, fit.center_covariance.yy) < 4.0,
            "{fit:?}"
        );
        assert!(
            pull(s.vector.dx, star.dx, fit.vector_covariance.xx) < 4.0,
            "{fit:?}"
        );
        assert!((s.flux / star.flux - 1.0).abs() < 0.1, "{fit:?}");
    }

    #[test]
    fn a_trail_is_found_from_a_start_beside_it() {
        let sight = Sight::of(picture(&scene(), &[star()]));
        check(
            &fit_segment(&sight.setup(), start(&star()), None).expect("a clear star"),
            &star(),
        );
    }

    #[test]
    fn a_hot_pixel_and_a_neighbour_are_left_out() {
        let neighbour = Drawn {
            x: 62.0,
            y: 63.5,
            dx: 0.0,
            dy: 0.0,
            flux: star().flux,
        };
        let plane = picture(&scene(), &[star(), neighbour]);
        let mut data = plane.data().to_vec();
        data[57 * 120 + 62] += 0.6;
        let sight = Sight::of(Plane::new(120, 110, data).expect("sizes agree"));
        let fit = fit_segment(&sight.setup(), start(&star()), None).expect("a clear star");
        assert!(fit.masked > 0.02, "{fit:?}");
        let s = fit.segment;
        assert!(
            (s.center.x - star().x).hypot(s.center.y - star().y) < 0.3,
            "{fit:?}"
        );
        assert!(
            (s.vector.dx - star().dx).hypot(s.vector.dy - star().dy) < 0.6,
            "{fit:?}"
        );
    }

    #[test]
    fn an_anchor_holds_the_trail_of_a_faint_star() {
        let faint = Drawn {
            flux: 0.12 * star().flux,
            ..star()
        };
        let sight = Sight::of(picture(&scene(), &[faint]));
        let anchor = Anchor {
            vector: PixelVector::new(9.0, 6.0),
            sigma: 0.1,
        };
        let fit = fit_segment(&sight.setup(), start(&faint), Some(anchor)).expect("a faint star");
        assert!(
            (fit.segment.vector.dx - 9.0).hypot(fit.segment.vector.dy - 6.0) < 0.4,
            "{fit:?}"
        );
        assert!(fit.segment.flux / fit.flux_sigma > 5.0, "{fit:?}");
    }

    #[test]
    fn a_start_off_the_frame_gives_nothing() {
        let sight = Sight::of(picture(&scene(), &[star()]));
        assert!(fit_segment(&sight.setup(), start(&Drawn { x: -5.0, ..star() }), None).is_none());
    }
}
