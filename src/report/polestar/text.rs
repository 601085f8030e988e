//! The pole star's place in words.

use std::fmt::Write;

use jiff::Timestamp;

use super::{PoleStarReport, PoleStarRow};
use crate::sky::Darkness;
use crate::units::{Angle, AngularRate, Hemisphere};

impl PoleStarReport {
    /// Star, place and time, and where it stands at the time asked for.
    pub fn to_brief(&self) -> String {
        let text = self.to_text();
        let lines = text.lines().take_while(|line| !line.is_empty());
        lines.map(|line| format!("{line}\n")).collect()
    }

    /// The answer for a terminal: plain letters, under 80 columns.
    pub fn to_text(&self) -> String {
        let mut text = String::new();
        // Writing to a string never fails.
        let _ = self.write_text(&mut text);
        text
    }

    fn write_text(&self, text: &mut String) -> std::fmt::Result {
        let star = self.now.place.star.name();
        let facing = self.facing();
        writeln!(
            text,
            "{star}, {}, times are UTC{}",
            self.site(),
            self.zone()
        )?;
        writeln!(text, "{}", self.now_sentence())?;
        writeln!(text)?;
        writeln!(
            text,
            "Through the night, as on a clock face about the refracted pole; facing {},\n\
             12 is up, 3 is right ({}).",
            facing.pole, facing.right
        )?;
        writeln!(text)?;
        self.write_table(text)?;
        writeln!(text)?;
        writeln!(text, "{}", self.pole_sentence())?;
        writeln!(text, "{}", self.error_sentence())?;
        writeln!(text, "{}", self.cost_sentence())
    }

    /// The answer: where the star stands at the time asked for.
    fn now_sentence(&self) -> String {
        let about = self.now.place.about_pole;
        format!(
            "At {} it stands at {} o'clock by eye, {} in an inverting scope,\n{:.1}' from the refracted pole.",
            self.local(self.now.utc, "%H:%M"),
            clock_face(about.clockwise_from_up),
            clock_face(about.in_inverting_scope().clockwise_from_up),
            about.distance.arcmin(),
        )
    }

    fn write_table(&self, text: &mut String) -> std::fmt::Result {
        writeln!(text, "              arcmin  by eye  inverting scope")?;
        writeln!(text, "{}  <- asked for", self.table_line(&self.now, true))?;
        if self.darkness == Darkness::Never {
            writeln!(
                text,
                "  the Sun stays above -6 degrees; the next hours are bright"
            )?;
        }
        for row in &self.night {
            writeln!(text, "{}", self.table_line(row, false))?;
        }
        Ok(())
    }

    fn table_line(&self, row: &PoleStarRow, with_date: bool) -> String {
        let about = row.place.about_pole;
        let pattern = if with_date {
            "%m-%d %H:%M"
        } else {
            "      %H:%M"
        };
        format!(
            "{}  {:6.1}   {:>5}   {:>5}",
            self.local(row.utc, pattern),
            about.distance.arcmin(),
            clock_face(about.clockwise_from_up),
            clock_face(about.in_inverting_scope().clockwise_from_up),
        )
    }

    fn pole_sentence(&self) -> String {
        format!(
            "Aim at the refracted pole: {:.2} degrees high, {:.1}' above the true pole.",
            self.pole_altitude.deg(),
            self.pole_lift.arcmin()
        )
    }

    fn error_sentence(&self) -> String {
        let cost = &self.cost;
        format!(
            "An axis aimed straight at the star misses it by {:.1}':\n{:.1}' too {}, {:.1}' too far {}.",
            cost.error.arcmin(),
            cost.too_high.arcmin().abs(),
            if cost.too_high.rad() < 0.0 {
                "low"
            } else {
                "high"
            },
            cost.too_far_east.arcmin().abs(),
            if cost.too_far_east.rad() < 0.0 {
                "west"
            } else {
                "east"
            },
        )
    }

    fn cost_sentence(&self) -> String {
        let meridian = self.facing().meridian;
        format!(
            "{} that trails {} in {} s on the celestial\nequator due {meridian}, and {} where it is worst.",
            self.camera_words(),
            self.trail_words(self.cost.at_meridian.speed()),
            self.question.exposure.s(),
            self.trail_words(self.cost.worst),
        )
    }

    fn camera_words(&self) -> String {
        match self.question.camera {
            None => "On the sky".to_owned(),
            Some(camera) => format!(
                "At {} mm and {} um",
                camera.focal.mm(),
                camera.pixel_pitch.um()
            ),
        }
    }

    fn trail_words(&self, rate: AngularRate) -> String {
        let exposure = self.question.exposure;
        match self.question.camera {
            None => format!("{:.1}\"", rate.over(exposure).arcsec()),
            Some(camera) => format!("{:.1} px", camera.trail(rate, exposure).px()),
        }
    }

    /// The site as in `51.50 N 0.10 W`.
    pub(super) fn site(&self) -> String {
        let site = self.question.observer.site();
        let (latitude, longitude) = (site.latitude().deg(), site.longitude().deg());
        format!(
            "{:.2} {} {:.2} {}",
            latitude.abs(),
            if latitude < 0.0 { 'S' } else { 'N' },
            longitude.abs(),
            if longitude < 0.0 { 'W' } else { 'E' },
        )
    }

    /// The offset as in `+01:00`.
    pub(super) fn zone(&self) -> String {
        self.local(self.question.at, "%:z")
    }

    /// A local time by a pattern of `strftime`.
    pub(super) fn local(&self, utc: Timestamp, pattern: &str) -> String {
        let zone = self.question.utc_offset.to_time_zone();
        utc.to_zoned_datetime(zone).strftime(pattern).to_string()
    }

    pub(super) fn facing(&self) -> Facing {
        match self.question.observer.site().hemisphere() {
            Hemisphere::North => Facing {
                pole: "north",
                right: "east",
                left: "west",
                meridian: "south",
            },
            Hemisphere::South => Facing {
                pole: "south",
                right: "west",
                left: "east",
                meridian: "north",
            },
        }
    }
}

/// The sides of the sky for who faces the pole.
pub(super) struct Facing {
    pub pole: &'static str,
    pub right: &'static str,
    pub left: &'static str,
    pub meridian: &'static str,
}

/// A direction clockwise from up as the hour hand would show it: `12:00` up, `3:00` right.
pub(super) fn clock_face(clockwise_from_up: Angle) -> String {
    let minutes = (clockwise_from_up.wrapped_positive().deg() * 2.0).round() as u32 % 720;
    let hour = match minutes / 60 {
        0 => 12,
        hour => hour,
    };
    format!("{hour}:{:02}", minutes % 60)
}

#[cfg(test)]
mod tests {
    use super::super::{report_pole_star, sample};
    use super::*;

    #[test]
    fn clock_faces_go_round() {
        let face = |deg: f64| clock_face(Angle::from_deg(deg));
        assert_eq!(face(0.0), "12:00");
        assert_eq!(face(-1e-15), "12:00");
        assert_eq!(face(359.9), "12:00");
        assert_eq!(face(90.0), "3:00");
        assert_eq!(face(29.5), "12:59");
        assert_eq!(face(345.0), "11:30");
    }

    #[test]
    fn the_text_names_sides_and_signs_for_each_hemisphere() {
        let north = report_pole_star(&sample::question(51.5, -0.1, "2026-01-15T22:00:00Z"));
        let text = north.to_text();
        assert!(text.contains("alpha Ursae Minoris, 51.50 N 0.10 W, times are UTC+00:00"));
        assert!(text.contains("facing north") && text.contains("3 is right (east)"));
        // Airless altitude 51.983 and azimuth 359.370: up and to the left.
        assert!(text.contains("' too high") && text.contains("' too far west"));
        assert!(text.contains("equator due south"));
        let south = report_pole_star(&sample::question(-33.9, 18.5, "2026-01-15T22:00:00Z"));
        let text = south.to_text();
        assert!(text.contains("sigma Octantis, 33.90 S 18.50 E"));
        // Airless altitude 32.995 and azimuth 180.852: down and to the right, which is west.
        assert!(text.contains("' too low") && text.contains("' too far west"));
        assert!(text.contains("equator due north"));
    }

    #[test]
    fn the_brief_answer_is_the_first_of_the_whole() {
        let report = report_pole_star(&sample::question(51.5, -0.1, "2026-01-15T22:00:00Z"));
        let brief = report.to_brief();
        assert!(report.to_text().starts_with(&brief));
        assert!(
            brief.contains("o'clock") && brief.lines().count() == 3,
            "{brief}"
        );
    }

    #[test]
    fn no_line_is_wider_than_a_terminal() {
        let report = report_pole_star(&sample::question(51.5, -120.1, "2026-01-15T22:00:00Z"));
        for line in report.to_text().lines() {
            assert!(line.chars().count() <= 80, "{line}");
        }
    }

    #[test]
    fn the_cost_due_south_counts_the_sideways_part_alone() {
        let report = report_pole_star(&sample::question(51.5, -0.1, "2026-01-15T22:00:00Z"));
        let cost = report.cost;
        let by_rule = cost.too_far_east.deg().abs() * 15.75;
        let found = cost.at_meridian.speed().arcsec_per_min();
        assert!((found - by_rule).abs() < 0.1, "{found} {by_rule}");
        let worst = cost.error.deg() * 15.75;
        assert!((cost.worst.arcsec_per_min() - worst).abs() < 0.01);
    }

    #[test]
    fn without_a_camera_trails_are_told_in_arcseconds() {
        let mut question = sample::question(51.5, -0.1, "2026-01-15T22:00:00Z");
        question.camera = None;
        let text = report_pole_star(&question).to_text();
        assert!(text.contains("On the sky that trails") && !text.contains(" px "));
    }
}
