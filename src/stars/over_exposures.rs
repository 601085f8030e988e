//! Lens and trail told apart over frames of different exposure: a trail grows with the exposure, what a
//! lens does to the stars stays.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn, Matrix2, Vector2};

use super::calibration::Calibration;
use super::elongation::{EVEN_LENS_FLOOR, ElongationFit, FEWEST_STARS, ROUNDNESS_FLOOR};
use super::field::median;
use super::shape::shapely;
use super::trail::{lens_shape, trail_by_elongation};
use super::{DEVELOPED_ENDS, DEVELOPED_SHARE, FrameTrail, LensShape, StarField};
use crate::units::{Measured, PixelPoint, Pixels, Seconds};

/// A frame as a witness of its lens.
#[derive(Debug, Clone, Copy)]
pub struct Exposed<'a> {
    /// Its stars.
    pub field: &'a StarField,
    /// How long it was exposed.
    pub length: Seconds,
    /// Frames of one number were taken with the camera in one place on the tracker: their trails point
    /// the same way and grow alike.
    pub stand: usize,
    /// Whether a camera or program developed the picture.
    pub developed: bool,
}

/// What frames of different exposure say about their lens.
#[derive(Debug, Clone, PartialEq)]
pub struct LensOverExposures {
    /// Numbers of the frames that it rests on, as they were given.
    pub frames: Vec<usize>,
    /// Shortest and longest exposure.
    pub exposures: [Seconds; 2],
    /// The trail that would draw stars as long as the lens leaves them at the centre of the frame.
    pub at_center: FrameTrail,
    /// Sigmas by which the lens leaves stars at the centre out of round, whichever frame is left out.
    pub center_sigmas: f64,
    /// What the lens does in the corners, free of any turn of the field.
    pub corner: LensShape,
    /// Frames of short trails, and the trail that each would show at its centre in a perfect lens; none
    /// where a frame does not go with the others.
    pub trails: Vec<(usize, FrameTrail)>,
}

impl LensOverExposures {
    /// Whether the lens is seen to leave stars out of round at the centre.
    pub fn is_seen_at_center(&self) -> bool {
        self.center_sigmas > SEEN
    }

    /// Whether it is seen to draw them long in the corners.
    pub fn is_seen_in_corners(&self) -> bool {
        let Measured { value, sigma } = self.corner.corner;
        let size = value.px().powi(2);
        // The sigma is that upwards of a length known by its square.
        size > SEEN * ((value + sigma).px().powi(2) - size)
    }
}

/// Sigmas from which on a lens is seen.
const SEEN: f64 = 2.5;
/// Numbers of an elongation pattern: two at the centre, four slopes, two of the radial pattern.
const PATTERN: usize = 8;
const CENTER: usize = 2;
/// Numbers of a stand's trail: two of its elongation at the centre, and the turn of the field in pixels at
/// half the diagonal, for the longest exposure.
const GROWING: usize = 3;
/// The longest exposure of a stand over its shortest that tells a trail from a lens at all.
const APART: f64 = 1.4;
/// How unlike the trails of a stand's frames are, 1-sigma, shares of what their exposures let expect: a
/// drive that swings, a breeze. All are tried; the frames say which (own choice of range).
const UNLIKE: [f64; 7] = [0.02, 0.05, 0.1, 0.2, 0.4, 0.8, 2.0];
/// What a lens leaves at the centre, 1-sigma, shares of a star's second moment: what good ones do, and what
/// one that is out of line does (own choice). Both are tried.
const LEFT: [f64; 2] = [ROUNDNESS_FLOOR, 0.1];
/// Patterns off the centre, and growing trails, are no larger than this share of a star's second moment.
const ANY: f64 = 30.0;
/// Turn of the field during the longest exposure, 1-sigma, pixels at half the diagonal (own choice).
const TURN_PX: f64 = 5.0;
/// Reduced chi-square, and that of a frame's centre, of frames that fit one lens and one trail that grows.
const SOUND: f64 = 9.0;
/// Frames that are asked, at most: more tell little else.
const MOST_FRAMES: usize = 60;
/// Least change of trails from frame to frame, share of a star's second moment.
const STIR: f64 = 0.002;

/// Tells lens and trail apart.
///
/// Method: the elongation of a frame's stars over the field (values at the centre, slopes, radial
/// pattern) is the lens's, which all frames share, and the trail's, uniform and turning, which in each
/// stand grows with the square of the exposure; trails at the centre differ from that by a share of
/// themselves. One fit of all frames with their covariances for each size of that share and of what
/// the lens may leave at the centre; the answers count with their evidence. Long trails tell their
/// length and nothing of the lens.
///
/// A gust in one short exposure looks like a lens that leaves stars out of round: that is said only where
/// it holds whichever frame is left out. A drive that stood in all short exposures and ran in the long
/// ones looks like it, too, and no shape can tell.
///
/// `None` where no stand has exposures of different length, too few stars tell a pattern, or the frames
/// do not fit together.
pub fn lens_over_exposures(frames: &[Exposed<'_>]) -> Option<LensOverExposures> {
    let seen = Seen::all(frames)?;
    let told = seen.answer()?;
    if told.misfit > SOUND {
        return None;
    }
    let without = seen.each_left_out().map(|rest| {
        let answer = rest.is_told().then(|| rest.answer()).flatten();
        answer.map_or(0.0, |answer| significance(&answer.center))
    });
    let by_all = significance(&told.center);
    let center_sigmas = without.fold(by_all, f64::min);
    // Seen by one frame alone it may as well be a gust, and the trails are anybody's guess.
    let is_doubtful = by_all > SEEN && center_sigmas < SEEN;
    let trails = if is_doubtful || told.worst_center > SOUND {
        Vec::new()
    } else {
        seen.trails(&told, frames)
    };
    let exact = Calibration::exact();
    let (mean, covariance) = told.corner;
    let corner = Measured::new(mean.x, covariance[(0, 0)].max(0.0).sqrt());
    let mut corner = lens_shape(corner, ROUNDNESS_FLOOR * seen.width, &exact);
    corner.turn_told = true;
    if seen
        .shapes
        .iter()
        .any(|shape| frames[shape.frame].developed)
    {
        let Measured { value, sigma } = corner.corner;
        let doubt = (value * DEVELOPED_SHARE).px();
        corner.corner.sigma = Pixels::new(sigma.px().hypot(doubt));
    }
    let n_stars = seen.shapes.iter().map(|shape| shape.n_stars).sum();
    Some(LensOverExposures {
        frames: seen.shapes.iter().map(|shape| shape.frame).collect(),
        exposures: seen.exposures,
        at_center: trail_of(told.center, n_stars),
        center_sigmas,
        corner,
        trails,
    })
}

fn trail_of((mean, covariance): Known, n_stars: usize) -> FrameTrail {
    let variance = [covariance[(0, 0)], covariance[(1, 1)]];
    trail_by_elongation([mean.x, mean.y], variance, &Calibration::exact(), n_stars)
}

/// Sigmas by which an elongation is none at all.
fn significance((mean, covariance): &Known) -> f64 {
    let size = mean.norm();
    let along = mean.dot(&(covariance * mean)).max(0.0).sqrt();
    if along > 0.0 {
        size * size / along
    } else {
        0.0
    }
}

/// What the frames say together.
struct Answer {
    center: Known,
    corner: Known,
    /// One a frame.
    trails: Vec<Known>,
    /// Reduced chi-square of the likeliest way, and the largest of a frame's centre.
    misfit: f64,
    worst_center: f64,
}

/// Mean and covariance of several answers with their weights.
fn together(ways: impl Iterator<Item = (f64, Known)> + Clone) -> Known {
    let mean: Vector2<f64> = ways.clone().map(|(weight, (mean, _))| mean * weight).sum();
    let spread = ways.map(|(weight, (own, covariance))| {
        let off = own - mean;
        (covariance + off * off.transpose()) * weight
    });
    (mean, spread.sum())
}

/// Frames of the size of the first one and of stands whose exposures differ; of many, some spread evenly.
fn telling(frames: &[Exposed<'_>]) -> Vec<usize> {
    let size = |one: &Exposed<'_>| (one.field.width, one.field.height);
    let sound = |one: &&Exposed<'_>| one.length.s() > 0.0 && size(one) == size(&frames[0]);
    let lengths = |stand: usize| {
        let of_stand = frames
            .iter()
            .filter(sound)
            .filter(move |one| one.stand == stand);
        of_stand.map(|one| one.length.s())
    };
    let n_stands = frames.iter().map(|one| one.stand + 1).max().unwrap_or(0);
    let tells: Vec<bool> = (0..n_stands)
        .map(|stand| are_apart(lengths(stand), APART))
        .collect();
    let mut all: Vec<usize> = (0..frames.len())
        .filter(|number| sound(&&frames[*number]) && tells[frames[*number].stand])
        .collect();
    let step = all.len().div_ceil(MOST_FRAMES).max(1);
    // Of every stand and length some, and one at least.
    let kind = |number: &usize| (frames[*number].stand, frames[*number].length.s());
    all.sort_by(|a, b| {
        let ((stand, length), (other, longer)) = (kind(a), kind(b));
        stand.cmp(&other).then(length.total_cmp(&longer))
    });
    let kinds = all.chunk_by(|a, b| kind(a) == kind(b));
    let mut some: Vec<usize> = kinds
        .flat_map(|kind| kind.iter().copied().step_by(step))
        .collect();
    some.sort_unstable();
    some
}

/// Whether the largest number is so many times the smallest.
fn are_apart(numbers: impl Iterator<Item = f64>, times: f64) -> bool {
    let (least, most) = numbers.fold((f64::MAX, 0.0), |(least, most): (f64, f64), one| {
        (least.min(one), most.max(one))
    });
    most >= times * least
}

/// An elongation at one place, square pixels: `Qxx - Qyy` and `2 Qxy`, and their covariance.
type Known = (Vector2<f64>, Matrix2<f64>);

/// The elongation that one frame shows.
#[derive(Clone)]
struct Shape {
    /// Number of the frame.
    frame: usize,
    stand: usize,
    /// Square of the exposure over the longest of the stand.
    growth: f64,
    /// The pattern, square pixels; of long trails the values at the centre alone.
    values: DVector<f64>,
    covariance: DMatrix<f64>,
    n_stars: usize,
}

impl Shape {
    fn of(frame: usize, exposed: &Exposed<'_>, longest: Seconds) -> Option<Self> {
        let field = exposed.field;
        // Where the measuring would not tell a trail, the shapes are no witnesses.
        let trail = field.trail.as_ref()?;
        let is_long = field.stars.iter().any(|star| star.trail.is_some());
        let (values, covariance, n_stars) = if is_long { long(trail) } else { short(field)? };
        Some(Self {
            frame,
            stand: exposed.stand,
            growth: (exposed.length / longest).powi(2),
            values,
            covariance,
            n_stars,
        })
    }

    fn is_short(&self) -> bool {
        self.values.len() == PATTERN
    }

    /// Rows by the lens's numbers and each stand's trail, about a trail `near`.
    fn design(&self, near: &[Trail]) -> DMatrix<f64> {
        let mut design = DMatrix::zeros(self.values.len(), PATTERN + GROWING * near.len());
        let from = PATTERN + GROWING * self.stand;
        for row in 0..CENTER {
            design[(row, from + row)] = self.growth;
        }
        if self.is_short() {
            design.fill_diagonal(1.0);
            let turned = near[self.stand].by_turn() * self.growth;
            design
                .view_mut((CENTER, from + CENTER), (PATTERN - CENTER, 1))
                .copy_from(&turned);
        }
        design
    }

    /// Its values less what the trail `near` adds to the straight rows of the design.
    fn straight(&self, near: &[Trail]) -> DVector<f64> {
        let mut values = self.values.clone();
        if self.is_short() {
            values[PATTERN - CENTER] -= self.growth * near[self.stand].turn.powi(2) / 12.0;
        }
        values
    }
}

/// A stand's trail in its longest exposure.
#[derive(Debug, Clone, Copy)]
struct Trail {
    /// At the centre, pixels.
    vector: [f64; 2],
    /// Turn of the field, pixels at half the diagonal.
    turn: f64,
}

impl Trail {
    fn of(elongation: [f64; 2], turn: f64) -> Self {
        let length = (12.0 * elongation[0].hypot(elongation[1])).sqrt();
        let (sin, cos) = (0.5 * elongation[1].atan2(elongation[0])).sin_cos();
        Self {
            vector: [length * cos, length * sin],
            turn,
        }
    }

    /// What a pixel of turn adds to slopes and radial pattern: at the place (x, y) in half diagonals the
    /// trail is `vector + turn (-y, x)`, and its elongation a twelfth of its square.
    fn by_turn(&self) -> DVector<f64> {
        let [dx, dy] = self.vector;
        let slopes = [-dy, dx, -dx, -dy].map(|d| d / 6.0);
        let [a, b, c, d] = slopes;
        DVector::from_vec(vec![a, b, c, d, -self.turn / 6.0, 0.0])
    }
}

/// Pattern of a frame whose stars are about as long as wide; `None` with too few of them.
fn short(field: &StarField) -> Option<(DVector<f64>, DMatrix<f64>, usize)> {
    let center = field.center();
    let scale = PixelPoint::new(0.0, 0.0).distance(center).px().max(1.0);
    let stars = shapely(field);
    if stars.len() < FEWEST_STARS {
        return None;
    }
    let width = median(stars.iter().map(|s| 0.5 * (s.moments.xx + s.moments.yy)));
    let fit = ElongationFit::of(&stars, center, scale)?;
    let (values, mut covariance) = fit.free;
    for k in 0..CENTER {
        covariance[(k, k)] += (EVEN_LENS_FLOOR * width).powi(2);
    }
    (values.len() == PATTERN).then_some((values, covariance, fit.used))
}

/// A long trail as the elongation that it is.
fn long(trail: &FrameTrail) -> (DVector<f64>, DMatrix<f64>, usize) {
    /// Ends of a long trail are where the light says, whatever the lens does: share of its elongation.
    const BY_LENS: f64 = 0.03;
    let length = trail.length.value.px();
    let size = length * length / 12.0;
    let (sin, cos) = (2.0 * trail.angle.angle().rad()).sin_cos();
    let sigma = trail
        .length
        .sigma
        .px()
        .max(length * trail.angle_sigma.rad());
    let sigma = (length * sigma / 6.0).hypot(BY_LENS * size);
    let values = DVector::from_vec(vec![size * cos, size * sin]);
    (
        values,
        DMatrix::identity(CENTER, CENTER) * sigma.powi(2),
        trail.n_stars,
    )
}

/// All frames.
struct Seen {
    shapes: Vec<Shape>,
    n_stands: usize,
    exposures: [Seconds; 2],
    /// Usual second moment of a star, square pixels.
    width: f64,
    /// Largest elongation that a trail makes in the longest exposures, about, square pixels.
    largest: f64,
}

impl Seen {
    fn all(frames: &[Exposed<'_>]) -> Option<Self> {
        let chosen = telling(frames);
        let longest = |stand: usize| {
            let of_stand = chosen
                .iter()
                .filter(|number| frames[**number].stand == stand);
            of_stand
                .map(|number| frames[*number].length)
                .reduce(Seconds::max)
        };
        let shape = |number: &usize| {
            let frame = &frames[*number];
            Shape::of(*number, frame, longest(frame.stand)?)
        };
        let mut shapes: Vec<Shape> = chosen.iter().filter_map(shape).collect();
        let mut stands: Vec<usize> = shapes.iter().map(|one| one.stand).collect();
        stands.sort_unstable();
        stands.dedup();
        for shape in &mut shapes {
            shape.stand = stands.binary_search(&shape.stand).ok()?;
        }
        let used = || shapes.iter().map(|shape| frames[shape.frame].length);
        let exposures = [used().reduce(Seconds::min)?, used().reduce(Seconds::max)?];
        let width = |one: &Shape| {
            let stars = shapely(frames[one.frame].field);
            median(stars.iter().map(|s| 0.5 * (s.moments.xx + s.moments.yy)))
        };
        let sizes = shapes
            .iter()
            .map(|one| one.values[0].hypot(one.values[1]) / one.growth);
        let seen = Self {
            width: median(shapes.iter().filter(|one| one.is_short()).map(width)),
            largest: sizes.fold(0.0, f64::max),
            n_stands: stands.len(),
            exposures,
            shapes,
        };
        seen.is_told().then_some(seen)
    }

    /// Whether the exposures of any stand differ enough.
    fn is_told(&self) -> bool {
        (0..self.n_stands).any(|stand| {
            let of_stand = || self.shapes.iter().filter(|one| one.stand == stand);
            let growths = of_stand().map(|one| one.growth);
            are_apart(growths, APART * APART) && of_stand().any(Shape::is_short)
        })
    }

    /// The same frames without each of them in turn; of many, without some at a time.
    fn each_left_out(&self) -> impl Iterator<Item = Self> {
        const TURNS: usize = 12;
        let n_turns = self.shapes.len().min(TURNS);
        (0..n_turns).map(move |turn| {
            let numbered = self.shapes.iter().enumerate();
            let kept = numbered.filter(|(number, _)| number % n_turns != turn);
            Self {
                shapes: kept.map(|(_, shape)| shape.clone()).collect(),
                ..*self
            }
        })
    }

    /// All ways in which the frames may hang together, each with its evidence.
    fn answer(&self) -> Option<Answer> {
        let sizes = UNLIKE
            .iter()
            .flat_map(|unlike| LEFT.map(|left| (*unlike, left)));
        let ways: Vec<Way> = sizes
            .filter_map(|(unlike, left)| self.fit(unlike, left))
            .collect();
        let best = ways
            .iter()
            .max_by(|a, b| a.evidence.total_cmp(&b.evidence))?;
        let weight = |way: &Way| (way.evidence - best.evidence).exp();
        let whole: f64 = ways.iter().map(weight).sum();
        let weights: Vec<f64> = ways.iter().map(|way| weight(way) / whole).collect();
        let of = |part: &dyn Fn(&Way) -> Known| {
            together(weights.iter().copied().zip(ways.iter().map(part)))
        };
        Some(Answer {
            center: of(&|way| way.at_center()),
            corner: of(&|way| way.corner()),
            trails: (0..self.shapes.len())
                .map(|k| of(&|way| way.trails[k]))
                .collect(),
            misfit: best.misfit,
            worst_center: best.worst_center,
        })
    }

    /// The trails of the frames that have short ones, with the doubt of their development.
    fn trails(&self, answer: &Answer, frames: &[Exposed<'_>]) -> Vec<(usize, FrameTrail)> {
        let known = self.shapes.iter().zip(&answer.trails);
        let short = known.filter(|(shape, _)| shape.is_short());
        short
            .map(|(shape, trail)| {
                let mut trail = trail_of(*trail, shape.n_stars);
                let frame = &frames[shape.frame];
                if let Some(fwhm) = frame.field.fwhm.filter(|_| frame.developed) {
                    let share = DEVELOPED_SHARE * trail.length.value.px();
                    trail.lengthen_doubt(share.min(DEVELOPED_ENDS * fwhm.value.px()));
                }
                (shape.frame, trail)
            })
            .collect()
    }

    /// The fit for trails that differ from one another, and a lens that leaves stars out of round at the
    /// centre, by these shares: the likeliest of those that begin with no turn and with one either way.
    fn fit(&self, unlike: f64, left: f64) -> Option<Way> {
        let fits = [0.0, 1.0, -1.0].map(|turn| self.fit_about(turn, unlike, left));
        let fits = fits.into_iter().flatten();
        fits.max_by(|a, b| a.evidence.total_cmp(&b.evidence))
    }

    fn fit_about(&self, turn: f64, unlike: f64, left: f64) -> Option<Way> {
        const ROUNDS: usize = 6;
        let mut near = vec![Trail::of([0.0; 2], turn); self.n_stands];
        for shape in &self.shapes {
            let elongation = [0, 1].map(|k| shape.values[k] / shape.growth);
            let own = Trail::of(elongation, turn);
            let length = |one: &Trail| one.vector[0].hypot(one.vector[1]);
            if length(&own) > length(&near[shape.stand]) {
                near[shape.stand] = own;
            }
        }
        // The size of a trail says how much its frames may differ, and is known by the fit.
        let mut way = self.solve(&near, unlike, left)?;
        for _ in 1..ROUNDS {
            for (stand, trail) in near.iter_mut().enumerate() {
                let from = PATTERN + GROWING * stand;
                *trail = Trail::of([way.mean[from], way.mean[from + 1]], way.mean[from + 2]);
            }
            way = self.solve(&near, unlike, left)?;
        }
        Some(way)
    }

    fn solve(&self, near: &[Trail], unlike: f64, left: f64) -> Option<Way> {
        let n = PATTERN + GROWING * self.n_stands;
        let prior = DVector::from_fn(n, |k, _| {
            let is_turn = k >= PATTERN && (k - PATTERN) % GROWING == CENTER;
            let sigma = match k {
                _ if is_turn => TURN_PX,
                0..CENTER => left * self.width,
                CENTER..PATTERN => ANY * self.width,
                _ => (ANY * self.width).max(2.0 * self.largest),
            };
            sigma.powi(-2)
        });
        let mut normal = DMatrix::from_diagonal(&prior);
        let mut right = DVector::zeros(n);
        let mut evidence = 0.5 * prior.iter().map(|p| p.ln()).sum::<f64>();
        let mut witnesses = Vec::with_capacity(self.shapes.len());
        for shape in &self.shapes {
            let [dx, dy] = near[shape.stand].vector;
            let size = ((dx * dx + dy * dy) / 12.0).hypot(STIR * self.width);
            let stirred = (unlike * shape.growth * size).powi(2);
            let witness = Witness::of(shape, near, stirred)?;
            let weighed = witness.noise.solve(&witness.design);
            normal += witness.design.transpose() * &weighed;
            right += weighed.transpose() * &witness.values;
            evidence += witness.evidence();
            witnesses.push(witness);
        }
        let factor = normal.cholesky()?;
        let mean = factor.solve(&right);
        evidence += 0.5 * right.dot(&mean) - half_log(&factor);
        let covariance = factor.inverse();
        let trails = witnesses.iter().map(|one| one.trail(&mean, &covariance));
        let mut way = Way {
            trails: trails.collect(),
            misfit: 0.0,
            worst_center: witnesses
                .iter()
                .map(|one| one.misfit_of_center(&mean))
                .fold(0.0, f64::max),
            evidence,
            mean,
            covariance,
        };
        let misfit: f64 = witnesses.iter().map(|one| one.misfit(&way.mean)).sum();
        let rows: usize = self.shapes.iter().map(|shape| shape.values.len()).sum();
        way.widen(misfit / rows.saturating_sub(n).max(1) as f64);
        Some(way)
    }
}

type Factor = Cholesky<f64, Dyn>;

/// Half the logarithm of a determinant.
fn half_log(factor: &Factor) -> f64 {
    factor.l_dirty().diagonal().iter().map(|l| l.ln()).sum()
}

/// A frame's rows of the fit.
struct Witness<'a> {
    shape: &'a Shape,
    values: DVector<f64>,
    design: DMatrix<f64>,
    /// Of the covariance of its values, what stirs its trail included.
    noise: Factor,
    /// Inverse of its part at the centre.
    center: Matrix2<f64>,
    /// Variance of its trail about the growing one, square pixels squared.
    stirred: f64,
}

impl<'a> Witness<'a> {
    fn of(shape: &'a Shape, near: &[Trail], stirred: f64) -> Option<Self> {
        let mut noise = shape.covariance.clone();
        for k in 0..CENTER {
            noise[(k, k)] += stirred;
        }
        let center = noise.fixed_view::<CENTER, CENTER>(0, 0).try_inverse()?;
        Some(Self {
            shape,
            center,
            values: shape.straight(near),
            design: shape.design(near),
            noise: noise.cholesky()?,
            stirred,
        })
    }

    fn evidence(&self) -> f64 {
        -0.5 * self.values.dot(&self.noise.solve(&self.values)) - half_log(&self.noise)
    }

    fn off(&self, mean: &DVector<f64>) -> DVector<f64> {
        &self.values - &self.design * mean
    }

    fn misfit(&self, mean: &DVector<f64>) -> f64 {
        let off = self.off(mean);
        off.dot(&self.noise.solve(&off))
    }

    fn misfit_of_center(&self, mean: &DVector<f64>) -> f64 {
        let off = self.off(mean);
        let off = Vector2::new(off[0], off[1]);
        off.dot(&(self.center * off)) / CENTER as f64
    }

    /// Its trail as an elongation at the centre: its share of the growing one, and what it shows beyond.
    fn trail(&self, mean: &DVector<f64>, covariance: &DMatrix<f64>) -> Known {
        let gain = self.noise.inverse().rows(0, CENTER) * self.stirred;
        let from = PATTERN + GROWING * self.shape.stand;
        let grows = DMatrix::from_fn(CENTER, mean.len(), |row, column| {
            self.shape.growth * f64::from(column == from + row)
        });
        let trail = &grows * mean + &gain * self.off(mean);
        let slope = grows - &gain * &self.design;
        let own = DMatrix::identity(CENTER, CENTER) - gain.columns(0, CENTER);
        let known = &slope * covariance * slope.transpose() + own * self.stirred;
        (
            Vector2::new(trail[0], trail[1]),
            known.fixed_view::<2, 2>(0, 0).into_owned(),
        )
    }
}

/// One fit.
struct Way {
    /// Logarithm of the frames' probability, but for a constant that all fits share.
    evidence: f64,
    /// Reduced chi-square, and the largest chi-square of a frame's centre, each number's share.
    misfit: f64,
    worst_center: f64,
    /// The lens's pattern, then each stand's trail in the longest exposure.
    mean: DVector<f64>,
    covariance: DMatrix<f64>,
    /// Trail of each frame as an elongation at the centre, with its covariance.
    trails: Vec<Known>,
}

impl Way {
    /// Frames that agree worse than their errors allow know less than they say.
    fn widen(&mut self, reduced: f64) {
        self.misfit = reduced;
        let factor = reduced.max(1.0);
        self.covariance *= factor;
        for trail in &mut self.trails {
            trail.1 *= factor;
        }
    }

    fn at_center(&self) -> Known {
        let mean = Vector2::new(self.mean[0], self.mean[1]);
        (mean, self.covariance.fixed_view::<2, 2>(0, 0).into_owned())
    }

    /// The radial pattern at half the diagonal, as the first of two numbers.
    fn corner(&self) -> Known {
        let (square, fourth) = (PATTERN - 2, PATTERN - 1);
        let c = &self.covariance;
        let variance = c[(square, square)] + 2.0 * c[(square, fourth)] + c[(fourth, fourth)];
        (
            Vector2::new(self.mean[square] + self.mean[fourth], 0.0),
            Matrix2::new(variance, 0.0, 0.0, 0.0),
        )
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Quality, Star};
    use super::*;
    use crate::units::{Angle, PixelTensor, PixelVector};
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;
    use rand_distr::StandardNormal;

    /// Second moment of a star in a perfect lens.
    const WIDTH: f64 = 1.4;
    const SIGMA: f64 = 0.05;

    /// A lens and how fast it trails.
    #[derive(Clone, Copy)]
    struct Rig {
        /// Elongation left at the centre.
        left: [f64; 2],
        /// Elongation outwards at half the diagonal.
        corner: f64,
        /// Trail a second at the centre, and turn of the field a second, radians.
        speed: PixelVector,
        turn: f64,
    }

    const RIG: Rig = Rig {
        left: [0.06, -0.03],
        corner: 0.5,
        speed: PixelVector::new(0.020, 0.012),
        turn: 4e-6,
    };

    impl Rig {
        fn trail(&self, arm: PixelVector, length: f64) -> PixelVector {
            PixelVector::new(
                (self.speed.dx - self.turn * arm.dy) * length,
                (self.speed.dy + self.turn * arm.dx) * length,
            )
        }

        fn field(&self, length: f64, dice: &mut ChaCha8Rng) -> StarField {
            let (width, height) = (1500, 1000);
            let mut field = StarField::holding(width, height, Vec::new());
            let center = field.center();
            let scale = center.x.hypot(center.y);
            for _ in 0..120 {
                let position = PixelPoint::new(
                    dice.random_range(0.0..width as f64),
                    dice.random_range(0.0..height as f64),
                );
                let arm = position - center;
                let d = self.trail(arm, length);
                let (x, y) = (arm.dx / scale, arm.dy / scale);
                let mut noise = || SIGMA * dice.sample::<f64, _>(StandardNormal);
                let e1 = (d.dx * d.dx - d.dy * d.dy) / 12.0
                    + self.left[0]
                    + self.corner * (x * x - y * y)
                    + 2f64.sqrt() * noise();
                let e2 =
                    d.dx * d.dy / 6.0 + self.left[1] + self.corner * 2.0 * x * y + 2.0 * noise();
                field.stars.push(Star {
                    position,
                    position_covariance: PixelTensor::new(0.01, 0.0, 0.01),
                    flux: Measured::new(100.0, 2.0),
                    peak: 0.2,
                    moments: PixelTensor::new(WIDTH + 0.5 * e1, 0.5 * e2, WIDTH - 0.5 * e1),
                    moments_sigma: PixelTensor::new(SIGMA, SIGMA, SIGMA),
                    trail: None,
                    quality: Quality::default(),
                });
            }
            field.trail = Some(FrameTrail::seen(
                self.trail(PixelVector::default(), length),
                0.3,
                Angle::from_deg(20.0),
            ));
            field
        }
    }

    fn told(fields: &[(f64, StarField)]) -> Option<LensOverExposures> {
        let frames: Vec<Exposed> = fields
            .iter()
            .map(|(length, field)| Exposed {
                field,
                length: Seconds::new(*length),
                stand: 0,
                developed: false,
            })
            .collect();
        lens_over_exposures(&frames)
    }

    fn elongation(trail: &FrameTrail) -> [f64; 2] {
        let size = trail.length.value.px().powi(2) / 12.0;
        let (sin, cos) = (2.0 * trail.angle.angle().rad()).sin_cos();
        [size * cos, size * sin]
    }

    /// Off from a true length in sigmas of its square, which is what is known.
    fn pull(found: Measured<Pixels>, truth: f64) -> f64 {
        let square = found.value.px().powi(2);
        let sigma = (found.value + found.sigma).px().powi(2) - square;
        (square - truth * truth) / sigma
    }

    #[test]
    fn a_lens_that_one_frame_takes_for_a_trail_is_told_by_shorter_ones() {
        let mut dice = ChaCha8Rng::seed_from_u64(5);
        let fields = [20.0, 20.0, 40.0, 80.0, 80.0].map(|t| (t, RIG.field(t, &mut dice)));
        let found = told(&fields).expect("exposures differ");
        let left = (12.0 * RIG.left[0].hypot(RIG.left[1])).sqrt();
        assert!(pull(found.at_center.length, left).abs() < 3.0, "{found:?}");
        assert!(
            found.is_seen_at_center() && found.is_seen_in_corners(),
            "{found:?}"
        );
        let corner = (12.0 * RIG.corner).sqrt();
        assert!(pull(found.corner.corner, corner).abs() < 3.0, "{found:?}");
        assert!(found.corner.corner.sigma.px() < 0.2, "{found:?}");
        for (nth, trail) in &found.trails {
            let truth = RIG.trail(PixelVector::default(), fields[*nth].0);
            let off = pull(trail.length, truth.length().px());
            assert!(
                off.abs() < 3.0 && trail.length.sigma.px() < 0.5,
                "{nth}: {trail:?} {truth:?}"
            );
        }
        assert_eq!((found.frames.len(), found.trails.len()), (5, 5));
    }

    #[test]
    fn sigmas_are_true_whether_trails_grow_alike_or_not() {
        const NIGHTS: u64 = 16;
        for unlike in [0.0, 0.3] {
            let (mut lens, mut trails, mut n) = (0.0, 0.0, 0.0);
            for seed in 0..NIGHTS {
                let mut dice = ChaCha8Rng::seed_from_u64(seed);
                let mut truths = Vec::new();
                let fields = [15.0, 15.0, 30.0, 30.0, 60.0, 60.0].map(|t| {
                    let by: f64 = 1.0 + unlike * dice.sample::<f64, _>(StandardNormal);
                    let speed = RIG.speed * by.abs();
                    truths.push((speed * t).length().px());
                    (t, Rig { speed, ..RIG }.field(t, &mut dice))
                });
                let found = told(&fields).expect("exposures differ");
                let left = (12.0 * RIG.left[0].hypot(RIG.left[1])).sqrt();
                lens += pull(found.at_center.length, left).powi(2);
                for (nth, trail) in &found.trails {
                    trails += pull(trail.length, truths[*nth]).powi(2);
                    n += 1.0;
                }
            }
            lens /= NIGHTS as f64;
            trails /= n;
            // Mean squares of pulls of few nights; squares of scattered speeds are skew.
            assert!((0.2..1.8).contains(&lens), "{unlike}: lens {lens}");
            assert!((0.2..2.2).contains(&trails), "{unlike}: trails {trails}");
            assert!(n > 5.0 * 3.0, "{unlike}: {n}");
        }
    }

    #[test]
    fn a_gust_in_one_short_exposure_is_no_lens() {
        let still = Rig {
            left: [0.0, 0.0],
            speed: PixelVector::new(0.002, 0.001),
            ..RIG
        };
        let shaken = Rig {
            left: [0.12, 0.0],
            ..still
        };
        for lengths in [&[60.0; 3][..], &[15.0, 60.0, 60.0]] {
            let mut dice = ChaCha8Rng::seed_from_u64(3);
            let mut fields = vec![(15.0, shaken.field(15.0, &mut dice))];
            fields.extend(lengths.iter().map(|&t| (t, still.field(t, &mut dice))));
            let found = told(&fields).expect("exposures differ");
            assert!(!found.is_seen_at_center(), "{found:?}");
            let long = found.trails.iter().filter(|(nth, _)| *nth > 0);
            for (_, trail) in long {
                let truth = still.trail(PixelVector::default(), 60.0).length().px();
                assert!(pull(trail.length, truth).abs() < 3.0, "{trail:?}");
            }
        }
    }

    #[test]
    fn frames_without_usable_stars_or_without_a_trail_are_no_witnesses() {
        let mut dice = ChaCha8Rng::seed_from_u64(4);
        let mut fields = [15.0, 60.0, 60.0].map(|t| (t, RIG.field(t, &mut dice)));
        let mut empty = fields.clone();
        empty[0].1.stars.clear();
        assert_eq!(told(&empty), None);
        empty[0].1.stars = fields[0].1.stars[..2].to_vec();
        assert_eq!(told(&empty), None);
        fields[0].1.trail = None;
        assert_eq!(told(&fields), None);
    }

    #[test]
    fn a_long_trail_foretells_the_short_one_and_leaves_the_lens() {
        let mut dice = ChaCha8Rng::seed_from_u64(9);
        let mut long = StarField::holding(1500, 1000, RIG.field(1.0, &mut dice).stars);
        let d = RIG.trail(PixelVector::default(), 600.0);
        long.stars.iter_mut().for_each(|star| star.trail = Some(d));
        long.trail = Some(FrameTrail::seen(d, 0.05, Angle::from_deg(0.2)));
        let fields = [(60.0, RIG.field(60.0, &mut dice)), (600.0, long)];
        let found = told(&fields).expect("exposures differ");
        let [e1, e2] = elongation(&found.at_center);
        let length = found.at_center.length;
        let sigma = ((length.value + length.sigma).px().powi(2) - length.value.px().powi(2)) / 12.0;
        let off = (e1 - RIG.left[0]).hypot(e2 - RIG.left[1]);
        assert!(off < 3.0 * sigma && sigma < 0.08, "{found:?}");
        assert_eq!(found.trails.len(), 1);
        assert_eq!(found.exposures.map(Seconds::s), [60.0, 600.0]);
    }

    #[test]
    fn of_many_frames_every_exposure_is_asked() {
        let field = StarField::holding(10, 10, Vec::new());
        let exposed = |nth: usize| Exposed {
            field: &field,
            length: Seconds::new([15.0, 60.0][nth % 2]),
            stand: nth / 400,
            developed: false,
        };
        let frames: Vec<Exposed> = (0..401).map(exposed).collect();
        let alone = |nth: usize| Exposed {
            length: Seconds::new(if nth == 120 { 60.0 } else { 15.0 }),
            stand: 0,
            ..exposed(0)
        };
        let many: Vec<Exposed> = (0..121).map(alone).collect();
        assert!(telling(&many).contains(&120));
        let chosen = telling(&frames);
        let short = chosen.iter().filter(|number| *number % 2 == 0).count();
        assert!((40..=MOST_FRAMES).contains(&chosen.len()), "{chosen:?}");
        assert!((20..=40).contains(&short), "{chosen:?}");
        // The last stand has one frame alone.
        assert!(!chosen.contains(&400));
    }

    #[test]
    fn exposures_alike_tell_nothing() {
        let mut dice = ChaCha8Rng::seed_from_u64(2);
        let fields = [60.0, 60.0, 70.0].map(|t| (t, RIG.field(t, &mut dice)));
        assert_eq!(told(&fields), None);
        assert_eq!(told(&[]), None);
    }
}
