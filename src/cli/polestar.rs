//! `polestar`: where the pole star should stand, tonight and now.

use std::io::Write;
use std::path::{Path, PathBuf};

use clap::Args;
use jiff::civil::DateTime;
use jiff::tz::Offset;
use jiff::{SignedDuration, Timestamp};

use crate::error::{Error, ErrorKind};
use crate::report::polestar::{CameraInUse, PoleStarQuestion, PoleStarReport, report_pole_star};
use crate::sky::{Atmosphere, Observer};
use crate::units::{Angle, Length, Seconds, Site};

/// Exposure that the cost of aiming at the star is told for, where none is given.
const DEFAULT_EXPOSURE: Seconds = Seconds::new(60.0);

/// Flags of `polestar`.
#[derive(Debug, Clone, Default, Args)]
#[command(after_help = "\
  stillpoint polestar --site 51.5,-0.1 --utc-offset +01:00
  stillpoint polestar --site -33.9,18.5 --time 2026-08-14T21:30 --utc-offset +02:00 \\
      --focal 150 --pixel-pitch 3.3 --exposure 60 --picture south.svg")]
pub struct PolestarArgs {
    /// Where the tracker stands: degrees, north and east positive, and the height in metres if you like
    #[arg(long, value_name = "LAT,LON", allow_hyphen_values = true)]
    pub site: String,

    /// When: 2026-08-14T21:30 by local time, or with an offset or Z at its end [default: now]
    #[arg(long, value_name = "TIME")]
    pub time: Option<String>,

    /// What local time is ahead of UTC [default: +00:00]
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
}

/// Answers on `out`, and writes the picture if one is asked for.
///
/// # Errors
/// A flag whose value is not usable; a picture file that cannot be written; a broken `out`.
pub fn run(args: &PolestarArgs, out: &mut dyn Write) -> Result<(), Error> {
    let question = args.checked()?;
    let picture = args.picture.as_deref().map(PictureFile::checked);
    let picture = picture.transpose()?;
    let report = report_pole_star(&question);
    if let Some(picture) = picture {
        picture.write(&report)?;
    }
    out.write_all(report.to_text().as_bytes())
        .map_err(|error| Error::new(ErrorKind::Io, format!("standard output: {error}")))
}

impl PolestarArgs {
    fn checked(&self) -> Result<PoleStarQuestion, Error> {
        let site = read_site(&self.site)?;
        let utc_offset = self
            .utc_offset
            .as_deref()
            .map_or(Ok(Offset::UTC), read_offset)?;
        let at = match &self.time {
            None => Timestamp::now(),
            Some(text) => read_time(text, utc_offset)?,
        };
        let exposure = match &self.exposure {
            None => DEFAULT_EXPOSURE,
            Some(text) => Seconds::new(read_number("--exposure", text, 1e-4, 86_400.0, "s")?),
        };
        Ok(PoleStarQuestion {
            observer: Observer::new(site, Atmosphere::standard(site.height_m())),
            at,
            utc_offset,
            camera: self.camera()?,
            exposure,
        })
    }

    fn camera(&self) -> Result<Option<CameraInUse>, Error> {
        let (Some(focal), Some(pitch)) = (&self.focal, &self.pixel_pitch) else {
            return Ok(None);
        };
        Ok(Some(CameraInUse {
            focal: Length::from_mm(read_number("--focal", focal, 1.0, 10_000.0, "mm")?),
            pixel_pitch: Length::from_um(read_number("--pixel-pitch", pitch, 0.5, 100.0, "um")?),
        }))
    }
}

/// A file for the picture, in a form that its name tells.
enum PictureFile<'a> {
    Svg(&'a Path),
    Png(&'a Path),
}

impl<'a> PictureFile<'a> {
    fn checked(path: &'a Path) -> Result<Self, Error> {
        let ending = path.extension().and_then(|ending| ending.to_str());
        match ending.map(str::to_ascii_lowercase).as_deref() {
            Some("svg") => Ok(Self::Svg(path)),
            Some("png") => Ok(Self::Png(path)),
            _ => Err(refuse(
                "--picture",
                &path.display().to_string(),
                "a file name that ends in .svg or .png",
                "--picture polestar.svg",
            )),
        }
    }

    fn write(&self, report: &PoleStarReport) -> Result<(), Error> {
        let drawing = report.to_drawing();
        let (path, bytes) = match self {
            Self::Svg(path) => (path, drawing.to_svg().into_bytes()),
            Self::Png(path) => (path, drawing.to_png()),
        };
        std::fs::write(path, bytes).map_err(|error| {
            Error::new(ErrorKind::Io, format!("{}: {error}", path.display()))
                .with_hint("name a file in a folder that exists and that you may write to")
        })
    }
}

fn refuse(flag: &str, found: &str, needed: &str, example: &str) -> Error {
    let found = found.replace(char::is_control, "?");
    let context = format!("{flag} \"{found}\": needs {needed}");
    Error::new(ErrorKind::BadSetting, context).with_hint(format!("for example: {example}"))
}

fn read_site(text: &str) -> Result<Site, Error> {
    let refused = || {
        refuse(
            "--site",
            text,
            "latitude (-90 to 90) and longitude (-360 to 360) in degrees, north and east positive",
            "--site 51.5,-0.1",
        )
    };
    let numbers: Result<Vec<f64>, _> = text.split(',').map(|part| part.trim().parse()).collect();
    match numbers.map_err(|_| refused())?.as_slice() {
        [latitude, longitude, height @ ..] if height.len() < 2 => {
            let site = Site::new(Angle::from_deg(*latitude), Angle::from_deg(*longitude));
            let height_m = height.first().copied().unwrap_or(0.0);
            let site = site.filter(|_| (-500.0..=9000.0).contains(&height_m));
            site.map(|site| site.at_height_m(height_m))
                .ok_or_else(refused)
        }
        _ => Err(refused()),
    }
}

/// An instant, or a local time that the offset makes one.
fn read_time(text: &str, offset: Offset) -> Result<Timestamp, Error> {
    let instant = text.parse::<Timestamp>().ok();
    let local = || {
        let local: DateTime = text.parse().ok()?;
        offset.to_timestamp(local).ok()
    };
    instant.or_else(local).ok_or_else(|| {
        refuse(
            "--time",
            text,
            "a date and time as in RFC 3339, with or without an offset",
            "--time 2026-08-14T21:30:00+02:00",
        )
    })
}

fn read_offset(text: &str) -> Result<Offset, Error> {
    parse_offset(text.trim()).ok_or_else(|| {
        refuse(
            "--utc-offset",
            text,
            "hours and minutes ahead of UTC, -14:00 to +14:00",
            "--utc-offset +05:30",
        )
    })
}

fn parse_offset(text: &str) -> Option<Offset> {
    if text.eq_ignore_ascii_case("z") {
        return Some(Offset::UTC);
    }
    let (sign, digits) = match text.strip_prefix('-') {
        Some(rest) => (-1, rest),
        None => (1, text.strip_prefix('+').unwrap_or(text)),
    };
    let (hours, minutes) = digits.split_once(':').unwrap_or((digits, "0"));
    let (hours, minutes) = (hours.parse::<u8>().ok()?, minutes.parse::<u8>().ok()?);
    let seconds = i32::from(hours) * 3600 + i32::from(minutes) * 60;
    let legal = minutes < 60 && seconds <= SignedDuration::from_hours(14).as_secs() as i32;
    legal.then(|| Offset::from_seconds(sign * seconds).ok())?
}

/// A number in a closed range, its unit written after it or not.
fn read_number(flag: &str, text: &str, low: f64, high: f64, unit: &str) -> Result<f64, Error> {
    let digits = text.trim().trim_end_matches(unit).trim();
    let number = digits.parse().ok();
    // A comparison that refuses NaN.
    number
        .filter(|number| (low..=high).contains(number))
        .ok_or_else(|| {
            let needed = format!("a number from {low} to {high} {unit}");
            refuse(
                flag,
                text,
                &needed,
                &format!("{flag} {}", 60.0_f64.clamp(low, high)),
            )
        })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn args(site: &str) -> PolestarArgs {
        PolestarArgs {
            site: site.into(),
            time: Some("2026-01-15T22:00:00Z".into()),
            ..PolestarArgs::default()
        }
    }

    fn answer(args: &PolestarArgs) -> Result<String, Error> {
        let mut out = Vec::new();
        run(args, &mut out).map(|()| String::from_utf8(out).unwrap())
    }

    #[test]
    fn the_answer_is_written_to_out() {
        let text = answer(&args("51.5,-0.1")).unwrap();
        assert!(text.starts_with("alpha Ursae Minoris, 51.50 N 0.10 W"));
        assert!(text.contains("01-15 22:00"));
    }

    #[test]
    fn a_local_time_and_its_offset_are_the_same_instant_as_utc() {
        let offset = read_offset("-03:30").unwrap();
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
    fn offsets_in_several_spellings() {
        for (text, seconds) in [
            ("Z", 0),
            ("+01:00", 3600),
            ("5:30", 19_800),
            ("-7", -25_200),
        ] {
            assert_eq!(read_offset(text).unwrap().seconds(), seconds, "{text}");
        }
        for text in ["", "+25:00", "+01:60", "one", "+-1", "1:2:3"] {
            assert!(read_offset(text).is_err(), "{text}");
        }
    }

    #[test]
    fn pictures_are_written_in_the_form_their_name_tells() {
        let folder = tempfile::tempdir().unwrap();
        let mut args = args("-33.9,18.5");
        let svg = folder.path().join("south.SVG");
        args.picture = Some(svg.clone());
        answer(&args).unwrap();
        assert!(std::fs::read_to_string(svg).unwrap().starts_with("<svg"));
        let png = folder.path().join("south.png");
        args.picture = Some(png.clone());
        answer(&args).unwrap();
        assert!(std::fs::read(png).unwrap().starts_with(b"\x89PNG"));
        args.picture = Some(folder.path().join("missing/south.png"));
        assert_eq!(answer(&args).unwrap_err().kind, ErrorKind::Io);
    }

    #[test]
    fn bad_values_name_flag_value_and_a_way_out() {
        let with = |change: fn(&mut PolestarArgs)| {
            let mut args = args("51.5,-0.1");
            args.focal = Some("150".into());
            args.pixel_pitch = Some("3.3".into());
            change(&mut args);
            answer(&args).unwrap_err()
        };
        for (error, flag) in [
            (with(|a| a.site = "95,0".into()), "--site \"95,0\""),
            (with(|a| a.site = "51.5".into()), "--site \"51.5\""),
            (with(|a| a.site = "1,2,3,4".into()), "--site"),
            (with(|a| a.site = "nan,2".into()), "--site"),
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
    fn the_declared_flags_are_sound() {
        PolestarArgs::augment_args(clap::Command::new("polestar")).debug_assert();
    }
}
