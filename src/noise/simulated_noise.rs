//! Sweeps with known noise, for the tests of this room and of those that read its results.

use crate::analysed::Analysed;
use crate::spec::CriticalPoint;
use crate::sweep::Samples;
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg64;
use rand_pcg::rand_core::SeedableRng;

/// A curve over x = ln(f / 1 kHz): ln of the magnitude, and the angle from the critical point, rad.
pub(crate) type Shape<'a> = &'a dyn Fn(f64) -> [f64; 2];

/// `per_decade` points from 10 Hz to 100 kHz.
pub(crate) fn grid(per_decade: u32) -> Vec<f64> {
    (0..=4 * per_decade).map(|k| 10.0 * 10f64.powf(f64::from(k) / f64::from(per_decade))).collect()
}

/// Samples of a shape with normal noise of standard deviation `sigma` for each of its parts.
pub(crate) fn samples(hz: &[f64], shape: Shape<'_>, sigma: Shape<'_>, seed: u64) -> Samples {
    let mut random = Pcg64::seed_from_u64(seed);
    let mut normal = || -> f64 { StandardNormal.sample(&mut random) };
    let mut samples = Samples::default();
    for f in hz {
        let x = (f / 1e3).ln();
        let ([ln_mag, angle], [a, p]) = (shape(x), sigma(x));
        samples.push(*f, ln_mag + a * normal(), angle + p * normal());
    }
    samples
}

pub(crate) fn analysed(samples: &Samples) -> Analysed {
    Analysed::of(samples, CriticalPoint::PlusOne)
}

/// A shape with noise, analysed.
pub(crate) fn sweep(hz: &[f64], shape: Shape<'_>, sigma: Shape<'_>, seed: u64) -> Analysed {
    analysed(&samples(hz, shape, sigma, seed))
}

/// A line through 0 dB at 1 kHz, 20 dB per decade down, with little change of its phase.
pub(crate) fn line(x: f64) -> [f64; 2] {
    [-x, 1.0 - 0.1 * x]
}

/// A resonance of quality `q` at 1 kHz: 1 / (1 - w^2 + j w / q) with w = f / 1 kHz.
pub(crate) fn resonance(x: f64, q: f64) -> [f64; 2] {
    let w = x.exp();
    let (re, im) = (1.0 - w * w, w / q);
    [-re.hypot(im).ln(), -im.atan2(re)]
}
