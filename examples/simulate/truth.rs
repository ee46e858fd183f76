//! The exact values of a loop inside its band, found here and not by the library: roots of the analytic function,
//! bracketed on a very dense grid and bisected to the last digits.

use super::loops::Loop;
use loopgauge::measurand::{Measurand, PerMeasurand};
use num_complex::Complex64;
use std::f64::consts::TAU;

/// Points of the grid per decade. The sharpest resonance here is some 5 % wide: 60 points across.
const PER_DECADE: f64 = 1500.0;

/// Larger steps of the wrapped angle from point to point are its jump by a whole turn, rad.
const SMALL_STEP: f64 = 0.5 * std::f64::consts::PI;

/// A crossover.
#[derive(Clone, Copy, Debug)]
pub struct Crossover {
    pub hz: f64,
    pub falling: bool,
    /// Phase margin, rad, in (-pi, pi].
    pub margin_rad: f64,
}

/// The exact values in the units that the library reports.
#[derive(Clone, Debug)]
pub struct Truth {
    pub crossovers: Vec<Crossover>,
    /// Phase crossovers: Hz and |T|.
    pub phase_crossovers: Vec<(f64, f64)>,
    values: PerMeasurand<f64>,
    /// Frequency of the phase margin, Hz.
    pub phase_at_hz: f64,
    /// Least distance of an extremum of the gain from 0 dB, dB: how clear the number of crossovers is.
    pub clear_db: f64,
    /// Least distance of an extremum of the phase from the ray, deg.
    pub clear_deg: f64,
}

impl Truth {
    /// The quantities whose exact values are found here: no other is simulated.
    pub const KNOWN: [Measurand; 6] = [
        Measurand::Crossover,
        Measurand::PhaseMargin,
        Measurand::GainMargin,
        Measurand::GainReductionMargin,
        Measurand::StabilityMargin,
        Measurand::DelayMargin,
    ];

    pub fn get(&self, quantity: Measurand) -> Option<f64> {
        self.values.get(quantity)
    }

    pub fn crossover_hz(&self) -> f64 {
        self.get(Measurand::Crossover).unwrap_or(f64::NAN)
    }
}

/// Bisects to the last digits in ln f; `before` is the sign of `f` at `low`.
fn bisect(f: impl Fn(f64) -> f64, mut low: f64, mut high: f64) -> f64 {
    let before = f(low) > 0.0;
    for _ in 0..80 {
        let middle = 0.5 * (low + high);
        if (f(middle) > 0.0) == before {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

/// Smallest value of `f` between two places, by thirds.
fn smallest(f: impl Fn(f64) -> f64, mut low: f64, mut high: f64) -> f64 {
    for _ in 0..90 {
        let (a, b) = (low + (high - low) / 3.0, high - (high - low) / 3.0);
        if f(a) < f(b) {
            high = b;
        } else {
            low = a;
        }
    }
    f(0.5 * (low + high))
}

/// Angle from the direction of the critical point, rad, in (-pi, pi].
fn angle(t: Complex64) -> f64 {
    (-t).arg()
}

fn db(ratio: f64) -> f64 {
    20.0 * ratio.log10()
}

/// Extrema of a row of numbers, by the middle one of three.
fn extrema(values: &[f64]) -> impl Iterator<Item = f64> + '_ {
    values.windows(3).filter(|w| (w[1] - w[0]) * (w[2] - w[1]) <= 0.0).map(|w| w[1])
}

/// Finds everything about a loop.
pub fn of(the_loop: &Loop) -> Truth {
    inside(the_loop.from_hz, the_loop.to_hz, PER_DECADE, |hz| the_loop.at(hz))
}

/// Finds everything about a loop gain inside a band, critical point -1, from a grid of so many points per decade.
pub fn inside(from_hz: f64, to_hz: f64, per_decade: f64, gain: impl Fn(f64) -> Complex64) -> Truth {
    let (from, to) = (from_hz.ln(), to_hz.ln());
    let count = ((to - from) / std::f64::consts::LN_10 * per_decade).ceil() as usize;
    let x: Vec<f64> = (0..=count).map(|k| from + (to - from) * k as f64 / count as f64).collect();
    let t: Vec<Complex64> = x.iter().map(|x| gain(x.exp())).collect();
    let ln_gain: Vec<f64> = t.iter().map(|t| 0.5 * t.norm_sqr().ln()).collect();
    let angles: Vec<f64> = t.iter().map(|&t| angle(t)).collect();
    let at = |x: f64| gain(x.exp());
    let (mut crossovers, mut phase_crossovers) = (Vec::new(), Vec::new());
    for k in 0..count {
        let (low, high) = (x[k], x[k + 1]);
        if (ln_gain[k] > 0.0) != (ln_gain[k + 1] > 0.0) {
            let root = bisect(|x| at(x).norm_sqr() - 1.0, low, high);
            let falling = ln_gain[k] > 0.0;
            crossovers.push(Crossover { hz: root.exp(), falling, margin_rad: angle(at(root)) });
        }
        let step = angles[k + 1] - angles[k];
        if (angles[k] > 0.0) != (angles[k + 1] > 0.0) && step.abs() < SMALL_STEP {
            let root = bisect(|x| angle(at(x)), low, high);
            phase_crossovers.push((root.exp(), at(root).norm()));
        }
    }
    let distance = |x: f64| (1.0 + at(x)).norm();
    let coarse: Vec<f64> = t.iter().map(|t| (1.0 + t).norm_sqr().sqrt()).collect();
    let least = coarse.iter().copied().fold(f64::INFINITY, f64::min);
    let stability = (0..=count)
        .filter(|&k| coarse[k] < 1.01 * least)
        .map(|k| smallest(distance, x[k.saturating_sub(1)], x[(k + 1).min(count)]))
        .fold(least, f64::min);
    let unwrapped = unwrap(&angles);
    let clear_deg = extrema(&unwrapped)
        .map(|a| (a - TAU * (a / TAU).round()).abs().to_degrees())
        .fold(f64::INFINITY, f64::min);
    let nearest = crossovers.iter().min_by(|a, b| a.margin_rad.abs().total_cmp(&b.margin_rad.abs()));
    let margins = |below: bool| {
        let found = phase_crossovers.iter().filter(move |(_, ratio)| (*ratio < 1.0) == below);
        found.map(|(_, ratio)| db(*ratio).abs()).min_by(f64::total_cmp)
    };
    let delay = |c: &Crossover| c.margin_rad.rem_euclid(TAU) / (TAU * c.hz);
    Truth {
        values: PerMeasurand::default()
            .with(Measurand::Crossover, crossovers.iter().rfind(|c| c.falling).map(|c| c.hz))
            .with(Measurand::PhaseMargin, nearest.map(|c| c.margin_rad.to_degrees()))
            .with(Measurand::GainMargin, margins(true))
            .with(Measurand::GainReductionMargin, margins(false))
            .with(Measurand::StabilityMargin, Some(stability))
            .with(Measurand::DelayMargin, crossovers.iter().map(delay).min_by(f64::total_cmp)),
        phase_at_hz: nearest.map_or(f64::NAN, |c| c.hz),
        clear_db: extrema(&ln_gain).map(|a| db(a.exp()).abs()).fold(f64::INFINITY, f64::min),
        clear_deg,
        crossovers,
        phase_crossovers,
    }
}

fn unwrap(angles: &[f64]) -> Vec<f64> {
    let mut turns = 0.0;
    let mut previous = angles[0];
    let mut out = Vec::with_capacity(angles.len());
    for &a in angles {
        turns -= ((a - previous) / TAU).round();
        previous = a;
        out.push(a + turns * TAU);
    }
    out
}
