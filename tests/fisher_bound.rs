//! Truth held here: analytic. The smallest error that the stars' own sigmas allow the axis (the
//! Cramer-Rao bound: inverse of the Fisher matrix), worked out by a model written here alone, against
//! the sigmas that the whole pipeline states for the same star lists.

#![allow(clippy::print_stderr)] // Figures of each night, shown by `--nocapture` and where it fails.

#[path = "support/rig.rs"]
mod rig;

use std::collections::HashMap;

use jiff::Timestamp;
use nalgebra::{DMatrix, Matrix2, Matrix3, Rotation3, Vector2, Vector3};
use rig::{RIG, Rig, diagnosed};
use stillpoint::simulate::{Listing, Scenario, SimulatedField, star_lists};

// What the program states that it leaves open beside the stars' noise (see `identify::attitude`,
// `pipeline::survey`, `pipeline::aim` and `mount`): its floor.
/// A whole frame, pixels.
const FRAME_FLOOR_PX: f64 = 0.002;
/// The air's strength, relative.
const AIR: f64 = 0.05;
/// A catalogue place, arcsec.
const CATALOGUE_ARCSEC: f64 = 0.5;
/// Focal length (relative) and distortion before any star is seen.
const FOCAL: f64 = 0.03;
const K1: f64 = 0.05;
/// All attitudes together, arcsec, and the camera's clock, arcmin of the sky's turn.
const ATTITUDE_ARCSEC: f64 = 6.0;
const CLOCK_ARCMIN: f64 = 2.5;

/// Stated sigmas may be this many times the bound with the floor: robust weights and few residuals
/// cost a little, and a scale from few residuals strays by some 15 %.
const MOST: f64 = 1.3;
/// Less than this share of the bound would be a false promise.
const LEAST: f64 = 0.8;

const ARCMIN: f64 = std::f64::consts::PI / 10_800.0;
/// Radians a second; IERS Conventions 2010, table 1.1.
const SKY_RATE: f64 = 7.292_115e-5;

// --- the model ---------------------------------------------------------------------------------

/// What one number of the model can be moved by.
#[derive(Clone, Copy)]
enum Unknown {
    Up,
    East,
    Focal,
    K1,
    Air,
    Drive,
    Floor(usize),
    Attitude(usize),
    Star(usize),
    Nothing,
}

struct Frame {
    pointing: usize,
    elapsed_s: f64,
    /// Camera to horizon at the pointing's first frame.
    reference: Matrix3<f64>,
    /// Number of its drive angle among the unknowns; none for the first frame of a pointing.
    drive: Option<usize>,
    floor: usize,
    attitude: usize,
}

struct Model {
    /// Degrees, north positive.
    latitude: f64,
    axis: Vector2<f64>,
    focal_px: f64,
    k1: f64,
    center: Vector2<f64>,
}

impl Model {
    /// Refraction at a true altitude, radians: Bennett's formula for the altitude as seen, once
    /// iterated. Source: G. G. Bennett 1982, Journal of Navigation 35, 255 (from memory).
    fn refraction(altitude: f64) -> f64 {
        let bennett = |seen: f64| {
            let degrees = seen.to_degrees();
            ARCMIN / (degrees + 7.31 / (degrees + 4.4)).to_radians().tan()
        };
        bennett(altitude + bennett(altitude))
    }

    fn lifted(direction: Vector3<f64>, strength: f64) -> Vector3<f64> {
        let altitude = direction.z.asin();
        let axis = Vector3::new(direction.y, -direction.x, 0.0).normalize();
        // Right-handed about that axis a direction rises.
        Rotation3::new(axis * (Self::refraction(altitude) * strength)) * direction
    }

    fn north_pole(&self) -> Vector3<f64> {
        let latitude = self.latitude.to_radians();
        Vector3::new(0.0, latitude.cos(), latitude.sin())
    }

    /// Northern end of the axis with its error changed by so much, radians.
    fn axis(&self, more_up: f64, more_east: f64) -> Vector3<f64> {
        let side = self.latitude.signum();
        let pole = Self::lifted(self.north_pole() * side, 1.0);
        let up = (Vector3::z() - pole * pole.z).normalize();
        let end = pole + up * (self.axis.x + more_up) + Vector3::x() * (self.axis.y + more_east);
        end.normalize() * side
    }

    fn sky_turned(&self, direction: Vector3<f64>, seconds: f64) -> Vector3<f64> {
        Rotation3::new(self.north_pole() * (-SKY_RATE * seconds)) * direction
    }

    /// Camera to horizon in a frame.
    fn camera(&self, frame: &Frame, moved: Unknown, by: f64) -> Rotation3<f64> {
        let part = |wanted: bool| if wanted { by } else { 0.0 };
        let axis = self.axis(
            part(matches!(moved, Unknown::Up)),
            part(matches!(moved, Unknown::East)),
        );
        let drive = SKY_RATE * frame.elapsed_s + part(matches!(moved, Unknown::Drive));
        let small = |wanted: Option<usize>| {
            let mut vector = Vector3::zeros();
            if let Some(at) = wanted {
                vector[at] = by;
            }
            Rotation3::new(vector)
        };
        let attitude = match moved {
            Unknown::Attitude(at) => Some(at),
            _ => None,
        };
        let floor = match moved {
            Unknown::Floor(at) => Some(at),
            _ => None,
        };
        Rotation3::new(axis * -drive)
            * small(attitude)
            * Rotation3::from_matrix_unchecked(frame.reference)
            * small(floor)
    }

    /// Where a star, given by its place without air at the pointing's first frame, falls.
    fn pixel(&self, frame: &Frame, star: &Vector3<f64>, moved: Unknown, by: f64) -> Vector2<f64> {
        let (mut star, mut strength, mut focal, mut k1) = (*star, 1.0, self.focal_px, self.k1);
        match moved {
            Unknown::Star(at) => star = (star + across(&star).column(at) * by).normalize(),
            Unknown::Air => strength += by,
            Unknown::Focal => focal *= by.exp(),
            Unknown::K1 => k1 += by,
            _ => {}
        }
        let seen = Self::lifted(self.sky_turned(star, frame.elapsed_s), strength);
        let v = self.camera(frame, moved, by).inverse() * seen;
        let place = Vector2::new(v.x / v.z, v.y / v.z);
        self.center + place * (focal * (1.0 + k1 * place.norm_squared()))
    }

    /// The place without air at the pointing's first frame of a star seen at a pixel.
    fn star_at(&self, frame: &Frame, pixel: Vector2<f64>) -> Vector3<f64> {
        let bent = (pixel - self.center) / self.focal_px;
        let mut place = bent;
        for _ in 0..20 {
            place = bent / (1.0 + self.k1 * place.norm_squared());
        }
        let camera = self.camera(frame, Unknown::Nothing, 0.0);
        let seen = camera * Vector3::new(place.x, place.y, 1.0).normalize();
        self.sky_turned(Self::lifted(seen, -1.0), -frame.elapsed_s)
    }

    fn derivative(&self, frame: &Frame, star: &Vector3<f64>, unknown: Unknown) -> Vector2<f64> {
        let step = 1e-5;
        let at = |by: f64| self.pixel(frame, star, unknown, by);
        (at(step) - at(-step)) / (2.0 * step)
    }
}

/// Two unit vectors at right angles to a direction.
fn across(v: &Vector3<f64>) -> nalgebra::Matrix3x2<f64> {
    let first = v.cross(&Vector3::new(0.3, 0.5, 0.7)).normalize();
    nalgebra::Matrix3x2::from_columns(&[first, v.cross(&first)])
}

// --- the bound ---------------------------------------------------------------------------------

/// Unknowns that all frames share: axis, lens and air.
const SHARED: [Unknown; 5] = [
    Unknown::Up,
    Unknown::East,
    Unknown::Focal,
    Unknown::K1,
    Unknown::Air,
];

/// Covariance of (up, east), square radians: the bound alone, and with the stated floor.
struct Bound {
    stars: Matrix2<f64>,
    with_floor: Matrix2<f64>,
}

fn bound(scenario: &Scenario, lists: &[SimulatedField]) -> Bound {
    let axis = &scenario.alignments[0].axis;
    let (width, height) = scenario.frame_size();
    let model = Model {
        latitude: scenario.site.latitude_deg,
        axis: Vector2::new(axis.altitude_error_arcmin, axis.azimuth_error_arcmin) * ARCMIN,
        focal_px: scenario.lens.focal_mm * 1000.0 / scenario.camera.pitch_um,
        k1: scenario.lens.k1,
        center: Vector2::new(width as f64 - 1.0, height as f64 - 1.0) * 0.5,
    };
    let mut with_floor = inverse_fisher(&model, lists, FRAME_FLOOR_PX);
    let pole = model.latitude.signum() * model.north_pole();
    let bent = Model::refraction(pole.z.asin());
    let lever = (model.axis(0.0, 0.0) - model.north_pole()).norm();
    let together =
        (lever * ATTITUDE_ARCSEC / 60.0 * ARCMIN).hypot(model.axis.norm() * CLOCK_ARCMIN * ARCMIN);
    with_floor += Matrix2::identity() * together.powi(2);
    with_floor[(0, 0)] += (AIR * bent).powi(2);
    Bound {
        stars: inverse_fisher(&model, lists, 1e-7),
        with_floor,
    }
}

/// The block of the axis in the inverse of the Fisher matrix of all unknowns.
fn inverse_fisher(model: &Model, lists: &[SimulatedField], floor_px: f64) -> Matrix2<f64> {
    let mut priors = vec![0.0, 0.0, FOCAL.powi(-2), K1.powi(-2), AIR.powi(-2)];
    let frames = frames(
        lists,
        &mut priors,
        floor_px / model.focal_px,
        floor_px / model.center.y,
    );
    let mut stars: HashMap<(usize, u64, u64), (usize, Vector3<f64>)> = HashMap::new();
    let mut entries = Vec::new();
    for (frame, list) in frames.iter().zip(lists) {
        for (star, place) in list.field.stars.iter().zip(&list.places) {
            let name = (frame.pointing, place.ra.to_bits(), place.dec.to_bits());
            let pixel = Vector2::new(star.position.x, star.position.y);
            let (first, direction) = *stars.entry(name).or_insert_with(|| {
                let sigma = if place.real {
                    CATALOGUE_ARCSEC / 60.0 * ARCMIN
                } else {
                    1.0
                };
                priors.extend([sigma.powi(-2); 2]);
                (priors.len() - 2, model.star_at(frame, pixel))
            });
            let row: Vec<(usize, Vector2<f64>)> = unknowns(frame, first)
                .into_iter()
                .map(|(at, unknown)| (at, model.derivative(frame, &direction, unknown)))
                .collect();
            entries.push((row, star.position_covariance.xx));
        }
    }
    let mut fisher = DMatrix::from_diagonal(&priors.into());
    for (row, variance) in &entries {
        for (i, left) in row {
            for (k, right) in row {
                fisher[(*i, *k)] += left.dot(right) / variance;
            }
        }
    }
    let covariance = fisher.cholesky().expect("every number is held").inverse();
    covariance.fixed_view::<2, 2>(0, 0).into_owned()
}

/// All unknowns that move a star in a frame, with their numbers.
fn unknowns(frame: &Frame, star: usize) -> Vec<(usize, Unknown)> {
    let mut all: Vec<(usize, Unknown)> = SHARED.into_iter().enumerate().collect();
    all.extend(frame.drive.map(|at| (at, Unknown::Drive)));
    all.extend((0..3).map(|k| (frame.floor + k, Unknown::Floor(k))));
    all.extend((0..3).map(|k| (frame.attitude + k, Unknown::Attitude(k))));
    all.extend((0..2).map(|k| (star + k, Unknown::Star(k))));
    all
}

/// The frames, their unknowns numbered on from what `priors` holds; floors are radians across and
/// about the line of sight.
fn frames(
    lists: &[SimulatedField],
    priors: &mut Vec<f64>,
    floor_across: f64,
    floor_about: f64,
) -> Vec<Frame> {
    let mut frames: Vec<Frame> = Vec::new();
    let mut start = 0.0;
    for list in lists {
        let truth = &list.truth;
        let mid: Timestamp = truth.mid_utc.parse().expect("an instant");
        let mid = mid.as_microsecond() as f64 * 1e-6;
        let before = frames
            .last()
            .filter(|frame| frame.pointing == truth.pointing);
        let (reference, attitude, drive) = match before {
            Some(frame) => (frame.reference, frame.attitude, Some(priors.len())),
            None => {
                start = mid;
                let rows = truth.attitude;
                let reference = Matrix3::from_fn(|row, column| rows[row][column]);
                priors.extend([1e-6; 3]);
                (reference, priors.len() - 3, None)
            }
        };
        let drive = drive.map(|_| {
            priors.push(1e-6);
            priors.len() - 1
        });
        let floor = priors.len();
        priors.extend([floor_across, floor_across, floor_about].map(|sigma| sigma.powi(-2)));
        frames.push(Frame {
            pointing: truth.pointing,
            elapsed_s: mid - start,
            reference,
            drive,
            floor,
            attitude,
        });
    }
    frames
}

// --- nights ------------------------------------------------------------------------------------

struct Night {
    name: &'static str,
    rig: Rig,
    star_px: f64,
    most_stars: usize,
}

/// The one that the orientation figures are for: 5184 x 3888 at 4.6"/px, 200 stars at 0.05 px.
const SOUTH: Night = Night {
    name: "two 60 s frames due south",
    rig: RIG,
    star_px: 0.05,
    most_stars: 200,
};

const NIGHTS: [Night; 6] = [
    SOUTH,
    Night {
        name: "four 60 s frames due south",
        rig: Rig {
            pointings: &[(0.0, 2.0, 4)],
            ..RIG
        },
        ..SOUTH
    },
    Night {
        name: "two pointings of two frames",
        rig: Rig {
            pointings: &[(0.0, 2.0, 2), (-5.0, 20.0, 2)],
            ..RIG
        },
        ..SOUTH
    },
    Night {
        name: "24 mm, three frames",
        rig: Rig {
            focal_mm: 24.0,
            pitch_um: 4.8,
            exposure_s: 120.0,
            pointings: &[(-1.0, 15.0, 3)],
            ..RIG
        },
        star_px: 0.1,
        most_stars: 400,
    },
    Night {
        name: "near the pole, three frames",
        rig: Rig {
            exposure_s: 120.0,
            pointings: &[(3.0, 84.0, 3)],
            ..RIG
        },
        most_stars: 120,
        ..SOUTH
    },
    Night {
        name: "southern, 300 mm, five frames west",
        rig: Rig {
            latitude_deg: -33.0,
            focal_mm: 300.0,
            pitch_um: 5.0,
            pointings: &[(3.5, -25.0, 5)],
            ..RIG
        },
        star_px: 0.08,
        most_stars: 80,
    },
];

/// Stated sigmas over the bound with the floor: altitude, azimuth.
fn ratios(night: &Night) -> [f64; 2] {
    let scenario = night.rig.scenario();
    let listing = Listing {
        star_px: night.star_px,
        frame_px: FRAME_FLOOR_PX,
        most_stars: Some(night.most_stars),
        place_arcsec: 0.0,
        unevenness: 0.0,
    };
    let lists = star_lists(&scenario, listing).expect("a sky for the date");
    let n_stars: Vec<usize> = lists.iter().map(|list| list.field.stars.len()).collect();
    let bound = bound(&scenario, &lists);
    let axis = diagnosed(&lists).axis.expect("an axis");
    let sigmas = [axis.altitude_error.sigma, axis.azimuth_error.sigma].map(|s| s.arcmin());
    let least = |of: &Matrix2<f64>, part: usize| of[(part, part)].sqrt() / ARCMIN;
    let errors = [axis.altitude_error.value, axis.azimuth_error.value];
    let truth = night.rig.axis_arcmin;
    let off = [errors[0].arcmin() - truth.0, errors[1].arcmin() - truth.1];
    let ratio = [0, 1].map(|part| sigmas[part] / least(&bound.with_floor, part));
    eprintln!(
        "{}: stars {n_stars:?}; up: bound {:.3}', with floor {:.3}', stated {:.3}' (x {:.2}), off \
         {:+.3}'; east: bound {:.3}', with floor {:.3}', stated {:.3}' (x {:.2}), off {:+.3}'",
        night.name,
        least(&bound.stars, 0),
        least(&bound.with_floor, 0),
        sigmas[0],
        ratio[0],
        off[0],
        least(&bound.stars, 1),
        least(&bound.with_floor, 1),
        sigmas[1],
        ratio[1],
        off[1],
    );
    ratio
}

#[test]
fn stated_sigmas_are_those_that_the_stars_allow() {
    let all: Vec<_> = NIGHTS.iter().map(|night| (night, ratios(night))).collect();
    for (night, ratio) in all {
        for (part, ratio) in ["up", "east"].into_iter().zip(ratio) {
            assert!(
                (LEAST..MOST).contains(&ratio),
                "{} {part}: {ratio}",
                night.name
            );
        }
    }
}
