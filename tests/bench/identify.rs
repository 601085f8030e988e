//! How long identification takes, and how often it is right.
//!
//! `cargo bench --bench identify` times single fields and asserts their answers;
//! `cargo bench --bench identify -- sweep 2000 SEED` counts right, missing and wrong answers over
//! pictures of the real sky, then over half as many random fields and a tenth as many mirror images;
//! `cargo bench --bench identify -- sparse 1000 SEED` does so for fields of few stars through a known
//! lens: that many random fields, two fifths as many real ones, a fifth as many mirror images.
#![allow(clippy::print_stdout, clippy::disallowed_methods)] // A bench is there to time and print.

#[path = "../support/fields.rs"]
mod fields;

use std::time::{Duration, Instant};

use fields::{
    Dice, Outcome, Picture, Scene, judge, mirrored, random_field, random_scene, sparse_scene,
};
use stillpoint::identify::{FocalRange, Hints, Identification, Identifier, KnownLens};
use stillpoint::sky::catalogue::Catalogue;
use stillpoint::stars::StarField;

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let is_sparse = words.iter().any(|word| word == "sparse");
    let at = words
        .iter()
        .position(|word| word == "sweep" || word == "sparse");
    let number = |offset: usize, default: u64| {
        let word = at.and_then(|at| words.get(at + offset));
        word.and_then(|w| w.parse().ok()).unwrap_or(default)
    };
    let start = Instant::now();
    let n_stars = Catalogue::embedded().len();
    println!(
        "catalogue: {n_stars} stars unpacked in {:.1?}",
        start.elapsed()
    );
    match at {
        Some(_) if is_sparse => sparse(number(1, 1000) as usize, number(2, 1)),
        Some(_) => sweep(number(1, 2000) as usize, number(2, 1)),
        None => single_fields(),
    }
}

/// One field of each kind: the first call with its preparation, then the median of many.
fn single_fields() {
    println!("{:<32} {:>12} {:>12}", "field", "first", "median");
    for (name, focal_mm, n_stars) in [
        ("14 mm, 100 degrees", 14.0, 400),
        ("35 mm, 54 degrees", 35.0, 400),
        ("135 mm, 15 degrees", 135.0, 200),
        ("400 mm, 5 degrees", 400.0, 100),
    ] {
        let scene = scene_of(focal_mm).with_stars(n_stars);
        let picture = scene.picture(&mut Dice::new(3));
        time_of(name, &picture.field, &hints(&scene), |plate| {
            assert!(plate, "{name} was not identified");
        });
    }
    let scene = scene_of(135.0).with_stars(200);
    let picture = scene.picture(&mut Dice::new(3));
    let plate = Identifier::new().identify(&picture.field, &hints(&scene));
    let helped = Hints {
        prior: plate.plate().cloned(),
        ..hints(&scene)
    };
    time_of(
        "135 mm, beside a known frame",
        &picture.field,
        &helped,
        |plate| assert!(plate),
    );
    let stranger = random_field(&mut Dice::new(4), 6000, 4000, 200);
    time_of(
        "135 mm, random stars (refused)",
        &stranger,
        &hints(&scene),
        |plate| {
            assert!(!plate, "random stars were identified");
        },
    );
}

fn scene_of(focal_mm: f64) -> Scene {
    Scene {
        width: 6000,
        height: 4000,
        focal_px: focal_mm / 36.0 * 6000.0,
        ra_deg: 83.0,
        dec_deg: -3.0,
        up_deg: 20.0,
        corner_distortion: -0.01,
        limit: 10.0,
        noise_px: 0.2,
        trail_px: 0.0,
        missing: 0.3,
        spurious: 0.2,
    }
}

fn hints(scene: &Scene) -> Hints {
    Hints::new(FocalRange::about(scene.focal_px * 1.05, 0.1).expect("a focal length"))
}

fn time_of(name: &str, field: &StarField, hints: &Hints, check: impl Fn(bool)) {
    let identifier = Identifier::new();
    let ask = || {
        let start = Instant::now();
        let answer = identifier.identify(field, hints);
        let took = start.elapsed();
        check(answer.plate().is_some());
        took
    };
    let first = ask();
    let mut times: Vec<Duration> = (0..15).map(|_| ask()).collect();
    times.sort();
    println!("{name:<32} {first:>12.1?} {:>12.1?}", times[7]);
}

/// Counts and times of a sweep.
#[derive(Default)]
struct Tally {
    n_right: usize,
    n_missing: usize,
    n_wrong: usize,
    times: Vec<Duration>,
}

impl Tally {
    fn add(&mut self, outcome: Outcome, took: Duration) {
        match outcome {
            Outcome::Right => self.n_right += 1,
            Outcome::NotFound => self.n_missing += 1,
            Outcome::Wrong => self.n_wrong += 1,
        }
        self.times.push(took);
    }

    fn print(&mut self, name: &str) {
        self.times.sort();
        let at = |share: f64| {
            let last = self.times.len().saturating_sub(1);
            self.times
                .get((share * last as f64) as usize)
                .copied()
                .unwrap_or_default()
        };
        println!(
            "{name:<40} right {:5} not found {:5} wrong {:3}   median {:8.1?}  99 % {:8.1?}  worst {:8.1?}",
            self.n_right,
            self.n_missing,
            self.n_wrong,
            at(0.5),
            at(0.99),
            at(1.0)
        );
    }
}

fn sweep(n_fields: usize, seed: u64) {
    let identifier = Identifier::new();
    let mut dice = Dice::new(seed);
    let (mut many, mut few) = (Tally::default(), Tally::default());
    let (mut random, mut mirror) = (Tally::default(), Tally::default());
    let ask = |field: &StarField, focal_px: f64, picture: &Picture| {
        let hints = Hints::new(FocalRange::about(focal_px, 0.12).expect("a focal length"));
        let start = Instant::now();
        let answer = identifier.identify(field, &hints);
        let took = start.elapsed();
        (judge(&answer, picture), answer.plate().is_some(), took)
    };
    for case in 0..n_fields {
        let n_stars = dice.pick(&[20, 40, 80, 200, 800]);
        let scene = random_scene(&mut dice).with_stars(n_stars);
        let picture = scene.picture(&mut dice);
        let stated_px = scene.focal_px * (1.0 + dice.between(-0.1, 0.1));
        let (outcome, _, took) = ask(&picture.field, stated_px, &picture);
        let tally = if picture.n_in_frame >= 15 {
            &mut many
        } else {
            &mut few
        };
        tally.add(outcome, took);
        let refuse = |tally: &mut Tally, field: &StarField| {
            let (_, found, took) = ask(field, stated_px, &picture);
            let outcome = if found {
                Outcome::Wrong
            } else {
                Outcome::NotFound
            };
            tally.add(outcome, took);
        };
        if case % 2 == 0 {
            let n_stars = picture.field.stars.len().max(5);
            let field = random_field(&mut dice, scene.width, scene.height, n_stars);
            refuse(&mut random, &field);
        }
        if case % 10 == 0 {
            refuse(&mut mirror, &mirrored(&picture.field));
        }
    }
    many.print("15 and more catalogue stars on the frame");
    few.print("fewer");
    random.print("random stars");
    mirror.print("mirror images");
    assert_eq!(
        many.n_wrong + few.n_wrong + random.n_wrong + mirror.n_wrong,
        0
    );
}

/// Fields of few stars through a lens that is known: how many are found, by how many stars visible.
fn sparse(n_random: usize, seed: u64) {
    let identifier = Identifier::new();
    let mut dice = Dice::new(seed);
    let mut by_visible: Vec<Tally> = (0..13).map(|_| Tally::default()).collect();
    let mut unaided = Tally::default();
    let (mut random, mut mirror) = (Tally::default(), Tally::default());
    let ask = |field: &StarField, known: KnownLens| {
        let hints = Hints::with_lens(known).expect("a focal length");
        let start = Instant::now();
        let answer = identifier.identify(field, &hints);
        (answer, start.elapsed())
    };
    let refusal = |answer: &Identification| match answer.plate() {
        Some(_) => Outcome::Wrong,
        None => Outcome::NotFound,
    };
    for case in 0..n_random {
        let scene = sparse_scene(&mut dice);
        let known = scene.known_lens(&mut dice);
        let n_stars = dice.between(6.0, 20.99) as usize;
        let field = random_field(&mut dice, scene.width, scene.height, n_stars);
        let (answer, took) = ask(&field, known);
        random.add(refusal(&answer), took);
        if case % 5 < 2 {
            let picture = scene.picture(&mut dice);
            let n_visible = picture.truth.iter().flatten().count();
            let (answer, took) = ask(&picture.field, known);
            by_visible[n_visible.min(12)].add(judge(&answer, &picture), took);
            let lens_unknown = Hints::new(FocalRange::about(scene.focal_px, 0.12).expect("legal"));
            let start = Instant::now();
            let answer = identifier.identify(&picture.field, &lens_unknown);
            unaided.add(judge(&answer, &picture), start.elapsed());
            if case % 5 == 0 {
                let (answer, took) = ask(&mirrored(&picture.field), known);
                mirror.add(refusal(&answer), took);
            }
        }
    }
    for (n_visible, tally) in by_visible.iter_mut().enumerate() {
        tally.print(&format!("{n_visible} catalogue stars visible"));
    }
    unaided.print("all of them, lens unknown");
    random.print("6 to 20 random stars, lens known");
    mirror.print("mirror images, lens known");
    let n_wrong: usize = by_visible.iter().map(|tally| tally.n_wrong).sum();
    assert_eq!(
        n_wrong + unaided.n_wrong + random.n_wrong + mirror.n_wrong,
        0
    );
}
