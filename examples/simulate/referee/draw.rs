//! Random parameters.

use super::super::noise::Random;
use num_complex::Complex64;

/// A stream of random parameters, known by base seed, mode, class with density, and number.
pub struct Draw(Random);

impl Draw {
    pub fn of(seed: u64, mode: u64, cell: usize, number: usize) -> Self {
        // Modes of this referee begin at 1000: no other simulation has its streams there.
        Self(Random::of(1000 + mode + 100 * seed, cell, number))
    }

    /// Even over a range.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * 0.5 * (1.0 + self.0.even())
    }

    /// Even over the logarithm of a range.
    pub fn log(&mut self, low: f64, high: f64) -> f64 {
        self.between(low.ln(), high.ln()).exp()
    }

    /// True in so many cases out of one.
    pub fn chance(&mut self, share: f64) -> bool {
        self.between(0.0, 1.0) < share
    }

    pub fn pick<T: Copy>(&mut self, list: &[T]) -> T {
        let index = (self.between(0.0, 1.0) * list.len() as f64) as usize;
        list[index.min(list.len() - 1)]
    }

    /// Two standard normal components.
    pub fn complex(&mut self) -> Complex64 {
        self.0.complex()
    }
}
