//! The functions of time that a record is fitted with: the sine of the frequency, and beside it an offset, a drift and harmonics.

use num_complex::Complex64;
use std::f64::consts::TAU;

/// Highest harmonic that is fitted.
const HIGHEST: usize = 5;
/// Part of the sampling rate that a fitted harmonic lies below: at a half of it sine and cosine cannot be told apart.
const CARRIED: f64 = 0.45;
/// Samples for each function, at least.
const PER_FUNCTION: usize = 4;
/// Part of a function that must be left beside those before it.
const LEFT: f64 = 1e-6;

/// The functions at the times of a record.
#[derive(Debug, Clone)]
pub(super) struct Basis {
    /// Offset, drift, then sine and cosine of each harmonic; of length 1, each at right angles to those before.
    others: Vec<Vec<f64>>,
    /// Cosine and sine of the frequency, free of the others.
    own: [Vec<f64>; 2],
    /// Weight of each sample in the coefficients of cosine and sine.
    weights: [Vec<f64>; 2],
    /// As they are, for the step of the frequency.
    plain: [Vec<f64>; 2],
}

/// One side by a basis.
#[derive(Debug, Clone)]
pub(super) struct Side {
    /// Complex amplitude A: the side is the real part of A exp(j w t).
    pub amplitude: Complex64,
    /// What the fit leaves of each sample.
    pub residuals: Vec<f64>,
    /// Variance of a sample's noise.
    pub variance: f64,
    /// Amplitude of all harmonics together.
    pub harmonics: f64,
    /// The same that noise alone makes, root of the mean square.
    pub harmonics_of_noise: f64,
}

pub(super) fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// Adds `factor` times `of` to `to`.
fn add(to: &mut [f64], factor: f64, of: &[f64]) {
    to.iter_mut().zip(of).for_each(|(to, of)| *to += factor * of);
}

/// Harmonics fitted beside the frequency where so many samples fall on a period.
fn harmonics(per_period: f64, samples: usize) -> usize {
    let carried = (CARRIED * per_period) as usize;
    let affordable = (samples / PER_FUNCTION).saturating_sub(4) / 2;
    carried.min(HIGHEST).saturating_sub(1).min(affordable)
}

impl Basis {
    /// The functions at `time`, counted from the middle of the record, s; `None` where they cannot be told apart.
    pub fn new(time: &[f64], hz: f64, per_period: f64) -> Option<Self> {
        let angle = |t: &f64| (TAU * hz * t).sin_cos();
        let (sine, cosine): (Vec<f64>, Vec<f64>) = time.iter().map(angle).unzip();
        let mut others: Vec<Vec<f64>> = Vec::new();
        keep(vec![1.0; time.len()], &mut others);
        keep(time.to_vec(), &mut others);
        // cos kx = 2 cos x cos (k - 1)x - cos (k - 2)x, and so for the sine.
        let mut before = [vec![1.0; time.len()], vec![0.0; time.len()]];
        let mut last = [cosine.clone(), sine.clone()];
        for _ in 0..harmonics(per_period, time.len()) {
            let next = |last: &[f64], before: &[f64]| -> Vec<f64> {
                last.iter().zip(before).zip(&cosine).map(|((l, b), c)| 2.0 * c * l - b).collect()
            };
            let [c, s] = &last;
            let [c_before, s_before] = &before;
            let two = [next(c, c_before), next(s, s_before)];
            two.iter().for_each(|column| keep(column.clone(), &mut others));
            before = std::mem::replace(&mut last, two);
        }
        let free = |column: &Vec<f64>| {
            let mut column = column.clone();
            release(&mut column, &others);
            column
        };
        let own = [free(&cosine), free(&sine)];
        let [c, s] = &own;
        let (cc, cs, ss) = (dot(c, c), dot(c, s), dot(s, s));
        let det = cc * ss - cs * cs;
        if det <= LEFT * (time.len() as f64).powi(2) {
            return None;
        }
        let weights = [
            c.iter().zip(s).map(|(c, s)| (ss * c - cs * s) / det).collect(),
            c.iter().zip(s).map(|(c, s)| (cc * s - cs * c) / det).collect(),
        ];
        Some(Self { others, own, weights, plain: [cosine, sine] })
    }

    /// Parameters of the fit of a side.
    pub fn parameters(&self) -> usize {
        self.others.len() + self.own.len()
    }

    /// What the fit leaves.
    fn left(&self, values: &[f64]) -> Vec<f64> {
        let mut left = values.to_vec();
        release(&mut left, &self.others);
        // Free of the others, so the order does not matter.
        let parts = self.weights.each_ref().map(|weights| dot(weights, &left));
        for (part, own) in parts.iter().zip(&self.own) {
            add(&mut left, -part, own);
        }
        left
    }

    /// Fits a side.
    pub fn fit(&self, values: &[f64]) -> Side {
        let [a, b] = self.weights.each_ref().map(|weights| dot(weights, values));
        let residuals = self.left(values);
        let freedom = values.len().saturating_sub(self.parameters()).max(1) as f64;
        let variance = dot(&residuals, &residuals) / freedom;
        let mut without = values.to_vec();
        for (part, plain) in [a, b].iter().zip(&self.plain) {
            add(&mut without, -part, plain);
        }
        let of_harmonics = self.others.get(2..).unwrap_or_default();
        let squares: f64 = of_harmonics.iter().map(|function| dot(function, &without).powi(2)).sum();
        let amplitude = |squares: f64| (2.0 * squares / values.len() as f64).sqrt();
        Side {
            amplitude: Complex64::new(a, -b),
            harmonics: amplitude(squares),
            harmonics_of_noise: amplitude(variance * of_harmonics.len() as f64),
            residuals,
            variance,
        }
    }

    /// What a small rise of the angular frequency does to a side, free of what the other parameters can do.
    pub fn slope(&self, time: &[f64], amplitude: Complex64) -> Vec<f64> {
        let [cosine, sine] = &self.plain;
        let (a, b) = (amplitude.re, -amplitude.im);
        let columns = time.iter().zip(cosine).zip(sine);
        self.left(&columns.map(|((t, c), s)| t * (b * c - a * s)).collect::<Vec<f64>>())
    }

    /// For each sample its complex weight in an amplitude, and the part of its variance that the fit takes away.
    pub fn samples(&self) -> Vec<(Complex64, f64)> {
        let [of_cosine, of_sine] = &self.weights;
        let [cosine, sine] = &self.own;
        let own = of_cosine.iter().zip(of_sine).zip(cosine.iter().zip(sine));
        let mut samples: Vec<(Complex64, f64)> =
            own.map(|((wc, ws), (c, s))| (Complex64::new(*wc, -ws), wc * c + ws * s)).collect();
        for function in &self.others {
            samples.iter_mut().zip(function).for_each(|(sample, value)| sample.1 += value * value);
        }
        samples
    }
}

/// Takes out of a column what the functions can do; twice, as the first time leaves roundings.
fn release(column: &mut [f64], functions: &[Vec<f64>]) {
    for _ in 0..2 {
        for function in functions {
            let part = dot(column, function);
            add(column, -part, function);
        }
    }
}

/// Adds a function to those before it, unless nothing is left of it beside them.
fn keep(mut column: Vec<f64>, functions: &mut Vec<Vec<f64>>) {
    let whole = dot(&column, &column);
    release(&mut column, functions);
    let left = dot(&column, &column);
    if left > LEFT * whole {
        let scale = left.sqrt().recip();
        column.iter_mut().for_each(|value| *value *= scale);
        functions.push(column);
    }
}
