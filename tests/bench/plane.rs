//! Times the stars of one plane of raw light, for scripts/speed-against-sep.
//!
//! `cargo bench --bench plane -- FILE WIDTH HEIGHT RUNS`; the file holds 32-bit floats, least byte first,
//! row by row, full scale 1. Prints wall and processor seconds of each run and the number of stars.
#![allow(clippy::print_stdout, clippy::disallowed_methods)] // A bench is there to time and print.

use std::time::Instant;

use stillpoint::frame::Plane;
use stillpoint::stars::measure_stars;

/// Saturation of a camera's linear light at full scale.
const SATURATION: f32 = 0.98;
/// Ticks a second of the processor times in /proc (common practice on Linux, no source).
const TICKS_PER_SECOND: f64 = 100.0;

fn main() {
    let words: Vec<String> = std::env::args()
        .skip(1)
        .filter(|w| w != "--bench")
        .collect();
    let [file, width, height, n_runs] = words.as_slice() else {
        println!("give FILE WIDTH HEIGHT RUNS; scripts/speed-against-sep does");
        return;
    };
    let number = |word: &String| word.parse::<usize>().expect("a whole number");
    let bytes = std::fs::read(file).expect("a file of light");
    let light = bytes
        .chunks_exact(4)
        .map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]]));
    let plane = Plane::new(number(width), number(height), light.collect()).expect("sizes agree");
    for _ in 0..number(n_runs) {
        let (before, start) = (processor_seconds(), Instant::now());
        let field = measure_stars(&plane, SATURATION);
        let wall = start.elapsed().as_secs_f64();
        println!(
            "{wall:.3} {:.3} {}",
            processor_seconds() - before,
            field.stars.len()
        );
    }
}

/// Of all threads of this process; zero where the system does not tell.
fn processor_seconds() -> f64 {
    let status = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let after_name = status.rsplit(')').next().unwrap_or_default();
    let ticks = after_name.split_whitespace().skip(11).take(2);
    ticks.filter_map(|t| t.parse::<f64>().ok()).sum::<f64>() / TICKS_PER_SECOND
}
