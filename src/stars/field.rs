//! Smooth fields over the frame: trail vectors whose sign is free, fitted robustly.

use nalgebra::{DMatrix, DVector};

use crate::units::{PixelPoint, PixelTensor, PixelVector};

/// A trail vector measured somewhere.
#[derive(Debug, Clone, Copy)]
pub(super) struct VectorSample {
    pub(super) place: PixelPoint,
    pub(super) vector: PixelVector,
    /// Covariance of the vector, square pixels.
    pub(super) covariance: PixelTensor,
}

/// Trail vectors over the frame as a polynomial about its centre.
#[derive(Debug, Clone)]
pub(super) struct VectorField {
    center: PixelPoint,
    /// Half diagonal of the frame, the unit of the polynomial's coordinates.
    scale: f64,
    dx: Vec<f64>,
    dy: Vec<f64>,
    /// Covariance of the vector at the centre.
    pub(super) covariance: PixelTensor,
    /// Scatter of the samples beyond their own errors, pixels a component.
    pub(super) scatter: f64,
    /// Samples that it rests on.
    pub(super) n_samples: usize,
}

/// Terms of a polynomial of degree 0, 1, 2 in two coordinates.
const TERMS: [usize; 3] = [1, 3, 6];

impl VectorField {
    /// The same vector everywhere.
    pub(super) fn uniform(center: PixelPoint, vector: PixelVector) -> Self {
        Self {
            center,
            scale: 1.0,
            dx: vec![vector.dx],
            dy: vec![vector.dy],
            covariance: PixelTensor::default(),
            scatter: 0.0,
            n_samples: 0,
        }
    }

    /// The trail vector at a place.
    pub(super) fn at(&self, place: PixelPoint) -> PixelVector {
        let terms = polynomial(self.center, self.scale, place);
        let sum = |c: &[f64]| c.iter().zip(terms).map(|(c, t)| c * t).sum();
        PixelVector::new(sum(&self.dx), sum(&self.dy))
    }

    /// The same field with errors along and across the trail (pixels) that all samples share added to the covariance.
    pub(super) fn with_common_error(mut self, along: f64, across: f64) -> Self {
        let v = self.at(self.center);
        let length = v.length().px().max(f64::MIN_POSITIVE);
        let (c, s) = (v.dx / length, v.dy / length);
        let (a, b) = (along * along, across * across);
        let old = self.covariance;
        self.covariance = PixelTensor::new(
            old.xx + c * c * a + s * s * b,
            old.xy + c * s * (a - b),
            old.yy + s * s * a + c * c * b,
        );
        self
    }

    /// Robust fit to samples, whose signs follow the field `guide`.
    ///
    /// Method: signs from the guide; weights from the covariances and a common scatter found from the
    /// residuals; Tukey's biweight against strays. The degree grows with the number of samples.
    pub(super) fn fit(
        samples: &[VectorSample],
        guide: &VectorField,
        center: PixelPoint,
        scale: f64,
    ) -> Option<Self> {
        let degree = match samples.len() {
            0..3 => return None,
            3..8 => 0,
            8..40 => 1,
            _ => 2,
        };
        let aligned: Vec<VectorSample> = samples
            .iter()
            .map(|s| aligned(s, guide.at(s.place)))
            .collect();
        let rows = DMatrix::from_fn(samples.len(), TERMS[degree], |i, k| {
            polynomial(center, scale, samples[i].place)[k]
        });
        let x = fit_component(&rows, &aligned, |s| (s.vector.dx, s.covariance.xx))?;
        let y = fit_component(&rows, &aligned, |s| (s.vector.dy, s.covariance.yy))?;
        Some(Self {
            center,
            scale,
            covariance: PixelTensor::new(x.variance, 0.0, y.variance),
            scatter: (0.5 * (x.scatter.powi(2) + y.scatter.powi(2))).sqrt(),
            n_samples: x.used.min(y.used),
            dx: x.coefficients,
            dy: y.coefficients,
        })
    }
}

fn polynomial(center: PixelPoint, scale: f64, place: PixelPoint) -> [f64; 6] {
    let (x, y) = ((place.x - center.x) / scale, (place.y - center.y) / scale);
    [1.0, x, y, x * x, x * y, y * y]
}

/// The sample with the sign of `with`, and its errors along and across itself laid along and across
/// `with`: errors that turned with each sample's own direction would weigh the directions unevenly.
fn aligned(sample: &VectorSample, with: PixelVector) -> VectorSample {
    let dot = sample.vector.dx * with.dx + sample.vector.dy * with.dy;
    let (along, across) = principal_variances(sample.covariance, sample.vector);
    let length = with.length().px();
    let (c, s) = if length > 0.0 {
        (with.dx / length, with.dy / length)
    } else {
        (1.0, 0.0)
    };
    VectorSample {
        vector: if dot < 0.0 {
            -sample.vector
        } else {
            sample.vector
        },
        covariance: PixelTensor::new(
            c * c * along + s * s * across,
            c * s * (along - across),
            s * s * along + c * c * across,
        ),
        ..*sample
    }
}

/// Variances along and across a vector.
pub(super) fn principal_variances(t: PixelTensor, vector: PixelVector) -> (f64, f64) {
    let length = vector.length().px();
    let (c, s) = if length > 0.0 {
        (vector.dx / length, vector.dy / length)
    } else {
        (1.0, 0.0)
    };
    (
        c * c * t.xx + 2.0 * c * s * t.xy + s * s * t.yy,
        s * s * t.xx - 2.0 * c * s * t.xy + c * c * t.yy,
    )
}

struct ComponentFit {
    coefficients: Vec<f64>,
    variance: f64,
    scatter: f64,
    used: usize,
}

/// Iteratively weighted least squares of one component; the variance is that of the constant term.
fn fit_component(
    rows: &DMatrix<f64>,
    samples: &[VectorSample],
    of: impl Fn(&VectorSample) -> (f64, f64),
) -> Option<ComponentFit> {
    const ROUNDS: usize = 12;
    const TUKEY: f64 = 5.0;
    let values = DVector::from_iterator(samples.len(), samples.iter().map(|s| of(s).0));
    let variances: Vec<f64> = samples.iter().map(|s| of(s).1.max(1e-8)).collect();
    let mut solution = DVector::zeros(rows.ncols());
    solution[0] = median(values.iter().copied());
    let mut scatter = 0.0;
    let mut inverse = DMatrix::zeros(rows.ncols(), rows.ncols());
    let mut used = 0;
    for _ in 0..ROUNDS {
        let residuals = &values - rows * &solution;
        scatter = excess_scatter(&residuals, &variances);
        let weight = |i: usize| {
            let variance = variances[i] + scatter * scatter;
            let t = residuals[i] / (TUKEY * variance.sqrt());
            if t.abs() < 1.0 {
                (1.0 - t * t).powi(2) / variance
            } else {
                0.0
            }
        };
        let weights = DVector::from_fn(samples.len(), |i, _| weight(i));
        used = weights.iter().filter(|w| **w > 0.0).count();
        let weighted =
            DMatrix::from_fn(rows.nrows(), rows.ncols(), |i, k| rows[(i, k)] * weights[i]);
        inverse = (weighted.transpose() * rows).try_inverse()?;
        solution = &inverse * (weighted.transpose() * &values);
    }
    (used > rows.ncols()).then(|| ComponentFit {
        variance: inverse[(0, 0)],
        coefficients: solution.iter().copied().collect(),
        scatter,
        used,
    })
}

/// Scatter that must be added to the errors so that the residuals have unit spread (median-based).
fn excess_scatter(residuals: &DVector<f64>, variances: &[f64]) -> f64 {
    let spread = |added: f64| {
        let pulls = residuals
            .iter()
            .zip(variances)
            .map(|(r, v)| (r * r / (v + added * added)).sqrt());
        1.4826 * median(pulls)
    };
    if spread(0.0) <= 1.0 {
        return 0.0;
    }
    let (mut low, mut high) = (0.0, residuals.amax());
    for _ in 0..40 {
        let middle = 0.5 * (low + high);
        if spread(middle) > 1.0 {
            low = middle
        } else {
            high = middle
        }
    }
    high
}

pub(super) fn median(values: impl Iterator<Item = f64>) -> f64 {
    let mut values: Vec<f64> = values.collect();
    if values.is_empty() {
        return 0.0;
    }
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f64::total_cmp).1
}

#[cfg(test)]
mod tests {
    use super::*;

    const CENTER: PixelPoint = PixelPoint::new(500.0, 400.0);

    /// Vectors of a turning field with alternating signs, and every fifth one wild.
    fn samples() -> Vec<VectorSample> {
        (0..60)
            .map(|i| {
                let place = PixelPoint::new((i * 389 % 1000) as f64, (i * 241 % 800) as f64);
                let true_one = truth(place);
                let vector = match i % 5 {
                    0 => PixelVector::new(-true_one.dy, 3.0 * true_one.dx),
                    1 | 2 => -true_one,
                    _ => true_one,
                };
                VectorSample {
                    place,
                    vector,
                    covariance: PixelTensor::new(0.01, 0.0, 0.01),
                }
            })
            .collect()
    }

    fn truth(place: PixelPoint) -> PixelVector {
        PixelVector::new(
            4.0 + 0.004 * (place.y - CENTER.y),
            7.0 - 0.004 * (place.x - CENTER.x),
        )
    }

    #[test]
    fn signs_and_strays_do_not_matter() {
        let guide = VectorField::uniform(CENTER, PixelVector::new(4.0, 7.0));
        let field = VectorField::fit(&samples(), &guide, CENTER, 640.0).expect("many samples");
        for place in [
            CENTER,
            PixelPoint::new(0.0, 0.0),
            PixelPoint::new(900.0, 100.0),
        ] {
            let (found, wanted) = (field.at(place), truth(place));
            assert!(
                (found.dx - wanted.dx).hypot(found.dy - wanted.dy) < 0.02,
                "{found:?} {wanted:?}"
            );
        }
    }

    #[test]
    fn too_few_samples_give_no_field() {
        let guide = VectorField::uniform(CENTER, PixelVector::new(4.0, 7.0));
        assert!(VectorField::fit(&samples()[..2], &guide, CENTER, 640.0).is_none());
    }

    #[test]
    fn common_errors_lie_along_and_across() {
        let field =
            VectorField::uniform(CENTER, PixelVector::new(3.0, 4.0)).with_common_error(0.5, 0.1);
        let (along, across) = principal_variances(field.covariance, PixelVector::new(3.0, 4.0));
        assert!((along - 0.25).abs() < 1e-12 && (across - 0.01).abs() < 1e-12);
    }
}
