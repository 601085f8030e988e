//! How near the measuring of stars comes to the least scatter possible, over a grid of pictures, and the
//! smallest trail that a frame of 300 stars shows.
//!
//! `cargo bench --bench limit`, or some of the grid's rows with other numbers of frames:
//! `cargo bench --bench limit -- sky=100 fwhm=5 ratio=20 trail=10 frames=100`
//!
//! Columns: scatter over the bound, bias and spread of errors over sigmas, on two axes each (along and
//! across long trails, the pixel axes for short ones), of the place and of the trail: of its vector in
//! pixels where it is long, of the elongation in square pixels where it is short. The last two
//! columns are the trail's biases again with their standard errors, from as many pairs of frames with the
//! same noise of either sign, in which most of the scatter cancels.
#![allow(clippy::print_stdout)] // A bench is there to print.

#[path = "../support/limit.rs"]
mod limit;

use limit::{
    Bound, Errors, Outcome, Shot, mean_elongation, mean_shape_errors, shows_trail, three_hundred,
};

/// Direction of the trails.
const ANGLE_RAD: f64 = 0.7;
/// Largest scatter over the bound that the table may show: 1.2, and what chance adds for some hundred stars.
const MOST_OVER_BOUND: f64 = 1.3;

fn shot(fwhm: f64, length: f64, ratio: f64) -> Shot {
    Shot {
        fwhm,
        wings: 0.0,
        trail: (length * ANGLE_RAD.cos(), length * ANGLE_RAD.sin()),
        sky_e: 400.0,
        ratio,
        brighter: 1.0,
        // Fewer of the narrow stars than a frame's fits stop at: whichever noise makes strongest would be fitted.
        size: if fwhm < 2.0 { (560, 500) } else { (640, 560) },
        seed: 11,
    }
}

fn main() {
    let picked = Picked::of(std::env::args().skip(1));
    grid(&picked);
    if picked.0.is_empty() {
        smallest_trail();
    }
}

/// Rows that were asked for, by `name=value`; all without.
struct Picked(Vec<(String, f64)>);

impl Picked {
    fn of(arguments: impl Iterator<Item = String>) -> Self {
        // Cargo hands each bench an option of its own.
        let pairs = arguments.filter(|a| !a.starts_with("--")).map(|argument| {
            let (name, value) = argument.split_once('=').expect("name=value");
            let known = ["sky", "wings", "fwhm", "ratio", "trail", "frames"];
            assert!(known.contains(&name), "{name}: one of {known:?}");
            (name.to_owned(), value.parse().expect("a number"))
        });
        Self(pairs.collect())
    }
    fn value(&self, name: &str) -> Option<f64> {
        let found = self.0.iter().find(|(known, _)| known == name);
        found.map(|(_, value)| *value)
    }
    fn holds(&self, shot: &Shot, length: f64) -> bool {
        let row = [
            ("sky", shot.sky_e),
            ("wings", shot.wings),
            ("fwhm", shot.fwhm),
            ("ratio", shot.ratio),
            ("trail", length),
        ];
        row.iter()
            .all(|(name, value)| self.value(name).is_none_or(|wanted| wanted == *value))
    }
    /// Frames of small stars hold more of them.
    fn n_frames(&self, shot: &Shot) -> u64 {
        let usual = (shot.fwhm + 0.1 * shot.length()).ceil();
        self.value("frames").unwrap_or(usual) as u64
    }
}

fn grid(picked: &Picked) {
    println!(
        "{:>5} {:>5} {:>4} {:>4} {:>5} {:>5} | place: over bound, bias, pull               | trail: the same                             | bias by pairs",
        "sky", "wings", "fwhm", "S/N", "trail", "stars"
    );
    for (sky_e, wings) in [(2000.0, 0.0), (100.0, 0.0), (400.0, 0.2)] {
        for fwhm in [1.5, 2.5, 5.0] {
            for ratio in [20.0, 60.0, 200.0] {
                for length in [0.0, 1.0, 2.5, 5.0, 10.0, 20.0] {
                    let shot = Shot {
                        sky_e,
                        wings,
                        ..shot(fwhm, length, ratio)
                    };
                    if picked.holds(&shot, length) {
                        row(shot, picked.n_frames(&shot));
                    }
                }
            }
        }
    }
}

fn row(shot: Shot, n_frames: u64) {
    let (bound, outcome) = (Bound::of(&shot), Outcome::of(&shot, n_frames));
    let told = |errors: &[Errors; 2], bound: [f64; 2]| {
        let [a, b] = errors;
        let over = [a.scatter() / bound[0], b.scatter() / bound[1]];
        assert!(
            over.iter().all(|o| *o < MOST_OVER_BOUND),
            "{shot:?}: {over:?}"
        );
        format!(
            "{:5.3} {:5.3}  {:6.3} {:6.3}  {:5.3} {:5.3}",
            over[0],
            over[1],
            a.bias(),
            b.bias(),
            a.pull(),
            b.pull()
        )
    };
    let bias = mean_shape_errors(&shot, n_frames).map(|(b, sigma)| format!("{b:7.4} ± {sigma:.4}"));
    println!(
        "{:5} {:5} {:4} {:4} {:5} {:5} | {} | {} | {}",
        shot.sky_e,
        shot.wings,
        shot.fwhm,
        shot.ratio,
        shot.length(),
        outcome.found,
        told(&outcome.place, bound.place),
        told(&outcome.shape, bound.shape),
        bias.join("  ")
    );
}

/// Share of frames that show a trail, by its length: by the noise of the light alone, and by the frame trail's
/// own statement, which allows for stars that a lens leaves out of round. A trail is seen where chance
/// alone would leave it out of round as far in one frame of twenty.
fn smallest_trail() {
    const N_FRAMES: u64 = 100;
    println!("\n300 stars of 2.5 px, S/N 20 to 200 (median 37), {N_FRAMES} frames a row");
    println!(
        "{:>6} {:>16} {:>16} {:>20} {:>20}",
        "trail", "seen, noise", "seen, as told", "mean square of e/s", "sigma of e"
    );
    for length in [0.0, 0.2, 0.3, 0.35, 0.4, 0.5, 0.6, 0.7, 0.8, 1.0] {
        let (mut by_noise, mut as_told, mut pulls, mut sigmas) = (0, 0, 0.0, 0.0);
        for frame in 0..N_FRAMES {
            let field = three_hundred(shot(2.5, length, 20.0), frame);
            let [(e1, s1), (e2, s2)] = mean_elongation(&field);
            let truth = [(2.0 * ANGLE_RAD).cos(), (2.0 * ANGLE_RAD).sin()]
                .map(|t| t * length * length / 12.0);
            pulls += 0.5 * (((e1 - truth[0]) / s1).powi(2) + ((e2 - truth[1]) / s2).powi(2));
            sigmas += (s1 * s2).sqrt();
            let [noise, told] = shows_trail(&field);
            by_noise += usize::from(noise);
            as_told += usize::from(told);
        }
        println!(
            "{length:6} {:14.0} % {:14.0} % {:20.2} {:20.4}",
            100.0 * by_noise as f64 / N_FRAMES as f64,
            100.0 * as_told as f64 / N_FRAMES as f64,
            pulls / N_FRAMES as f64,
            sigmas / N_FRAMES as f64
        );
    }
}
