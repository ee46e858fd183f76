//! Curves that no loop has, for tests: they go where a search that is cut short too early overlooks something.

use crate::curve::Curve;
use crate::spec::CriticalPoint;
use crate::sweep::Samples;
use rand_distr::{Distribution, Uniform};
use rand_pcg::Pcg64;
use rand_pcg::rand_core::SeedableRng;

/// How far apart the samples are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Steps {
    /// Neighbouring steps differ by less than a factor of 3.
    Alike,
    /// By up to a factor of 10.
    Uneven,
}

/// A walk of 4 to 40 samples around the critical point and round it. Its seed says how rough it is: steps of up to `most` neper and rad.
pub(super) fn rough_curve(seed: u64, steps: Steps, most: f64) -> Curve {
    let mut random = Pcg64::seed_from_u64(seed);
    let uniform = Uniform::new(0.0, 1.0).unwrap();
    let mut draw = |low: f64, high: f64| low + (high - low) * uniform.sample(&mut random);
    let (size, turn) = (most * 10f64.powf(draw(-2.0, 0.0)), most * 10f64.powf(draw(-2.0, 0.0)));
    let (mut hz, mut ln_mag, mut phase) = (100.0_f64, draw(-1.0, 1.0) * size, draw(-9.0, 9.0));
    let mut samples = Samples::default();
    for _ in 0..(draw(4.0, 40.0) as usize) {
        samples.push(hz, ln_mag, phase);
        hz *= match steps {
            Steps::Alike => draw(0.05, 0.14).exp(),
            Steps::Uneven => (0.03 * 10f64.powf(draw(0.0, 1.0))).exp(),
        };
        ln_mag = 0.8 * ln_mag + draw(-1.0, 1.0) * size;
        phase += draw(-1.2, 1.0) * turn;
    }
    let mut curve = Curve::new();
    curve.fill(&samples, CriticalPoint::PlusOne);
    curve
}
