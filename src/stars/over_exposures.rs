//! Lens and trail told apart over frames of different exposure: a trail grows with the exposure, what a
//! lens does to the stars stays.

use nalgebra::Vector2;

use super::calibration::Calibration;
use super::elongation::ROUNDNESS_FLOOR;
use super::exposed::{Known, Shape};
use super::field::median;
use super::lens_fit::{LensFrames, Way};
use super::trail::{lens_shape, trail_by_elongation};
use super::{DEVELOPED_SHARE, FrameTrail, LensShape, StarField};
use crate::units::{Measured, Pixels, Seconds};

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
/// The longest exposure of a stand over its shortest that tells a trail from a lens at all.
const APART: f64 = 1.4;
/// How unlike the trails of a stand's frames are, 1-sigma, shares of what their exposures let expect: a
/// drive that swings, a breeze. All are tried; the frames say which (own choice of range).
const UNLIKE: [f64; 7] = [0.02, 0.05, 0.1, 0.2, 0.4, 0.8, 2.0];
/// What a lens leaves at the centre, 1-sigma, shares of a star's second moment: what good ones do, and what
/// one that is out of line does (own choice). Both are tried.
const LEFT: [f64; 2] = [ROUNDNESS_FLOOR, 0.1];
/// Reduced chi-square, and that of a frame's centre, of frames that fit one lens and one trail that grows.
const SOUND: f64 = 9.0;
/// Frames that are asked, at most: more tell little else.
const MOST_FRAMES: usize = 60;
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
    let seen = LensFrames::of(frames)?;
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
    let (mean, covariance) = told.corner;
    let corner = Measured::new(mean.x, covariance[(0, 0)].max(0.0).sqrt());
    let floor = ROUNDNESS_FLOOR * seen.width;
    let mut corner = lens_shape(corner, floor, &Calibration::exact());
    corner.turn_told = true;
    let used = || seen.shapes.iter().map(|shape| &frames[shape.frame]);
    if used().any(|frame| frame.developed) {
        let Measured { value, sigma } = corner.corner;
        let doubt = (value * DEVELOPED_SHARE).px();
        corner.corner.sigma = Pixels::new(sigma.px().hypot(doubt));
    }
    let lengths = || used().map(|frame| frame.length);
    let n_stars = seen.shapes.iter().map(|shape| shape.pattern.n_stars).sum();
    Some(LensOverExposures {
        frames: seen.shapes.iter().map(|shape| shape.frame).collect(),
        exposures: [
            lengths().reduce(Seconds::min)?,
            lengths().reduce(Seconds::max)?,
        ],
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

impl LensFrames {
    /// The frames that tell, where any do.
    fn of(frames: &[Exposed<'_>]) -> Option<Self> {
        let chosen = telling(frames);
        let longest = |stand: usize| {
            let of_stand = chosen.iter().map(|number| &frames[*number]);
            let of_stand = of_stand.filter(|one| one.stand == stand);
            of_stand.map(|one| one.length).reduce(Seconds::max)
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
        let sizes = shapes.iter().map(|one| {
            let [e1, e2] = one.grown();
            e1.hypot(e2)
        });
        let told = Self {
            width: median(shapes.iter().filter_map(|one| one.pattern.width)),
            largest: sizes.fold(0.0, f64::max),
            n_stands: stands.len(),
            shapes,
        };
        told.is_told().then_some(told)
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
                let trail = trail_of(*trail, shape.pattern.n_stars);
                let frame = &frames[shape.frame];
                let fwhm = frame.field.fwhm.filter(|_| frame.developed);
                let trail = fwhm.map_or(trail, |fwhm| trail.of_developed(fwhm.value));
                (shape.frame, trail)
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Quality, Star};
    use super::*;
    use crate::units::{Angle, PixelPoint, PixelTensor, PixelVector};
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
        let [e1, e2] = found.at_center.elongation();
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
