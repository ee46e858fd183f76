//! A corner to be judged: a sound loop of a family with its exact values, the bench it is measured on, and what the unit does
//! between the sweeps.

use super::super::truth::{self, Truth};
use super::classes::CLASSES;
use super::draw::Draw;
use super::judge::Asked;
use super::plant::Plant;
use super::receivers::{Digits, Receivers};
use super::unit::{Drift, LevelEffect, Spur};
use loopgauge::measurand::Measurand;
use num_complex::Complex64;
use std::f64::consts::LN_10;

/// How the points of a sweep lie.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Density {
    /// Even over the logarithm, so many a decade.
    PerDecade(u32),
    /// Even over Hz, some 12 to 20 a decade at the low end.
    Linear,
}

impl Density {
    pub const ALL: [Self; 12] = [
        Self::PerDecade(10),
        Self::PerDecade(12),
        Self::PerDecade(15),
        Self::PerDecade(20),
        Self::PerDecade(25),
        Self::PerDecade(30),
        Self::PerDecade(40),
        Self::PerDecade(50),
        Self::PerDecade(75),
        Self::PerDecade(100),
        Self::PerDecade(200),
        Self::Linear,
    ];

    pub fn label(self) -> String {
        match self {
            Self::PerDecade(n) => n.to_string(),
            Self::Linear => "lin".to_owned(),
        }
    }
}

/// Which corner: enough to draw it again.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Key {
    pub seed: u64,
    pub class: usize,
    pub density: usize,
    pub number: usize,
}

impl Key {
    pub fn draw(&self, mode: u64) -> Draw {
        Draw::of(self.seed, mode, self.class * 100 + self.density, self.number)
    }

    /// The stream of noise of the `repeat`th time that the corner is measured.
    pub fn noise(&self, mode: u64, repeat: usize) -> Draw {
        Draw::of(self.seed, mode, (repeat + 1) * 100_000 + self.class * 100 + self.density, self.number)
    }

    pub fn text(&self) -> String {
        format!("{}/{}/{}", CLASSES[self.class].name, Density::ALL[self.density].label(), self.number)
    }
}

/// Declared half-widths of the chain's errors.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Accuracy {
    pub gain_db: f64,
    pub phase_deg: f64,
}

/// A corner.
pub struct Scene {
    pub key: Key,
    pub plant: Plant,
    pub truth: Truth,
    /// The band that is judged and swept, Hz.
    pub from_hz: f64,
    pub to_hz: f64,
    /// The points of the sweeps.
    pub hz: Vec<f64>,
    /// Where the gain is judged.
    pub gain_at_hz: f64,
    /// The sweeps are taken around the closed loop: critical point +1.
    pub closed: bool,
    pub receivers: Receivers,
    /// Level of each sweep above the weakest, dB.
    pub levels_db: Vec<f64>,
    pub effect: LevelEffect,
    pub drift: Drift,
    pub spur: Spur,
    pub accuracy: Accuracy,
    /// What the chain makes of every ratio.
    pub chain: Complex64,
    pub digits: Digits,
    /// What is done to every ratio (the wrong quantity is written).
    pub written: fn(Complex64) -> Complex64,
}

/// Least distance to the critical point, phase margin (deg) and gain margins (dB) of a sound loop.
const LEAST_DISTANCE: f64 = 0.3;
const LEAST_PHASE_DEG: f64 = 25.0;
const LEAST_GAIN_DB: f64 = 4.0;
/// Extrema of the gain closer to 0 dB, or of the phase closer to the ray, would leave a count to the noise.
const CLEAR_DB: f64 = 0.7;
const CLEAR_DEG: f64 = 3.0;
/// A judged band ends where the loop gain is below this.
const TOP: f64 = 0.5;

/// Four digits, so that the spec and the grid have the same number.
fn rounded(hz: f64) -> f64 {
    format!("{hz:.3e}").parse().unwrap_or(hz)
}

/// Smallest distance to the critical point over a coarse grid from end to end.
fn quick_distance(plant: &Plant, from_hz: f64, to_hz: f64) -> f64 {
    (0..=400)
        .map(|k| from_hz * (to_hz / from_hz).powf(f64::from(k) / 400.0))
        .map(|hz| (1.0 + plant.at(hz)).norm_sqr())
        .fold(f64::INFINITY, f64::min)
        .sqrt()
}

/// Points per decade of the grid that exact values are bracketed on: four to the width of the sharpest resonance, and extrema are
/// clear of the lines by far more than what lies between two.
const PER_DECADE: f64 = 600.0;

/// The exact values of a loop inside a band.
pub fn exact(plant: &Plant, from_hz: f64, to_hz: f64) -> Truth {
    truth::inside(from_hz, to_hz, PER_DECADE, |hz| plant.at(hz))
}

/// A sound loop of a family with the band it is judged in and its exact values there.
fn sound_loop(d: &mut Draw, class: usize, reach: (f64, f64)) -> (Plant, f64, f64, Truth) {
    for _ in 0..20_000 {
        let (plant, fc) = (CLASSES[class].draw)(d);
        let plant = plant.crossing_at(fc);
        let from = rounded(fc / d.log(8.0, 100.0).clamp(reach.0, reach.1));
        let to = rounded(fc * d.log(5.0, 20.0));
        if (0..60).any(|k| plant.at(to * 1.08f64.powi(k)).norm() > TOP)
            || quick_distance(&plant, from / 10.0, to * 10.0) < LEAST_DISTANCE
            || plant.unstable_poles(fc) != 0
        {
            continue;
        }
        let truth = exact(&plant, from, to);
        if is_sound(&truth, from) {
            return (plant, from, to, truth);
        }
    }
    panic!("{} has hardly any sound loop", CLASSES[class].name);
}

fn is_sound(truth: &Truth, from_hz: f64) -> bool {
    let wide = |q: Measurand, least: f64| truth.get(q).is_none_or(|v| v.abs() >= least);
    truth.crossovers.first().is_some_and(|c| c.falling && c.hz > 3.0 * from_hz)
        && truth.clear_db > CLEAR_DB
        && truth.clear_deg > CLEAR_DEG
        && wide(Measurand::PhaseMargin, LEAST_PHASE_DEG)
        && wide(Measurand::GainMargin, LEAST_GAIN_DB)
        && wide(Measurand::GainReductionMargin, LEAST_GAIN_DB)
        && wide(Measurand::StabilityMargin, LEAST_DISTANCE)
}

/// Points of a sweep from end to end.
fn points(d: &mut Draw, density: Density, from_hz: f64, to_hz: f64) -> Vec<f64> {
    match density {
        Density::PerDecade(n) => {
            let count = ((to_hz / from_hz).log10() * f64::from(n)).ceil() as usize;
            (0..=count).map(|k| from_hz * (to_hz / from_hz).powf(k as f64 / count as f64)).collect()
        }
        Density::Linear => {
            let step = from_hz * (LN_10 / d.between(12.0, 20.0)).exp_m1();
            let count = ((to_hz - from_hz) / step).ceil() as usize;
            (0..=count).map(|k| from_hz + (to_hz - from_hz) * k as f64 / count as f64).collect()
        }
    }
}

/// What sweeps there are.
const LEVELS: [&[f64]; 8] = [
    &[0.0, 3.0],
    &[0.0, 3.0],
    &[0.0, 3.0],
    &[0.0, 3.0],
    &[0.0, 6.0],
    &[0.0, 3.0, 6.0],
    &[0.0, 4.0, 8.0],
    &[0.0, 0.0, 3.0, 3.0],
];

impl Scene {
    /// A corner with all that a bench may have.
    pub fn bench(key: Key, mode: u64) -> Self {
        let mut d = key.draw(mode);
        let mut scene = Self::plain(key, &mut d, (8.0, 100.0), (1e-5, 5e-3));
        let crossover = scene.truth.crossover_hz();
        if d.chance(0.2) {
            let accuracy = d.pick(&[
                Accuracy { gain_db: 0.1, phase_deg: 0.5 },
                Accuracy { gain_db: 0.02, phase_deg: 0.1 },
                Accuracy { gain_db: 0.3, phase_deg: 1.5 },
            ]);
            let (gain, phase) = (d.between(-1.0, 1.0), d.between(-1.0, 1.0));
            scene.accuracy = accuracy;
            scene.chain = Complex64::from_polar(
                10f64.powf(gain * accuracy.gain_db / 20.0),
                phase * accuracy.phase_deg.to_radians(),
            );
        }
        scene.drift = if d.chance(0.2) { Drift::draw(&mut d) } else { Drift::NONE };
        let effect = LevelEffect::draw(&mut d, crossover);
        if d.chance(0.25) {
            let part = d.between(0.05, 0.7);
            scene.effect = effect;
            let change = scene.change();
            if change > 0.0 {
                scene.effect.size *= part / change;
            }
        }
        if d.chance(0.08) {
            scene.spur = Spur::draw(&mut d, scene.hz.len());
        }
        scene
    }

    /// A corner with noise and digits alone.
    pub fn plain(key: Key, d: &mut Draw, reach: (f64, f64), floor: (f64, f64)) -> Self {
        let (plant, from_hz, to_hz, truth) = sound_loop(d, key.class, reach);
        let hz = points(d, Density::ALL[key.density], from_hz, to_hz);
        let fc = truth.crossover_hz();
        let gain_at_hz = rounded(d.log(from_hz * 1.02, (10.0 * fc).min(to_hz / 1.02)));
        let digits = if d.chance(0.6) { Digits::All } else { d.pick(&Digits::ALL) };
        Self {
            key,
            receivers: Receivers::draw(d, floor, fc),
            levels_db: d.pick(&LEVELS).to_vec(),
            closed: d.chance(0.5),
            plant,
            truth,
            from_hz,
            to_hz,
            hz,
            gain_at_hz,
            effect: LevelEffect::NONE,
            drift: Drift::NONE,
            spur: Spur::NONE,
            accuracy: Accuracy { gain_db: 0.0, phase_deg: 0.0 },
            chain: Complex64::new(1.0, 0.0),
            digits,
            written: |t| t,
        }
    }

    /// The exact value in the unit of its check.
    pub fn exact(&self, asked: Asked) -> Option<f64> {
        match asked {
            Asked::Crossover => self.truth.get(Measurand::Crossover),
            Asked::Phase => self.truth.get(Measurand::PhaseMargin),
            Asked::Gain => self.truth.get(Measurand::GainMargin),
            Asked::GainReduction => self.truth.get(Measurand::GainReductionMargin),
            Asked::Stability => self.truth.get(Measurand::StabilityMargin),
            Asked::Delay => self.truth.get(Measurand::DelayMargin),
            Asked::GainAt => Some(20.0 * self.plant.at(self.gain_at_hz).norm().log10()),
        }
    }

    /// Density that the spec asks for.
    pub fn declared_density(&self) -> f64 {
        match Density::ALL[self.key.density] {
            Density::PerDecade(n) => f64::from(n),
            Density::Linear => 10.0,
        }
    }

    /// The loop gain as it is at sweep `k`, small-signal but for the level of that sweep.
    pub fn loop_at(&self, k: usize, hz: f64) -> Complex64 {
        let when = if self.levels_db.len() > 1 { k as f64 / (self.levels_db.len() - 1) as f64 } else { 0.0 };
        let (gain, shift) = self.drift.at(when);
        self.plant.at(hz * shift) * gain * self.effect.factor(hz, self.levels_db[k])
    }

    /// The first sweep that is at least 3 dB stronger than the weakest.
    fn stronger(&self) -> usize {
        self.levels_db.iter().position(|db| *db >= 3.0).unwrap_or(0)
    }

    /// How much the loop itself changes from the weakest sweep to the next level: the largest share of a tolerance.
    pub fn change(&self) -> f64 {
        let strong = self.stronger();
        let delta = |hz: f64| (self.loop_at(strong, hz) / self.loop_at(0, hz)).ln();
        let slope = |hz: f64| (self.plant.at(hz * 1.0005) / self.plant.at(hz / 1.0005)).ln() / 0.001;
        let fc = self.truth.crossover_hz();
        let shift = |hz: f64| -delta(hz).re / slope(hz).re;
        let at = self.truth.phase_at_hz;
        let phase_margin = (delta(at).im + slope(at).im * shift(at)).to_degrees();
        let band = (0..=80).map(|k| 0.1 * fc * 100f64.powf(f64::from(k) / 80.0));
        let curve = band.filter(|hz| (self.from_hz..=self.to_hz).contains(hz)).map(|hz| {
            let d = delta(hz);
            (20.0 / LN_10 * d.re.abs()).max(d.im.to_degrees().abs() / 5.0)
        });
        let points = (shift(fc).abs() / 0.02).max(phase_margin.abs() / 2.0);
        curve.fold(points, f64::max)
    }

    /// Lowest frequency from which on, up to past the last crossover, a sample's noise stays below 10 %.
    pub fn clean_from(&self) -> f64 {
        let last = self.truth.crossovers.last().map_or(f64::NAN, |c| c.hz) * 1.2;
        let noisy = |hz: f64| self.receivers.relative(hz, self.plant.at(hz), 1.0) >= 0.1;
        let dirty = self.hz.iter().rposition(|&hz| hz <= last && noisy(hz));
        self.hz.get(dirty.map_or(0, |k| k + 1)).copied().unwrap_or(f64::INFINITY)
    }

    /// The lowest crossover over where the clean part begins.
    pub fn clean_times(&self) -> f64 {
        self.truth.crossovers.first().map_or(0.0, |c| c.hz) / self.clean_from()
    }

    /// Noise of the difference of two levels at the crossover, expanded, for the best reader there is: one that averages over a
    /// third of a decade; as a share of the tolerances of crossover and phase margin.
    pub fn difference(&self) -> f64 {
        let fc = self.truth.crossover_hz();
        let strong = 10f64.powf(self.levels_db[self.stronger()] / 20.0);
        let noise = |a: f64| self.receivers.relative(fc, self.plant.at(fc), a);
        let averaged = self.hz.iter().filter(|hz| (*hz / fc).ln().abs() < LN_10 / 6.0).count().max(1) as f64;
        // Of correlated samples so many count as one.
        let rho = self.receivers.correlation;
        let independent = (averaged * (1.0 - rho) / (1.0 + rho)).max(1.0);
        let expanded = 2.0 * noise(1.0).hypot(noise(strong)) / independent.sqrt();
        let slope = (self.plant.at(fc * 1.0005) / self.plant.at(fc / 1.0005)).norm().ln() / 0.001;
        (expanded / slope.abs() / 0.02).max(expanded.to_degrees() / 2.0)
    }

    /// What the points leave open of the curve itself.
    pub fn carried(&self) -> Carried {
        carried(&self.plant, &self.hz)
    }

    /// Measures all sweeps: the two numbers of each sample as the files have them.
    pub fn numbers(&self, d: &mut Draw) -> Vec<Vec<[f64; 2]>> {
        let sign = if self.closed { -1.0 } else { 1.0 };
        (0..self.levels_db.len())
            .map(|k| {
                let t: Vec<Complex64> = self.hz.iter().map(|&hz| self.loop_at(k, hz)).collect();
                let strength = 10f64.powf(self.levels_db[k] / 20.0);
                let mut measured = self.receivers.measure(&self.hz, &t, strength, d);
                self.spur.add(&mut measured, self.levels_db[k], d);
                let write = |t: Complex64| self.digits.numbers(sign * (self.written)(t) * self.chain);
                measured.into_iter().map(write).collect()
            })
            .collect()
    }

    /// Measures all sweeps: the ratios that a reader of the files gets.
    pub fn measure(&self, d: &mut Draw) -> Vec<Vec<Complex64>> {
        let read = |sweep: Vec<[f64; 2]>| sweep.into_iter().map(|n| self.digits.read(n)).collect();
        self.numbers(d).into_iter().map(read).collect()
    }
}

/// How well the points carry the curve.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Carried {
    /// A cubic through the exact samples meets the curve between them to half a percent of the distance to the critical point.
    Well,
    /// To 5 %.
    Roughly,
    /// Not so, and the samples show it: leaving one out and predicting it fails by as much.
    Not,
    /// Not so, and the samples do not show it.
    Hidden,
}

impl Carried {
    pub const ALL: [Self; 4] = [Self::Well, Self::Roughly, Self::Not, Self::Hidden];

    pub const fn label(self) -> &'static str {
        match self {
            Self::Well => "points carry the curve",
            Self::Roughly => "roughly",
            Self::Not => "not, and show it",
            Self::Hidden => "hidden between points",
        }
    }
}

/// Only where the gain is within this of 0 dB can a margin come from.
const NEAR_DB: f64 = 30.0;

fn carried(plant: &Plant, hz: &[f64]) -> Carried {
    let ln = |hz: f64| Complex64::new(plant.at(hz).norm().ln(), plant.phase(hz));
    let x: Vec<f64> = hz.iter().map(|hz| hz.ln()).collect();
    let y: Vec<Complex64> = hz.iter().map(|&hz| ln(hz)).collect();
    let near = |t: Complex64| (20.0 * t.norm().log10()).abs() < NEAR_DB;
    let off = |predicted: Complex64, t: Complex64| (predicted.exp() - t).norm() / (1.0 + t).norm();
    let (mut open, mut shown) = (0.0_f64, 0.0_f64);
    for k in 2..hz.len().saturating_sub(2) {
        let middle = 0.5 * (x[k] + x[k + 1]);
        let t = plant.at(middle.exp());
        if near(t) {
            open = open.max(off(lagrange([k - 1, k, k + 1, k + 2], &x, &y, middle), t));
        }
        let t = y[k].exp();
        if near(t) {
            shown = shown.max(off(lagrange([k - 2, k - 1, k + 1, k + 2], &x, &y, x[k]), t));
        }
    }
    match open {
        open if open < 0.005 => Carried::Well,
        open if open < 0.05 => Carried::Roughly,
        open if shown > open => Carried::Not,
        _ => Carried::Hidden,
    }
}

fn lagrange(nodes: [usize; 4], x: &[f64], y: &[Complex64], at: f64) -> Complex64 {
    let weight = |k: usize| -> f64 {
        nodes.iter().filter(|&&other| other != k).map(|&other| (at - x[other]) / (x[k] - x[other])).product()
    };
    nodes.iter().map(|&k| y[k] * weight(k)).sum()
}
