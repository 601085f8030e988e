//! What a scenario lacks, all of it at once: the reader of TOML stops at the first.

use toml::{Table, Value};

/// Keys that a table has to have, and the tables in it.
struct Needs {
    name: &'static str,
    presence: Presence,
    keys: &'static [&'static str],
    tables: &'static [Needs],
}

/// Whether a table may be left out.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Presence {
    Needed,
    Optional,
}

const fn table(
    name: &'static str,
    presence: Presence,
    keys: &'static [&'static str],
    tables: &'static [Needs],
) -> Needs {
    Needs {
        name,
        presence,
        keys,
        tables,
    }
}

use Presence::{Needed, Optional};

/// The scenario's own types, without the keys that have a usual value; the test holds it to them.
const SCENARIO: Needs = table(
    "",
    Needed,
    &["seed", "start_utc"],
    &[
        table(
            "site",
            Needed,
            &[
                "latitude_deg",
                "longitude_deg",
                "pressure_hpa",
                "temperature_c",
            ],
            &[],
        ),
        table(
            "camera",
            Needed,
            &[
                "maker",
                "model",
                "width_px",
                "height_px",
                "pitch_um",
                "read_noise_e",
                "full_well_e",
                "iso",
                "bits",
            ],
            &[],
        ),
        table(
            "lens",
            Needed,
            &["name", "focal_mm", "f_number", "fwhm_px"],
            &[],
        ),
        table("sky", Needed, &["brightness_mag_arcsec2"], &[]),
        table(
            "output",
            Needed,
            &["format", "utc_offset_h", "prefix", "first_number"],
            &[],
        ),
        table("alignment", Needed, &[], ALIGNMENT),
    ],
);

const ALIGNMENT: &[Needs] = &[
    table(
        "axis",
        Needed,
        &["altitude_error_arcmin", "azimuth_error_arcmin"],
        &[],
    ),
    table(
        "drive",
        Needed,
        &["rate"],
        &[
            table("periodic", Optional, &["amplitude_arcsec", "period_s"], &[]),
            table("slip", Optional, &["frame", "second", "arcsec"], &[]),
        ],
    ),
    table("sag", Optional, &["arcsec", "time_s"], &[]),
    table("shake", Optional, &["arcsec", "frequency_hz"], &[]),
    table(
        "bump",
        Optional,
        &["frame", "second", "altitude_arcmin", "azimuth_arcmin"],
        &[],
    ),
    table(
        "cloud",
        Optional,
        &["frames", "transparency", "sky_factor"],
        &[],
    ),
    table("streak", Optional, &["frame", "peak_over_noise"], &[]),
    table("pointing", Needed, &["frames", "exposure_s", "gap_s"], &[]),
];

/// Every key that a scenario lacks, with its tables before it; of a list the number, from 1.
pub(super) fn missing_keys(scenario: &Table) -> Vec<String> {
    let mut missing = Vec::new();
    SCENARIO.look_at(scenario, "", &mut missing);
    missing
}

impl Needs {
    fn look_at(&self, table: &Table, path: &str, missing: &mut Vec<String>) {
        let lacks = self.keys.iter().filter(|key| !table.contains_key(**key));
        missing.extend(lacks.map(|key| format!("{path}{key}")));
        for inner in self.tables {
            let name = inner.name;
            match table.get(name) {
                None if inner.presence == Needed => missing.push(format!("{path}{name}")),
                Some(Value::Table(found)) => {
                    inner.look_at(found, &format!("{path}{name}."), missing);
                }
                Some(Value::Array(found)) => {
                    for (nth, one) in found.iter().enumerate() {
                        if let Value::Table(one) = one {
                            let path = format!("{path}{name} {}.", nth + 1);
                            inner.look_at(one, &path, missing);
                        }
                    }
                }
                // Of another kind: the reader of TOML tells that better.
                _ => {}
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::Scenario;
    use super::*;

    const DEMO: &str = include_str!("../../testdata/demo/night.toml");
    /// What the demo's first alignment does not have.
    const FAULTS: &str = "\
        sag = { arcsec = 5.0, time_s = 100.0 }\n\
        shake = { arcsec = 5.0, frequency_hz = 2.0 }\n\
        bump = [{ frame = 1, second = -4.0, altitude_arcmin = 1.0, azimuth_arcmin = 0.0 }]\n\
        cloud = [{ frames = [1], transparency = 0.5, sky_factor = 1.5 }]\n\
        streak = [{ frame = 1, peak_over_noise = 9.0 }]\n\
        [alignment.drive]\n\
        slip = [{ frame = 1, second = -4.0, arcsec = 20.0 }]\n";

    fn full() -> Table {
        let text = DEMO.replacen("[alignment.drive]\n", FAULTS, 1);
        text.parse().unwrap()
    }

    /// Every way to take one key out of a table or of a table in it.
    fn without_one(table: &Table) -> Vec<(String, Table)> {
        let mut all = Vec::new();
        for (key, value) in table {
            let mut less = table.clone();
            less.remove(key);
            all.push((key.clone(), less));
            let mut put = |inner: Value, path: String| {
                let mut less = table.clone();
                less.insert(key.clone(), inner);
                all.push((path, less));
            };
            match value {
                Value::Table(inner) => {
                    for (path, less) in without_one(inner) {
                        put(Value::Table(less), format!("{key}.{path}"));
                    }
                }
                Value::Array(items) => {
                    for (nth, item) in items.iter().enumerate() {
                        let Value::Table(inner) = item else { continue };
                        for (path, less) in without_one(inner) {
                            let mut items = items.clone();
                            items[nth] = Value::Table(less);
                            put(Value::Array(items), format!("{key} {}.{path}", nth + 1));
                        }
                    }
                }
                _ => {}
            }
        }
        all
    }

    #[test]
    fn the_list_is_that_of_the_reader() {
        let full = full();
        assert!(missing_keys(&full).is_empty());
        Scenario::parse(&full.to_string()).unwrap();
        let mut n_needed = 0;
        for (path, less) in without_one(&full) {
            let by_reader = Value::Table(less.clone()).try_into::<Scenario>();
            let lacks = by_reader.is_err_and(|error| error.to_string().contains("missing field"));
            let listed = missing_keys(&less);
            assert_eq!(
                listed,
                if lacks { vec![path.clone()] } else { vec![] },
                "{path}"
            );
            n_needed += usize::from(lacks);
        }
        assert!(n_needed > 50, "{n_needed}");
    }

    #[test]
    fn all_that_is_missing_is_named_at_once() {
        let error =
            Scenario::parse("seed = 1\n[site]\nlatitude_deg = 5\n[[alignment]]\n").unwrap_err();
        for key in [
            "start_utc",
            "site.longitude_deg",
            "camera",
            "lens",
            "output",
            "alignment 1.axis",
            "alignment 1.pointing",
        ] {
            assert!(error.context.contains(key), "{error}");
        }
    }
}
