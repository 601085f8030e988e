//! How the camera turned over the ground in each pointing.

use super::NightFacts;
use super::aim::Aimed;
use super::gather::MeasuredFrame;
use super::plates::Plates;
use crate::identify::Plate;
use crate::identify::attitude::{
    AirDoubt, Anchor, Attitudes, ModelDoubt, Reference, solve_attitudes, systematic_floor,
};
use crate::identify::lens::Lens;
use crate::identify::pointing::Pointing;
use crate::identify::tracks::{join_by_name, link_tracks};
use crate::mount::AIR_SIGMA;
use crate::mount::invert::{FrameTurn, Stretch};
use crate::mount::ties::Tie;
use crate::report::CenterSource;
use crate::sky::catalogue::Catalogue;
use crate::sky::{Camera, Horizon, Rotation, SkyAt};
use crate::units::{Angle, Seconds};

/// The camera's turns over the ground.
pub struct Survey {
    /// A stretch a pointing that could be aimed and timed.
    pub stretches: Vec<Stretch>,
    /// What binds the frames of a stretch together, one a stretch.
    pub ties: Vec<Tie>,
    /// Attitude of each frame, where it is known.
    pub attitudes: Vec<Option<Rotation<Camera, Horizon>>>,
}

/// Error of a catalogue place and of all that is left out of its apparent place (parallax, polar
/// motion, companions of double stars): own estimate; plates of long lenses fit to some 0.5".
const CATALOGUE_SIGMA: Angle = Angle::from_arcsec(0.5);
/// Step for the derivative by the strength of the air.
const AIR_STEP: f64 = 0.05;
/// Focal lengths in tags are good to this, relative, 1-sigma (nominal focal lengths are rounded).
const TAGGED_FOCAL: f64 = 0.03;
/// Radial distortion of a lens that nobody measured (own estimate: 2 % in the corner of a wide lens).
const TAGGED_K1: f64 = 0.05;
/// Plates know nothing of the air, which presses the sky together towards the horizon: by this much at
/// an altitude of 45 degrees, unevenly over a wide frame.
const PRESSED_FOCAL: f64 = 5e-4;
/// Their lens is a start and no more than that where the fit has named stars of its own.
const PLATE_FOCAL: f64 = 2e-3;
/// The same for the distortion with the square ...
const PLATE_K1: f64 = 5e-3;
/// ... and with the fourth power of the distance.
const PLATE_K2: f64 = 5e-3;

/// How far from the middle of the frame a lens looks straight out, 1-sigma in half diagonals (own
/// estimate: 0.2 mm on a sensor 36 mm wide).
const CENTER_SHARE: f64 = 0.01;

/// Surveys all pointings.
pub fn survey(
    frames: &[MeasuredFrame],
    plates: &Plates,
    mids: &[Option<Seconds>],
    pointings: &[Pointing],
    aims: &[Option<Aimed>],
    facts: &NightFacts,
) -> Survey {
    let mut survey = Survey {
        stretches: Vec::new(),
        ties: Vec::new(),
        attitudes: vec![None; frames.len()],
    };
    for (pointing, aim) in pointings.iter().zip(aims) {
        let Some(aim) = aim else { continue };
        survey.attitudes[pointing.frames[aim.frame]] = Some(aim.attitude);
        let known: Option<Vec<Seconds>> = pointing.frames.iter().map(|&idx| mids[idx]).collect();
        if let Some(known) = known {
            let solved = solve_pointing(frames, plates, pointing, aim, &known, facts);
            if let Some(solved) = solved {
                survey.take(pointing, aim, solved, &known);
            }
        }
    }
    survey
}

fn solve_pointing(
    frames: &[MeasuredFrame],
    plates: &Plates,
    pointing: &Pointing,
    aim: &Aimed,
    mids: &[Seconds],
    facts: &NightFacts,
) -> Option<Attitudes> {
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
    let own_plates: Vec<_> = pointing
        .frames
        .iter()
        .map(|&idx| plates.plates[idx].as_ref())
        .collect();
    let (tracks, names): (Vec<_>, Vec<_>) =
        join_by_name(link_tracks(&links), &names_of(&own_plates))
            .into_iter()
            .unzip();
    let reference_header = &frames[pointing.frames[aim.frame]].header;
    let sky = facts
        .sky_at_mid_exposure(reference_header)
        .filter(|_| aim.source == CenterSource::Stars);
    let anchors = anchors_of(&names, sky.as_ref(), &own_plates, aim);
    let named = anchors.iter().any(Option::is_some);
    facts.with_ground(|ground| {
        facts.with_denser_air(AIR_STEP, |denser| {
            // Over an arbitrary meridian the air is out of the question.
            let air = (!facts.is_adrift()).then_some(AirDoubt {
                denser,
                step: AIR_STEP,
                sigma: AIR_SIGMA,
            });
            let reference = Reference {
                lens: &aim.lens,
                attitude: aim.attitude,
                frame: aim.frame,
                evolve: ground.evolve,
                doubt: model_doubt(own_plates[aim.frame], &aim.lens, named, air),
            };
            solve_attitudes(&fields, &elapsed, &tracks, &anchors, &reference)
        })
    })??
}

/// Stars that the catalogue names, frame by frame.
fn names_of(plates: &[Option<&Plate>]) -> Vec<Vec<(usize, usize)>> {
    let names = |plate: &Plate| {
        let matches = plate.matches.iter();
        matches.map(|m| (m.star_idx, m.catalogue_idx)).collect()
    };
    plates
        .iter()
        .map(|plate| plate.map_or_else(Vec::new, names))
        .collect()
}

/// Where the named stars stand at the reference instant, as surely as the plates fit.
fn anchors_of(
    names: &[Option<usize>],
    sky: Option<&SkyAt>,
    plates: &[Option<&Plate>],
    aim: &Aimed,
) -> Vec<Option<Anchor>> {
    let catalogue = Catalogue::embedded();
    let misfits = plates.iter().flatten().map(|plate| plate.rms.px());
    // The rms is of both coordinates together; the worst plate speaks for the lens.
    let misfit_px = misfits.fold(0.0, f64::max) / std::f64::consts::SQRT_2;
    let sigma = CATALOGUE_SIGMA.rad().hypot(misfit_px / aim.lens.focal_px);
    let anchor = |&name: &Option<usize>| {
        Some(Anchor {
            place: sky?.observed(catalogue.direction(name?)),
            sigma: Angle::from_rad(sigma),
        })
    };
    names.iter().map(anchor).collect()
}

/// What is known of the lens: named stars tell it as they go; else plate or tags have to.
fn model_doubt<'a>(
    plate: Option<&Plate>,
    lens: &Lens,
    named: bool,
    air: Option<AirDoubt<'a>>,
) -> ModelDoubt<'a> {
    let held = ModelDoubt {
        focal: TAGGED_FOCAL,
        k1: TAGGED_K1,
        k2: 0.0,
        center: lens.center,
        center_px: 0.0,
        air,
    };
    match plate {
        Some(plate) if named => ModelDoubt {
            focal: plate.focal_sigma.hypot(PLATE_FOCAL),
            k1: plate.k1_sigma.hypot(PLATE_K1),
            k2: plate.k2_sigma.hypot(PLATE_K2),
            center: plate.frame_center,
            center_px: CENTER_SHARE * plate.frame_center.x.hypot(plate.frame_center.y),
            air,
        },
        Some(plate) => ModelDoubt {
            focal: plate.focal_sigma.hypot(PRESSED_FOCAL),
            k1: plate.k1_sigma,
            ..held
        },
        None => held,
    }
}

impl Survey {
    fn take(&mut self, pointing: &Pointing, aim: &Aimed, solved: Attitudes, mids: &[Seconds]) {
        let (mut turns, mut floors) = (Vec::new(), Vec::new());
        let each = pointing.frames.iter().zip(&solved.frames).zip(mids);
        for ((&frame, solved), mid) in each {
            let Some(solved) = solved else { continue };
            let attitude = Rotation::new(solved.turn * aim.attitude.inner());
            self.attitudes[frame] = Some(attitude);
            let floor = systematic_floor(&aim.lens, &attitude);
            turns.push(FrameTurn {
                frame,
                mid: mid.s(),
                turn: solved.turn,
                covariance: solved.covariance + floor,
            });
            floors.push(floor);
        }
        let numbers = turns.iter().map(|turn| turn.frame).collect();
        self.ties
            .extend(Tie::new(numbers, solved.information, &floors));
        if !turns.is_empty() {
            self.stretches.push(Stretch { turns });
        }
    }
}
