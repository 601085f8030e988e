//! What a frame shows of a motion: its stars' mean place and their shape.

use nalgebra::{DMatrix, DVector, Matrix3, Rotation3, Vector3};

use super::motion::{Form, Stand, arcsec, turned};
use crate::sky::rotation::rotation_vector;
use crate::stars::FrameTrail;
use crate::units::{Angle, AngularRate, PixelVector};

/// One frame as a witness.
#[derive(Debug, Clone)]
pub struct Witness {
    /// Index of the frame in its alignment.
    pub frame: usize,
    /// Mid exposure, seconds from the night's reference instant.
    pub mid: f64,
    /// Length of the exposure, seconds.
    pub exposure: f64,
    /// Camera to horizon frame.
    pub camera: Rotation3<f64>,
    /// Covariance of the rotation vector that would correct it from the left, square radians.
    pub covariance: Matrix3<f64>,
    /// The trail that the shapes show.
    pub trail: Option<FrameTrail>,
    /// The trail that the air draws by itself.
    pub air: PixelVector,
    /// Pixels a radian at the centre.
    pub focal_px: f64,
    /// Width of the stars, pixels.
    pub width_px: f64,
}

/// Samples of an exposure.
pub(super) const SAMPLES: usize = 24;
/// No attitude is known better than this, pixels at the centre (own estimate: what bright stars of
/// real frames scatter about a fit).
const FLOOR_PX: f64 = 0.03;
/// Shapes are not known better than this share of the elongation ...
const SHAPE_SHARE: f64 = 0.06;
/// ... and than this, square pixels.
const SHAPE_FLOOR: f64 = 0.01;
/// Trails longer than this many widths are measured by their ends, shorter ones by the spread.
const LONG_WIDTHS: f64 = 2.0;
/// Light at either end of a path that drowns in the noise.
const FAINT_END: f64 = 0.025;

/// A frame's data.
#[derive(Debug, Clone)]
pub(super) struct Shown {
    pub witness: Witness,
    /// Number of the stand.
    pub stand: usize,
    /// `Qxx - Qyy` and `2 Qxy` that the trail adds, square pixels, and their 1-sigma.
    pub shape: Option<([f64; 2], f64)>,
    by_ends: bool,
}

/// All frames of a part of an alignment.
#[derive(Debug, Clone)]
pub struct Night {
    pub(super) stands: Vec<Stand>,
    pub(super) frames: Vec<Shown>,
    /// The camera's turn against a perfect tracker in each frame, whitened, offsets taken out.
    places: DVector<f64>,
    /// What whitens them, a block a stand: first frame and matrix.
    whitening: Vec<(usize, DMatrix<f64>)>,
}

impl Night {
    /// From the frames of each pointing, in order of time, and the northern ends of the refracted pole
    /// and of an axis near the tracker's, about which small turns stay small.
    ///
    /// `None` without two frames of one pointing.
    pub fn new(
        pointings: Vec<Vec<Witness>>,
        pole: Vector3<f64>,
        about: Vector3<f64>,
    ) -> Option<Self> {
        let mut night = Self {
            stands: Vec::new(),
            frames: Vec::new(),
            places: DVector::zeros(0),
            whitening: Vec::new(),
        };
        let mut rows = Vec::new();
        for witnesses in pointings.into_iter().filter(|one| !one.is_empty()) {
            rows.extend(night.add(witnesses, (pole, about)));
        }
        night.places = DVector::from_vec(rows);
        let several = night.whitening.iter().any(|block| block.1.nrows() > 3);
        several.then_some(night)
    }

    fn add(
        &mut self,
        witnesses: Vec<Witness>,
        (pole, about): (Vector3<f64>, Vector3<f64>),
    ) -> Vec<f64> {
        let first = &witnesses[0];
        let span = witnesses.iter().fold((f64::MAX, f64::MIN), |span, one| {
            let half = 0.5 * one.exposure;
            (span.0.min(one.mid - half), span.1.max(one.mid + half))
        });
        let number = self.stands.len();
        let (epoch, camera) = (first.mid, first.camera);
        let stand = Stand::new(number, epoch, span, &camera, (pole, about));
        let spin = AngularRate::SIDEREAL.rad_per_s();
        let n = witnesses.len();
        let mut data = DVector::zeros(3 * n);
        let mut white = DMatrix::zeros(3 * n, 3 * n);
        let mut offsets = DMatrix::zeros(3 * n, 3);
        for (idx, one) in witnesses.iter().enumerate() {
            let perfect = Rotation3::new(about * (-spin * (one.mid - epoch))) * camera;
            let off = rotation_vector(&(perfect.inverse() * one.camera)).map(arcsec);
            let weight = whitener(one);
            data.rows_mut(3 * idx, 3).copy_from(&off);
            white
                .view_mut((3 * idx, 3 * idx), (3, 3))
                .copy_from(&weight);
            offsets.view_mut((3 * idx, 0), (3, 3)).copy_from(&weight);
        }
        let known = (offsets.transpose() * &offsets).try_inverse();
        let known = known.unwrap_or_else(|| DMatrix::zeros(3, 3));
        let without = DMatrix::identity(3 * n, 3 * n) - &offsets * known * offsets.transpose();
        let white = without * white;
        let rows = (&white * data).iter().copied().collect();
        self.whitening.push((self.frames.len(), white));
        self.stands.push(stand);
        self.frames
            .extend(witnesses.into_iter().map(|one| Shown::of(one, number)));
        rows
    }

    /// From the start of the first exposure to the end of the last, seconds.
    pub(super) fn span(&self) -> (f64, f64) {
        let first = self.stands.iter().map(|stand| stand.start);
        let last = self.stands.iter().map(|stand| stand.end);
        (
            first.fold(f64::MAX, f64::min),
            last.fold(f64::MIN, f64::max),
        )
    }

    /// Data less what an account draws, each over its sigma: places, then shapes. Gusts of so many
    /// pixels stretch the shapes any way.
    pub(super) fn residuals(&self, form: Form, x: &[f64], gusts_px: f64) -> DVector<f64> {
        let drawn: Vec<Drawn> = self
            .frames
            .iter()
            .map(|one| self.draw(form, x, one))
            .collect();
        let mut rows = Vec::with_capacity(5 * drawn.len());
        for (first, white) in &self.whitening {
            let n = white.nrows() / 3;
            let means = drawn[*first..first + n]
                .iter()
                .flat_map(|one| one.place.iter());
            let means = DVector::from_iterator(3 * n, means.copied());
            rows.extend((white * means).iter().map(|mean| -mean));
        }
        for (row, place) in rows.iter_mut().zip(self.places.iter()) {
            *row += place;
        }
        for (one, drawn) in self.frames.iter().zip(&drawn) {
            let Some((shape, sigma)) = one.shape else {
                continue;
            };
            let sigma = sigma_with(sigma, gusts_px);
            rows.extend((0..2).map(|part| (shape[part] - drawn.shape[part]) / sigma));
        }
        DVector::from_vec(rows)
    }

    /// Logarithm of the norm of the shapes' distribution.
    pub(super) fn log_norm(&self, gusts_px: f64) -> f64 {
        let sigmas = self.frames.iter().filter_map(|one| one.shape);
        sigmas
            .map(|(_, sigma)| -2.0 * sigma_with(sigma, gusts_px).ln())
            .sum()
    }

    /// The path of a star at the centre, pixels, at even instants; the air's own part left out.
    pub(super) fn path(&self, form: Form, x: &[f64], one: &Shown) -> Vec<[f64; 2]> {
        let f = one.witness.focal_px;
        let px = |turn: Vector3<f64>| {
            let turn = turn.map(|part| Angle::from_arcsec(part).rad());
            [-turn.y * f, turn.x * f]
        };
        self.turns(form, x, one).map(px).collect()
    }

    fn turns<'a>(
        &'a self,
        form: Form,
        x: &'a [f64],
        one: &'a Shown,
    ) -> impl Iterator<Item = Vector3<f64>> + 'a {
        let stand = &self.stands[one.stand];
        let sample = one.witness.exposure / SAMPLES as f64;
        let first = one.witness.mid - 0.5 * one.witness.exposure + 0.5 * sample;
        (0..SAMPLES).map(move |k| turned(form, x, stand, first + sample * k as f64, sample))
    }

    fn draw(&self, form: Form, x: &[f64], one: &Shown) -> Drawn {
        let turns: Vec<Vector3<f64>> = self.turns(form, x, one).collect();
        let place = turns.iter().sum::<Vector3<f64>>() / SAMPLES as f64
            - self.stands[one.stand].counted(one.witness.mid);
        let f = one.witness.focal_px;
        let air = one.witness.air;
        let path = turns.iter().enumerate().map(|(k, turn)| {
            let (right, down) = (
                -Angle::from_arcsec(turn.y).rad(),
                Angle::from_arcsec(turn.x).rad(),
            );
            let share = (k as f64 + 0.5) / SAMPLES as f64;
            [right * f + air.dx * share, down * f + air.dy * share]
        });
        let path: Vec<[f64; 2]> = path.collect();
        let shape = if one.by_ends {
            by_ends(&path)
        } else {
            spread(&path)
        };
        Drawn { place, shape }
    }
}

/// What an account draws in a frame.
struct Drawn {
    place: Vector3<f64>,
    shape: [f64; 2],
}

fn sigma_with(sigma: f64, gusts_px: f64) -> f64 {
    sigma.hypot(gusts_px * gusts_px / 12.0)
}

/// Lower triangle that makes a frame's turn, arcsec in the camera's frame, one of unit noise.
fn whitener(one: &Witness) -> Matrix3<f64> {
    let camera = one.camera.matrix();
    let own = camera.transpose() * one.covariance * camera;
    let floor = FLOOR_PX / one.focal_px;
    let own = own.map(|c| arcsec(arcsec(c)))
        + Matrix3::from_diagonal(&Vector3::new(1.0, 1.0, 1.0)) * arcsec(floor).powi(2);
    let lower = own.cholesky().map(|c| c.l());
    lower
        .and_then(|l| l.try_inverse())
        .unwrap_or_else(Matrix3::zeros)
}

impl Shown {
    fn of(witness: Witness, stand: usize) -> Self {
        let shape = witness.trail.as_ref().map(shape_of);
        let length = witness
            .trail
            .as_ref()
            .map_or(0.0, |trail| trail.length.value.px());
        Self {
            shape,
            by_ends: length > LONG_WIDTHS * witness.width_px,
            stand,
            witness,
        }
    }
}

/// A trail as the elongation that it adds to the stars: `L^2 / 12` along it.
fn shape_of(trail: &FrameTrail) -> ([f64; 2], f64) {
    let (length, sigma) = (trail.length.value.px(), trail.length.sigma.px());
    let size = length * length / 12.0;
    let seen = (2.0 * length * sigma + sigma * sigma) / 12.0;
    let unseen = if length < 2.0 * sigma {
        sigma * sigma / 3.0
    } else {
        0.0
    };
    let sigma = seen
        .max(unseen)
        .hypot(SHAPE_SHARE * size)
        .hypot(SHAPE_FLOOR);
    (trail.elongation(), sigma)
}

/// Elongation by the spread of a path.
pub(super) fn spread(path: &[[f64; 2]]) -> [f64; 2] {
    let [xx, xy, yy] = moments(path);
    [xx - yy, 2.0 * xy]
}

/// Second moments of a path.
pub(super) fn moments(path: &[[f64; 2]]) -> [f64; 3] {
    let n = path.len() as f64;
    let mean = path
        .iter()
        .fold([0.0, 0.0], |m, p| [m[0] + p[0] / n, m[1] + p[1] / n]);
    path.iter().fold([0.0; 3], |m, p| {
        let (x, y) = (p[0] - mean[0], p[1] - mean[1]);
        [m[0] + x * x / n, m[1] + x * y / n, m[2] + y * y / n]
    })
}

/// Elongation of an even trail between the ends of a path, as far as its light shows.
fn by_ends(path: &[[f64; 2]]) -> [f64; 2] {
    let [dx, dy] = spread(path);
    let angle = 0.5 * dy.atan2(dx);
    let (sin, cos) = angle.sin_cos();
    let mut along: Vec<f64> = path.iter().map(|p| p[0] * cos + p[1] * sin).collect();
    along.sort_by(f64::total_cmp);
    let n = along.len();
    let at = |share: f64| {
        let place = (share * n as f64 - 0.5).clamp(0.0, (n - 1) as f64);
        let (below, part) = (place.floor() as usize, place.fract());
        along[below] + part * (along[(below + 1).min(n - 1)] - along[below])
    };
    let length = (at(1.0 - FAINT_END) - at(FAINT_END)) / (1.0 - 2.0 * FAINT_END);
    let size = length * length / 12.0;
    [size * (2.0 * angle).cos(), size * (2.0 * angle).sin()]
}
