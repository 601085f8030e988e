//! The table of frames: one row a frame, or one row a run of like frames in a long night.

use crate::diagnosis::Verdict;
use crate::units::{Measured, Pixels};

use super::page::{Page, Role, Side, cell};
use super::{CenterReport, FrameReport};

/// Frames up to which each has a row of its own, so that the report stays about one screen.
const ROWS_OF_THEIR_OWN: usize = 12;

/// How the trail lies, in the reader's words.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Lie {
    Along,
    Across,
    Slanted,
    /// On a clock face, the hand that points to the right or straight up or down: 3 to 8.
    Clock(u8),
    Unclear,
    None,
}

impl Lie {
    fn of(frame: &FrameReport) -> Self {
        let Some(trail) = &frame.trail else {
            return Lie::None;
        };
        if is_below_noise(trail.length) {
            return Lie::None;
        }
        if trail.angle_sigma.deg() > 30.0 {
            return Lie::Unclear;
        }
        match &frame.center {
            Some(center) => Lie::on_the_sky(trail.angle.deg(), center),
            None => Lie::Clock(((trail.angle.deg() / 30.0).round() as u8) % 6 + 3),
        }
    }

    /// Against the line of the stars' daily motion.
    ///
    /// With the picture's up at position angle p, east lies p + 180 degrees from +x towards +y in
    /// an unmirrored picture, so the daily motion lies along p, as a line.
    fn on_the_sky(angle_deg: f64, center: &CenterReport) -> Self {
        let off = (angle_deg - center.up_position_angle.deg()).rem_euclid(180.0);
        match off.min(180.0 - off) {
            off if off < 22.5 => Lie::Along,
            off if off > 67.5 => Lie::Across,
            _ => Lie::Slanted,
        }
    }

    fn words(self) -> String {
        match self {
            Lie::Along => "along (E-W)".into(),
            Lie::Across => "across (N-S)".into(),
            Lie::Slanted => "slanted".into(),
            Lie::Clock(hour) => {
                let opposite = (hour + 5) % 12 + 1;
                format!("{}-{} o'clock", hour.min(opposite), hour.max(opposite))
            }
            Lie::Unclear => "unclear".into(),
            Lie::None => "-".into(),
        }
    }
}

/// Whether a trail is too short to be seen against its own uncertainty.
pub(super) fn is_below_noise(length: Measured<Pixels>) -> bool {
    length.value < length.sigma * 2.0
}

/// How the trail of a frame lies, in words.
pub(super) fn direction_words(frame: &FrameReport) -> String {
    Lie::of(frame).words()
}

/// Frames that share a row.
struct Row<'a> {
    frames: Vec<&'a FrameReport>,
    lie: Lie,
}

impl Row<'_> {
    fn takes(&self, frame: &FrameReport, lie: Lie) -> bool {
        let last = self.frames[self.frames.len() - 1];
        self.lie == lie
            && last.alignment == frame.alignment
            && last.pointing == frame.pointing
            && last.exposure == frame.exposure
            && last.verdict == frame.verdict
    }

    fn file(&self) -> String {
        let first = self.frames[0];
        // The heading above the table names the folder already.
        let folder = first.alignment.split(", after ").next().unwrap_or_default();
        let folder = format!("{folder}/");
        let start = first.file.strip_prefix(&folder).unwrap_or(&first.file);
        match self.frames.len() {
            1 => start.to_string(),
            n => format!("{start} .. {}", file_name(&self.frames[n - 1].file)),
        }
    }

    fn exposure(&self) -> String {
        let one = match self.frames[0].exposure {
            Some(exposure) => format!("{} s", short(exposure.s())),
            None => "? s".into(),
        };
        match self.frames.len() {
            1 => one,
            n => format!("{n} x {one}"),
        }
    }

    fn trail(&self) -> String {
        let lengths = self.frames.iter().filter_map(|frame| frame.trail.as_ref());
        let (least, most) = lengths.fold((f64::INFINITY, 0.0f64), |(least, most), trail| {
            let length = trail.length.value.px();
            (least.min(length), most.max(length))
        });
        match (self.frames.as_slice(), least.is_finite()) {
            (_, false) => "-".into(),
            ([frame], true) => frame
                .trail
                .as_ref()
                .map_or("-".into(), |trail| with_sigma(trail.length)),
            _ => format!("{least:.1} to {most:.1}"),
        }
    }

    fn width(&self) -> String {
        let mut widths: Vec<f64> = self
            .frames
            .iter()
            .filter_map(|frame| frame.fwhm)
            .map(|fwhm| fwhm.value.px())
            .collect();
        widths.sort_by(f64::total_cmp);
        match widths.get(widths.len() / 2) {
            Some(middle) => format!("{middle:.1}"),
            None => "-".into(),
        }
    }

    fn stars(&self) -> String {
        match self.frames.as_slice() {
            [frame] => frame.n_stars.to_string(),
            frames => {
                let least = frames.iter().map(|frame| frame.n_stars).min();
                format!("{}+", least.unwrap_or(0))
            }
        }
    }
}

/// A number of seconds without needless digits.
pub fn short(value: f64) -> String {
    if value >= 10.0 || value.fract() == 0.0 {
        format!("{value:.0}")
    } else {
        format!("{value:.2}")
            .trim_end_matches('0')
            .trim_end_matches('.')
            .to_string()
    }
}

/// A length in pixels with its sigma, to tenths; a smaller sigma is shown as one tenth.
pub fn with_sigma(length: Measured<Pixels>) -> String {
    let (value, sigma) = (length.value.px(), length.sigma.px());
    format!("{value:.1} +- {:.1}", sigma.max(0.1))
}

/// The last part of a path.
pub fn file_name(path: &str) -> &str {
    path.rsplit('/').next().unwrap_or(path)
}

fn rows<'a>(frames: &[&'a FrameReport]) -> Vec<Row<'a>> {
    let merges = frames.len() > ROWS_OF_THEIR_OWN;
    let mut rows: Vec<Row<'a>> = Vec::new();
    for &frame in frames {
        let lie = Lie::of(frame);
        match rows.last_mut() {
            Some(row) if merges && row.takes(frame, lie) => row.frames.push(frame),
            _ => rows.push(Row {
                frames: vec![frame],
                lie,
            }),
        }
    }
    rows
}

/// Lays out the table of the used frames.
pub fn write(frames: &[&FrameReport], page: &mut Page) {
    let rows = rows(frames);
    let roomy = page.width() >= 72;
    let fixed = if roomy {
        12 + 15 + 13 + 6 + 7 + 11
    } else {
        10 + 14 + 11
    };
    let longest = rows.iter().map(|row| row.file().chars().count()).max();
    let file_columns = longest
        .unwrap_or(0)
        .clamp(8, page.width().saturating_sub(fixed).max(8));
    let line = |file: &str, cells: [&str; 5]| {
        let [exposure, trail, lie, width, stars] = cells;
        let file = cell(file, file_columns, Side::Left);
        if roomy {
            format!(
                " {file}{}{}  {}{}{}  ",
                cell(exposure, 12, Side::Right),
                cell(trail, 13, Side::Right),
                cell(lie, 13, Side::Left),
                cell(width, 5, Side::Right),
                cell(stars, 6, Side::Right),
            )
        } else {
            format!(
                " {file}{}{}  ",
                cell(exposure, 9, Side::Right),
                cell(trail, 12, Side::Right),
            )
        }
    };
    let head = line(
        "frame",
        ["exposure", "trail, px", "direction", "width", "stars"],
    );
    page.line(&[(Role::Quiet, head + "look")]);
    for row in &rows {
        let text = line(
            &page.spelt(&row.file()),
            [
                &row.exposure(),
                &page.spelt(&row.trail()),
                &row.lie.words(),
                &row.width(),
                &row.stars(),
            ],
        );
        let verdict = row.frames[0].verdict;
        page.line(&[(Role::Body, text), (role(verdict), verdict.key().into())]);
    }
}

fn role(verdict: Verdict) -> Role {
    match verdict {
        Verdict::Round => Role::Good,
        Verdict::Soft => Role::Middling,
        Verdict::Trailed => Role::Bad,
        Verdict::Unmeasured => Role::Quiet,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;
    use crate::units::Angle;

    fn lie(dx: f64, dy: f64, up_deg: Option<f64>) -> String {
        let mut frame = sample::frame("a/b.jpg", 0, sample::trail(dx, dy, 0.1), Verdict::Soft);
        match (up_deg, &mut frame.center) {
            (Some(deg), Some(center)) => center.up_position_angle = Angle::from_deg(deg),
            _ => frame.center = None,
        }
        Lie::of(&frame).words()
    }

    #[test]
    fn along_lies_level_when_north_is_up_and_upright_when_east_is_up() {
        assert_eq!(lie(3.0, 0.2, Some(0.0)), "along (E-W)");
        assert_eq!(lie(0.2, 3.0, Some(0.0)), "across (N-S)");
        assert_eq!(lie(3.0, 0.2, Some(90.0)), "across (N-S)");
        assert_eq!(lie(0.2, 3.0, Some(-90.0)), "along (E-W)");
        assert_eq!(lie(0.2, 3.0, Some(179.0)), "across (N-S)");
    }

    #[test]
    fn the_turn_of_the_camera_has_the_right_sense() {
        // North-up picture turned so that its up is at position angle 30 (towards east, the left):
        // the camera leans left, so the level line runs from upper left to lower right, 30 degrees
        // from +x towards +y.
        let (dx, dy) = (
            3.0 * 30f64.to_radians().cos(),
            3.0 * 30f64.to_radians().sin(),
        );
        assert_eq!(lie(dx, dy, Some(30.0)), "along (E-W)");
        assert_eq!(lie(dx, -dy, Some(30.0)), "slanted");
    }

    #[test]
    fn without_the_sky_a_clock_face_serves() {
        assert_eq!(lie(3.0, 0.0, None), "3-9 o'clock");
        assert_eq!(lie(0.0, 3.0, None), "6-12 o'clock");
        // To the lower right: four o'clock.
        assert_eq!(lie(3.0 * 0.866, 1.5, None), "4-10 o'clock");
        // To the upper right: two o'clock.
        assert_eq!(lie(3.0 * 0.866, -1.5, None), "2-8 o'clock");
        assert_eq!(lie(3.0, -0.1, None), "3-9 o'clock");
    }

    #[test]
    fn a_trail_below_its_noise_has_no_direction() {
        assert_eq!(lie(0.1, 0.1, Some(0.0)), "-");
    }

    #[test]
    fn a_long_night_folds_like_frames_into_one_row() {
        let trailed = sample::trail(0.1, 2.9, 0.05);
        let frames: Vec<_> = (10..30)
            .map(|nth| sample::frame(&format!("n/IMG_{nth}.jpg"), 0, trailed, Verdict::Trailed))
            .collect();
        let folded = rows(&frames.iter().collect::<Vec<_>>());
        assert_eq!(folded.len(), 1);
        assert_eq!(folded[0].file(), "IMG_10.jpg .. IMG_29.jpg");
        assert_eq!(folded[0].exposure(), "20 x 60 s");
        assert_eq!(folded[0].trail(), "2.9 to 2.9");
    }

    #[test]
    fn seconds_keep_their_fractions_when_short() {
        assert_eq!(
            [short(60.0), short(2.5), short(0.25)],
            ["60", "2.5", "0.25"]
        );
    }
}
