//! `polestar`: where the pole star should stand, tonight and now.

use std::path::{Path, PathBuf};

use clap::Args;
use jiff::Timestamp;
use jiff::civil::DateTime;
use jiff::tz::Offset;

use crate::error::{Error, ErrorKind};
use crate::report::page::inked;
use crate::report::polestar::{CameraInUse, PoleStarQuestion, report_pole_star};
use crate::sky::{Atmosphere, Observer};
use crate::units::{Length, Seconds};

use super::Outcome;
use super::picture::PictureFile;
use super::quantity::{read_exposure, read_focal_length, read_pixel_pitch, read_utc_offset};
use super::refuse::Wanted;
use super::settings_file::{self, KeptSettings};
use super::site::read_site;
use super::terminal;

const SITE: Wanted = Wanted {
    flag: "--site",
    allowed: "degrees, north and east positive",
    example: "--site 51.5,-0.1, or a [site] in the settings (stillpoint settings)",
};
const TIME: Wanted = Wanted {
    flag: "--time",
    allowed: "a date and time as in RFC 3339, with or without an offset",
    example: "--time 2026-08-14T21:30:00+02:00",
};
/// Exposure that the cost of aiming at the star is told for, where none is given.
const DEFAULT_EXPOSURE: Seconds = Seconds::new(60.0);

/// Flags of `polestar`.
#[derive(Debug, Clone, Default, Args)]
#[command(after_help = "\
  stillpoint polestar --site 51.5,-0.1 --utc-offset +01:00
  stillpoint polestar --site -33.9,18.5 --time 2026-08-14T21:30 --utc-offset +02:00 \\
      --focal 150 --pixel-pitch 3.3 --exposure 60 --picture south.svg")]
pub struct PolestarArgs {
    /// Where the tracker stands: degrees, north and east positive, and the height in metres if you like [default: the settings' site]
    #[arg(long, value_name = "LAT,LON", allow_hyphen_values = true)]
    pub site: Option<String>,

    /// When: 2026-08-14T21:30 by local time, or with an offset or Z at its end [default: now]
    #[arg(long, value_name = "TIME")]
    pub time: Option<String>,

    /// What local time is ahead of UTC [default: the settings' offset, or +00:00]
    #[arg(long, value_name = "+HH:MM", allow_hyphen_values = true)]
    pub utc_offset: Option<String>,

    /// Focal length of the lens itself, millimetres
    #[arg(
        long,
        value_name = "MM",
        allow_hyphen_values = true,
        requires = "pixel_pitch"
    )]
    pub focal: Option<String>,

    /// Side of one pixel, micrometres
    #[arg(
        long,
        value_name = "UM",
        allow_hyphen_values = true,
        requires = "focal"
    )]
    pub pixel_pitch: Option<String>,

    /// Exposure, seconds [default: 60]
    #[arg(long, value_name = "S", allow_hyphen_values = true)]
    pub exposure: Option<String>,

    /// Draw the star's place too: a file that ends in .svg or .png
    #[arg(long, value_name = "FILE")]
    pub picture: Option<PathBuf>,

    /// Print the answer alone
    #[arg(long)]
    pub brief: bool,

    /// Red on black only, for eyes used to the dark
    #[arg(long)]
    pub red: bool,
}

/// Prints where the pole star stands, and writes the picture if one is asked for.
///
/// # Errors
/// A flag whose value is not usable; a picture file that cannot be written.
pub fn run(args: &PolestarArgs) -> Result<Outcome, Error> {
    let kept = settings_file::load(Path::new("."))?;
    let (text, picture) = answer(args, &kept)?;
    terminal::print(&inked(&text, terminal::look(args.red)))?;
    picture?;
    Ok(Outcome::Answered)
}

/// The words, and what became of the picture: one that cannot be written costs no words.
type Answer = (String, Result<(), Error>);

fn answer(args: &PolestarArgs, kept: &KeptSettings) -> Result<Answer, Error> {
    let question = args.checked(kept)?;
    let picture = args.picture.as_deref().map(PictureFile::checked);
    let picture = picture.transpose()?;
    let report = report_pole_star(&question);
    let drawn = picture.map_or(Ok(()), |picture| picture.write(&report.to_drawing()));
    let text = if args.brief {
        report.to_brief()
    } else {
        report.to_text()
    };
    Ok((text, drawn))
}

impl PolestarArgs {
    /// Options first, then the settings.
    fn checked(&self, kept: &KeptSettings) -> Result<PoleStarQuestion, Error> {
        let site = self.site.as_deref().map(read_site).transpose()?;
        let site = site
            .or(kept.site)
            .ok_or_else(|| SITE.missing("the sky of nowhere has no pole"))?;
        let utc_offset = self.utc_offset.as_deref().map(read_utc_offset);
        let utc_offset = utc_offset.transpose()?.or(kept.utc_offset);
        let utc_offset = utc_offset.map_or(Ok(Offset::UTC), offset_of)?;
        let at = match &self.time {
            None => Timestamp::now(),
            Some(text) => read_time(text, utc_offset)?,
        };
        let exposure = match &self.exposure {
            None => kept.exposure.unwrap_or(DEFAULT_EXPOSURE),
            Some(text) => read_exposure(text)?,
        };
        Ok(PoleStarQuestion {
            observer: Observer::new(site, Atmosphere::standard(site.height_m())),
            at,
            utc_offset,
            camera: self.camera(kept)?,
            exposure,
        })
    }

    /// Of several lenses in the settings the longest: it asks for most.
    fn camera(&self, kept: &KeptSettings) -> Result<Option<CameraInUse>, Error> {
        let (Some(focal), Some(pitch)) = (&self.focal, &self.pixel_pitch) else {
            let focals = kept.lenses.iter().map(|lens| lens.focal);
            let both = focals.reduce(Length::max).zip(kept.pixel_pitch());
            return Ok(both.map(|(focal, pixel_pitch)| CameraInUse { focal, pixel_pitch }));
        };
        Ok(Some(CameraInUse {
            focal: read_focal_length(focal)?,
            pixel_pitch: read_pixel_pitch(pitch)?,
        }))
    }
}

fn offset_of(east: Seconds) -> Result<Offset, Error> {
    Offset::from_seconds(east.s().round() as i32).map_err(|_| {
        Error::new(
            ErrorKind::BadSetting,
            format!("no such zone: {} s", east.s()),
        )
    })
}

/// An instant, or a local time that the offset makes one.
fn read_time(text: &str, offset: Offset) -> Result<Timestamp, Error> {
    let instant = text.parse::<Timestamp>().ok();
    let local = || {
        let local: DateTime = text.parse().ok()?;
        offset.to_timestamp(local).ok()
    };
    instant
        .or_else(local)
        .ok_or_else(|| TIME.refuse(text, "no date and time"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn args(site: &str) -> PolestarArgs {
        PolestarArgs {
            site: Some(site.into()),
            time: Some("2026-01-15T22:00:00Z".into()),
            ..PolestarArgs::default()
        }
    }

    /// The words, where the picture could be written too.
    fn answer(args: &PolestarArgs, kept: &KeptSettings) -> Result<String, Error> {
        let (text, drawn) = super::answer(args, kept)?;
        drawn.map(|()| text)
    }

    #[test]
    fn the_answer_names_star_place_and_time() {
        let text = answer(&args("51.5,-0.1"), &KeptSettings::default()).unwrap();
        assert!(text.starts_with("alpha Ursae Minoris, 51.50 N 0.10 W"));
        assert!(text.contains("01-15 22:00"));
    }

    #[test]
    fn a_local_time_and_its_offset_are_the_same_instant_as_utc() {
        let offset = offset_of(read_utc_offset("-03:30").unwrap()).unwrap();
        let utc = "2026-01-15T22:00:00Z".parse().unwrap();
        for text in [
            "2026-01-15T18:30",
            "2026-01-15T22:00:00Z",
            "2026-01-16T00:00:00+02:00",
        ] {
            assert_eq!(read_time(text, offset).unwrap(), utc, "{text}");
        }
    }

    #[test]
    fn pictures_are_written_in_the_form_their_name_tells() {
        let folder = tempfile::tempdir().unwrap();
        let mut args = args("-33.9,18.5");
        let svg = folder.path().join("south.SVG");
        args.picture = Some(svg.clone());
        answer(&args, &KeptSettings::default()).unwrap();
        assert!(std::fs::read_to_string(svg).unwrap().starts_with("<svg"));
        let png = folder.path().join("south.png");
        args.picture = Some(png.clone());
        answer(&args, &KeptSettings::default()).unwrap();
        assert!(std::fs::read(png).unwrap().starts_with(b"\x89PNG"));
        args.picture = Some(folder.path().join("missing/south.png"));
        assert_eq!(
            answer(&args, &KeptSettings::default()).unwrap_err().kind,
            ErrorKind::Io
        );
    }

    #[test]
    fn bad_values_name_flag_value_and_a_way_out() {
        let with = |change: fn(&mut PolestarArgs)| {
            let mut args = args("51.5,-0.1");
            args.focal = Some("150".into());
            args.pixel_pitch = Some("3.3".into());
            change(&mut args);
            answer(&args, &KeptSettings::default()).unwrap_err()
        };
        for (error, flag) in [
            (with(|a| a.site = None), "--site is missing"),
            (with(|a| a.site = Some("95,0".into())), "--site \"95,0\""),
            (with(|a| a.site = Some("51.5".into())), "--site \"51.5\""),
            (with(|a| a.site = Some("1,2,3,4".into())), "--site"),
            (with(|a| a.site = Some("nan,2".into())), "--site"),
            (
                with(|a| a.time = Some("tonight".into())),
                "--time \"tonight\"",
            ),
            (with(|a| a.utc_offset = Some("BST".into())), "--utc-offset"),
            (with(|a| a.focal = Some("0".into())), "--focal \"0\""),
            (
                with(|a| a.pixel_pitch = Some("NaN".into())),
                "--pixel-pitch",
            ),
            (with(|a| a.exposure = Some("-1".into())), "--exposure"),
            (
                with(|a| a.picture = Some("a.gif".into())),
                "--picture \"a.gif\"",
            ),
        ] {
            assert_eq!(error.kind, ErrorKind::BadSetting);
            assert!(error.context.starts_with(flag), "{}", error.context);
            assert!(error.hint.unwrap().contains("for example"));
        }
    }

    #[test]
    fn settings_hold_where_no_option_speaks() {
        let kept = KeptSettings {
            site: read_site("-33.9,18.5").ok(),
            utc_offset: Some(Seconds::new(7200.0)),
            exposure: Some(Seconds::new(90.0)),
            ..KeptSettings::default()
        };
        let bare = PolestarArgs {
            time: Some("2026-01-15T22:00:00Z".into()),
            ..PolestarArgs::default()
        };
        let text = answer(&bare, &kept).unwrap();
        assert!(
            text.starts_with("sigma Octantis, 33.90 S 18.50 E, times are UTC+02:00"),
            "{text}"
        );
        assert!(text.contains("in 90 s"), "{text}");
        let north = answer(&args("51.5,-0.1"), &kept).unwrap();
        assert!(north.starts_with("alpha Ursae Minoris"), "{north}");
    }

    #[test]
    fn the_declared_flags_are_sound() {
        PolestarArgs::augment_args(clap::Command::new("polestar")).debug_assert();
    }
}
