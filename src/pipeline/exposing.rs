//! What the settings and the sky add to an alignment: how long to expose with which lens, and where
//! the pole star should stand instead.

use super::{DiagnoseSettings, NightFacts};
use crate::advice::PoleStarNow;
use crate::diagnosis::outlook::{Outlook, OutlookQuestion, outlook};
use crate::diagnosis::{Evidence, Finding};
use crate::frame::Header;
use crate::identify::lens::Lens;
use crate::sky::pole_star_place;
use crate::units::{Length, Seconds};

/// Exposures whose shares of round frames are told.
const EXPOSURES: [f64; 8] = [15.0, 30.0, 60.0, 90.0, 120.0, 180.0, 240.0, 300.0];
/// Focal lengths closer than this share are one lens.
const SAME_LENS: f64 = 0.05;

/// What is known about the last frame of an alignment and its lens.
pub struct LastFrame<'a> {
    /// Its header.
    pub header: &'a Header,
    /// Its lens, in pixels.
    pub lens: Option<Lens>,
}

impl LastFrame<'_> {
    /// How long stars will stay round; `None` without a place, an axis or the size of a pixel.
    pub fn outlook(
        &self,
        evidence: &Evidence,
        finding: &Finding,
        facts: &NightFacts,
        settings: &DiagnoseSettings,
    ) -> Option<Outlook> {
        let sky = facts.sky_at_mid_exposure(self.header)?;
        let (pixel_pitch, _) = self.header.optics.pixel_pitch?;
        // By the stars where they are known; the tags' focal length is a nominal one.
        let focal = self.lens.map(|lens| pixel_pitch * lens.focal_px);
        let lens_in_use = focal.or(self.header.optics.focal_length)?;
        let others: Vec<Length> = settings
            .kept
            .bag
            .iter()
            .copied()
            .filter(|focal| (*focal / lens_in_use - 1.0).abs() > SAME_LENS)
            .collect();
        let mut exposures: Vec<Seconds> = EXPOSURES.map(Seconds::new).to_vec();
        exposures.extend(settings.kept.wanted);
        exposures.sort_by(|a, b| a.s().total_cmp(&b.s()));
        exposures.dedup();
        let hemisphere = sky.observer().site().hemisphere();
        outlook(&OutlookQuestion {
            evidence,
            pole: (sky.refracted_pole(), hemisphere),
            pixel_pitch,
            lens_in_use,
            bag: &others,
            target: settings.kept.target.map(|target| sky.observed(target)),
            tolerance: finding.tolerance,
            exposures: &exposures,
        })
    }

    /// Where the pole star stood at mid exposure.
    pub fn pole_star(&self, facts: &NightFacts) -> Option<PoleStarNow> {
        let sky = facts.sky_at_mid_exposure(self.header)?;
        Some(PoleStarNow {
            place: pole_star_place(&sky).about_pole,
            at: sky.utc(),
        })
    }
}
