//! In place of the demo's noise: parts without tolerance, probes without noise.

use num_complex::Complex64;

/// Where the demo has a stream of random numbers.
pub struct Noise;

impl Noise {
    /// The same for every label.
    pub fn seeded(_: &str) -> Self {
        Self
    }

    /// No noise.
    #[expect(clippy::unused_self, reason = "called as the demo's is")]
    pub fn sample(&mut self, _: f64) -> Complex64 {
        Complex64::ZERO
    }

    /// The nominal value.
    #[expect(clippy::unused_self, reason = "called as the demo's is")]
    pub fn factor(&mut self, _: f64) -> f64 {
        1.0
    }
}
