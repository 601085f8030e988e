//! Exposures as a person sets them on a camera.

use super::LONGEST;
use crate::units::Seconds;

/// The third stops of a shutter's dial, seconds (common practice, no source).
const THIRD_STOPS: [f64; 25] = [
    0.1, 0.125, 0.17, 0.2, 0.25, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0, 1.3, 1.6, 2.0, 2.5, 3.2, 4.0, 5.0,
    6.0, 8.0, 10.0, 13.0, 15.0, 20.0, 25.0,
];
/// Longer exposures are timed by a remote release: from so many seconds on, in such steps (own
/// choice: what one sets without thinking, and never a sixth below the limit).
const STEPS: [(f64, f64); 3] = [(30.0, 5.0), (120.0, 10.0), (600.0, 60.0)];
/// Keeps a limit that is a step from losing it to rounding, seconds.
const NUDGE: f64 = 1e-6;

/// The longest exposure that a camera is set to and that is not longer than a limit.
///
/// Below the dial's shortest third stop the limit itself.
pub fn settable(limit: Seconds) -> Seconds {
    let seconds = limit.s() + NUDGE;
    let timed = STEPS.iter().rev().find(|(from, _)| seconds >= *from);
    if let Some((_, step)) = timed {
        return Seconds::new((seconds / step).floor() * step);
    }
    let stops = THIRD_STOPS.iter().rev();
    let stop = stops.copied().find(|stop| *stop <= seconds);
    stop.map_or(limit, Seconds::new)
}

/// The same with its unit: "45 s", "1/8 s", "1800 s and more".
pub fn settable_words(limit: Seconds) -> String {
    if limit >= LONGEST {
        return format!("{:.0} s and more", LONGEST.s());
    }
    let seconds = settable(limit).s();
    match seconds {
        s if s <= 0.0 => "0 s".to_owned(),
        s if s < 0.29 => format!("1/{:.0} s", 1.0 / s),
        s => format!("{s} s"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limits_become_what_a_camera_can_be_set_to_and_never_more() {
        let words = |seconds| settable_words(Seconds::new(seconds));
        assert_eq!(words(39.0), "35 s");
        assert_eq!(words(35.0), "35 s");
        assert_eq!(words(18.0), "15 s");
        assert_eq!(words(1.1), "1 s");
        assert_eq!(words(0.77), "0.6 s");
        assert_eq!(words(0.22), "1/5 s");
        assert_eq!(words(0.02), "1/50 s");
        assert_eq!(words(128.0), "120 s");
        assert_eq!(words(1381.0), "1380 s");
        assert_eq!(words(1800.0), "1800 s and more");
        assert_eq!(words(0.0), "0 s");
        for tenth in 1..18_000 {
            let limit = Seconds::new(0.1 * f64::from(tenth));
            let set = settable(limit);
            assert!(set.s() <= limit.s() + 1e-5 && set.s() > 0.7 * limit.s());
        }
    }
}
