//! A made-up night in, frames and the truth about them out: for the demo and for recovery tests.
//!
//! `scenario -> schedule -> rig (drive) -> exposure paths -> paint -> sensor -> files, truth`.
//! Nothing here is shared with `sky` or `mount`: places by IAU SOFA (crate `sofars`), attitudes by
//! plain rotations, so that agreement between the two is evidence. Frames of reference: horizon
//! (x east, y north, z up) and camera (x right, y down, z into the scene).

use std::path::Path;

mod blur;
mod check;
mod dice;
mod drive;
mod field;
mod files;
mod observer;
mod optics;
mod paint;
mod path;
mod psf;
mod rig;
mod scenario;
mod schedule;
mod sensor;
mod tags;
mod truth;

pub use field::{NoRealStars, SkyStar, StarSource};
pub use scenario::{
    Alignment, AxisError, Bump, CameraBody, Cloud, Drive, Format, LensSpec, Omit, Output, Periodic,
    Pointing, Rate, Sag, Scenario, Shake, SitePlace, Sky, Slip, Streak,
};
pub use sensor::Picture;
pub use truth::{AlignmentTruth, AxisTruth, FrameTruth, NightTruth, TrailTruth};

use crate::error::Error;
use field::stars_within;
use observer::Observer;
use optics::Projection;
use paint::{Air, Painter};
use path::Exposure;
use rig::Rig;
use schedule::{AlignmentPlan, Shot};
use truth::{FrameFacts, axis_truth, frame_truth};

/// Signal to noise ratio down to which stars are drawn.
const FAINTEST_SIGNAL_TO_NOISE: f64 = 0.7;

/// One frame of a simulated night, as the camera would give it and as it really was.
#[derive(Debug, Clone, PartialEq)]
pub struct RenderedFrame {
    /// Alignment of the scenario.
    pub alignment: usize,
    /// Linear light, orientation applied.
    pub picture: Picture,
    /// What really happened.
    pub truth: FrameTruth,
    shot: Shot,
}

/// A scenario made ready for drawing.
pub struct Simulation<'a> {
    scenario: &'a Scenario,
    source: &'a dyn StarSource,
    observer: Observer,
    projection: Projection,
    plans: Vec<AlignmentPlan>,
    rigs: Vec<Rig>,
}

impl<'a> Simulation<'a> {
    /// Works out timetable and rigs.
    ///
    /// # Errors
    /// `BadSetting` where the sky cannot be worked out for the date.
    pub fn new(scenario: &'a Scenario, source: &'a dyn StarSource) -> Result<Self, Error> {
        let observer = Observer::new(scenario);
        let plans = schedule::plan(scenario);
        let rigs = scenario
            .alignments
            .iter()
            .zip(&plans)
            .map(|(alignment, plan)| Rig::new(alignment, plan, &observer, scenario.seed))
            .collect::<Result<Vec<_>, _>>()?;
        Ok(Self {
            scenario,
            source,
            observer,
            projection: Projection::new(scenario),
            plans,
            rigs,
        })
    }

    /// Number of frames of the night.
    pub fn frame_count(&self) -> usize {
        self.plans.iter().map(|plan| plan.shots.len()).sum()
    }

    /// Alignment and exposure of every frame, in order of time.
    fn shots(&self) -> impl Iterator<Item = (usize, &Shot)> {
        self.plans
            .iter()
            .enumerate()
            .flat_map(|(k, plan)| plan.shots.iter().map(move |shot| (k, shot)))
    }

    fn exposure(&self, alignment: usize, shot: &Shot) -> Result<Exposure, Error> {
        let rig = &self.rigs[alignment];
        Exposure::new(
            &self.observer,
            rig,
            shot,
            self.projection,
            self.scenario.seed,
        )
    }

    fn file(&self, alignment: usize, shot: &Shot) -> String {
        let output = &self.scenario.output;
        let name = format!(
            "{}_{:04}.{}",
            output.prefix,
            shot.number,
            files::ending(output.format)
        );
        match self.scenario.alignments[alignment].name.as_str() {
            "" => name,
            folder => format!("{folder}/{name}"),
        }
    }

    fn truth(
        &self,
        alignment: usize,
        shot: &Shot,
        exposure: &Exposure,
        stars: usize,
    ) -> Result<FrameTruth, Error> {
        frame_truth(&FrameFacts {
            observer: &self.observer,
            start: self.scenario.start_utc,
            rig: &self.rigs[alignment],
            shot,
            exposure,
            center: self.projection.center,
            focal_px: self.projection.focal_px,
            file: self.file(alignment, shot),
            stars,
        })
    }

    fn air(&self, alignment: usize, shot: &Shot) -> Air {
        let clouds = self.scenario.alignments[alignment]
            .clouds
            .iter()
            .filter(|cloud| cloud.frames.contains(&shot.frame));
        let clear = Air {
            transparency: 1.0,
            sky_factor: 1.0,
        };
        clouds.fold(clear, |air, cloud| Air {
            transparency: air.transparency * cloud.transparency,
            sky_factor: air.sky_factor * cloud.sky_factor,
        })
    }

    /// Stars that may fall on a frame, down to a magnitude.
    fn stars_for(&self, exposure: &Exposure, limit: f64) -> Vec<SkyStar> {
        let [cx, cy] = self.projection.center;
        let middle = exposure.place_at([cx, cy]);
        let corner = exposure.direction_at([0.0, 0.0]);
        let axis = exposure.direction_at([cx, cy]);
        let trail = exposure.longest_trail_px() / self.projection.focal_px;
        let margin = 60.0 / self.projection.focal_px;
        let radius = corner.angle(&axis) + trail + margin;
        let years = (self.scenario.start_utc.as_second() as f64 - 946_728_000.0) / 31_557_600.0;
        stars_within(
            self.source,
            self.scenario.seed,
            middle,
            radius,
            limit,
            years,
        )
    }

    /// Draws one frame.
    fn draw(
        &self,
        painter: &Painter,
        alignment: usize,
        shot: &Shot,
        base: Option<f64>,
    ) -> Result<RenderedFrame, Error> {
        let exposure = self.exposure(alignment, shot)?;
        let air = self.air(alignment, shot);
        let limit = painter.faintest(&exposure, shot.exposure, air, FAINTEST_SIGNAL_TO_NOISE);
        let stars = self.stars_for(&exposure, limit);
        let mut light = painter.sky(shot.exposure, air);
        let drawn = painter.stars(&mut light, &stars, &exposure, shot.exposure, air);
        for streak in &self.scenario.alignments[alignment].streaks {
            if streak.frame == shot.frame {
                painter.streak(
                    &mut light,
                    streak.peak_over_noise,
                    shot.exposure,
                    air,
                    shot.number,
                );
            }
        }
        if let Some(base) = base {
            painter.skyline(&mut light, &exposure, base);
        }
        Ok(RenderedFrame {
            alignment,
            picture: painter
                .sensor()
                .expose(&mut light, shot.exposure, shot.number),
            truth: self.truth(alignment, shot, &exposure, drawn)?,
            shot: *shot,
        })
    }

    /// Height of the skyline's mean for a frame: set by the first frame of its pointing.
    fn skyline_base(
        &self,
        painter: &Painter,
        alignment: usize,
        shot: &Shot,
    ) -> Result<Option<f64>, Error> {
        let share = self.scenario.sky.foreground;
        if share <= 0.0 {
            return Ok(None);
        }
        let first = self.plans[alignment]
            .shots
            .iter()
            .find(|other| other.placement == shot.placement)
            .unwrap_or(shot);
        let exposure = self.exposure(alignment, first)?;
        Ok(Some(painter.altitude_quantile(&exposure, share)))
    }

    /// Draws all frames, one after the other, in order of time.
    pub fn frames(&self) -> impl Iterator<Item = Result<RenderedFrame, Error>> {
        let painter = Painter::new(self.scenario, self.projection);
        self.shots().map(move |(alignment, shot)| {
            let base = self.skyline_base(&painter, alignment, shot)?;
            self.draw(&painter, alignment, shot, base)
        })
    }

    /// The truth about an alignment, without its frames.
    fn alignment_truth(&self, alignment: usize) -> Result<AlignmentTruth, Error> {
        let facts = &self.scenario.alignments[alignment];
        let start = self.plans[alignment].start;
        let sky = self.observer.moment(start)?;
        let amplitudes = facts.drive.periodic.iter().map(|p| p.amplitude_arcsec);
        Ok(AlignmentTruth {
            name: facts.name.clone(),
            axis: axis_truth(&self.observer, &sky, &self.rigs[alignment].axis(start)),
            rate_ratio: facts.drive.rate.ratio() * (1.0 + facts.drive.rate_error_ppm * 1e-6),
            periodic_amplitude_arcsec: amplitudes.fold(0.0, f64::max),
            frames: Vec::new(),
        })
    }

    /// The truth about the night, without drawing it.
    ///
    /// # Errors
    /// `BadSetting` where the sky cannot be worked out for the date.
    pub fn truth_only(&self) -> Result<NightTruth, Error> {
        let mut alignments = (0..self.plans.len())
            .map(|k| self.alignment_truth(k))
            .collect::<Result<Vec<_>, _>>()?;
        for (alignment, shot) in self.shots() {
            let exposure = self.exposure(alignment, shot)?;
            let truth = self.truth(alignment, shot, &exposure, 0)?;
            alignments[alignment].frames.push(truth);
        }
        Ok(NightTruth { alignments })
    }
}

/// Draws all frames of a scenario in memory.
///
/// # Errors
/// `BadSetting` where the sky cannot be worked out for the date.
pub fn render(scenario: &Scenario, source: &dyn StarSource) -> Result<Vec<RenderedFrame>, Error> {
    Simulation::new(scenario, source)?.frames().collect()
}

/// Draws a scenario into a folder and writes the truth beside it (`FOLDER.truth.json`).
///
/// `progress` hears how many frames are done, and of how many.
///
/// # Errors
/// `Io` where a file cannot be written, with its path.
pub fn write_night(
    scenario: &Scenario,
    source: &dyn StarSource,
    folder: &Path,
    progress: &dyn Fn(usize, usize),
) -> Result<NightTruth, Error> {
    let simulation = Simulation::new(scenario, source)?;
    let mut truth = NightTruth {
        alignments: (0..simulation.plans.len())
            .map(|k| simulation.alignment_truth(k))
            .collect::<Result<Vec<_>, _>>()?,
    };
    let count = simulation.frame_count();
    progress(0, count);
    for (done, frame) in simulation.frames().enumerate() {
        let frame = frame?;
        let bytes = files::encode(scenario, &frame.shot, &frame.picture)?;
        files::save(&folder.join(&frame.truth.file), &bytes)?;
        truth.alignments[frame.alignment].frames.push(frame.truth);
        progress(done + 1, count);
    }
    files::save_truth(folder, &truth)?;
    Ok(truth)
}
