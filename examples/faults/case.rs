//! One variant of a fault: a loop, its sweeps, and what may be done to them.

use super::bench::Setup;
use super::hiss::{Hiss, Sweep, measure};
use super::noise::Random;
use super::plants::{Plant, turned};
use num_complex::Complex64;

/// Points per decade, one after the other.
pub const DENSITIES: [f64; 4] = [40.0, 25.0, 100.0, 60.0];

/// One variant of a fault.
pub struct Case<'a> {
    pub plant: &'a Plant,
    pub k: usize,
    pub hz: Vec<f64>,
    pub hiss: Hiss,
    pub closed: bool,
}

/// Sweeps with the fault in them.
pub struct Planted {
    pub sweeps: Vec<Sweep>,
    pub setup: Setup,
    /// Another plant than that of the case.
    pub plant: Option<Plant>,
}

impl Case<'_> {
    /// A share of an interval.
    pub fn share(&self) -> f64 {
        // Golden section: fills an interval evenly whatever the number of variants.
        (self.k as f64 * 0.618_033_988_75).fract()
    }

    fn sweep(
        &self,
        level: usize,
        random: &mut Random,
        distort: impl Fn(f64, Complex64) -> Complex64,
    ) -> Sweep {
        let scale = 10f64.powf(-3.0 * level as f64 / 20.0);
        let mut sweep = measure(self.plant, &self.hz, &self.hiss, scale, random, |hz, t| {
            let t = distort(hz, t);
            if self.closed { turned(t) } else { t }
        });
        sweep.ln_magnitude.iter_mut().for_each(|a| *a += 1e-6 * random.normal());
        sweep
    }

    /// The same case swept from further down.
    pub fn raised_from_below(&self, times: f64) -> Self {
        let step = self.hz[1] / self.hz[0];
        let count = (times.ln() / step.ln()).round() as i32;
        let below = (1..=count).rev().map(|k| self.hz[0] * step.powi(-k));
        Self { hz: below.chain(self.hz.iter().copied()).collect(), ..*self }
    }

    /// Two levels with the same thing done to their loop gain.
    pub fn both(&self, random: &mut Random, distort: impl Fn(f64, Complex64) -> Complex64) -> Planted {
        self.edited(random, distort, |_| ())
    }

    /// Two levels with the same thing done to what was written.
    pub fn written(&self, random: &mut Random, edit: impl Fn(&mut Sweep)) -> Planted {
        self.edited(random, |_, t| t, edit)
    }

    fn edited(
        &self,
        random: &mut Random,
        distort: impl Fn(f64, Complex64) -> Complex64,
        edit: impl Fn(&mut Sweep),
    ) -> Planted {
        let setup = Setup::new(self.closed, 2);
        let sweeps = (0..2).map(|level| {
            let mut sweep = self.sweep(level, random, &distort);
            edit(&mut sweep);
            sweep
        });
        Planted { sweeps: sweeps.collect(), setup, plant: None }
    }

    /// Levels each with something of its own done.
    pub fn levels(
        &self,
        count: usize,
        random: &mut Random,
        distort: impl Fn(usize, f64, Complex64) -> Complex64,
    ) -> Planted {
        let sweeps =
            (0..count).map(|level| self.sweep(level, random, |hz, t| distort(level, hz, t))).collect();
        Planted { sweeps, setup: Setup::new(self.closed, count), plant: None }
    }

    /// 1 about the crossover, over a decade and a half.
    pub fn near(&self, hz: f64) -> f64 {
        (-((hz / self.plant.crossover_hz).ln() / 1.5).powi(2)).exp()
    }

    /// A sample inside the band, away from its ends.
    pub fn inside(&self) -> usize {
        let n = self.hz.len();
        10 + ((n - 20) as f64 * self.share()) as usize
    }

    /// Points per decade.
    pub fn density(&self) -> f64 {
        DENSITIES[self.k % 4]
    }
}
