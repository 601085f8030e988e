//! The drive: how far the axis has turned the camera, in the sense of the sky's turn.

use std::f64::consts::TAU;

use super::tracker::{Drive, Periodic};

/// Turn of the sky against the ground, radians a second (IERS Conventions 2010, table 1.1).
pub const SKY_RATE: f64 = 7.292_115e-5;

const ARCSEC: f64 = std::f64::consts::PI / (180.0 * 3600.0);

/// The drive over one alignment; times in seconds after the start of the night.
#[derive(Debug, Clone)]
pub struct DriveModel {
    rate: f64,
    start: f64,
    periodic: Vec<Periodic>,
    /// Stretches during which the axis stands still: (start, end).
    pauses: Vec<(f64, f64)>,
    /// Sudden turns: (time, radians).
    slips: Vec<(f64, f64)>,
}

impl DriveModel {
    /// A drive started at `start`, with pauses from the starts of first exposures and slips at given times.
    pub fn new(drive: &Drive, start: f64, first_exposures: &[f64], slips: Vec<(f64, f64)>) -> Self {
        let pauses = first_exposures
            .iter()
            .filter(|_| drive.backlash_s > 0.0)
            .map(|&first| (first, first + drive.backlash_s))
            .collect();
        Self {
            rate: SKY_RATE * drive.rate.ratio() * (1.0 + drive.rate_error_ppm * 1e-6),
            start,
            // A gear that does not turn has no periodic error.
            periodic: match drive.rate.ratio() {
                0.0 => Vec::new(),
                _ => drive.periodic.clone(),
            },
            pauses,
            slips,
        }
    }

    /// Turn of the axis since the start of the alignment, radians, with the sky positive.
    pub fn angle(&self, t: f64) -> f64 {
        let paused: f64 = self
            .pauses
            .iter()
            .filter(|(from, _)| t > *from)
            .map(|&(from, to)| self.running(t.min(to)) - self.running(from))
            .sum();
        let slipped: f64 = self
            .slips
            .iter()
            .filter(|(at, _)| t >= *at)
            .map(|(_, turn)| turn)
            .sum();
        self.running(t) - paused + slipped
    }

    /// The angle of a drive that never pauses or slips.
    fn running(&self, t: f64) -> f64 {
        let since = t - self.start;
        let swing: f64 = self
            .periodic
            .iter()
            .map(|p| {
                let phase = TAU * since / p.period_s + p.phase_deg.to_radians();
                p.amplitude_arcsec * ARCSEC * phase.sin()
            })
            .sum();
        self.rate * since + swing
    }

    /// Instants within (from, to) at which the angle has a kink or a step.
    pub fn breaks(&self, from: f64, to: f64) -> Vec<f64> {
        self.pauses
            .iter()
            .flat_map(|&(start, end)| [start, end])
            .chain(self.slips.iter().map(|&(at, _)| at))
            .filter(|&at| at > from && at < to)
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::super::tracker::Rate;
    use super::*;

    fn drive(backlash_s: f64, slip: Vec<(f64, f64)>) -> DriveModel {
        let facts = Drive {
            rate: Rate::Sidereal,
            rate_error_ppm: 0.0,
            periodic: vec![Periodic {
                amplitude_arcsec: 10.0,
                period_s: 400.0,
                phase_deg: 0.0,
            }],
            backlash_s,
            slip: Vec::new(),
        };
        DriveModel::new(&facts, 100.0, &[200.0], slip)
    }

    #[test]
    fn a_backlash_holds_the_axis_still_and_then_lets_it_run() {
        let model = drive(15.0, Vec::new());
        assert_eq!(model.angle(200.0), model.angle(215.0));
        let lost = model.running(215.0) - model.running(200.0);
        assert!((model.angle(300.0) - (model.running(300.0) - lost)).abs() < 1e-15);
        assert_eq!(model.angle(150.0), model.running(150.0));
    }

    #[test]
    fn a_slip_is_a_step_forward() {
        let model = drive(0.0, vec![(250.0, 1e-3)]);
        let step = model.angle(250.0) - model.angle(250.0 - 1e-9);
        assert!((step - 1e-3).abs() < 1e-9);
        assert_eq!(model.breaks(240.0, 260.0), vec![250.0]);
    }

    #[test]
    fn rates_stand_in_the_order_of_the_sky() {
        let arcsec = |rate: Rate| rate.ratio() * SKY_RATE / ARCSEC;
        assert!((arcsec(Rate::Sidereal) - 15.041).abs() < 1e-3);
        assert!((arcsec(Rate::Solar) - 15.000).abs() < 1e-3);
        assert!((arcsec(Rate::Lunar) - 14.492).abs() < 1e-3);
    }
}
