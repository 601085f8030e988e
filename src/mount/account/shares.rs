//! What each fault of an account draws by itself.

use super::exposure::{Night, moments};
use super::fit::Fit;
use super::motion::{AXIS, Fault, Form, RATE, SWING};
use super::{Account, Step};
use crate::units::{Angle, Measured, Pixels, Seconds};

/// A fault of an account.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Part {
    /// The axis stands off the pole.
    Axis,
    /// The drive's mean rate is not the sky's.
    Rate,
    /// The drive swings.
    Swing,
    /// The drive stands at first.
    Slack,
    /// The drive makes a step.
    Step,
    /// The camera sinks.
    Sag,
    /// The rig is knocked between two frames.
    Knock,
    /// Gusts stretch the shapes.
    Gusts,
}

/// An account's numbers with all but one fault's taken out.
fn alone(fit: &Fit, part: Part) -> Vec<f64> {
    let at = fit.form.fault_at();
    let mut x = fit.x.clone();
    if part != Part::Axis {
        x[AXIS] = 0.0;
        x[AXIS + 1] = 0.0;
    }
    if part != Part::Rate {
        x[RATE] = 0.0;
    }
    if fit.form.swings && part != Part::Swing {
        x[SWING..SWING + 2].fill(0.0);
    }
    if !matches!(part, Part::Step | Part::Slack | Part::Sag | Part::Knock) {
        match fit.form.fault {
            Fault::StepInside(..) | Fault::Sag => x[at] = 0.0,
            _ => x[at..].fill(0.0),
        }
    }
    x
}

fn parts_of(form: Form) -> Vec<Part> {
    let mut parts = vec![Part::Axis, Part::Rate];
    if form.swings {
        parts.push(Part::Swing);
    }
    parts.extend(match form.fault {
        Fault::None | Fault::Rate => None,
        Fault::StepBetween(_) | Fault::StepInside(..) => Some(Part::Step),
        Fault::Slack => Some(Part::Slack),
        Fault::Sag => Some(Part::Sag),
        Fault::Knock(_) => Some(Part::Knock),
    });
    parts
}

impl Night {
    /// The even trail that spreads the light as far as a fault does by itself in the worst frame; of a
    /// step or a knock at least how far it moves the stars.
    fn drawn_px(&self, fit: &Fit, part: Part) -> f64 {
        let x = alone(fit, part);
        let of = |one| {
            let [xx, xy, yy] = moments(&self.path(fit.form, &x, one));
            let larger = 0.5 * (xx + yy) + (0.25 * (xx - yy).powi(2) + xy * xy).sqrt();
            (12.0 * larger.max(0.0)).sqrt()
        };
        let worst = self.frames.iter().map(of).fold(0.0, f64::max);
        match part {
            Part::Step | Part::Knock => worst.max(self.jump_px(fit.form, &x)),
            _ => worst,
        }
    }

    /// The largest distance between the places of two neighbours.
    fn jump_px(&self, form: Form, x: &[f64]) -> f64 {
        let middle = |one| {
            let path = self.path(form, x, one);
            let n = path.len() as f64;
            path.iter()
                .fold([0.0, 0.0], |m, p| [m[0] + p[0] / n, m[1] + p[1] / n])
        };
        let pairs = self
            .frames
            .windows(2)
            .filter(|pair| pair[0].stand == pair[1].stand);
        let jumps = pairs.map(|pair| {
            let (a, b) = (middle(&pair[0]), middle(&pair[1]));
            (b[0] - a[0]).hypot(b[1] - a[1])
        });
        jumps.fold(0.0, f64::max)
    }

    /// With its sigma, by what is not known of the account's numbers.
    fn measured_px(&self, fit: &Fit, part: Part) -> Measured<Pixels> {
        let px = self.drawn_px(fit, part);
        let slopes = (0..fit.x.len()).map(|idx| {
            let step = 0.5 * fit.covariance[(idx, idx)].max(0.0).sqrt().min(1e3);
            let mut moved = fit.clone();
            moved.x[idx] += step;
            (self.drawn_px(&moved, part) - px) / step.max(1e-9)
        });
        let slopes = nalgebra::DVector::from_iterator(fit.x.len(), slopes);
        let variance = slopes.dot(&(&fit.covariance * &slopes)).max(0.0);
        Measured::new(Pixels::new(px), Pixels::new(variance.sqrt()))
    }

    /// What the shapes show beyond an account, each over its sigma, two a frame.
    fn shapes_left(&self, fit: &Fit) -> Vec<f64> {
        let residuals = self.residuals(fit.form, &fit.x, 0.0);
        let n = self.frames.iter().filter(|one| one.shape.is_some()).count();
        residuals
            .iter()
            .copied()
            .skip(residuals.len() - 2 * n)
            .collect()
    }

    /// The largest of them.
    pub(super) fn worst_shape(&self, fit: &Fit) -> f64 {
        self.shapes_left(fit)
            .into_iter()
            .map(f64::abs)
            .fold(0.0, f64::max)
    }

    /// What the shapes show beyond the account, in the worst frame.
    fn gusts(&self, fit: &Fit) -> Measured<Pixels> {
        let shapes = self.shapes_left(fit);
        let shown = self.frames.iter().filter_map(|one| one.shape);
        let left = shown.enumerate().map(|(idx, (_, sigma))| {
            let size = shapes[2 * idx].hypot(shapes[2 * idx + 1]) * sigma;
            let px = (12.0 * size).sqrt();
            (px, 6.0 * sigma / px.max(1e-6))
        });
        let worst = left.fold((0.0, 0.0), |a, b| if b.0 > a.0 { b } else { a });
        Measured::new(Pixels::new(worst.0), Pixels::new(worst.1.min(worst.0)))
    }

    fn around(&self, at: f64) -> Option<(usize, usize)> {
        let before = self
            .frames
            .iter()
            .rfind(|one| one.witness.mid + 0.5 * one.witness.exposure <= at);
        let after = self
            .frames
            .iter()
            .find(|one| one.witness.mid - 0.5 * one.witness.exposure >= at);
        Some((before?.witness.frame, after?.witness.frame))
    }
}

/// The step or knock of a fit.
fn step_of(night: &Night, fit: &Fit) -> Option<Step> {
    let first = fit.form.fault_at();
    let (at, n) = match fit.form.fault {
        Fault::StepBetween(at) => (at, 1),
        Fault::StepInside(..) => (fit.x[first + 1], 1),
        Fault::Knock(at) => (at, 3),
        _ => return None,
    };
    let (before, after) = night.around(at)?;
    let own = &fit.x[first..first + n];
    let size = match own {
        [size] => *size,
        parts => parts.iter().map(|part| part * part).sum::<f64>().sqrt(),
    };
    let variance = (first..first + n).map(|idx| fit.covariance[(idx, idx)]);
    let sigma = variance.fold(0.0, f64::max).max(0.0).sqrt();
    Some(Step {
        before,
        after,
        at: Seconds::new(at),
        size: Measured::new(Angle::from_arcsec(size), Angle::from_arcsec(sigma)),
    })
}

/// How long the drive stood at the start of each pointing.
fn stood(night: &Night, fit: &Fit) -> Vec<(usize, Measured<Seconds>)> {
    if fit.form.fault != Fault::Slack {
        return Vec::new();
    }
    let own = night.stands.iter().map(|stand| {
        let idx = fit.form.fault_at() + stand.number;
        let first = night.frames.iter().find(|one| one.stand == stand.number);
        let sigma = fit.covariance[(idx, idx)].max(0.0).sqrt();
        let time = Measured::new(Seconds::new(fit.x[idx]), Seconds::new(sigma));
        first.map(|one| (one.witness.frame, time))
    });
    own.flatten().collect()
}

/// The account of a fit.
pub(super) fn account(night: &Night, fit: &Fit, chance: f64) -> Account {
    let mut parts: Vec<(Part, Measured<Pixels>)> = parts_of(fit.form)
        .into_iter()
        .map(|part| (part, night.measured_px(fit, part)))
        .collect();
    if fit.gusts_px > 0.0 {
        parts.push((Part::Gusts, night.gusts(fit)));
    }
    parts.sort_by(|a, b| b.1.value.px().total_cmp(&a.1.value.px()));
    let axis = [0, 1].map(|part| {
        let sigma = fit.covariance[(part, part)].max(0.0).sqrt();
        Measured::new(
            Angle::from_arcsec(fit.x[AXIS + part]).rad(),
            Angle::from_arcsec(sigma).rad(),
        )
    });
    Account {
        chance,
        parts,
        step: step_of(night, fit),
        stood: stood(night, fit),
        axis,
    }
}
