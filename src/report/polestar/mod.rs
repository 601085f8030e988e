//! Where the pole star stands through a night, in words and as a picture.
//!
//! Input: an observer, an instant, the camera if known. Output: [`PoleStarReport`], its text and
//! its [`super::drawing::Drawing`].

mod picture;
mod text;

use jiff::tz::Offset;
use jiff::{SignedDuration, Timestamp};

pub use crate::limits::CameraInUse;

use crate::sky::{
    AimingCost, Darkness, Observer, PoleStarPlace, SkyAt, cost_of_aiming_at_star, pole_star_place,
};
use crate::units::{Angle, Seconds};

/// Step of the table.
const STEP: SignedDuration = SignedDuration::from_mins(30);
/// The table's length where no dawn ends it.
const LONGEST_TABLE: SignedDuration = SignedDuration::from_hours(12);

/// What is asked.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PoleStarQuestion {
    /// Site and air.
    pub observer: Observer,
    /// The instant asked for.
    pub at: Timestamp,
    /// Local time in the answer.
    pub utc_offset: Offset,
    /// For trails in pixels; without it trails are in arcseconds.
    pub camera: Option<CameraInUse>,
    /// Exposure that the cost of aiming is told for.
    pub exposure: Seconds,
}

/// One line of the table.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PoleStarRow {
    /// When.
    pub utc: Timestamp,
    /// Where the star stands then.
    pub place: PoleStarPlace,
}

/// The whole answer.
#[derive(Debug, Clone, PartialEq)]
pub struct PoleStarReport {
    /// What was asked.
    pub question: PoleStarQuestion,
    /// The instant asked for.
    pub now: PoleStarRow,
    /// Every half hour of the night that goes on then, or of the next one.
    pub night: Vec<PoleStarRow>,
    /// Its limits.
    pub darkness: Darkness,
    /// What aiming straight at the star costs, at the instant asked for.
    pub cost: AimingCost,
    /// How much higher the refracted pole stands than the true one.
    pub pole_lift: Angle,
    /// Altitude of the refracted pole.
    pub pole_altitude: Angle,
}

/// Works out the pole star's place now and through the night.
pub fn report_pole_star(question: &PoleStarQuestion) -> PoleStarReport {
    let observer = question.observer;
    let sky = observer.at(question.at);
    let now = row(&sky);
    let darkness = observer.darkness_from(question.at);
    let pole_altitude = observer.refracted_pole().az_alt().1;
    PoleStarReport {
        question: *question,
        now,
        night: night(&observer, question.at, darkness),
        darkness,
        cost: cost_of_aiming_at_star(&now.place, &sky),
        pole_lift: pole_altitude - observer.true_pole().az_alt().1,
        pole_altitude,
    }
}

fn row(sky: &SkyAt) -> PoleStarRow {
    PoleStarRow {
        utc: sky.utc(),
        place: pole_star_place(sky),
    }
}

/// Rows at full and half hours from dusk, or the instant asked for, to dawn.
fn night(observer: &Observer, at: Timestamp, darkness: Darkness) -> Vec<PoleStarRow> {
    let (start, end) = match darkness {
        Darkness::Between(dusk, dawn) => (dusk, dawn),
        Darkness::Never | Darkness::Always => (at, at.saturating_add(LONGEST_TABLE).unwrap_or(at)),
    };
    let step_s = STEP.as_secs();
    let first = start.as_second().div_euclid(step_s) * step_s + step_s;
    (0..)
        .map_while(|n| Timestamp::from_second(first + n * step_s).ok())
        .take_while(|utc| *utc <= end)
        .map(|utc| row(&observer.at(utc)))
        .collect()
}

/// Fixtures for the tests of this folder.
#[cfg(test)]
mod sample {
    use super::*;
    use crate::sky::Atmosphere;
    use crate::units::{Length, Site};

    pub fn question(latitude_deg: f64, longitude_deg: f64, at: &str) -> PoleStarQuestion {
        let angle = Angle::from_deg;
        let site = Site::new(angle(latitude_deg), angle(longitude_deg)).unwrap();
        PoleStarQuestion {
            observer: Observer::new(site, Atmosphere::standard(0.0)),
            at: at.parse().unwrap(),
            utc_offset: Offset::UTC,
            camera: Some(CameraInUse {
                focal: Length::from_mm(150.0),
                pixel_pitch: Length::from_um(3.3),
            }),
            exposure: Seconds::new(60.0),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::AngularRate;

    #[test]
    fn a_winter_night_has_a_row_every_half_hour_from_dusk_to_dawn() {
        let report = report_pole_star(&sample::question(51.5, -0.1, "2026-01-15T12:10:00Z"));
        let Darkness::Between(dusk, dawn) = report.darkness else {
            panic!("a January night at 51 degrees is dark");
        };
        let first = report.night.first().unwrap().utc;
        let last = report.night.last().unwrap().utc;
        assert!(first > dusk && first.duration_since(dusk) <= STEP);
        assert!(last <= dawn && dawn.duration_since(last) < STEP);
        assert_eq!(report.night.len(), 29);
        assert_eq!(first.as_second() % 1800, 0);
    }

    #[test]
    fn without_a_night_the_table_still_runs_twelve_hours() {
        let report = report_pole_star(&sample::question(70.0, 20.0, "2026-06-21T22:00:00Z"));
        assert_eq!(report.darkness, Darkness::Never);
        assert_eq!(report.night.len(), 24);
    }

    #[test]
    fn at_the_end_of_time_the_table_ends_too() {
        let last = Timestamp::MAX.to_string();
        let report = report_pole_star(&sample::question(45.0, 0.0, &last));
        assert!(report.night.len() < 30);
    }

    #[test]
    fn trail_of_an_axis_one_degree_east_by_hand() {
        let camera = sample::question(0.0, 0.0, "2026-01-01T00:00:00Z")
            .camera
            .unwrap();
        // 206.265 * 3.3 / 150 = 4.538"/px; 15.75" in a minute.
        assert!((camera.pixel_scale().arcsec() - 4.5378).abs() < 1e-3);
        let rate = AngularRate::from_arcsec_per_s(-15.75 / 60.0);
        assert!((camera.trail(rate, Seconds::new(60.0)).px() - 3.471).abs() < 1e-3);
    }
}
