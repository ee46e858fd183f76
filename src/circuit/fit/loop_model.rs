//! What a circuit has to tell to be fitted.

use num_complex::Complex64;

/// Loop gains of a circuit at the corners of a spec.
pub trait LoopModel {
    /// Number of varied parts.
    fn parts(&self) -> usize;

    /// Sets each varied part to its nominal value times the exponential of its change. Whether that gives a circuit.
    fn set(&mut self, changes: &[f64]) -> bool;

    /// The loop gain of a corner at a frequency, Hz, as it is measured, and d ln T / d change of each part in `slopes`, as far as
    /// that reaches: an empty one asks for none. `None`: the circuit has no solution there.
    fn at(&mut self, corner: usize, hz: f64, slopes: &mut [Complex64]) -> Option<Complex64>;
}
