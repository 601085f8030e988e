//! The sky about the pole as one sees it facing it: the axis of each alignment, the pole, the pole
//! star, the move.

use askama::Template;
use nalgebra::Matrix2;

use super::labels::{Label, Labels};
use super::plot::rounded;
use super::scale::round_step;
use crate::report::{AxisReport, NightReport, PoleReport};
use crate::units::{Angle, Hemisphere};

/// Side of the drawing in its own units.
const SIDE: f64 = 480.0;
/// Distance from the middle to the edge of what is drawn.
const REACH: f64 = 220.0;
/// Half of the Moon's mean apparent diameter (mean value 31.1', common practice, no source).
const MOON_RADIUS: Angle = Angle::from_arcmin(15.5);
/// Sigmas along an axis of the ellipse that holds 95 % of a two-dimensional normal distribution,
/// `sqrt(-2 ln 0.05)`.
const ELLIPSE_SIGMAS: f64 = 2.4477;
/// The pole star is drawn where it does not make the rest small.
const STAR_WITHIN: f64 = 3.0;
/// Points of the arrow that words keep off.
const ARROW_STEPS: u32 = 24;
/// Smallest distance that the drawing reaches to.
const SMALLEST_REACH: Angle = Angle::from_arcmin(4.0);

struct Place {
    x: f64,
    y: f64,
}

struct Ring {
    radius: f64,
    letters: String,
}

/// An alignment's axis with the ellipse of its uncertainty.
struct AxisMark {
    at: Place,
    /// Half axes of the ellipse, and the tilt of the first, degrees clockwise.
    long: f64,
    short: f64,
    tilt: f64,
    class: &'static str,
    label: Label,
}

struct Arrow {
    from: Place,
    to: Place,
}

struct StarMark {
    at: Place,
    label: Label,
}

struct Moon {
    at: Place,
    radius: f64,
}

/// The drawing laid out.
#[derive(Template)]
#[template(path = "pole.svg", config = "src/report/html/askama.toml")]
pub(super) struct PoleChart {
    side: f64,
    middle: f64,
    description: String,
    rings: Vec<Ring>,
    true_pole: Place,
    star: Option<StarMark>,
    axes: Vec<AxisMark>,
    arrow: Option<Arrow>,
    pole_label: Label,
    moon: Option<Moon>,
    left: &'static str,
    right: &'static str,
}

/// From arcminutes about the refracted pole to the drawing.
struct Sky {
    /// Units an arcminute.
    scale: f64,
    /// +1 where east is to the right.
    east: f64,
}

impl Sky {
    fn place(&self, east: Angle, up: Angle) -> Place {
        self.beside(east.arcmin() * self.east, up.arcmin())
    }

    /// From arcminutes to the right and up.
    fn beside(&self, right: f64, up: f64) -> Place {
        Place {
            x: rounded(SIDE / 2.0 + self.scale * right),
            y: rounded(SIDE / 2.0 - self.scale * up),
        }
    }
}

impl PoleChart {
    /// The drawing of a night whose site is known and at least one of whose axes is.
    pub(super) fn of(night: &NightReport) -> Option<Self> {
        let pole = night.pole.as_ref()?;
        let known: Vec<(&str, &AxisReport)> = night
            .alignments
            .iter()
            .filter_map(|one| Some((one.name.as_str(), one.axis.as_ref()?)))
            .collect();
        let (_, now) = known.last()?;
        let reach = reach(pole, &known);
        let sky = Sky {
            scale: REACH / reach.arcmin(),
            east: match pole.hemisphere {
                Hemisphere::North => 1.0,
                Hemisphere::South => -1.0,
            },
        };
        let (left, right) = match pole.hemisphere {
            Hemisphere::North => ("west", "east"),
            Hemisphere::South => ("east", "west"),
        };
        let last_has_axis = night.alignments.last()?.axis.is_some();
        let rings = rings(reach, sky.scale);
        let arrow = arrow(night, now, &sky);
        let star_at = star_place(pole, reach, &sky);
        let mut labels = labels(&rings, arrow.as_ref(), star_at.as_ref());
        // The axis first: its name is the one to be found at once.
        let axes = axes(&known, last_has_axis, &sky, &mut labels);
        let star = star_at.map(|(at, name)| StarMark {
            label: labels.beside(at.x, at.y, name),
            at,
        });
        let pole_label = labels.beside(SIDE / 2.0, SIDE / 2.0, "pole");
        Some(Self {
            side: SIDE,
            middle: SIDE / 2.0,
            description: description(night, pole),
            rings,
            true_pole: sky.beside(0.0, -pole.lift.arcmin()),
            star,
            axes,
            arrow,
            pole_label,
            moon: moon(reach, &sky),
            left,
            right,
        })
    }

    fn head(arrow: &Arrow) -> String {
        let (dx, dy) = (arrow.to.x - arrow.from.x, arrow.to.y - arrow.from.y);
        let length = dx.hypot(dy).max(1e-9);
        let (dx, dy) = (dx / length, dy / length);
        let barb = |side: f64| {
            (
                rounded(arrow.to.x - 12.0 * dx - side * 6.0 * dy),
                rounded(arrow.to.y - 12.0 * dy + side * 6.0 * dx),
            )
        };
        let ((ax, ay), (bx, by)) = (barb(1.0), barb(-1.0));
        format!("M{ax} {ay} L{} {} L{bx} {by}", arrow.to.x, arrow.to.y)
    }
}

/// Arcminutes from the middle to the edge.
fn reach(pole: &PoleReport, known: &[(&str, &AxisReport)]) -> Angle {
    let axes = known.iter().map(|(_, axis)| {
        let total = axis.total();
        total.value + (total.sigma * 2.0).min(total.value + Angle::from_arcmin(5.0))
    });
    let farthest = axes.fold(SMALLEST_REACH, Angle::max) * 1.2;
    match pole.star {
        Some((_, place)) if place.distance < farthest * STAR_WITHIN => {
            farthest.max(place.distance * 1.15)
        }
        _ => farthest,
    }
}

fn rings(reach: Angle, scale: f64) -> Vec<Ring> {
    let step = round_step(reach.arcmin() / 4.0);
    (1..)
        .map(|nth| f64::from(nth) * step)
        .take_while(|arcmin| *arcmin <= reach.arcmin())
        .map(|arcmin| Ring {
            radius: rounded(arcmin * scale),
            letters: format!("{arcmin}'"),
        })
        .collect()
}

fn star_place(pole: &PoleReport, reach: Angle, sky: &Sky) -> Option<(Place, &'static str)> {
    let (star, place) = pole.star.filter(|(_, place)| place.distance <= reach)?;
    let at = sky.beside(place.right().arcmin(), place.up().arcmin());
    Some((at, star.name()))
}

/// The drawing with its marks and fixed words taken.
fn labels(rings: &[Ring], arrow: Option<&Arrow>, star: Option<&(Place, &str)>) -> Labels {
    let middle = SIDE / 2.0;
    let mut labels = Labels::new(SIDE);
    labels.keep_off(middle, middle, 9.0);
    labels.keep_off_words(6.0, middle - 6.0, "start", 4);
    labels.keep_off_words(SIDE - 6.0, middle - 6.0, "end", 4);
    labels.keep_off_words(middle + 6.0, 14.0, "start", 2);
    for ring in rings {
        labels.keep_off_words(middle + 3.0, middle - ring.radius + 12.0, "start", 4);
    }
    if let Some((at, _)) = star {
        labels.keep_off(at.x, at.y, 9.0);
    }
    if let Some(arrow) = arrow {
        for nth in 0..=ARROW_STEPS {
            let part = f64::from(nth) / f64::from(ARROW_STEPS);
            let x = arrow.from.x + part * (arrow.to.x - arrow.from.x);
            let y = arrow.from.y + part * (arrow.to.y - arrow.from.y);
            labels.keep_off(x, y, 3.0);
        }
    }
    labels
}

fn axes(
    known: &[(&str, &AxisReport)],
    last_is_now: bool,
    sky: &Sky,
    labels: &mut Labels,
) -> Vec<AxisMark> {
    let mut marks = Vec::new();
    for (nth, (name, axis)) in known.iter().enumerate() {
        let is_now = last_is_now && nth + 1 == known.len();
        let class = if is_now { "axis now" } else { "axis before" };
        let mut mark = |name: String, east: Angle, up: Angle| {
            marks.push(axis_mark(&name, (east, up), axis, class, sky, labels));
        };
        let (up, east) = (axis.altitude_error.value, axis.azimuth_error.value);
        let word = if known.len() > 1 { *name } else { "axis" };
        mark(word.to_owned(), east, up);
        if axis.mirror_ambiguous {
            let (up, east) = axis
                .mirror
                .map_or((-up, -east), |mirror| (mirror.up, mirror.east));
            mark("or here".to_owned(), east, up);
        }
    }
    marks
}

fn axis_mark(
    name: &str,
    (east, up): (Angle, Angle),
    axis: &AxisReport,
    class: &'static str,
    sky: &Sky,
    labels: &mut Labels,
) -> AxisMark {
    let (long, short, tilt) = ellipse(axis, sky.east);
    let at = sky.place(east, up);
    labels.keep_off(at.x, at.y, 6.0);
    AxisMark {
        label: labels.beside(at.x, at.y, name),
        at,
        long: rounded(long.arcmin() * sky.scale).min(2.0 * SIDE),
        short: rounded(short.arcmin() * sky.scale).min(2.0 * SIDE),
        tilt: rounded(tilt),
        class,
    }
}

/// Half axes of the ellipse of 95 %, and the tilt of the longer one from the horizontal, degrees
/// clockwise as drawn.
fn ellipse(axis: &AxisReport, east_sign: f64) -> (Angle, Angle, f64) {
    let (up, right) = (
        axis.altitude_error.sigma.rad(),
        axis.azimuth_error.sigma.rad(),
    );
    let mixed = axis.correlation * up * right * east_sign;
    // Drawn with y down: an error up is a negative y.
    let covariance = Matrix2::new(right * right, -mixed, -mixed, up * up);
    let half_difference = (covariance[(0, 0)] - covariance[(1, 1)]) / 2.0;
    let tilt = 0.5 * covariance[(0, 1)].atan2(half_difference);
    let mean = covariance.trace() / 2.0;
    let radius = half_difference.hypot(covariance[(0, 1)]);
    let half = |variance: f64| Angle::from_rad(ELLIPSE_SIGMAS * variance.max(0.0).sqrt());
    (half(mean + radius), half(mean - radius), tilt.to_degrees())
}

/// The move that is advised, from the axis as far as it goes.
fn arrow(night: &NightReport, axis: &AxisReport, sky: &Sky) -> Option<Arrow> {
    let correction = night.alignments.last()?.correction?;
    let (up, east) = (axis.altitude_error.value, axis.azimuth_error.value);
    Some(Arrow {
        from: sky.place(east, up),
        to: sky.place(east + correction.east_on_sky, up + correction.raise),
    })
}

/// The Moon in a corner for scale, where it is neither a dot nor larger than the drawing.
fn moon(reach: Angle, sky: &Sky) -> Option<Moon> {
    let radius = MOON_RADIUS.arcmin() * sky.scale;
    let fits = MOON_RADIUS < reach * 0.5 && radius > 3.0;
    fits.then(|| Moon {
        at: Place {
            x: rounded(SIDE - radius - 6.0),
            y: rounded(SIDE - radius - 22.0),
        },
        radius: rounded(radius),
    })
}

fn description(night: &NightReport, pole: &PoleReport) -> String {
    let axis = night
        .alignments
        .last()
        .map_or("", |alignment| alignment.headline.as_str());
    let side = match pole.hemisphere {
        Hemisphere::North => "north",
        Hemisphere::South => "south",
    };
    format!("The sky about the pole, seen facing {side}. {axis}")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;

    fn chart(night: &NightReport) -> PoleChart {
        PoleChart::of(night).unwrap()
    }

    #[test]
    fn east_is_to_the_right_of_who_faces_north_and_to_the_left_of_who_faces_south() {
        let mut night = sample::realign().value;
        let mark = &chart(&night).axes[0];
        // 4.1' too high, 31.2' too far east.
        assert!(mark.at.x > SIDE / 2.0 && mark.at.y < SIDE / 2.0);
        night.pole.as_mut().unwrap().hemisphere = Hemisphere::South;
        let mark = &chart(&night).axes[0];
        assert!(mark.at.x < SIDE / 2.0 && mark.at.y < SIDE / 2.0);
    }

    #[test]
    fn the_advised_move_ends_at_the_pole() {
        let arrow = chart(&sample::realign().value).arrow.unwrap();
        assert_eq!((arrow.to.x, arrow.to.y), (SIDE / 2.0, SIDE / 2.0));
    }

    #[test]
    fn the_ellipse_leans_as_the_errors_do() {
        let mut axis = sample::realign().value.alignments[0].axis.unwrap();
        axis.altitude_error = sample::arcmin(0.0, 3.0);
        axis.azimuth_error = sample::arcmin(0.0, 3.0);
        axis.correlation = 0.9;
        // Up goes with east, which is to the right: the long side rises to the right.
        let (long, short, tilt) = ellipse(&axis, 1.0);
        assert!(long > short * 4.0);
        assert!((tilt + 45.0).abs() < 1e-9);
        assert!((ellipse(&axis, -1.0).2 - 45.0).abs() < 1e-9);
    }

    #[test]
    fn nights_without_an_axis_have_no_chart() {
        assert!(PoleChart::of(&sample::cannot_tell().value).is_none());
    }
}
