//! Lines of satellites and aircraft in words and over the photograph.

use crate::report::drawing::Shape;
use crate::stars::{LightLine, Rejected};

use super::panel::{Area, TRAIL, line, seamed_text};

/// From the line of light to the strokes drawn on both sides of it, so that it stays visible.
const BESIDE: f64 = 5.0;

/// `a satellite or aircraft line from 12,80 to 890,412`, in pixels; nothing where there is none.
pub fn words(rejected: &Rejected) -> Option<String> {
    let LightLine { from, to } = rejected.longest_line?;
    let ends = format!(
        "from {:.0},{:.0} to {:.0},{:.0}",
        from.x, from.y, to.x, to.y
    );
    Some(match rejected.lines {
        0 | 1 => format!("a satellite or aircraft line {ends}"),
        n => format!("{n} satellite or aircraft lines, the longest {ends}"),
    })
}

/// Strokes on both sides of the longest line and what it is.
pub fn mark(rejected: &Rejected, area: &Area, scale: f64) -> Vec<Shape> {
    let Some(LightLine { from, to }) = rejected.longest_line else {
        return Vec::new();
    };
    let ends = [from, to].map(|end| area.place((end.x, end.y), scale));
    let (dx, dy) = (ends[1].0 - ends[0].0, ends[1].1 - ends[0].1);
    let length = dx.hypot(dy).max(1e-9);
    let beside = |side: f64| {
        let (x, y) = (-side * BESIDE * dy / length, side * BESIDE * dx / length);
        line(ends.map(|end| (end.0 + x, end.1 + y)).to_vec(), 1.0, TRAIL)
    };
    let mut shapes = vec![beside(1.0), beside(-1.0)];
    let middle = (0.5 * (ends[0].0 + ends[1].0), 0.5 * (ends[0].1 + ends[1].1));
    let below = 18.0 + 0.5 * BESIDE;
    let y = if middle.1 + below + 8.0 < area.bottom() {
        middle.1 + below
    } else {
        middle.1 - below
    };
    shapes.extend(seamed_text((middle.0, y), TRAIL, "satellite or aircraft"));
    shapes
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::PixelPoint;

    fn rejected(lines: usize) -> Rejected {
        Rejected {
            lines,
            longest_line: (lines > 0).then_some(LightLine {
                from: PixelPoint::new(5.2, 820.4),
                to: PixelPoint::new(1421.0, 742.1),
            }),
            ..Rejected::default()
        }
    }

    #[test]
    fn lines_are_told_with_their_ends() {
        assert_eq!(words(&rejected(0)), None);
        assert_eq!(
            words(&rejected(1)).as_deref(),
            Some("a satellite or aircraft line from 5,820 to 1421,742")
        );
        assert_eq!(
            words(&rejected(2)).as_deref(),
            Some("2 satellite or aircraft lines, the longest from 5,820 to 1421,742")
        );
    }

    #[test]
    fn strokes_run_beside_the_line_and_its_name_stays_on_the_photograph() {
        let area = Area {
            left: 20.0,
            top: 70.0,
            width: 800.0,
            height: 600.0,
        };
        assert!(mark(&rejected(0), &area, 0.5).is_empty());
        let shapes = mark(&rejected(1), &area, 0.5);
        let Shape::Line { points, .. } = &shapes[0] else {
            panic!("a stroke first: {shapes:?}");
        };
        let first = area.place((5.2, 820.4), 0.5);
        let off = (points[0].0 - first.0).hypot(points[0].1 - first.1);
        assert!((off - BESIDE).abs() < 1e-9, "{points:?}");
        let named = shapes.iter().any(|shape| {
            matches!(shape, Shape::Text { at, .. } if at.1 < area.bottom() && at.1 > area.top)
        });
        assert!(named, "{shapes:?}");
    }
}
