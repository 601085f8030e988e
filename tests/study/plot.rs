//! The study's picture: how the pulls lie, as plain SVG.

use std::fmt::Write;

use super::judge::Outcome;
use super::statistics::PullSummary;
use super::tables::{groups, pulls_of, signed};

const WIDTH: f64 = 900.0;
const HEIGHT: f64 = 460.0;
/// Left panel: histogram of pulls within so many sigmas.
const REACH: f64 = 5.0;
const BIN: f64 = 0.25;
const PANEL: (f64, f64, f64, f64) = (50.0, 50.0, 390.0, 350.0);
/// Right panel: spread of each group, on a logarithmic scale so that no tail falls off it.
const LABELS_END: f64 = 650.0;
const SPREAD_END: f64 = 880.0;
const SPREADS: [f64; 7] = [0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0];

/// Histogram of all pulls beside the unit normal, and the spread of each group.
pub fn picture(outcomes: &[Outcome]) -> String {
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" font-family=\"sans-serif\" font-size=\"11\">\n\
         <rect width=\"{WIDTH}\" height=\"{HEIGHT}\" fill=\"white\"/>\n"
    );
    histogram(&mut svg, &pulls_of(signed(outcomes)));
    spreads(&mut svg, outcomes);
    svg + "</svg>\n"
}

fn histogram(svg: &mut String, pulls: &[f64]) {
    let (left, top, width, height) = PANEL;
    let n_bins = (2.0 * REACH / BIN) as usize;
    let mut counts = vec![0usize; n_bins];
    for pull in pulls {
        let at = ((pull + REACH) / BIN)
            .floor()
            .clamp(0.0, (n_bins - 1) as f64);
        counts[at as usize] += 1;
    }
    let most = counts.iter().copied().max().unwrap_or(1).max(1) as f64;
    let expected = |pull: f64| {
        pulls.len() as f64 * BIN * (-0.5 * pull * pull).exp() / std::f64::consts::TAU.sqrt()
    };
    let scale = height / most.max(expected(0.0));
    let x = |pull: f64| left + (pull + REACH) / (2.0 * REACH) * width;
    let bottom = top + height;
    text(
        svg,
        left,
        24.0,
        "start",
        &format!("Pulls of both parts of the axis, {} values", pulls.len()),
    );
    for (bin, &count) in counts.iter().enumerate() {
        let tall = count as f64 * scale;
        let from = x(-REACH + bin as f64 * BIN);
        let _ = writeln!(
            svg,
            "<rect x=\"{from:.1}\" y=\"{:.1}\" width=\"{:.1}\" height=\"{tall:.1}\" fill=\"#7aa6c2\"/>",
            bottom - tall,
            width / n_bins as f64 - 0.7,
        );
    }
    let curve: Vec<String> = (0..=100)
        .map(|k| -REACH + 2.0 * REACH * f64::from(k) / 100.0)
        .map(|pull| format!("{:.1},{:.1}", x(pull), bottom - expected(pull) * scale))
        .collect();
    let _ = writeln!(
        svg,
        "<polyline points=\"{}\" fill=\"none\" stroke=\"#b03a2e\" stroke-width=\"1.5\"/>",
        curve.join(" ")
    );
    line(svg, (left, bottom), (left + width, bottom));
    for pull in -5..=5 {
        let at = x(f64::from(pull));
        line(svg, (at, bottom), (at, bottom + 4.0));
        text(svg, at, bottom + 17.0, "middle", &pull.to_string());
    }
    text(
        svg,
        left + 0.5 * width,
        bottom + 36.0,
        "middle",
        "(found - true) / stated sigma; line: unit normal; beyond 5 counts in the last bars",
    );
}

fn spreads(svg: &mut String, outcomes: &[Outcome]) {
    let (least, most) = (SPREADS[0], SPREADS[SPREADS.len() - 1]);
    let x = |spread: f64| {
        let share = (spread.clamp(least, most) / least).ln() / (most / least).ln();
        LABELS_END + share * (SPREAD_END - LABELS_END)
    };
    text(
        svg,
        470.0,
        24.0,
        "start",
        "Spread of pulls by group (rings: robust); 1 is right",
    );
    let shown = [
        "frames of the longest pointing",
        "pointings",
        "lens",
        "drive",
        "direction (single pointings)",
        "hemisphere",
    ];
    let rows: Vec<(String, Vec<f64>)> = groups(outcomes)
        .into_iter()
        .filter(|(title, _)| shown.contains(title))
        .flat_map(|(title, members)| {
            let short = title.split(' ').next().unwrap_or(title);
            members.into_iter().map(move |(name, nights)| {
                let name = name.trim();
                (format!("{short}: {name}"), pulls_of(nights.into_iter()))
            })
        })
        .collect();
    let step = (HEIGHT - 80.0) / rows.len().max(1) as f64;
    for (row, (name, pulls)) in rows.iter().enumerate() {
        let y = 46.0 + step * row as f64;
        let _ = writeln!(
            svg,
            "<text x=\"{:.0}\" y=\"{:.1}\" text-anchor=\"end\" font-size=\"9.5\">{name} ({})</text>",
            LABELS_END - 8.0,
            y + 3.0,
            pulls.len(),
        );
        if let Some(summary) = PullSummary::of(pulls) {
            let error = (2.0 * summary.n as f64).sqrt().recip() * summary.spread;
            line(
                svg,
                (x(summary.spread - error), y),
                (x(summary.spread + error), y),
            );
            let _ = writeln!(
                svg,
                "<circle cx=\"{:.1}\" cy=\"{y:.1}\" r=\"2.6\" fill=\"#33627f\"/>",
                x(summary.spread)
            );
            let _ = writeln!(
                svg,
                "<circle cx=\"{:.1}\" cy=\"{y:.1}\" r=\"3\" fill=\"none\" stroke=\"#33627f\"/>",
                x(summary.robust)
            );
        }
    }
    let bottom = HEIGHT - 34.0;
    for spread in SPREADS {
        let colour = if spread == 1.0 { "#b03a2e" } else { "#cccccc" };
        let _ = writeln!(
            svg,
            "<line x1=\"{0:.1}\" y1=\"36\" x2=\"{0:.1}\" y2=\"{bottom}\" stroke=\"{colour}\" stroke-width=\"0.8\"/>",
            x(spread)
        );
        text(
            svg,
            x(spread),
            bottom + 15.0,
            "middle",
            &format!("{spread}"),
        );
    }
}

fn line(svg: &mut String, from: (f64, f64), to: (f64, f64)) {
    let _ = writeln!(
        svg,
        "<line x1=\"{:.1}\" y1=\"{:.1}\" x2=\"{:.1}\" y2=\"{:.1}\" stroke=\"#333333\"/>",
        from.0, from.1, to.0, to.1
    );
}

fn text(svg: &mut String, x: f64, y: f64, anchor: &str, words: &str) {
    let _ = writeln!(
        svg,
        "<text x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"{anchor}\">{words}</text>"
    );
}
