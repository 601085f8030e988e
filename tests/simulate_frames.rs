//! Truth: synthetic. What is drawn lies where the simulator's own truth says, and the files say
//! what the scenario says.

use std::io::Cursor;
use std::path::Path;

use exif::{In, Tag, Value};
use stillpoint::simulate::{
    NoRealStars, Scenario, Simulation, SkyStar, StarSource, render, star_lists, write_night,
};
use stillpoint::stars::Star;

const NIGHT: &str = r#"
seed = 11
start_utc = "2026-03-14T20:15:30.25Z"
[site]
latitude_deg = -33.5
longitude_deg = -70.25
height_m = 1250.0
pressure_hpa = 880.0
temperature_c = 12.0
[camera]
maker = "Invented"
model = "I-1"
width_px = 900
height_px = 600
pitch_um = 4.0
read_noise_e = 1.0
full_well_e = 200000.0
iso = 100.0
bits = 16
[lens]
name = "Invented 100 mm"
focal_mm = 100.0
f_number = 2.8
fwhm_px = 2.6
[sky]
brightness_mag_arcsec2 = 21.5
[output]
format = "jpg"
utc_offset_h = -3.5
clock_error_s = 1.5
prefix = "INV"
first_number = 7
[[alignment]]
name = "one"
axis = { altitude_error_arcmin = 60.0, azimuth_error_arcmin = -150.0 }
drive = { rate = "sidereal", periodic = [{ amplitude_arcsec = 20.0, period_s = 400.0 }] }
[[alignment.pointing]]
facing = "north"
altitude_deg = 50.0
roll_deg = 20.0
frames = 2
exposure_s = 90.0
gap_s = 10.0
settle_s = 5.0
"#;

fn night_with(changes: &[(&str, &str)]) -> Scenario {
    let text = changes.iter().fold(NIGHT.to_owned(), |text, (from, to)| {
        assert!(text.contains(from), "{from}");
        text.replace(from, to)
    });
    Scenario::parse(&text).unwrap()
}

/// Light, mean and second moments (xx, xy, yy) of a window about a place, sky taken off.
fn moments(data: &[f32], width: usize, at: (f64, f64), half: i64) -> (f64, [f64; 2], [f64; 3]) {
    let (cx, cy) = (at.0.round() as i64, at.1.round() as i64);
    let value = |x: i64, y: i64| f64::from(data[y as usize * width + x as usize]);
    let mut border: Vec<f64> = (-half..=half)
        .flat_map(|k| [(k, -half), (k, half), (-half, k), (half, k)])
        .map(|(x, y)| value(cx + x, cy + y))
        .collect();
    border.sort_by(f64::total_cmp);
    let sky = border[border.len() / 2];
    let (mut sum, mut m1, mut m2) = (0.0, [0.0; 2], [0.0; 3]);
    for y in -half..=half {
        for x in -half..=half {
            let light = value(cx + x, cy + y) - sky;
            let (fx, fy) = ((cx + x) as f64 - at.0, (cy + y) as f64 - at.1);
            sum += light;
            m1 = [m1[0] + light * fx, m1[1] + light * fy];
            m2 = [
                m2[0] + light * fx * fx,
                m2[1] + light * fx * fy,
                m2[2] + light * fy * fy,
            ];
        }
    }
    let mean = [m1[0] / sum, m1[1] / sum];
    let spread = [
        m2[0] / sum - mean[0] * mean[0],
        m2[1] / sum - mean[0] * mean[1],
        m2[2] / sum - mean[1] * mean[1],
    ];
    (sum, [mean[0] + at.0, mean[1] + at.1], spread)
}

/// A few stars far apart and nothing else.
struct FewStars(Vec<SkyStar>);

impl StarSource for FewStars {
    fn stars_within(&self, _ra: f64, _dec: f64, _radius: f64, _years: f64) -> Vec<SkyStar> {
        self.0.clone()
    }
    fn limit(&self) -> f64 {
        30.0
    }
}

/// A grid of stars about the middle of the first frame.
fn grid_of_stars(scenario: &Scenario) -> FewStars {
    let night = Simulation::new(scenario, &NoRealStars)
        .unwrap()
        .night_truth()
        .unwrap();
    let frame = &night.alignments[0].frames[0];
    let (ra, dec) = (
        frame.center_ra_deg.to_radians(),
        frame.center_dec_deg.to_radians(),
    );
    let step = 0.0037;
    let stars = (0..25).map(|k| {
        let (i, j) = (f64::from(k % 5) - 2.0, f64::from(k / 5) - 2.0);
        let dec = dec + step * (j + 0.1 * i);
        SkyStar {
            ra: ra + step * i / dec.cos(),
            dec,
            magnitude: 7.0,
            real: true,
        }
    });
    FewStars(stars.collect())
}

#[test]
fn stars_are_drawn_where_their_paths_lie_as_long_and_as_bright() {
    let scenario = night_with(&[]);
    let source = grid_of_stars(&scenario);
    let simulation = Simulation::new(&scenario, &source).unwrap();
    let lists = simulation.star_lists(0.0).unwrap();
    let mut compared = 0;
    for (frame, list) in simulation.frames().map(Result::unwrap).zip(&lists) {
        assert_eq!(frame.truth.trail_center, list.truth.trail_center);
        let light = frame.picture.luminance();
        let well_inside = |s: &&Star| {
            s.position.x > 20.0
                && s.position.y > 20.0
                && s.position.x < 879.0
                && s.position.y < 579.0
        };
        for star in list.field.stars.iter().filter(well_inside) {
            let at = (star.position.x, star.position.y);
            let (sum, mean, spread) = moments(&light, 900, at, 13);
            let listed = [star.moments.xx, star.moments.xy, star.moments.yy];
            // Photon noise of the window, a few times over.
            assert!(
                (sum / star.flux.value - 1.0).abs() < 0.01,
                "{sum} {}",
                star.flux.value
            );
            assert!(
                (mean[0] - at.0).hypot(mean[1] - at.1) < 0.02,
                "{mean:?} {at:?}"
            );
            for (drawn, moment) in spread.iter().zip(listed) {
                assert!((drawn - moment).abs() < 0.15, "{spread:?} {listed:?}");
            }
            compared += 1;
        }
    }
    assert!(compared > 10, "{compared} stars compared");
}

#[test]
fn stated_sigmas_of_a_star_list_are_those_of_its_errors() {
    let scenario = night_with(&[]);
    let (exact, noisy) = (
        star_lists(&scenario, 0.0).unwrap(),
        star_lists(&scenario, 0.07).unwrap(),
    );
    let mut pulls = Vec::new();
    for (a, b) in exact.iter().zip(&noisy) {
        for (star, place) in b.field.stars.iter().zip(&b.places) {
            let Some(k) = a.places.iter().position(|p| p == place) else {
                continue;
            };
            let (still, sigma) = (&a.field.stars[k], star.position_covariance);
            pulls.push((star.position.x - still.position.x) / sigma.xx.sqrt());
            pulls.push((star.position.y - still.position.y) / sigma.yy.sqrt());
            pulls.push((star.moments.xx - still.moments.xx) / star.moments_sigma.xx);
            pulls.push((star.moments.xy - still.moments.xy) / star.moments_sigma.xy);
        }
    }
    let count = pulls.len() as f64;
    let spread = (pulls.iter().map(|p| p * p).sum::<f64>() / count).sqrt();
    assert!(count > 500.0, "{count}");
    // Three standard errors of a standard deviation.
    assert!(
        (spread - 1.0).abs() < 3.0 / (2.0 * count).sqrt(),
        "{spread} of {count}"
    );
}

#[test]
fn a_seed_gives_the_same_night_on_one_thread_and_on_many_and_another_seed_another() {
    let scenario = night_with(&[("frames = 2", "frames = 1")]);
    let draw = |threads: usize, scenario: &Scenario| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap();
        pool.install(|| render(scenario).unwrap())
    };
    let first = draw(1, &scenario);
    assert!(first == draw(3, &scenario));
    let other = night_with(&[("frames = 2", "frames = 1"), ("seed = 11", "seed = 12")]);
    assert!(first[0].picture != draw(2, &other)[0].picture);
}

#[test]
fn the_demo_s_truth_is_what_its_scenario_gives() {
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("testdata/demo");
    let scenario = Scenario::read(&demo.join("night.toml")).unwrap();
    let simulation = Simulation::new(&scenario, &NoRealStars).unwrap();
    let computed = simulation.night_truth().unwrap();
    let text = std::fs::read_to_string(demo.join("night.truth.json")).unwrap();
    let stored: serde_json::Value = serde_json::from_str(&text).unwrap();
    for (k, alignment) in computed.alignments.iter().enumerate() {
        for (j, frame) in alignment.frames.iter().enumerate() {
            let told = &stored["alignments"][k]["frames"][j];
            let number = |key: &str| told[key].as_f64().unwrap();
            assert_eq!(told["file"].as_str(), Some(frame.file.as_str()));
            assert!(demo.join("night").join(&frame.file).is_file());
            assert!((number("center_ra_deg") - frame.center_ra_deg).abs() < 1e-8);
            assert!((number("altitude_deg") - frame.altitude_deg).abs() < 1e-8);
            for axis in 0..2 {
                let net = told["trail_center"]["net_px"][axis].as_f64().unwrap();
                assert!((net - frame.trail_center.net_px[axis]).abs() < 1e-6);
            }
        }
    }
}

fn exif_of(path: &Path) -> exif::Exif {
    let bytes = std::fs::read(path).unwrap();
    exif::Reader::new()
        .read_from_container(&mut Cursor::new(bytes))
        .unwrap()
}

fn text(tags: &exif::Exif, tag: Tag) -> Option<String> {
    match &tags.get_field(tag, In::PRIMARY)?.value {
        Value::Ascii(lines) => Some(String::from_utf8(lines[0].clone()).unwrap()),
        _ => None,
    }
}

fn rationals(tags: &exif::Exif, tag: Tag) -> Vec<f64> {
    match &tags.get_field(tag, In::PRIMARY).unwrap().value {
        Value::Rational(values) => values.iter().map(|r| r.to_f64()).collect(),
        other => panic!("{other:?}"),
    }
}

#[test]
fn files_of_every_format_say_what_the_scenario_says() {
    for (format, file) in [
        ("jpg", "INV_0007.jpg"),
        ("png8", "INV_0007.png"),
        ("png16", "INV_0007.png"),
        ("tif8", "INV_0007.tif"),
        ("tif16", "INV_0007.tif"),
    ] {
        let folder = tempfile::tempdir().unwrap();
        let night = folder.path().join("night");
        let format_line = format!("format = \"{format}\"\norientation = 6");
        let scenario = night_with(&[
            ("format = \"jpg\"", &format_line),
            ("frames = 2", "frames = 1"),
        ]);
        write_night(&scenario, &night, &|_, _| ()).unwrap();
        assert!(folder.path().join("night.truth.json").is_file());
        let path = night.join("one").join(file);
        let tags = exif_of(&path);
        assert_eq!(text(&tags, Tag::Make).as_deref(), Some("Invented"));
        assert_eq!(
            text(&tags, Tag::LensModel).as_deref(),
            Some("Invented 100 mm")
        );
        // 20:15:30.25 UTC, 5 s of settling, a clock 1.5 s fast, three and a half hours west.
        assert_eq!(
            text(&tags, Tag::DateTimeOriginal).as_deref(),
            Some("2026:03:14 16:45:36")
        );
        assert_eq!(text(&tags, Tag::SubSecTimeOriginal).as_deref(), Some("75"));
        assert_eq!(
            text(&tags, Tag::OffsetTimeOriginal).as_deref(),
            Some("-03:30")
        );
        assert_eq!(rationals(&tags, Tag::ExposureTime), [90.0]);
        assert_eq!(rationals(&tags, Tag::FocalLength), [100.0]);
        assert_eq!(rationals(&tags, Tag::FocalPlaneXResolution), [2500.0]);
        assert_eq!(text(&tags, Tag::GPSLatitudeRef).as_deref(), Some("S"));
        assert_eq!(rationals(&tags, Tag::GPSLatitude), [33.0, 30.0, 0.0]);
        assert_eq!(text(&tags, Tag::GPSLongitudeRef).as_deref(), Some("W"));
        assert_eq!(rationals(&tags, Tag::GPSLongitude), [70.0, 15.0, 0.0]);
        let orientation = tags.get_field(Tag::Orientation, In::PRIMARY).unwrap();
        assert_eq!(orientation.value.get_uint(0), Some(6));
        let picture = image::open(&path).unwrap();
        assert_eq!((picture.width(), picture.height()), (900, 600), "{format}");
    }
}

#[test]
fn facts_left_out_are_in_neither_the_file_nor_the_header() {
    let folder = tempfile::tempdir().unwrap();
    let night = folder.path().join("night");
    let scenario = night_with(&[
        (
            "format = \"jpg\"",
            "format = \"jpg\"\nomit = [\"gps\", \"offset\", \"focal\", \"exposure\"]",
        ),
        ("frames = 2", "frames = 1"),
    ]);
    write_night(&scenario, &night, &|_, _| ()).unwrap();
    let tags = exif_of(&night.join("one/INV_0007.jpg"));
    for tag in [
        Tag::GPSLatitude,
        Tag::OffsetTimeOriginal,
        Tag::FocalLength,
        Tag::ExposureTime,
    ] {
        assert!(tags.get_field(tag, In::PRIMARY).is_none(), "{tag}");
    }
    let header = &star_lists(&scenario, 0.1).unwrap()[0].header;
    assert!(header.site.is_none() && header.start.is_none() && header.exposure.is_none());
    assert!(header.optics.focal_length.is_none() && header.optics.pixel_pitch.is_some());
}

#[test]
fn mistakes_in_a_scenario_are_named_with_key_value_and_range() {
    for (from, to, message) in [
        (
            "pitch_um = 4.0",
            "pitch_um = -4.0",
            "camera.pitch_um = -4 is out of range; allowed is 0.5 to 50",
        ),
        (
            "bits = 16",
            "bits = 16\nshutter = 3",
            "unknown field `shutter`",
        ),
        (
            "rate = \"sidereal\"",
            "rate = \"fast\"",
            "\"sidereal\", \"solar\", \"lunar\"",
        ),
        (
            "2026-03-14T20:15:30.25Z",
            "yesterday",
            "start_utc = \"yesterday\" is no UTC time",
        ),
        (
            "facing = \"north\"",
            "facing = \"up\"",
            "facing = \"up\" is not known",
        ),
        (
            "facing = \"north\"",
            "hour_angle_h = 1.0",
            "give either facing",
        ),
        (
            "frames = 2",
            "frames = 0",
            "pointing 0: frames = 0 is out of range",
        ),
        (
            "name = \"one\"",
            "name = \"../one\"",
            "must be letters, digits",
        ),
        (
            "latitude_deg = -33.5",
            "latitude_deg = nan",
            "site.latitude_deg = NaN is out of range",
        ),
    ] {
        assert!(NIGHT.contains(from), "{from}");
        let error = Scenario::parse(&NIGHT.replace(from, to)).unwrap_err();
        assert!(error.context.contains(message), "{}", error.context);
    }
    let missing = Scenario::read(Path::new("no/such/night.toml")).unwrap_err();
    assert!(
        missing.context.starts_with("no/such/night.toml: "),
        "{}",
        missing.context
    );
}
