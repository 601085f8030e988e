//! Where the fits of all accounts begin.

use super::exposure::Night;
use super::fit::{Fit, LONGEST, SHORTEST};
use super::motion::{Fault, Form, HARMONIC, PERIOD};

/// Gusts that are tried, pixels.
const GUSTS_PX: [f64; 6] = [0.8, 1.6, 3.2, 6.4, 12.8, 25.6];
/// Shapes this many sigmas from what is drawn may be the wind's.
const STRETCHED: f64 = 2.5;
/// Swings that are followed to their best.
const BEST_SWINGS: usize = 6;
/// Periods looked at for a swing beside a fault.
const PERIODS: usize = 14;
/// Fewer frames leave a swing that is no pure sine as many numbers as they have themselves (own choice).
const FRAMES_FOR_HARMONIC: usize = 6;
/// Ways of a fault that are followed to their best.
const BEST_WAYS: usize = 8;

/// Fits of all accounts.
pub(super) fn all_fits(night: &Night) -> Vec<Fit> {
    let mut fits = Vec::new();
    for faults in families(night) {
        let plain = best_of(night, starts_without_swing(&faults), BEST_WAYS);
        let swinging = best_of(night, starts_with_swing(night, &faults), BEST_SWINGS);
        fits.extend(plain);
        fits.extend(no_pure_sine(night, &swinging));
        fits.extend(swinging);
    }
    let windy = windy(night, &fits);
    fits.extend(windy);
    without_twins(fits)
}

/// Faults of a kind with the starts of their own numbers.
type Starts = Vec<(Fault, Vec<f64>)>;

fn families(night: &Night) -> Vec<Starts> {
    let (mut steps, mut knocks) = (Vec::new(), Vec::new());
    for pair in night.frames.windows(2) {
        if pair[0].stand != pair[1].stand {
            continue;
        }
        let end = pair[0].witness.mid + 0.5 * pair[0].witness.exposure;
        let start = pair[1].witness.mid - 0.5 * pair[1].witness.exposure;
        let at = 0.5 * (start + end);
        steps.push((Fault::StepBetween(at), vec![1.0]));
        knocks.push((Fault::Knock(at), vec![0.0; 3]));
    }
    for one in &night.frames {
        let half = 0.5 * one.witness.exposure;
        let (start, end) = (one.witness.mid - half, one.witness.mid + half);
        for share in [0.15, 0.5, 0.85] {
            let at = start + share * (end - start);
            let fault = Fault::StepInside(start, end);
            steps.push((fault, vec![1.0, at]));
        }
    }
    let (first, last) = night.span();
    let sags = [0.15, 0.5, 1.5].map(|share| {
        let time = (share * (last - first) / night.stands.len() as f64).max(20.0);
        (Fault::Sag, vec![30.0, time.ln()])
    });
    let exposure = night.frames[0].witness.exposure;
    let slack = [0.005, 0.02, 0.06, 0.15, 0.4, 0.7, 1.3]
        .map(|share| (Fault::Slack, vec![share * exposure; night.stands.len()]));
    let mut families = vec![
        vec![(Fault::None, Vec::new())],
        vec![(Fault::Rate, Vec::new())],
        steps,
        slack.to_vec(),
        knocks,
    ];
    // Two frames show no motion dying away: an axis draws the same.
    let in_stand = |number| {
        night
            .frames
            .iter()
            .filter(|one| one.stand == number)
            .count()
    };
    if night.stands.iter().any(|stand| in_stand(stand.number) > 2) {
        families.push(sags.to_vec());
    }
    families
}

/// Of the steps in an exposure, the one in its middle: a swing beside it leaves the rest to the fit.
fn is_plain((fault, own): &(Fault, Vec<f64>)) -> bool {
    match fault {
        Fault::StepInside(start, end) => (own[1] - 0.5 * (start + end)).abs() < 1e-6,
        _ => true,
    }
}

fn starts_without_swing(faults: &Starts) -> Vec<(Form, Vec<f64>)> {
    let start = |(fault, own): &(Fault, Vec<f64>)| {
        let form = Form {
            swings: false,
            harmonic: false,
            fault: *fault,
        };
        let mut x = vec![20.0, 20.0, 0.0];
        x.extend(own);
        (form, x)
    };
    faults.iter().map(start).collect()
}

fn starts_with_swing(night: &Night, faults: &Starts) -> Vec<(Form, Vec<f64>)> {
    let (first, last) = night.span();
    let alone = matches!(faults[0].0, Fault::None);
    let cells = if alone {
        let turns = (last - first) * (1.0 / SHORTEST - 1.0 / LONGEST);
        ((turns / 0.35) as usize).clamp(PERIODS, 150)
    } else {
        PERIODS
    };
    let mut starts = Vec::new();
    for (fault, own) in faults.iter().filter(|one| is_plain(one)) {
        for cell in 0..cells {
            let share = (cell as f64 + 0.5) / cells as f64;
            // Even in the frequency where a long record tells them apart, else in the logarithm.
            let period = if alone && cells > PERIODS {
                1.0 / (1.0 / LONGEST + share * (1.0 / SHORTEST - 1.0 / LONGEST))
            } else {
                SHORTEST * (LONGEST / SHORTEST).powf(share)
            };
            let form = Form {
                swings: true,
                harmonic: false,
                fault: *fault,
            };
            let mut x = vec![20.0, 20.0, 0.0, 1.0, 1.0, period.ln()];
            x.extend(own);
            starts.push((form, x));
        }
    }
    starts
}

/// The best fits of those that look best after a step.
fn best_of(night: &Night, starts: Vec<(Form, Vec<f64>)>, most: usize) -> Vec<Fit> {
    let mut looked: Vec<(f64, Form, Vec<f64>)> = starts
        .into_iter()
        .filter_map(|(form, x)| {
            let (cost, x) = first_look(night, form, &x)?;
            Some((cost, form, x))
        })
        .collect();
    looked.sort_by(|a, b| a.0.total_cmp(&b.0));
    looked.truncate(most);
    let fits = looked.into_iter();
    fits.filter_map(|(_, form, x)| night.fit(form, &x, 0.0))
        .collect()
}

/// An account after a few steps. How large a step is shows in the places at once; where in its
/// exposure it fell can be asked only then.
fn first_look(night: &Night, form: Form, x: &[f64]) -> Option<(f64, Vec<f64>)> {
    let at = form.fault_at();
    match form.fault {
        Fault::StepInside(..) => {
            let sized = Form {
                fault: Fault::StepBetween(x[at + 1]),
                ..form
            };
            let (_, mut sizes) = night.few_steps(sized, &x[..=at], 1)?;
            sizes.push(x[at + 1]);
            night.few_steps(form, &sizes, 2)
        }
        Fault::Slack | Fault::Sag => night.few_steps(form, x, 3),
        _ => night.few_steps(form, x, 1),
    }
}

/// The likeliest swing, where there are frames enough to see that it is no pure sine.
fn no_pure_sine(night: &Night, swinging: &[Fit]) -> Option<Fit> {
    if night.frames.len() < FRAMES_FOR_HARMONIC {
        return None;
    }
    let best = swinging
        .iter()
        .max_by(|a, b| a.evidence.total_cmp(&b.evidence))?;
    let form = Form {
        harmonic: true,
        ..best.form
    };
    let mut x = best.x.clone();
    x.splice(HARMONIC..HARMONIC, [0.0; 2]);
    night.fit(form, &x, 0.0)
}

/// The best account of each kind with gusts besides.
fn windy(night: &Night, fits: &[Fit]) -> Vec<Fit> {
    let mut best: Vec<&Fit> = Vec::new();
    for fit in fits {
        let kind = |one: &Fit| (one.form.swings, std::mem::discriminant(&one.form.fault));
        match best.iter_mut().find(|one| kind(one) == kind(fit)) {
            Some(one) if one.evidence < fit.evidence => *one = fit,
            Some(_) => {}
            None => best.push(fit),
        }
    }
    // Where the shapes are as they should be, no gusts are needed.
    best.retain(|fit| night.worst_shape(fit) > STRETCHED);
    let with = |fit: &&Fit| {
        let (form, x) = (fit.form, fit.x.clone());
        GUSTS_PX.map(|gusts| night.fit(form, &x, gusts))
    };
    best.iter().flat_map(with).flatten().collect()
}

/// Each best once, however many starts led to it.
fn without_twins(mut fits: Vec<Fit>) -> Vec<Fit> {
    fits.sort_by(|a, b| b.evidence.total_cmp(&a.evidence));
    let mut kept: Vec<Fit> = Vec::new();
    for fit in fits {
        let twin = kept.iter().any(|one| {
            let alike = one.form == fit.form && one.gusts_px == fit.gusts_px;
            alike
                && (one.evidence - fit.evidence).abs() < 0.05
                && (!fit.form.swings || (one.x[PERIOD] - fit.x[PERIOD]).abs() < 0.05)
        });
        if !twin {
            kept.push(fit);
        }
    }
    kept
}
