//! The sine fits of a record, and the uncertainty of the ratio of its sides.

use super::basis::{Basis, Side, dot};
use super::record::Record;
use num_complex::Complex64;
use std::f64::consts::TAU;

/// The loop gain that a record shows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::sweep) struct Fitted {
    /// Output over input.
    pub loop_gain: Complex64,
    /// Standard uncertainties of ln of its magnitude, neper, and of its phase, rad.
    pub uncertainty: [f64; 2],
    /// Frequency of the fit, Hz: the declared one where three parameters were enough.
    pub hz: f64,
}

/// Rounds of refining.
const ROUNDS: usize = 20;
/// Change of the phase at the ends of the record, rad, from which on a step is none.
const STILL: f64 = 1e-9;
/// Largest change of the frequency in cycles over the record: beyond, the sum of squares leads to another valley.
const FARTHEST: f64 = 0.75;
/// Noise, as a part of the amplitude, below which it is rounding of the arithmetic.
const ROUNDING: f64 = 1e-13;

/// A fit at one frequency.
#[derive(Debug, Clone)]
pub(super) struct Fit {
    pub hz: f64,
    pub basis: Basis,
    pub sides: [Side; 2],
}

impl Fit {
    /// Both sides at a frequency; `per_period` samples fall on a period.
    pub fn at(record: &Record, time: &[f64], hz: f64, per_period: f64) -> Option<Self> {
        let basis = Basis::new(time, hz, per_period)?;
        let sides = [&record.input, &record.output].map(|side| basis.fit(side));
        Some(Self { hz, basis, sides })
    }

    /// Standard uncertainty of the amplitude of each side, root of the mean over its two parts.
    pub fn amplitude_uncertainties(&self) -> [f64; 2] {
        let samples = self.basis.samples();
        self.sides.each_ref().map(|side| {
            let of_sample = |((w, h), r): (&(Complex64, f64), &f64)| w.norm_sqr() * r * r / left(*h);
            (0.5 * samples.iter().zip(&side.residuals).map(of_sample).sum::<f64>()).sqrt()
        })
    }

    /// Output over input, with what the noise of both does to it.
    pub fn ratio(&self) -> Fitted {
        let [input, output] = &self.sides;
        let (mut gain, mut phase) = (0.0, 0.0);
        for (((w, h), a), b) in self.basis.samples().iter().zip(&input.residuals).zip(&output.residuals) {
            let error = w * (*b / output.amplitude - *a / input.amplitude);
            gain += error.re * error.re / left(*h);
            phase += error.im * error.im / left(*h);
        }
        let loop_gain = output.amplitude / input.amplitude;
        Fitted { loop_gain, uncertainty: [gain.sqrt(), phase.sqrt()], hz: self.hz }
    }
}

/// The part of its variance that a fit leaves of a sample with so much leverage.
fn left(leverage: f64) -> f64 {
    (1.0 - leverage).max(0.1)
}

/// The fit with four parameters from one with three, and the standard uncertainty of its frequency, Hz; `None` where it leads nowhere.
pub(super) fn refined(record: &Record, time: &[f64], known: &Fit, per_period: f64) -> Option<(Fit, f64)> {
    let half = time.iter().fold(0.0, |most: f64, t| most.max(t.abs()));
    let mut fit = known.clone();
    for _ in 0..ROUNDS {
        let (mut pull, mut stiffness) = (0.0, 0.0);
        for side in &fit.sides {
            let slope = fit.basis.slope(time, side.amplitude);
            let noise = side.variance.max((ROUNDING * side.amplitude.norm()).powi(2)).max(f64::MIN_POSITIVE);
            pull += dot(&slope, &side.residuals) / noise;
            stiffness += dot(&slope, &slope) / noise;
        }
        let step = pull / stiffness;
        let hz = fit.hz + step / TAU;
        // Also where the step is no number.
        let is_near = (hz - record.hz).abs() * 2.0 * half < FARTHEST;
        if !is_near {
            return None;
        }
        let is_still = (step * half).abs() < STILL;
        fit = Fit::at(record, time, hz, per_period)?;
        if is_still || stiffness.sqrt() * step.abs() < 1e-3 {
            return Some((fit, stiffness.sqrt().recip() / TAU));
        }
    }
    None
}
