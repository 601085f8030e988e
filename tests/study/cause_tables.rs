//! The cause study's tables, in Markdown.

#![allow(dead_code)] // The program and the test use their own parts.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write;

use stillpoint::diagnosis::Cause;

use super::cause_draw::CAUSES;
use super::cause_judge::CauseOutcome;
use super::statistics::{binomial_error, median};

/// The page from all outcomes.
pub fn page(seed: u64, seconds: f64, outcomes: &[CauseOutcome]) -> String {
    let clear: Vec<&CauseOutcome> = outcomes.iter().filter(|one| one.clear).collect();
    let all: Vec<&CauseOutcome> = outcomes.iter().collect();
    let mut page = format!(
        "# Cause study\n\n\
         Written by `scripts/cause-study`; do not edit. {} nights of seed {seed}, {} for each of the thirteen causes, \
         are drawn at random (`tests/study/cause_draw.rs`) with the crate's simulator: star lists with noise, shapes among \
         them, no pixels. The cause of a night is brought to a strength between 0.8 and 12 times what it must exceed; others stand beside it with up \
         to 0.7 of that: axis, swing, wind, lens, and a rate trimmed to 80 parts in a million. Each night goes through the whole \
         pipeline after the measuring of stars. What each cause does is what the simulator draws with that cause alone: the length of the even trail that would spread the light as far.\n\n\
         The cause that the answer should name is the largest trail beyond two thirds of the stars' width; where none is, a knock \
         or fat stars or a lens that stretches the corners by 1.65 of that; else `aligned`. A night is beyond dispute where that \
         cause makes more than a pixel and is larger by 1.25 than the next and than what it must exceed.\n\n\
         What it does not show: the simulator's faults have the forms that the program's accounts (`src/mount/account`) try: one \
         sine, one step, one knock between two frames, one sag about the level line that dies away. Real rigs do more, and pixels, cloud \
         and false stars are not in it. Swings whose period few frames leave open are counted from several starts, which favours a \
         swing over a wrong rate where two or three frames are all.\n\n\
         One night alone: `scripts/cause-study --cause NAME --night NUMBER --seed {seed}`. Took {seconds:.0} s on {} threads.\n\n",
        outcomes.len(),
        outcomes.len() / CAUSES.len(),
        rayon::current_num_threads(),
    );
    page += &format!(
        "| | nights | right | cannot tell | wrong | right, of all |\n|---|---|---|---|---|---|\n{}{}\n",
        counted("beyond dispute", &clear),
        counted("all, near misses among them", &all)
    );
    page += &format!(
        "## Beyond dispute\n\nTrue cause down, reported cause across:\n\n{}\n",
        matrix(&clear)
    );
    page += &format!("## All nights\n\n{}\n", matrix(&all));
    page += &by_strength(&all);
    page += &reliability(&all);
    page += &sizes(&clear);
    page
}

/// Share right, with its error.
fn counted(name: &str, nights: &[&CauseOutcome]) -> String {
    let n = nights.len();
    let right = nights.iter().filter(|one| one.is_right()).count();
    let untold = nights.iter().filter(|one| is_untold(one)).count();
    let share = right as f64 / n.max(1) as f64;
    format!(
        "| {name} | {n} | {right} | {untold} | {} | {:.1} +- {:.1} % |\n",
        n - right - untold,
        100.0 * share,
        100.0 * binomial_error(share.clamp(0.01, 0.99), n)
    )
}

fn is_untold(one: &CauseOutcome) -> bool {
    one.said() == Cause::Unknown
}

fn matrix(outcomes: &[&CauseOutcome]) -> String {
    let mut cells: BTreeMap<(Cause, Cause), usize> = BTreeMap::new();
    for one in outcomes {
        *cells.entry((one.truth, one.said())).or_default() += 1;
    }
    let rows: BTreeSet<Cause> = cells.keys().map(|key| key.0).collect();
    let columns: BTreeSet<Cause> = cells.keys().map(|key| key.1).collect();
    let mut text = String::from("| |");
    for column in &columns {
        let _ = write!(text, " {} |", column.key());
    }
    text += &format!(" right |\n|---|{}---|\n", "---|".repeat(columns.len()));
    for row in &rows {
        let _ = write!(text, "| {} |", row.key());
        let of = |column: &Cause| cells.get(&(*row, *column)).copied().unwrap_or(0);
        for column in &columns {
            let _ = match of(column) {
                0 => write!(text, " |"),
                n => write!(text, " {n} |"),
            };
        }
        let whole: usize = columns.iter().map(of).sum();
        let _ = writeln!(text, " {:.0} % |", 100.0 * of(row) as f64 / whole as f64);
    }
    text
}

fn by_strength(outcomes: &[&CauseOutcome]) -> String {
    let mut text = String::from(
        "## By strength\n\nAll nights whose cause makes so many pixels, `aligned` left out:\n\n\
         | pixels | nights | right | cannot tell | wrong | right, of all |\n|---|---|---|---|---|---|\n",
    );
    let edges = [0.0, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0, f64::INFINITY];
    for pair in edges.windows(2) {
        let within = |one: &&&CauseOutcome| {
            let px = one.drawn.doings.of_cause(one.truth);
            one.truth != Cause::Aligned && (pair[0]..pair[1]).contains(&px)
        };
        let nights: Vec<&CauseOutcome> = outcomes.iter().filter(within).copied().collect();
        if !nights.is_empty() {
            text += &counted(&format!("{} to {}", pair[0], pair[1]), &nights);
        }
    }
    text + "\n"
}

/// How often answers were right that were given with a confidence.
fn reliability(outcomes: &[&CauseOutcome]) -> String {
    let mut text = String::from(
        "## Confidence of the answer\n\nOf the answers given with a confidence within a range, so many named the right cause:\n\n\
         | stated | answers | mean stated | right |\n|---|---|---|---|\n",
    );
    let told = || {
        let all = outcomes.iter();
        all.filter_map(|one| Some((one.confidence()?, one.is_right())))
    };
    let edges = [0.0, 0.3, 0.5, 0.7, 0.8, 0.9, 0.95, 0.98, 1.000_001];
    for pair in edges.windows(2) {
        let within: Vec<(f64, bool)> = told()
            .filter(|one| (pair[0]..pair[1]).contains(&one.0))
            .collect();
        let label = format!("{:.2} to {:.2}", pair[0], pair[1].min(1.0));
        text += &reliability_row(&label, &within);
    }
    text += &reliability_row("all", &told().collect::<Vec<_>>());
    text + "\n"
}

fn reliability_row(label: &str, told: &[(f64, bool)]) -> String {
    if told.is_empty() {
        return String::new();
    }
    let n = told.len() as f64;
    let stated = told.iter().map(|one| one.0).sum::<f64>() / n;
    let right = told.iter().filter(|one| one.1).count() as f64 / n;
    let error = binomial_error(right.clamp(0.02, 0.98), told.len());
    format!(
        "| {label} | {} | {stated:.3} | {right:.3} +- {error:.3} |\n",
        told.len()
    )
}

/// Stated over true pixels of the cause that was named rightly.
fn sizes(clear: &[&CauseOutcome]) -> String {
    let mut text = String::from(
        "## Sizes\n\nStated pixels of the rightly named cause over the true ones, by nights beyond dispute:\n\n\
         | cause | nights | median | 16 % | 84 % |\n|---|---|---|---|---|\n",
    );
    for &cause in CAUSES {
        let mut ratios: Vec<f64> = clear
            .iter()
            .filter(|one| one.truth == cause && one.is_right())
            .filter_map(|one| {
                let mut shares = one.alignment().causes.iter();
                let said = shares.find(|share| share.cause == cause)?;
                Some(said.trail.px() / one.drawn.doings.of_cause(cause))
            })
            .collect();
        ratios.sort_by(f64::total_cmp);
        if ratios.len() < 5 {
            continue;
        }
        let _ = writeln!(
            text,
            "| {} | {} | {:.2} | {:.2} | {:.2} |",
            cause.key(),
            ratios.len(),
            median(ratios.iter().copied()),
            super::statistics::quantile(&ratios, 0.16),
            super::statistics::quantile(&ratios, 0.84)
        );
    }
    text
}
