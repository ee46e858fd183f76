//! A sweep made ready to be judged: its samples, its noise, the smooth curve under it and all crossings of that.

mod between;

pub use between::Sharp;

use crate::curve::{Curve, LocalError, Span, wrap};
use crate::margins::{Crossings, Located};
use crate::noise::rounding::{digit_steps, uncertainty_of_mean};
use crate::noise::{Evidence, LONGEST_WINDOW, Noise, Smoother};
use crate::spec::CriticalPoint;
use crate::sweep::Samples;
use std::ops::Range;

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
    sharp: Vec<Sharp>,
    thinned: Samples,
    group: usize,
    /// What each sample of `raw` tells of its own uncertainty; empty where samples do not tell.
    least: Vec<f64>,
}

/// Most samples that are looked at one by one. With more, neighbours are averaged in groups: over the five decades of a long
/// sweep 8 192 are 1 600 per decade, which carry a resonance of Q 300, and the noise of a group is that much smaller.
pub const MOST_SAMPLES: usize = 8_192;

/// Samples per decade that are left at least where noisy neighbours are averaged although there are not too many of them: the windows of
/// the local fits are counted in samples, and would be short on a denser grid.
const DENSE: f64 = 400.0;

impl Analysed {
    /// Takes over samples; [`Self::smooth`] is next.
    pub fn take(&mut self, samples: &Samples, critical_point: CriticalPoint) {
        self.take_in_groups(samples, groups(samples, 0.0), critical_point);
    }

    /// The same, averaged over `group` neighbours, or more where there are too many samples.
    pub(crate) fn take_in_groups(&mut self, samples: &Samples, group: usize, critical_point: CriticalPoint) {
        self.group = group.max(least_group(samples.len()));
        self.steps = digit_steps(samples.ln_magnitude(), samples.phase_rad());
        if self.group > 1 {
            averaged(samples, self.group, &mut self.thinned);
            self.raw.fill(&self.thinned, critical_point);
            self.least.clear();
            self.least.extend_from_slice(self.thinned.uncertainty());
        } else {
            self.raw.fill(samples, critical_point);
            self.least.clear();
            self.least.extend_from_slice(samples.uncertainty());
        }
    }

    /// The same of the mean of repeats, each averaged over `group` neighbours before; `repeat` is one of them as it was read, since their
    /// mean has digits that none of them has.
    pub(crate) fn take_means(
        &mut self,
        means: &Samples,
        repeat: &Samples,
        group: usize,
        critical_point: CriticalPoint,
    ) {
        self.group = group;
        self.steps = digit_steps(repeat.ln_magnitude(), repeat.phase_rad());
        self.raw.fill(means, critical_point);
        self.least.clear();
        self.least.extend_from_slice(means.uncertainty());
    }

    /// Finds the noise of the samples taken, the curve under it and its crossings. `evidence` is what other sweeps of the same loop
    /// say of the noise.
    pub fn smooth(&mut self, evidence: Option<&Evidence>, smoother: &mut Smoother) {
        smoother.smooth(&self.raw, evidence, &self.least, &mut self.noise, &mut self.curve);
        self.crossings.find(&self.curve);
        self.crossings.merge(&self.curve, &self.noise);
        self.find_sharp();
    }

    /// What may lie between the points of a part of the sweep beside a resonance as narrow as the steps.
    pub fn sharp_in(&self, span: Span) -> impl Iterator<Item = &Sharp> {
        self.sharp.iter().filter(move |sharp| span.holds(sharp.ln_f))
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
            uncertainty_of_mean(values.get(first..last).unwrap_or(&[]), step, noise)
        };
        let ([gain_step, phase_step], [gain_share, phase_share]) = (self.steps, self.noise.shares());
        LocalError {
            ln_mag: part(self.curve.ln_mag(), gain_step, gain_share),
            angle: part(self.curve.angle(), phase_step, phase_share),
        }
    }

    /// Samples that one of `raw` is the mean of; 1 unless the sweep is very long or dense.
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

/// Samples in a group, at least.
pub(crate) fn least_group(count: usize) -> usize {
    if count > MOST_SAMPLES { count.div_ceil(MOST_SAMPLES - 2) } else { 1 }
}

/// Samples that are averaged: as many as leave [`DENSE`] of them per decade everywhere, and twice as many as are `wanted`, where the samples
/// are noisy and their means carry all that the samples show.
pub(crate) fn groups(samples: &Samples, wanted: f64) -> usize {
    let least = least_group(samples.len());
    // A grid of exactly twice that density is one, whatever its rounding.
    let most = (density(samples.frequency_hz()) / DENSE.max(2.0 * wanted) + 1e-6) as usize;
    if most <= least || is_quiet(samples) {
        return least;
    }
    let (mut means, mut curve) = (Samples::default(), Curve::new());
    let halvings = std::iter::successors(Some(most), |group| Some(group / 2));
    let carrying = halvings.take_while(|group| *group > least).find(|group| {
        averaged(samples, *group, &mut means);
        curve.fill(&means, CriticalPoint::PlusOne);
        is_noise(&curve)
    });
    carrying.unwrap_or(least)
}

/// Points per decade where there are fewest, over a sixteenth of the samples.
fn density(frequency_hz: &[f64]) -> f64 {
    let part = (frequency_hz.len() / 16).max(2);
    let ends = frequency_hz.chunks_exact(part).filter_map(|part| Some((part.first()?, part.last()?)));
    let width = ends.map(|(from, to)| (to / from).log10()).fold(0.0, f64::max);
    if width > 0.0 { (part - 1) as f64 / width } else { 0.0 }
}

/// Samples whose deviations are held against each other.
const NEIGHBOURHOOD: usize = 64;
/// Multiple of the median deviation that single samples of noise stay below: 5.4 standard deviations, passed once in ten million.
const STANDS_OUT: f64 = 8.0;
/// Deviation, neper and rad, below which nothing stands out.
const SMALL: f64 = 1e-4;
/// Median deviation, neper or rad, from which on means are worth their bias: over 1/400 of a decade a curve with a second derivative of 1
/// is off by 1.4e-6 neper, less than a hundredth of the uncertainty that is left of so much noise.
const NOISY: f64 = 3e-4;

/// Whether a glance at third differences shows too little noise for means to be worth it; what bends only makes them larger.
fn is_quiet(samples: &Samples) -> bool {
    let differences = |values: &[f64]| {
        let third = |w: &[f64]| match w {
            [a, b, c, d] => (wrap(b - a) - 2.0 * wrap(c - b) + wrap(d - c)).abs(),
            _ => 0.0,
        };
        let mut found: Vec<f64> = values.windows(4).step_by(8).map(third).collect();
        median(&mut found)
    };
    // A third difference has 20 times the variance of a sample, the deviation from the cubic through four neighbours 1.94 times.
    let least = NOISY * (20.0_f64 / 1.94).sqrt();
    differences(samples.ln_magnitude()) < least && differences(samples.phase_rad()) < least
}

/// Whether what samples deviate by from the cubics through their neighbours is noise, of one size in one neighbourhood: a resonance or a
/// step that the samples do not carry stands out.
fn is_noise(curve: &Curve) -> bool {
    // Neither the ends nor the rest of a group before the last are means of as many.
    let missed = (3..curve.len().saturating_sub(4)).filter_map(|k| curve.left_out(k, 1));
    let (mut gains, mut phases): (Vec<f64>, Vec<f64>) = missed.map(|miss| (miss.ln_mag, miss.angle)).unzip();
    let noisy = [&gains, &phases].map(|misses| median(&mut misses.clone()) > NOISY);
    let even = |misses: &mut Vec<f64>| {
        let n = misses.len();
        (0..n).step_by(NEIGHBOURHOOD).all(|from| {
            let from = from.min(n.saturating_sub(NEIGHBOURHOOD));
            let mut near = misses.get(from..n.min(from + NEIGHBOURHOOD)).unwrap_or(&[]).to_vec();
            let most = near.iter().copied().fold(0.0, f64::max);
            most <= (STANDS_OUT * median(&mut near)).max(SMALL)
        })
    };
    noisy.contains(&true) && even(&mut gains) && even(&mut phases)
}

fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(0.0)
}

/// Averages ln f, ln of the magnitude and phase over groups of neighbours. The first and the last sample stay by themselves, so
/// that the sweep keeps its ends.
pub(crate) fn averaged(samples: &Samples, group: usize, into: &mut Samples) {
    into.clear();
    let mut mean = |part: Range<usize>| {
        let (hz, ln_mag, phase) = (samples.frequency_hz(), samples.ln_magnitude(), samples.phase_rad());
        let (Some([hz, more_hz @ ..]), Some([ln_mag, more_mag @ ..]), Some([phase, more_phase @ ..])) =
            (hz.get(part.clone()), ln_mag.get(part.clone()), phase.get(part))
        else {
            return;
        };
        let (mut count, mut x, mut a, mut p) = (1.0, 0.0, 0.0, 0.0);
        for ((other_hz, other_mag), other_phase) in more_hz.iter().zip(more_mag).zip(more_phase) {
            count += 1.0;
            x += (other_hz / hz).ln();
            a += other_mag - ln_mag;
            p += wrap(other_phase - phase);
        }
        into.push(hz * (x / count).exp(), ln_mag + a / count, phase + p / count);
    };
    let last = samples.len().saturating_sub(1);
    mean(0..1.min(last));
    for from in (1..last).step_by(group.max(1)) {
        mean(from..last.min(from + group));
    }
    mean(last..samples.len());
    let of_means: Vec<f64> = match samples.uncertainty() {
        [] => Vec::new(),
        of_samples => {
            let inner = of_samples.get(1..last).unwrap_or_default().chunks(group.max(1)).map(of_mean);
            of_samples
                .iter()
                .take(1.min(last))
                .copied()
                .chain(inner)
                .chain(of_samples.last().copied())
                .collect()
        }
    };
    into.set_uncertainty(of_means);
}

/// Standard uncertainty of the mean of independent values.
fn of_mean(values: &[f64]) -> f64 {
    values.iter().map(|u| u * u).sum::<f64>().sqrt() / values.len().max(1) as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::margins::crossover;
    use crate::noise::simulated_noise::{resonance, samples};

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

    /// The loop of [`sweep`] with normal noise of a size, and a resonance at 3 kHz where its quality is given.
    fn noisy(count: u32, sigma: f64, quality: Option<f64>, seed: u64) -> Samples {
        let hz: Vec<f64> =
            (0..count).map(|k| 10.0 * 10f64.powf(4.0 * f64::from(k) / f64::from(count - 1))).collect();
        let shape = |x: f64| {
            let bump = quality.map_or([0.0; 2], |q| resonance(x - 3f64.ln(), q));
            [
                bump[0] - x - 0.5 * (1.0 + (2.0 * x).exp() / 100.0).ln(),
                1.5 - (x.exp() / 10.0).atan() + bump[1],
            ]
        };
        samples(&hz, &shape, &|_| [sigma; 2], seed)
    }

    #[test]
    fn dense_noise_is_averaged_and_what_single_samples_show_is_not() {
        for (count, group) in [(401, 1), (1_601, 1), (3_201, 2), (8_001, 5), (100_000, 62)] {
            assert_eq!(groups(&noisy(count, 0.01, None, 7), 0.0), group, "{count}");
        }
        assert_eq!(groups(&noisy(8_001, 0.01, Some(5.0), 7), 0.0), 5, "400 points per decade carry it");
        assert_eq!(groups(&noisy(8_001, 0.01, Some(300.0), 7), 0.0), 1, "they do not");
        assert_eq!(groups(&noisy(8_001, 0.0, None, 7), 0.0), 1, "nothing to be averaged away");
        assert_eq!(groups(&noisy(8_001, 0.01, None, 7), 500.0), 2, "a density of 500 is asked for");
        let mut hit = noisy(8_001, 0.001, None, 7);
        hit.planted().0[4_000] += 0.1;
        assert_eq!(groups(&hit, 0.0), 1, "a spike is seen as one");
    }

    /// Averages of five have the noise of the sparse sweep: values scatter alike about the exact one, and say so.
    #[test]
    fn a_dense_sweep_tells_what_a_sparse_one_with_as_much_noise_tells() {
        const SEEDS: u64 = 300;
        let found = |samples: &Samples| {
            let own = Analysed::of(samples, CriticalPoint::PlusOne);
            let at = crossover(&own.crossings, own.curve.span()).unwrap();
            (at.value.ln(), own.noise_of(&at) / at.value)
        };
        let (exact, _) = found(&noisy(1_601, 0.0, None, 0));
        let rms = |count: u32, sigma: f64| {
            let (mut seen, mut stated) = (0.0, 0.0);
            for seed in 0..SEEDS {
                let (value, u) = found(&noisy(count, sigma, None, seed));
                (seen, stated) = (seen + (value - exact).powi(2), stated + u * u);
            }
            [seen, stated].map(|sum| (sum / SEEDS as f64).sqrt())
        };
        let [seen, stated] = rms(8_001, 0.01);
        let [_, sparse] = rms(1_601, 0.01 / 5f64.sqrt());
        // Windows are chosen sweep by sweep, so that what is stated scatters by a third: 3 % of the ratio of two means.
        assert!((stated / sparse - 1.0).abs() < 0.1, "{stated} {sparse}");
        // 300 seeds tell a standard deviation to 4 %.
        assert!((0.85..1.15).contains(&(seen / stated)), "{seen} {stated}");
    }

    #[test]
    fn long_sweeps_are_averaged_in_groups_and_keep_their_ends() {
        for count in [8_192, 8_193, 20_001, 100_000] {
            let samples = sweep(count);
            let analysed = Analysed::of(&samples, CriticalPoint::PlusOne);
            assert!(analysed.raw.len() <= MOST_SAMPLES && analysed.raw.len() >= 1_600, "{count}");
            let ends = [analysed.raw.frequency_hz()[0], *analysed.raw.frequency_hz().last().unwrap()];
            assert_eq!(ends, [samples.frequency_hz()[0], *samples.frequency_hz().last().unwrap()]);
            let found = crossover(&analysed.crossings, analysed.curve.span()).unwrap();
            assert!((found.value / 1e3 - 1.0).abs() < 2e-3, "{count}: {}", found.value);
        }
    }

    #[test]
    fn a_sweep_of_too_many_samples_is_cut_to_that_many() {
        for (count, group) in [(8_191, 1), (8_192, 1), (8_193, 2), (16_380, 2), (16_381, 3), (100_000, 13)] {
            assert_eq!(least_group(count), group, "{count}");
            assert!(count.div_ceil(group) <= MOST_SAMPLES);
        }
        let own = Analysed::of(&noisy(20_000, 0.0, None, 1), CriticalPoint::PlusOne);
        assert_eq!(
            (own.group(), Analysed::of(&noisy(401, 0.0, None, 1), CriticalPoint::PlusOne).group()),
            (3, 1)
        );
    }

    /// Four samples of noise s have a third difference of sqrt(20) s, and a median of 0.674 of that: 3e-4 of a deviation from the cubic
    /// through the neighbours is s = 3.2e-4. The curve falls by four times as much from sample to sample.
    #[test]
    fn noise_of_either_part_is_seen_at_a_glance() {
        let loud = |gain: f64, phase: f64, from: f64| {
            let hz: Vec<f64> = (0..=8_000).map(|k| 10.0 * 10f64.powf(f64::from(k) / 2_000.0)).collect();
            let samples = samples(&hz, &|x| [-x, wrap(from - x)], &|_| [gain, phase], 11);
            !is_quiet(&samples)
        };
        // Beginning at 3 rad the phase wraps on its way.
        for from in [0.0, 3.0] {
            for (gain, phase, seen) in [
                (0.0, 0.0, false),
                (2.7e-4, 2.7e-4, false),
                (3.7e-4, 0.0, true),
                (0.0, 3.7e-4, true),
                (3.7e-4, 3.7e-4, true),
            ] {
                assert_eq!(loud(gain, phase, from), seen, "{gain} {phase} {from}");
            }
        }
    }

    /// A mean has the place, the gain and the phase in the middle of its samples, across the wrap of the phase too.
    #[test]
    fn means_are_of_what_stands_together() {
        let mut samples = Samples::default();
        for (k, ln_mag) in [0.5, 0.4, 0.1, -0.2, -0.7, -0.9, -1.4].into_iter().enumerate() {
            samples.push(10.0 * (0.1 * k as f64).exp(), ln_mag, wrap(3.0 + 0.1 * k as f64));
        }
        samples.set_uncertainty(vec![0.1, 0.3, 0.4, 0.6, 0.8, 0.5, 0.2]);
        let mut means = Samples::default();
        averaged(&samples, 2, &mut means);
        let close = |found: &[f64], exact: &[f64]| {
            assert_eq!(found.len(), exact.len());
            assert!(found.iter().zip(exact).all(|(a, b)| (a - b).abs() < 1e-9), "{found:?} {exact:?}");
        };
        close(
            &means.frequency_hz().iter().map(|f| (f / 10.0).ln()).collect::<Vec<_>>(),
            &[0.0, 0.15, 0.35, 0.5, 0.6],
        );
        close(means.ln_magnitude(), &[0.5, 0.25, -0.45, -0.9, -1.4]);
        let phases: Vec<f64> =
            means.phase_rad().iter().map(|p| p.rem_euclid(std::f64::consts::TAU)).collect();
        close(&phases, &[3.0, 3.15, 3.35, 3.5, 3.6]);
        close(means.uncertainty(), &[0.1, 0.25, 0.5, 0.5, 0.2]);
    }

    /// 20 dB a decade, 20 points a decade, digits of 0.1 dB: all samples round alike, and no fit takes anything off. Noise of 0.3 of a
    /// step leaves exp(-2 (0.3 pi)^2) of the first harmonic of step / pi / sqrt 2; where samples round differently the mean
    /// of a window has less.
    #[test]
    fn rounding_that_neighbours_share_is_left_in_the_curve() {
        let step = 0.1 * std::f64::consts::LN_10 / 20.0;
        let told = |per_decade: f64, noise: f64, seed: u64| {
            let count = (4.0 * per_decade) as u32;
            let hz: Vec<f64> = (0..=count).map(|k| 10.0 * 10f64.powf(f64::from(k) / per_decade)).collect();
            let exact = samples(&hz, &|x| [3.3 * step - x, 1.0 - 0.1 * x], &|_| [noise * step; 2], seed);
            let mut rounded = Samples::default();
            for ((hz, a), p) in hz.iter().zip(exact.ln_magnitude()).zip(exact.phase_rad()) {
                rounded.push(*hz, (a / step).round() * step, *p);
            }
            let own = Analysed::of(&rounded, CriticalPoint::PlusOne);
            let at = own.rounding_at(1e3_f64.ln());
            assert_eq!(at.angle, 0.0);
            at.ln_mag / step
        };
        // 0.9 of the variance of a rectangular distribution.
        assert!((told(20.0, 0.0, 1) - (0.9_f64 / 12.0).sqrt()).abs() < 0.005, "{}", told(20.0, 0.0, 1));
        let mean = |per_decade: f64, noise: f64| {
            (0..40).map(|seed| told(per_decade, noise, seed)).sum::<f64>() / 40.0
        };
        let aligned =
            (-0.5 * (std::f64::consts::TAU * 0.3).powi(2)).exp() / std::f64::consts::PI / 2f64.sqrt();
        // The noise is an estimate, and less of it leaves more: up to three times as much in the mean.
        let (alike, otherwise) = (mean(20.0, 0.3), mean(19.0, 0.3));
        assert!((0.8 * aligned..3.0 * aligned).contains(&alike), "{alike} {aligned}");
        assert!(otherwise < 0.5 * alike, "{otherwise} {alike}");
    }

    /// What does not answer to noise that is none has none, however steeply it would answer.
    #[test]
    fn no_noise_is_none_at_any_sensitivity() {
        let own = Analysed::of(&noisy(5, 0.0, None, 1), CriticalPoint::PlusOne);
        let mut at = crossover(&own.crossings, own.curve.span()).unwrap();
        at.sensitivity = crate::margins::Sensitivity { ln_gain: f64::INFINITY, phase: f64::INFINITY };
        assert_eq!(own.noise_of(&at), 0.0);
        let own = Analysed::of(&noisy(401, 0.01, None, 1), CriticalPoint::PlusOne);
        let noise = own.noise.at(&own.curve, at.point.ln_f);
        at.sensitivity = crate::margins::Sensitivity { ln_gain: 3.0, phase: -4.0 };
        assert!((own.noise_of(&at) / (3.0 * noise.ln_mag).hypot(4.0 * noise.angle) - 1.0).abs() < 1e-12);
        assert!(noise.ln_mag > 1e-4);
    }
}
