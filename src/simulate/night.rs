//! A scenario made ready: timetable, rigs, and one frame after the other.

use super::depth::{Air, faintest};
use super::field::{SkyStar, StarSource, stars_within};
use super::files;
use super::header::header;
use super::observer::Observer;
use super::optics::Projection;
use super::paint::Painter;
use super::path::Exposure;
use super::psf::Profile;
use super::rig::Rig;
use super::scenario::Scenario;
use super::schedule::{self, AlignmentPlan, Shot};
use super::sensor::Sensor;
use super::skyline::Skyline;
use super::star_lists::star_list;
use super::truth::{AlignmentTruth, FrameFacts, FrameTruth, NightTruth, axis_truth, frame_truth};
use super::{Listing, RenderedFrame, SimulatedField};
use crate::error::Error;

/// Signal to noise ratio down to which stars are drawn.
const FAINTEST_SIGNAL_TO_NOISE: f64 = 1.2;
/// Share of the sky's light that dark hills still send.
const SKYLINE_LIGHT: f64 = 0.04;

/// A scenario made ready for drawing.
pub struct Simulation<'a> {
    pub(super) scenario: &'a Scenario,
    pub(super) sensor: Sensor,
    pub(super) profile: Profile,
    pub(super) projection: Projection,
    source: &'a dyn StarSource,
    observer: Observer,
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
            sensor: Sensor::new(scenario),
            profile: Profile::new(&scenario.lens),
            projection: Projection::new(scenario),
            source,
            observer,
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

    pub(super) fn exposure(&self, alignment: usize, shot: &Shot) -> Result<Exposure, Error> {
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

    pub(super) fn truth(
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

    pub(super) fn air(&self, alignment: usize, shot: &Shot) -> Air {
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
    pub(super) fn stars_for(&self, exposure: &Exposure, limit: f64) -> Vec<SkyStar> {
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
        skyline: Option<&Skyline>,
    ) -> Result<RenderedFrame, Error> {
        let exposure = self.exposure(alignment, shot)?;
        let air = self.air(alignment, shot);
        let limit = faintest(
            &self.sensor,
            &self.profile,
            &exposure,
            shot.exposure,
            air,
            FAINTEST_SIGNAL_TO_NOISE,
        );
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
        if let Some(skyline) = skyline {
            let glow = SKYLINE_LIGHT * self.sensor.sky * air.sky_factor * shot.exposure;
            let colour = self.sensor.sky_colour();
            skyline.hide(&mut light, self.sensor.width, &exposure, |row, column| {
                (glow * self.sensor.response(row, column, &colour)) as f32
            });
        }
        Ok(RenderedFrame {
            alignment,
            picture: painter
                .sensor()
                .expose(&mut light, shot.exposure, shot.number),
            truth: self.truth(alignment, shot, &exposure, drawn)?,
            header: header(self.scenario, shot),
            shot: *shot,
        })
    }

    /// The skyline of a pointing, set by its first frame.
    fn skyline(&self, alignment: usize, shot: &Shot) -> Result<Option<Skyline>, Error> {
        let share = self.scenario.sky.foreground;
        if share <= 0.0 {
            return Ok(None);
        }
        let mut shots = self.plans[alignment].shots.iter();
        let first = shots.find(|other| other.placement == shot.placement);
        let exposure = self.exposure(alignment, first.unwrap_or(shot))?;
        let seed = self.scenario.seed;
        Ok(Some(Skyline::hiding(
            share,
            &exposure,
            self.projection,
            seed,
        )))
    }

    /// Draws all frames, one after the other, in order of time.
    pub fn frames(&self) -> impl Iterator<Item = Result<RenderedFrame, Error>> {
        let painter = Painter::new(self.scenario, self.projection);
        self.shots().map(move |(alignment, shot)| {
            let skyline = self.skyline(alignment, shot)?;
            self.draw(&painter, alignment, shot, skyline.as_ref())
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

    /// The truth about all alignments, still without their frames.
    pub(super) fn alignments_truth(&self) -> Result<NightTruth, Error> {
        let alignments = (0..self.plans.len())
            .map(|k| self.alignment_truth(k))
            .collect::<Result<Vec<_>, _>>()?;
        Ok(NightTruth { alignments })
    }

    /// The truth about the night, without drawing it.
    ///
    /// # Errors
    /// `BadSetting` where the sky cannot be worked out for the date.
    pub fn night_truth(&self) -> Result<NightTruth, Error> {
        let mut night = self.alignments_truth()?;
        for (alignment, shot) in self.shots() {
            let exposure = self.exposure(alignment, shot)?;
            let truth = self.truth(alignment, shot, &exposure, 0)?;
            night.alignments[alignment].frames.push(truth);
        }
        Ok(night)
    }

    /// Star lists of all frames, in order of time; see [`super::star_lists`].
    ///
    /// # Errors
    /// `BadSetting` where the sky cannot be worked out for the date.
    pub fn star_lists(&self, listing: impl Into<Listing>) -> Result<Vec<SimulatedField>, Error> {
        let listing = listing.into();
        self.shots()
            .map(|(alignment, shot)| star_list(self, alignment, shot, listing))
            .collect()
    }
}
