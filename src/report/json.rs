//! The JSON report: to standard output or to a file, whole or not at all.

use std::path::{Path, PathBuf};

use crate::error::{Error, Warned};

use super::NightReport;
use super::contract::Night;
use super::save::save;

/// Where the JSON goes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Target {
    /// `-`.
    StandardOutput,
    /// A file, written over if it is there.
    File(PathBuf),
}

impl Target {
    /// `-` or a path.
    pub fn of(path: &Path) -> Self {
        if path.as_os_str() == "-" {
            Target::StandardOutput
        } else {
            Target::File(path.to_path_buf())
        }
    }
}

/// The report as indented JSON with a line end after it.
pub fn to_string(report: &Warned<NightReport>) -> String {
    let night = Night::from(report);
    // The contract has text keys and plain values only, which serialise without fail.
    let mut text = serde_json::to_string_pretty(&night).unwrap_or_default();
    text.push('\n');
    text
}

/// Writes the report to a file: aside first, then renamed, so that no half of it ever stands there.
///
/// # Errors
/// When the system refuses to write, and when something else than JSON stands there already: a
/// slip of the hand must not cost a photograph.
pub fn write_file(report: &Warned<NightReport>, path: &Path) -> Result<(), Error> {
    save(
        path,
        &to_string(report),
        |start| start.starts_with(b"{"),
        "JSON file",
    )
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;
    use crate::error::ErrorKind;
    use crate::report::sample;
    use crate::units::{Angle, Measured};
    use serde_json::Value;
    use std::collections::BTreeSet;

    /// The contract as the project's design states it, a value where it also allows null.
    const CONTRACT: &str = r#"
    {"schema": 1, "program": {"name": "stillpoint", "version": "..."},
     "site": {"latitude_deg": 0, "longitude_deg": 0, "source": "gps"},
     "frames": [{"file": "relative/path", "alignment": "name", "pointing": 0, "used": true, "skipped_because": "...",
       "start_utc": "2026-01-01T00:00:00Z", "exposure_s": 60.0, "focal_length_mm": 150.0, "pixel_scale_arcsec": 4.6,
       "stars": 312, "identified_stars": 201, "fwhm_px": 2.7,
       "trail": {"length_px": 0, "length_sigma_px": 0, "angle_deg": 0, "angle_sigma_deg": 0, "length_arcsec": 0},
       "center": {"ra_deg": 0, "dec_deg": 0, "hour_angle_deg": 0, "altitude_deg": 0, "azimuth_deg": 0, "up_position_angle_deg": 0, "source": "stars"},
       "verdict": "round"}],
     "alignments": [{"name": "...", "frames": 4, "pointings": 2,
       "axis": {"altitude_error_arcmin": 0, "altitude_sigma_arcmin": 0, "azimuth_error_arcmin": 0, "azimuth_sigma_arcmin": 0, "correlation": 0,
                "total_arcmin": 0, "total_sigma_arcmin": 0, "mirror_ambiguous": false,
                "true_pole": {"altitude_error_arcmin": 0, "azimuth_error_arcmin": 0}},
       "drive": {"rate_ratio": 1.0, "rate_ratio_sigma": 0, "periodic": {"amplitude_arcsec": 0, "period_s": 0}},
       "cause": "axis", "causes": [{"cause": "axis", "trail_px": 2.9, "share": 0.8, "confidence": 0.97}],
       "decision": "realign",
       "correction": {"raise_arcmin": 0, "east_arcmin_on_sky": 0, "east_deg_horizontal": 0},
       "longest_exposure_s": {"now": 0, "after_correction": 0},
       "next_frames": [{"facing": "east", "hour_angle_deg": 0, "declination_deg": 0, "exposure_s": 0, "count": 2, "why": "..."}]}]}
    "#;

    /// Keys that were added to version 1 since.
    const ADDITIONS: [&str; 67] = [
        "/alignments/*/cause_confidence",
        "/alignments/*/axis/mirror",
        "/alignments/*/axis/mirror/altitude_error_arcmin",
        "/alignments/*/axis/mirror/azimuth_error_arcmin",
        "/alignments/*/axis/weak",
        "/alignments/*/axis/weak/across_sigma_arcmin",
        "/alignments/*/axis/weak/angle_deg",
        "/alignments/*/axis/weak/direction",
        "/alignments/*/axis/weak/sigma_arcmin",
        "/alignments/*/drive/periodic/amplitude_sigma_arcsec",
        "/alignments/*/drive/periodic/period_sigma_s",
        "/alignments/*/drive/periodic/watched_s",
        "/alignments/*/drive/standstills",
        "/alignments/*/exposure_outlook",
        "/alignments/*/exposure_outlook/kept",
        "/alignments/*/exposure_outlook/kept_by",
        "/alignments/*/exposure_outlook/kept/*/exposure_s",
        "/alignments/*/exposure_outlook/kept/*/share_after_correction",
        "/alignments/*/exposure_outlook/kept/*/share_now",
        "/alignments/*/exposure_outlook/lenses",
        "/alignments/*/exposure_outlook/lenses/*/after_correction_target_s",
        "/alignments/*/exposure_outlook/lenses/*/after_correction_worst_s",
        "/alignments/*/exposure_outlook/lenses/*/focal_length_mm",
        "/alignments/*/exposure_outlook/lenses/*/now_target_s",
        "/alignments/*/exposure_outlook/lenses/*/now_worst_s",
        "/alignments/*/headline",
        "/alignments/*/next_frames/*/altitude_deg",
        "/alignments/*/next_frames/*/sigma_after_arcmin",
        "/alignments/*/next_frames/*/untouched",
        "/alignments/*/pole_star",
        "/alignments/*/pole_star/at_utc",
        "/alignments/*/pole_star/belongs_clockwise_deg",
        "/alignments/*/pole_star/belongs_distance_arcmin",
        "/alignments/*/pole_star/instead_clockwise_deg",
        "/alignments/*/pole_star/instead_distance_arcmin",
        "/alignments/*/reasons",
        "/alignments/*/shortening",
        "/alignments/*/shortening/from_s",
        "/alignments/*/shortening/noise_growth",
        "/alignments/*/shortening/noise_growth_at_most",
        "/alignments/*/shortening/noise_growth_sigma",
        "/alignments/*/shortening/times_frames",
        "/alignments/*/shortening/to_s",
        "/alignments/*/shortening/unknown_because",
        "/alignments/*/todo",
        "/answer",
        "/assumptions",
        "/frames/*/against_drift",
        "/frames/*/against_drift/across_px",
        "/frames/*/against_drift/across_sigma_px",
        "/frames/*/against_drift/along_px",
        "/frames/*/against_drift/along_sigma_px",
        "/frames/*/drift",
        "/frames/*/drift/dx_px",
        "/frames/*/drift/dy_px",
        "/frames/*/drift/interval_s",
        "/frames/*/drift/sigma_px",
        "/frames/*/fwhm_sigma_px",
        "/frames/*/trail/covariance_px2",
        "/frames/*/trail_by_shapes",
        "/frames/*/trail_by_shapes/angle_deg",
        "/frames/*/trail_by_shapes/angle_sigma_deg",
        "/frames/*/trail_by_shapes/covariance_px2",
        "/frames/*/trail_by_shapes/length_arcsec",
        "/frames/*/trail_by_shapes/length_px",
        "/frames/*/trail_by_shapes/length_sigma_px",
        "/warnings",
    ];

    /// Every path to a key with the kind of its value, `*` for any place of a list.
    fn key_tree(value: &Value, path: &str, tree: &mut BTreeSet<(String, &'static str)>) {
        match value {
            Value::Object(fields) => {
                for (key, inner) in fields {
                    let inner_path = format!("{path}/{key}");
                    tree.insert((inner_path.clone(), kind(inner)));
                    key_tree(inner, &inner_path, tree);
                }
            }
            Value::Array(items) => {
                for item in items {
                    key_tree(item, &format!("{path}/*"), tree);
                }
            }
            _ => {}
        }
    }

    fn kind(value: &Value) -> &'static str {
        match value {
            Value::Null => "null",
            Value::Bool(_) => "boolean",
            Value::Number(_) => "number",
            Value::String(_) => "string",
            Value::Array(_) => "list",
            Value::Object(_) => "object",
        }
    }

    fn tree_of(text: &str) -> BTreeSet<(String, &'static str)> {
        let mut tree = BTreeSet::new();
        key_tree(&serde_json::from_str(text).unwrap(), "", &mut tree);
        tree
    }

    #[test]
    fn the_keys_are_those_of_the_contract_and_the_listed_additions() {
        let written = tree_of(&to_string(&sample::full()));
        let promised = tree_of(CONTRACT);
        let missing: Vec<_> = promised.difference(&written).collect();
        assert!(
            missing.is_empty(),
            "missing or of another kind: {missing:?}"
        );
        let extra: Vec<&str> = written
            .difference(&promised)
            .filter(|(_, kind)| *kind != "null")
            .map(|(path, _)| path.as_str())
            .filter(|path| !ADDITIONS.contains(path))
            .collect();
        assert!(extra.is_empty(), "not listed as additions: {extra:?}");
    }

    #[test]
    fn what_is_not_known_is_null_and_its_key_stays() {
        let value: Value = serde_json::from_str(&to_string(&sample::cannot_tell())).unwrap();
        for path in [
            "/site",
            "/alignments/0/axis",
            "/alignments/0/drive",
            "/alignments/0/correction",
            "/alignments/0/longest_exposure_s/now",
            "/frames/0/trail",
            "/frames/0/center",
            "/frames/0/start_utc",
        ] {
            assert_eq!(value.pointer(path), Some(&Value::Null), "{path}");
        }
    }

    #[test]
    fn numbers_that_are_not_finite_are_null() {
        let mut report = sample::full();
        let axis = report.value.alignments[0].axis.as_mut().unwrap();
        axis.altitude_error =
            Measured::new(Angle::from_deg(f64::NAN), Angle::from_deg(f64::INFINITY));
        let value: Value = serde_json::from_str(&to_string(&report)).unwrap();
        let axis = &value["alignments"][0]["axis"];
        assert!(axis["altitude_error_arcmin"].is_null());
        assert!(axis["altitude_sigma_arcmin"].is_null());
    }

    #[test]
    fn a_file_is_replaced_whole_and_nothing_is_left_beside_it() {
        let place = tempfile::tempdir().unwrap();
        let path = place.path().join("night.json");
        fs::write(&path, "{older}").unwrap();
        write_file(&sample::full(), &path).unwrap();
        assert_eq!(
            fs::read_to_string(&path).unwrap(),
            to_string(&sample::full())
        );
        assert_eq!(fs::read_dir(place.path()).unwrap().count(), 1);
    }

    #[test]
    fn a_photograph_is_never_written_over() {
        let place = tempfile::tempdir().unwrap();
        let path = place.path().join("IMG_0001.jpg");
        fs::write(&path, b"\xff\xd8\xff").unwrap();
        let error = write_file(&sample::full(), &path).unwrap_err();
        assert_eq!(error.kind, ErrorKind::BadSetting);
        assert_eq!(fs::read(&path).unwrap(), b"\xff\xd8\xff");
    }

    #[test]
    fn a_folder_that_is_missing_is_named() {
        let place = tempfile::tempdir().unwrap();
        let path = place.path().join("nowhere").join("night.json");
        let error = write_file(&sample::full(), &path).unwrap_err();
        assert_eq!(error.kind, ErrorKind::Io);
        assert!(error.context.contains("night.json") && error.hint.is_some());
    }
}
