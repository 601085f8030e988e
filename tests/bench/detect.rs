//! How long the stars of a 24-megapixel frame take, and that all bright ones are found.
//!
//! `cargo bench --bench detect`
//!
//! The frame is a demo frame laid out again and again, every second copy mirrored so that the sky
//! runs on smoothly over the seams.
#![allow(clippy::print_stdout)] // A bench is there to print.

#[path = "support.rs"]
mod support;

use std::path::Path;

use stillpoint::frame::{Frame, Overrides, Plane, read_frame};
use stillpoint::stars::measure_stars;

/// Pixels of the large frame.
const WIDTH: usize = 6000;
const HEIGHT: usize = 4000;

/// Runs of which the median is taken.
const N_RUNS: usize = 7;

/// Stars are bright if they outshine this one of the small frame, counted from the brightest; faint
/// ones come and go with the threshold that each frame's own noise sets.
const LAST_BRIGHT: usize = 500;

/// How far the number of bright stars may be from the small frame's, area by area: stars that cross
/// a seam are doubled. Last seen: 4 % fewer.
const COUNT_TOLERANCE: f64 = 0.1;

fn main() {
    let file = "testdata/demo/night/after-correction/QLN_0216.jpg";
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(file);
    let read = || read_frame(&path, &Overrides::default()).expect("a frame");
    let Frame { plane, header } = read().value;
    let large = tiled(&plane);
    let least = measure_stars(&plane, header.saturation).stars[LAST_BRIGHT].flux;
    let area_ratio = large.data().len() as f64 / plane.data().len() as f64;

    support::head();
    support::time("read one demo frame, 2.2 Mpx", N_RUNS, || {
        read();
    });
    support::time("measure one demo frame, 2.2 Mpx", N_RUNS, || {
        measure_stars(&plane, header.saturation);
    });
    support::time("measure 24 Mpx", N_RUNS, || {
        let stars = measure_stars(&large, header.saturation).stars;
        let bright = stars.iter().filter(|star| star.flux.value > least.value);
        let n_bright = bright.count() as f64;
        let ratio = n_bright / (LAST_BRIGHT as f64 * area_ratio);
        assert!(
            (ratio - 1.0).abs() < COUNT_TOLERANCE,
            "{n_bright} bright stars, {ratio:.3} of what was expected"
        );
    });
}

/// The plane repeated over the large frame, odd columns and rows of copies mirrored.
fn tiled(plane: &Plane) -> Plane {
    let folded = |at: usize, length: usize| match (at / length).is_multiple_of(2) {
        true => at % length,
        false => length - 1 - at % length,
    };
    let mut data = Vec::with_capacity(WIDTH * HEIGHT);
    for y in 0..HEIGHT {
        let row = plane.row(folded(y, plane.height()));
        data.extend((0..WIDTH).map(|x| row[folded(x, plane.width())]));
    }
    Plane::new(WIDTH, HEIGHT, data).expect("a plane")
}
