//! The tracker with its camera: where the camera looks at any instant, over the ground.
//!
//! Attitude (camera to horizon frame):
//! `C(t) = B(t) Rot(a, theta(t) - theta(aim)) B(aim)^-1 S(t) C(aim) W(t)`
//! with the axis a, the drive angle theta, knocks B, sag S and swinging W. The axis is a fixed
//! direction over the ground, whatever the drive does.

use std::f64::consts::TAU;

use nalgebra::{Matrix3, Rotation3, Unit, Vector3};
use rand::RngExt;

use super::check_alignment::compass_azimuth_deg;
use super::dice::dice;
use super::drive::DriveModel;
use super::observer::{Observer, SkyMoment, from_azimuth_altitude};
use super::schedule::{AlignmentPlan, Shot};
use super::tracker::{Alignment, Bump, Pointing, Sag, Shake};
use crate::error::Error;

const ARCMIN: f64 = std::f64::consts::PI / (180.0 * 60.0);
const ARCSEC: f64 = ARCMIN / 60.0;

/// The tracker and its camera over one alignment.
#[derive(Debug, Clone)]
pub struct Rig {
    axis: Vector3<f64>,
    turn_sense: f64,
    drive: DriveModel,
    bumps: Vec<(f64, Rotation3<f64>)>,
    sag: Option<Sag>,
    shake: Option<Shake>,
    seed: u64,
    aims: Vec<Aim>,
}

#[derive(Debug, Clone)]
struct Aim {
    time: f64,
    attitude: Rotation3<f64>,
    /// Level line across the view, about which the camera droops.
    level: Unit<Vector3<f64>>,
}

impl Rig {
    /// Builds the rig of an alignment: axis off the seen pole, camera aimed as the scenario says.
    ///
    /// # Errors
    /// Where the sky cannot be worked out for the date.
    pub fn new(
        alignment: &Alignment,
        plan: &AlignmentPlan,
        observer: &Observer,
        seed: u64,
    ) -> Result<Self, Error> {
        let pole = observer.moment(plan.start)?.seen_pole();
        let frame_start = |frame: usize| plan.shots[frame].start;
        let first_exposures: Vec<f64> = plan.placements.iter().map(|p| p.first_exposure).collect();
        let slips = alignment
            .drive
            .slip
            .iter()
            .map(|s| (frame_start(s.frame) + s.second, s.arcsec * ARCSEC))
            .collect();
        let axis = off_pole(
            &pole,
            alignment.axis.altitude_error_arcmin * ARCMIN,
            alignment.axis.azimuth_error_arcmin * ARCMIN,
        );
        let aims = plan
            .placements
            .iter()
            .map(|placement| {
                let pointing = &alignment.pointings[placement.pointing];
                aim(pointing, placement.aim, observer)
            })
            .collect::<Result<Vec<_>, _>>()?;
        Ok(Self {
            axis,
            turn_sense: observer.turn_sense(),
            drive: DriveModel::new(&alignment.drive, plan.start, &first_exposures, slips),
            bumps: knocks(&alignment.bumps, axis, frame_start),
            sag: alignment.sag,
            shake: alignment.shake,
            seed,
            aims,
        })
    }

    /// Direction of the axis in the horizon frame.
    pub fn axis(&self, t: f64) -> Vector3<f64> {
        self.knocked(t) * self.axis
    }

    /// Turn of the axis since the start of the alignment, radians, with the sky positive.
    pub fn drive_angle(&self, t: f64) -> f64 {
        self.drive.angle(t)
    }

    /// Camera to horizon frame, at an instant of an exposure.
    pub fn attitude(&self, shot: &Shot, t: f64) -> Rotation3<f64> {
        self.steady_attitude(shot, t) * self.swing(shot, t)
    }

    /// The attitude without the swinging.
    pub fn steady_attitude(&self, shot: &Shot, t: f64) -> Rotation3<f64> {
        let aim = &self.aims[shot.placement];
        let turned = self.turn_sense * (self.drive.angle(t) - self.drive.angle(aim.time));
        let turn = Rotation3::from_axis_angle(&Unit::new_normalize(self.axis), turned);
        let droop = self.sag.map_or(0.0, |sag| {
            sag.arcsec * ARCSEC * (1.0 - (-(t - aim.time).max(0.0) / sag.time_s).exp())
        });
        let sag = Rotation3::from_axis_angle(&aim.level, -droop);
        self.knocked(t) * turn * self.knocked(aim.time).inverse() * sag * aim.attitude
    }

    /// Whether the camera swings, so that a path through an exposure must be sampled at random.
    pub fn swings(&self) -> bool {
        self.shake.is_some_and(|shake| shake.arcsec > 0.0)
    }

    /// Instants within (from, to) at which the motion has a kink or a step.
    pub fn breaks(&self, from: f64, to: f64) -> Vec<f64> {
        let mut all = self.drive.breaks(from, to);
        all.extend(
            self.bumps
                .iter()
                .map(|(at, _)| *at)
                .filter(|&at| at > from && at < to),
        );
        all.sort_by(f64::total_cmp);
        all
    }

    fn knocked(&self, t: f64) -> Rotation3<f64> {
        self.bumps
            .iter()
            .filter(|(at, _)| t >= *at)
            .fold(Rotation3::identity(), |before, (_, knock)| knock * before)
    }

    fn swing(&self, shot: &Shot, t: f64) -> Rotation3<f64> {
        let Some(shake) = self.shake else {
            return Rotation3::identity();
        };
        let mut dice = dice(self.seed, &[SWING, u64::from(shot.number)]);
        let line = dice.random_range(0.0..TAU);
        let phase = dice.random_range(0.0..TAU);
        let since = t - shot.start;
        let fading = shake.decay_s.map_or(1.0, |decay| (-since / decay).exp());
        let angle =
            shake.arcsec * ARCSEC * fading * (TAU * shake.frequency_hz * since + phase).sin();
        Rotation3::new(Vector3::new(line.cos(), line.sin(), 0.0) * angle)
    }
}

/// Mark of the dice that choose a frame's swing.
const SWING: u64 = 0x5317;

/// The direction off the pole by an altitude part and an azimuth part on the sky (east positive), radians.
pub fn off_pole(pole: &Vector3<f64>, altitude_error: f64, azimuth_error: f64) -> Vector3<f64> {
    let altitude = pole.z.atan2(pole.x.hypot(pole.y));
    let azimuth = pole.x.atan2(pole.y);
    // Clockwise from above is east in the north and west in the south.
    let clockwise = if pole.y < 0.0 {
        -azimuth_error
    } else {
        azimuth_error
    };
    from_azimuth_altitude(
        azimuth + clockwise / altitude.cos(),
        altitude + altitude_error,
    )
}

/// Altitude part and azimuth part on the sky (east positive) of an axis against a pole, radians.
pub fn error_from_pole(pole: &Vector3<f64>, axis: &Vector3<f64>) -> (f64, f64) {
    let altitude = pole.z.atan2(pole.x.hypot(pole.y));
    let axis_altitude = axis.z.atan2(axis.x.hypot(axis.y));
    let clockwise = (axis.x * pole.y - axis.y * pole.x).atan2(axis.x * pole.x + axis.y * pole.y);
    let east = if pole.y < 0.0 { -clockwise } else { clockwise };
    (axis_altitude - altitude, east * altitude.cos())
}

fn knocks(
    bumps: &[Bump],
    first_axis: Vector3<f64>,
    frame_start: impl Fn(usize) -> f64,
) -> Vec<(f64, Rotation3<f64>)> {
    let mut ordered: Vec<(f64, &Bump)> = bumps
        .iter()
        .map(|b| (frame_start(b.frame) + b.second, b))
        .collect();
    ordered.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut axis = first_axis;
    ordered
        .into_iter()
        .map(|(at, bump)| {
            let moved = off_pole(
                &axis,
                bump.altitude_arcmin * ARCMIN,
                bump.azimuth_arcmin * ARCMIN,
            );
            let knock =
                Rotation3::rotation_between(&axis, &moved).unwrap_or_else(Rotation3::identity);
            axis = moved;
            (at, knock)
        })
        .collect()
}

fn aim(pointing: &Pointing, time: f64, observer: &Observer) -> Result<Aim, Error> {
    let sky = observer.moment(time)?;
    let view = view_direction(pointing, observer);
    let (level, upright) = level_and_up(&view);
    let up = match pointing.up_position_angle_deg {
        Some(angle) => up_at_position_angle(&view, angle.to_radians(), &sky),
        None => {
            let (sin, cos) = pointing.roll_deg.unwrap_or(0.0).to_radians().sin_cos();
            upright * cos + level * sin
        }
    };
    let right = view.cross(&up).normalize();
    let down = view.cross(&right);
    let attitude = Matrix3::from_columns(&[right, down, view]);
    Ok(Aim {
        time,
        attitude: Rotation3::from_matrix_unchecked(attitude),
        level: Unit::new_normalize(level),
    })
}

fn view_direction(pointing: &Pointing, observer: &Observer) -> Vector3<f64> {
    let by_name = pointing.facing.as_deref().and_then(compass_azimuth_deg);
    let azimuth = by_name.or(pointing.azimuth_deg);
    match (azimuth, pointing.altitude_deg) {
        (Some(azimuth), Some(altitude)) => {
            from_azimuth_altitude(azimuth.to_radians(), altitude.to_radians())
        }
        _ => observer.at_hour_angle(
            pointing.hour_angle_h.unwrap_or(0.0) * TAU / 24.0,
            pointing.declination_deg.unwrap_or(0.0).to_radians(),
        ),
    }
}

/// The level line to the right of a view, and the upright line across it; looking straight up, north is taken as up.
fn level_and_up(view: &Vector3<f64>) -> (Vector3<f64>, Vector3<f64>) {
    let across = view.cross(&Vector3::z());
    let level = if across.norm() > 1e-6 {
        across.normalize()
    } else {
        view.cross(&Vector3::y()).normalize()
    };
    (level, level.cross(view))
}

/// The direction across the view at a position angle (north through east, ICRS).
fn up_at_position_angle(view: &Vector3<f64>, angle: f64, sky: &SkyMoment) -> Vector3<f64> {
    const STEP: f64 = 1e-5;
    let (ra, dec) = sky.icrs(view);
    let north = (sky.seen(ra, dec + STEP) - sky.seen(ra, dec - STEP)).normalize();
    // Looking out from inside the sphere, east lies to the left of north.
    let east = north.cross(view);
    north * angle.cos() + east * angle.sin()
}
