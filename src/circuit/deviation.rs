//! What parts inside their tolerances do not explain, and where.

use super::fit::{CHAIN, CornerPoints, Fitted, LoopModel, Prior, Quadratic};
use crate::curve::wrap;
use nalgebra::DVector;
use num_complex::Complex64;
use std::f64::consts::{LN_10, TAU};

/// A place of a corner: how far the sweep is from the circuit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Deviation {
    /// |T(measured) - T(circuit)| / (1 + |T|).
    pub value: f64,
    /// Its standard uncertainty from noise.
    pub u: f64,
    /// Where, Hz.
    pub at_hz: f64,
}

/// Width of what is averaged, ln f: a tenth of a decade, so that a resonance of Q 8 is seen as one.
const WIDTH: f64 = 0.1 * LN_10;

/// The deviations of a corner with parts and chain as they are, over a tenth of a decade each. The logarithms of the parts over nominal
/// were set in the model; `chain` are its errors in neper, rad and s.
pub(crate) fn deviations(
    model: &mut dyn LoopModel,
    corner: &CornerPoints,
    chain: [f64; CHAIN],
) -> Vec<Deviation> {
    let mut found = Vec::new();
    let [gain, phase, delay] = chain;
    for points in corner.points.chunk_by(|a, b| place(a.hz) == place(b.hz)) {
        let mut mean = Mean::default();
        for point in points {
            let Some(circuit) = model.at(corner.corner, point.hz, &mut []) else { continue };
            let ln_mag = point.ln_mag - circuit.norm().ln() - gain;
            let angle = wrap(point.phase - circuit.arg() - phase - TAU * point.hz * delay);
            mean.add([ln_mag, angle], point.sigma, point.hz.ln(), circuit.norm());
        }
        found.extend(mean.deviation());
    }
    found
}

fn place(hz: f64) -> i64 {
    (hz.ln() / WIDTH).floor() as i64
}

/// Weighted means over neighbouring samples.
#[derive(Default)]
struct Mean {
    weights: [f64; 2],
    sums: [f64; 2],
    count: f64,
    ln_f: f64,
    share: f64,
}

impl Mean {
    fn add(&mut self, residual: [f64; 2], sigma: [f64; 2], ln_f: f64, magnitude: f64) {
        for (((weight, sum), residual), sigma) in
            self.weights.iter_mut().zip(&mut self.sums).zip(residual).zip(sigma)
        {
            *weight += sigma.powi(-2);
            *sum += residual * sigma.powi(-2);
        }
        self.count += 1.0;
        self.ln_f += ln_f;
        self.share += magnitude / (1.0 + magnitude);
    }

    fn deviation(&self) -> Option<Deviation> {
        let ([gain_weight, phase_weight], [gain, phase]) = (self.weights, self.sums);
        let share = self.share / self.count;
        let off = Complex64::from_polar((gain / gain_weight).exp(), phase / phase_weight) - 1.0;
        let u = (0.5 / gain_weight + 0.5 / phase_weight).sqrt();
        let found =
            Deviation { value: off.norm() * share, u: u * share, at_hz: (self.ln_f / self.count).exp() };
        (found.value.is_finite() && found.u.is_finite()).then_some(found)
    }
}

/// Rounds of improving one unknown after the other, at most; they stop when nothing moves.
const ROUNDS: usize = 1_000;
/// A round that moves every unknown by less, in its prior standard deviation, is the last.
const STILL: f64 = 1e-6;

/// The most probable unknowns with every part inside its tolerance.
pub(crate) fn inside_tolerances(fitted: &Fitted, prior: &Prior, tolerances: &[f64]) -> DVector<f64> {
    let Quadratic { precision, pull, .. } = fitted.posterior();
    let mut at = fitted.unknowns.clone();
    let bounds =
        prior.parts().iter().zip(tolerances).map(|(scale, t)| ((-t).ln_1p() / scale, t.ln_1p() / scale));
    let bounds: Vec<(f64, f64)> = bounds.collect();
    let is_inside =
        |at: &DVector<f64>| bounds.iter().zip(at.iter()).all(|((low, high), x)| low <= x && x <= high);
    if is_inside(&at) {
        return at;
    }
    // One unknown after the other to its best value inside its bounds: converges, since the quadratic is strictly convex
    // (D. P. Bertsekas, Nonlinear Programming, 2.7: from memory).
    for _ in 0..ROUNDS {
        let mut moved = 0.0_f64;
        for i in 0..at.len() {
            let Some((own, pull)) = precision.get((i, i)).zip(pull.get(i)) else { continue };
            let rest = precision.row(i).transpose().dot(&at);
            let Some(x) = at.get_mut(i) else { continue };
            let (low, high) = bounds.get(i).copied().unwrap_or((f64::NEG_INFINITY, f64::INFINITY));
            let best = (*x + (pull - rest) / own).clamp(low, high);
            moved = moved.max((best - *x).abs());
            *x = best;
        }
        if moved < STILL {
            break;
        }
    }
    at
}
