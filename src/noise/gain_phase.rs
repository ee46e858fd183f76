//! Gain and phase of a curve as two columns, and the sum over a window that both share the weights of.

use super::lanes::f64x4;

/// Zeros behind the last sample: rows of weights are a multiple of this long.
const LANES: usize = 4;

/// ln of the magnitude and angle, sample by sample, with a few zeros behind the last one.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Columns {
    gain: Vec<f64>,
    phase: Vec<f64>,
}

impl Columns {
    pub(crate) fn gain(&self) -> &[f64] {
        self.gain.get(..self.len()).unwrap_or(&[])
    }

    pub(crate) fn phase(&self) -> &[f64] {
        self.phase.get(..self.len()).unwrap_or(&[])
    }

    pub(crate) fn copy(&mut self, gain: &[f64], phase: &[f64]) {
        self.gain.clear();
        self.gain.extend_from_slice(gain);
        self.phase.clear();
        self.phase.extend_from_slice(phase);
        self.resize(gain.len());
    }

    pub(crate) fn resize(&mut self, n: usize) {
        self.gain.resize(n + LANES, 0.0);
        self.phase.resize(n + LANES, 0.0);
    }

    pub(crate) fn len(&self) -> usize {
        self.gain.len().saturating_sub(LANES)
    }

    pub(crate) fn get(&self, i: usize) -> [f64; 2] {
        [self.gain.get(i).copied().unwrap_or(0.0), self.phase.get(i).copied().unwrap_or(0.0)]
    }

    pub(crate) fn set(&mut self, i: usize, value: [f64; 2]) {
        if let (Some(gain), Some(phase)) = (self.gain.get_mut(i), self.phase.get_mut(i)) {
            [*gain, *phase] = value;
        }
    }

    /// Gain and phase of all samples, to be changed.
    pub(crate) fn pairs_mut(&mut self) -> impl Iterator<Item = (&mut f64, &mut f64)> {
        let n = self.len();
        self.gain.iter_mut().zip(&mut self.phase).take(n)
    }

    /// Sums of the weighted samples from `from` on, four at a time; the number of weights is a multiple of four.
    pub(crate) fn weighted(&self, from: usize, weights: &[f64]) -> [f64; 2] {
        let window = from..from + weights.len();
        let (Some(gain), Some(phase)) = (self.gain.get(window.clone()), self.phase.get(window)) else {
            return [0.0; 2];
        };
        let (weights, gain, phase) =
            (weights.as_chunks::<LANES>().0, gain.as_chunks::<LANES>().0, phase.as_chunks::<LANES>().0);
        let (mut gains, mut phases) = (f64x4::ZERO, f64x4::ZERO);
        for ((weights, gain), phase) in weights.iter().zip(gain).zip(phase) {
            let weights = f64x4::new(*weights);
            gains += weights * f64x4::new(*gain);
            phases += weights * f64x4::new(*phase);
        }
        [gains.reduce_add(), phases.reduce_add()]
    }
}
