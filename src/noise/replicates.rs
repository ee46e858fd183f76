//! Noise from several sweeps of one loop: what they do not show alike.
//!
//! What two sweeps of one loop show alike is no noise, however sharp it is. Their difference holds the noise of both and what
//! changes with the level, which is smooth; its third differences hold the noise alone. Noise that neighbouring samples
//! share (a filter of the receiver, slow drift) hardly shows in differences of neighbours, so how alike neighbours are is
//! estimated from differences over one and over two steps, and what that hides is added.
//!
//! **Why is noise what two levels do not show alike?** Differences of one sweep's own samples cannot tell a sharp
//! resonance from noise, and what is taken for noise is smoothed away. Two sweeps of one loop share all of the loop
//! and none of the noise.

use super::gain_phase::Columns;
use super::grid::{Grid, SHORT};
use super::residuals::Power;
use super::rounding::digit_steps;
use crate::curve::{Curve, wrap};

/// Neighbouring third differences share samples: the sum of their squared correlations, C(12,6)/C(6,3)^2.
const SHARED: f64 = 924.0 / 400.0;
/// A correlation is used when it is this many standard errors above none.
const CLEAR: f64 = 2.5;
/// Largest correlation from sample to sample that is used: beyond, noise is a drift, which the change with level holds.
const MOST: f64 = 0.97;
/// What is found from here on is a smooth change with the level; what correlation makes is at most 1, with its scatter.
const SMOOTH: f64 = 1.25;
/// Fewest differences, of gain and of phase, that a correlation is read from.
const LEAST: u32 = 32;
/// Samples on each side that the differences are held against.
const ABOUT: usize = 16;
/// Relative noise of a difference from which on its phase may turn by half a turn.
const LOST: f64 = 0.4;
/// Steps, dB and deg, from which on two sweeps may agree in every digit.
const COARSE: f64 = 0.1;
/// Part of the variance of rounding that differences of neighbours must show.
const SEEN: f64 = 0.2;

/// What other sweeps say of the noise of one. Memory is reused.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Evidence {
    /// Squared noise of a sample: ln of the magnitude, phase; the first one belongs to sample `offset`.
    pub(crate) powers: Vec<Power>,
    pub(crate) offset: usize,
    /// Degrees of freedom of each, gain and phase together.
    pub(crate) dof: f64,
    /// Correlation of the noise of neighbouring samples.
    pub(crate) correlation: f64,
    /// The other sweep's samples, where there is one on the same frequencies.
    pub(crate) other: Columns,
}

impl Evidence {
    /// Becomes the scatter of `count` repeats about their mean, sample by sample by [`Self::push`].
    pub fn clear(&mut self, count: usize) {
        self.powers.clear();
        self.offset = 0;
        self.dof = 2.0 * (count.max(2) - 1) as f64;
        self.correlation = 0.0;
        self.other.copy(&[], &[]);
    }

    /// Adds a sample of repeats: squared standard errors of the mean of ln of the magnitude and of the phase.
    pub fn push(&mut self, ln_mag: f64, angle: f64) {
        self.powers.push(Power { ln_mag, angle });
    }

    /// Adds what rounding leaves, which repeats may share.
    pub(super) fn add(&mut self, variances: [f64; 2]) {
        for power in &mut self.powers {
            power.ln_mag += variances[0];
            power.angle += variances[1];
        }
    }

    /// By how much the noise of a sample exceeds that of a unit-norm difference of neighbours, which correlation shrinks.
    pub(crate) fn hidden(&self) -> f64 {
        let r = self.correlation;
        // Autocorrelation of the weights 1, -3, 3, -1 over 20.
        (1.0 - r * (1.5 - r * (0.6 - 0.1 * r))).max(1e-3).sqrt().recip()
    }
}

/// Two sweeps of one loop on the same frequencies. Memory is reused.
#[derive(Debug, Clone, Default)]
pub struct Twins {
    difference: Columns,
    powers: Vec<Power>,
    correlation: f64,
}

impl Twins {
    /// Takes the difference of two sweeps. `false` when they tell nothing: other frequencies, too few samples, or the same numbers.
    pub(crate) fn take(&mut self, grid: &Grid, weak: &Curve, strong: &Curve) -> bool {
        if weak.frequency_hz() != strong.frequency_hz() || weak.len() < 2 * SHORT {
            return false;
        }
        self.difference.resize(weak.len());
        let gains = weak.ln_mag().iter().zip(strong.ln_mag()).map(|(a, b)| b - a);
        let phases = weak.angle().iter().zip(strong.angle()).map(|(p, q)| wrap(q - p));
        for (i, pair) in gains.zip(phases).enumerate() {
            self.difference.set(i, [pair.0, pair.1]);
        }
        self.powers.clear();
        self.powers.extend(grid.short().iter().enumerate().map(|(start, weights)| {
            let [a, p] = self.difference.weighted(start, weights);
            Power { ln_mag: a * a, angle: p * p }
        }));
        if self.powers.iter().all(|power| power.ln_mag + power.angle < f64::MIN_POSITIVE) {
            return false;
        }
        self.correlation = self.find_correlation();
        true
    }

    /// What the pair says of the noise of one of the two, of whose squared noise `share` is its own.
    pub(crate) fn tell(&self, grid: &Grid, share: f64, own: &Curve, other: &Curve, into: &mut Evidence) {
        let rounding = rounding(grid, own, digit_steps(own.ln_mag(), own.angle()));
        into.powers.clear();
        into.powers.extend(self.powers.iter().map(|power| Power {
            ln_mag: share * power.ln_mag + rounding[0],
            angle: share * power.angle + rounding[1],
        }));
        into.offset = SHORT / 2 - 1;
        into.dof = 2.0 / SHARED;
        into.correlation = self.correlation;
        into.other.copy(other.ln_mag(), other.angle());
    }

    /// Correlation of neighbouring samples of the difference: where that of samples k apart is r^k, the mean squares of differences
    /// over two steps and over one are as 1 + r to 1. What changes smoothly from level to level hardly enters either.
    fn find_correlation(&self) -> f64 {
        let powers: Vec<f64> = self.powers.iter().map(|p| p.ln_mag + p.angle).collect();
        let (mut one, mut two, mut count) = (0.0, 0.0, 0_u32);
        let mut scales = [0.0; 4];
        for i in 0..self.difference.len().saturating_sub(2) {
            if i % scales.len() == 0 {
                scales = variances_about(&powers, i);
            }
            let variance = scales.get(i % scales.len()).copied().unwrap_or(0.0);
            if variance <= 0.0 || variance > LOST * LOST {
                continue;
            }
            let [a, b, c] = [i, i + 1, i + 2].map(|k| self.difference.get(k));
            for ((a, b), c) in a.iter().zip(b).zip(c) {
                one += 0.5 * ((b - a).powi(2) + (c - b).powi(2)) / variance;
                two += (c - a).powi(2) / variance;
            }
            count += 2;
        }
        if count < LEAST || one <= 0.0 {
            return 0.0;
        }
        let found = two / one - 1.0;
        // No correlation makes more than 1: there something changes smoothly by far more than the noise.
        let is_told = found >= CLEAR / f64::from(count).sqrt() && found < SMOOTH;
        if is_told { found.min(MOST) } else { 0.0 }
    }
}

/// Half of the mean of the powers about sample `i` and about each of the three behind it: four sums side by side, each in its order.
fn variances_about(powers: &[f64], i: usize) -> [f64; 4] {
    let whole = i.checked_sub(ABOUT).and_then(|from| powers.get(from..i + ABOUT + 3));
    let Some(near) = whole else {
        return [0, 1, 2, 3].map(|k| {
            let near = (i + k).saturating_sub(ABOUT)..(i + k + ABOUT).min(powers.len());
            let near = powers.get(near).unwrap_or(&[]);
            0.5 * near.iter().sum::<f64>() / near.len().max(1) as f64
        });
    };
    let mut sums = [0.0; 4];
    for powers in near.windows(4) {
        sums.iter_mut().zip(powers).for_each(|(sum, power)| *sum += power);
    }
    sums.map(|sum| 0.5 * sum / (2 * ABOUT) as f64)
}

/// Whether a sweep is rounded so coarsely, to 0.1 dB and 0.1 deg or more, that another one of the same loop may well have the same
/// numbers.
pub(crate) fn is_coarse(ln_magnitude: &[f64], phase_rad: &[f64]) -> bool {
    let whole = |values: &[f64], step: f64| {
        values.iter().all(|v| {
            let times = v / step;
            (times - times.round()).abs() < 1e-6 * times.abs().max(1.0)
        })
    };
    whole(ln_magnitude, COARSE * std::f64::consts::LN_10 / 20.0) && whole(phase_rad, COARSE.to_radians())
}

/// Variances that the rounding of a file leaves in ln of the magnitude and in the phase: step^2 / 12 (rectangular, JCGM 100:2008,
/// F.2.2.1). Both sweeps of a pair may be rounded alike, so that their difference does not show it.
pub(super) fn rounding(grid: &Grid, curve: &Curve, steps: [f64; 2]) -> [f64; 2] {
    let variance = |values: &[f64], step: f64| {
        let variance = step.powi(2) / 12.0;
        // A curve that falls by whole steps from sample to sample is not rounded; or all of it is alike, see [`super::rounding`].
        let squares = values
            .windows(SHORT)
            .zip(grid.short())
            .map(|(values, weights)| values.iter().zip(weights).map(|(v, w)| v * w).sum::<f64>().powi(2));
        let seen = squares.sum::<f64>() / values.len() as f64;
        if seen < SEEN * variance { 0.0 } else { variance }
    };
    let [gain, phase] = steps;
    [variance(curve.ln_mag(), gain), variance(curve.angle(), phase)]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::noise::Smoother;
    use crate::noise::simulated_noise::{grid, line, resonance, samples};
    use crate::spec::CriticalPoint;
    use rand_distr::{Distribution, StandardNormal};
    use rand_pcg::Pcg64;
    use rand_pcg::rand_core::SeedableRng;

    fn curve(shape: &dyn Fn(f64) -> [f64; 2], noise: f64, correlation: f64, seed: u64) -> Curve {
        let mut samples = samples(&grid(40), shape, &|_| [0.0; 2], 0);
        let mut random = Pcg64::seed_from_u64(seed);
        let mut held: [f64; 2] = [(); 2].map(|()| StandardNormal.sample(&mut random));
        let (gain, phase) = samples.planted();
        for (a, p) in gain.iter_mut().zip(phase) {
            *a += noise * held[0];
            *p += noise * held[1];
            held = held.map(|held| {
                let fresh: f64 = StandardNormal.sample(&mut random);
                correlation * held + (1.0 - correlation * correlation).sqrt() * fresh
            });
        }
        let mut curve = Curve::new();
        curve.fill(&samples, CriticalPoint::PlusOne);
        curve
    }

    fn evidence(weak: &Curve, strong: &Curve) -> Evidence {
        let mut evidence = Evidence::default();
        assert!(Smoother::default().compare(
            weak,
            strong,
            [0.5, 0.5],
            [&mut evidence, &mut Evidence::default()]
        ));
        evidence
    }

    #[test]
    fn a_resonance_in_both_is_no_noise() {
        for q in [5.0, 40.0] {
            let shape = |x: f64| resonance(x, q);
            let found = evidence(&curve(&shape, 1e-4, 0.0, 1), &curve(&shape, 1e-4, 0.0, 2));
            let mean = found.powers.iter().map(|p| 0.5 * (p.ln_mag + p.angle)).sum::<f64>()
                / found.powers.len() as f64;
            assert!((mean.sqrt() / 1e-4 - 1.0).abs() < 0.2, "{q}: {}", mean.sqrt());
        }
    }

    #[test]
    fn correlation_from_sample_to_sample_is_found_and_what_it_hides_is_added() {
        for correlation in [0.0, 0.5, 0.8, 0.9] {
            let (mut sum, mut noise) = (0.0, 0.0);
            for seed in 0..40 {
                let pair = [0, 1].map(|k| curve(&line, 0.01, correlation, 1000 * k + seed));
                let found = evidence(&pair[0], &pair[1]);
                sum += found.correlation / 40.0;
                let white = found.powers.iter().map(|p| 0.5 * (p.ln_mag + p.angle)).sum::<f64>();
                noise += (white / found.powers.len() as f64).sqrt() * found.hidden() / 40.0;
            }
            assert!((sum - correlation).abs() < 0.07, "{correlation}: {sum}");
            assert!((noise / 0.01 - 1.0).abs() < 0.2, "{correlation}: {noise}");
        }
    }

    /// A change with level that is smooth is neither noise nor correlation.
    #[test]
    fn a_smooth_change_with_level_is_no_noise() {
        let weak = curve(&line, 1e-3, 0.0, 1);
        let strong = curve(&|x| [line(x)[0] + 0.05 * x.tanh(), line(x)[1] + 0.03], 1e-3, 0.0, 2);
        let found = evidence(&weak, &strong);
        let mean =
            found.powers.iter().map(|p| 0.5 * (p.ln_mag + p.angle)).sum::<f64>() / found.powers.len() as f64;
        assert!((mean.sqrt() / 1e-3 - 1.0).abs() < 0.2, "{}", mean.sqrt());
    }

    #[test]
    fn the_rounding_of_a_file_is_known() {
        let step = 0.1;
        let db = std::f64::consts::LN_10 / 20.0;
        let of = |per_decade: u32| {
            let mut rounded = samples(&grid(per_decade), &line, &|_| [0.0; 2], 1);
            rounded.planted().0.iter_mut().for_each(|a| *a = (*a / (db * step)).round() * db * step);
            let mut curve = Curve::new();
            curve.fill(&rounded, CriticalPoint::PlusOne);
            rounding(
                &Grid::new(curve.frequency_hz(), curve.ln_f()),
                &curve,
                digit_steps(curve.ln_mag(), curve.angle()),
            )
        };
        assert_eq!(of(20), [0.0; 2], "1 dB from sample to sample");
        let [gain, phase] = of(37);
        assert!((gain.sqrt() / (db * step / 12f64.sqrt()) - 1.0).abs() < 1e-9, "{gain}");
        assert_eq!(phase, 0.0);
    }
}
