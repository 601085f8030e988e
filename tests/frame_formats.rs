//! Analytic truth: one picture drawn by a formula must give the same light and facts in every format.

use std::path::{Path, PathBuf};

use stillpoint::frame::{Frame, Header, Overrides, PitchSource, missing, read_frame, read_header};
use stillpoint::units::{Angle, Length, Seconds, Site};

fn file(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("testdata/frames")
        .join(name)
}

fn frame(name: &str) -> Frame {
    read_frame(&file(name), &Overrides::default())
        .unwrap()
        .value
}

/// The formula of the picture: see scripts/make_test_frames.py.
fn light(x: usize, y: usize) -> f64 {
    let star = |cx: f64, cy: f64| {
        let square = (x as f64 - cx).powi(2) + (y as f64 - cy).powi(2);
        (-square / (2.0 * 1.5 * 1.5)).exp()
    };
    0.05 + 0.80 * star(12.0, 8.0) + 0.50 * star(36.0, 22.0)
}

/// Largest difference from the formula.
fn largest_error(frame: &Frame) -> f64 {
    let plane = &frame.plane;
    assert_eq!((plane.width(), plane.height()), (48, 32));
    let places = (0..32).flat_map(|y| (0..48).map(move |x| (x, y)));
    places
        .map(|(x, y)| (f64::from(plane.row(y)[x]) - light(x, y)).abs())
        .fold(0.0, f64::max)
}

/// Half a step of 65 535, and the rounding of single precision.
const WORD_STEP: f64 = 0.5 / 65535.0 + 1e-6;
/// Half a step of 255 at the steepest part of the sRGB curve (2.28 at white).
const BYTE_STEP: f64 = 0.5 * 2.28 / 255.0;
/// JPEG at quality 95 is off by a few steps; a picture mirrored or off by a pixel misses by 0.15.
const JPEG_ERROR: f64 = 0.03;

#[test]
fn formats_without_loss_give_the_light_they_were_made_from() {
    for name in ["grey16.png", "grey16.tif", "word.fits", "bottom_up.fits"] {
        let error = largest_error(&frame(name));
        assert!(error <= WORD_STEP, "{name}: {error}");
    }
    for name in ["float.tif", "float.fits"] {
        let error = largest_error(&frame(name));
        assert!(error <= 1e-6, "{name}: {error}");
    }
    for name in ["colour8.png", "colour8.tif"] {
        let error = largest_error(&frame(name));
        assert!(error <= BYTE_STEP, "{name}: {error}");
    }
}

#[test]
fn jpegs_of_every_kind_give_the_light_and_stand_upright() {
    for name in [
        "colour.jpg",
        "grey.jpg",
        "progressive.jpg",
        "rgb.jpg",
        "turned.jpg",
    ] {
        let error = largest_error(&frame(name));
        assert!(error <= JPEG_ERROR, "{name}: {error}");
    }
}

#[cfg(feature = "raw")]
#[test]
fn a_mosaic_gives_its_green_light_at_full_resolution() {
    // The mean of four sites flattens the core of a star of sigma 1.5 by 20 % of 0.80.
    const MOSAIC_ERROR: f64 = 0.17;
    let raw = frame("mosaic.dng");
    let error = largest_error(&raw);
    assert!(error <= MOSAIC_ERROR, "{error}");
    // Green sites are as measured, to the step of 14 bits.
    let (x, y) = (13, 8);
    let found = f64::from(raw.plane.row(y)[x]);
    assert!((found - light(x, y)).abs() < 0.5 / 15_871.0 + 1e-6);
    assert!(!raw.header.developed);
}

#[test]
fn all_facts_of_a_camera_are_read() {
    for name in ["colour.jpg", "turned.jpg", "colour8.png", "grey16.tif"] {
        let header = frame(name).header;
        assert_eq!(missing(&header), [], "{name}");
        let start = header.start.unwrap().to_string();
        assert_eq!(start, "2026-01-17T23:29:07.5Z", "{name}");
        assert_eq!(header.exposure, Some(Seconds::new(60.0)));
        assert_eq!(header.optics.focal_length, Some(Length::from_mm(24.0)));
        let pitch = (Length::from_um(5.0), PitchSource::FocalPlaneTags);
        assert_eq!(header.optics.pixel_pitch, Some(pitch));
        let site = header.site.unwrap();
        assert!((site.latitude().deg() + 33.5).abs() < 1e-9);
        assert!((site.longitude().deg() + 70.25).abs() < 1e-9);
        assert_eq!(site.height_m(), 2100.0);
        assert_eq!(header.camera.as_deref(), Some("Halden HX-24"));
        assert_eq!(header.lens.as_deref(), Some("Halden 24 mm f/2"));
    }
    let fits = frame("word.fits").header;
    assert_eq!(fits.start.unwrap().to_string(), "2026-01-17T23:29:07.5Z");
    assert_eq!(fits.optics.pixel_pitch.unwrap().0, Length::from_um(5.0));
}

#[test]
fn options_overrule_the_file() {
    let site = Site::new(Angle::from_deg(51.0), Angle::from_deg(-1.0)).unwrap();
    let overrides = Overrides {
        site: Some(site),
        utc_offset: Some(Seconds::new(-3600.0)),
        exposure: Some(Seconds::new(30.0)),
        focal_length: Some(Length::from_mm(25.0)),
        pixel_pitch: Some(Length::from_um(4.0)),
        ..Overrides::default()
    };
    let read = read_frame(&file("colour.jpg"), &overrides).unwrap();
    let header = read.value.header;
    assert_eq!(header.site, Some(site));
    assert_eq!(header.start.unwrap().to_string(), "2026-01-18T05:59:07.5Z");
    assert_eq!(header.exposure, Some(Seconds::new(30.0)));
    assert_eq!(header.optics.focal_length, Some(Length::from_mm(25.0)));
    let pitch = (Length::from_um(4.0), PitchSource::Option);
    assert_eq!(header.optics.pixel_pitch, Some(pitch));
}

/// Whether a file of the folder is a picture that this build reads.
fn is_read(path: &Path) -> bool {
    match path.extension().and_then(|ending| ending.to_str()) {
        Some("dng") => cfg!(feature = "raw"),
        ending => ending != Some("md"),
    }
}

#[test]
fn the_header_alone_says_the_same() {
    for entry in std::fs::read_dir(file("")).unwrap() {
        let path = entry.unwrap().path();
        if !is_read(&path) {
            continue;
        }
        let whole = read_frame(&path, &Overrides::default()).unwrap();
        let alone = read_header(&path, &Overrides::default()).unwrap();
        let plane = &whole.value.plane;
        let size = (plane.width(), plane.height());
        assert_eq!(alone.value.1, size, "{}", path.display());
        // The white level of counts shows in the pixels only.
        let without_level = |header: &Header| Header {
            saturation: 0.0,
            ..header.clone()
        };
        let (alone_header, whole_header) = (&alone.value.0, &whole.value.header);
        assert_eq!(without_level(alone_header), without_level(whole_header));
        assert_eq!(alone.warnings, whole.warnings);
    }
}

#[test]
fn light_does_not_depend_on_the_number_of_threads() {
    for name in ["turned.jpg", "colour8.png", "float.tif", "mosaic.dng"] {
        if !is_read(&file(name)) {
            continue;
        }
        let many = read_frame(&file(name), &Overrides::default()).unwrap();
        let pool = rayon::ThreadPoolBuilder::new().num_threads(1).build();
        let one = pool
            .unwrap()
            .install(|| read_frame(&file(name), &Overrides::default()));
        assert_eq!(one.unwrap(), many, "{name}");
    }
}
