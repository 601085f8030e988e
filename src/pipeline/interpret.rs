//! The mount's fit, and with it what each frame's trail should be.

use nalgebra::Matrix2;

use super::NightFacts;
use super::accounted::{agree, tells};
use super::aim::Aimed;
use super::gather::MeasuredFrame;
use super::record::{local_rate, read_record, runs_with_the_sky};
use super::stamped::widen;
use super::survey::Survey;
use crate::diagnosis::{Adrift, Evidence, FrameEvidence, FrameLight, without_unaccounted_axis};
use crate::identify::lens::Lens;
use crate::identify::pointing::{Pointing, center_motion};
use crate::mount::account::{Night, Part, Witness, tell};
use crate::mount::invert::tangent_basis;
use crate::mount::joined::{Drawn, join};
use crate::mount::lone::{LoneQuestion, read_lone_frame};
use crate::mount::model::northern_end;
use crate::mount::predict::{Exposure, OwnMotion};
use crate::mount::within::DriveWithin;
use crate::mount::{AxisEstimate, AxisUnknown, Doubt, Ground, MountFit, fit_mount};
use crate::sky::{Camera, Horizon, Rotation, ToldPlace};
use crate::stars::StarField;
use crate::units::{Angle, AngularRate, Measured, PixelPoint, PixelVector, Pixels, Seconds};

/// What is asked of the mount stage about an alignment.
pub struct MountQuestion<'a> {
    /// Its frames.
    pub frames: &'a [MeasuredFrame],
    /// Mid exposures since the night's reference instant, one a frame.
    pub mids: &'a [Option<Seconds>],
    /// Its pointings.
    pub pointings: &'a [Pointing],
    /// Where each pointing looked.
    pub aims: &'a [Option<Aimed>],
    /// Turns and attitudes of the camera.
    pub survey: &'a Survey,
    /// Speed of the sky's turn in the camera over the sidereal rate, from frames alone.
    pub sky_rate: Option<Measured<f64>>,
    /// Whether any frame's stars were identified.
    pub identified: bool,
    /// Site, clock and ground.
    pub facts: &'a NightFacts,
    /// What the frames' stamps leave open of the axis error (up, east), square radians.
    pub open_by_stamps: Matrix2<f64>,
    /// What told directions say over an arbitrary meridian, one list a pointing.
    pub told: &'a [Vec<ToldPlace>],
    /// Trail that is still called good, where the user said one.
    pub tolerance: Option<Pixels>,
}

impl MountQuestion<'_> {
    /// All evidence of the alignment, in parts where its axis changed; never empty.
    pub fn answer(&self) -> Vec<Evidence> {
        let lens = self.aims.iter().flatten().map(|aim| aim.lens).next();
        let mut evidence = Evidence {
            frames: self.frame_evidence(),
            standstills: Vec::new(),
            fit: None,
            adrift: None,
            axis_before: None,
            accounts: Vec::new(),
            lone: None,
            sky_rate: self.sky_rate,
            identified: self.identified,
            tolerance: self.tolerance,
            pixel_scale: lens.map(|lens| lens.pixel_scale()),
        };
        self.facts
            .with_ground(|ground| self.scene(ground).fit(&mut evidence));
        let mut parts = evidence.into_parts();
        for part in &mut parts {
            if !self.facts.is_adrift() {
                self.facts
                    .with_ground(|ground| self.scene(ground).account(part));
            }
            read_record(part);
            agree(part);
            self.facts
                .with_ground(|ground| self.scene(ground).join(part));
            part.adrift = self.adrift(part);
        }
        parts
    }

    fn scene<'a>(&'a self, ground: &'a Ground<'a>) -> Scene<'a> {
        Scene {
            frames: self.frames,
            survey: self.survey,
            aims: self.aims,
            mids: self.mids,
            ground,
            air: self.facts.unknown_air(),
            open_by_stamps: self.open_by_stamps,
        }
    }

    /// The last field of a part that was aimed by its stars, over an arbitrary meridian; before
    /// others one whose direction was told.
    fn adrift(&self, part: &Evidence) -> Option<Adrift> {
        if !self.facts.is_adrift() {
            return None;
        }
        let told = |pointing: usize| self.told.get(pointing).map_or(&[][..], Vec::as_slice);
        let by_field = |pointing: usize| {
            let aim = self.aims[pointing]?;
            Some(Adrift {
                frame: self.pointings[pointing].frames[aim.frame],
                hour_angle: aim.hour_angle_on_equator(),
                told: told(pointing).to_vec(),
            })
        };
        let fields = || part.frames.iter().rev().map(|frame| frame.pointing);
        let by_told = fields().filter(|&one| !told(one).is_empty());
        by_told.chain(fields()).find_map(by_field)
    }

    fn frame_evidence(&self) -> Vec<FrameEvidence> {
        let mut evidence = Vec::with_capacity(self.frames.len());
        for (pointing_idx, pointing) in self.pointings.iter().enumerate() {
            let lens = self.aims[pointing_idx].map(|aim| aim.lens);
            for (at, &frame) in pointing.frames.iter().enumerate() {
                let measured = &self.frames[frame];
                evidence.push(FrameEvidence {
                    frame,
                    pointing: pointing_idx,
                    exposure: measured.header.exposure,
                    fwhm: measured.field.fwhm,
                    trail: measured.field.trail,
                    joined: None,
                    predicted: None,
                    foreseen: None,
                    own_motion: None,
                    drifted: lens.and_then(|lens| self.drifted(pointing, at, &lens)),
                    lens: measured.field.lens,
                    light: Some(FrameLight {
                        noise: measured.field.noise,
                        developed: measured.header.developed,
                    })
                    .filter(|light| light.noise > 0.0),
                    corner_trail: None,
                    along: None,
                });
            }
        }
        evidence
    }

    /// Mean motion over the intervals next to a frame, for the length of its exposure.
    fn drifted(&self, pointing: &Pointing, at: usize, lens: &Lens) -> Option<PixelVector> {
        let (frames, mids) = (self.frames, self.mids);
        let exposure = frames[pointing.frames[at]].header.exposure?;
        let (mut sum, mut count) = (PixelVector::default(), 0.0);
        for link in [at.checked_sub(1), Some(at)].into_iter().flatten() {
            let (Some(&before), Some(&after)) =
                (pointing.frames.get(link), pointing.frames.get(link + 1))
            else {
                continue;
            };
            let (motion, _) = center_motion(&pointing.links[link], &frames[after].field, lens)?;
            sum = sum + motion * (exposure / (mids[after]? - mids[before]?));
            count += 1.0;
        }
        (count > 0.0).then(|| sum * (1.0 / count))
    }
}

/// Where nothing was aimed there is nothing to doubt.
const NO_DOUBT: Doubt = Doubt {
    attitude: Angle::ZERO,
    clock: Angle::ZERO,
};

/// What the mount stage looks at.
struct Scene<'a> {
    frames: &'a [MeasuredFrame],
    survey: &'a Survey,
    aims: &'a [Option<Aimed>],
    mids: &'a [Option<Seconds>],
    ground: &'a Ground<'a>,
    /// What the air does to the axis where the ground does not know it.
    air: Angle,
    /// What the stamps leave open of the axis error.
    open_by_stamps: Matrix2<f64>,
}

impl Scene<'_> {
    fn fit(&self, evidence: &mut Evidence) {
        let several = self
            .survey
            .stretches
            .iter()
            .any(|stretch| stretch.turns.len() >= 2);
        let doubt = doubt_of(self.aims);
        let fit = several.then(|| {
            let Survey {
                stretches, ties, ..
            } = self.survey;
            let mut fit = fit_mount(stretches, ties, self.ground, doubt, self.air);
            widen(&mut fit, &self.open_by_stamps);
            fit
        });
        for frame in &mut evidence.frames {
            let Some(setting) = self.setting(frame) else {
                continue;
            };
            let center = self.frames[frame.frame].field.center();
            let exposure = setting.exposure();
            let with_rate =
                |rate| exposure.trail(self.ground, self.ground.refracted_north(), rate, center);
            if let (Some(fast), Some(plain)) = (with_rate(2.0), with_rate(1.0)) {
                frame.along = Some(fast - plain);
            }
            if let Some(fit) = &fit {
                self.predict(fit.part_of(frame.frame), frame, &exposure);
            }
        }
        if fit.is_none() {
            self.read_lone(evidence, doubt);
        }
        evidence.fit = fit;
    }

    /// The trails in a frame that the fit draws, and the frame's own trail against them.
    fn predict(&self, fit: &MountFit, frame: &mut FrameEvidence, exposure: &Exposure<'_>) {
        let axis = fit.axis.as_ref().ok();
        let axis_north = match &fit.axis {
            Ok(axis) => northern_end(axis.direction, self.ground.hemisphere()),
            // Without an axis that fits, the rate means nothing either, unless the drive stands.
            Err(AxisUnknown::NotTurning) => self.ground.refracted_north(),
            Err(_) => return,
        };
        let record = fit.drive.as_ref();
        let field = &self.frames[frame.frame].field;
        let center = field.center();
        let Some(rate) = record.and_then(|record| local_rate(record, frame.frame)) else {
            let mean = record.map(|record| record.rate_ratio.value);
            let drawn = |rate| exposure.trail(self.ground, axis_north, rate, center);
            frame.foreseen = axis.and_then(|_| drawn(mean?));
            return;
        };
        frame.predicted = exposure.trail_parts(self.ground, axis_north, rate.value, center);
        frame.own_motion = axis.and_then(|axis| {
            let known = &axis.covariance;
            let unsure = exposure.trail_covariance(self.ground, axis_north, known, rate, center)?;
            let (trail, line) = (frame.trail?, frame.along_line()?);
            let expected = frame.predicted?.total;
            Some(OwnMotion::of(&trail, expected, unsure, line))
        });
        frame.corner_trail = corners(field)
            .into_iter()
            .filter_map(|corner| exposure.trail(self.ground, axis_north, rate.value, corner))
            .map(PixelVector::length)
            .max_by(|a, b| a.px().total_cmp(&b.px()));
    }

    /// The trails by shapes and motion between frames together.
    fn join(&self, part: &mut Evidence) {
        let Some(fit) = part.fit.as_ref() else { return };
        let Ok(axis) = &fit.axis else { return };
        let step = fit.drive.as_ref().and_then(|record| record.step.as_ref());
        let exposure = |frame: usize| self.frames[frame].header.exposure;
        let Some(within) = DriveWithin::of(&fit.angles, step, &exposure) else {
            return;
        };
        let stood: Vec<usize> = part
            .standstills
            .iter()
            .flat_map(|standstill| standstill.frames.iter().copied())
            .collect();
        let slipped = |frame: usize| step.is_some_and(|s| s.before < frame && frame < s.after);
        for frame in &mut part.frames {
            if stood.contains(&frame.frame) || slipped(frame.frame) {
                continue;
            }
            let drawn = self.drawn(axis, &within, frame);
            frame.joined = frame
                .trail
                .zip(drawn)
                .and_then(|(trail, drawn)| join(&trail, &drawn));
        }
    }

    /// The trail that axis and drive draw in a frame, with all that the drive may have done.
    fn drawn(
        &self,
        axis: &AxisEstimate,
        within: &DriveWithin,
        frame: &FrameEvidence,
    ) -> Option<Drawn> {
        let (setting, mid) = (self.setting(frame)?, self.mids[frame.frame]?);
        let exposure = setting.exposure();
        let center = self.frames[frame.frame].field.center();
        let north = northern_end(axis.direction, self.ground.hemisphere());
        let turns = within.during(mid, exposure.length);
        let sky = AngularRate::SIDEREAL.over(exposure.length).rad();
        // About the likeliest rate, for a drive may be far from the sky's.
        let ahead = turns.first()?.ahead.value.rad();
        let trail = |ahead: f64| exposure.trail(self.ground, north, 1.0 + ahead / sky, center);
        let (about, further) = (trail(ahead)?, trail(ahead + 1e-3 * sky)?);
        let per_radian = (further - about) * (1e-3 * sky).recip();
        let rate = Measured::new(1.0 + ahead / sky, 0.0);
        Some(Drawn {
            even: about - per_radian * ahead,
            unsure: exposure.trail_covariance(
                self.ground,
                north,
                &axis.covariance,
                rate,
                center,
            )?,
            per_radian,
            turns,
        })
    }

    /// The accounts of a part whose drive runs with the sky.
    fn account(&self, part: &mut Evidence) {
        let record = part.fit.as_ref().and_then(|fit| fit.drive.as_ref());
        let runs = record.is_some_and(runs_with_the_sky);
        if !runs || part.frames.len() > MOST_ACCOUNTED {
            return;
        }
        let mut pointings: Vec<Vec<Witness>> = Vec::new();
        let mut last = None;
        for frame in &part.frames {
            let Some(witness) = self.witness(frame) else {
                continue;
            };
            if last != Some(frame.pointing) {
                pointings.push(Vec::new());
            }
            last = Some(frame.pointing);
            pointings.last_mut().expect("one was put").push(witness);
        }
        let pole = self.ground.refracted_north();
        let axis = part.fit.as_ref().and_then(|fit| fit.axis.as_ref().ok());
        let axis = axis.map(|axis| northern_end(axis.direction, self.ground.hemisphere()));
        let night = Night::new(pointings, pole, axis.unwrap_or(pole));
        part.accounts = night.map_or_else(Vec::new, |night| tell(&night));
        // Only a knock passes for an axis: whatever the drive does leaves the axis as it is.
        if let Some(axis) = axis.filter(|_| tells(part, Part::Knock)) {
            let off = axis - pole;
            let basis = tangent_basis(pole);
            without_unaccounted_axis(part, [0, 1].map(|idx| basis.column(idx).dot(&off)));
        }
    }

    fn witness(&self, frame: &FrameEvidence) -> Option<Witness> {
        let setting = self.setting(frame)?;
        let turns = self.survey.stretches.iter().flat_map(|one| &one.turns);
        let mut turns = turns.filter(|turn| turn.frame == frame.frame);
        let turn = turns.next()?;
        let center = self.frames[frame.frame].field.center();
        let north = self.ground.refracted_north();
        let air = setting.exposure().trail(self.ground, north, 1.0, center)?;
        Some(Witness {
            frame: frame.frame,
            mid: turn.mid,
            exposure: setting.length.s(),
            camera: *setting.attitude.inner(),
            covariance: turn.covariance,
            trail: frame.trail,
            air,
            focal_px: setting.lens.focal_px,
            width_px: frame.fwhm.map_or(3.0, |fwhm| fwhm.value.px()),
        })
    }

    /// Lens, attitude and exposure of a frame, where all are known.
    fn setting(&self, frame: &FrameEvidence) -> Option<Setting> {
        Some(Setting {
            lens: self.aims.get(frame.pointing)?.as_ref()?.lens,
            attitude: self.survey.attitudes[frame.frame]?,
            length: frame.exposure?,
        })
    }

    /// The frame with the longest trail, read up to the mirror.
    fn read_lone(&self, evidence: &mut Evidence, doubt: Doubt) {
        let length =
            |frame: &FrameEvidence| frame.trail.map_or(0.0, |trail| trail.length.value.px());
        let frames = evidence
            .frames
            .iter_mut()
            .filter(|frame| frame.trail.is_some());
        let Some(frame) = frames.max_by(|a, b| length(a).total_cmp(&length(b))) else {
            return;
        };
        let (Some(setting), Some(trail)) = (self.setting(frame), frame.trail) else {
            return;
        };
        let exposure = setting.exposure();
        let center = self.frames[frame.frame].field.center();
        let lone = read_lone_frame(&LoneQuestion {
            exposure,
            ground: self.ground,
            field: &self.frames[frame.frame].field,
            trail: &trail,
            doubt,
        });
        if let (Some(axis), Some(drive)) = (&lone.axis, lone.drive) {
            let north = northern_end(axis.direction, self.ground.hemisphere());
            // A rate that is not seen is not blamed.
            let seen = (drive.value - 1.0).abs() > 2.0 * drive.sigma;
            let rate = if seen { drive.value } else { 1.0 };
            frame.predicted = exposure.trail_parts(self.ground, north, rate, center);
        }
        evidence.lone = Some(lone);
    }
}

/// Parts of more frames are told by their record.
const MOST_ACCOUNTED: usize = 40;

/// The frame's outermost pixels.
fn corners(field: &StarField) -> [PixelPoint; 4] {
    let (right, bottom) = (field.width as f64 - 1.0, field.height as f64 - 1.0);
    [(0.0, 0.0), (right, 0.0), (0.0, bottom), (right, bottom)].map(|(x, y)| PixelPoint::new(x, y))
}

/// One exposure with its lens by value.
struct Setting {
    lens: Lens,
    attitude: Rotation<Camera, Horizon>,
    length: Seconds,
}

impl Setting {
    fn exposure(&self) -> Exposure<'_> {
        Exposure {
            lens: &self.lens,
            attitude: self.attitude,
            length: self.length,
        }
    }
}

/// The largest doubt of any pointing's aim; where nothing was aimed there is nothing to doubt.
fn doubt_of(aims: &[Option<Aimed>]) -> Doubt {
    let doubts = aims.iter().flatten().map(|aim| aim.doubt);
    doubts.reduce(Doubt::max).unwrap_or(NO_DOUBT)
}
