//! `beam`: marks of a turning pointer on a wall in, what the adjusting screws have to do out.

use std::path::{Path, PathBuf};

use clap::Args;

use crate::beam::{Clock, MarkError, PointerTest, Wall, share_move};
use crate::error::{Error, ErrorKind};
use crate::limits::{CameraInUse, TOLERANCE_OF_WIDTH, USUAL_WIDTH};
use crate::report::beam::{BeamQuestion, LengthUnit, report_beam};
use crate::units::{Angle, Length, Seconds};

use super::Outcome;
use super::marks::{read_length, read_mark, read_marks_file};
use super::quantity::{
    between, read_exposure, read_focal_length, read_pixel_pitch, read_tolerance,
};
use super::refuse::Wanted;
use super::settings_file::{self, KeptSettings};
use super::terminal;

const DISTANCE: Wanted = Wanted {
    flag: "--distance",
    allowed: "the way from the pointer to the wall along the beam, 0.2 m to 200 m; m, cm, mm, ft and in are understood",
    example: "--distance 5.2m",
};
const UNIT: Wanted = Wanted {
    flag: "--unit",
    allowed: "mm, cm or in",
    example: "--unit cm",
};
const SCREWS: Wanted = Wanted {
    flag: "--screws",
    allowed: "where the two adjusting screws sit, as hours on a clock face seen from behind the pointer, with a comma between them",
    example: "--screws 12,3",
};
const SPOT: Wanted = Wanted {
    flag: "--spot",
    allowed: "the width of the spot on the wall, above 0, at most 1 m",
    example: "--spot 8mm",
};
const MARK_ERROR: Wanted = Wanted {
    flag: "--mark-error",
    allowed: "how well you marked the middle of the spot (1 sigma), above 0, at most 1 m",
    example: "--mark-error 1mm",
};
const CURRENT: Wanted = Wanted {
    flag: "--now",
    allowed: "the number of the mark on which the spot stands, counted from 1",
    example: "--now 3",
};
const ACCURACY: Wanted = Wanted {
    flag: "--accuracy",
    allowed: "arcminutes above 0, at most 600",
    example: "--accuracy 3",
};
/// How well the beam is wanted where nobody says: what two minutes at 300 mm of focal length need, about.
const USUAL_ACCURACY: &str = "5";
/// A person marks the middle of a spot to a quarter of its width, or to a millimetre (own estimate).
const MARKING: (f64, Length) = (0.25, Length::from_mm(1.0));

/// Flags of `beam`.
#[derive(Debug, Clone, Default, Args)]
#[command(after_help = "\
Fix the pointer's housing so that it can be turned about itself, let the beam fall on a wall, and
mark the spot at three or more turns of the housing, evenly around. Measure right and up from any
origin, facing the wall.

  stillpoint beam --distance 5.2m --mark 12,30 --mark 52,31 --mark 33,-9
  stillpoint beam --distance 5.2m --marks marks.csv --screws 12,3 --spot 8mm --focal 150 --pixel-pitch 3.3
  stillpoint beam --distance 17ft --unit in --mark 0,0 --mark 1.5,0.2 --mark 0.7,-1.3

Exit code: 0 answered, 1 the marks cannot tell (the answer says why), 2 could not run.")]
pub struct BeamArgs {
    /// From the pointer to the wall along the beam (5.2m, 520cm, 17ft); a bare number is in metres
    #[arg(long, value_name = "LENGTH", allow_hyphen_values = true)]
    pub distance: String,

    /// Where the spot fell: right and up; once a mark
    #[arg(long, value_name = "X,Y", allow_hyphen_values = true)]
    pub mark: Vec<String>,

    /// A table of marks, a line a mark; they follow those given by --mark
    #[arg(long, value_name = "FILE.csv")]
    pub marks: Option<PathBuf>,

    /// Unit of the marks: mm, cm or in [default: mm]
    #[arg(long, value_name = "UNIT", allow_hyphen_values = true)]
    pub unit: Option<String>,

    /// The mark on which the spot stands now, counted from 1 [default: the last]
    #[arg(long, value_name = "N", allow_hyphen_values = true)]
    pub now: Option<String>,

    /// The wall is not square to the beam: an ellipse is fitted, which takes five marks or more
    #[arg(long)]
    pub slanted: bool,

    /// The two adjusting screws as hours on a clock face, seen from behind, the housing as it stands now
    #[arg(long, value_name = "HOUR,HOUR", allow_hyphen_values = true)]
    pub screws: Option<String>,

    /// Width of the spot on the wall; a bare number is in the marks' unit
    #[arg(long, value_name = "LENGTH", allow_hyphen_values = true)]
    pub spot: Option<String>,

    /// How well the spot's middle was marked (1 sigma) [default: a guess that the marks correct]
    #[arg(long, value_name = "LENGTH", allow_hyphen_values = true)]
    pub mark_error: Option<String>,

    /// How well the beam is wanted, arcminutes, for the shortest distance to the wall [default: 5]
    #[arg(long, value_name = "ARCMIN", allow_hyphen_values = true)]
    pub accuracy: Option<String>,

    /// Focal length of the lens that the cost is told for, millimetres
    #[arg(long, value_name = "MM", allow_hyphen_values = true)]
    pub focal: Option<String>,

    /// Side of one pixel, micrometres
    #[arg(long, value_name = "UM", allow_hyphen_values = true)]
    pub pixel_pitch: Option<String>,

    /// Trail that you accept, pixels [default: 2]
    #[arg(long, value_name = "PX", allow_hyphen_values = true)]
    pub tolerance: Option<String>,

    /// Exposure that you want, seconds
    #[arg(long, value_name = "S", allow_hyphen_values = true)]
    pub exposure: Option<String>,

    /// Print JSON in place of the text
    #[arg(long)]
    pub json: bool,

    /// Print the answer and the cautions alone
    #[arg(long)]
    pub brief: bool,

    /// Red on black only, for eyes used to the dark
    #[arg(long)]
    pub red: bool,
}

/// Prints what the marks say.
///
/// # Errors
/// At the first flag or table that is not usable.
pub fn run(args: &BeamArgs) -> Result<Outcome, Error> {
    let kept = settings_file::load(Path::new("."))?;
    let report = report_beam(&args.checked(&kept)?);
    if let (Ok(found), Some(screws)) = (&report.finding, report.question.screws)
        && share_move(&found.fit, screws).is_none()
    {
        let text = args.screws.as_deref().unwrap_or_default();
        return Err(SCREWS.refuse(text, "both move the spot along one line"));
    }
    let look = terminal::look(args.red);
    terminal::print(&match (args.json, args.brief) {
        (true, _) => report.to_json(),
        (_, true) => report.to_brief(&look),
        _ => report.to_text(&look),
    })?;
    Ok(match report.finding {
        Ok(_) => Outcome::Answered,
        Err(_) => Outcome::CannotTell,
    })
}

impl BeamArgs {
    /// Options first, then the settings.
    fn checked(&self, kept: &KeptSettings) -> Result<BeamQuestion, Error> {
        let unit = self.unit()?;
        let spot = self.length(&self.spot, unit, &SPOT)?;
        let accuracy = self.accuracy.as_deref().unwrap_or(USUAL_ACCURACY);
        let tolerance = self.tolerance.as_deref().map(read_tolerance).transpose()?;
        Ok(BeamQuestion {
            test: self.test(unit, spot)?,
            unit,
            screws: self.screws.as_deref().map(read_screws).transpose()?,
            spot,
            accuracy: between(accuracy, &["'"], f64::MIN_POSITIVE, 600.0, &ACCURACY)
                .map(Angle::from_arcmin)?,
            camera: self.camera(kept)?,
            tolerance: tolerance
                .or(kept.tolerance)
                .unwrap_or(USUAL_WIDTH * TOLERANCE_OF_WIDTH),
            wanted: self.wanted()?.or(kept.exposure),
        })
    }

    fn unit(&self) -> Result<LengthUnit, Error> {
        let text = self.unit.as_deref().unwrap_or("mm");
        let mut units = LengthUnit::ALL.into_iter();
        units
            .find(|unit| unit.name() == text.trim())
            .ok_or_else(|| UNIT.refuse(text, "no unit that is known"))
    }

    fn test(&self, unit: LengthUnit, spot: Option<Length>) -> Result<PointerTest, Error> {
        let by_option = self.mark.iter().map(|text| read_mark(text, unit));
        let mut marks = by_option.collect::<Result<Vec<_>, Error>>()?;
        if let Some(path) = &self.marks {
            marks.extend(read_marks_file(path, unit)?);
        }
        if marks.is_empty() {
            return Err(Error::new(
                ErrorKind::BadSetting,
                "no marks are given; three or more are needed",
            )
            .with_hint(
                "for example: --mark 12,30 --mark 52,31 --mark 33,-9, or --marks marks.csv",
            ));
        }
        let usual = spot.map_or(MARKING.1, |spot| MARKING.1.max(spot * MARKING.0));
        let known = self.length(&self.mark_error, unit, &MARK_ERROR)?;
        Ok(PointerTest {
            current: self.current(marks.len())?,
            marks,
            distance: self.distance()?,
            wall: if self.slanted {
                Wall::Slanted
            } else {
                Wall::Square
            },
            mark_error: known.map_or(MarkError::Guessed(usual), MarkError::Known),
        })
    }

    fn distance(&self) -> Result<Length, Error> {
        let text = &self.distance;
        let length = read_length(text, Length::from_mm(1000.0))
            .ok_or_else(|| DISTANCE.refuse(text, "no length"))?;
        if (200.0..=200_000.0).contains(&length.mm()) {
            Ok(length)
        } else {
            Err(DISTANCE.refuse(text, "out of range"))
        }
    }

    /// Index of the mark on which the spot stands.
    fn current(&self, n_marks: usize) -> Result<usize, Error> {
        let Some(text) = &self.now else {
            return Ok(n_marks - 1);
        };
        let number = text.trim().parse::<usize>().ok();
        number
            .filter(|number| (1..=n_marks).contains(number))
            .map(|number| number - 1)
            .ok_or_else(|| CURRENT.refuse(text, format!("{n_marks} marks are given")))
    }

    fn length(
        &self,
        text: &Option<String>,
        unit: LengthUnit,
        wanted: &Wanted,
    ) -> Result<Option<Length>, Error> {
        let Some(text) = text else { return Ok(None) };
        let length = read_length(text, unit.length());
        let length = length.ok_or_else(|| wanted.refuse(text, "no length"))?;
        if length.mm() > 0.0 && length.mm() <= 1000.0 {
            Ok(Some(length))
        } else {
            Err(wanted.refuse(text, "out of range"))
        }
    }

    /// Of several lenses in the settings the longest: it asks for most.
    fn camera(&self, kept: &KeptSettings) -> Result<Option<CameraInUse>, Error> {
        let focals = kept.lenses.iter().map(|lens| lens.focal);
        let longest = focals.reduce(Length::max);
        let focal = self.focal.as_deref().map(read_focal_length).transpose()?;
        let pitch = self.pixel_pitch.as_deref();
        let pitch = pitch.map(read_pixel_pitch).transpose()?;
        let both = focal.or(longest).zip(pitch.or(kept.pixel_pitch()));
        Ok(both.map(|(focal, pixel_pitch)| CameraInUse { focal, pixel_pitch }))
    }

    fn wanted(&self) -> Result<Option<Seconds>, Error> {
        self.exposure.as_deref().map(read_exposure).transpose()
    }
}

/// Two places on a clock face: `12,3`, `10,2`, `1.5,4.5`.
fn read_screws(text: &str) -> Result<[Clock; 2], Error> {
    let parts: Vec<&str> = text.split([',', ';']).map(str::trim).collect();
    let [first, second] = parts.as_slice() else {
        return Err(SCREWS.refuse(text, "two places are needed"));
    };
    let clock = |part: &str| {
        let hours = part.parse::<f64>().ok().and_then(Clock::from_hours);
        hours.ok_or_else(|| SCREWS.refuse(text, "hours run from 1 to 12"))
    };
    Ok([clock(first)?, clock(second)?])
}

#[cfg(test)]
mod tests {
    use super::*;

    fn args() -> BeamArgs {
        BeamArgs {
            distance: "5m".into(),
            mark: vec!["20,0".into(), "0,20".into(), "-20,0".into()],
            ..BeamArgs::default()
        }
    }

    #[test]
    fn units_of_marks_spot_and_distance_are_apart() {
        let question = BeamArgs {
            unit: Some("cm".into()),
            mark: vec!["2,0".into(), "0,2".into(), "-2,0".into()],
            spot: Some("0.8".into()),
            distance: "500cm".into(),
            ..args()
        }
        .checked(&KeptSettings::default())
        .unwrap();
        assert!((question.test.marks[0].right.mm() - 20.0).abs() < 1e-9);
        assert!((question.spot.unwrap().mm() - 8.0).abs() < 1e-9);
        assert!((question.test.distance.mm() - 5000.0).abs() < 1e-9);
        assert_eq!(
            question.test.mark_error,
            MarkError::Guessed(Length::from_mm(2.0))
        );
        assert_eq!(question.test.current, 2);
    }

    #[test]
    fn bad_values_name_their_flag() {
        let with = |change: fn(&mut BeamArgs)| {
            let mut args = args();
            change(&mut args);
            run(&args).unwrap_err()
        };
        for (error, flag) in [
            (with(|a| a.distance = "far".into()), "--distance"),
            (with(|a| a.distance = "5000".into()), "--distance"),
            (with(|a| a.mark.push("x".into())), "--mark"),
            (with(|a| a.unit = Some("ells".into())), "--unit"),
            (with(|a| a.now = Some("4".into())), "--now"),
            (with(|a| a.screws = Some("12".into())), "--screws"),
            (with(|a| a.screws = Some("12,13".into())), "--screws"),
            (
                with(|a| a.screws = Some("12,6".into())),
                "--screws \"12,6\": both move",
            ),
            (with(|a| a.spot = Some("0".into())), "--spot"),
            (with(|a| a.mark_error = Some("-1".into())), "--mark-error"),
            (with(|a| a.accuracy = Some("0".into())), "--accuracy"),
            (with(|a| a.mark.clear()), "no marks are given"),
        ] {
            assert_eq!(error.kind, ErrorKind::BadSetting);
            assert!(error.context.starts_with(flag), "{}", error.context);
        }
    }

    #[test]
    fn the_declared_flags_are_sound() {
        BeamArgs::augment_args(clap::Command::new("beam")).debug_assert();
    }
}
