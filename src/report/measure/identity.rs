//! Which stars a frame shows, and what follows from that about lens and direction.

use std::collections::HashMap;

use crate::identify::{Match, Plate, Unidentified};
use crate::units::{Angle, Length, Measured, Pixels};

/// Whether a frame's stars were identified.
#[derive(Debug, Clone, PartialEq)]
pub enum Identity {
    /// They were.
    Known(Box<Identified>),
    /// They were not, and why.
    Unknown(Unidentified),
}

impl Identity {
    /// What is known of the stars; `None` where they were not identified.
    pub fn known(&self) -> Option<&Identified> {
        match self {
            Self::Known(identified) => Some(identified),
            Self::Unknown(_) => None,
        }
    }
}

/// A frame with identified stars.
#[derive(Debug, Clone, PartialEq)]
pub struct Identified {
    /// Matched stars, lens and direction.
    pub plate: Plate,
    /// Side of one pixel by tags or option, with its sigma: what the focal length in millimetres
    /// rests on.
    pub pixel_pitch: Option<Measured<Length>>,
    /// How large the sky is seen through the air, against the catalogue; needs site and time.
    pub seen_scale: Option<f64>,
    /// Position angle of the zenith at the centre, north through east; needs site and time.
    pub zenith: Option<Angle>,
}

impl Identified {
    /// Focal length in pixels, the air's flattening of the sky taken out where site and time are
    /// known and else in the sigma.
    pub fn focal_px(&self) -> Measured<Pixels> {
        self.plate.seen_focal(self.seen_scale)
    }

    /// Angle of one pixel at the centre, on the sky as it is seen.
    pub fn scale(&self) -> Measured<Angle> {
        self.plate.seen_pixel_scale(self.seen_scale)
    }

    /// Focal length; `None` without a pixel pitch.
    pub fn focal_length(&self) -> Option<Measured<Length>> {
        let (pitch, focal) = (self.pixel_pitch?, self.focal_px());
        let length = pitch.value * focal.value.px();
        let relative = (focal.sigma / focal.value).hypot(pitch.sigma / pitch.value);
        Some(Measured::new(length, length * relative))
    }

    /// Radial distortion.
    pub fn distortion(&self) -> Measured<f64> {
        Measured::new(self.plate.lens.k1, self.plate.k1_sigma)
    }

    /// 1-sigma of the direction of the centre, along each side of the picture on the average.
    pub fn center_sigma(&self) -> Angle {
        let covariance = &self.plate.attitude_covariance;
        Angle::from_rad(
            ((covariance[(0, 0)] + covariance[(1, 1)]) / 2.0)
                .max(0.0)
                .sqrt(),
        )
    }

    /// 1-sigma of the picture's turn about its centre.
    pub fn up_sigma(&self) -> Angle {
        Angle::from_rad(self.plate.attitude_covariance[(2, 2)].max(0.0).sqrt())
    }

    /// Matched stars by their number in the star field.
    pub fn matches(&self) -> HashMap<usize, &Match> {
        let matches = self.plate.matches.iter();
        matches.map(|matched| (matched.star_idx, matched)).collect()
    }

    /// A position angle at the centre as a direction in the picture: right and down, of length 1.
    ///
    /// In an unmirrored picture position angles run against the clock.
    pub fn in_picture(&self, position_angle: Angle) -> (f64, f64) {
        let against_clock = position_angle - self.plate.up_position_angle();
        (-against_clock.sin(), -against_clock.cos())
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::identify::lens::Lens;
    use crate::sky::catalogue::Catalogue;
    use crate::sky::{Direction, Icrs, Rotation};
    use crate::units::{PixelPoint, PixelVector};
    use nalgebra::{Matrix3, Rotation3, Vector3};

    /// Looks at a place with the picture's top at a position angle, through 600 px of focal length.
    pub fn identified(ra_deg: f64, dec_deg: f64, up_deg: f64) -> Identified {
        let (ra, dec) = (Angle::from_deg(ra_deg), Angle::from_deg(dec_deg));
        let toward = Direction::<Icrs>::from_ra_dec(ra, dec).vector();
        let west = Vector3::new(ra.sin(), -ra.cos(), 0.0);
        let south = toward.cross(&west);
        let level = Matrix3::from_columns(&[west, south, toward]);
        // The top moves from north towards east, to the left.
        let roll = Rotation3::from_axis_angle(&Vector3::z_axis(), -up_deg.to_radians());
        let plate = Plate {
            lens: Lens {
                focal_px: 600.0,
                center: PixelPoint::new(599.5, 399.5),
                k1: -0.02,
                k2: 0.0,
            },
            focal_sigma: 1e-3,
            k1_sigma: 0.01,
            attitude: Rotation::nearest(&(level * roll.matrix())).unwrap(),
            attitude_covariance: Matrix3::from_diagonal(&Vector3::new(4e-8, 4e-8, 9e-8)),
            matches: Vec::new(),
            rms: Pixels::new(0.3),
            log10_chance: -50.0,
            k2_sigma: 0.01,
            frame_center: PixelPoint::new(599.5, 399.5),
        };
        Identified {
            plate,
            pixel_pitch: Some(Measured::new(Length::from_um(5.0), Length::from_mm(0.0))),
            seen_scale: Some(1.0),
            zenith: Some(Angle::from_deg(20.0)),
        }
    }

    /// Its first stars matched to the brightest of the catalogue.
    pub fn with_matches(mut known: Identified, n_matches: usize) -> Identified {
        let center = known.plate.center();
        let bright = Catalogue::embedded().within(center, Angle::from_deg(30.0), 4.0);
        let matches = bright.into_iter().take(n_matches).enumerate();
        known.plate.matches = matches
            .map(|(star_idx, catalogue_idx)| Match {
                star_idx,
                catalogue_idx,
                residual: PixelVector::new(0.1, -0.2),
            })
            .collect();
        known
    }

    #[test]
    fn directions_in_the_picture_agree_with_the_plate() {
        let known = identified(80.0, 0.0, 35.0);
        assert!((known.plate.up_position_angle().deg() - 35.0).abs() < 1e-9);
        let (ra, dec) = known.plate.center().ra_dec();
        let step = Angle::from_arcmin(1.0);
        let center = known.plate.lens.center;
        for (position_angle, place) in [
            (0.0, Direction::from_ra_dec(ra, dec + step)),
            (90.0, Direction::from_ra_dec(ra + step, dec)),
        ] {
            let (right, down) = known.in_picture(Angle::from_deg(position_angle));
            let moved = known.plate.pixel(place).unwrap() - center;
            let length = moved.length().px();
            assert!((moved.dx / length - right).abs() < 1e-3, "{position_angle}");
            assert!((moved.dy / length - down).abs() < 1e-3, "{position_angle}");
        }
    }

    #[test]
    fn the_air_is_taken_out_or_in_the_sigma() {
        let mut known = identified(10.0, -40.0, 0.0);
        known.plate.focal_sigma = 1e-6;
        known.seen_scale = Some(0.9995);
        let focal = known.focal_px();
        assert!((focal.value.px() - 600.0 / 0.9995).abs() < 1e-9);
        known.seen_scale = None;
        let unknown = known.focal_px();
        assert!(unknown.sigma > focal.sigma * 2.5);
        assert!((unknown.value - focal.value).abs() < unknown.sigma);
    }

    #[test]
    fn a_vague_pitch_makes_a_vague_focal_length() {
        let mut known = identified(10.0, -40.0, 0.0);
        let pitch = Length::from_um(5.0);
        known.pixel_pitch = Some(Measured::new(pitch, pitch * 0.03));
        let focal = known.focal_length().unwrap();
        assert!((focal.sigma / focal.value - 0.03).abs() < 1e-3);
    }

    #[test]
    fn lengths_and_their_sigmas_scale_alike() {
        let known = identified(10.0, -40.0, 0.0);
        let focal = known.focal_length().unwrap();
        assert!((focal.value.mm() - 3.0).abs() < 1e-12 && (focal.sigma.mm() - 0.003).abs() < 1e-5);
        let scale = known.scale();
        assert!((scale.value.rad() - 1.0 / 600.0).abs() < 1e-12);
        assert!((scale.sigma.rad() * 1000.0 / scale.value.rad() - 1.0).abs() < 1e-3);
        assert!((known.center_sigma().rad() - 2e-4).abs() < 1e-12);
        assert!((known.up_sigma().rad() - 3e-4).abs() < 1e-12);
    }
}
