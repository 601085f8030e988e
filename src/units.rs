//! Units live in types: angles, pixels, seconds, rates, lengths, and places on the Earth.
//!
//! Every type keeps one private `f64` (or public fields that carry no unit choice) and is
//! made and read by functions that name the unit. Intervals of wrapped angles are half-open.

use std::ops::{Add, Div, Mul, Neg, Sub};

/// A value next to its 1-sigma uncertainty, in the unit of `T`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measured<T> {
    /// Best estimate.
    pub value: T,
    /// One standard deviation; never negative.
    pub sigma: T,
}

impl<T> Measured<T> {
    /// Puts a value next to its 1-sigma uncertainty.
    pub const fn new(value: T, sigma: T) -> Self {
        Self { value, sigma }
    }
}

macro_rules! linear_quantity {
    ($name:ident) => {
        impl Add for $name {
            type Output = Self;
            fn add(self, other: Self) -> Self {
                Self(self.0 + other.0)
            }
        }
        impl Sub for $name {
            type Output = Self;
            fn sub(self, other: Self) -> Self {
                Self(self.0 - other.0)
            }
        }
        impl Neg for $name {
            type Output = Self;
            fn neg(self) -> Self {
                Self(-self.0)
            }
        }
        impl Mul<f64> for $name {
            type Output = Self;
            fn mul(self, factor: f64) -> Self {
                Self(self.0 * factor)
            }
        }
        impl Div<f64> for $name {
            type Output = Self;
            fn div(self, factor: f64) -> Self {
                Self(self.0 / factor)
            }
        }
        /// Ratio of two quantities of the same kind.
        impl Div for $name {
            type Output = f64;
            fn div(self, other: Self) -> f64 {
                self.0 / other.0
            }
        }
        impl $name {
            /// Magnitude without sign.
            pub fn abs(self) -> Self {
                Self(self.0.abs())
            }
            /// The larger of two quantities.
            pub fn max(self, other: Self) -> Self {
                Self(self.0.max(other.0))
            }
            /// The smaller of two quantities.
            pub fn min(self, other: Self) -> Self {
                Self(self.0.min(other.0))
            }
        }
    };
}

/// An angle or a difference of angles; kept in radians, not wrapped unless asked.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default)]
pub struct Angle(f64);
linear_quantity!(Angle);

impl Angle {
    /// No angle at all.
    pub const ZERO: Angle = Angle(0.0);

    /// From radians.
    pub const fn from_rad(rad: f64) -> Self {
        Self(rad)
    }
    /// From degrees.
    pub const fn from_deg(deg: f64) -> Self {
        Self(deg * (std::f64::consts::PI / 180.0))
    }
    /// From arcminutes.
    pub const fn from_arcmin(arcmin: f64) -> Self {
        Self::from_deg(arcmin / 60.0)
    }
    /// From arcseconds.
    pub const fn from_arcsec(arcsec: f64) -> Self {
        Self::from_deg(arcsec / 3600.0)
    }
    /// From hours of right ascension or hour angle (15 degrees each).
    pub const fn from_hours(hours: f64) -> Self {
        Self::from_deg(hours * 15.0)
    }
    /// In radians.
    pub const fn rad(self) -> f64 {
        self.0
    }
    /// In degrees.
    pub const fn deg(self) -> f64 {
        self.0 * (180.0 / std::f64::consts::PI)
    }
    /// In arcminutes.
    pub const fn arcmin(self) -> f64 {
        self.deg() * 60.0
    }
    /// In arcseconds.
    pub const fn arcsec(self) -> f64 {
        self.deg() * 3600.0
    }
    /// In hours (15 degrees each).
    pub const fn hours(self) -> f64 {
        self.deg() / 15.0
    }
    /// Sine.
    pub fn sin(self) -> f64 {
        self.0.sin()
    }
    /// Cosine.
    pub fn cos(self) -> f64 {
        self.0.cos()
    }
    /// Tangent.
    pub fn tan(self) -> f64 {
        self.0.tan()
    }
    /// The same direction in the half-open interval [0, 360) degrees.
    pub fn wrapped_positive(self) -> Self {
        let turn = std::f64::consts::TAU;
        let wrapped = self.0.rem_euclid(turn);
        // A tiny negative angle rounds up to a whole turn, which the interval excludes.
        Self(if wrapped < turn { wrapped } else { 0.0 })
    }
    /// The same direction in the half-open interval [-180, 180) degrees.
    pub fn wrapped_signed(self) -> Self {
        let half = std::f64::consts::PI;
        Self((self + Self(half)).wrapped_positive().0 - half)
    }
}

/// The direction of a line without an arrow: an image angle modulo 180 degrees, in [0, 180).
///
/// Image angles run from +x (right) towards +y (down).
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct AxialAngle(f64);

impl AxialAngle {
    /// From any angle; the part beyond a half turn is dropped.
    pub fn from_angle(angle: Angle) -> Self {
        let half = std::f64::consts::PI;
        let wrapped = angle.rad().rem_euclid(half);
        Self(if wrapped < half { wrapped } else { 0.0 })
    }
    /// The line that a displacement lies along.
    pub fn of(vector: PixelVector) -> Self {
        Self::from_angle(Angle::from_rad(vector.dy.atan2(vector.dx)))
    }
    /// As an angle in [0, 180) degrees.
    pub const fn angle(self) -> Angle {
        Angle::from_rad(self.0)
    }
    /// In degrees, [0, 180).
    pub const fn deg(self) -> f64 {
        self.angle().deg()
    }
    /// The smallest angle between two lines, in [0, 90] degrees.
    pub fn separation(self, other: Self) -> Angle {
        let difference = (self.0 - other.0).rem_euclid(std::f64::consts::PI);
        Angle::from_rad(difference.min(std::f64::consts::PI - difference))
    }
}

/// A length on the sensor, in pixels of the full-resolution frame.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default)]
pub struct Pixels(f64);
linear_quantity!(Pixels);

impl Pixels {
    /// From pixels.
    pub const fn new(px: f64) -> Self {
        Self(px)
    }
    /// In pixels.
    pub const fn px(self) -> f64 {
        self.0
    }
}

/// A place on the frame in pixels: (0, 0) is the centre of the first pixel, x right, y down.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct PixelPoint {
    /// Pixels to the right of the first pixel's centre.
    pub x: f64,
    /// Pixels below the first pixel's centre.
    pub y: f64,
}

impl PixelPoint {
    /// From coordinates in pixels.
    pub const fn new(x: f64, y: f64) -> Self {
        Self { x, y }
    }
    /// Distance to another place.
    pub fn distance(self, other: Self) -> Pixels {
        (self - other).length()
    }
}

impl Sub for PixelPoint {
    type Output = PixelVector;
    fn sub(self, other: Self) -> PixelVector {
        PixelVector::new(self.x - other.x, self.y - other.y)
    }
}

impl Add<PixelVector> for PixelPoint {
    type Output = Self;
    fn add(self, step: PixelVector) -> Self {
        Self::new(self.x + step.dx, self.y + step.dy)
    }
}

/// A displacement on the frame in pixels, x right, y down.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct PixelVector {
    /// Pixels to the right.
    pub dx: f64,
    /// Pixels down.
    pub dy: f64,
}

impl PixelVector {
    /// From components in pixels.
    pub const fn new(dx: f64, dy: f64) -> Self {
        Self { dx, dy }
    }
    /// Its length.
    pub fn length(self) -> Pixels {
        Pixels::new(self.dx.hypot(self.dy))
    }
}

impl Sub for PixelVector {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self::new(self.dx - other.dx, self.dy - other.dy)
    }
}

impl Add for PixelVector {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self::new(self.dx + other.dx, self.dy + other.dy)
    }
}

impl Mul<f64> for PixelVector {
    type Output = Self;
    fn mul(self, factor: f64) -> Self {
        Self::new(self.dx * factor, self.dy * factor)
    }
}

impl Neg for PixelVector {
    type Output = Self;
    fn neg(self) -> Self {
        Self::new(-self.dx, -self.dy)
    }
}

/// A symmetric 2 x 2 matrix on the frame, in square pixels: second moments or a covariance.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct PixelTensor {
    /// Along x, square pixels.
    pub xx: f64,
    /// Mixed term, square pixels; positive along the diagonal right-down.
    pub xy: f64,
    /// Along y, square pixels.
    pub yy: f64,
}

impl PixelTensor {
    /// From components in square pixels.
    pub const fn new(xx: f64, xy: f64, yy: f64) -> Self {
        Self { xx, xy, yy }
    }
    /// Larger and smaller eigenvalue (square pixels) and the line of the larger one.
    pub fn principal(self) -> (f64, f64, AxialAngle) {
        let mean = 0.5 * (self.xx + self.yy);
        let half_difference = 0.5 * (self.xx - self.yy);
        let radius = half_difference.hypot(self.xy);
        let angle = Angle::from_rad(0.5 * self.xy.atan2(half_difference));
        (mean + radius, mean - radius, AxialAngle::from_angle(angle))
    }
}

/// A duration in seconds of UTC (SI seconds).
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default)]
pub struct Seconds(f64);
linear_quantity!(Seconds);

impl Seconds {
    /// From seconds.
    pub const fn new(seconds: f64) -> Self {
        Self(seconds)
    }
    /// In seconds.
    pub const fn s(self) -> f64 {
        self.0
    }
    /// In minutes.
    pub const fn minutes(self) -> f64 {
        self.0 / 60.0
    }
}

/// An angular rate; kept in radians a second.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default)]
pub struct AngularRate(f64);
linear_quantity!(AngularRate);

impl AngularRate {
    /// The Earth's rotation against the stars, 7.292115e-5 rad/s.
    ///
    /// Source: [IERS] Conventions 2010, table 1.1 (nominal mean angular velocity).
    pub const SIDEREAL: AngularRate = AngularRate(7.292_115e-5);

    /// From radians a second.
    pub const fn from_rad_per_s(rad_per_s: f64) -> Self {
        Self(rad_per_s)
    }
    /// From arcseconds a second.
    pub const fn from_arcsec_per_s(arcsec_per_s: f64) -> Self {
        Self(Angle::from_arcsec(arcsec_per_s).rad())
    }
    /// In radians a second.
    pub const fn rad_per_s(self) -> f64 {
        self.0
    }
    /// In arcseconds a second.
    pub const fn arcsec_per_s(self) -> f64 {
        Angle::from_rad(self.0).arcsec()
    }
    /// In arcseconds a minute.
    pub const fn arcsec_per_min(self) -> f64 {
        self.arcsec_per_s() * 60.0
    }
    /// The angle turned in a duration.
    pub fn over(self, duration: Seconds) -> Angle {
        Angle::from_rad(self.0 * duration.s())
    }
}

/// A length in the camera: focal lengths in millimetres, pixel pitches in micrometres.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default)]
pub struct Length(f64);
linear_quantity!(Length);

impl Length {
    /// From millimetres.
    pub const fn from_mm(mm: f64) -> Self {
        Self(mm)
    }
    /// From micrometres.
    pub const fn from_um(um: f64) -> Self {
        Self(um / 1000.0)
    }
    /// In millimetres.
    pub const fn mm(self) -> f64 {
        self.0
    }
    /// In micrometres.
    pub const fn um(self) -> f64 {
        self.0 * 1000.0
    }
}

/// A place on the Earth: geodetic latitude north positive, longitude east positive.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Site {
    latitude: Angle,
    longitude: Angle,
    height_m: f64,
}

impl Site {
    /// A place at sea level; `None` unless latitude is in [-90, 90] and longitude in [-360, 360] degrees.
    pub fn new(latitude: Angle, longitude: Angle) -> Option<Self> {
        // Comparisons are written so that NaN is refused too.
        let legal = latitude.deg().abs() <= 90.0 && longitude.deg().abs() <= 360.0;
        legal.then_some(Self {
            latitude,
            longitude: longitude.wrapped_signed(),
            height_m: 0.0,
        })
    }
    /// The same place at a height above the ellipsoid in metres, limited to [-500, 9000].
    pub fn at_height_m(self, height_m: f64) -> Self {
        Self {
            height_m: height_m.clamp(-500.0, 9000.0),
            ..self
        }
    }
    /// Geodetic latitude, north positive.
    pub fn latitude(self) -> Angle {
        self.latitude
    }
    /// Longitude, east positive, [-180, 180) degrees.
    pub fn longitude(self) -> Angle {
        self.longitude
    }
    /// Height above the ellipsoid, metres.
    pub fn height_m(self) -> f64 {
        self.height_m
    }
    /// Which celestial pole stands above the horizon; the equator counts as north.
    pub fn hemisphere(self) -> Hemisphere {
        if self.latitude.rad() < 0.0 {
            Hemisphere::South
        } else {
            Hemisphere::North
        }
    }
}

/// The half of the Earth, and with it the celestial pole that a tracker's axis aims at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Hemisphere {
    /// North celestial pole up.
    North,
    /// South celestial pole up.
    South,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn wrapped_intervals_are_half_open_and_take_a_tiny_negative_angle() {
        assert_eq!(Angle::from_deg(360.0).wrapped_positive().deg(), 0.0);
        assert!(Angle::from_rad(-1e-18).wrapped_positive().deg() < 360.0);
        assert_eq!(Angle::from_deg(180.0).wrapped_signed().deg(), -180.0);
        assert!(AxialAngle::from_angle(Angle::from_rad(-1e-18)).deg() < 180.0);
    }

    #[test]
    fn lines_have_no_arrow() {
        let there = AxialAngle::of(PixelVector::new(1.0, 2.0));
        let back = AxialAngle::of(PixelVector::new(-1.0, -2.0));
        assert!(there.separation(back).deg() < 1e-12);
        let near_zero = AxialAngle::from_angle(Angle::from_deg(179.0));
        assert!(
            (near_zero
                .separation(AxialAngle::from_angle(Angle::from_deg(1.0)))
                .deg()
                - 2.0)
                .abs()
                < 1e-9
        );
    }

    #[test]
    fn principal_axis_of_moments_points_along_the_long_side() {
        let (large, small, line) = PixelTensor::new(1.0, 0.5, 1.0).principal();
        assert!((large - 1.5).abs() < 1e-12 && (small - 0.5).abs() < 1e-12);
        assert!((line.deg() - 45.0).abs() < 1e-9);
    }

    #[test]
    fn sites_off_the_globe_are_refused() {
        assert!(Site::new(Angle::from_deg(90.1), Angle::ZERO).is_none());
        assert!(Site::new(Angle::from_deg(f64::NAN), Angle::ZERO).is_none());
        let date_line = Site::new(Angle::ZERO, Angle::from_deg(190.0)).unwrap();
        assert!((date_line.longitude().deg() + 170.0).abs() < 1e-9);
    }
}
