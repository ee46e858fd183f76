//! Seeded randomness: the noise of the receiver and the tolerances of parts.
//!
//! Generator and distribution are pinned crates with value-stable output, so that the demo data has
//! the same bytes at each call.

use num_complex::Complex64;
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg64;
use std::f64::consts::FRAC_1_SQRT_2;

/// Noise density at each probe, volt per square root of hertz: an ordinary receiver input behind a 10:1
/// probe (common practice, no source).
const DENSITY_VOLT: f64 = 100e-9;
/// The receiver's bandwidth is this share of the frequency: a fixed count of periods per point.
const BANDWIDTH_SHARE: f64 = 0.1;
/// Widest bandwidth of the receiver, hertz.
const BANDWIDTH_MAX_HZ: f64 = 1e3;

/// A stream of random numbers that depends on a text alone.
pub struct Noise {
    generator: Pcg64,
}

impl Noise {
    /// The stream that belongs to `label`.
    pub fn seeded(label: &str) -> Self {
        let state = u128::from(fnv1a(label, 0)) << 64 | u128::from(fnv1a(label, 1));
        Self { generator: Pcg64::new(state, u128::from(fnv1a(label, 2))) }
    }

    /// A standard normal number.
    fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.generator)
    }

    /// What one probe adds at `frequency_hz`: complex, volt rms.
    pub fn sample(&mut self, frequency_hz: f64) -> Complex64 {
        let bandwidth_hz = (BANDWIDTH_SHARE * frequency_hz).min(BANDWIDTH_MAX_HZ);
        let rms = DENSITY_VOLT * bandwidth_hz.sqrt() * FRAC_1_SQRT_2;
        let (real, imaginary) = (self.normal(), self.normal());
        Complex64::new(rms * real, rms * imaginary)
    }

    /// A factor about 1, normal with a third of `tolerance` as standard deviation, cut at
    /// `tolerance`.
    pub fn factor(&mut self, tolerance: f64) -> f64 {
        1.0 + (tolerance / 3.0 * self.normal()).clamp(-tolerance, tolerance)
    }
}

/// 64-bit FNV-1a hash of `text` (public domain: Fowler, Noll, Vo), started from `variant` too.
fn fnv1a(text: &str, variant: u8) -> u64 {
    text.bytes().chain([variant]).fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3)
    })
}
