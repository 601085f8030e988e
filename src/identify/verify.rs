//! Whether a supposed pose is right: the pose is grown from a few stars to all, and the odds that
//! chance brings as many catalogue stars onto picture stars are worked out.

use super::chance::log10_chance;
use super::fit::{LensPrior, Pairing, Pose, PoseFit, fit_pose};
use super::image::{ImageField, ImageStar};
use super::pattern::IndexStar;
use super::scatter::median;
use crate::units::PixelPoint;

/// A pose grown from its first stars.
#[derive(Debug, Clone)]
pub(crate) struct Grown {
    pub(crate) fit: PoseFit,
    /// Numbers of paired stars: in the list of sky stars, in the picture.
    pub(crate) pairs: Vec<(usize, usize)>,
    /// Catalogue magnitude minus picture magnitude.
    pub(crate) zero_point: f64,
    /// Last matching radius, pixels.
    pub(crate) radius_px: f64,
}

impl Grown {
    /// Pairs that agree with the fit.
    pub(crate) fn n_kept(&self) -> usize {
        self.fit.kept.iter().filter(|kept| **kept).count()
    }
}

/// How near to its predicted place a star has to be: nearer where the pose is known best.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Reach {
    /// Radius at `around`, pixels.
    pub(crate) base_px: f64,
    /// Growth of the radius with the distance from `around`.
    pub(crate) slope: f64,
    /// Where the pose is known best.
    pub(crate) around: PixelPoint,
}

impl Reach {
    /// The same everywhere.
    pub(crate) fn uniform(radius_px: f64) -> Self {
        Self {
            base_px: radius_px,
            slope: 0.0,
            around: PixelPoint::default(),
        }
    }
    /// Radius at a place, pixels.
    pub(crate) fn at(&self, place: PixelPoint) -> f64 {
        if self.slope == 0.0 {
            self.base_px
        } else {
            let gap = place - self.around;
            self.base_px + self.slope * (gap.dx * gap.dx + gap.dy * gap.dy).sqrt()
        }
    }
}

/// How a pose is grown.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Growth {
    /// First matching radius.
    pub(crate) reach: Reach,
    /// Smallest matching radius, pixels: places are never trusted further.
    pub(crate) least_radius_px: f64,
    /// Widest accepted difference between expected and measured magnitude.
    pub(crate) magnitude_window: f64,
    /// Scatter that the model leaves out, pixels on each axis.
    pub(crate) floor_px: f64,
    /// Most rounds of matching and fitting.
    pub(crate) n_rounds: usize,
}

/// Whether a catalogue star of a magnitude may look like a picture star: colours, clouds and
/// vignetting move it either way, a saturated core only dims it.
pub(crate) fn bright_alike(magnitude: f64, star: &ImageStar, zero_point: f64, window: f64) -> bool {
    let excess = star.magnitude + zero_point - magnitude;
    let dimmed = if star.saturated { 2.0 } else { 0.0 };
    excess >= -window && excess <= window + dimmed
}

/// Catalogue magnitude minus picture magnitude of paired stars: the median, saturated ones aside
/// where enough others are left.
fn zero_point(stars: &[IndexStar], image: &ImageField, pairs: &[(usize, usize)]) -> f64 {
    let difference = |(sky, picture): &(usize, usize)| {
        f64::from(stars[*sky].magnitude) - image.stars[*picture].magnitude
    };
    let sound = pairs.iter().filter(|(_, p)| !image.stars[*p].saturated);
    let values: Vec<f64> = sound.map(difference).collect();
    if values.len() >= 3 {
        median(values)
    } else {
        median(pairs.iter().map(difference).collect())
    }
}

/// Pairs of sky and picture stars that choose each other.
fn matched(
    stars: &[IndexStar],
    image: &ImageField,
    pose: &Pose,
    zero_point: f64,
    reach: &Reach,
    window: f64,
) -> Vec<(usize, usize)> {
    let mut suits: Vec<(usize, f64, usize)> = Vec::with_capacity(stars.len().min(512));
    for (sky, star) in stars.iter().enumerate() {
        let Some(place) = pose.project(&star.place).filter(|p| image.contains(*p)) else {
            continue;
        };
        let magnitude = f64::from(star.magnitude);
        let found = image.nearest_where(place, reach.at(place), |s| {
            bright_alike(magnitude, s, zero_point, window)
        });
        suits.extend(found.map(|(picture, squared)| (picture, squared, sky)));
    }
    // The nearest of those that chose the same picture star has it.
    suits.sort_unstable_by(|p, q| p.0.cmp(&q.0).then(p.1.total_cmp(&q.1)).then(p.2.cmp(&q.2)));
    suits.dedup_by_key(|suit| suit.0);
    suits
        .into_iter()
        .map(|(picture, _, sky)| (sky, picture))
        .collect()
}

/// Matches and fits in turn, with a radius that shrinks to the scatter.
///
/// `None` where fewer than four stars pair up or the fit breaks down.
pub(crate) fn grow(
    stars: &[IndexStar],
    image: &ImageField,
    start: Pose,
    start_zero_point: f64,
    prior: &LensPrior,
    growth: &Growth,
) -> Option<Grown> {
    let mut pose = start;
    let mut zero_point_now = start_zero_point;
    let mut reach = growth.reach;
    let mut grown: Option<Grown> = None;
    for _ in 0..growth.n_rounds {
        let window = growth.magnitude_window;
        let pairs = matched(stars, image, &pose, zero_point_now, &reach, window);
        if pairs.len() < 4 {
            return None;
        }
        let pairing = |(sky, picture): &(usize, usize)| Pairing {
            sky: stars[*sky].place,
            pixel: image.stars[*picture].place,
            covariance: image.stars[*picture].covariance,
        };
        let pairings: Vec<Pairing> = pairs.iter().map(pairing).collect();
        let fit = fit_pose(&pairings, pose, prior, growth.floor_px)?;
        pose = fit.pose;
        zero_point_now = zero_point(stars, image, &pairs);
        let largest_px = image.half_diagonal() * growth.reach.slope + growth.reach.base_px;
        let next_px = (4.0 * fit.scatter_px).clamp(growth.least_radius_px, largest_px);
        let same = |old: &Grown| old.pairs.len() == pairs.len() && next_px > 0.9 * old.radius_px;
        let settled = grown.as_ref().is_some_and(same);
        grown = Some(Grown {
            fit,
            pairs,
            zero_point: zero_point_now,
            radius_px: if reach.slope == 0.0 {
                reach.base_px
            } else {
                largest_px
            },
        });
        if settled {
            break;
        }
        reach = Reach::uniform(next_px);
    }
    grown
}

/// Decimal logarithm of the number of poses as good as this one to expect by chance after
/// `n_trials` trials.
///
/// Method: of the brightest sky stars that should be on the frame, a share is found within the
/// radius at a fitting brightness; in a random field each would be found with a probability that
/// follows from the number of picture stars of its brightness. Three stars are not counted,
/// because the pose was made from them.
pub(crate) fn log10_odds(
    stars: &[IndexStar],
    image: &ImageField,
    grown: &Grown,
    window: f64,
    n_trials: usize,
) -> f64 {
    let pose = &grown.fit.pose;
    let mut asked: Vec<(f32, usize)> = stars
        .iter()
        .enumerate()
        .filter(|(_, star)| pose.project(&star.place).is_some_and(|p| image.contains(p)))
        .map(|(sky, star)| (star.magnitude, sky))
        .collect();
    asked.sort_unstable_by(|p, q| p.0.total_cmp(&q.0).then(p.1.cmp(&q.1)));
    asked.truncate((2 * image.stars.len()).clamp(20, 200));
    let mut is_hit = vec![false; stars.len()];
    let kept = grown.pairs.iter().zip(&grown.fit.kept);
    for ((sky, _), _) in kept.filter(|(_, kept)| **kept) {
        is_hit[*sky] = true;
    }
    let (mut sum_of_chances, mut n_hits) = (0.0, 0);
    for (magnitude, sky) in &asked {
        let expected = f64::from(*magnitude) - grown.zero_point;
        sum_of_chances += image.chance_of_hit(expected, window, grown.radius_px);
        n_hits += usize::from(is_hit[*sky]);
    }
    let p_hit = sum_of_chances / (asked.len() as f64).max(1.0);
    log10_chance(
        asked.len().saturating_sub(3),
        p_hit,
        n_hits.saturating_sub(3),
        n_trials,
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::identify::fit::Squeeze;
    use crate::identify::lens::Lens;
    use crate::identify::test_fields::{FieldNoise, field_of, star_at};
    use nalgebra::{Rotation3, Vector3};

    fn pose() -> Pose {
        Pose {
            lens: Lens {
                focal_px: 5000.0,
                center: PixelPoint::new(999.5, 666.5),
                k1: 0.0,
                k2: 0.0,
            },
            attitude: Rotation3::new(Vector3::new(0.3, 0.7, -1.0)),
            squeeze: Squeeze::default(),
        }
    }

    /// Sky stars on the frame, and a picture that shows every `every`-th of them.
    fn sky_and_picture(every: usize) -> (Vec<IndexStar>, ImageField) {
        let mut noise = FieldNoise::new(5);
        let (mut sky, mut picture) = (Vec::new(), Vec::new());
        for n in 0..60 {
            let place = PixelPoint::new(noise.uniform(0.0, 1999.0), noise.uniform(0.0, 1333.0));
            let magnitude = noise.uniform(4.0, 9.0);
            sky.push(IndexStar {
                place: pose().attitude * pose().lens.direction(place).vector(),
                magnitude: magnitude as f32,
                catalogue_idx: n as u32,
            });
            if n % every == 0 {
                let flux = 10_f64.powf(-0.4 * magnitude);
                picture.push(star_at(place.x + 0.2 * noise.normal(), place.y, flux, 0.2));
            }
        }
        (sky, ImageField::new(&field_of(2000, 1334, picture)))
    }

    fn grown_from_slightly_off(sky: &[IndexStar], image: &ImageField) -> Option<Grown> {
        let start = Pose {
            attitude: pose().attitude * Rotation3::new(Vector3::new(4e-4, -4e-4, 1e-3)),
            ..pose()
        };
        let prior = LensPrior {
            ln_focal: 5000_f64.ln(),
            ln_focal_sigma: 0.05,
            k1: 0.0,
            k1_sigma: 0.2,
            k2: 0.0,
            k2_sigma: 0.01,
            squeeze_sigma: 0.0,
        };
        let growth = Growth {
            reach: Reach::uniform(6.0),
            least_radius_px: 1.5,
            magnitude_window: 2.0,
            floor_px: 0.1,
            n_rounds: 6,
        };
        grow(sky, image, start, 0.0, &prior, &growth)
    }

    #[test]
    fn a_pose_grows_from_a_bad_start_and_the_odds_rise_with_the_stars_seen() {
        let odds = [1, 2, 3].map(|every| {
            let (sky, image) = sky_and_picture(every);
            let grown = grown_from_slightly_off(&sky, &image).expect("a pose");
            assert_eq!(grown.pairs.len(), 60_usize.div_ceil(every));
            assert!(grown.pairs.iter().all(|(s, _)| s % every == 0));
            log10_odds(&sky, &image, &grown, 2.0, 1)
        });
        assert!(odds[0] < -100.0 && odds[0] < odds[1] && odds[1] < odds[2]);
        assert!(odds[2] < -20.0, "{odds:?}");
    }

    #[test]
    fn the_number_of_trials_weighs_in_full() {
        let (sky, image) = sky_and_picture(3);
        let grown = grown_from_slightly_off(&sky, &image).unwrap();
        let once = log10_odds(&sky, &image, &grown, 2.0, 1);
        let often = log10_odds(&sky, &image, &grown, 2.0, 100_000);
        assert!((often - once - 5.0).abs() < 1e-9);
    }

    #[test]
    fn too_few_stars_do_not_grow() {
        let (sky, image) = sky_and_picture(30);
        assert!(grown_from_slightly_off(&sky, &image).is_none());
    }

    #[test]
    fn a_saturated_core_may_be_dimmer_than_expected_but_not_brighter() {
        let mut star = sky_and_picture(1).1.stars[0];
        star.magnitude = 5.0;
        star.saturated = true;
        assert!(bright_alike(2.0, &star, 0.0, 2.0));
        assert!(!bright_alike(7.5, &star, 0.0, 2.0));
        star.saturated = false;
        assert!(!bright_alike(2.0, &star, 0.0, 2.0));
    }
}
