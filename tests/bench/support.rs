//! Timing that the benches share: median and spread of several runs, a row each.
#![allow(clippy::print_stdout, clippy::disallowed_methods)] // A bench is there to time and print.

use std::time::{Duration, Instant};

/// Heads the columns of [`time`].
pub fn head() {
    println!("{:<36} {:>11} {:>11} {:>11}", "", "median", "best", "worst");
}

/// Runs the work once to warm up and then `n_runs` times, and prints how long it took.
pub fn time(name: &str, n_runs: usize, mut work: impl FnMut()) {
    work();
    let mut times: Vec<Duration> = (0..n_runs)
        .map(|_| {
            let start = Instant::now();
            work();
            start.elapsed()
        })
        .collect();
    times.sort();
    let (best, worst) = (times[0], times[n_runs - 1]);
    let median = times[n_runs / 2];
    println!("{name:<36} {median:>11.1?} {best:>11.1?} {worst:>11.1?}");
}
