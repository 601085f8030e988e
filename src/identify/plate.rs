//! An identified frame: lens, attitude, matched stars, and the way between pixels and the sky.

use nalgebra::{Matrix3, Rotation3, Vector3};

use super::fit::{Pose, Squeeze};
use super::image::ImageField;
use super::lens::Lens;
use super::search::Found;
use super::unevenness::unevenness;
use crate::sky::{Camera, Direction, Icrs, Rotation};
use crate::units::{Angle, Measured, PixelPoint, PixelVector, Pixels};

/// How large the sky is usually seen, from 30 degrees up to the zenith, and how far that may be
/// off, aberration included; by `SkyAt::seen_scale`.
const USUAL_SCALE: f64 = 1.0 - 4.5e-4;
const AIR_UNKNOWN: f64 = 2e-4;
/// What is left when the air is known: a field that is not evenly filled with stars (own estimate),
/// and a share of the air's flattening, because pressure and temperature are not known: 8 % for a
/// kilometre of height, 4 % for ten degrees.
const FIELD_LEFT: f64 = 4e-5;
const AIR_LEFT: f64 = 0.1;

/// A star of the frame and the star of the catalogue that it is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Match {
    /// Number of the star in the star field.
    pub star_idx: usize,
    /// Number of the star in the catalogue.
    pub catalogue_idx: usize,
    /// Measured minus predicted place; the prediction knows how unevenly the air lifts the frame.
    pub residual: PixelVector,
}

/// Where a frame looks and through which lens.
///
/// Directions are catalogue directions (ICRS, epoch 2016.0): aberration and refraction, whose
/// common part is in the attitude, are not taken out. Where there are stars enough, the attitude is
/// free of the air's compression of the frame, which else turns a frame of few stars.
#[derive(Debug, Clone, PartialEq)]
pub struct Plate {
    /// Focal length, centre of projection and radial distortion.
    pub lens: Lens,
    /// 1-sigma of the focal length relative to itself.
    pub focal_sigma: f64,
    /// 1-sigma of `lens.k1`; large where the field is too small to tell.
    pub k1_sigma: f64,
    /// Takes camera directions to catalogue directions.
    pub attitude: Rotation<Camera, Icrs>,
    /// Covariance of `attitude` as a small rotation vector applied before it, in the camera frame,
    /// square radians; scaled by the residuals and by how far they run together over the frame.
    pub attitude_covariance: Matrix3<f64>,
    /// Matched stars, brightest first.
    pub matches: Vec<Match>,
    /// Root mean square of the two-dimensional residuals of `matches`.
    pub rms: Pixels,
    /// Decimal logarithm of the number of agreements as good as this to expect by chance, all
    /// trials of the search counted.
    pub log10_chance: f64,
    /// 1-sigma of `lens.k2`; that of the prior where the field is too small to tell.
    pub k2_sigma: f64,
    /// Middle of the frame.
    pub frame_center: PixelPoint,
}

impl Plate {
    pub(crate) fn new(found: &Found, image: &ImageField) -> Self {
        let fit = &found.grown.fit;
        // Pairs are in the order of the picture's stars: brightest first.
        let indexed = found.grown.pairs.iter().zip(&fit.kept).zip(&fit.residuals);
        let kept = indexed.filter(|((_, kept), _)| **kept);
        let (places, matches): (Vec<PixelPoint>, Vec<Match>) = kept
            .map(|(((sky, picture), _), residual)| {
                let star = &image.stars[*picture];
                let matched = Match {
                    star_idx: star.star_idx,
                    catalogue_idx: found.stars[*sky].catalogue_idx as usize,
                    residual: PixelVector::new(residual.x, residual.y),
                };
                (star.place, matched)
            })
            .unzip();
        let square = |m: &Match| m.residual.length().px().powi(2);
        let mean_square = matches.iter().map(square).sum::<f64>() / matches.len().max(1) as f64;
        let residuals: Vec<(PixelPoint, PixelVector)> = places
            .into_iter()
            .zip(matches.iter().map(|m| m.residual))
            .collect();
        let covariance = fit.covariance * unevenness(&residuals, image.width, image.height);
        Self {
            lens: fit.pose.lens,
            focal_sigma: covariance[(3, 3)].sqrt(),
            k1_sigma: covariance[(4, 4)].sqrt(),
            attitude: Rotation::new(fit.pose.attitude),
            attitude_covariance: covariance.fixed_view::<3, 3>(0, 0).into_owned(),
            matches,
            rms: Pixels::new(mean_square.sqrt()),
            log10_chance: found.log10_chance,
            k2_sigma: covariance[(5, 5)].sqrt(),
            frame_center: image.center(),
        }
    }

    /// The catalogue direction of a pixel.
    pub fn direction(&self, pixel: PixelPoint) -> Direction<Icrs> {
        self.attitude.apply(self.lens.direction(pixel))
    }

    /// The pixel of a catalogue direction, on the frame or off it; `None` far outside the field.
    pub fn pixel(&self, direction: Direction<Icrs>) -> Option<PixelPoint> {
        self.lens.pixel(self.attitude.inverse().apply(direction))
    }

    /// The catalogue direction at the centre of the frame.
    pub fn center(&self) -> Direction<Icrs> {
        self.direction(self.frame_center)
    }

    /// Angle of one pixel at the centre in the catalogue's sky, which the air shows smaller: see
    /// [`Plate::seen_pixel_scale`].
    pub fn pixel_scale(&self) -> Angle {
        self.lens.pixel_scale()
    }

    /// Focal length in pixels with its sigma.
    pub fn focal(&self) -> Measured<Pixels> {
        let focal = Pixels::new(self.lens.focal_px);
        Measured::new(focal, focal * self.focal_sigma)
    }

    /// Position angle of the picture's upward direction at its centre, north through east, [0, 360).
    pub fn up_position_angle(&self) -> Angle {
        let (x, y) = (self.frame_center.x, self.frame_center.y);
        let above = self.direction(PixelPoint::new(x, y - 1.0)).vector();
        let up = above - self.center().vector();
        let (ra, dec) = self.center().ra_dec();
        let east = Vector3::new(-ra.sin(), ra.cos(), 0.0);
        let north = Vector3::new(-dec.sin() * ra.cos(), -dec.sin() * ra.sin(), dec.cos());
        Angle::from_rad(up.dot(&east).atan2(up.dot(&north))).wrapped_positive()
    }

    /// Focal length in pixels with the air's flattening of the sky taken out: what the lens itself
    /// has. `seen_scale` is how large the sky is seen at the frame's centre, against the catalogue
    /// (`SkyAt::seen_scale`); where it is not known, what is usual, and its doubt in the sigma.
    pub fn seen_focal(&self, seen_scale: Option<f64>) -> Measured<Pixels> {
        let (scale, doubt) = match seen_scale {
            Some(scale) => (scale, FIELD_LEFT.hypot(AIR_LEFT * (1.0 - scale))),
            None => (USUAL_SCALE, AIR_UNKNOWN),
        };
        let focal = Pixels::new(self.lens.focal_px / scale);
        Measured::new(focal, focal * self.focal_sigma.hypot(doubt))
    }

    /// Angle of one pixel at the centre, on the sky as it is seen: by [`Plate::seen_focal`].
    pub fn seen_pixel_scale(&self, seen_scale: Option<f64>) -> Measured<Angle> {
        let focal = self.seen_focal(seen_scale);
        let scale = Angle::from_rad(1.0 / focal.value.px());
        Measured::new(scale, scale * (focal.sigma / focal.value))
    }

    pub(crate) fn pose(&self) -> Pose {
        Pose {
            lens: self.lens,
            attitude: *self.attitude.inner(),
            squeeze: Squeeze::default(),
        }
    }

    /// The same lens looking elsewhere: `turn` carries camera directions of this frame to those of
    /// the other.
    pub(crate) fn turned(&self, turn: &Rotation3<f64>) -> Pose {
        Pose {
            lens: self.lens,
            attitude: self.attitude.inner() * turn.inverse(),
            squeeze: Squeeze::default(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A camera looking at RA 90, Dec 0 with north up: right is west, down is south.
    fn plate() -> Plate {
        let (west, south, toward) = (Vector3::x(), -Vector3::z(), Vector3::y());
        Plate {
            lens: Lens {
                focal_px: 3000.0,
                center: PixelPoint::new(999.5, 666.5),
                k1: -0.02,
                k2: 0.0,
            },
            focal_sigma: 1e-4,
            k1_sigma: 0.01,
            attitude: Rotation::new(Rotation3::from_matrix_unchecked(Matrix3::from_columns(&[
                west, south, toward,
            ]))),
            attitude_covariance: Matrix3::identity() * 1e-12,
            matches: Vec::new(),
            rms: Pixels::new(0.3),
            log10_chance: -50.0,
            k2_sigma: 0.01,
            frame_center: PixelPoint::new(999.5, 666.5),
        }
    }

    #[test]
    fn east_is_on_the_left_when_north_is_up() {
        let plate = plate();
        let (ra, dec) = plate.center().ra_dec();
        assert!((ra.deg() - 90.0).abs() < 1e-9 && dec.deg().abs() < 1e-9);
        assert!(plate.up_position_angle().wrapped_signed().deg().abs() < 1e-9);
        let left = plate.direction(PixelPoint::new(500.0, 666.5));
        assert!(left.ra_dec().0.deg() > 90.0);
        let top = plate.direction(PixelPoint::new(999.5, 100.0));
        assert!(top.ra_dec().1.deg() > 0.0);
    }

    #[test]
    fn the_air_shows_the_sky_smaller_and_a_pixel_sees_less_of_it() {
        let plate = plate();
        let seen = plate.seen_pixel_scale(Some(0.9996));
        assert!((seen.value / plate.pixel_scale() - 0.9996).abs() < 1e-9);
        // The focal length's 1e-4, 4e-5 of the field and a tenth of the air's 4e-4.
        let relative = seen.sigma / seen.value;
        let expected = 1e-4_f64.hypot(4e-5).hypot(4e-5);
        assert!((relative - expected).abs() < 1e-7, "{relative}");
        let unknown = plate.seen_pixel_scale(None);
        assert!(unknown.sigma > seen.sigma);
        assert!((unknown.value - seen.value).rad().abs() < unknown.sigma.rad());
    }

    #[test]
    fn a_camera_turned_clockwise_has_its_top_towards_the_west() {
        // Turning the camera clockwise about its axis, as seen from behind it, moves its top to
        // the right, which was west: position angle 270.
        let roll = Rotation3::from_axis_angle(&Vector3::z_axis(), std::f64::consts::FRAC_PI_2);
        let turned = Plate {
            attitude: Rotation::new(plate().attitude.inner() * roll),
            ..plate()
        };
        assert!((turned.up_position_angle().deg() - 270.0).abs() < 1e-9);
    }

    #[test]
    fn pixel_and_direction_are_inverse() {
        let corner = PixelPoint::new(3.0, 1300.0);
        let back = plate().pixel(plate().direction(corner)).unwrap();
        assert!(back.distance(corner).px() < 1e-6);
    }

    #[test]
    fn a_turn_of_the_camera_moves_the_stars_the_way_it_says() {
        let plate = plate();
        let turn = Rotation3::new(Vector3::new(0.01, -0.02, 0.3));
        let place = PixelPoint::new(700.0, 500.0);
        let star = plate.direction(place);
        let expected = plate
            .lens
            .pixel(Direction::new(turn * plate.lens.direction(place).vector()))
            .unwrap();
        let found = plate.turned(&turn).project(&star.vector()).unwrap();
        assert!(found.distance(expected).px() < 1e-6);
    }
}
