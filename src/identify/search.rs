//! The search for a field's place on the sky, pass by pass, and the last judgement on what it finds.

use super::fit::LensPrior;
use super::image::ImageField;
use super::lens::Lens;
use super::levels::{Indices, density_of, field_area, level_beside, level_for, regional_index};
use super::pairs::search_pairs;
use super::passes::{EFFORTS, passes};
use super::pattern::IndexStar;
use super::scan::Scan;
use super::verify::{Grown, Growth, Reach, grow, log10_odds};
use super::{Hints, Unidentified};
use crate::sky::catalogue::Catalogue;
use crate::units::Angle;

/// A pose that stands up to the odds, with the catalogue stars it was judged on.
pub(crate) struct Found {
    pub(crate) grown: Grown,
    pub(crate) stars: Vec<IndexStar>,
    pub(crate) log10_chance: f64,
}

/// Highest accepted logarithm (base 10) of the number of such agreements to expect by chance, all
/// trials counted: one in a million. A thousand random and mirrored fields came down to -2.3 at
/// the lowest; every step of one here changes the number of wrong answers tenfold.
pub(crate) const MAX_LOG10_CHANCE: f64 = -6.0;
/// The same with a hint of the direction or beside a known frame, which rules out nearly all of the
/// sky by itself.
const MAX_LOG10_CHANCE_HINTED: f64 = -5.0;
/// Fewest usable stars: three make a trial, and one has to speak for it.
const N_FEWEST: usize = 4;
/// Magnitude differences up to this are colour, clouds, vignetting.
pub(crate) const MAGNITUDE_WINDOW: f64 = 2.0;

/// Whether a pose is near one that is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Whereabouts {
    /// From a neighbouring frame.
    Known,
    /// Anywhere on the sky, or in the hinted part of it.
    Searched,
}

/// What a search works on.
pub(crate) struct Search<'a> {
    pub(crate) image: &'a ImageField,
    pub(crate) hints: &'a Hints,
    pub(crate) catalogue: &'a Catalogue,
}

impl Search<'_> {
    /// Searches the sky, or the hinted part of it.
    pub(crate) fn run(&self, indices: &Indices) -> Result<Found, Unidentified> {
        let (image, hints) = (self.image, self.hints);
        let n_stars = image.stars.len();
        if n_stars < N_FEWEST {
            return Err(Unidentified::TooFewStars {
                found: n_stars,
                needed: N_FEWEST,
            });
        }
        let mut n_trials = 0;
        let (low, high) = hints.focal.bounds_px();
        for effort in &EFFORTS {
            for pass in passes(low, high, image.half_diagonal()) {
                let area = field_area(image, pass.focal_px);
                let level = level_beside(level_for(area), effort.finer);
                let regional = regional_index(image, hints.near, self.catalogue, &pass, level);
                let index = match &regional {
                    Some(index) => index,
                    None => indices.level(self.catalogue, level),
                };
                let mut scan = Scan {
                    search: self,
                    index,
                    pass,
                    effort,
                    n_trials,
                };
                if let Some(found) = scan.run(area * density_of(level)) {
                    return Ok(found);
                }
                n_trials = scan.n_trials;
            }
        }
        search_pairs(self, indices, n_trials).ok_or(Unidentified::NoAgreement { n_stars, n_trials })
    }

    /// A pose grown on the whole catalogue and judged; `None` where chance could have made it.
    pub(crate) fn settle(
        &self,
        start: &Grown,
        n_trials: usize,
        whereabouts: Whereabouts,
    ) -> Option<Found> {
        let (stars, grown) = self.grown_on_all(start)?;
        let log10_chance = log10_odds(&stars, self.image, &grown, MAGNITUDE_WINDOW, n_trials);
        let most = if whereabouts == Whereabouts::Known || self.hints.near.is_some() {
            MAX_LOG10_CHANCE_HINTED
        } else {
            MAX_LOG10_CHANCE
        };
        (log10_chance <= most).then(|| self.found(stars, grown, log10_chance))
    }

    /// A pose that stands up to the odds by a few stars of the picture, grown on the whole
    /// catalogue; `None` where not all of these stars (numbers in the picture) stay.
    pub(crate) fn settle_pairs(
        &self,
        start: &Grown,
        log10_chance: f64,
        agreeing: &[usize],
    ) -> Option<Found> {
        let (stars, grown) = self.grown_on_all(start)?;
        let kept = grown.pairs.iter().zip(&grown.fit.kept);
        let kept: Vec<usize> = kept
            .filter_map(|(pair, kept)| kept.then_some(pair.1))
            .collect();
        let all_stay = agreeing.iter().all(|star| kept.contains(star));
        all_stay.then(|| self.found(stars, grown, log10_chance))
    }

    fn found(&self, stars: Vec<IndexStar>, grown: Grown, log10_chance: f64) -> Found {
        Found {
            grown: self.squeezed(&stars, &grown).unwrap_or(grown),
            stars,
            log10_chance,
        }
    }

    /// A pose grown on the catalogue's stars on and around the frame.
    fn grown_on_all(&self, start: &Grown) -> Option<(Vec<IndexStar>, Grown)> {
        let (image, hints, catalogue) = (self.image, self.hints, self.catalogue);
        let pose = start.fit.pose;
        let reach = Angle::from_rad(1.03 * (image.half_diagonal() / pose.lens.focal_px).atan());
        let faintest_picture = image.stars.last()?.magnitude;
        let faintest = faintest_picture + start.zero_point + 0.7;
        let mut stars = Vec::new();
        catalogue.visit_near(pose.axis(), reach, faintest, |star_idx| {
            stars.push(IndexStar {
                place: catalogue.vector(star_idx),
                magnitude: catalogue.magnitude(star_idx) as f32,
                catalogue_idx: star_idx as u32,
            });
        });
        let growth = self.growth(&pose.lens, Reach::uniform(start.radius_px), 8);
        let prior = self.lens_prior();
        let grown = grow(&stars, image, pose, start.zero_point, &prior, &growth)?;
        let (low, high) = hints.focal.bounds_px();
        if !(0.97 * low..=1.03 * high).contains(&grown.fit.pose.lens.focal_px) {
            return None;
        }
        Some((stars, grown))
    }

    /// An accepted pose once more with the air's squeeze left open; `None` where there are too few
    /// stars to tell, or fewer agree than without.
    fn squeezed(&self, stars: &[IndexStar], grown: &Grown) -> Option<Grown> {
        let n_before = grown.n_kept();
        if n_before < N_FEWEST_FOR_SQUEEZE {
            return None;
        }
        let pose = grown.fit.pose;
        let growth = self.growth(&pose.lens, Reach::uniform(2.0 * grown.radius_px), 6);
        let prior = LensPrior {
            squeeze_sigma: SQUEEZE_SIGMA,
            ..self.lens_prior()
        };
        let squeezed = grow(stars, self.image, pose, grown.zero_point, &prior, &growth)?;
        (squeezed.n_kept() >= n_before).then_some(squeezed)
    }

    /// How far off a star's place may be, pixels.
    pub(crate) fn noise_px(&self) -> f64 {
        self.image.noise_px.max(LEAST_NOISE_PX) + self.hints.extra_noise_px
    }

    /// How to grow a pose of a lens from a first reach.
    pub(crate) fn growth(&self, lens: &Lens, reach: Reach, n_rounds: usize) -> Growth {
        Growth {
            reach,
            least_radius_px: 1.5,
            magnitude_window: MAGNITUDE_WINDOW,
            // 0.4 arcsec: proper motion since the catalogue's epoch, aberration across the field.
            floor_px: (lens.focal_px * Angle::from_arcsec(0.4).rad()).max(0.1),
            n_rounds,
        }
    }

    /// What is known of the lens before any star is matched.
    pub(crate) fn lens_prior(&self) -> LensPrior {
        let (low, high) = self.hints.focal.bounds_px();
        let ln_focal = 0.5 * (low.ln() + high.ln());
        let corner = self.image.half_diagonal() / ln_focal.exp();
        let (k1_limit, k2_limit) = distortion_limits(corner);
        let any = LensPrior {
            ln_focal,
            ln_focal_sigma: (0.5 * (high / low).ln()).max(1e-4),
            k1: 0.0,
            k1_sigma: self.share_left() * k1_limit,
            k2: 0.0,
            k2_sigma: self.share_left() * k2_limit,
            squeeze_sigma: 0.0,
        };
        match &self.hints.lens {
            Some(known) => known.narrowed(&any),
            None => any,
        }
    }

    /// The lens that trials start from, at a focal length.
    pub(crate) fn lens(&self, focal_px: f64) -> Lens {
        let plain = Lens {
            focal_px,
            center: self.image.center(),
            k1: 0.0,
            k2: 0.0,
        };
        match &self.hints.lens {
            Some(known) => Lens {
                focal_px,
                ..known.lens
            },
            None => plain,
        }
    }

    /// How much of a distortion is left to find, as the radial displacement in a frame's corner
    /// relative to the corner's distance; `corner_tangent` is the tangent of its angle off the axis.
    pub(crate) fn greatest_distortion(&self, corner_tangent: f64) -> f64 {
        self.share_left() * greatest_cubic(corner_tangent)
    }

    fn share_left(&self) -> f64 {
        match self.hints.lens {
            Some(_) => SHARE_LEFT_OF_KNOWN,
            None => 1.0,
        }
    }
}

/// Greatest radial displacement by the first term in a frame's corner, relative to its distance.
///
/// Common practice, no source: up to one per cent for long lenses, some per cent for wide ones.
fn greatest_cubic(corner_tangent: f64) -> f64 {
    (0.012 + 0.25 * corner_tangent * corner_tangent).min(0.05)
}

/// One sigma of k1 and k2 of a lens of which nothing is known, for a frame whose corner has this
/// tangent off the axis.
///
/// Common practice, no source: the fourth power makes some per cent in the corner of a wide lens,
/// nothing in that of a long one.
pub(crate) fn distortion_limits(corner_tangent: f64) -> (f64, f64) {
    let corner2 = corner_tangent * corner_tangent;
    let fourth_power = (0.06 * corner2).min(0.05);
    (
        greatest_cubic(corner_tangent) / corner2,
        fourth_power / (corner2 * corner2),
    )
}

/// Fewest stars that tell the air's squeeze from noise and a wrong star (own choice).
const N_FEWEST_FOR_SQUEEZE: usize = 8;
/// One sigma of either part of the air's squeeze: half of what refraction compresses the vertical
/// more than the horizontal. For a refraction of 58 arcsec (from memory) times the tangent of the
/// zenith distance z that is 1.4e-4 tan^2 z: 1.4e-4 at an altitude of 45 degrees, 5e-4 at 28,
/// 2e-3 at 15.
const SQUEEZE_SIGMA: f64 = 1e-3;
/// Least noise of a star's place that trials allow for, pixels: double stars, proper motion.
const LEAST_NOISE_PX: f64 = 1.5;
/// Share of a lens's possible distortion that may be left where it was measured on another frame.
const SHARE_LEFT_OF_KNOWN: f64 = 0.15;
