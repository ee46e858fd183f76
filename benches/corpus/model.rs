//! Loop gain of a voltage-mode buck with type-3 compensation and dead time, and what a bench adds to it.
//!
//! Factored form: integrator, two zeros and two poles of the compensator, the output filter's double pole and the zero of its
//! capacitor's resistance, a delay (R. W. Erickson and D. Maksimovic, Fundamentals of Power Electronics, 2nd ed.,
//! 8.1 and 9.5: from memory).

use num_complex::Complex64;
use std::f64::consts::TAU;

/// Input voltage and load of the six corners.
pub const CORNERS: [(&str, &str); 6] =
    [("10V", "0.5A"), ("10V", "3A"), ("24V", "0.5A"), ("24V", "3A"), ("32V", "0.5A"), ("32V", "3A")];

/// One unit at one corner.
#[derive(Debug, Clone, Copy)]
pub struct Loop {
    integrator_hz: f64,
    filter_hz: f64,
    filter_q: f64,
    capacitor_zero_hz: f64,
    delay_s: f64,
}

/// Zeros of the compensator, Hz.
const ZEROS_HZ: [f64; 2] = [2.2e3, 4.0e3];
/// Poles of the compensator, Hz.
const POLES_HZ: [f64; 2] = [70e3, 160e3];

impl Loop {
    /// The unit that a random stream makes, at corner `corner`.
    pub fn drawn(random: &mut Random, corner: usize) -> Self {
        // The ramp follows the input voltage, so that the gain moves little over it; the load damps the filter.
        let input = [0.92, 0.92, 1.0, 1.0, 1.05, 1.05].get(corner).copied().unwrap_or(1.0);
        let filter_q = if corner.is_multiple_of(2) { 3.0 } else { 1.6 };
        let mut part = |nominal: f64, tolerance: f64| nominal * (1.0 + tolerance * random.symmetric());
        Self {
            integrator_hz: part(6.0e3 * input, 0.03),
            filter_hz: part(4.2e3, 0.03),
            filter_q: part(filter_q, 0.05),
            capacitor_zero_hz: part(90e3, 0.08),
            delay_s: part(0.9e-6, 0.05),
        }
    }

    /// The loop gain as measured around the closed loop (critical point +1), ratio.
    pub fn measured(&self, hz: f64) -> Complex64 {
        let over = |corner_hz: f64| Complex64::new(1.0, hz / corner_hz);
        let [zero_1, zero_2] = ZEROS_HZ.map(over);
        let [pole_1, pole_2] = POLES_HZ.map(over);
        let x = hz / self.filter_hz;
        let filter = Complex64::new(1.0 - x * x, x / self.filter_q);
        let integrator = Complex64::new(0.0, hz / self.integrator_hz);
        let delay = Complex64::from_polar(1.0, -TAU * hz * self.delay_s);
        -(zero_1 * zero_2 * over(self.capacitor_zero_hz) * delay) / (integrator * pole_1 * pole_2 * filter)
    }
}

/// A small generator (SplitMix64: G. L. Steele, D. Lea, C. H. Flood, "Fast splittable pseudorandom number generators",
/// OOPSLA 2014: from memory).
#[derive(Debug, Clone)]
pub struct Random(u64);

impl Random {
    /// The stream that belongs to a number.
    pub fn seeded(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15))
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Uniform in [-1, 1).
    pub fn symmetric(&mut self) -> f64 {
        (self.next() >> 11) as f64 * 2f64.powi(-52) - 1.0
    }

    /// Bell-shaped about 0 with standard deviation 1, at most 3 (sum of three uniform numbers).
    pub fn bell(&mut self) -> f64 {
        self.symmetric() + self.symmetric() + self.symmetric()
    }
}

/// `points` frequencies, evenly spaced in log frequency, both ends included, Hz.
pub fn grid(points: usize, from_hz: f64, to_hz: f64) -> impl Iterator<Item = f64> {
    let steps = points.saturating_sub(1).max(1) as f64;
    (0..points).map(move |i| from_hz * (to_hz / from_hz).powf(i as f64 / steps))
}

/// Relative noise of one reading, each of real and imaginary part.
const NOISE: f64 = 2e-4;

/// One reading: gain in dB and phase in degrees, with the noise of the receiver.
pub fn reading(loop_gain: Complex64, random: &mut Random) -> (f64, f64) {
    let noisy = loop_gain * (1.0 + NOISE * Complex64::new(random.bell(), random.bell()));
    (20.0 * noisy.norm().log10(), noisy.arg().to_degrees())
}
