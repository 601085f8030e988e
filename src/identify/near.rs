//! A frame near one that is already identified: the catalogue's stars as the known plate would
//! show them are matched with the picture as if they were another frame; or a frame itself once
//! more, through a better known lens.

use nalgebra::{Matrix3, Rotation3};

use super::between::match_frames;
use super::fit::{Pose, PoseFit, Squeeze};
use super::lens::Lens;
use super::plate::{Match, Plate};
use super::scatter::median;
use super::search::{Found, Search, Whereabouts};
use super::verify::Grown;
use crate::sky::catalogue::Catalogue;
use crate::sky::{Camera, Icrs, Rotation};
use crate::stars::{Quality, Star, StarField};
use crate::units::{Angle, Measured, PixelPoint, PixelTensor};

/// Bright catalogue stars that stand for the known frame.
const N_STARS: usize = 150;
/// Share of the half diagonal around the frame where stars may come in.
const MARGIN: f64 = 1.3;

/// Matches a picture with what a known plate would show.
pub(crate) fn search_near(search: &Search<'_>, field: &StarField, prior: &Plate) -> Option<Found> {
    let expected = expected_field(prior, field, search.catalogue);
    let matched = match_frames(&expected, field, &prior.lens)?;
    let pose = prior.turned(&matched.rotation);
    if let Some((center, radius)) = search.hints.near
        && pose.axis().separation(center).rad() > radius.rad()
    {
        return None;
    }
    let zero_points: Vec<f64> = matched
        .pairs
        .iter()
        .map(|(known, star)| {
            2.5 * (field.stars[*star].flux.value / expected.stars[*known].flux.value).log10()
        })
        .collect();
    let start = started(pose, median(zero_points), matched.rms_px);
    search.settle(&start, N_TRIALS, Whereabouts::Known)
}

/// Grows an identified frame again through a lens that is known better.
pub(crate) fn search_again(
    search: &Search<'_>,
    field: &StarField,
    plate: &Plate,
    lens: &Lens,
) -> Option<Found> {
    let pose = Pose {
        lens: *lens,
        attitude: attitude_through(lens, field, plate)?,
        squeeze: Squeeze::default(),
    };
    let magnitudes = |m: &Match| {
        let picture = -2.5 * field.stars[m.star_idx].flux.value.log10();
        search.catalogue.magnitude(m.catalogue_idx) - picture
    };
    let zero_points = plate.matches.iter().map(magnitudes).collect();
    let start = started(pose, median(zero_points), plate.rms.px());
    search.settle(&start, 1, Whereabouts::Known)
}

/// Where a frame looks if its stars are seen through another lens.
pub(crate) fn attitude_through(
    lens: &Lens,
    field: &StarField,
    plate: &Plate,
) -> Option<Rotation3<f64>> {
    let catalogue = Catalogue::embedded();
    let mut cross = Matrix3::zeros();
    for matched in &plate.matches {
        let seen = lens.direction(field.stars[matched.star_idx].position);
        cross += catalogue.vector(matched.catalogue_idx) * seen.vector().transpose();
    }
    Some(*Rotation::<Camera, Icrs>::nearest(&cross)?.inner())
}

/// Turns that the search between frames tries, for the odds; of those few are small enough to be
/// likely, so that this is on the safe side.
const N_TRIALS: usize = 1000;

/// A pose as a start for growth.
fn started(pose: Pose, zero_point: f64, rms_px: f64) -> Grown {
    Grown {
        fit: PoseFit {
            pose,
            covariance: nalgebra::Matrix6::zeros(),
            kept: Vec::new(),
            residuals: Vec::new(),
            scatter_px: rms_px,
        },
        pairs: Vec::new(),
        zero_point,
        radius_px: (4.0 * rms_px).max(4.0),
    }
}

/// The brightest catalogue stars on and around the frame, as a star field.
fn expected_field(prior: &Plate, field: &StarField, catalogue: &Catalogue) -> StarField {
    let half_diagonal = 0.5 * (field.width as f64).hypot(field.height as f64);
    let pose = prior.pose();
    let reach = Angle::from_rad((MARGIN * half_diagonal / prior.lens.focal_px).atan());
    let faintest = limit_for(catalogue, N_STARS, reach);
    let stars: Vec<Star> = catalogue
        .within(pose.axis(), reach, faintest)
        .into_iter()
        .filter_map(|star_idx| {
            let place = pose.project(&catalogue.vector(star_idx))?;
            Some(expected_star(place, catalogue.magnitude(star_idx)))
        })
        .collect();
    StarField {
        stars,
        ..field_like(field)
    }
}

/// A magnitude to which a circle on the sky holds about a number of stars: star numbers rise by a
/// factor of 2.6 a magnitude.
fn limit_for(catalogue: &Catalogue, n_stars: usize, reach: Angle) -> f64 {
    let share = 0.5 * (1.0 - reach.cos());
    let n_to_10 = catalogue.len() as f64 * share;
    10.0 + (n_stars as f64 / n_to_10.max(1.0)).ln() / 2.6_f64.ln()
}

fn expected_star(place: PixelPoint, magnitude: f64) -> Star {
    let flux = 10_f64.powf(-0.4 * magnitude);
    Star {
        position: place,
        position_covariance: PixelTensor::new(0.04, 0.0, 0.04),
        flux: Measured::new(flux, 0.1 * flux),
        peak: flux,
        moments: PixelTensor::default(),
        moments_sigma: PixelTensor::default(),
        trail: None,
        quality: Quality::default(),
    }
}

fn field_like(field: &StarField) -> StarField {
    StarField {
        width: field.width,
        height: field.height,
        stars: Vec::new(),
        background: field.background,
        noise: field.noise,
        fwhm: None,
        trail: None,
        lens: None,
        rejected: field.rejected,
    }
}
