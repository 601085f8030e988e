//! One lens and the trails of its frames, fitted to the elongation patterns of exposures of different length.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn, Matrix2, Vector2};

use super::exposed::{CENTER, GROWING, Known, PATTERN, Shape, Trail};

/// Patterns off the centre, and growing trails, are no larger than this share of a star's second moment.
const ANY: f64 = 30.0;
/// Turn of the field during the longest exposure, 1-sigma, pixels at half the diagonal (own choice).
const TURN_PX: f64 = 5.0;
/// Least change of trails from frame to frame, share of a star's second moment.
const STIR: f64 = 0.002;

/// Frames of one lens.
pub(super) struct LensFrames {
    pub(super) shapes: Vec<Shape>,
    /// Their stands are numbered from 0.
    pub(super) n_stands: usize,
    /// Usual second moment of a star, square pixels.
    pub(super) width: f64,
    /// Largest elongation that a trail makes in the longest exposures, about, square pixels.
    pub(super) largest: f64,
}

impl LensFrames {
    /// The fit for trails that differ from one another, and a lens that leaves stars out of round at the
    /// centre, by these shares: the likeliest of those that begin with no turn and with one either way.
    pub(super) fn fit(&self, unlike: f64, left: f64) -> Option<Way> {
        let fits = [0.0, 1.0, -1.0].map(|turn| self.fit_about(turn, unlike, left));
        let fits = fits.into_iter().flatten();
        fits.max_by(|a, b| a.evidence.total_cmp(&b.evidence))
    }

    fn fit_about(&self, turn: f64, unlike: f64, left: f64) -> Option<Way> {
        const ROUNDS: usize = 6;
        let mut near = vec![Trail::of([0.0; 2], turn); self.n_stands];
        for shape in &self.shapes {
            let own = Trail::of(shape.grown(), turn);
            if own.size() > near[shape.stand].size() {
                near[shape.stand] = own;
            }
        }
        // The size of a trail says how much its frames may differ, and is known by the fit.
        let mut way = self.solve(&near, unlike, left)?;
        for _ in 1..ROUNDS {
            for (stand, trail) in near.iter_mut().enumerate() {
                let from = PATTERN + GROWING * stand;
                *trail = Trail::of([way.mean[from], way.mean[from + 1]], way.mean[from + 2]);
            }
            way = self.solve(&near, unlike, left)?;
        }
        Some(way)
    }

    fn solve(&self, near: &[Trail], unlike: f64, left: f64) -> Option<Way> {
        let n = PATTERN + GROWING * self.n_stands;
        let prior = DVector::from_fn(n, |k, _| {
            let is_turn = k >= PATTERN && (k - PATTERN) % GROWING == CENTER;
            let sigma = match k {
                _ if is_turn => TURN_PX,
                0..CENTER => left * self.width,
                CENTER..PATTERN => ANY * self.width,
                _ => (ANY * self.width).max(2.0 * self.largest),
            };
            sigma.powi(-2)
        });
        let mut normal = DMatrix::from_diagonal(&prior);
        let mut right = DVector::zeros(n);
        let mut evidence = 0.5 * prior.iter().map(|p| p.ln()).sum::<f64>();
        let mut witnesses = Vec::with_capacity(self.shapes.len());
        for shape in &self.shapes {
            let size = near[shape.stand].size().hypot(STIR * self.width);
            let stirred = (unlike * shape.growth * size).powi(2);
            let witness = Witness::of(shape, near, stirred)?;
            let weighed = witness.noise.solve(&witness.design);
            normal += witness.design.transpose() * &weighed;
            right += weighed.transpose() * &witness.values;
            evidence += witness.evidence();
            witnesses.push(witness);
        }
        let factor = normal.cholesky()?;
        let mean = factor.solve(&right);
        evidence += 0.5 * right.dot(&mean) - half_log(&factor);
        let covariance = factor.inverse();
        let misfit: f64 = witnesses.iter().map(|one| one.misfit(&mean)).sum();
        let rows: usize = witnesses.iter().map(|one| one.values.len()).sum();
        let misfit = misfit / rows.saturating_sub(n).max(1) as f64;
        let at_center = witnesses.iter().map(|one| one.misfit_of_center(&mean));
        let trails = witnesses.iter().map(|one| one.trail(&mean, &covariance));
        let mut way = Way {
            evidence,
            misfit,
            worst_center: at_center.fold(0.0, f64::max),
            trails: trails.collect(),
            mean,
            covariance,
        };
        way.widen();
        Some(way)
    }
}

type Factor = Cholesky<f64, Dyn>;

/// Half the logarithm of a determinant.
fn half_log(factor: &Factor) -> f64 {
    factor.l_dirty().diagonal().iter().map(|l| l.ln()).sum()
}

/// A frame's rows of the fit.
struct Witness<'a> {
    shape: &'a Shape,
    values: DVector<f64>,
    design: DMatrix<f64>,
    /// Of the covariance of its values, what stirs its trail included.
    noise: Factor,
    /// Inverse of its part at the centre.
    center: Matrix2<f64>,
    /// Variance of its trail about the growing one, square pixels squared.
    stirred: f64,
}

impl<'a> Witness<'a> {
    fn of(shape: &'a Shape, near: &[Trail], stirred: f64) -> Option<Self> {
        let mut noise = shape.pattern.covariance.clone();
        for k in 0..CENTER {
            noise[(k, k)] += stirred;
        }
        let center = noise.fixed_view::<CENTER, CENTER>(0, 0).try_inverse()?;
        Some(Self {
            shape,
            center,
            values: shape.straight(near),
            design: shape.design(near),
            noise: noise.cholesky()?,
            stirred,
        })
    }

    fn evidence(&self) -> f64 {
        -0.5 * self.values.dot(&self.noise.solve(&self.values)) - half_log(&self.noise)
    }

    fn off(&self, mean: &DVector<f64>) -> DVector<f64> {
        &self.values - &self.design * mean
    }

    fn misfit(&self, mean: &DVector<f64>) -> f64 {
        let off = self.off(mean);
        off.dot(&self.noise.solve(&off))
    }

    fn misfit_of_center(&self, mean: &DVector<f64>) -> f64 {
        let off = self.off(mean);
        let off = Vector2::new(off[0], off[1]);
        off.dot(&(self.center * off)) / CENTER as f64
    }

    /// Its trail as an elongation at the centre: its share of the growing one, and what it shows beyond.
    fn trail(&self, mean: &DVector<f64>, covariance: &DMatrix<f64>) -> Known {
        let gain = self.noise.inverse().rows(0, CENTER) * self.stirred;
        let from = PATTERN + GROWING * self.shape.stand;
        let grows = DMatrix::from_fn(CENTER, mean.len(), |row, column| {
            self.shape.growth * f64::from(column == from + row)
        });
        let trail = &grows * mean + &gain * self.off(mean);
        let slope = grows - &gain * &self.design;
        let own = DMatrix::identity(CENTER, CENTER) - gain.columns(0, CENTER);
        let known = &slope * covariance * slope.transpose() + own * self.stirred;
        (
            Vector2::new(trail[0], trail[1]),
            known.fixed_view::<2, 2>(0, 0).into_owned(),
        )
    }
}

/// One fit.
pub(super) struct Way {
    /// Logarithm of the frames' probability, but for a constant that all fits share.
    pub(super) evidence: f64,
    /// Reduced chi-square, and the largest chi-square of a frame's centre, each number's share.
    pub(super) misfit: f64,
    pub(super) worst_center: f64,
    /// The lens's pattern, then each stand's trail in the longest exposure.
    mean: DVector<f64>,
    covariance: DMatrix<f64>,
    /// Trail of each frame as an elongation at the centre, with its covariance.
    pub(super) trails: Vec<Known>,
}

impl Way {
    /// Frames that agree worse than their errors allow know less than they say.
    fn widen(&mut self) {
        let factor = self.misfit.max(1.0);
        self.covariance *= factor;
        for trail in &mut self.trails {
            trail.1 *= factor;
        }
    }

    pub(super) fn at_center(&self) -> Known {
        let mean = Vector2::new(self.mean[0], self.mean[1]);
        (mean, self.covariance.fixed_view::<2, 2>(0, 0).into_owned())
    }

    /// The radial pattern at half the diagonal, as the first of two numbers.
    pub(super) fn corner(&self) -> Known {
        let (square, fourth) = (PATTERN - 2, PATTERN - 1);
        let c = &self.covariance;
        let variance = c[(square, square)] + 2.0 * c[(square, fourth)] + c[(fourth, fourth)];
        (
            Vector2::new(self.mean[square] + self.mean[fourth], 0.0),
            Matrix2::new(variance, 0.0, 0.0, 0.0),
        )
    }
}
