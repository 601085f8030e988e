//! What each fault does to the camera at an instant, against a perfect tracker.
//!
//! Turns of the camera are small vectors in its own frame (x right, y down, z along the view),
//! arcseconds. With `N` the turn of a perfect tracker, `a` its axis and `p` the pole, the camera leaves
//! the sky at `C0^T N^T (-w) (r a - p)`.

use nalgebra::{Matrix3, Rotation3, Vector3};

use crate::mount::invert::tangent_basis;
use crate::units::{Angle, AngularRate};

/// What is wrong besides axis, rate and swing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Fault {
    /// Nothing.
    None,
    /// The drive runs at another rate.
    Rate,
    /// The drive makes a step between two frames: at an instant.
    StepBetween(f64),
    /// The drive makes a step within an exposure: its start and end.
    StepInside(f64, f64),
    /// The drive stands when a pointing begins.
    Slack,
    /// The camera sinks about the level line across its view.
    Sag,
    /// The rig is knocked between two frames: at an instant.
    Knock(f64),
}

/// An account's form: which numbers it has.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Form {
    /// Whether the drive swings.
    pub swings: bool,
    /// Whether the swing may differ from a pure sine.
    pub harmonic: bool,
    /// What else is wrong.
    pub fault: Fault,
}

/// Where an account's numbers stand.
pub const AXIS: usize = 0;
/// The rate beyond the sky's, arcsec a second.
pub const RATE: usize = 2;
/// Cosine and sine of the swing (arcsec), ...
pub const SWING: usize = 3;
/// ... the logarithm of its period (s), ...
pub const PERIOD: usize = SWING + 2;
/// ... and cosine and sine of what swings twice as fast, as shares of the swing: no gear draws a pure
/// sine.
pub const HARMONIC: usize = PERIOD + 1;

impl Form {
    /// Where the fault's own numbers stand: step (arcsec) and instant; standstill of each pointing (s);
    /// sag (arcsec) and the logarithm of its time (s); knock (three parts, arcsec).
    pub fn fault_at(self) -> usize {
        match (self.swings, self.harmonic) {
            (false, _) => SWING,
            (true, false) => HARMONIC,
            (true, true) => HARMONIC + 2,
        }
    }
    /// How many numbers there are.
    pub fn len(self, n_pointings: usize) -> usize {
        self.fault_at()
            + match self.fault {
                Fault::None | Fault::Rate => 0,
                Fault::StepBetween(_) => 1,
                Fault::StepInside(..) | Fault::Sag => 2,
                Fault::Slack => n_pointings,
                Fault::Knock(_) => 3,
            }
    }
}

/// A pointing's camera.
#[derive(Debug, Clone)]
pub struct Stand {
    /// Number of the pointing, from 0.
    pub number: usize,
    /// Mid exposure of its first frame, seconds.
    pub epoch: f64,
    /// Start of its first exposure.
    pub start: f64,
    /// End of its last exposure.
    pub end: f64,
    /// Tangents at the pole, in the camera's frame at the epoch, ...
    axis: [Vector3<f64>; 2],
    /// ... and a quarter of a turn on.
    turned: [Vector3<f64>; 2],
    /// The pole.
    pub pole: Vector3<f64>,
    /// The level line about which the camera sinks.
    level: Vector3<f64>,
    to_camera: Matrix3<f64>,
    pole_over_ground: Vector3<f64>,
    tangents: [Vector3<f64>; 2],
    /// The axis about which the places were counted, off the pole along the tangents, arcsec.
    about: [f64; 2],
}

impl Stand {
    /// From the camera over the ground at the epoch, and the northern ends of the refracted pole and
    /// of the axis about which its places are counted.
    pub fn new(
        number: usize,
        epoch: f64,
        (start, end): (f64, f64),
        camera: &Rotation3<f64>,
        (pole, about): (Vector3<f64>, Vector3<f64>),
    ) -> Self {
        let to_camera = camera.matrix().transpose();
        let basis = tangent_basis(pole);
        let tangents = [basis.column(0).into_owned(), basis.column(1).into_owned()];
        let view = camera * Vector3::z();
        let level = view.cross(&Vector3::z());
        let level = level
            .try_normalize(1e-6)
            .unwrap_or_else(|| view.cross(&Vector3::y()).normalize());
        Self {
            number,
            epoch,
            start,
            end,
            axis: tangents.map(|line| to_camera * line),
            turned: tangents.map(|line| to_camera * pole.cross(&line)),
            pole: to_camera * pole,
            level: to_camera * level,
            to_camera,
            pole_over_ground: pole,
            about: tangents.map(|line| arcsec(line.dot(&about))),
            tangents,
        }
    }

    /// How far a perfect tracker has turned since the epoch, radians.
    fn turn(&self, time: f64) -> f64 {
        AngularRate::SIDEREAL.rad_per_s() * (time - self.epoch)
    }

    /// By an axis off the pole.
    fn by_axis(&self, off: [f64; 2], time: f64) -> Vector3<f64> {
        let (sin, cos) = self.turn(time).sin_cos();
        let part = |idx: usize| self.axis[idx] * sin + self.turned[idx] * (1.0 - cos);
        -(part(0) * off[0] + part(1) * off[1])
    }

    /// The line that the drive turns about.
    fn line_of(&self, off: [f64; 2], time: f64) -> Vector3<f64> {
        let (sin, cos) = self.turn(time).sin_cos();
        let part = |idx: usize| {
            let off = Angle::from_arcsec(off[idx]).rad();
            (self.axis[idx] * cos + self.turned[idx] * sin) * off
        };
        self.pole + part(0) + part(1)
    }

    /// What the places are short of, because they were counted about an axis off the pole.
    pub fn counted(&self, time: f64) -> Vector3<f64> {
        self.by_axis(self.about, time)
    }

    /// A knock of the rig over the ground, as the camera feels it.
    fn knocked(&self, knock: Vector3<f64>, time: f64) -> Vector3<f64> {
        let back = Rotation3::new(self.pole_over_ground * self.turn(time));
        self.to_camera * (back * knock)
    }

    /// How far a knock moves the axis, along the tangents.
    fn moved_axis(&self, knock: Vector3<f64>) -> [f64; 2] {
        let moved = knock.cross(&self.pole_over_ground);
        self.tangents.map(|line| line.dot(&moved))
    }
}

/// A step that is spread over the time from one sample to the next, so that it moves smoothly.
fn step(time: f64, at: f64, width: f64) -> f64 {
    ((time - at) / width + 0.5).clamp(0.0, 1.0)
}

/// The camera's turn away from the sky at an instant; `sample` is the time between samples.
pub fn turned(form: Form, x: &[f64], stand: &Stand, time: f64, sample: f64) -> Vector3<f64> {
    let mut off = [x[AXIS], x[AXIS + 1]];
    let mut ahead = x[RATE] * (time - stand.epoch);
    let mut more = Vector3::zeros();
    if form.swings {
        let phase = std::f64::consts::TAU * time / x[PERIOD].exp();
        let wave = |at: usize, phase: f64| x[at] * phase.cos() + x[at + 1] * phase.sin();
        ahead += wave(SWING, phase);
        if form.harmonic {
            ahead += x[SWING].hypot(x[SWING + 1]) * wave(HARMONIC, 2.0 * phase);
        }
    }
    let own = &x[form.fault_at()..];
    match form.fault {
        Fault::None | Fault::Rate => {}
        Fault::StepBetween(at) => ahead += own[0] * f64::from(time > at),
        Fault::StepInside(..) => ahead += own[0] * step(time, own[1], sample),
        Fault::Slack => {
            let stood = (time - stand.start).clamp(0.0, own[stand.number].max(0.0));
            ahead -= AngularRate::SIDEREAL.arcsec_per_s() * stood;
        }
        Fault::Sag => {
            let since = (time - stand.start).max(0.0);
            more -= stand.level * (own[0] * (1.0 - (-since / own[1].exp()).exp()));
        }
        Fault::Knock(at) => {
            let knock = Vector3::new(own[0], own[1], own[2]);
            if at < stand.start {
                let moved = stand.moved_axis(knock);
                off = [off[0] + moved[0], off[1] + moved[1]];
            } else if time > at {
                more += stand.knocked(knock, time);
            }
        }
    }
    stand.by_axis(off, time) - stand.line_of(off, time) * ahead + more
}

/// Seconds of arc in a radian.
pub fn arcsec(radians: f64) -> f64 {
    Angle::from_rad(radians).arcsec()
}
