//! Noise of one sweep: relative to each sample, rms of each component.

use super::noise::Random;
use super::plants::Plant;
use loopgauge::sweep::{BadSamples, Samples};
use num_complex::Complex64;

/// 0.3 dB and 2 deg rms.
pub const LOW_END: f64 = 0.0345;

/// A sweep as it was written, to plant faults in.
#[derive(Clone, Debug, Default)]
pub struct Sweep {
    pub frequency_hz: Vec<f64>,
    pub ln_magnitude: Vec<f64>,
    pub phase_rad: Vec<f64>,
}

impl Sweep {
    /// What a reader makes of it.
    pub fn samples(&self) -> Result<Samples, BadSamples> {
        Samples::from_ln_rad(&self.frequency_hz, &self.ln_magnitude, &self.phase_rad)
    }
}

/// How the noise runs over frequency.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hiss {
    /// rms at the crossover.
    pub at_crossover: f64,
    /// Falls with this power of frequency.
    pub power: f64,
    /// Largest at the low end.
    pub most: f64,
}

impl Hiss {
    /// The noise of variant `k`: sizes and slopes turn at different paces.
    pub fn of(k: usize) -> Self {
        let at_crossover = [0.0003, 0.001, 0.003, 0.0, 0.006][k % 5];
        Self { at_crossover, power: [0.5, 1.0, 0.0][k / 5 % 3], most: LOW_END }
    }

    /// rms at a frequency in crossovers.
    pub fn sigma(&self, f: f64) -> f64 {
        (self.at_crossover * f.powf(-self.power))
            .min(self.most.max(self.at_crossover))
            .max(0.3 * self.at_crossover)
    }
}

/// Even over ln f from end to end of the band, and a little beyond on both sides.
pub fn grid(plant: &Plant, per_decade: f64) -> Vec<f64> {
    let count = ((plant.to_hz / plant.from_hz).log10() * per_decade).ceil();
    (0..=count as usize)
        .map(|k| plant.from_hz * (plant.to_hz / plant.from_hz).powf(k as f64 / count))
        .collect()
}

/// Measures the plant; `distort` is what happens to its loop gain (frequency, gain), `scale` that of the noise.
pub fn measure(
    plant: &Plant,
    hz: &[f64],
    hiss: &Hiss,
    scale: f64,
    random: &mut Random,
    mut distort: impl FnMut(f64, Complex64) -> Complex64,
) -> Sweep {
    let mut sweep = Sweep::default();
    for &hz in hz {
        let sigma = hiss.sigma(hz / plant.crossover_hz) * scale;
        let measured = distort(hz, plant.at(hz)) * (1.0 + sigma * random.complex());
        sweep.frequency_hz.push(hz);
        sweep.ln_magnitude.push(measured.norm().max(1e-30).ln());
        sweep.phase_rad.push(measured.arg());
    }
    sweep
}
