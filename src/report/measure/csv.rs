//! Every star of every frame as a table of comma-separated values.

use std::fmt::Write;

use crate::identify::Match;
use crate::report::FrameReport;
use crate::sky::catalogue::Catalogue;
use crate::stars::Star;
use crate::units::Angle;

use super::{Identified, Identity, MeasureReport};

const HEAD: &str = "file,x_px,y_px,x_sigma_px,y_sigma_px,flux,flux_sigma,peak,\
moment_xx_px2,moment_xy_px2,moment_yy_px2,trail_dx_px,trail_dy_px,saturated,blended,at_edge,\
ra_deg,dec_deg,catalogue_ra_deg,catalogue_dec_deg,catalogue_magnitude,catalogue_name,\
residual_dx_px,residual_dy_px,frame_identified_stars,frame_center_ra_deg,frame_center_dec_deg,\
frame_up_position_angle_deg,frame_altitude_deg,frame_azimuth_deg,frame_hour_angle_deg,\
frame_pixel_scale_arcsec,frame_pixel_scale_sigma_arcsec,frame_focal_length_px,\
frame_focal_length_sigma_px,frame_radial_distortion,frame_radial_distortion_sigma,frame_rms_px,\
frame_not_identified_because\n";

impl MeasureReport {
    /// One row a star, brightest first within its file; light in parts of full scale times pixels.
    ///
    /// What holds for the whole frame stands in each of its rows, in columns that begin with
    /// `frame_`; what is not known is empty.
    pub fn to_csv(&self) -> String {
        let mut table = HEAD.to_string();
        for file in &self.frames {
            let Some(measured) = &file.measured else {
                continue;
            };
            let name = quoted(&file.frame.file);
            let known = measured.identity.known();
            let matches = known.map(Identified::matches).unwrap_or_default();
            let whole = whole_frame(&file.frame, &measured.identity);
            for (idx, star) in measured.field.stars.iter().enumerate() {
                let sky = on_the_sky(star, known, matches.get(&idx).copied());
                // Writing to a string never fails.
                let _ = writeln!(table, "{name},{},{sky},{whole}", row(star));
            }
        }
        table
    }
}

/// Cells of a star's place on the sky and of the star that it is.
fn on_the_sky(star: &Star, known: Option<&Identified>, matched: Option<&Match>) -> String {
    let place = known.map(|known| known.plate.direction(star.position).ra_dec());
    let place = place.map_or(",".into(), |(ra, dec)| {
        format!("{:.6},{:.6}", ra.deg(), dec.deg())
    });
    let catalogue = Catalogue::embedded();
    let entry = matched.map_or(",,,,,".into(), |matched| {
        let (ra, dec) = catalogue.direction(matched.catalogue_idx).ra_dec();
        format!(
            "{:.6},{:.6},{:.2},{},{:.3},{:.3}",
            ra.deg(),
            dec.deg(),
            catalogue.magnitude(matched.catalogue_idx),
            quoted(catalogue.name(matched.catalogue_idx).unwrap_or_default()),
            matched.residual.dx,
            matched.residual.dy,
        )
    });
    format!("{place},{entry}")
}

/// Cells that are the same for all stars of a frame.
fn whole_frame(frame: &FrameReport, identity: &Identity) -> String {
    let center = frame.center.as_ref();
    let degrees = |angle: Option<Angle>| angle.map_or(String::new(), |a| format!("{:.6}", a.deg()));
    let horizon = center.and_then(|center| Some(center.horizon?.az_alt()));
    let mut cells = vec![
        frame.n_identified.to_string(),
        degrees(center.and_then(|center| center.ra)),
        degrees(center.map(|center| center.dec)),
        degrees(center.map(|center| center.up_position_angle)),
        degrees(horizon.map(|(_, altitude)| altitude)),
        degrees(horizon.map(|(azimuth, _)| azimuth)),
        degrees(center.and_then(|center| center.hour_angle)),
    ];
    match identity {
        Identity::Known(known) => {
            let (scale, focal, bend) = (known.scale(), known.focal_px(), known.distortion());
            let numbers = [
                scale.value.arcsec(),
                scale.sigma.arcsec(),
                focal.value.px(),
                focal.sigma.px(),
                bend.value,
                bend.sigma,
                known.plate.rms.px(),
            ];
            cells.extend(numbers.map(|number| format!("{number:.6}")));
            cells.push(String::new());
        }
        Identity::Unknown(reason) => {
            cells.extend(std::iter::repeat_n(String::new(), 7));
            cells.push(quoted(&reason.to_string()));
        }
    }
    cells.join(",")
}

fn row(star: &Star) -> String {
    let (sigma, moments) = (star.position_covariance, star.moments);
    let trail = star.trail.map_or(",".to_string(), |trail| {
        format!("{:.3},{:.3}", trail.dx, trail.dy)
    });
    let quality = star.quality;
    format!(
        "{:.3},{:.3},{:.4},{:.4},{:.6e},{:.3e},{:.6e},{:.4},{:.4},{:.4},{trail},{},{},{}",
        star.position.x,
        star.position.y,
        sigma.xx.max(0.0).sqrt(),
        sigma.yy.max(0.0).sqrt(),
        star.flux.value,
        star.flux.sigma,
        star.peak,
        moments.xx,
        moments.xy,
        moments.yy,
        u8::from(quality.saturated),
        u8::from(quality.blended),
        u8::from(quality.at_edge),
    )
}

/// A field in quotes where it needs them. Source: RFC 4180, section 2.
fn quoted(text: &str) -> String {
    if text.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.to_string()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::measure::identity::tests::{identified, with_matches};
    use crate::report::measure::tests::{looking, slanted};

    #[test]
    fn every_row_has_as_many_cells_as_the_head() {
        let mut file = slanted();
        file.measured.as_mut().unwrap().field.stars[0].trail = None;
        let known = looking(with_matches(identified(84.05, -1.2, 10.0), 3));
        let frames = vec![file, known];
        let table = MeasureReport::of_frames(frames).to_csv();
        let n_cells = HEAD.split(',').count();
        assert_eq!(table.lines().count(), 1201);
        let head: Vec<&str> = HEAD.trim_end().split(',').collect();
        let first_known: Vec<&str> = table.lines().nth(601).unwrap().split(',').collect();
        let cell = |name| first_known[head.iter().position(|head| *head == name).unwrap()];
        assert_eq!(cell("catalogue_name"), "Sirius");
        assert_eq!(cell("frame_identified_stars"), "3");
        assert_eq!(cell("frame_focal_length_px"), "600.000000");
        assert_eq!(cell("frame_not_identified_because"), "");
        assert!(table.lines().all(|line| line.split(',').count() == n_cells));
    }

    #[test]
    fn names_with_commas_and_quotes_stay_one_cell() {
        assert_eq!(quoted("a,\"b\".jpg"), "\"a,\"\"b\"\".jpg\"");
        assert_eq!(quoted("a.jpg"), "a.jpg");
    }
}
