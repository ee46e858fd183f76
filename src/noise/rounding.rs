//! What the rounding of a file leaves in a value.
//!
//! Rounding acts like noise where neighbours round differently, and a local fit averages it as it averages noise. A straight stretch whose
//! samples lie a whole number of steps apart (20 dB a decade, 20 points a decade, digits of 0.1 dB) rounds alike all along: no fit and no
//! second sweep shows it. The error of rounding is a sawtooth of the value, so its mean over a window is that of the sawtooth's harmonics,
//! and noise below the rounding takes from each of them what it takes from a wave (B. Widrow and I. Kollar, Quantization Noise, 2008,
//! chapters 5 and 19: from memory).

use std::f64::consts::{PI, TAU};

/// Steps of rounding that are looked for, dB and deg.
const STEPS: [f64; 4] = [1.0, 0.1, 0.01, 0.001];
/// Harmonics of the sawtooth that are added up: they hold 0.9 of its variance.
const HARMONICS: u32 = 6;

/// The coarsest step, in units of `unit`, that all values are whole multiples of; 0 where there is none.
pub(super) fn step(values: &[f64], unit: f64) -> f64 {
    let whole = |step: f64| {
        values.iter().all(|v| {
            let times = v / (unit * step);
            (times - times.round()).abs() < 1e-6 * times.abs().max(1.0)
        })
    };
    STEPS.into_iter().find(|step| whole(*step)).map_or(0.0, |step| unit * step)
}

/// Steps that the values of a file are rounded to, 0 where none is seen: ln of the magnitude, neper, and phase, rad.
pub(crate) fn digit_steps(ln_magnitude: &[f64], phase_rad: &[f64]) -> [f64; 2] {
    [step(ln_magnitude, std::f64::consts::LN_10 / 20.0), step(phase_rad, 1f64.to_radians())]
}

/// Standard uncertainty that rounding to `step` leaves in the mean of `values`, which are rounded after noise of the standard deviation
/// `sigma` came to them; all in one unit.
pub(crate) fn uncertainty_of_mean(values: &[f64], step: f64, sigma: f64) -> f64 {
    if step == 0.0 || values.is_empty() {
        return 0.0;
    }
    let harmonic = |h: f64| {
        let turn = |v: &f64| (TAU * h * v / step).sin_cos();
        let (sines, cosines) = values.iter().map(turn).fold((0.0, 0.0), |(s, c), (a, b)| (s + a, c + b));
        let together = (sines * sines + cosines * cosines) / (values.len() as f64).powi(2);
        let through_noise = (-(TAU * h * sigma / step).powi(2)).exp();
        (step / (PI * h)).powi(2) * 0.5 * together * through_noise
    };
    (1..=HARMONICS).map(|h| harmonic(f64::from(h))).sum::<f64>().sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_are_seen_in_digits() {
        let db = std::f64::consts::LN_10 / 20.0;
        let gain = [3.4, -0.2, 11.0].map(|v| v * db);
        let phase = [51.42f64, 50.9, -3.0].map(f64::to_radians);
        let [a, p] = digit_steps(&gain, &phase);
        assert!((a / db - 0.1).abs() < 1e-12 && (p.to_degrees() - 0.01).abs() < 1e-12);
        assert_eq!(digit_steps(&[0.123_456_7, 1.0], &[0.3]), [0.0; 2]);
    }

    /// Mean error of rounding, over all places of the first value, against what is stated here and what the noise of a sample says: where
    /// all samples round alike this is all of it, elsewhere it is at most the rest.
    #[test]
    fn the_mean_of_rounded_values_is_as_uncertain_as_stated() {
        for (slope, sigma, count) in
            [(1.0, 0.0, 12), (1.003, 0.0, 12), (0.37, 0.0, 9), (2.0, 0.2, 10), (0.9, 0.1, 6)]
        {
            let line = |start: f64| (0..count).map(move |k| start + slope * f64::from(k));
            // Noise is drawn as its quantiles at odd places, the same for all: a mean over many starts replaces a mean over draws.
            let starts = 4000;
            let mut squares = 0.0;
            for s in 0..starts {
                let start = f64::from(s) / f64::from(starts);
                let error = |v: f64| {
                    // Expected rounding error under noise, by a sum over a fine grid of the normal distribution.
                    if sigma == 0.0 {
                        return v.round() - v;
                    }
                    let (mut sum, mut weights) = (0.0, 0.0);
                    for k in -40..=40 {
                        let z = f64::from(k) / 10.0;
                        let weight = (-0.5 * z * z).exp();
                        sum += weight * ((v + sigma * z).round() - v - sigma * z);
                        weights += weight;
                    }
                    sum / weights
                };
                squares += (line(start).map(error).sum::<f64>() / f64::from(count)).powi(2);
            }
            let found = (squares / f64::from(starts)).sqrt();
            let stated = uncertainty_of_mean(&line(0.3).collect::<Vec<_>>(), 1.0, sigma);
            let as_noise = (1.0 / 12.0 / f64::from(count)).sqrt();
            assert!(stated < 1.01 * found + 1e-3, "{slope} {sigma}: {stated} for {found}");
            assert!(stated.hypot(as_noise) > 0.98 * found, "{slope} {sigma}: {stated} for {found}");
        }
    }
}
