//! From values to places along an axis of a chart, and the round values to mark there.

/// An axis of a chart: values from `low` to `high` over a length that begins at `start`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Scale {
    low: f64,
    high: f64,
    start: f64,
    length: f64,
    logarithmic: bool,
}

impl Scale {
    /// Even steps; a range of no width gets one about its value.
    pub(super) fn even(low: f64, high: f64, start: f64, length: f64) -> Self {
        let room = if high > low { 0.0 } else { 0.5 };
        Self {
            low: low - room,
            high: high + room,
            start,
            length,
            logarithmic: false,
        }
    }

    /// Even factors; both ends above zero.
    pub(super) fn logarithmic(low: f64, high: f64, start: f64, length: f64) -> Self {
        let low = low.max(1e-9);
        Self {
            low,
            high: high.max(low * 1.01),
            start,
            length,
            logarithmic: true,
        }
    }

    /// Where a value stands; values beyond the ends stand at the ends.
    pub(super) fn at(&self, value: f64) -> f64 {
        let part = if self.logarithmic {
            (value.max(self.low) / self.low).ln() / (self.high / self.low).ln()
        } else {
            (value - self.low) / (self.high - self.low)
        };
        self.start + self.length * part.clamp(0.0, 1.0)
    }

    /// Round values within the ends, with their letters.
    pub(super) fn ticks(&self) -> Vec<(f64, String)> {
        let values = if self.logarithmic {
            round_between(self.low, self.high)
        } else {
            let step = round_step((self.high - self.low) / 5.0);
            let first = (self.low / step).ceil() as i64;
            let last = (self.high / step).floor() as i64;
            (first..=last).map(|nth| nth as f64 * step).collect()
        };
        values
            .into_iter()
            .map(|value| (value, letters(value)))
            .collect()
    }
}

/// The smallest of 1, 2, 5 times a power of ten that is not below a step.
pub(super) fn round_step(step: f64) -> f64 {
    let power = 10f64.powf(step.max(1e-12).log10().floor());
    [1.0, 2.0, 5.0, 10.0]
        .map(|factor| factor * power)
        .into_iter()
        .find(|round| *round >= step * (1.0 - 1e-9))
        .unwrap_or(10.0 * power)
}

/// 1, 2, 5, 10, 20 ... from low to high.
fn round_between(low: f64, high: f64) -> Vec<f64> {
    let powers = low.log10().floor() as i32..=high.log10().ceil() as i32;
    powers
        .flat_map(|power| [1.0, 2.0, 5.0].map(|factor| factor * 10f64.powi(power)))
        .filter(|value| *value >= low * (1.0 - 1e-9) && *value <= high * (1.0 + 1e-9))
        .collect()
}

/// The value without needless digits.
fn letters(value: f64) -> String {
    let rounded = (value * 1000.0).round() / 1000.0;
    // No minus before a zero.
    format!("{}", rounded + 0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_stand_in_their_order() {
        let scale = Scale::even(-2.0, 6.0, 10.0, 80.0);
        assert_eq!(
            [scale.at(-2.0), scale.at(2.0), scale.at(6.0)],
            [10.0, 50.0, 90.0]
        );
        assert_eq!(scale.at(99.0), 90.0);
        let scale = Scale::logarithmic(10.0, 1000.0, 0.0, 100.0);
        assert!((scale.at(100.0) - 50.0).abs() < 1e-9);
    }

    #[test]
    fn marks_are_round_and_inside() {
        let marks = |scale: Scale| -> Vec<String> {
            scale
                .ticks()
                .into_iter()
                .map(|(_, letters)| letters)
                .collect()
        };
        assert_eq!(marks(Scale::even(-0.4, 1.1, 0.0, 1.0)), ["0", "0.5", "1"],);
        assert_eq!(
            marks(Scale::logarithmic(14.0, 400.0, 0.0, 1.0)),
            ["20", "50", "100", "200"]
        );
    }

    #[test]
    fn a_range_of_no_width_is_drawn_all_the_same() {
        let scale = Scale::even(3.0, 3.0, 0.0, 10.0);
        assert_eq!(scale.at(3.0), 5.0);
        assert!(!scale.ticks().is_empty());
    }
}
