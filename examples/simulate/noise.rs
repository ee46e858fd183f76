//! What a measurement adds to a loop gain: noise of each point, and the errors of the chain that a run shares.

use super::loops::Loop;
use loopgauge::sweep::Samples;
use num_complex::Complex64;
use rand_distr::{Distribution, StandardNormal, Uniform};
use rand_pcg::Pcg64;
use std::f64::consts::TAU;

/// Largest noise at the low end, rms of each component: 0.3 dB and 2 deg.
const LOW_END: f64 = 0.0345;
/// Largest noise at the top of a U: 0.9 dB and 6 deg.
const TOP_END: f64 = 0.1;

/// How the noise runs over frequency.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Model {
    Constant,
    /// Falls as 1/sqrt f.
    FallingSlowly,
    /// Falls as 1/f.
    Falling,
    /// Falls as 1/sqrt f, rises again as 1/sqrt |T| above the crossover.
    UShaped,
}

impl Model {
    pub const ALL: [Self; 4] = [Self::Constant, Self::FallingSlowly, Self::Falling, Self::UShaped];

    pub const fn label(self) -> &'static str {
        match self {
            Self::Constant => "constant",
            Self::FallingSlowly => "1/sqrt f",
            Self::Falling => "1/f",
            Self::UShaped => "U",
        }
    }
}

/// Noise: how it runs, and its rms of each component (relative) at the crossover.
#[derive(Clone, Copy, Debug)]
pub struct Noise {
    pub model: Model,
    pub at_crossover: f64,
    /// Largest value above the crossover.
    pub top: f64,
}

impl Noise {
    pub const fn new(model: Model, at_crossover: f64) -> Self {
        Self { model, at_crossover, top: TOP_END }
    }

    /// Noise that is at the top no larger than at the low end.
    pub const fn even_handed(model: Model, at_crossover: f64) -> Self {
        Self { model, at_crossover, top: LOW_END }
    }

    /// rms of each component where the loop gain is `ratio` and the frequency `f` crossovers.
    fn sigma(&self, f: f64, ratio: f64) -> f64 {
        let own = self.at_crossover;
        let low = LOW_END.max(own);
        match self.model {
            Model::Constant => own,
            Model::Falling => (own / f).min(low),
            Model::FallingSlowly => (own / f.sqrt()).min(low),
            Model::UShaped if f < 1.0 => (own / f.sqrt()).min(low),
            Model::UShaped => (own / ratio.min(1.0).sqrt()).min(self.top.max(own)),
        }
    }
}

/// Declared half-widths of the chain's errors, and the radius of the impedance ratio.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Declared {
    pub gain_db: f64,
    pub phase_deg: f64,
    pub delay_s: f64,
    pub impedance_ratio: f64,
}

impl Declared {
    pub const NONE: Self = Self { gain_db: 0.0, phase_deg: 0.0, delay_s: 0.0, impedance_ratio: 0.0 };
    /// An ordinary bench, a good one with a poor injection point, a poor one.
    pub const BENCHES: [Self; 3] = [
        Self { gain_db: 0.1, phase_deg: 0.5, delay_s: 2e-9, impedance_ratio: 0.001 },
        Self { gain_db: 0.02, phase_deg: 0.1, delay_s: 0.0, impedance_ratio: 0.01 },
        Self { gain_db: 0.3, phase_deg: 1.5, delay_s: 10e-9, impedance_ratio: 0.02 },
    ];
}

/// The chain's errors of one run.
#[derive(Clone, Copy, Debug)]
pub struct Chain {
    gain: f64,
    phase_rad: f64,
    delay_s: f64,
    ratio: Complex64,
}

impl Chain {
    /// Draws what was declared: rectangular, and normal with half the radius for each component of the ratio.
    pub fn draw(declared: &Declared, random: &mut Random) -> Self {
        let mut rectangular = |half_width: f64| half_width * random.even();
        let gain = 10f64.powf(rectangular(declared.gain_db) / 20.0);
        let phase_rad = rectangular(declared.phase_deg).to_radians();
        let delay_s = rectangular(declared.delay_s);
        let ratio = 0.5 * declared.impedance_ratio * random.complex();
        Self { gain, phase_rad, delay_s, ratio }
    }

    /// The same bench on another day: another unit has another impedance ratio.
    pub fn again(&self, declared: &Declared, random: &mut Random) -> Self {
        Self { ratio: Self::draw(declared, random).ratio, ..*self }
    }

    fn apply(&self, hz: f64, t: Complex64) -> Complex64 {
        let loaded = (1.0 + t) * (1.0 + self.ratio) - 1.0;
        loaded * Complex64::from_polar(self.gain, self.phase_rad - TAU * hz * self.delay_s)
    }
}

/// Seeded randomness: one stream for each simulated sweep.
pub struct Random {
    generator: Pcg64,
}

impl Random {
    /// The stream of a sweep that is known by a mode, a setting and a repeat.
    pub fn of(mode: u64, setting: usize, repeat: usize) -> Self {
        let key = u128::from(mode) << 96 | (setting as u128) << 32 | repeat as u128;
        let state = u128::from(mix(key as u64)) << 64 | u128::from(mix((key >> 64) as u64 ^ key as u64 ^ 1));
        Self { generator: Pcg64::new(state, key) }
    }

    pub fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.generator)
    }

    /// Even over -1 to 1.
    pub fn even(&mut self) -> f64 {
        Uniform::new_inclusive(-1.0, 1.0).map_or(0.0, |even| even.sample(&mut self.generator))
    }

    /// Two standard normal components.
    pub fn complex(&mut self) -> Complex64 {
        let re = self.normal();
        Complex64::new(re, self.normal())
    }
}

/// Mixes the bits of a number (finalizer of SplitMix64: Steele, Lea and Flood, 2014; from memory).
pub fn mix(number: u64) -> u64 {
    let z = number.wrapping_add(0x9e37_79b9_7f4a_7c15);
    let z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

/// The exact loop gain on the points of a sweep.
pub struct Grid {
    pub hz: Vec<f64>,
    pub t: Vec<Complex64>,
    crossover_hz: f64,
}

impl Grid {
    /// Even over ln f from end to end of the band.
    pub fn new(the_loop: &Loop, per_decade: f64, crossover_hz: f64) -> Self {
        let decades = (the_loop.to_hz / the_loop.from_hz).log10();
        let count = (decades * per_decade).ceil();
        let hz: Vec<f64> = (0..=count as usize)
            .map(|k| the_loop.from_hz * (the_loop.to_hz / the_loop.from_hz).powf(k as f64 / count))
            .collect();
        let t = hz.iter().map(|&hz| the_loop.at(hz)).collect();
        Self { hz, t, crossover_hz }
    }

    /// Measures: `distort` is what a strong injection does to the loop, `scale` that of the noise.
    pub fn measure(
        &self,
        chain: &Chain,
        noise: &Noise,
        scale: f64,
        random: &mut Random,
        distort: impl Fn(f64, Complex64) -> Complex64,
    ) -> Samples {
        let measured = self.hz.iter().zip(&self.t).map(|(&hz, &t)| {
            let sigma = noise.sigma(hz / self.crossover_hz, t.norm()) * scale;
            chain.apply(hz, distort(hz, t)) * (1.0 + sigma * random.complex())
        });
        let measured: Vec<Complex64> = measured.collect();
        Samples::from_complex(&self.hz, &measured)
            .expect("a grid that rises, and gains that noise does not cancel")
    }

    /// Measures with nothing distorted.
    pub fn take(&self, chain: &Chain, noise: &Noise, random: &mut Random) -> Samples {
        self.measure(chain, noise, 1.0, random, |_, t| t)
    }
}
