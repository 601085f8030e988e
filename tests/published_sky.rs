//! Truth: published. Directions, time, refraction and the pole stars against numbers from outside.

use std::str::FromStr;

use stillpoint::sky::{Atmosphere, Direction, Horizon, Observer, pole_star_place};
use stillpoint::units::{Angle, Site};

/// Data rows of a table in `testdata/published`, split at commas, without comments and header.
fn rows(name: &str) -> Vec<Vec<String>> {
    let path = format!("{}/testdata/published/{name}", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(path).unwrap();
    let lines = text.lines().filter(|line| !line.starts_with('#'));
    lines
        .skip(1)
        .map(|line| line.split(',').map(str::to_owned).collect())
        .collect()
}

fn number(text: &str) -> f64 {
    f64::from_str(text).unwrap()
}

fn site(latitude_deg: f64, longitude_deg: f64) -> Site {
    Site::new(
        Angle::from_deg(latitude_deg),
        Angle::from_deg(longitude_deg),
    )
    .unwrap()
}

/// Columns of the table carry 5 decimals of a degree (0.02"); ours leaves out polar motion (0.3")
/// and takes UT1 for UTC, which at 70' from the pole moves a star by 0.3" at most.
const AIRLESS_TOLERANCE_ARCSEC: f64 = 0.7;
/// The table's refraction ends in the same decimals; polar motion as above.
const REFRACTED_TOLERANCE_ARCSEC: f64 = 0.7;
/// Distance from the pole: polar motion and the star's place from memory.
const POLAR_DISTANCE_TOLERANCE_ARCMIN: f64 = 0.01;

/// `polestar_place.csv`: made with IAU SOFA routines (ERFA) through astropy. Its air is not
/// written in it; 1010 hPa and 10 degrees C give its refraction to its last decimal.
#[test]
fn pole_stars_stand_where_erfa_puts_them() {
    for row in rows("polestar_place.csv") {
        let column = |i: usize| number(&row[i]);
        let air = Atmosphere::measured(1010.0, 10.0).unwrap();
        let observer = Observer::new(site(column(1), column(2)), air);
        let place = pole_star_place(&observer.at(format!("{}Z", row[3]).parse().unwrap()));
        let airless = Direction::<Horizon>::from_az_alt(
            Angle::from_deg(column(5)),
            Angle::from_deg(column(4)),
        );
        let off = place.airless.separation(airless).arcsec();
        assert!(off < AIRLESS_TOLERANCE_ARCSEC, "{row:?}: {off}");
        let off = (place.observed.az_alt().1.deg() - column(6)) * 3600.0;
        assert!(off.abs() < REFRACTED_TOLERANCE_ARCSEC, "{row:?}: {off}");
        let off = place.polar_distance.arcmin() - column(8);
        assert!(
            off.abs() < POLAR_DISTANCE_TOLERANCE_ARCMIN,
            "{row:?}: {off}"
        );
        let off = (place.hour_angle - Angle::from_deg(column(7))).wrapped_signed();
        assert!(off.deg().abs() < 0.02, "{row:?}: {}", off.deg());
    }
}
