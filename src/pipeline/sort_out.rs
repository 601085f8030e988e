//! Files of a night that are pictures but no test frames: darks, flats, daylight, copies.

use jiff::Timestamp;

use super::facts::clock;
use super::gather::MeasuredFrame;
use crate::frame::Header;
use crate::stars::StarField;
use crate::units::Seconds;

/// A sky with fewer stars than this is none that anything could be told from.
const N_FEWEST_STARS: usize = 4;
/// Light of the ground, share of full scale, from which a picture without stars is a flat: the
/// night sky is kept well below by everybody who wants to see stars in it.
const FLAT_GROUND: f64 = 0.08;
/// Light below which the ground is black.
const BLACK_GROUND: f64 = 0.002;
/// An exposure that is shorter than this shows stars as no trail at all, and ...
const SHORT: Seconds = Seconds::new(0.5);
/// ... with a ground as bright as this was taken by day.
const DAY_GROUND: f64 = 0.02;

/// Why a picture is no frame of the night sky; `None` for what may be one.
///
/// Method: by its ground and its stars alone, as cameras leave no word of it. A frame of clouds has
/// a grey ground and stays: it is told as a frame with too few stars.
pub fn no_sky(field: &StarField, header: &Header) -> Option<String> {
    if header.composed {
        return Some(
            "put together of several exposures, by its tags (a panorama, a stack, a night mode); test frames are single exposures, straight from the camera"
                .to_owned(),
        );
    }
    let ground = field.background;
    let exposure = header.exposure;
    let percent = 100.0 * ground;
    if let Some(exposure) = exposure.filter(|&exposure| exposure < SHORT)
        && ground > DAY_GROUND
    {
        return Some(format!(
            "a picture taken by day: {} s on a ground of {percent:.0} % of full scale; test frames are exposures of seconds to minutes of the night sky",
            short_words(exposure)
        ));
    }
    if field.stars.len() >= N_FEWEST_STARS {
        return None;
    }
    if ground > FLAT_GROUND {
        Some(format!(
            "no stars on a ground of {percent:.0} % of full scale: a flat, or a sky that was too bright; not used"
        ))
    } else if ground < BLACK_GROUND {
        Some(
            "no stars on black: a dark frame, or the lens cap was on; test frames have stars"
                .to_owned(),
        )
    } else {
        None
    }
}

/// Exposures of a fraction of a second as people say them.
fn short_words(exposure: Seconds) -> String {
    match exposure.s() {
        s if s < 0.3 => format!("1/{:.0}", 1.0 / s),
        s => format!("{s:.1}"),
    }
}

/// For each frame the earlier frame that it is a copy of: no camera starts two exposures at once.
///
/// Method: the same start by the clock and the same length of at least a second, which also is
/// what the same exposure in two formats shows. The one that is no rendering is kept, else the
/// first.
pub fn copies(frames: &[MeasuredFrame]) -> Vec<Option<usize>> {
    let mut order: Vec<usize> = (0..frames.len()).collect();
    order.sort_by_key(|&idx| frames[idx].header.developed);
    let mut copy_of = vec![None; frames.len()];
    let mut kept: Vec<(Timestamp, Seconds, usize)> = Vec::new();
    for idx in order {
        let Some((start, length)) = instant(&frames[idx].header) else {
            continue;
        };
        let twin = kept.iter().find(|(other, other_length, _)| {
            *other == start && (other_length.s() - length.s()).abs() < 0.5
        });
        match twin {
            Some((_, _, other)) => copy_of[idx] = Some(*other),
            None => kept.push((start, length, idx)),
        }
    }
    copy_of
}

/// Start and length of an exposure that lasts longer than clocks are coarse.
fn instant(header: &Header) -> Option<(Timestamp, Seconds)> {
    let exposure = header.exposure.filter(|length| length.s() >= 1.0)?;
    Some((clock(header)?, exposure))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::Plane;
    use crate::stars::measure_stars;

    /// A field without stars on such a ground.
    fn blank(ground: f32) -> StarField {
        let plane = Plane::new(64, 48, vec![ground; 64 * 48]).unwrap();
        measure_stars(&plane, 0.98)
    }

    fn header(exposure_s: f64, developed: bool) -> Header {
        Header {
            start: "2026-01-15T21:00:00Z".parse().ok(),
            exposure: Some(Seconds::new(exposure_s)),
            developed,
            ..Header::default()
        }
    }

    #[test]
    fn darks_flats_and_days_are_told_apart_and_clouds_stay() {
        let minute = header(60.0, true);
        let word = |ground| no_sky(&blank(ground), &minute).unwrap_or_default();
        assert!(word(0.0005).contains("dark frame"));
        assert!(word(0.4).contains("flat"));
        assert_eq!(word(0.03), "", "clouds over a dark place");
        let day = no_sky(&blank(0.3), &header(0.004, true)).unwrap();
        assert!(day.contains("by day") && day.contains("1/250 s"), "{day}");
    }

    #[test]
    fn what_several_exposures_made_is_no_frame() {
        let composed = Header {
            composed: true,
            ..header(60.0, true)
        };
        let word = no_sky(&blank(0.03), &composed).unwrap();
        assert!(word.contains("a panorama, a stack"), "{word}");
    }

    #[test]
    fn of_one_exposure_the_counts_are_kept() {
        let frame = |name: &str, header| MeasuredFrame {
            file: name.to_owned(),
            header,
            field: blank(0.1),
            stacked: None,
            response: None,
        };
        let later = Header {
            start: "2026-01-15T21:01:05Z".parse().ok(),
            ..header(60.0, true)
        };
        let frames = [
            frame("a.jpg", header(60.0, true)),
            frame("a.fits", header(60.0, false)),
            frame("b.jpg", later),
            frame("untimed.jpg", Header::default()),
            frame("untimed too.jpg", Header::default()),
        ];
        assert_eq!(copies(&frames), [Some(1), None, None, None, None]);
        let bursts = [
            frame("a.jpg", header(0.1, true)),
            frame("b.jpg", header(0.1, true)),
        ];
        assert_eq!(copies(&bursts), [None, None], "several within a second");
    }
}
