//! The measurement: a sine injected between the output and the compensator, both sides read.

use super::control::{Compensator, Modulator};
use super::noise::Noise;
use super::stage::PowerStage;
use num_complex::Complex64;
use std::f64::consts::{SQRT_2, TAU};

/// A converter at one operating point, ready to be measured.
#[derive(Clone, Copy)]
pub struct Bench {
    /// Power stage.
    pub stage: PowerStage,
    /// Error amplifier.
    pub compensator: Compensator,
    /// Modulator.
    pub modulator: Modulator,
}

/// What the two probes read at one frequency.
#[derive(Clone, Copy)]
pub struct Reading {
    /// Frequency, hertz.
    pub frequency_hz: f64,
    /// Side that faces the compensator, volt rms.
    pub input: Complex64,
    /// Side that faces the converter's output, volt rms.
    pub output: Complex64,
}

impl Reading {
    /// Loop gain as measured around the closed loop: `output / input`.
    pub fn loop_gain(&self) -> Complex64 {
        self.output / self.input
    }
}

/// Steps of the bisection in [`Bench::remaining_share`]: 2^-60 is below the resolution of `f64`
/// near 1.
const BISECTIONS: u32 = 60;

impl Bench {
    /// Loop gain for small signals, textbook sign (forward gain times feedback gain).
    fn small_signal(&self, s: Complex64) -> Complex64 {
        self.compensator.gain(s) * self.modulator.gain(s) * self.stage.duty_to_output(s)
    }

    /// Share of the small-signal loop gain left by the modulator's clamp when `injected_rms` volts
    /// are injected: the solution `N` of `N = DF(A)` with the amplitude at the modulator
    /// `A = |V Gc Fm / (1 + N L)|` (harmonic balance).
    fn remaining_share(&self, s: Complex64, small_signal: Complex64, injected_rms: f64) -> f64 {
        let drive = SQRT_2 * injected_rms * (self.compensator.gain(s) * self.modulator.gain(s)).norm();
        let (mut low, mut high) = (0.0, 1.0);
        if self.modulator.clamped_share(drive / (1.0 + small_signal).norm()) >= 1.0 {
            return 1.0;
        }
        for _ in 0..BISECTIONS {
            let share = 0.5 * (low + high);
            let amplitude = drive / (1.0 + share * small_signal).norm();
            if self.modulator.clamped_share(amplitude) > share {
                low = share;
            } else {
                high = share;
            }
        }
        0.5 * (low + high)
    }

    /// Reads both sides of the injection at `frequency_hz`, with `injected_rms` volts injected.
    ///
    /// Around the closed loop the summing node's inversion lies inside the measured path, hence
    /// `output/input = -L`; with `input - output = V`, `input = V / (1 + L)`.
    pub fn read(&self, frequency_hz: f64, injected_rms: f64, noise: &mut Noise) -> Reading {
        let s = Complex64::new(0.0, TAU * frequency_hz);
        let small_signal = self.small_signal(s);
        let share = self.remaining_share(s, small_signal, injected_rms);
        let loop_gain = share * small_signal;
        let input = injected_rms / (1.0 + loop_gain);
        Reading {
            frequency_hz,
            input: input + noise.sample(frequency_hz),
            output: -loop_gain * input + noise.sample(frequency_hz),
        }
    }
}
