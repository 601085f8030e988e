//! The night's timetable: when the camera is aimed and when each exposure runs.

use super::scenario::Scenario;
use super::tracker::Alignment;

/// One exposure; times in seconds after the start of the night.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shot {
    /// Count of the camera's aimings within the alignment, from 0.
    pub placement: usize,
    /// Frame of the alignment, from 0.
    pub frame: usize,
    /// Start of the exposure.
    pub start: f64,
    /// Length of the exposure, seconds.
    pub exposure: f64,
    /// Number in the file's name.
    pub number: u32,
}

impl Shot {
    /// Middle of the exposure.
    pub fn mid(&self) -> f64 {
        self.start + 0.5 * self.exposure
    }
    /// End of the exposure.
    pub fn end(&self) -> f64 {
        self.start + self.exposure
    }
}

/// The camera aimed anew.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Placement {
    /// Pointing of the scenario that says where to.
    pub pointing: usize,
    /// Moment of aiming.
    pub aim: f64,
    /// Start of the first exposure after it.
    pub first_exposure: f64,
}

/// The timetable of one alignment.
#[derive(Debug, Clone, PartialEq)]
pub struct AlignmentPlan {
    /// Moment at which the drive is switched on.
    pub start: f64,
    /// Aimings, in order of time.
    pub placements: Vec<Placement>,
    /// Exposures, in order of time.
    pub shots: Vec<Shot>,
}

/// The timetable of each alignment of a scenario.
pub fn plan(scenario: &Scenario) -> Vec<AlignmentPlan> {
    let mut clock = 0.0;
    let mut number = scenario.output.first_number;
    let mut plans = Vec::new();
    for alignment in &scenario.alignments {
        clock += alignment.before_s;
        plans.push(plan_alignment(alignment, &mut clock, &mut number));
    }
    plans
}

fn plan_alignment(alignment: &Alignment, clock: &mut f64, number: &mut u32) -> AlignmentPlan {
    let mut plan = AlignmentPlan {
        start: *clock,
        placements: Vec::new(),
        shots: Vec::new(),
    };
    for (index, pointing) in alignment.pointings.iter().enumerate() {
        *clock += pointing.before_s;
        let aim = *clock;
        *clock += pointing.settle_s;
        if !pointing.same_camera {
            plan.placements.push(Placement {
                pointing: index,
                aim,
                first_exposure: *clock,
            });
        }
        for _ in 0..pointing.frames {
            plan.shots.push(Shot {
                placement: plan.placements.len() - 1,
                frame: plan.shots.len(),
                start: *clock,
                exposure: pointing.exposure_s,
                number: *number,
            });
            *clock += pointing.exposure_s + pointing.gap_s;
            *number += 1;
        }
    }
    plan
}
