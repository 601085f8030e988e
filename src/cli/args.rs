//! The flags as typed, not yet checked; `settings` checks them.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand};

use super::beam::BeamArgs;
use super::cache::CacheArgs;
use super::keep::SettingsArgs;
use super::limits::LimitsArgs;
use super::polestar::PolestarArgs;
#[cfg(feature = "serve")]
use super::serve::ServeArgs;
use super::simulate::SimulateArgs;
use super::watch::WatchArgs;

/// Why did the stars trail, and which way does the tracker's axis have to move?
///
/// Reads the test frames of a night with a small star tracker and says what trailed, why, how
/// far, and which way to move the axis.
#[derive(Debug, Clone, Parser)]
#[command(version, color = clap::ColorChoice::Never, max_term_width = 100,
    after_help = "Exit code: 0 answered, 1 ran but cannot tell, 2 could not run, 130 interrupted.")]
pub struct CommandLine {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

impl CommandLine {
    /// Whether the command goes on until the user ends it, so that Ctrl-C breaks nothing off.
    pub fn runs_until_ended(&self) -> bool {
        match self.command {
            Command::Watch(_) => true,
            #[cfg(feature = "serve")]
            Command::Serve(_) => true,
            _ => false,
        }
    }
}

/// What to do.
#[derive(Debug, Clone, Subcommand)]
pub enum Command {
    /// Say what trailed in a night's frames, why, how far, and which way to move the axis
    Diagnose(DiagnoseArgs),
    /// Do the same again after each frame that arrives in the folder, until Ctrl-C
    Watch(WatchArgs),
    /// Show the answer after each frame as a page in a browser, until Ctrl-C
    #[cfg(feature = "serve")]
    Serve(ServeArgs),
    /// Measure single frames: stars, width, trail, where the camera looked
    Measure(MeasureArgs),
    /// Say how long a lens may expose, and which alignment an exposure needs, without frames
    Limits(LimitsArgs),
    /// Say where the pole star stands about the pole, and what aiming straight at it costs
    Polestar(PolestarArgs),
    /// Say how far a pointer beam leaves its housing's axis, from marks on a wall
    Beam(BeamArgs),
    /// Print or write a settings file: site, cameras, lenses, the base's screws
    Settings(SettingsArgs),
    /// Draw the frames of an invented night, with the truth beside them
    Simulate(SimulateArgs),
}

/// Flags of `diagnose`.
#[derive(Debug, Clone, Default, Args)]
#[command(after_help = "\
A night is a folder of frames (RAW, DNG, TIFF, JPEG, PNG, FITS). Each sub-folder is one alignment:
frames taken while the axis stayed put.

  stillpoint diagnose tonight
  stillpoint diagnose tonight --site 51.5,-0.1 --utc-offset +01:00
  stillpoint diagnose tonight --facing south --altitude 40 --facing east --altitude 30

Exit code: 0 answered, 1 ran but cannot tell (the answer says what is missing), 2 could not run.")]
pub struct DiagnoseArgs {
    /// The night's folder
    #[arg(value_name = "FOLDER")]
    pub folder: PathBuf,

    /// Where the camera stood: degrees, north and east positive; overrules GPS tags
    #[arg(long, value_name = "LAT,LON", allow_hyphen_values = true)]
    pub site: Option<String>,

    /// What the camera's clock is ahead of UTC; overrules the frames' tags
    #[arg(long, value_name = "+HH:MM", allow_hyphen_values = true)]
    pub utc_offset: Option<String>,

    /// Exposure of every frame, seconds; overrules the frames' tags
    #[arg(long, value_name = "S", allow_hyphen_values = true)]
    pub exposure: Option<String>,

    /// Focal length of the lens itself, millimetres; overrules the frames' tags
    #[arg(long, value_name = "MM", allow_hyphen_values = true)]
    pub focal: Option<String>,

    /// Side of one pixel, micrometres; overrules the frames' tags
    #[arg(long, value_name = "UM", allow_hyphen_values = true)]
    pub pixel_pitch: Option<String>,

    /// Where the camera faced (south, ne, or an azimuth), with --altitude. Once a pointing, in order; the last one repeats
    #[arg(
        long,
        value_name = "DIR",
        allow_hyphen_values = true,
        requires = "altitude",
        conflicts_with = "at"
    )]
    pub facing: Vec<String>,

    /// How high it looked, degrees above the horizon. Once a pointing, in order; the last one repeats
    #[arg(
        long,
        value_name = "DEG",
        allow_hyphen_values = true,
        requires = "facing"
    )]
    pub altitude: Vec<String>,

    /// Where the camera looked in the sky (5h35m,-5d23m or 83.8d,-5.4). Once a pointing, in order; the last one repeats
    #[arg(long, value_name = "RA,DEC", allow_hyphen_values = true)]
    pub at: Vec<String>,

    /// How far the camera was turned clockwise seen from behind, 0 level. Once a pointing, in order; the last one repeats
    #[arg(long, value_name = "DEG", allow_hyphen_values = true)]
    pub roll: Vec<String>,

    /// Trail that you accept, pixels [default: two thirds of the stars' width]
    #[arg(long, value_name = "PX", allow_hyphen_values = true)]
    pub tolerance: Option<String>,

    /// Write the whole report as JSON; - writes it to standard output in place of the text
    #[arg(long, value_name = "FILE")]
    pub json: Option<PathBuf>,

    /// Write the report as a page to look at, in place of stillpoint.html in the night's folder
    #[arg(long, value_name = "FILE", conflicts_with = "no_report")]
    pub report: Option<PathBuf>,

    /// Write no page
    #[arg(long)]
    pub no_report: bool,

    /// Print the answer alone
    #[arg(long)]
    pub brief: bool,

    /// Red on black only, for eyes used to the dark
    #[arg(long)]
    pub red: bool,

    /// Threads to use [default: one a core]
    #[arg(long, value_name = "N", allow_hyphen_values = true)]
    pub threads: Option<String>,

    /// Where measures are kept
    #[command(flatten)]
    pub cache: CacheArgs,
}

/// Flags of `measure`.
#[derive(Debug, Clone, Default, Args)]
#[command(after_help = "\
  stillpoint measure IMG_0001.jpg IMG_0002.jpg
  stillpoint measure --csv IMG_0001.jpg > stars.csv
  stillpoint measure IMG_0001.jpg --site 51.5,-0.1 --utc-offset +01:00
  stillpoint measure IMG_0001.jpg --picture trails.png

Exit code: 0 measured, 1 no frame has stars enough, 2 could not run.")]
pub struct MeasureArgs {
    /// The frames
    #[arg(value_name = "FILE", required = true)]
    pub files: Vec<PathBuf>,

    /// Where the camera stood: degrees, north and east positive; overrules GPS tags
    #[arg(long, value_name = "LAT,LON", allow_hyphen_values = true)]
    pub site: Option<String>,

    /// What the camera's clock is ahead of UTC; overrules the frames' tags
    #[arg(long, value_name = "+HH:MM", allow_hyphen_values = true)]
    pub utc_offset: Option<String>,

    /// Exposure of every frame, seconds; overrules the frames' tags
    #[arg(long, value_name = "S", allow_hyphen_values = true)]
    pub exposure: Option<String>,

    /// Focal length of the lens itself, millimetres; overrules the frames' tags
    #[arg(long, value_name = "MM", allow_hyphen_values = true)]
    pub focal: Option<String>,

    /// Side of one pixel, micrometres; overrules the frames' tags
    #[arg(long, value_name = "UM", allow_hyphen_values = true)]
    pub pixel_pitch: Option<String>,

    /// Print JSON, every star included, in place of the text
    #[arg(long, conflicts_with = "csv")]
    pub json: bool,

    /// Print a table of the stars, comma-separated, in place of the text
    #[arg(long)]
    pub csv: bool,

    /// Draw the frame with its stars marked, directions and trails: a file that ends in .png (with the photograph) or .svg; several frames are numbered
    #[arg(long, value_name = "OUT")]
    pub picture: Option<PathBuf>,

    /// Print the answer alone
    #[arg(long, conflicts_with_all = ["json", "csv"])]
    pub brief: bool,

    /// Red on black only, for eyes used to the dark
    #[arg(long)]
    pub red: bool,

    /// Threads to use [default: one a core]
    #[arg(long, value_name = "N", allow_hyphen_values = true)]
    pub threads: Option<String>,

    /// Where measures are kept
    #[command(flatten)]
    pub cache: CacheArgs,
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    fn diagnose(words: &[&str]) -> Result<DiagnoseArgs, clap::Error> {
        let line = ["stillpoint", "diagnose"].iter().chain(words);
        CommandLine::try_parse_from(line).map(|line| match line.command {
            Command::Diagnose(args) => args,
            other => panic!("{other:?}"),
        })
    }

    #[test]
    fn the_declared_flags_are_sound() {
        CommandLine::command().debug_assert();
    }

    #[test]
    fn negative_values_need_no_equals_sign() {
        let args = diagnose(&[
            "night",
            "--site",
            "-33.9,151.2",
            "--utc-offset",
            "-07:00",
            "--roll",
            "-90",
        ])
        .unwrap();
        assert_eq!(args.site.as_deref(), Some("-33.9,151.2"));
        assert_eq!(args.utc_offset.as_deref(), Some("-07:00"));
        assert_eq!(args.roll, ["-90"]);
    }

    #[test]
    fn a_dash_is_standard_output() {
        let args = diagnose(&["night", "--json", "-"]).unwrap();
        assert_eq!(args.json, Some(PathBuf::from("-")));
    }

    #[test]
    fn hints_repeat_in_order_and_come_in_pairs() {
        let args = diagnose(&[
            "night",
            "--facing",
            "s",
            "--altitude",
            "40",
            "--facing",
            "e",
            "--altitude",
            "30",
        ])
        .unwrap();
        assert_eq!(
            (args.facing, args.altitude),
            (
                vec!["s".to_string(), "e".into()],
                vec!["40".to_string(), "30".into()],
            )
        );
        assert!(diagnose(&["night", "--facing", "s"]).is_err());
        assert!(diagnose(&["night", "--altitude", "40"]).is_err());
        assert!(diagnose(&["n", "--facing", "s", "--altitude", "4", "--at", "5h,3"]).is_err());
    }

    #[test]
    fn a_mistyped_flag_brings_the_nearest() {
        let error = diagnose(&["night", "--utcoffset", "1"])
            .unwrap_err()
            .to_string();
        assert!(error.contains("--utc-offset"), "{error}");
    }
}
