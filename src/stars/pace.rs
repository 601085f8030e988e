//! How the light is spread along a trail, and the trail's profile along itself.

use std::f64::consts::FRAC_1_SQRT_2;

/// Spread of the light along a trail, which is the inverse of the star's speed: evenly, rising or bent
/// where the drive swings, with a share left at the ends where it stood still.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Pace {
    /// Share at the end that the trail's vector starts from.
    pub(super) start: f64,
    /// Share at the end that the vector points to.
    pub(super) end: f64,
    /// Brightness at the far end over the mean, less one.
    pub(super) slope: f64,
    /// Brightness at both ends over the mean, less one.
    pub(super) curve: f64,
}

/// Profile of unit light along the trail, smeared by a Gaussian, and its slopes by what one star has.
#[derive(Default)]
pub(super) struct Along {
    pub(super) value: f64,
    pub(super) by_place: f64,
    pub(super) by_length: f64,
}

/// The same and its slopes by what all stars share.
pub(super) struct AlongShared {
    pub(super) value: f64,
    pub(super) by_place: f64,
    pub(super) by_length: f64,
    /// Per logarithm of the Gaussian's width.
    pub(super) by_width: f64,
    /// By the numbers of [`Pace`] in their order.
    pub(super) by_pace: [f64; 4],
}

/// Sigmas inside of an end from where on the end is not felt (3e-7 of the light).
const FLAT: f64 = 5.0;

impl Pace {
    /// Mean place of the light along the trail, from its middle, as a share of its length.
    pub(super) fn mean(&self) -> f64 {
        let even = 1.0 - self.start - self.end;
        even * self.slope / 6.0 + 0.5 * (self.end - self.start)
    }

    /// Profile at `place` (pixels from the middle) of a trail of `length`, smeared by `sigma`.
    ///
    /// Method: the density is 1 + 2 slope t + curve (6 t^2 - 1/2) on -1/2 <= t <= 1/2, so all follows from
    /// the smeared powers F_k = integral of t^k N(place - length t) dt, and theirs by parts:
    /// F_k' = -[t^k N] / length + k F_(k-1) / length; a longer trail moves each part outwards,
    /// dF[p]/dlength = -F[t p]'; a wider Gaussian spreads as heat, dF/dln(sigma) = sigma^2 F''.
    #[inline]
    pub(super) fn shared_profile(&self, place: f64, sigma: f64, length: f64) -> AlongShared {
        let Smeared {
            a,
            b,
            pa,
            pb,
            powers: [f0, f1, f2],
        } = Smeared::at(place, sigma, length);
        let (sum, difference) = ((pa + pb) / (sigma * length), (pa - pb) / (sigma * length));
        let (d0, d1, d2, d3) = (
            difference,
            f0 / length - 0.5 * sum,
            2.0 * f1 / length + 0.25 * difference,
            3.0 * f2 / length - 0.125 * sum,
        );
        // Slopes of the powers 0 to 3 above; here second slopes times sigma^2.
        let (s0, odd) = ((b * pb - a * pa) / length, (a * pa + b * pb) / length);
        let s1 = 0.5 * odd + sigma * sigma * d0 / length;
        let s2 = 0.25 * s0 + 2.0 * sigma * sigma * d1 / length;
        let even = 1.0 - self.start - self.end;
        let bend = |p0: f64, p1: f64, p2: f64| {
            p0 + 2.0 * self.slope * p1 + self.curve * (6.0 * p2 - 0.5 * p0)
        };
        let spread = bend(f0, f1, f2);
        let (at_start, at_end) = (pa / sigma, pb / sigma);
        AlongShared {
            value: even * spread + self.start * at_start + self.end * at_end,
            by_place: even * bend(d0, d1, d2)
                - (self.start * a * at_start + self.end * b * at_end) / sigma,
            by_length: -even * bend(d1, d2, d3)
                - 0.5 * (self.start * a * at_start - self.end * b * at_end) / sigma,
            by_width: even * bend(s0, s1, s2)
                + self.start * (a * a - 1.0) * at_start
                + self.end * (b * b - 1.0) * at_end,
            by_pace: [
                at_start - spread,
                at_end - spread,
                2.0 * even * f1,
                even * (6.0 * f2 - 0.5 * f0),
            ],
        }
    }

    /// Second slopes of the profile: by place twice, by place and length, by length twice.
    ///
    /// Method: as [`Pace::shared_profile`]: F_k'' = -[t^k N'] / length + k F_(k-1)' / length, and a longer
    /// trail moves each part outwards: d2F[p]/dlength2 = F[t^2 p]''.
    pub(super) fn bends(&self, place: f64, sigma: f64, length: f64) -> [f64; 3] {
        let Smeared {
            a,
            b,
            pa,
            pb,
            powers: [f0, f1, f2],
        } = Smeared::at(place, sigma, length);
        let (at_start, at_end) = (pa / sigma, pb / sigma);
        // t^k at either end, the power below and its slope.
        let (mut first, mut last) = (1.0, 1.0);
        let (mut order, mut slope) = (0.0, 0.0);
        let bends = [0.0, f0, f1, f2, 0.0].map(|below| {
            let ends = last * b * at_end - first * a * at_start;
            let bend = (ends / sigma + order * slope) / length;
            slope = (first * at_start - last * at_end + order * below) / length;
            (first, last, order) = (-0.5 * first, 0.5 * last, order + 1.0);
            bend
        });
        let mixed = |k: usize| {
            let even = bends[k] - 0.5 * self.curve * bends[k];
            even + 2.0 * self.slope * bends[k + 1] + 6.0 * self.curve * bends[k + 2]
        };
        let even = 1.0 - self.start - self.end;
        let start = self.start * (a * a - 1.0) * at_start / (sigma * sigma);
        let end = self.end * (b * b - 1.0) * at_end / (sigma * sigma);
        [
            even * mixed(0) + start + end,
            -even * mixed(1) + 0.5 * (start - end),
            even * mixed(2) + 0.25 * (start + end),
        ]
    }

    /// The profile without the slopes that all stars share; quick for an even pace.
    #[inline]
    pub(super) fn profile(&self, place: f64, sigma: f64, length: f64) -> Along {
        if *self != Pace::default() {
            let AlongShared {
                value,
                by_place,
                by_length,
                ..
            } = self.shared_profile(place, sigma, length);
            return Along {
                value,
                by_place,
                by_length,
            };
        }
        let (a, b) = (
            (place + 0.5 * length) / sigma,
            (place - 0.5 * length) / sigma,
        );
        if a > FLAT && b < -FLAT {
            return Along {
                value: 1.0 / length,
                by_place: 0.0,
                by_length: -1.0 / (length * length),
            };
        }
        let (pa, pb) = (normal(a), normal(b));
        let value = (normal_integral(a) - normal_integral(b)) / length;
        let by_length = (0.5 * (pa + pb) / sigma - value) / length;
        Along {
            value,
            by_place: (pa - pb) / (sigma * length),
            by_length,
        }
    }
}

/// Even light along a trail, smeared by a Gaussian.
struct Smeared {
    /// Distances from both ends, sigmas, and the normal density there.
    a: f64,
    b: f64,
    pa: f64,
    pb: f64,
    /// Integrals of t^k N(place - length t) dt over the trail, -1/2 <= t <= 1/2, for k of 0 to 2.
    powers: [f64; 3],
}

impl Smeared {
    #[inline]
    fn at(place: f64, sigma: f64, length: f64) -> Self {
        let (a, b) = (
            (place + 0.5 * length) / sigma,
            (place - 0.5 * length) / sigma,
        );
        let inside = a > FLAT && b < -FLAT;
        let (pa, pb, step) = if inside {
            (0.0, 0.0, 1.0)
        } else {
            (
                normal(a),
                normal(b),
                normal_integral(a) - normal_integral(b),
            )
        };
        let f0 = step / length;
        let f1 = (place * step + sigma * (pa - pb)) / length.powi(2);
        let f2 = ((place * place + sigma * sigma) * step + 2.0 * place * sigma * (pa - pb)
            - sigma * sigma * (a * pa - b * pb))
            / length.powi(3);
        Self {
            a,
            b,
            pa,
            pb,
            powers: [f0, f1, f2],
        }
    }
}

/// Density of the normal law.
#[inline]
pub(super) fn normal(t: f64) -> f64 {
    const FRAC_1_SQRT_TAU: f64 = 0.398_942_280_401_432_7;
    // Beyond nine sigmas (1e-18) the exponential would only cost time.
    if t.abs() > 9.0 {
        0.0
    } else {
        (-0.5 * t * t).exp() * FRAC_1_SQRT_TAU
    }
}

/// Integral of the normal law up to `t`.
#[inline]
fn normal_integral(t: f64) -> f64 {
    0.5 * (1.0 + erf(t * FRAC_1_SQRT_2))
}

/// Error function, good to 1.5e-7.
///
/// Source: [AS64] Abramowitz & Stegun 1964, formula 7.1.26.
#[inline]
fn erf(x: f64) -> f64 {
    const COEFFICIENTS: [f64; 5] = [
        0.254_829_592,
        -0.284_496_736,
        1.421_413_741,
        -1.453_152_027,
        1.061_405_429,
    ];
    let t = 1.0 / (1.0 + 0.327_591_1 * x.abs());
    let polynomial = COEFFICIENTS.iter().rev().fold(0.0, |sum, c| (sum + c) * t);
    (1.0 - polynomial * (-x * x).exp()).copysign(x)
}

#[cfg(test)]
mod tests {
    use super::*;

    const PACE: Pace = Pace {
        start: 0.2,
        end: 0.05,
        slope: 0.3,
        curve: -0.2,
    };

    #[test]
    fn error_function_agrees_with_its_table() {
        // [AS64] table 7.1: erf(0.5) and erf(1.0).
        assert!((erf(0.5) - 0.520_499_877_8).abs() < 2e-7);
        assert!((erf(-1.0) + 0.842_700_792_9).abs() < 2e-7);
        assert!((normal(0.0) - std::f64::consts::TAU.sqrt().recip()).abs() < 1e-15);
    }

    #[test]
    fn profile_holds_unit_light_whatever_the_pace() {
        let sum: f64 = (-400..=400)
            .map(|i| PACE.shared_profile(f64::from(i) * 0.1, 1.3, 20.0).value * 0.1)
            .sum();
        assert!((sum - 1.0).abs() < 1e-5, "{sum}");
    }

    #[test]
    fn profile_is_brighter_where_the_slope_rises() {
        let rising = Pace {
            slope: 0.3,
            ..Pace::default()
        };
        let (near, far) = (
            rising.profile(-8.0, 0.3, 20.0).value,
            rising.profile(8.0, 0.3, 20.0).value,
        );
        assert!(
            (far * 20.0 - 1.24).abs() < 1e-3 && (near * 20.0 - 0.76).abs() < 1e-3,
            "{near} {far}"
        );
    }

    #[test]
    fn slopes_agree_with_small_differences() {
        for (place, sigma, length) in [
            (0.4, 1.2, 3.0),
            (4.5, 1.2, 9.0),
            (-4.5, 1.5, 9.0),
            (1.0, 1.0, 40.0),
        ] {
            let at = PACE.shared_profile(place, sigma, length);
            let h: f64 = 1e-3;
            let two = |up: AlongShared, down: AlongShared| (up.value - down.value) / (2.0 * h);
            let close = |found: f64, wanted: f64, what: &str| {
                assert!(
                    (found - wanted).abs() < 2e-3 * (0.05 + wanted.abs()),
                    "{what} at {place}: {found} {wanted}"
                );
            };
            close(
                at.by_place,
                two(
                    PACE.shared_profile(place + h, sigma, length),
                    PACE.shared_profile(place - h, sigma, length),
                ),
                "place",
            );
            close(
                at.by_length,
                two(
                    PACE.shared_profile(place, sigma, length + h),
                    PACE.shared_profile(place, sigma, length - h),
                ),
                "length",
            );
            close(
                at.by_width,
                two(
                    PACE.shared_profile(place, sigma * h.exp(), length),
                    PACE.shared_profile(place, sigma * (-h).exp(), length),
                ),
                "width",
            );
            let varied = |k: usize, by: f64| {
                let mut p = [PACE.start, PACE.end, PACE.slope, PACE.curve];
                p[k] += by;
                Pace {
                    start: p[0],
                    end: p[1],
                    slope: p[2],
                    curve: p[3],
                }
                .shared_profile(place, sigma, length)
            };
            (0..4).for_each(|k| close(at.by_pace[k], two(varied(k, h), varied(k, -h)), "pace"));
        }
    }

    #[test]
    fn second_slopes_agree_with_differences_of_first_ones() {
        for pace in [PACE, Pace::default()] {
            for (place, sigma, length) in [(0.4, 1.2, 3.0), (4.5, 1.2, 9.0), (-4.5, 1.5, 9.0)] {
                let at = |by_place: f64, by_length: f64| {
                    pace.shared_profile(place + by_place, sigma, length + by_length)
                };
                let h = 1e-4;
                let slope = |up: f64, down: f64| (up - down) / (2.0 * h);
                let differences = [
                    slope(at(h, 0.0).by_place, at(-h, 0.0).by_place),
                    slope(at(0.0, h).by_place, at(0.0, -h).by_place),
                    slope(at(0.0, h).by_length, at(0.0, -h).by_length),
                ];
                for (bend, known) in pace.bends(place, sigma, length).iter().zip(differences) {
                    // The error function is good to 1.5e-7.
                    assert!((bend - known).abs() < 1e-4, "{place}: {bend} {known}");
                }
            }
        }
    }

    #[test]
    fn the_quick_way_gives_the_same() {
        for (place, length) in [
            (0.4, 3.0),
            (4.5, 9.0),
            (-4.5, 9.0),
            (1.0, 40.0),
            (30.0, 40.0),
        ] {
            let (quick, full) = (
                Pace::default().profile(place, 1.2, length),
                Pace::default().shared_profile(place, 1.2, length),
            );
            assert!((quick.value - full.value).abs() < 1e-9);
            assert!((quick.by_place - full.by_place).abs() < 1e-9);
            assert!((quick.by_length - full.by_length).abs() < 1e-9);
        }
    }
}
