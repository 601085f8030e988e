//! What the drive did, a sentence each.

use super::Situation;
use crate::diagnosis::Standstill;
use crate::mount::AxisUnknown;
use crate::mount::drive::{DriveRecord, NominalRate};
use crate::mount::slip::DriveStep;
use crate::mount::swing::Swing;
use crate::units::{Angle, Measured, Seconds};

/// Rate, swing, step and standstills of the drive, as far as they were seen.
pub(super) fn drive_reasons(situation: &Situation<'_>) -> Vec<String> {
    let mut sentences = Vec::new();
    // A record about an axis that does not fit is no record.
    let fit = situation.evidence.fit.as_ref().filter(|fit| {
        !matches!(
            fit.axis,
            Err(AxisUnknown::Creeping
                | AxisUnknown::Inconsistent
                | AxisUnknown::Disagreeing { .. })
        )
    });
    if let Some(record) = fit.and_then(|fit| fit.drive.as_ref()) {
        sentences.push(rate(record));
        sentences.extend(record.periodic.as_ref().map(swing));
        sentences.extend(record.step.as_ref().map(|one| step(one, situation.files)));
    }
    let stood = situation.evidence.standstills.iter();
    sentences.extend(stood.map(|one| standstill(one, situation.files)));
    sentences
}

fn rate(record: &DriveRecord) -> String {
    if record.nominal == Some(NominalRate::Stopped) {
        return "the drive did not turn".to_owned();
    }
    // Four decimals show every switch and trim; a finer error is shown as one of the last digit.
    let sigma = record.rate_ratio.sigma.max(1e-4);
    format!(
        "the drive turned at {} +- {sigma:.4} of the star rate",
        ratio(record.rate_ratio.value)
    )
}

/// Four decimals; what rounds to zero has no sign.
fn ratio(value: f64) -> String {
    format!("{:.4}", (value * 1e4).round() / 1e4 + 0.0)
}

fn swing(swing: &Swing) -> String {
    match swing.period {
        Some(period) => format!(
            "the drive swings by {} about its line, with a period of {:.0} +- {:.0} s",
            arcsec(swing.amplitude),
            period.value.s(),
            period.sigma.s().max(1.0)
        ),
        None => format!(
            "the drive swings by at least {} about its line; its period is not seen in {}",
            least_arcsec(swing.amplitude),
            time(swing.watched)
        ),
    }
}

fn step(step: &DriveStep, names: &[&str]) -> String {
    let way = if step.size.value > Angle::ZERO {
        "ahead"
    } else {
        "back"
    };
    let size = arcsec(Measured::new(step.size.value.abs(), step.size.sigma));
    format!(
        "between {} and {} the drive jumped {way} by {size}",
        name(names, step.before),
        name(names, step.after)
    )
}

fn standstill(standstill: &Standstill, names: &[&str]) -> String {
    format!(
        "the drive stood still for {:.0} +- {:.0} s from the start of {}: at least {:.0}' of slack",
        standstill.duration.value.s(),
        standstill.duration.sigma.s().max(1.0),
        name(names, standstill.frames[0]),
        standstill.slack().value.arcmin()
    )
}

/// The file of a frame, without its folder.
pub(super) fn name<'a>(names: &[&'a str], frame: usize) -> &'a str {
    let file = names.get(frame).copied().unwrap_or("a frame");
    file.rsplit('/').next().unwrap_or(file)
}

/// Decimals that a sigma leaves a meaning.
fn places(sigma: f64) -> usize {
    usize::from(sigma < 0.95)
}

fn arcsec(angle: Measured<Angle>) -> String {
    let (value, sigma) = (angle.value.arcsec(), angle.sigma.arcsec());
    let places = places(sigma);
    format!("{value:.places$} +- {:.places$} arcsec", sigma.max(0.1))
}

/// A lower bound, rounded down with its noise taken off.
fn least_arcsec(angle: Measured<Angle>) -> String {
    let sure = (angle.value.arcsec() - angle.sigma.arcsec()).max(0.0);
    match sure {
        s if s >= 10.0 => format!("{:.0} arcsec", s.floor()),
        s => format!("{:.1} arcsec", (s * 10.0).floor() / 10.0),
    }
}

fn time(duration: Seconds) -> String {
    match duration.minutes() {
        minutes if minutes >= 2.0 => format!("{minutes:.0} minutes"),
        _ => format!("{:.0} s", duration.s()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(amplitude: f64, sigma: f64, period: Option<f64>) -> Swing {
        let seconds = |period| Measured::new(Seconds::new(period), Seconds::new(8.0));
        Swing {
            amplitude: Measured::new(Angle::from_arcsec(amplitude), Angle::from_arcsec(sigma)),
            period: period.map(seconds),
            watched: Seconds::new(240.0),
            odds: 1e-6,
        }
    }

    #[test]
    fn a_drive_that_stands_turns_at_zero_without_a_sign() {
        assert_eq!(ratio(-0.000_03), "0.0000");
        assert_eq!(ratio(-1.002_96), "-1.0030");
        assert_eq!(ratio(0.999_96), "1.0000");
    }

    #[test]
    fn a_swing_is_told_with_its_period_or_as_a_bound() {
        assert_eq!(
            swing(&of(12.3, 3.0, Some(480.0))),
            "the drive swings by 12 +- 3 arcsec about its line, with a period of 480 +- 8 s"
        );
        assert_eq!(
            swing(&of(8.3, 0.2, None)),
            "the drive swings by at least 8.1 arcsec about its line; its period is not seen in 4 minutes"
        );
    }

    #[test]
    fn a_step_names_its_frames_and_its_way() {
        let names = ["a/x.jpg", "a/y.jpg"];
        let back = DriveStep {
            before: 0,
            after: 1,
            at: Seconds::new(100.0),
            size: Measured::new(Angle::from_arcsec(-32.0), Angle::from_arcsec(3.0)),
            rate_ratio: Measured::new(1.0, 0.001),
            odds: 1e-6,
        };
        assert_eq!(
            step(&back, &names),
            "between x.jpg and y.jpg the drive jumped back by 32 +- 3 arcsec"
        );
    }

    #[test]
    fn a_standstill_gives_its_slack_in_arcminutes() {
        let names = ["a/x.jpg"];
        let stood = Standstill {
            frames: vec![0],
            duration: Measured::new(Seconds::new(32.0), Seconds::new(0.2)),
            trail: Measured::new(
                crate::units::Pixels::new(100.0),
                crate::units::Pixels::new(1.0),
            ),
        };
        assert_eq!(
            standstill(&stood, &names),
            "the drive stood still for 32 +- 1 s from the start of x.jpg: at least 8' of slack"
        );
    }
}
