//! Values of the parts with their uncertainties, and what cannot be told apart.

use super::{Fitted, Prior};
use nalgebra::DMatrix;

/// A part as a fit knows it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Part {
    /// Value over nominal.
    pub ratio: f64,
    /// Standard uncertainty of its logarithm.
    pub u: f64,
    /// Share of the tolerance that the measurement took away: 0: it says nothing of the part; near 1: it knows the part well.
    pub informed: f64,
}

/// What is known of two parts together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Known {
    /// Their product.
    Product,
    /// Their ratio.
    Ratio,
}

/// Two parts that the measurement does not tell apart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Inseparable {
    /// Places of both parts.
    pub parts: [usize; 2],
    /// What of them is known.
    pub known: Known,
    /// Standard uncertainty of that, relative.
    pub u: f64,
}

/// Correlation from which on two parts are one for the measurement: less than a fifth of the variance of one is its own.
const ONE: f64 = 0.9;

/// Values of the parts and pairs that cannot be told apart.
#[must_use]
pub fn estimates(fitted: &Fitted, prior: &Prior) -> Option<(Vec<Part>, Vec<Inseparable>)> {
    let (top, covariance) = fitted.posterior().peak()?;
    let scales = prior.parts();
    let sd = |i: usize| covariance.get((i, i)).copied().unwrap_or(0.0).max(0.0).sqrt();
    let part = |(i, (scale, x)): (usize, (&f64, &f64))| Part {
        ratio: (scale * x).exp(),
        u: scale * sd(i),
        informed: (1.0 - sd(i)).clamp(0.0, 1.0),
    };
    let parts: Vec<Part> = scales.iter().zip(top.iter()).enumerate().map(part).collect();
    let pairs = (0..parts.len()).flat_map(|i| (0..i).map(move |j| [j, i]));
    let apart = pairs.filter_map(|pair| inseparable(pair, &covariance, scales)).collect();
    Some((parts, apart))
}

fn inseparable([i, j]: [usize; 2], covariance: &DMatrix<f64>, scales: &[f64]) -> Option<Inseparable> {
    let entry = |a: usize, b: usize| Some(covariance.get((a, b))? * scales.get(a)? * scales.get(b)?);
    let (own, other, both) = (entry(i, i)?, entry(j, j)?, entry(i, j)?);
    let correlation = both / (own * other).sqrt();
    let known = if correlation < 0.0 { Known::Product } else { Known::Ratio };
    let sign = if correlation < 0.0 { 2.0 } else { -2.0 };
    let u = (own + other + sign * both).max(0.0).sqrt();
    (correlation.abs() > ONE).then_some(Inseparable { parts: [i, j], known, u })
}
