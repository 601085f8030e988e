//! What all stars of a frame share: the PSF's profile and how the light is spread along the trails.

use super::equations::{Reading, SharedVector, Total, pace_of, psf_of, state_of};
use super::fit::FitSetup;
use super::light_noise::{OwnNumbers, light_noise};
use super::pace::Pace;
use super::psf::Psf;
use super::segment::Segment;

/// What to look for beside the PSF.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Freedom {
    /// The trails are known: the PSF only.
    Profile,
    /// Also a common factor on all lengths.
    Length,
    /// Also a pace that rises or bends.
    Swinging,
    /// Also light that stayed where the vectors start.
    DwellingAtStart,
    /// Also light that stayed where the vectors end.
    DwellingAtEnd,
    /// Also light that stayed at both ends.
    DwellingAtBoth,
}

impl Freedom {
    /// Which of the shared numbers stay as they are.
    ///
    /// A little light at an end and a little more length look the same, so both ends are freed only
    /// where one does not do.
    pub(super) fn held(self) -> &'static [usize] {
        match self {
            Freedom::Profile => &[3, 4, 5, 6, 7],
            Freedom::Length => &[4, 5, 6, 7],
            Freedom::Swinging => &[4, 5],
            Freedom::DwellingAtStart => &[5, 6, 7],
            Freedom::DwellingAtEnd => &[4, 6, 7],
            Freedom::DwellingAtBoth => &[6, 7],
        }
    }

    /// Trails that are sought have been fitted star by star.
    fn own_numbers(self) -> OwnNumbers {
        match self {
            Freedom::Profile => OwnNumbers::Place,
            _ => OwnNumbers::PlaceAndTrail,
        }
    }

    /// A pace with the held numbers at rest.
    pub(super) fn bound(self, pace: Pace) -> Pace {
        let keep = |k: usize, value: f64| if self.held().contains(&k) { 0.0 } else { value };
        Pace {
            start: keep(4, pace.start),
            end: keep(5, pace.end),
            slope: keep(6, pace.slope),
            curve: keep(7, pace.curve),
        }
    }
}

/// What the stars share, and how well it is known.
#[derive(Debug, Clone)]
pub(super) struct Learnt {
    pub(super) psf: Psf,
    pub(super) pace: Pace,
    /// Factor on the lengths of the given segments, and its 1-sigma.
    pub(super) stretch: (f64, f64),
    /// 1-sigma of the logarithm of the core's width.
    pub(super) core_sigma: f64,
    /// Squared residuals over their expected variance, summed over all pixels.
    pub(super) cost: f64,
    /// Where the stars stand with it, and what of each has been fitted to its own pixels.
    stars: Vec<Segment>,
    own: OwnNumbers,
}

impl Learnt {
    /// Variance that the light of a star adds to a pixel, per unit of light.
    pub(super) fn light_noise(&self, setup: &FitSetup) -> f64 {
        let shared = FitSetup {
            psf: self.psf,
            pace: self.pace,
            ..*setup
        };
        light_noise(&shared, &self.stars, self.own)
    }
}

const ROUNDS: usize = 14;
/// Profile and pace shared by stars at known places with known trails.
///
/// Method: damped least squares of all stars together; each star's place, light and pedestal are
/// eliminated star by star (Schur complement). Weak priors hold what the pixels do not show.
pub(super) fn learn_shared(
    setup: &FitSetup,
    stars: &[Segment],
    freedom: Freedom,
    reading: Reading,
) -> Option<Learnt> {
    let mut state = state_of(setup);
    let mut current = Total::start(setup, freedom, stars, reading, &state)?;
    let mut damping = 1e-2;
    for _ in 0..ROUNDS {
        let Some(step) = current.step(damping) else {
            break;
        };
        let trial = bounded(state + step);
        let next = Total::of(setup, freedom, current.moved(&(trial - state)), &trial);
        if next.cost < current.cost {
            let settled = current.cost - next.cost < 1e-5 * current.cost;
            (state, current) = (trial, next);
            damping *= 0.2;
            if settled {
                break;
            }
        } else {
            damping *= 8.0;
        }
    }
    let covariance = current.covariance()?;
    Some(Learnt {
        psf: psf_of(&state),
        pace: pace_of(&state),
        stretch: (state[3].exp(), state[3].exp() * covariance[(3, 3)].sqrt()),
        core_sigma: covariance[(0, 0)].sqrt(),
        cost: current.cost,
        stars: current.stars(&state),
        own: freedom.own_numbers(),
    })
}

/// Kept to what a picture can show.
fn bounded(mut state: SharedVector) -> SharedVector {
    const MOST_DWELLING: f64 = 0.98;
    state[0] = state[0].clamp(0.3_f64.ln(), 12.0_f64.ln());
    state[1] = state[1].clamp(1.3_f64.ln(), 4.0_f64.ln());
    state[2] = state[2].clamp(-0.6, 0.75);
    state[3] = state[3].clamp(-0.8, 0.8);
    (4..6).for_each(|k| state[k] = state[k].clamp(0.0, MOST_DWELLING));
    let share = MOST_DWELLING / (state[4] + state[5]).max(MOST_DWELLING);
    (4..6).for_each(|k| state[k] *= share);
    (6..8).for_each(|k| state[k] = state[k].clamp(-0.9, 0.9));
    state
}

#[cfg(test)]
mod tests {
    use super::super::background::Background;
    use super::super::noise::Noise;
    use super::super::rendered::{Drawn, Scene, flux_for, grid, picture};
    use super::*;
    use crate::units::{PixelPoint, PixelVector};

    const TRAIL: (f64, f64) = (14.0, -9.0);

    /// What the stars share, and the noise of their light.
    fn learnt(stars: &[Drawn], drawn: &[Drawn], scene: &Scene, freedom: Freedom) -> (Learnt, f64) {
        let plane = picture(scene, drawn);
        let sky = Background::estimate(&plane);
        let setup = FitSetup {
            plane: &plane,
            sky: &sky,
            noise: Noise::WHITE,
            psf: Psf::gaussian(1.3),
            pace: Pace::default(),
            saturation: 10.0,
        };
        let segment = |s: &Drawn| Segment {
            center: PixelPoint::new(s.x, s.y),
            vector: PixelVector::new(0.95 * s.dx, 0.95 * s.dy),
            flux: s.flux,
            pedestal: 0.0,
        };
        let segments: Vec<Segment> = stars.iter().map(segment).collect();
        let found = learn_shared(&setup, &segments, freedom, Reading::Sampled).expect("many stars");
        let gain = found.light_noise(&setup);
        (found, gain)
    }

    fn scene() -> Scene {
        Scene {
            width: 400,
            height: 360,
            ..Scene::clear(2.6, 8)
        }
    }

    #[test]
    fn profile_length_and_noise_of_the_light_are_found() {
        let flux = flux_for(&scene(), TRAIL, 100.0);
        let stars = grid(&scene(), 45.0, TRAIL, flux, 3.0 * flux);
        let (found, gain) = learnt(&stars, &stars, &scene(), Freedom::Length);
        // A Moffat profile of 2.6 pixels seen by square pixels: 2.69.
        assert!((found.psf.fwhm() / 2.69 - 1.0).abs() < 0.04, "{found:?}");
        assert!(
            (found.stretch.0 * 0.95 - 1.0).abs() < 4.0 * found.stretch.1 + 0.003,
            "{found:?}"
        );
        assert!((gain / scene().gain()).ln().abs() < 0.5, "{found:?}");
    }

    #[test]
    fn light_that_stayed_at_one_end_is_found_there() {
        let flux = flux_for(&scene(), TRAIL, 100.0);
        let run = grid(&scene(), 45.0, TRAIL, flux, 3.0 * flux);
        let stood = run.iter().map(|s| Drawn {
            x: s.x + 0.5 * s.dx,
            y: s.y + 0.5 * s.dy,
            dx: 0.0,
            dy: 0.0,
            flux: 0.5 * s.flux,
        });
        let drawn: Vec<Drawn> = run.iter().copied().chain(stood).collect();
        let (found, _) = learnt(&run, &drawn, &scene(), Freedom::DwellingAtEnd);
        assert!((found.pace.end - 1.0 / 3.0).abs() < 0.03, "{found:?}");
        assert_eq!(found.pace.start, 0.0);
        assert!((found.stretch.0 * 0.95 - 1.0).abs() < 0.02, "{found:?}");
    }

    /// Frames of some fifty stars: single ones scatter by a tenth to a fifth.
    #[test]
    fn the_noise_of_the_light_is_found_on_average() {
        const FRAMES: u64 = 12;
        for (fwhm, trail, ratio, freedom) in [
            (1.6, (0.0, 0.0), 60.0, Freedom::Profile),
            (2.5, (0.0, 0.0), 100.0, Freedom::Profile),
            (2.5, (7.0, -5.0), 100.0, Freedom::Length),
        ] {
            let share = |seed: u64| {
                let scene = Scene {
                    width: 300,
                    height: 300,
                    ..Scene::clear(fwhm, seed)
                };
                let flux = flux_for(&scene, trail, ratio);
                let stars = grid(&scene, 34.0, trail, flux, 2.0 * flux);
                learnt(&stars, &stars, &scene, freedom).1 / scene.gain()
            };
            let mean = (0..FRAMES).map(share).sum::<f64>() / FRAMES as f64;
            assert!((0.88..1.08).contains(&mean), "{fwhm} {trail:?}: {mean}");
        }
    }
}
