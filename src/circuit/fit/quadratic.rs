//! What data say of unknowns, as the logarithm of their likelihood: a quadratic.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};
use std::f64::consts::TAU;

/// A quadratic, constant + pull x - x precision x / 2.
#[derive(Debug, Clone, PartialEq)]
pub struct Quadratic {
    /// The matrix: symmetrical, no negative eigenvalues.
    pub precision: DMatrix<f64>,
    /// The vector.
    pub pull: DVector<f64>,
    /// The value at zero.
    pub constant: f64,
}

impl Quadratic {
    /// One that says nothing of `n` unknowns.
    #[must_use]
    pub fn nothing(n: usize) -> Self {
        Self { precision: DMatrix::zeros(n, n), pull: DVector::zeros(n), constant: 0.0 }
    }

    /// Number of unknowns.
    #[must_use]
    pub fn len(&self) -> usize {
        self.pull.len()
    }

    /// Whether there are no unknowns.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// The same, and what another says of the same unknowns.
    pub fn add(&mut self, other: &Self) {
        self.precision += &other.precision;
        self.pull += &other.pull;
        self.constant += other.constant;
    }

    /// The same, and that an unknown is normal about zero with a standard deviation; normalised, so that evidence can be compared.
    pub fn hold(&mut self, unknown: usize, sd: f64) {
        let precision = 1.0 / (sd * sd);
        if let Some(own) = self.precision.get_mut((unknown, unknown)) {
            *own += precision;
            self.constant += 0.5 * (precision / TAU).ln();
        }
    }

    /// Told from a step to the whole: the unknowns were steps from `origin`, now they are counted from zero.
    #[must_use]
    pub fn from_origin(mut self, origin: &DVector<f64>) -> Self {
        let shift = &self.precision * origin;
        self.constant -= self.pull.dot(origin) + 0.5 * origin.dot(&shift);
        self.pull += shift;
        self
    }

    /// What it says of others that the unknowns are made of: x = map y.
    #[must_use]
    pub fn through(&self, map: &DMatrix<f64>) -> Self {
        let turned = map.transpose();
        Self {
            precision: &turned * &self.precision * map,
            pull: turned * &self.pull,
            constant: self.constant,
        }
    }

    fn factor(&self) -> Option<Cholesky<f64, Dyn>> {
        self.precision.clone().cholesky()
    }

    /// The most probable unknowns and their covariance; `None` where the data leave some open.
    #[must_use]
    pub fn peak(&self) -> Option<(DVector<f64>, DMatrix<f64>)> {
        let factor = self.factor()?;
        Some((factor.solve(&self.pull), factor.inverse()))
    }

    /// The most probable unknowns.
    #[must_use]
    pub fn top(&self) -> Option<DVector<f64>> {
        Some(self.factor()?.solve(&self.pull))
    }

    /// Value at a point.
    #[must_use]
    pub fn value(&self, at: &DVector<f64>) -> f64 {
        self.constant + self.pull.dot(at) - 0.5 * at.dot(&(&self.precision * at))
    }

    /// Logarithm of the integral of its exponential over all unknowns; `None` where that is infinite.
    #[must_use]
    pub fn evidence(&self) -> Option<f64> {
        let factor = self.factor()?;
        let top = factor.solve(&self.pull);
        let ln_det = 2.0 * factor.l_dirty().diagonal().iter().map(|d| d.ln()).sum::<f64>();
        Some(self.constant + 0.5 * self.pull.dot(&top) - 0.5 * ln_det + 0.5 * self.len() as f64 * TAU.ln())
    }

    /// What is said of the first `keep` unknowns whatever the others are: those are integrated out. `None` where they are left open.
    #[must_use]
    pub fn of_first(&self, keep: usize) -> Option<Self> {
        let rest = self.len().checked_sub(keep)?;
        if rest == 0 {
            return Some(self.clone());
        }
        let inner = self.precision.view((keep, keep), (rest, rest)).into_owned();
        let beside = self.precision.view((keep, 0), (rest, keep)).into_owned();
        let pull = self.pull.rows(keep, rest).into_owned();
        let factor = inner.cholesky()?;
        let (solved, top) = (factor.solve(&beside), factor.solve(&pull));
        let ln_det = 2.0 * factor.l_dirty().diagonal().iter().map(|d| d.ln()).sum::<f64>();
        let turned = beside.transpose();
        Some(Self {
            precision: self.precision.view((0, 0), (keep, keep)) - &turned * solved,
            pull: self.pull.rows(0, keep) - turned * &top,
            constant: self.constant + 0.5 * pull.dot(&top) - 0.5 * ln_det + 0.5 * rest as f64 * TAU.ln(),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx_eq as near;

    fn approx_eq(a: f64, b: f64) {
        assert!((a - b).abs() < 1e-10 * (1.0 + a.abs()), "{a} {b}");
    }

    fn some() -> Quadratic {
        let half = DMatrix::from_row_slice(3, 3, &[1.0, 0.3, -0.2, 0.1, 2.0, 0.4, 0.5, -0.6, 0.7]);
        Quadratic {
            precision: &half * half.transpose(),
            pull: DVector::from_row_slice(&[0.3, -1.0, 2.0]),
            constant: 0.7,
        }
    }

    /// What is left after the others were integrated out has the same peak, and integrates to the same.
    #[test]
    fn integrating_in_two_steps_is_integrating_at_once() {
        let (whole, part) = (some(), some().of_first(1).unwrap());
        near(whole.evidence().unwrap(), part.evidence().unwrap());
        let ((top, covariance), (own, variance)) = (whole.peak().unwrap(), part.peak().unwrap());
        near(top[0], own[0]);
        near(covariance[(0, 0)], variance[(0, 0)]);
    }

    #[test]
    fn a_prior_of_its_own_integrates_to_one() {
        let mut prior = Quadratic::nothing(2);
        prior.hold(0, 0.3);
        prior.hold(1, 40.0);
        near(prior.evidence().unwrap(), 0.0);
        assert_eq!(Quadratic::nothing(1).evidence(), None);
    }

    #[test]
    fn steps_and_wholes_say_the_same() {
        let origin = DVector::from_row_slice(&[0.4, 0.2, -3.0]);
        let at = DVector::from_row_slice(&[1.0, 2.0, 3.0]);
        near(some().value(&(&at - &origin)), some().from_origin(&origin).value(&at));
    }
}
