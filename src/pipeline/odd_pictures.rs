//! Pictures that may be measured, but whose shape says that they are no plain frame: strips and
//! panoramas, stills of videos.

use super::gather::MeasuredFrame;
use crate::error::Warning;

/// No sensor is longer against its height (from memory: panoramic film and crops of it are 2.7, and
/// no sensor is built so).
const LONGEST: f64 = 2.2;
/// Sizes of videos' frames, longer side first (ITU-R BT.709 and BT.2020; from memory: 1440 lines and
/// the 17:9 kinds).
const VIDEO_SIZES: [(usize, usize); 6] = [
    (1280, 720),
    (1920, 1080),
    (2560, 1440),
    (3840, 2160),
    (4096, 2160),
    (7680, 4320),
];

/// What the shapes of an alignment's frames say against them, once for each kind.
pub fn shape_doubts(frames: &[MeasuredFrame]) -> Vec<Warning> {
    let strip = frames.iter().find(|frame| is_strip(frame)).map(|frame| {
        format!(
            "{} is longer than any sensor ({} x {} px): a panorama, or a strip of a frame; it is measured as one lens sees the sky, which a stitched picture is not: give the single frames",
            frame.file, frame.field.width, frame.field.height
        )
    });
    let still = frames.iter().find(|frame| is_video_still(frame)).map(|frame| {
        format!(
            "{} has the size of a video's frame ({} x {} px) and no exposure in its tags: a video exposes for a fraction of a second, in which nothing trails; take photographs of 30 to 120 s, or give --exposure if it is one",
            frame.file, frame.field.width, frame.field.height
        )
    });
    strip.into_iter().chain(still).map(Warning::new).collect()
}

fn sides(frame: &MeasuredFrame) -> (usize, usize) {
    let (width, height) = (frame.field.width, frame.field.height);
    (width.max(height), width.min(height))
}

fn is_strip(frame: &MeasuredFrame) -> bool {
    let (long, short) = sides(frame);
    long as f64 > LONGEST * short as f64
}

fn is_video_still(frame: &MeasuredFrame) -> bool {
    frame.header.exposure.is_none() && VIDEO_SIZES.contains(&sides(frame))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::{Header, Plane};
    use crate::stars::measure_stars;
    use crate::units::Seconds;

    fn frame(width: usize, height: usize, exposure: Option<f64>) -> MeasuredFrame {
        let mut field = measure_stars(&Plane::new(64, 48, vec![0.1; 64 * 48]).unwrap(), 0.98);
        (field.width, field.height) = (width, height);
        MeasuredFrame {
            file: "a.jpg".to_owned(),
            header: Header {
                exposure: exposure.map(Seconds::new),
                ..Header::default()
            },
            field,
            stacked: None,
            response: None,
        }
    }

    #[test]
    fn strips_and_stills_are_told_and_frames_are_not() {
        let words = |frame| {
            let doubts = shape_doubts(&[frame]);
            doubts.first().map_or(String::new(), |one| one.text.clone())
        };
        assert!(words(frame(9000, 3000, Some(60.0))).contains("panorama"));
        assert!(words(frame(3000, 9000, Some(60.0))).contains("panorama"));
        assert!(words(frame(1920, 1080, None)).contains("video"));
        assert!(words(frame(2160, 3840, None)).contains("--exposure"));
        for sound in [
            frame(6000, 4000, None),
            frame(1920, 1080, Some(60.0)),
            frame(6000, 3376, None),
        ] {
            assert_eq!(words(sound), "");
        }
    }
}
