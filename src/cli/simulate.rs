//! `stillpoint simulate`: draws the frames of a scenario file.

use std::io::Write;
use std::path::PathBuf;

use crate::error::{Error, ErrorKind};
use crate::simulate::{Scenario, write_night};

/// Draw the frames of a made-up night from a scenario file.
#[derive(Debug, Clone, clap::Args)]
pub struct SimulateArgs {
    /// Scenario file (TOML)
    #[arg(value_name = "SCENARIO.toml")]
    pub scenario: PathBuf,
    /// Folder for the frames; the truth about them is written beside it as FOLDER.truth.json
    #[arg(long, value_name = "FOLDER")]
    pub out: PathBuf,
    /// Number that every random choice follows from, instead of the scenario's own
    #[arg(long, value_name = "N")]
    pub seed: Option<u64>,
}

/// What a run that is interrupted says about the next.
pub const ON_RERUN: &str =
    "the frames drawn so far stay; run the same command again to draw the whole night";

/// Draws the night and says what was written.
///
/// # Errors
/// `BadSetting` for a scenario that cannot be used, `Io` where a file cannot be read or written.
pub fn run(
    args: &SimulateArgs,
    progress: &dyn Fn(usize, usize),
    out: &mut dyn Write,
) -> Result<(), Error> {
    let mut scenario = Scenario::read(&args.scenario)?;
    if let Some(seed) = args.seed {
        scenario.seed = seed;
    }
    let truth = write_night(&scenario, &args.out, progress)?;
    let frames: usize = truth.alignments.iter().map(|a| a.frames.len()).sum();
    writeln!(out, "{frames} frames written to {}", args.out.display())
        .map_err(|e| Error::new(ErrorKind::Io, format!("cannot write the answer: {e}")))
}
