//! A loop whose formula stands here, and units of it: a buck converter with an output filter and a compensator of one zero.

use super::{CornerPoints, LoopModel, LoopPoint};
use num_complex::Complex64;
use rand_distr::{Distribution, StandardNormal, Uniform};
use rand_pcg::Pcg64;
use rand_pcg::rand_core::SeedableRng;
use std::f64::consts::TAU;

/// Parts: output capacitor, its resistance, inductor, compensation capacitor, compensation resistor.
pub(crate) const NAMES: [&str; 5] = ["Cout", "Resr", "L1", "Cc", "Rc"];
pub(crate) const NOMINAL: [f64; 5] = [100e-6, 10e-3, 10e-6, 4.7e-9, 12e3];
pub(crate) const TOLERANCES: [f64; 5] = [0.2, 0.5, 0.2, 0.1, 0.01];
/// Input voltage and load of each corner.
const CORNERS: [(f64, f64); 6] =
    [(10.0, 0.5), (10.0, 3.0), (24.0, 0.5), (24.0, 3.0), (32.0, 0.5), (32.0, 3.0)];

pub(crate) struct Buck {
    parts: [f64; 5],
}

impl Buck {
    pub(crate) fn new() -> Self {
        Self { parts: NOMINAL }
    }

    fn gain(parts: &[f64; 5], corner: usize, hz: f64) -> Complex64 {
        let [cout, esr, l, cc, rc] = *parts;
        let (vin, load) = CORNERS[corner];
        let s = Complex64::new(0.0, TAU * hz);
        let shunt = 1.0 / (1.0 / (esr + 1.0 / (s * cout)) + load / 5.0);
        let filter = shunt / (shunt + s * l + 0.02);
        let control = (1.0 + s * rc * cc) / (s * cc * 47e3);
        -vin / 2.5 * filter * control * (-s * 0.7e-6).exp()
    }
}

impl LoopModel for Buck {
    fn parts(&self) -> usize {
        NOMINAL.len()
    }

    fn set(&mut self, changes: &[f64]) -> bool {
        self.parts = std::array::from_fn(|i| NOMINAL[i] * changes[i].exp());
        true
    }

    fn at(&mut self, corner: usize, hz: f64, slopes: &mut [Complex64]) -> Option<Complex64> {
        for (i, slope) in slopes.iter_mut().enumerate() {
            let at = |step: f64| {
                let mut parts = self.parts;
                parts[i] *= step.exp();
                Self::gain(&parts, corner, hz)
            };
            *slope = (at(1e-5) / at(-1e-5)).ln() / 2e-5;
        }
        Some(Self::gain(&self.parts, corner, hz))
    }
}

/// What a unit is like, and what it is measured with.
pub(crate) struct Unit {
    /// Logarithm of each part over nominal.
    pub changes: [f64; 5],
    /// Gain, neper, phase, rad, delay, s.
    pub chain: [f64; 3],
    /// Relative noise of a sample.
    pub noise: f64,
}

impl Unit {
    /// Its sweeps at all corners, `count` samples each.
    pub(crate) fn sweeps(&self, count: u32, seed: u64) -> Vec<CornerPoints> {
        let mut random = Pcg64::seed_from_u64(seed);
        let mut draw = || self.noise * normal(&mut random);
        let parts = std::array::from_fn(|i| NOMINAL[i] * self.changes[i].exp());
        let point = |k: u32, corner: usize, noise: [f64; 2]| {
            let hz = 100.0 * 10f64.powf(3.3 * f64::from(k) / f64::from(count - 1));
            let gain = Buck::gain(&parts, corner, hz);
            LoopPoint {
                hz,
                ln_mag: gain.norm().ln() + self.chain[0] + noise[0],
                phase: gain.arg() + self.chain[1] + TAU * hz * self.chain[2] + noise[1],
                sigma: [self.noise.max(1e-4); 2],
            }
        };
        (0..CORNERS.len())
            .map(|corner| CornerPoints {
                corner,
                points: (0..count).map(|k| point(k, corner, [draw(), draw()])).collect(),
            })
            .collect()
    }
}

pub(crate) fn normal(random: &mut Pcg64) -> f64 {
    StandardNormal.sample(random)
}

/// A unit with parts inside their tolerances and a chain inside its accuracy.
pub(crate) fn drawn(random: &mut Pcg64, noise: f64) -> Unit {
    let mut within = |half: f64| Uniform::new_inclusive(-half, half).unwrap().sample(random);
    let changes = std::array::from_fn(|i| within(TOLERANCES[i]).ln_1p());
    let chain = [within(0.0115), within(0.0087), within(2e-9)];
    Unit { changes, chain, noise }
}
