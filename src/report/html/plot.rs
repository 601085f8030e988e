//! A chart of values against time or another quantity, with error bars and lines.

use askama::Template;

use super::scale::Scale;

/// Width of the chart in its own units.
const WIDTH: f64 = 460.0;
/// Room left of the axes.
const LEFT: f64 = 56.0;
/// Where the legend begins.
const LEGEND_LEFT: f64 = 8.0;
/// Room right of the axes.
const RIGHT: f64 = 16.0;
/// Room above the axes.
const TOP: f64 = 12.0;
/// Room below the axes.
const BOTTOM: f64 = 56.0;

/// How a series is drawn; shape and dashes carry the meaning, colour only helps.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Style {
    /// Filled circles with error bars.
    Dots,
    /// An unbroken line.
    Line,
    /// A dashed line.
    Dashes,
}

impl Style {
    const fn class(self) -> &'static str {
        match self {
            Style::Dots => "dots",
            Style::Line => "line",
            Style::Dashes => "dashes",
        }
    }
}

/// A value with its 1-sigma, both in the chart's quantities.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Value {
    pub(super) x: f64,
    pub(super) y: f64,
    pub(super) sigma: f64,
}

/// Values that belong together.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Series {
    pub(super) name: String,
    pub(super) style: Style,
    pub(super) values: Vec<Value>,
}

/// What is to be drawn.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Chart {
    pub(super) title: String,
    /// What it shows, in a sentence, for who cannot see it.
    pub(super) description: String,
    pub(super) x_name: String,
    pub(super) y_name: String,
    pub(super) height: f64,
    pub(super) series: Vec<Series>,
    /// Both axes by factors instead of steps.
    pub(super) logarithmic: bool,
}

struct Tick {
    at: f64,
    letters: String,
}

struct Mark {
    x: f64,
    y: f64,
    low: f64,
    high: f64,
}

struct Drawn {
    name: String,
    class: &'static str,
    path: String,
    marks: Vec<Mark>,
    /// Where its entry in the legend begins.
    legend_x: f64,
}

/// A chart laid out.
#[derive(Template)]
#[template(path = "plot.svg", config = "src/report/html/askama.toml")]
pub(super) struct Plot {
    id: String,
    pub(super) title: String,
    pub(super) description: String,
    width: f64,
    height: f64,
    left: f64,
    right: f64,
    top: f64,
    bottom: f64,
    x_name: String,
    y_name: String,
    x_ticks: Vec<Tick>,
    y_ticks: Vec<Tick>,
    /// Where zero stands, if it is not at an end.
    zero: Option<f64>,
    series: Vec<Drawn>,
}

impl Plot {
    /// Lays a chart out; `id` is unique in the page.
    pub(super) fn of(id: String, chart: Chart) -> Self {
        let (width, height) = (WIDTH - LEFT - RIGHT, chart.height - TOP - BOTTOM);
        let values = || chart.series.iter().flat_map(|series| &series.values);
        let x_range = range(values().map(|value| (value.x, value.x)));
        let y_range = range(values().map(|value| (value.y - value.sigma, value.y + value.sigma)));
        let scale = |(low, high), start, length| {
            if chart.logarithmic {
                Scale::logarithmic(low, high, start, length)
            } else {
                let room = 0.06 * (high - low);
                Scale::even(low - room, high + room, start, length)
            }
        };
        let x = scale(x_range, LEFT, width);
        // Upwards is less in the drawing.
        let y = scale(y_range, TOP + height, -height);
        let zero = !chart.logarithmic && y_range.0 < 0.0 && y_range.1 > 0.0;
        Self {
            id,
            title: chart.title,
            description: chart.description,
            width: WIDTH,
            height: chart.height,
            left: LEFT,
            right: WIDTH - RIGHT,
            top: TOP,
            bottom: TOP + height,
            x_name: chart.x_name,
            y_name: chart.y_name,
            x_ticks: ticks(&x),
            y_ticks: ticks(&y),
            zero: zero.then(|| y.at(0.0)),
            series: drawn(chart.series, &x, &y),
        }
    }

    fn legend_y(&self) -> f64 {
        self.height - 8.0
    }

    fn middle_y(&self) -> f64 {
        (self.top + self.bottom) / 2.0
    }
}

fn ticks(scale: &Scale) -> Vec<Tick> {
    let place = |(value, letters)| Tick {
        at: rounded(scale.at(value)),
        letters,
    };
    scale.ticks().into_iter().map(place).collect()
}

/// Lowest and highest of all, with both ends at zero where there is none.
fn range(values: impl Iterator<Item = (f64, f64)>) -> (f64, f64) {
    values
        .filter(|(low, high)| low.is_finite() && high.is_finite())
        .reduce(|(low, high), (next_low, next_high)| (low.min(next_low), high.max(next_high)))
        .unwrap_or((0.0, 0.0))
}

fn drawn(series: Vec<Series>, x: &Scale, y: &Scale) -> Vec<Drawn> {
    let mut legend_x = LEGEND_LEFT;
    let mut all = Vec::with_capacity(series.len());
    for one in series {
        let advance = 46.0 + 7.0 * one.name.chars().count() as f64;
        all.push(Drawn {
            path: match one.style {
                Style::Dots => String::new(),
                Style::Line | Style::Dashes => path(&one.values, x, y),
            },
            marks: match one.style {
                Style::Dots => one.values.iter().map(|value| mark(value, x, y)).collect(),
                Style::Line | Style::Dashes => Vec::new(),
            },
            class: one.style.class(),
            name: one.name,
            legend_x,
        });
        legend_x += advance;
    }
    all
}

fn mark(value: &Value, x: &Scale, y: &Scale) -> Mark {
    Mark {
        x: rounded(x.at(value.x)),
        y: rounded(y.at(value.y)),
        low: rounded(y.at(value.y - value.sigma)),
        high: rounded(y.at(value.y + value.sigma)),
    }
}

fn path(values: &[Value], x: &Scale, y: &Scale) -> String {
    let points = values.iter().enumerate().map(|(nth, value)| {
        let command = if nth == 0 { 'M' } else { 'L' };
        format!(
            "{command}{} {}",
            rounded(x.at(value.x)),
            rounded(y.at(value.y))
        )
    });
    points.collect::<Vec<_>>().join(" ")
}

/// Tenths of a unit are enough for the eye.
pub(super) fn rounded(value: f64) -> f64 {
    (value * 10.0).round() / 10.0 + 0.0
}

#[cfg(test)]
mod tests {
    use super::*;

    fn chart(logarithmic: bool) -> Chart {
        let value = |x: f64, y: f64| Value { x, y, sigma: 0.5 };
        Chart {
            title: "Drift <east>".into(),
            description: "A & B".into(),
            x_name: "minutes".into(),
            y_name: "arcsec".into(),
            height: 200.0,
            series: vec![
                Series {
                    name: "measured".into(),
                    style: Style::Dots,
                    values: vec![value(1.0, 2.0), value(2.0, 9.0)],
                },
                Series {
                    name: "axis".into(),
                    style: Style::Dashes,
                    values: vec![value(1.0, 2.0), value(2.0, 8.0)],
                },
            ],
            logarithmic,
        }
    }

    #[test]
    fn higher_values_stand_higher_and_words_are_escaped() {
        for logarithmic in [false, true] {
            let plot = Plot::of("a".into(), chart(logarithmic));
            let marks = &plot.series[0].marks;
            assert!(marks[1].y < marks[0].y && marks[1].x > marks[0].x);
            assert!(marks[0].high < marks[0].low);
            let svg = plot.render().unwrap();
            assert!(!svg.contains("<east>"), "{svg}");
        }
    }

    #[test]
    fn nothing_to_draw_is_no_error() {
        let empty = Chart {
            series: Vec::new(),
            ..chart(false)
        };
        assert!(Plot::of("a".into(), empty).render().is_ok());
    }
}
