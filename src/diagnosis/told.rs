//! The sides of an axis whose field a person saw in some direction.

use super::evidence::AxisBesideField;
use crate::sky::ToldPlace;
use crate::units::{Angle, Measured};

/// A side is told only beyond this many sigmas.
const SURE: f64 = 3.0;

/// Sides of the axis error by a told direction.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ToldSides {
    /// Axis minus pole, up positive; the sigma covers the direction's doubt.
    pub up: Measured<Angle>,
    /// The same on the sky, east positive.
    pub east: Measured<Angle>,
    /// Whether the side of the upward part is sure.
    pub up_is_sure: bool,
    /// Whether the side of the eastward part is sure.
    pub east_is_sure: bool,
    /// Latitude that the direction speaks for, north positive.
    pub latitude: Measured<Angle>,
    /// Whether all directions near the told one lie in one hemisphere.
    pub one_hemisphere: bool,
}

impl ToldSides {
    /// The part up, where its side is sure.
    pub fn sure_up(&self) -> Option<Measured<Angle>> {
        self.up_is_sure.then_some(self.up)
    }

    /// The part east, where its side is sure.
    pub fn sure_east(&self) -> Option<Measured<Angle>> {
        self.east_is_sure.then_some(self.east)
    }
}

/// The sides of an axis by the places and hours that a told direction leaves; `across` is the
/// 1-sigma of the axis across the line to the pole. `None` where nothing was told.
///
/// Method: the northern end of the axis stands on the side of hour angle `H`: up is its cosine,
/// east minus its sine; the southern end, which counts where the southern pole is up, lies opposite.
/// A side is sure where the part is beyond three sigmas and every place gives the same.
pub fn told_sides(
    axis: &AxisBesideField,
    across: Angle,
    places: &[ToldPlace],
) -> Option<ToldSides> {
    if places.is_empty() {
        return None;
    }
    let units = places.iter().map(|place| {
        let turn = axis.hour_angle.value + place.hour_angle;
        let sign = if place.latitude < Angle::ZERO {
            -1.0
        } else {
            1.0
        };
        (sign * turn.cos(), -sign * turn.sin(), place.weight)
    });
    let along = axis.total.sigma;
    let is_north = |place: &ToldPlace| place.latitude >= Angle::ZERO;
    let one_hemisphere = places.iter().all(is_north) || !places.iter().any(is_north);
    let part = |pick: fn(&(f64, f64, f64)) -> (f64, f64)| {
        let values = || units.clone().map(|unit| (pick(&unit), unit.2));
        let spread = moments(values().map(|((value, _), weight)| (value, weight)));
        let other = values().map(|((_, other), weight)| weight * other.powi(2));
        let other = other.sum::<f64>().sqrt();
        // Errors along and across may go together.
        let measured = along * spread.value.hypot(spread.sigma) + across * other;
        let by_direction = axis.total.value * spread.sigma;
        let sigma = Angle::from_rad(measured.rad().hypot(by_direction.rad()));
        let value = axis.total.value * spread.value;
        let same = values().all(|((one, _), _)| one * spread.value > 0.0);
        let sure = one_hemisphere && same && value.abs() > sigma * SURE;
        (Measured::new(value, sigma), sure)
    };
    let (up, up_is_sure) = part(|&(up, east, _)| (up, east));
    let (east, east_is_sure) = part(|&(up, east, _)| (east, up));
    let latitude = moments(places.iter().map(|one| (one.latitude.deg(), one.weight)));
    Some(ToldSides {
        up,
        east,
        up_is_sure,
        east_is_sure,
        latitude: Measured::new(
            Angle::from_deg(latitude.value),
            Angle::from_deg(latitude.sigma),
        ),
        one_hemisphere,
    })
}

/// Weighted mean and spread.
fn moments(values: impl Iterator<Item = (f64, f64)> + Clone) -> Measured<f64> {
    let whole: f64 = values.clone().map(|(_, weight)| weight).sum();
    let mean = values
        .clone()
        .map(|(value, weight)| value * weight)
        .sum::<f64>()
        / whole;
    let square = values.map(|(value, weight)| weight * (value - mean).powi(2));
    Measured::new(mean, (square.sum::<f64>() / whole).sqrt())
}
