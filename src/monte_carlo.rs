//! Uncertainty by simulation, where the law of propagation does not hold.
//!
//! That law takes a value to answer to errors of the curve along a straight line. It does not where the curve bends within
//! the reach of its own noise, where the distance to the critical point is flat over many samples (the smallest of several
//! noisy distances is smaller than each of them), or where one crossing is about to take over from another. There the errors
//! are drawn, the curve is disturbed by them, and the value is read from it again (JCGM 101:2008, 7).
//!
//! The draws are seeded from the sweep's own numbers: the same sweep gives the same uncertainty, on any machine and in any
//! order.

use crate::analysed::Analysed;
use crate::curve::{Curve, Span};
use crate::margins::Crossings;
use crate::uncertainty::Chain;
use rand_distr::{Distribution, StandardNormal, Uniform};
use rand_pcg::Pcg64;
use rand_pcg::rand_core::SeedableRng;
use statrs::function::erf::erf;
use std::f64::consts::{PI, TAU};

/// Trials. The ends of the interval come from the outer 2.3 % of them, which leaves some 3 % of its width open.
const TRIALS: usize = 2_000;
/// Share of trials without the value above which no interval can be given: the outer part beyond one end.
const LOST: f64 = 0.0228;

/// Memory of a simulation.
#[derive(Debug, Default)]
pub struct Trials {
    curve: Curve,
    crossings: Crossings,
    draws: Vec<[f64; 2]>,
    values: Vec<[f64; 2]>,
    results: Vec<f64>,
}

/// How a value is read from a disturbed curve.
pub type Read<'a> = dyn Fn(&Curve, &Crossings, Span) -> Option<f64> + 'a;

impl Trials {
    /// Half width of the interval about `value` that holds as much of the simulated values as `coverage` standard deviations of
    /// a normal distribution do; the larger of the two sides. `None` when too many trials have no such value, or the delay leaves
    /// the phase open by more than half a turn between two samples.
    ///
    /// `span` is the part of the sweep that matters: `read` is given this part alone.
    pub fn half_width(
        &mut self,
        sweep: &Analysed,
        chain: &Chain,
        span: Span,
        value: f64,
        coverage: f64,
        read: &Read<'_>,
    ) -> Option<f64> {
        let unit = Uniform::new_inclusive(-1.0, 1.0).ok()?;
        let mut random = Pcg64::seed_from_u64(seed(&sweep.raw, span));
        let curve = &sweep.curve;
        let first = curve.ln_f().partition_point(|x| *x < span.from).saturating_sub(2);
        let last = (curve.ln_f().partition_point(|x| *x <= span.to) + 2).min(curve.len());
        let step_hz = |pair: &[f64]| pair.last().zip(pair.first()).map_or(0.0, |(b, a)| b - a);
        let part = curve.frequency_hz().get(first..last).unwrap_or(&[]);
        let widest_hz = part.windows(2).map(step_hz).fold(0.0, f64::max);
        if TAU * chain.delay_s * widest_hz > PI {
            // The delay may turn the curve by more than half a turn from sample to sample: nothing tells which way it goes.
            return None;
        }
        self.results.clear();
        for _ in 0..TRIALS {
            let gain = chain.gain_np * unit.sample(&mut random);
            let phase = chain.phase_rad * unit.sample(&mut random);
            let delay = chain.delay_s * unit.sample(&mut random);
            let ratio = [(); 2].map(|()| {
                let normal: f64 = StandardNormal.sample(&mut random);
                0.5 * chain.impedance_ratio * normal
            });
            self.draws.clear();
            self.draws.extend((0..curve.len()).map(|i| {
                // Only samples that a window of the part can reach need a draw.
                if i + REACH < first || i > last + REACH {
                    return [0.0; 2];
                }
                [StandardNormal.sample(&mut random), StandardNormal.sample(&mut random)]
            }));
            correlate(&mut self.draws, sweep.noise.correlation());
            sweep.noise.disturb(first..last, &self.draws, &mut self.values);
            let columns = curve.ln_f().iter().zip(curve.ln_mag()).zip(curve.angle());
            let part = columns.skip(first).take(last - first);
            for (error, ((x, a), p)) in self.values.iter_mut().zip(part) {
                let loading = loading(*a, *p, ratio);
                *error = [
                    a + error[0] + gain + loading[0],
                    p + error[1] + phase + TAU * delay * x.exp() + loading[1],
                ];
            }
            self.curve.part_of(curve, first..last, &self.values);
            self.crossings.find(&self.curve);
            let span = self.curve.clip(span)?;
            self.results.extend(read(&self.curve, &self.crossings, span).filter(|v| v.is_finite()));
        }
        let lost = (TRIALS - self.results.len()) as f64 / TRIALS as f64;
        if lost > LOST {
            return None;
        }
        self.results.sort_by(f64::total_cmp);
        let outer = 0.5 * (1.0 - erf(coverage / std::f64::consts::SQRT_2));
        let at = |share: f64| {
            let place = (share * self.results.len() as f64).round() as usize;
            self.results.get(place.min(self.results.len().saturating_sub(1))).copied()
        };
        Some((value - at(outer)?).max(at(1.0 - outer)? - value).max(0.0))
    }
}

/// Gives neighbouring draws the correlation `r`, and keeps their variance.
fn correlate(draws: &mut [[f64; 2]], r: f64) {
    if r == 0.0 {
        return;
    }
    let fresh = (1.0 - r * r).sqrt();
    let mut before: Option<[f64; 2]> = None;
    for draw in draws {
        if let Some([a, p]) = before {
            *draw = [r * a + fresh * draw[0], r * p + fresh * draw[1]];
        }
        before = Some(*draw);
    }
}

/// Samples beyond the part that a window may reach.
const REACH: usize = crate::noise::LONGEST_WINDOW;

/// Error of ln T that the impedance ratio r makes: ln of 1 + (1 + 1/T) r in the textbook convention, whose T is minus the
/// curve (R. D. Middlebrook 1975, as in [`crate::uncertainty`]).
fn loading(ln_mag: f64, angle: f64, r: [f64; 2]) -> [f64; 2] {
    if r == [0.0; 2] {
        return [0.0; 2];
    }
    let inverse = (-ln_mag).exp();
    let w = [1.0 - inverse * angle.cos(), inverse * angle.sin()];
    let [re, im] = [1.0 + w[0] * r[0] - w[1] * r[1], w[0] * r[1] + w[1] * r[0]];
    [re.hypot(im).ln(), im.atan2(re)]
}

/// A number from the samples and the place.
fn seed(raw: &Curve, span: Span) -> u64 {
    let place = [span.from, span.to];
    let numbers = raw.ln_mag().iter().chain(raw.angle()).chain(&place);
    numbers.fold(0xcbf2_9ce4_8422_2325, |hash: u64, number| {
        (hash ^ number.to_bits()).wrapping_mul(0x0000_0100_0000_01b3).rotate_left(23)
    })
}
