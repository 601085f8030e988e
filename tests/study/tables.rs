//! The study's tables, in Markdown.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write;

use stillpoint::diagnosis::Cause;

use super::draw::Fault;
use super::judge::Outcome;
use super::statistics::{PullSummary, binomial_error, median};

/// The page from all outcomes: nights without bump and sag, and nights with them.
pub fn page(seed: u64, seconds: f64, outcomes: &[Outcome], disturbed: &[Outcome]) -> String {
    let mut page = format!(
        "# Recovery study\n\n\
         Written by `scripts/recovery-study`; do not edit. {} nights of seed {seed} are drawn at random \
         (`tests/study/draw.rs`) with the crate's simulator: star lists with normal noise of the stated \
         sigma and a shared error of each frame, no pixels. Each goes through the whole pipeline after \
         the measuring of stars and is compared with its truth. A pull is (found - true) / stated sigma. \
         One night alone: `scripts/recovery-study --night NUMBER --seed {seed}`. Stars lower than 10 degrees are \
         not listed: ground and haze hide them, and the truth's refraction does not hold there.\n\n\
         Weather, the camera's clock and the catalogue's places are off by what the program allows for: \
         15 degrees C, 10 hPa, 10 s and 0.5 arcsec, 1-sigma, each drawn anew.\n\n\
         {} more nights have a bump, sag or both; they have a part of their own at the end.\n\n\
         Took {seconds:.0} s for {} frames on {} threads, drawing included.\n\n\
         ![Pulls of the axis](pulls.svg)\n\n",
        outcomes.len(),
        disturbed.len(),
        outcomes
            .iter()
            .chain(disturbed)
            .map(Outcome::n_frames)
            .sum::<usize>(),
        rayon::current_num_threads(),
    );
    page += &answers(outcomes);
    page += &axis_pulls(outcomes);
    page += &drive_pulls(outcomes);
    page += &wrong_ways(outcomes);
    page += &outliers(outcomes);
    page += &confusion(outcomes);
    page += &confidences(outcomes);
    page += &of_disturbed(disturbed);
    page
}

/// What comes of nights in which something beside the drive moved the camera.
fn of_disturbed(outcomes: &[Outcome]) -> String {
    let mut text = format!(
        "\n# Nights with bump or sag\n\n{} nights, drawn alike but for the disturbance; \
         `scripts/recovery-study --disturbed --night NUMBER` shows one.\n\n",
        outcomes.len()
    );
    text += &answers(outcomes);
    text += "## Pulls of the axis of these nights\n\n";
    text += PULL_HEAD;
    for (name, nights) in by(outcomes, disturbances) {
        text += &group_row(&name, &nights);
    }
    text += "\n";
    text += &wrong_ways(outcomes);
    text += &outliers(outcomes);
    text += "## Causes of these nights\n\nTrue cause down, reported cause across:\n\n";
    text + &matrix(&outcomes.iter().collect::<Vec<_>>())
}

/// Nights with an axis and its sign.
pub fn signed(outcomes: &[Outcome]) -> impl Iterator<Item = &Outcome> + Clone {
    outcomes
        .iter()
        .filter(|one| one.axis.is_some() && !one.mirrored)
}

/// Pulls of both parts.
pub fn pulls_of<'a>(outcomes: impl Iterator<Item = &'a Outcome>) -> Vec<f64> {
    let parts = outcomes.filter_map(|one| one.axis).flatten();
    parts.map(|part| part.pull()).collect()
}

fn answers(outcomes: &[Outcome]) -> String {
    let mut text = String::from("## What came out\n\n| outcome | nights |\n|---|---|\n");
    let mut count = BTreeMap::new();
    for one in outcomes {
        *count
            .entry(one.no_axis().unwrap_or("axis with its sign"))
            .or_insert(0) += 1;
    }
    for (outcome, n) in count {
        let _ = writeln!(text, "| {outcome} | {n} |");
    }
    text + "\n"
}

/// A group's name within its table, and its members.
type Groups<'a> = Vec<(String, Vec<&'a Outcome>)>;

/// Names of the groups that a night belongs to.
type NamesOf = fn(&Outcome) -> Vec<String>;

/// What nights are grouped by, and how.
const GROUPINGS: [(&str, NamesOf); 11] = [
    ("frames of the longest pointing", |one| {
        band(one.most_frames(), &[2, 3, 4, 6, 9])
    }),
    ("pointings", |one| vec![one.night.looks.len().to_string()]),
    ("lens", |one| {
        vec![lens_band(one.night.scenario.lens.focal_mm)]
    }),
    ("hemisphere", |one| {
        let south = one.night.scenario.site.latitude_deg < 0.0;
        vec![if south { "south" } else { "north" }.into()]
    }),
    ("latitude, degrees", |one| {
        let latitude = one.night.scenario.site.latitude_deg.abs();
        band(latitude as usize, &[0, 15, 30, 50])
    }),
    ("drive", |one| vec![one.night.fault.name().into()]),
    ("direction (single pointings)", |one| {
        let looks = one.night.looks.iter();
        let names = looks.map(|look| look.name().into());
        names.filter(|_| one.night.looks.len() == 1).collect()
    }),
    ("refraction off what is assumed, percent", |one| {
        band((100.0 * one.night.air_off.abs()) as usize, &[0, 3, 6])
    }),
    ("clock off, seconds", |one| {
        band(one.night.clock_s.abs() as usize, &[0, 5, 10, 20])
    }),
    ("noise of a star, hundredths of a pixel", |one| {
        band((100.0 * one.night.listing.star_px) as usize, &[3, 6, 10])
    }),
    ("axis error, arcminutes", |one| {
        let axis = one.night.scenario.alignments[0].axis;
        let total = axis.altitude_error_arcmin.hypot(axis.azimuth_error_arcmin);
        band(total as usize, &[0, 5, 20, 50])
    }),
];

fn disturbances(one: &Outcome) -> Vec<String> {
    let alignment = &one.night.scenario.alignments[0];
    let mut names = Vec::new();
    if alignment.sag.is_some() {
        names.push("sag".into());
    }
    if !alignment.bumps.is_empty() {
        names.push("bump".into());
    }
    names
}

/// Nights with an axis and its sign by everything that may matter.
pub fn groups(outcomes: &[Outcome]) -> Vec<(&'static str, Groups<'_>)> {
    GROUPINGS
        .iter()
        .map(|(title, names)| (*title, by(outcomes, names)))
        .collect()
}

fn by(outcomes: &[Outcome], names: impl Fn(&Outcome) -> Vec<String>) -> Groups<'_> {
    let mut groups: BTreeMap<String, Vec<&Outcome>> = BTreeMap::new();
    for one in signed(outcomes) {
        for name in names(one) {
            groups.entry(name).or_default().push(one);
        }
    }
    groups.into_iter().collect()
}

/// Where a number lies between edges.
fn band(value: usize, edges: &[usize]) -> Vec<String> {
    let Some(at) = edges.iter().rposition(|edge| value >= *edge) else {
        return Vec::new();
    };
    vec![match edges.get(at + 1) {
        Some(&next) if next == edges[at] + 1 => format!("{:>2}", edges[at]),
        Some(next) => format!("{:>2} to {}", edges[at], next - 1),
        None => format!("{:>2} and more", edges[at]),
    }]
}

fn lens_band(focal_mm: f64) -> String {
    match focal_mm as usize {
        ..=24 => " 14 to 24 mm",
        25..=85 => " 35 to 85 mm",
        86..=200 => "105 to 200 mm",
        _ => "250 to 400 mm",
    }
    .into()
}

const PULL_HEAD: &str = "| | nights | mean | spread | robust | in 1 sigma | in 1.96 sigma | worst | median sigma |\n|---|---|---|---|---|---|---|---|---|\n";

fn axis_pulls(outcomes: &[Outcome]) -> String {
    let mut text = String::from(
        "## Pulls of the axis\n\nNights with an axis and its sign. Right would be mean 0, spread 1, 68.3 % and 95 %; \
         after `+-` stands what chance alone makes of it, taking the two parts of a night as independent. \
         Spread is about zero; robust is half of the distance between the 15.9 % and 84.1 % points. \
         The last column is the median of the stated sigmas, arcminutes, as is the noise of the found values where they are right.\n\n",
    );
    text += PULL_HEAD;
    let all: Vec<&Outcome> = signed(outcomes).collect();
    for (part, name) in ["altitude part", "azimuth part"].iter().enumerate() {
        let parts = all.iter().filter_map(|one| one.axis).map(|axis| axis[part]);
        let pulls: Vec<f64> = parts.clone().map(|part| part.pull()).collect();
        text += &row(
            name,
            all.len(),
            &pulls,
            median(parts.map(|part| part.sigma)),
        );
    }
    text += &group_row("both", &all);
    text += &ellipses(&all);
    for (title, members) in groups(outcomes) {
        let _ = write!(text, "\nBy {title}, both parts:\n\n{PULL_HEAD}");
        for (name, nights) in members {
            text += &group_row(&name, &nights);
        }
    }
    text + "\n"
}

fn group_row(name: &str, nights: &[&Outcome]) -> String {
    let parts = nights.iter().filter_map(|one| one.axis).flatten();
    let sigma = median(parts.map(|part| part.sigma));
    row(name, nights.len(), &pulls_of(nights.iter().copied()), sigma)
}

fn row(name: &str, nights: usize, pulls: &[f64], sigma: f64) -> String {
    let Some(s) = PullSummary::of(pulls) else {
        return format!("| {} | {nights} | | | | | | | |\n", name.trim());
    };
    let n = s.n as f64;
    format!(
        "| {name} | {nights} | {:+.2} +- {:.2} | {:.2} +- {:.2} | {:.2} | {:.1} +- {:.1} % | {:.1} +- {:.1} % | {:.1} | {sigma:.2}' |\n",
        s.mean,
        n.sqrt().recip(),
        s.spread,
        (2.0 * n).sqrt().recip(),
        s.robust,
        100.0 * s.within_1,
        100.0 * binomial_error(0.6827, s.n),
        100.0 * s.within_2,
        100.0 * binomial_error(0.95, s.n),
        s.worst,
    )
}

/// Both parts together, by the stated covariance: chi-square with two degrees of freedom.
fn ellipses(nights: &[&Outcome]) -> String {
    let squares: Vec<f64> = nights
        .iter()
        .filter_map(|one| one.distance_square)
        .collect();
    let share = |limit: f64| {
        100.0 * squares.iter().filter(|square| **square <= limit).count() as f64
            / squares.len().max(1) as f64
    };
    // Limits of chi-square with two degrees: -2 ln(1 - p).
    format!(
        "\nError ellipses of both parts with their correlation: {:.1} % of the nights lie within that of 68.3 %, {:.1} % within that of 95 %.\n",
        share(-2.0 * (1.0f64 - 0.6827).ln()),
        share(-2.0 * (1.0f64 - 0.95).ln()),
    )
}

fn drive_pulls(outcomes: &[Outcome]) -> String {
    let mut text = String::from(
        "## Pulls of the drive's rate\n\nMean rate against the nominal one. A drive that swings, stands at first or slips has no one rate in a short stretch; \
         those rows only show how far the sigma allows for it.\n\n| | nights | mean | spread | robust | in 1 sigma | in 1.96 sigma | worst | median sigma, ppm |\n|---|---|---|---|---|---|---|---|---|\n",
    );
    let mut kinds: BTreeMap<Fault, Vec<_>> = BTreeMap::new();
    for one in outcomes {
        if let Some(drive) = one.drive {
            kinds.entry(one.night.fault).or_default().push(drive);
        }
    }
    for (fault, drives) in kinds {
        let pulls: Vec<f64> = drives.iter().map(|drive| drive.pull()).collect();
        let sigma = median(drives.iter().map(|drive| 1e6 * drive.sigma));
        text += &row(fault.name(), drives.len(), &pulls, sigma).replace("' |", " |");
    }
    text + "\n"
}

fn wrong_ways(outcomes: &[Outcome]) -> String {
    let corrected = outcomes
        .iter()
        .filter(|one| one.alignment().correction.is_some());
    let wrong: Vec<&Outcome> = outcomes
        .iter()
        .filter(|one| !one.wrong_way.is_empty())
        .collect();
    let mut text = format!(
        "## Corrections\n\n{} nights end with a correction; {} have a wrong one. Wrong is: a part larger than 3 of its sigmas \
         that opposes a true error beyond 3'; a move that leaves the axis farther off by more than 2 of its sigmas; a sign \
         where no two frames of a pointing give one.\n\n",
        corrected.count(),
        wrong.len(),
    );
    for one in wrong {
        let _ = writeln!(
            text,
            "- night {}: {}",
            one.night.number,
            one.wrong_way.join("; ")
        );
    }
    text + "\n"
}

/// A pull this large is looked into.
const OUTLIER: f64 = 4.0;

fn outliers(outcomes: &[Outcome]) -> String {
    let mut text = format!("## Pulls beyond {OUTLIER}\n\n");
    for one in signed(outcomes) {
        let Some([up, east]) = one.axis else { continue };
        if up.pull().abs().max(east.pull().abs()) > OUTLIER {
            let _ = writeln!(
                text,
                "- night {}: altitude {:+.1}, azimuth {:+.1}; {}",
                one.night.number,
                up.pull(),
                east.pull(),
                words(one)
            );
        }
    }
    text + "\n"
}

/// A night in a line.
pub fn words(one: &Outcome) -> String {
    let scenario = &one.night.scenario;
    let alignment = &scenario.alignments[0];
    let looks: Vec<String> = one
        .night
        .looks
        .iter()
        .zip(&alignment.pointings)
        .map(|(look, pointing)| format!("{} x {}", pointing.frames, look.name()))
        .collect();
    let mut text = format!(
        "{:.0} mm, {:.0} s, {}, latitude {:.0}, drive {}",
        scenario.lens.focal_mm,
        alignment.pointings[0].exposure_s,
        looks.join(" + "),
        scenario.site.latitude_deg,
        one.night.fault.name(),
    );
    if let Some(sag) = alignment.sag {
        let _ = write!(text, ", sag {:.0}\"", sag.arcsec);
    }
    if let Some(bump) = alignment.bumps.first() {
        let size = bump.altitude_arcmin.hypot(bump.azimuth_arcmin);
        let _ = write!(text, ", bump {size:.1}' before frame {}", bump.frame);
    }
    text
}

fn confusion(outcomes: &[Outcome]) -> String {
    let right = |one: &&Outcome| one.causes.dominant() == one.alignment().cause;
    let clear: Vec<&Outcome> = outcomes
        .iter()
        .filter(|one| one.causes.is_clear())
        .collect();
    let mut text = format!(
        "## Dominant causes\n\nTrue cause: the one that alone makes the largest trail beyond the tolerance. Clear nights are \
         those where it is 1.5 times the next and the tolerance (for `aligned`: everything below 2/3 of it). \
         Right in {} of {} nights, and in {} of the {} clear ones. Lens, focus and shake are not drawn.\n\n\
         Clear nights, true cause down, reported cause across:\n\n",
        outcomes.iter().filter(right).count(),
        outcomes.len(),
        clear.iter().copied().filter(right).count(),
        clear.len(),
    );
    text += &matrix(&clear);
    text += "\nAll nights:\n\n";
    text += &matrix(&outcomes.iter().collect::<Vec<_>>());
    text + "\n"
}

fn matrix(outcomes: &[&Outcome]) -> String {
    let mut cells: BTreeMap<(Cause, Cause), usize> = BTreeMap::new();
    for one in outcomes {
        *cells
            .entry((one.causes.dominant(), one.alignment().cause))
            .or_default() += 1;
    }
    let rows: BTreeSet<Cause> = cells.keys().map(|key| key.0).collect();
    let columns: BTreeSet<Cause> = cells.keys().map(|key| key.1).collect();
    let mut text = String::from("| |");
    for column in &columns {
        let _ = write!(text, " {} |", column.key());
    }
    text += &format!("\n|---|{}\n", "---|".repeat(columns.len()));
    for row in &rows {
        let _ = write!(text, "| {} |", row.key());
        for column in &columns {
            let n = cells.get(&(*row, *column)).copied().unwrap_or(0);
            let _ = if n > 0 {
                write!(text, " {n} |")
            } else {
                write!(text, " |")
            };
        }
        text.push('\n');
    }
    text
}

/// A trail that counts as being there, pixels; `diagnosis` states its confidence for this.
const THERE_PX: f64 = 0.33;

/// How often a cause was there that was given with a confidence.
fn confidences(outcomes: &[Outcome]) -> String {
    let mut text = format!(
        "## Confidences\n\nEach cause in a night's table comes with the probability that it makes a trail beyond {THERE_PX} px. \
         Of those within a range, so many really did, by the cause's own trail:\n\n\
         | stated | causes | mean stated | there |\n|---|---|---|---|\n"
    );
    let shares: Vec<(Cause, f64, bool)> = outcomes
        .iter()
        .flat_map(|one| one.alignment().causes.iter().map(move |share| (one, share)))
        .map(|(one, share)| {
            let there = one.causes.of_cause(share.cause) > THERE_PX;
            (share.cause, share.confidence, there)
        })
        .collect();
    let edges = [0.0, 0.05, 0.2, 0.4, 0.6, 0.8, 0.95, 0.99, 1.000_001];
    for pair in edges.windows(2) {
        let within = |share: &&(Cause, f64, bool)| (pair[0]..pair[1]).contains(&share.1);
        let label = format!("{:.2} to {:.2}", pair[0], pair[1].min(1.0));
        text += &confidence_row(&label, shares.iter().filter(within));
    }
    text += "\nBy cause, all confidences:\n\n| cause | given | mean stated | there |\n|---|---|---|---|\n";
    for cause in Cause::ALL {
        text += &confidence_row(cause.key(), shares.iter().filter(|share| share.0 == cause));
    }
    text
}

fn confidence_row<'a>(label: &str, shares: impl Iterator<Item = &'a (Cause, f64, bool)>) -> String {
    let shares: Vec<_> = shares.collect();
    if shares.is_empty() {
        return String::new();
    }
    let n = shares.len() as f64;
    let stated = shares.iter().map(|share| share.1).sum::<f64>() / n;
    let there = shares.iter().filter(|share| share.2).count() as f64 / n;
    let error = binomial_error(there.clamp(0.02, 0.98), shares.len());
    format!(
        "| {label} | {} | {stated:.2} | {there:.2} +- {error:.2} |\n",
        shares.len()
    )
}
