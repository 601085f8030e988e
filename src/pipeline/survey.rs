//! How the camera turned over the ground in each pointing.

use super::NightFacts;
use super::aim::Aimed;
use super::gather::MeasuredFrame;
use crate::identify::attitude::{FrameAttitude, Reference, solve_attitudes, systematic_floor};
use crate::identify::pointing::Pointing;
use crate::identify::tracks::link_tracks;
use crate::mount::invert::{FrameTurn, Stretch};
use crate::sky::{Camera, Horizon, Rotation};
use crate::units::Seconds;

/// The camera's turns over the ground.
pub struct Survey {
    /// A stretch a pointing that could be aimed and timed.
    pub stretches: Vec<Stretch>,
    /// Attitude of each frame, where it is known.
    pub attitudes: Vec<Option<Rotation<Camera, Horizon>>>,
}

/// Surveys all pointings.
pub fn survey(
    frames: &[MeasuredFrame],
    mids: &[Option<Seconds>],
    pointings: &[Pointing],
    aims: &[Option<Aimed>],
    facts: &NightFacts,
) -> Survey {
    let mut survey = Survey {
        stretches: Vec::new(),
        attitudes: vec![None; frames.len()],
    };
    for (pointing, aim) in pointings.iter().zip(aims) {
        let Some(aim) = aim else { continue };
        survey.attitudes[pointing.frames[aim.frame]] = Some(aim.attitude);
        let known: Option<Vec<Seconds>> = pointing.frames.iter().map(|&idx| mids[idx]).collect();
        if let Some(known) = known {
            let solved = solve_pointing(frames, pointing, aim, &known, facts);
            survey.take(pointing, aim, solved, &known);
        }
    }
    survey
}

fn solve_pointing(
    frames: &[MeasuredFrame],
    pointing: &Pointing,
    aim: &Aimed,
    mids: &[Seconds],
    facts: &NightFacts,
) -> Vec<Option<FrameAttitude>> {
    let elapsed: Vec<Seconds> = mids.iter().map(|&mid| mid - mids[aim.frame]).collect();
    let fields: Vec<_> = pointing
        .frames
        .iter()
        .map(|&idx| &frames[idx].field)
        .collect();
    let links: Vec<_> = pointing
        .links
        .iter()
        .map(|link| link.pairs.clone())
        .collect();
    let tracks = link_tracks(&links);
    let solved = facts.with_ground(|ground| {
        let reference = Reference {
            lens: &aim.lens,
            attitude: aim.attitude,
            frame: aim.frame,
            evolve: ground.evolve,
        };
        solve_attitudes(&fields, &elapsed, &tracks, &reference)
    });
    solved.unwrap_or_default()
}

impl Survey {
    fn take(
        &mut self,
        pointing: &Pointing,
        aim: &Aimed,
        solved: Vec<Option<FrameAttitude>>,
        mids: &[Seconds],
    ) {
        let mut turns = Vec::new();
        for ((&frame, solved), mid) in pointing.frames.iter().zip(solved).zip(mids) {
            let Some(solved) = solved else { continue };
            let attitude = Rotation::new(solved.turn * aim.attitude.inner());
            self.attitudes[frame] = Some(attitude);
            turns.push(FrameTurn {
                frame,
                mid: mid.s(),
                turn: solved.turn,
                covariance: solved.covariance + systematic_floor(&aim.lens, &attitude),
            });
        }
        if !turns.is_empty() {
            self.stretches.push(Stretch { turns });
        }
    }
}
