//! Truth held here: synthetic. A small version of the study in `tests/study`: nights drawn at
//! random by `simulate` go through the pipeline after the measuring of stars.

#[path = "study/draw.rs"]
mod draw;
#[path = "study/judge.rs"]
mod judge;
#[path = "study/statistics.rs"]
mod statistics;
#[path = "study/truth.rs"]
mod truth;

use std::sync::LazyLock;

use rayon::prelude::*;

use draw::draw;
use judge::{Outcome, judge};
use statistics::PullSummary;

const SEED: u64 = 20_260_611;
const N_NIGHTS: u64 = 40;
/// A pull beyond this is a fault and no chance.
const OUTLIER: f64 = 5.0;

static OUTCOMES: LazyLock<Vec<Outcome>> = LazyLock::new(|| {
    let nights = (0..N_NIGHTS).into_par_iter();
    nights
        .map(|number| judge(draw(SEED, number)).expect("a sky for the date"))
        .collect()
});

#[test]
fn no_correction_points_the_wrong_way_and_no_lone_frame_gives_a_sign() {
    for one in OUTCOMES.iter() {
        assert!(
            one.wrong_way.is_empty(),
            "night {}: {:?}",
            one.night.number,
            one.wrong_way
        );
    }
}

#[test]
fn the_axis_lies_where_its_sigmas_say() {
    let calm = OUTCOMES.iter().filter(|one| !one.is_disturbed());
    let signed = calm.filter(|one| !one.mirrored);
    let parts = signed.filter_map(|one| one.axis).flatten();
    let (pulls, far): (Vec<f64>, Vec<f64>) = parts
        .map(|part| part.pull())
        .partition(|pull| pull.abs() < OUTLIER);
    assert!(far.len() <= 1, "{far:?}");
    let summary = PullSummary::of(&pulls).expect("nights with an axis");
    assert!(summary.n >= 30, "{summary:?}");
    // Four standard errors of a mean and of a share, for unit pulls that come in pairs.
    let error = (0.5 * summary.n as f64).sqrt().recip();
    assert!(summary.mean.abs() < 4.0 * error, "{summary:?}");
    assert!(
        (summary.within_1 - 0.683).abs() < 4.0 * 0.465 * error,
        "{summary:?}"
    );
    assert!((0.6..1.5).contains(&summary.robust), "{summary:?}");
}

#[test]
fn clear_causes_are_called_by_their_names() {
    let clear: Vec<&Outcome> = OUTCOMES
        .iter()
        .filter(|one| one.causes.is_clear())
        .collect();
    let right = clear
        .iter()
        .filter(|one| one.causes.dominant() == one.alignment().cause);
    assert!(clear.len() >= 20, "{} clear nights", clear.len());
    // 28 of 37 when this was written; the aim is 97 in a hundred.
    assert!(
        right.clone().count() * 10 >= clear.len() * 7,
        "{} of {} clear causes right",
        right.count(),
        clear.len()
    );
}
