//! How noise that two receivers add goes with the loop gain.
//!
//! With V injected, the input side has V / (1 + T) and the output side V T / (1 + T). A receiver that adds constant noise n
//! therefore leaves a relative error of (n / V) |1 + T| on the input side and of (n / V) |1 + 1/T| on the output side. In a sweep of few
//! points per decade that changes manifold inside a block of residuals, so the residuals are divided by it first. Which of the
//! shapes fits the residuals best is decided by their likelihood, taken as normal.

use super::residuals::{BLOCK, Power};
use crate::curve::{Curve, distance};

/// A block wider than this, in ln f, can hold noise that changes manifold: 26 points per decade and fewer.
const WIDE: f64 = 0.7;
/// Bend of ln of the magnitude over a block, neper (6 dB), from which on the noise inside it is no straight line.
const BENT: f64 = 0.7;
/// Samples on each side that the shape is averaged over: the samples themselves are noisy.
const SIDE: usize = 2;
/// Gain in log likelihood, twice, that another shape than the even one must bring: one in twenty by chance for one parameter.
const GAIN: f64 = 3.84;

/// Variance of the noise along a sweep, up to a factor; even unless something else was chosen.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Shape {
    variance: Vec<f64>,
    tried: Vec<f64>,
    distance2: Vec<f64>,
}

impl Shape {
    /// Chooses the shape that fits the squared residuals best; `offset` is the sample of the first of them. `is_noise` tells that they hold
    /// nothing of the loop: then a resonance calls for a shape, too.
    pub(crate) fn choose(&mut self, curve: &Curve, powers: &[Power], offset: usize, is_noise: bool) {
        self.variance.clear();
        let (n, span) = (curve.len(), curve.span());
        let is_wide = (span.to - span.from) * BLOCK as f64 / (n as f64) >= WIDE;
        if n < 2 || powers.is_empty() || !(is_wide || is_noise && has_resonance(curve.ln_mag())) {
            return;
        }
        self.distance2.clear();
        self.distance2.extend(
            curve.ln_mag().iter().zip(curve.angle()).map(|(a, p)| distance(*a, *p).powi(2).max(1e-12)),
        );
        let mut best = misfit(powers, offset, |_| 1.0) - GAIN;
        for share in [[1.0, 0.0], [0.0, 1.0], [1.0, 1.0]] {
            self.tried.clear();
            let raw = self.distance2.iter().zip(curve.ln_mag()).map(|(d2, a)| {
                // |1 + 1/T| is |1 + T| / |T|.
                d2 * (share[0] + share[1] * (-2.0 * a).exp())
            });
            self.tried.extend(raw.map(|v| v.max(f64::MIN_POSITIVE).ln()));
            averaged(&mut self.tried);
            let found = misfit(powers, offset, |i| self.tried.get(i).copied().unwrap_or(1.0));
            if found < best {
                best = found;
                std::mem::swap(&mut self.variance, &mut self.tried);
            }
        }
    }

    /// One over the variance at a sample.
    pub(crate) fn per_unit(&self, i: usize) -> f64 {
        self.variance.get(i).map_or(1.0, |v| 1.0 / v)
    }

    /// Standard deviation at a sample.
    pub(crate) fn of_sample(&self, i: usize) -> f64 {
        self.variance.get(i).map_or(1.0, |v| v.sqrt())
    }

    /// Variance of a sample over that in the middle of its block.
    pub(crate) fn in_block(&self, i: usize) -> f64 {
        let Some(own) = self.variance.get(i) else { return 1.0 };
        own / self.of_block(i / BLOCK).powi(2)
    }

    /// Standard deviation in the middle of a block.
    pub(crate) fn of_block(&self, b: usize) -> f64 {
        self.of_sample((b * BLOCK + BLOCK / 2).min(self.variance.len().saturating_sub(1)))
    }
}

/// Whether the gain, averaged over three samples, bends over a block so much that the noise of receivers is no straight line there.
fn has_resonance(ln_mag: &[f64]) -> bool {
    let sum = |w: &[f64], i: usize| w.get(i..i + 3).map_or(0.0, |three| three.iter().sum::<f64>());
    let bend = |w: &[f64]| sum(w, 0) - 2.0 * sum(w, BLOCK / 2) + sum(w, BLOCK);
    ln_mag.windows(BLOCK + 3).any(|w| bend(w).abs() > 3.0 * BENT)
}

/// Geometric means over neighbours, from logarithms.
fn averaged(values: &mut Vec<f64>) {
    let means: Vec<f64> = (0..values.len())
        .map(|i| {
            let near = values.get(i.saturating_sub(SIDE)..(i + SIDE + 1).min(values.len())).unwrap_or(&[]);
            (near.iter().sum::<f64>() / near.len().max(1) as f64).exp()
        })
        .collect();
    *values = means;
}

/// Twice the negative log likelihood of normal residuals whose variance is a multiple of the shape, up to a constant.
fn misfit(powers: &[Power], offset: usize, shape: impl Fn(usize) -> f64) -> f64 {
    let (mut logs, mut sum, mut count) = (0.0, 0.0, 0.0);
    for (i, power) in powers.iter().enumerate() {
        let shape = shape(i + offset);
        logs += shape.ln();
        sum += (power.ln_mag + power.angle) / shape;
        count += 1.0;
    }
    2.0 * (logs + count * (sum / (2.0 * count)).max(f64::MIN_POSITIVE).ln())
}

#[cfg(test)]
mod tests {
    use crate::noise::simulated_noise::analysed;
    use crate::sweep::Samples;
    use num_complex::Complex64;
    use rand_distr::{Distribution, StandardNormal};
    use rand_pcg::Pcg64;
    use rand_pcg::rand_core::SeedableRng;

    /// An integrator with a lag read by two receivers, 10 points per decade over three decades; `kept` constant relative noise.
    fn read(floors: [f64; 2], kept: f64, seed: u64) -> (Samples, Vec<f64>) {
        let mut random = Pcg64::seed_from_u64(seed);
        let mut draw = || -> f64 { StandardNormal.sample(&mut random) };
        let mut complex = |size: f64| Complex64::new(size * draw(), size * draw());
        let (mut samples, mut sigma) = (Samples::default(), Vec::new());
        for k in 0..=30 {
            let hz = 100.0 * 10f64.powf(f64::from(k) / 10.0);
            let t = Complex64::new(0.0, -1e4 / hz) / Complex64::new(1.0, hz / 3e4);
            let (input, output) = (1.0 / (1.0 + t), t / (1.0 + t));
            // Measured around the closed loop.
            let measured =
                -(output + complex(floors[0])) / (input + complex(floors[1])) * (1.0 + complex(kept));
            samples.push(hz, measured.norm().ln(), measured.arg());
            let parts = [floors[0] / output.norm(), floors[1] / input.norm(), kept];
            sigma.push(parts.iter().map(|p| p * p).sum::<f64>().sqrt());
        }
        (samples, sigma)
    }

    #[test]
    fn noise_of_two_receivers_is_followed_in_short_sweeps() {
        for (floors, kept) in
            [([2e-4, 2e-4], 0.0), ([5e-4, 0.0], 0.0), ([0.0, 3e-4], 0.0), ([0.0, 0.0], 0.01)]
        {
            let mut off = vec![0.0; 31];
            for seed in 0..60 {
                let (samples, sigma) = read(floors, kept, seed);
                let own = analysed(&samples);
                let found = own.noise.sigma().iter().zip(&sigma).map(|(s, t)| (s / t).ln());
                off.iter_mut().zip(found).for_each(|(sum, ln)| *sum += ln / 60.0);
            }
            // Some 40 degrees of freedom in a sweep; the curve itself shows a little in sixth differences.
            assert!(off[3..28].iter().all(|ln| ln.abs() < 0.4), "{floors:?} {kept}: {off:.2?}");
        }
    }
}
