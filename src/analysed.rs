//! A sweep made ready to be judged: its samples, its noise, the smooth curve under it and all crossings of that.

use crate::curve::{Curve, LocalError, wrap};
use crate::margins::{Crossings, Located};
use crate::noise::rounding::{left, steps};
use crate::noise::{Evidence, LONGEST_WINDOW, Noise, Smoother};
use crate::spec::CriticalPoint;
use crate::sweep::Samples;

/// A sweep with all that is read from it. The memory is reused from sweep to sweep.
#[derive(Debug, Clone, Default)]
pub struct Analysed {
    /// The samples as measured.
    pub raw: Curve,
    /// The curve that margins are read from: the samples where noise does not matter, local fits where it does.
    pub curve: Curve,
    /// The noise.
    pub noise: Noise,
    /// All crossings of the curve.
    pub crossings: Crossings,
    /// Steps that the file's values are rounded to, 0 where none is seen: ln of the magnitude, neper, and phase, rad.
    pub steps: [f64; 2],
    thinned: Samples,
    group: usize,
}

/// Most samples that are looked at one by one. With more, neighbours are averaged in groups: over the five decades of a long
/// sweep 8 192 are 1 600 per decade, which carry a resonance of Q 300, and the noise of a group is that much smaller.
pub const MOST_SAMPLES: usize = 8_192;

impl Analysed {
    /// Takes over samples; [`Self::smooth`] is next.
    pub fn take(&mut self, samples: &Samples, critical_point: CriticalPoint) {
        self.group = group_of(samples.len());
        self.steps = steps(samples.ln_magnitude(), samples.phase_rad());
        if samples.len() > MOST_SAMPLES {
            thin(samples, &mut self.thinned);
            self.raw.fill(&self.thinned, critical_point);
        } else {
            self.raw.fill(samples, critical_point);
        }
    }

    /// Finds the noise of the samples taken, the curve under it and its crossings. `evidence` is what other sweeps of the same loop
    /// say of the noise.
    pub fn smooth(&mut self, evidence: Option<&Evidence>, smoother: &mut Smoother) {
        smoother.smooth(&self.raw, evidence, &mut self.noise, &mut self.curve);
        self.crossings.find(&self.curve);
        self.crossings.merge(&self.curve, &self.noise);
    }

    /// Standard uncertainty from noise of a value that was found on the curve, in the value's unit.
    #[must_use]
    pub fn noise_of(&self, located: &Located) -> f64 {
        let noise = self.noise.at(&self.curve, located.point.ln_f);
        let part = |noise: f64, sensitivity: f64| if noise == 0.0 { 0.0 } else { noise * sensitivity };
        part(noise.ln_mag, located.sensitivity.ln_gain).hypot(part(noise.angle, located.sensitivity.phase))
    }

    /// Standard uncertainties that the rounding of the file leaves in the curve at a place, beyond what acts like noise.
    #[must_use]
    pub fn rounding_at(&self, ln_f: f64) -> LocalError {
        if self.steps == [0.0; 2] {
            return LocalError::default();
        }
        let own = self.curve.interval(ln_f);
        let of = |values: &[f64]| values.get(own).copied().unwrap_or(0.0);
        let (sigma, fit) = (of(self.noise.sigma()), of(self.noise.fit()));
        // So many samples a fit averages.
        let count =
            if fit > 0.0 { (sigma / fit).powi(2).clamp(2.0, LONGEST_WINDOW as f64).round() } else { 2.0 };
        let first = (own + 1).saturating_sub(count as usize / 2);
        let last = (first + count as usize).min(self.curve.len());
        let part = |values: &[f64], step: f64, share: f64| {
            let noise = ((share * sigma).powi(2) - step * step / 12.0).max(0.0).sqrt();
            left(values.get(first..last).unwrap_or(&[]), step, noise)
        };
        let ([gain_step, phase_step], [gain_share, phase_share]) = (self.steps, self.noise.shares());
        LocalError {
            ln_mag: part(self.curve.ln_mag(), gain_step, gain_share),
            angle: part(self.curve.angle(), phase_step, phase_share),
        }
    }

    /// Samples that one of `raw` is the mean of; 1 unless the sweep is very long.
    #[must_use]
    pub fn group(&self) -> usize {
        self.group
    }

    /// A single sweep, analysed.
    #[must_use]
    pub fn of(samples: &Samples, critical_point: CriticalPoint) -> Self {
        let mut sweep = Self::default();
        sweep.take(samples, critical_point);
        sweep.smooth(None, &mut Smoother::default());
        sweep
    }
}

/// Samples in a group.
fn group_of(count: usize) -> usize {
    if count > MOST_SAMPLES { count.div_ceil(MOST_SAMPLES - 2) } else { 1 }
}

/// Averages ln f, ln of the magnitude and phase over groups of neighbours. The first and the last sample stay by themselves, so
/// that the sweep keeps its ends.
fn thin(samples: &Samples, into: &mut Samples) {
    into.clear();
    let group = group_of(samples.len());
    let all = || samples.frequency_hz().iter().zip(samples.ln_magnitude()).zip(samples.phase_rad());
    let mut mean = |part: &mut dyn Iterator<Item = ((&f64, &f64), &f64)>| {
        let Some(((hz, ln_mag), phase)) = part.next() else { return };
        let (mut count, mut x, mut a, mut p) = (1.0, 0.0, 0.0, 0.0);
        for ((other_hz, other_mag), other_phase) in part {
            count += 1.0;
            x += (other_hz / hz).ln();
            a += other_mag - ln_mag;
            p += wrap(other_phase - phase);
        }
        into.push(hz * (x / count).exp(), ln_mag + a / count, phase + p / count);
    };
    let last = samples.len().saturating_sub(1);
    mean(&mut all().take(1));
    for from in (1..last).step_by(group) {
        mean(&mut all().skip(from).take(group.min(last - from)));
    }
    mean(&mut all().skip(last));
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::margins::crossover;

    /// An integrator with noise of 1 %, crossing at 1 kHz; every count of samples.
    fn sweep(count: u32) -> Samples {
        let mut samples = Samples::default();
        for k in 0..count {
            let hz = 10.0 * 10f64.powf(4.0 * f64::from(k) / f64::from(count - 1));
            let noise = 0.01 * (f64::from(k) * 1.7 + (f64::from(k) * 0.37).sin() * 40.0).sin();
            samples.push(hz, (1e3 / hz).ln() + noise, 1.5 - noise);
        }
        samples
    }

    #[test]
    fn long_sweeps_are_averaged_in_groups_and_keep_their_ends() {
        for count in [8_192, 8_193, 20_001, 100_000] {
            let samples = sweep(count);
            let analysed = Analysed::of(&samples, CriticalPoint::PlusOne);
            assert!(
                analysed.raw.len() <= MOST_SAMPLES && analysed.raw.len() > MOST_SAMPLES / 2 - 2,
                "{count}"
            );
            let ends = [analysed.raw.frequency_hz()[0], *analysed.raw.frequency_hz().last().unwrap()];
            assert_eq!(ends, [samples.frequency_hz()[0], *samples.frequency_hz().last().unwrap()]);
            let found = crossover(&analysed.crossings, analysed.curve.span()).unwrap();
            assert!((found.value / 1e3 - 1.0).abs() < 2e-3, "{count}: {}", found.value);
        }
    }
}
