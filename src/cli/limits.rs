//! `limits`: longest exposures and needed alignments, without frames.

use std::path::Path;

use clap::Args;

use crate::error::Error;
use crate::limits::USUAL_WIDTH;
use crate::report::limits::{LensInBag, LimitsQuestion, StarLook, report_limits};
use crate::units::{Angle, Pixels, Seconds};

use super::Outcome;
use super::quantity::{
    between, list, read_exposure, read_focal_length, read_pixel_pitch, read_tolerance,
};
use super::refuse::Wanted;
use super::settings_file::{self, KeptSettings};
use super::terminal;

const AXIS_ERROR: Wanted = Wanted {
    flag: "--axis-error",
    allowed: "distances of the axis from the pole in arcminutes, 0.01 to 600, with commas between them",
    example: "--axis-error 2,10,40",
};
const DECLINATION: Wanted = Wanted {
    flag: "--declination",
    allowed: "degrees from -90 to 90",
    example: "--declination -5.4",
};
const FWHM: Wanted = Wanted {
    flag: "--fwhm",
    allowed: "the width of a round star (full width at half maximum) in pixels, 0.5 to 100",
    example: "--fwhm 2.7",
};
const F_NUMBER: Wanted = Wanted {
    flag: "--f-number",
    allowed: "the f-number at which the lenses are used, 0.5 to 128",
    example: "--f-number 4",
};
const PITCH: Wanted = Wanted {
    flag: "--pixel-pitch",
    allowed: "the side of one pixel in micrometres, 0.5 to 100",
    example: "stillpoint limits --pixel-pitch 3.3 --focal 50,150",
};

/// Focal lengths of the table where none are given, millimetres.
const USUAL_FOCALS: &str = "14,24,50,85,135,200,300";
/// Axis errors of the table where none are given, arcminutes.
const USUAL_ERRORS: &str = "1,2,5,10,20,40,60";
/// Exposures of the table where none are given.
const USUAL_EXPOSURES: &str = "15,30,60,120,180,300";

/// Flags of `limits`.
#[derive(Debug, Clone, Default, Args)]
#[command(after_help = "\
  stillpoint limits --pixel-pitch 3.3 --focal 50,150
  stillpoint limits --pixel-pitch 3.9 --focal 135 --exposure 120 --declination -5
  stillpoint limits --pixel-pitch 3.3 --focal 150 --axis-error 38 --fwhm 2.7 --json")]
pub struct LimitsArgs {
    /// Side of one pixel, micrometres
    #[arg(long, value_name = "UM", allow_hyphen_values = true)]
    pub pixel_pitch: Option<String>,

    /// Focal lengths of the lenses themselves, millimetres [default: 14 to 300 in steps]
    #[arg(long, value_name = "MM,...", allow_hyphen_values = true)]
    pub focal: Option<String>,

    /// How far the axis misses the pole, arcminutes [default: 1 to 60 in steps]
    #[arg(long, value_name = "ARCMIN,...", allow_hyphen_values = true)]
    pub axis_error: Option<String>,

    /// Exposures that you want; the longest answers in the first line [default: 15 s to 300 s in steps, 60 s answers]
    #[arg(long, value_name = "S,...", allow_hyphen_values = true)]
    pub exposure: Option<String>,

    /// Declination of what you photograph, degrees [default: 0, the celestial equator]
    #[arg(long, value_name = "DEG", allow_hyphen_values = true)]
    pub declination: Option<String>,

    /// Width of a round star, pixels [default: 3]
    #[arg(long, value_name = "PX", allow_hyphen_values = true)]
    pub fwhm: Option<String>,

    /// f-number of the lenses: a small aperture widens stars and tolerates more
    #[arg(long, value_name = "N", allow_hyphen_values = true)]
    pub f_number: Option<String>,

    /// Trail that you accept, pixels [default: two thirds of the stars' width]
    #[arg(long, value_name = "PX", allow_hyphen_values = true)]
    pub tolerance: Option<String>,

    /// Print JSON in place of the text
    #[arg(long)]
    pub json: bool,

    /// Print the answer alone
    #[arg(long)]
    pub brief: bool,

    /// Red on black only, for eyes used to the dark
    #[arg(long)]
    pub red: bool,
}

/// Prints the limits.
///
/// # Errors
/// At the first flag whose value is not usable.
pub fn run(args: &LimitsArgs) -> Result<Outcome, Error> {
    let kept = settings_file::load(Path::new("."))?;
    let report = report_limits(&args.checked(&kept)?);
    let look = terminal::look(args.red);
    terminal::print(&match (args.json, args.brief) {
        (true, _) => report.to_json(),
        (_, true) => report.to_brief(&look),
        _ => report.to_text(&look),
    })?;
    Ok(Outcome::Answered)
}

impl LimitsArgs {
    /// Options first, then the settings, then what is usual.
    fn checked(&self, kept: &KeptSettings) -> Result<LimitsQuestion, Error> {
        let pitch = self.pixel_pitch.as_deref().map(read_pixel_pitch);
        let pixel_pitch = pitch
            .transpose()?
            .or(kept.pixel_pitch())
            .ok_or_else(|| PITCH.missing("no trail in pixels without it"))?;
        let f_number = self.f_number.as_deref();
        let f_number = f_number.map(|n| between(n, &[], 0.5, 128.0, &F_NUMBER));
        let f_number = f_number.transpose()?;
        Ok(LimitsQuestion {
            lenses: self.lenses(kept, f_number)?,
            pixel_pitch,
            axis_errors: list(given(&self.axis_error, USUAL_ERRORS), read_axis_error)?,
            exposures: list(given(&self.exposure, USUAL_EXPOSURES), read_exposure)?,
            wanted: self.wanted(kept)?,
            declination: self.declination(kept)?,
            star: self.star(kept)?,
        })
    }

    fn lenses(&self, kept: &KeptSettings, f_number: Option<f64>) -> Result<Vec<LensInBag>, Error> {
        if self.focal.is_none() && !kept.lenses.is_empty() {
            let lens = |lens: &LensInBag| LensInBag {
                f_number: f_number.or(lens.f_number),
                ..lens.clone()
            };
            return Ok(kept.lenses.iter().map(lens).collect());
        }
        let focals = list(given(&self.focal, USUAL_FOCALS), read_focal_length)?;
        let lens = |focal| LensInBag {
            name: None,
            focal,
            f_number,
        };
        Ok(focals.into_iter().map(lens).collect())
    }

    /// The longest exposure asked for; a minute where none is.
    fn wanted(&self, kept: &KeptSettings) -> Result<Option<Seconds>, Error> {
        if let (None, Some(wanted)) = (&self.exposure, kept.exposure) {
            return Ok(Some(wanted));
        }
        let exposures = list(given(&self.exposure, "60"), read_exposure)?;
        Ok(exposures.into_iter().reduce(Seconds::max))
    }

    fn declination(&self, kept: &KeptSettings) -> Result<Angle, Error> {
        if let (None, Some(target)) = (&self.declination, &kept.target) {
            return Ok(target.direction.ra_dec().1);
        }
        let text = self.declination.as_deref().unwrap_or("0");
        between(text, &["\u{b0}", "d"], -90.0, 90.0, &DECLINATION).map(Angle::from_deg)
    }

    fn star(&self, kept: &KeptSettings) -> Result<StarLook, Error> {
        let tolerance = self.tolerance.as_deref().map(read_tolerance).transpose()?;
        let width = self.fwhm.as_deref();
        let width = width.map(|text| between(text, &["px"], 0.5, 100.0, &FWHM));
        Ok(StarLook {
            width: width.transpose()?.map_or(USUAL_WIDTH, Pixels::new),
            tolerance: tolerance.or(kept.tolerance),
        })
    }
}

fn given<'a>(text: &'a Option<String>, usual: &'a str) -> &'a str {
    text.as_deref().unwrap_or(usual)
}

fn read_axis_error(text: &str) -> Result<Angle, Error> {
    between(text, &["'"], 0.01, 600.0, &AXIS_ERROR).map(Angle::from_arcmin)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli::settings_file::KeptCamera;
    use crate::units::Length;

    fn args() -> LimitsArgs {
        LimitsArgs {
            pixel_pitch: Some("3.3".into()),
            ..LimitsArgs::default()
        }
    }

    #[test]
    fn lists_are_read_in_their_order() {
        let question = LimitsArgs {
            focal: Some("150, 50mm".into()),
            exposure: Some("30,2m".into()),
            ..args()
        }
        .checked(&KeptSettings::default())
        .unwrap();
        let focals: Vec<f64> = question.lenses.iter().map(|lens| lens.focal.mm()).collect();
        assert_eq!(focals, [150.0, 50.0]);
        assert_eq!(question.wanted, Some(Seconds::new(120.0)));
        assert_eq!(
            args().checked(&KeptSettings::default()).unwrap().wanted,
            Some(Seconds::new(60.0))
        );
    }

    #[test]
    fn settings_hold_where_no_option_speaks() {
        let kept = KeptSettings {
            cameras: vec![KeptCamera {
                name: None,
                pixel_pitch: Length::from_um(4.0),
            }],
            lenses: vec![LensInBag {
                name: None,
                focal: Length::from_mm(85.0),
                f_number: Some(2.0),
            }],
            exposure: Some(Seconds::new(90.0)),
            tolerance: Some(Pixels::new(1.5)),
            ..KeptSettings::default()
        };
        let bare = LimitsArgs::default().checked(&kept).unwrap();
        assert_eq!(bare.pixel_pitch, Length::from_um(4.0));
        assert_eq!(bare.lenses, kept.lenses);
        assert_eq!(bare.wanted, kept.exposure);
        assert_eq!(bare.star.tolerance, kept.tolerance);
        let told = LimitsArgs {
            focal: Some("50".into()),
            exposure: Some("30".into()),
            tolerance: Some("1".into()),
            ..args()
        }
        .checked(&kept)
        .unwrap();
        assert_eq!(told.pixel_pitch, Length::from_um(3.3));
        assert_eq!(told.lenses[0].focal, Length::from_mm(50.0));
        assert_eq!(told.wanted, Some(Seconds::new(30.0)));
        assert_eq!(told.star.tolerance, Some(Pixels::new(1.0)));
    }

    #[test]
    fn bad_values_name_their_flag_and_a_missing_pitch_is_asked_for() {
        let with = |change: fn(&mut LimitsArgs)| {
            let mut args = args();
            change(&mut args);
            args.checked(&KeptSettings::default()).unwrap_err()
        };
        for (error, flag) in [
            (with(|a| a.pixel_pitch = None), "--pixel-pitch"),
            (with(|a| a.focal = Some("50,,85".into())), "--focal"),
            (with(|a| a.axis_error = Some("0".into())), "--axis-error"),
            (with(|a| a.exposure = Some("long".into())), "--exposure"),
            (with(|a| a.declination = Some("91".into())), "--declination"),
            (with(|a| a.fwhm = Some("0".into())), "--fwhm"),
            (with(|a| a.f_number = Some("f/4".into())), "--f-number"),
            (with(|a| a.tolerance = Some("-1".into())), "--tolerance"),
        ] {
            assert!(error.context.starts_with(flag), "{}", error.context);
            assert!(error.hint.unwrap().contains("for example"));
        }
    }

    #[test]
    fn the_declared_flags_are_sound() {
        LimitsArgs::augment_args(clap::Command::new("limits")).debug_assert();
    }
}
