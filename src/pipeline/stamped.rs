//! Whether the camera stamps starts or ends of exposures, and what follows for the night.

use nalgebra::Matrix2;

use super::NightFacts;
use super::alignment::Examined;
use super::gather::Gathered;
use super::survey::Survey;
use crate::error::Warning;
use crate::frame::Stamp;
use crate::mount::MountFit;
use crate::mount::stamps::{Stamps, test_stamps};
use crate::units::Angle;

/// What is open about the axis is told from this on.
const WORTH_A_WORD: Angle = Angle::from_arcmin(0.3);

/// Which instants the times of an alignment's frames stand for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stamping {
    /// What the frames say about what their times were taken for.
    pub says: Stamps,
    /// What is open of the axis error (up, east) because nobody says so, square radians.
    pub open: Matrix2<f64>,
}

/// Asks the frames of an alignment; `stated` is what the user says.
pub fn ask_stamps(
    gathered: &Gathered,
    survey: &Survey,
    facts: &NightFacts,
    stated: Option<Stamp>,
) -> Stamping {
    let length_of = |frame: usize| gathered.frames.get(frame)?.header.exposure;
    let says = facts.with_ground(|ground| {
        let Survey {
            stretches, ties, ..
        } = survey;
        test_stamps(
            stretches,
            ties,
            &length_of,
            ground,
            stated.unwrap_or_default(),
        )
    });
    let says = says.unwrap_or(Stamps::Alike);
    let open = match (says, stated) {
        (Stamps::CannotTell(open), None) => open,
        _ => Matrix2::zeros(),
    };
    Stamping { says, open }
}

/// Whether the frames of a night contradict what their stamps were taken for, and none bears it out.
pub fn stamped_otherwise(examined: &[Examined]) -> bool {
    let any = |wanted| examined.iter().any(|one| one.stamping.says == wanted);
    any(Stamps::Otherwise) && !any(Stamps::BornOut)
}

/// The frames with their times taken for those of the ends of their exposures.
pub fn by_ends(mut gathered: Gathered) -> Gathered {
    for frame in &mut gathered.frames {
        let length = frame.header.exposure.unwrap_or_default();
        let header = std::mem::take(&mut frame.header);
        frame.header = header.later(-length);
    }
    gathered
}

/// Adds what the stamps leave open to the axis, before and after each change.
pub fn widen(fit: &mut MountFit, open: &Matrix2<f64>) {
    if let Ok(axis) = &mut fit.axis {
        axis.covariance += open;
    }
    if let Some(earlier) = &mut fit.earlier {
        widen(earlier, open);
    }
}

/// What the user has to know about the stamps; `stated` is the setting, `switched` whether the
/// frames' own motion made them ends.
pub fn stamp_warning(
    examined: &[Examined],
    stated: Option<Stamp>,
    switched: bool,
) -> Option<Warning> {
    if switched {
        return Some(Warning::new(
            "the exposures differ in length, and the stars move between them as they should if the camera stamps the end of an exposure: taken so; stamped = \"end\" in stillpoint.toml says it for every night",
        ));
    }
    match stated {
        Some(stated) if stamped_otherwise(examined) => {
            let (said, seen) = match stated {
                Stamp::Start => ("start", "end"),
                Stamp::End => ("end", "start"),
            };
            Some(Warning::new(format!(
                "stillpoint.toml says that the camera stamps the {said} of an exposure, but the stars move between exposures of different length as if it were the {seen}: look at stamped, and at the camera's clock"
            )))
        }
        Some(_) => None,
        None => open_words(examined),
    }
}

fn open_words(examined: &[Examined]) -> Option<Warning> {
    let sigma = examined
        .iter()
        .map(|one| Angle::from_rad(one.stamping.open.trace().sqrt()))
        .fold(Angle::ZERO, Angle::max);
    (sigma > WORTH_A_WORD).then(|| {
        Warning::new(format!(
            "the exposures of a field differ in length, and these frames do not show whether the camera stamps start or end: taken for starts, with {:.1}' more of uncertainty; test frames of one length, or stamped = \"start\" in stillpoint.toml, take it away",
            sigma.arcmin()
        ))
    })
}
