//! How the air flattens the sky in a frame, which tells how high the frame looks and which way is up
//! without a clock.
//!
//! Refraction lifts low stars more than high ones: the sky is compressed by 58.3" a radian along
//! the horizon and by that over the sine squared of the altitude in the vertical. The difference is
//! a squeeze along the vertical that neither a turn of the camera nor a lens that is round about
//! its axis makes.

use nalgebra::{Matrix2, Rotation3, SMatrix, SVector, Vector2, Vector3};

use super::fit::{LensPrior, N_ALL, Pairing, Pose, Squeeze, Term, fit_pose};
use super::lens::Lens;
use super::over_ground::{PLACE, first_attitude, prior};
use super::plate::Plate;
use super::unevenness::unevenness;
use crate::sky::{Camera, Direction, Horizon, Rotation};
use crate::stars::StarField;
use crate::units::{Angle, PixelPoint, PixelVector};

/// Both parts of a squeeze: along the picture's rows against its columns, and along the diagonals.
pub type SqueezeParts = Vector2<f64>;

/// Fewest stars of a frame that is worth asking.
const N_FEWEST: usize = 15;
/// More stars than this make it no better: the brightest are taken.
const N_MOST: usize = 400;
/// 1-sigma of a squeeze before it is measured: at 10 degrees of altitude the air makes 0.005.
const OPEN: f64 = 0.005;

/// A frame whose squeeze was measured against the sky without air.
#[derive(Debug, Clone)]
pub struct AirGauge {
    /// The camera over the ground at the instant that the frame was compared with, air left out.
    pub attitude: Rotation<Camera, Horizon>,
    /// The squeeze that the frame shows.
    pub seen: SqueezeParts,
    stars: Vec<GaugeStar>,
    pose: Pose,
    /// Of the stars alone, each by its own covariance.
    normal: Normal,
    prior: LensPrior,
    size: (f64, f64),
}

/// What air would make of a frame.
#[derive(Debug, Clone, Copy)]
pub struct AirView {
    /// The squeeze that the frame's fit would find.
    pub squeeze: SqueezeParts,
    /// Covariance of the squeeze that the frame shows, if this is the air that it was taken
    /// through: by the scatter of the stars about it and how they run together.
    pub covariance: Matrix2<f64>,
}

type Normal = SMatrix<f64, N_ALL, N_ALL>;

/// A star and what a displacement of its image does to the fit.
#[derive(Debug, Clone)]
struct GaugeStar {
    airless: Direction<Horizon>,
    /// Where the camera would see it without air.
    place: PixelPoint,
    /// Where it is seen.
    pixel: PixelPoint,
    /// Picture minus fit, the fit knowing no more of the air than a squeeze.
    residual: Vector2<f64>,
    term: Term,
    gain: SMatrix<f64, N_ALL, 2>,
}

impl AirGauge {
    /// Measures the squeeze of a frame.
    ///
    /// Input: `airless` gives the direction over the ground of a star of the catalogue (by its
    /// number), aberration included and air left out, at any instant near the frame's.
    /// Method: the fit of a plate with its squeeze left open.
    /// Output: `None` with too few stars.
    pub fn new(
        field: &StarField,
        plate: &Plate,
        lens: &Lens,
        airless: impl Fn(usize) -> Direction<Horizon>,
    ) -> Option<Self> {
        let matches = &plate.matches[..plate.matches.len().min(N_MOST)];
        let pairings: Vec<Pairing> = matches
            .iter()
            .map(|matched| Pairing {
                sky: airless(matched.catalogue_idx).vector(),
                pixel: field.stars[matched.star_idx].position,
                covariance: field.stars[matched.star_idx].position_covariance,
            })
            .collect();
        if pairings.len() < N_FEWEST {
            return None;
        }
        let attitude = first_attitude(&pairings, lens)?;
        let altitude = (attitude * Vector3::z()).z.asin();
        let prior = LensPrior {
            squeeze_sigma: OPEN,
            ..prior(plate, lens, Angle::from_rad(altitude))
        };
        let start = Pose {
            lens: *lens,
            attitude,
            squeeze: Squeeze::default(),
        };
        let floor_px = lens.focal_px * PLACE.rad();
        let fit = fit_pose(&pairings, start, &prior, floor_px)?;
        let kept: Vec<&Pairing> = pairings
            .iter()
            .zip(&fit.kept)
            .filter_map(|(pairing, kept)| kept.then_some(pairing))
            .collect();
        let (normal, stars) = gauge_stars(&kept, &fit.pose, &prior, floor_px)?;
        Some(Self {
            attitude: Rotation::new(fit.pose.attitude),
            seen: Vector2::new(fit.pose.squeeze.plus, fit.pose.squeeze.cross),
            stars,
            pose: fit.pose,
            normal,
            prior,
            size: (field.width as f64, field.height as f64),
        })
    }

    /// The squeeze that air makes of the frame, as the same fit would find it.
    ///
    /// Input: `turn` carries directions over the ground at the frame's own instant to those at the
    /// instant asked for; `refract` gives where a direction over the ground is seen.
    /// Method: the displacements by the air through the linear fit. Air makes more than a squeeze:
    /// what it leaves beyond is taken off the residuals before their scatter is judged.
    /// Output: `None` where a star would lie below the horizon.
    pub fn air_at(
        &self,
        turn: &Rotation3<f64>,
        refract: impl Fn(Direction<Horizon>) -> Direction<Horizon>,
    ) -> Option<AirView> {
        let camera_of = self.attitude.inner().inverse() * turn.inverse();
        let round = Pose {
            squeeze: Squeeze::default(),
            attitude: Rotation3::identity(),
            ..self.pose
        };
        let mut step = SVector::<f64, N_ALL>::zeros();
        let mut moved = Vec::with_capacity(self.stars.len());
        for star in &self.stars {
            let there = turn * star.airless.vector();
            if there.z < 0.0 {
                return None;
            }
            let seen = refract(Direction::new(there)).vector();
            let by = round.project(&(camera_of * seen))? - star.place;
            let by = Vector2::new(by.dx, by.dy);
            step += star.gain * by;
            moved.push(by);
        }
        let residuals: Vec<Vector2<f64>> = self
            .stars
            .iter()
            .zip(moved)
            .map(|(star, by)| star.residual - (by - star.term.derivative * step))
            .collect();
        Some(AirView {
            squeeze: Vector2::new(step[6], step[7]),
            covariance: self.covariance(&residuals)?,
        })
    }

    /// Covariance of the squeeze by these residuals.
    fn covariance(&self, residuals: &[Vector2<f64>]) -> Option<Matrix2<f64>> {
        let squares = self
            .stars
            .iter()
            .zip(residuals)
            .map(|(star, residual)| (residual.transpose() * star.term.weight * residual)[0]);
        let freedom = 2.0 * residuals.len() as f64 - N_ALL as f64 - 2.0;
        let variance_ratio = squares.sum::<f64>() / freedom;
        let inverse = with_prior(self.normal / variance_ratio.max(1e-6), &self.prior)
            .cholesky()?
            .inverse();
        let places: Vec<(PixelPoint, PixelVector)> = self
            .stars
            .iter()
            .zip(residuals)
            .map(|(star, gap)| (star.pixel, PixelVector::new(gap.x, gap.y)))
            .collect();
        let (width, height) = self.size;
        Some(inverse.fixed_view::<2, 2>(6, 6) * unevenness(&places, width, height))
    }
}

fn with_prior(mut normal: Normal, prior: &LensPrior) -> Normal {
    for (at, weight) in (3..).zip(prior.weights()) {
        normal[(at, at)] += weight;
    }
    normal
}

/// The normal matrix of the stars, and what a displacement of each one's image adds to the fit: the
/// inverse normal matrix, prior included, times the star's weighted derivative.
fn gauge_stars(
    kept: &[&Pairing],
    pose: &Pose,
    prior: &LensPrior,
    floor_px: f64,
) -> Option<(Normal, Vec<GaugeStar>)> {
    let terms: Vec<Term> = kept
        .iter()
        .map(|pairing| Term::new(pairing, pose, floor_px))
        .collect::<Option<_>>()?;
    let mut normal = Normal::zeros();
    for term in &terms {
        normal += term.derivative.transpose() * term.weight * term.derivative;
    }
    let inverse = with_prior(normal, prior).cholesky()?.inverse();
    let round = Pose {
        squeeze: Squeeze::default(),
        ..*pose
    };
    let stars = kept
        .iter()
        .zip(terms)
        .map(|(pairing, term)| {
            Some(GaugeStar {
                airless: Direction::new(pairing.sky),
                place: round.project(&pairing.sky)?,
                pixel: pairing.pixel,
                residual: term.residual,
                gain: inverse * term.derivative.transpose() * term.weight,
                term,
            })
        })
        .collect::<Option<_>>()?;
    Some((normal, stars))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::identify::hint::attitude_towards;
    use crate::identify::plate::Match;
    use crate::identify::test_fields::{FieldNoise, field_of, star_at};
    use crate::sky::{Atmosphere, Icrs};
    use crate::units::Pixels;

    const SIGMA_PX: f64 = 0.05;

    fn lens() -> Lens {
        Lens {
            focal_px: 4000.0,
            center: PixelPoint::new(999.5, 666.5),
            k1: -0.03,
            k2: 0.0,
        }
    }

    /// Gauge of a frame that looks so high; a catalogue that coincides with the sky over the ground.
    fn gauge(altitude_deg: f64, seed: u64) -> AirGauge {
        let camera = attitude_towards(
            Direction::from_az_alt(Angle::from_deg(130.0), Angle::from_deg(altitude_deg)),
            Angle::from_deg(25.0),
        );
        let air = Atmosphere::standard(0.0);
        let mut noise = FieldNoise::new(seed);
        let (mut sky, mut stars, mut matches) = (Vec::new(), Vec::new(), Vec::new());
        for nth in 0..200 {
            let pixel = PixelPoint::new(noise.uniform(0.0, 1999.0), noise.uniform(0.0, 1333.0));
            sky.push(air.unrefract(camera.apply(lens().direction(pixel))));
            let (x, y) = (SIGMA_PX * noise.normal(), SIGMA_PX * noise.normal());
            stars.push(star_at(pixel.x + x, pixel.y + y, 1.0, SIGMA_PX));
            matches.push(Match {
                star_idx: nth,
                catalogue_idx: nth,
                residual: PixelVector::new(0.0, 0.0),
            });
        }
        let plate = Plate {
            lens: lens(),
            focal_sigma: 1e-4,
            k1_sigma: 1e-3,
            attitude: Rotation::<Camera, Icrs>::new(*camera.inner()),
            attitude_covariance: nalgebra::Matrix3::identity() * 1e-12,
            matches,
            rms: Pixels::new(SIGMA_PX),
            log10_chance: -50.0,
            k2_sigma: 1e-3,
            frame_center: lens().center,
        };
        let field = field_of(2000, 1334, stars);
        AirGauge::new(&field, &plate, &lens(), |idx| sky[idx]).unwrap()
    }

    #[test]
    fn the_air_of_the_true_hour_is_found_within_its_sigma() {
        let air = Atmosphere::standard(0.0);
        let mut sum_of_squares = 0.0;
        for seed in 0..40 {
            let gauge = gauge(35.0, seed);
            let expected = gauge
                .air_at(&Rotation3::identity(), |airless| air.refract(airless))
                .unwrap();
            let gap = gauge.seen - expected.squeeze;
            sum_of_squares += gap.dot(&(expected.covariance.try_inverse().unwrap() * gap));
        }
        // Chi-square of 80 degrees of freedom: 80 +- 13, four sigma either way; measured 92.
        assert!((30.0..130.0).contains(&sum_of_squares), "{sum_of_squares}");
    }

    #[test]
    fn lower_air_squeezes_more() {
        let air = Atmosphere::standard(0.0);
        let gauge = gauge(50.0, 7);
        let size = |lower_deg: f64| {
            // Towards azimuth 130: the turn about the horizontal axis across it lowers the frame.
            let across = Vector3::new(40f64.to_radians().sin(), 40f64.to_radians().cos(), 0.0);
            let turn = Rotation3::new(across * lower_deg.to_radians());
            gauge
                .air_at(&turn, |airless| air.refract(airless))
                .map(|view| view.squeeze.norm())
        };
        let here = size(0.0).unwrap();
        // Half of 58.3" a radian over tan^2 of the altitude: 1.0e-4 at 50 degrees.
        assert!((here / 1.0e-4 - 1.0).abs() < 0.1, "{here}");
        let (one, other) = (size(15.0).unwrap(), size(-15.0).unwrap());
        assert!(
            one.max(other) > 1.6 * here && one.min(other) < here,
            "{one} {other}"
        );
        assert!(
            size(80.0).is_none() || size(-80.0).is_none(),
            "below the horizon"
        );
    }
}
