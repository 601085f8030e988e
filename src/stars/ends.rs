//! Where a long patch of light begins and ends along its axis.

use super::background::Background;
use super::component::Component;
use crate::frame::Plane;

/// A patch is long enough for its ends to be looked at where it is this many times longer than wide.
const LONG_PATCH: f64 = 4.0;
/// An end this much brighter than the rest is light that stayed there: the end is its middle.
const DWELLING_EXCESS: f64 = 2.5;

/// A patch along its axis.
#[derive(Debug, Clone, Copy)]
pub(super) struct Ends {
    /// First and last place of the trail from the patch's centroid, pixels.
    pub(super) places: (f64, f64),
    /// Share of the light that stayed at the first and at the last.
    pub(super) dwelling: (f64, f64),
}

/// Ends of a patch along `along` (unit vector).
///
/// Method: short patches: the patch's extent, less its extent across (the threshold's margin on all
/// sides cancels). Long ones: the light summed across gives a profile; a blurred end is where it
/// crosses half of its plateau, an end where the star dwelt is at the bright spot.
pub(super) fn ends(plane: &Plane, sky: &Background, patch: &Component, along: (f64, f64)) -> Ends {
    let span = patch.extent(along);
    let side = patch.extent((-along.1, along.0));
    let (length, width) = (span.1 - span.0, side.1 - side.0);
    let shared = (0.5 * width).min(0.5 * length);
    if length < LONG_PATCH * width.max(4.0) {
        return Ends {
            places: (span.0 + shared, span.1 - shared),
            dwelling: (0.0, 0.0),
        };
    }
    let profile = profile(plane, sky, patch, along, span);
    let mut sorted = profile.clone();
    let middle = sorted.len() / 2;
    let plateau = *sorted.select_nth_unstable_by(middle, f64::total_cmp).1;
    let reversed: Vec<f64> = profile.iter().rev().copied().collect();
    let (first, last) = (first_end(&profile, plateau), first_end(&reversed, plateau));
    let total: f64 = profile.iter().sum();
    Ends {
        places: (span.0 + first.place, span.1 - last.place),
        dwelling: (first.excess / total, last.excess / total),
    }
}

/// Light summed across, in bins of one pixel along.
fn profile(
    plane: &Plane,
    sky: &Background,
    patch: &Component,
    along: (f64, f64),
    span: (f64, f64),
) -> Vec<f64> {
    let mut bins = vec![0.0; (span.1 - span.0).ceil() as usize + 1];
    for run in &patch.runs {
        let level = sky.level_at(usize::midpoint(run.start, run.end), run.y);
        let dy = run.y as f64 - patch.centroid.y;
        for (x, value) in (run.start..run.end).zip(&plane.row(run.y)[run.start..run.end]) {
            let place = (x as f64 - patch.centroid.x) * along.0 + dy * along.1 - span.0;
            let bin = (place.round().max(0.0) as usize).min(bins.len() - 1);
            bins[bin] += f64::from(value - level);
        }
    }
    bins
}

struct End {
    /// Bins from the start of the profile.
    place: f64,
    /// Light of the bright spot there above the plateau, nothing where there is none.
    excess: f64,
}

fn first_end(profile: &[f64], plateau: f64) -> End {
    let near = &profile[..(profile.len() / 4).max(6).min(profile.len())];
    let brighter =
        |best: (usize, f64), (i, v): (usize, f64)| if v > best.1 { (i, v) } else { best };
    let (spot, brightest) = near.iter().copied().enumerate().fold((0, 0.0), brighter);
    if brightest > DWELLING_EXCESS * plateau {
        // The spot is even about its middle, so what lies before it counts twice.
        let before: f64 = profile[..spot].iter().sum();
        return End {
            place: spot as f64,
            excess: (2.0 * before + brightest - 0.5 * plateau).max(0.0),
        };
    }
    let crossing = profile.iter().position(|v| *v > 0.5 * plateau).unwrap_or(0);
    let place = match crossing {
        0 => 0.0,
        _ => {
            let (before, after) = (profile[crossing - 1], profile[crossing]);
            crossing as f64 - (after - 0.5 * plateau) / (after - before)
        }
    };
    End { place, excess: 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_blurred_end_is_at_half_of_the_plateau() {
        let profile = [0.0, 1.0, 3.0, 7.0, 9.0, 10.0, 10.0, 10.0, 10.0, 10.0];
        assert!((first_end(&profile, 10.0).place - 2.5).abs() < 1e-12);
    }

    #[test]
    fn a_bright_end_is_at_its_brightest() {
        let mut profile = vec![10.0; 80];
        profile[..8].copy_from_slice(&[2.0, 30.0, 90.0, 150.0, 90.0, 30.0, 12.0, 10.0]);
        let end = first_end(&profile, 10.0);
        assert!(
            (end.place - 3.0).abs() < 1e-12 && (end.excess - 389.0).abs() < 1e-9,
            "{}",
            end.excess
        );
    }
}
