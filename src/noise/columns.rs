//! Gain and phase of a curve as two columns, and the sum over a window that both share the weights of.

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

    /// Sums of the weighted samples from `from` on; the number of weights is a multiple of four.
    pub(crate) fn weighted(&self, from: usize, weights: &[f64]) -> [f64; 2] {
        let window = from..from + weights.len();
        let sum = |column: &[f64]| column.get(window.clone()).map_or(0.0, |column| dot(weights, column));
        [sum(&self.gain), sum(&self.phase)]
    }
}

/// Scalar product, with four sums side by side so that no addition waits for the one before it. What is beyond a multiple of
/// four is left out.
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let [mut s0, mut s1, mut s2, mut s3] = [0.0; LANES];
    for ([a0, a1, a2, a3], [b0, b1, b2, b3]) in a.as_chunks::<LANES>().0.iter().zip(b.as_chunks::<LANES>().0)
    {
        s0 += a0 * b0;
        s1 += a1 * b1;
        s2 += a2 * b2;
        s3 += a3 * b3;
    }
    (s0 + s1) + (s2 + s3)
}
