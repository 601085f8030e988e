//! One function per workflow: the stages called in their order. No numerics.

mod accounted;
mod aim;
mod alignment;
mod assemble;
mod assumed;
mod by_exposures;
mod clock_by_air;
mod clock_doubts;
mod development;
mod exposing;
mod facts;
mod gather;
mod interpret;
mod lenses;
mod look;
mod measure;
mod odd_pictures;
mod plates;
#[cfg(test)]
mod promise;
mod proposal;
mod record;
mod sort_out;
mod stamped;
mod survey;
mod told;

use std::path::{Path, PathBuf};

pub use gather::{MeasuredFrame, ReadFile, Source};
pub use measure::measure;

use alignment::{Examined, examine};
use assemble::assemble;
use facts::NightFacts;
use gather::{Gathered, gather};
use stamped::{by_ends, stamp_warning, stamped_otherwise};

use crate::advice::BaseScrews;
use crate::cache::MeasureCache;
use crate::error::{Error, Warned};
use crate::frame::{CORRECTIONS_FILE, NightFiles, Overrides, Stamp, walk_night};
use crate::identify::Identifier;
use crate::report::{NightReport, html};
use crate::sky::{Direction, Horizon, Icrs};
use crate::units::{Angle, Length, Pixels, Seconds};

/// Name of the settings file that may lie in a night's folder.
pub const SETTINGS_FILE: &str = "stillpoint.toml";

/// What the user asked of `diagnose`, checked.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct DiagnoseSettings {
    /// Facts that overrule the files.
    pub overrides: Overrides,
    /// Where the camera looked, one a pointing in the order of the night; see [`Self::hint`].
    pub hints: Vec<PointingHint>,
    /// Trail that is still called good; `None` takes two thirds of the measured FWHM.
    pub tolerance: Option<Pixels>,
    /// What the user's settings know beyond the frames.
    pub kept: KeptFacts,
    /// Where measures are kept from run to run; the answer does not depend on it.
    pub cache: Option<MeasureCache>,
}

/// What settings know that frames do not tell.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct KeptFacts {
    /// The base's screws.
    pub base: BaseScrews,
    /// Focal lengths of the lenses in the bag.
    pub bag: Vec<Length>,
    /// The exposure that is wanted.
    pub wanted: Option<Seconds>,
    /// What is photographed.
    pub target: Option<Direction<Icrs>>,
}

impl DiagnoseSettings {
    /// The hint for a pointing, counted over the whole night from 0; the last one given repeats.
    pub fn hint(&self, pointing_idx: usize) -> Option<&PointingHint> {
        self.hints.get(pointing_idx).or(self.hints.last())
    }
}

/// What the user asked of `measure`, checked.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct MeasureSettings {
    /// Facts that overrule the files.
    pub overrides: Overrides,
    /// Keeps a small copy of each photograph, for pictures.
    pub photographs: bool,
    /// Where measures are kept from run to run; the answer does not depend on it.
    pub cache: Option<MeasureCache>,
}

/// What the user says about where the camera looked.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PointingHint {
    /// Direction of the frame's centre.
    pub aim: Aim,
    /// `--roll`: how far the camera was turned clockwise, seen from behind it, from level.
    /// At 0 the zenith is up in the picture; at 90 a camera stands upright, its right side down.
    pub roll: Option<Angle>,
}

/// Direction of a frame's centre as a person gives it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Aim {
    /// `--facing` and `--altitude`.
    Ground(Direction<Horizon>),
    /// `--at`.
    Sky(Direction<Icrs>),
    /// `--roll` alone: the direction is not said.
    Unsaid,
}

/// Told how far the work is; the terminal shows a bar, a pipe nothing.
pub trait Progress: Sync {
    /// A stretch of work begins that has so many steps.
    fn begin(&self, what: &str, n_steps: usize);
    /// One step is done; may be called from any thread.
    fn step(&self);
    /// The stretch is over.
    fn end(&self);
}

/// Progress that nobody watches.
#[derive(Debug, Clone, Copy, Default)]
pub struct Unwatched;

impl Progress for Unwatched {
    fn begin(&self, _what: &str, _n_steps: usize) {}
    fn step(&self) {}
    fn end(&self) {}
}

/// Reads a night's folder and says what trailed, why, how far and which way to move the axis.
///
/// # Errors
/// When the folder cannot be read or holds no picture.
pub fn diagnose(
    root: &Path,
    settings: &DiagnoseSettings,
    progress: &dyn Progress,
) -> Result<Warned<NightReport>, Error> {
    let night = walk_night(root)?;
    let gathered = gather_night(&night, settings, progress);
    let strange = n_foreign(&night, settings);
    let mut report = diagnose_gathered(gathered, strange, settings, progress);
    report.warnings.extend(night.warnings);
    Ok(report)
}

/// The same as [`diagnose`] for files that were read already, as a night that is still going on
/// has them.
///
/// `read` hands over what became of a file; files that it does not know are left out.
pub fn diagnose_read(
    night: &NightFiles,
    read: impl Fn(&Path) -> Option<ReadFile>,
    settings: &DiagnoseSettings,
    progress: &dyn Progress,
) -> Warned<NightReport> {
    let gathered = night
        .alignments
        .iter()
        .map(|alignment| {
            let files = alignment.files.iter().filter_map(|file| read(file));
            Gathered::of_read(alignment.name.clone(), files.collect())
        })
        .filter(|one| !one.is_empty())
        .collect();
    let gathered = in_order_of_time(gathered);
    let mut report = diagnose_gathered(gathered, n_foreign(night, settings), settings, progress);
    report.warnings.extend(night.warnings.iter().cloned());
    report
}

/// Files of the night that are neither pictures nor our own: the settings file, the note of moves,
/// the page of an earlier run and kept measures are nothing to wonder about.
fn n_foreign(night: &NightFiles, settings: &DiagnoseSettings) -> usize {
    let is_kept = |file: &Path, cache: &MeasureCache| {
        let folder = cache.folder().canonicalize();
        let place = night.root.join(file).canonicalize();
        folder.is_ok_and(|folder| place.is_ok_and(|place| place.starts_with(folder)))
    };
    let is_foreign = |file: &&PathBuf| {
        let own = [SETTINGS_FILE, CORRECTIONS_FILE].map(Path::new);
        let is_own = own.contains(&file.as_path())
            || file.ends_with(html::FILE_NAME)
            || settings
                .cache
                .as_ref()
                .is_some_and(|cache| is_kept(file, cache));
        !is_own
    };
    night.ignored.iter().filter(is_foreign).count()
}

/// The frames of one alignment whose stars were measured already.
#[derive(Debug, Clone)]
pub struct MeasuredAlignment {
    /// Name that the report gives it.
    pub name: String,
    /// Its frames, in any order.
    pub frames: Vec<MeasuredFrame>,
}

/// The same as [`diagnose`] for frames that were measured already, whatever measured them.
///
/// Input: headers with the facts that files would give (`settings.overrides` fills site and offset
/// of the night only, as headers are not read again), stars in pixels of the full frame.
/// Output: the report that a folder of such frames would give; frames of another size than most of
/// their alignment are set aside.
pub fn diagnose_measured(
    alignments: Vec<MeasuredAlignment>,
    settings: &DiagnoseSettings,
) -> Warned<NightReport> {
    let gathered = alignments
        .into_iter()
        .map(|alignment| Gathered::of_measured(alignment.name, alignment.frames))
        .collect();
    diagnose_gathered(in_order_of_time(gathered), 0, settings, &Unwatched)
}

/// All that follows on the measuring of stars. `n_ignored` counts files that are no pictures.
fn diagnose_gathered(
    gathered: Vec<Gathered>,
    n_ignored: usize,
    settings: &DiagnoseSettings,
    progress: &dyn Progress,
) -> Warned<NightReport> {
    let headers = gathered
        .iter()
        .flat_map(|alignment| &alignment.frames)
        .map(|frame| &frame.header);
    let facts = NightFacts::new(headers, &settings.overrides);
    let stated = settings.overrides.defaults.stamped;
    let mut examined = examine_all(gathered, &facts, settings, progress);
    let switched = stated.is_none() && stamped_otherwise(&examined);
    if switched {
        let gathered = examined.into_iter().map(|one| by_ends(one.gathered));
        let mut by_ends = settings.clone();
        by_ends.overrides.defaults.stamped = Some(Stamp::End);
        examined = examine_all(gathered.collect(), &facts, &by_ends, progress);
    }
    let mut report = assemble(n_ignored, &facts, &examined);
    let warning = stamp_warning(&examined, stated, switched);
    report.warnings.extend(warning);
    report
}

/// All alignments in the order of the night, each with what is known from those before it.
fn examine_all(
    gathered: Vec<Gathered>,
    facts: &NightFacts,
    settings: &DiagnoseSettings,
    progress: &dyn Progress,
) -> Vec<Examined> {
    let identifier = Identifier::new();
    let mut examined: Vec<Examined> = Vec::with_capacity(gathered.len());
    let mut n_pointings = 0;
    progress.begin("working out the axis", gathered.len());
    for alignment in gathered {
        let known = examined.iter().rev().find_map(Examined::any_plate);
        let one = examine(alignment, facts, settings, n_pointings, &identifier, known);
        n_pointings += one.pointings.len();
        examined.push(one);
        progress.step();
    }
    progress.end();
    examined
}

fn gather_night(
    night: &NightFiles,
    settings: &DiagnoseSettings,
    progress: &dyn Progress,
) -> Vec<Gathered> {
    let n_files = night
        .alignments
        .iter()
        .map(|alignment| alignment.files.len())
        .sum();
    let source = Source::of_night(n_files, settings.cache.as_ref());
    progress.begin("measuring frames", n_files);
    let gathered: Vec<Gathered> = night
        .alignments
        .iter()
        .map(|alignment| {
            gather(
                &night.root,
                alignment,
                &settings.overrides,
                source,
                progress,
            )
        })
        .collect();
    progress.end();
    in_order_of_time(gathered)
}

/// The night's order, where every alignment has a clock; else that of the folders' names.
fn in_order_of_time(mut gathered: Vec<Gathered>) -> Vec<Gathered> {
    let is_timed = |one: &Gathered| one.frames.is_empty() || one.first_start().is_some();
    if gathered.iter().all(is_timed) {
        gathered.sort_by_key(Gathered::first_start);
    }
    gathered
}
