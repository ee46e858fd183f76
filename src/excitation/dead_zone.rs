//! Whether weak levels lie in a dead zone, or only look so.
//!
//! Over a peak of the loop gain one probe sees next to nothing. Noise makes a small phasor look longer, since |x + n|^2 is
//! |x|^2 + sigma^2 in the mean, and the local fit of a noisy sweep is wider and takes more off a peak: both make a weak level
//! read less gain where a strong one reads the truth, at many neighbouring frequencies, without any dead zone.
//!
//! Neither touches the mean of the complex ratio of two levels' samples with the smaller signal in its numerator: there noise
//! is added, so its mean stays where it is. Above 0 dB the smaller signal is the input side, which is the denominator of the
//! loop gain, and strong over weak has the weak level's in its numerator; below 0 dB it is the other way round. A dead zone
//! is one only when that mean shows the gain that is lost, over enough independent samples.

use super::strongest_level::Standing;
use super::tried::Tried;
use crate::curve::Curve;
use statrs::distribution::{ContinuousCDF, StudentsT};
use std::ops::Range;

/// Independent samples of a dead zone, at least. Fewer are one resonance, one mains harmonic or one bad moment.
const FEWEST: f64 = 5.0;

/// Chance that noise alone passes, for one range and one level: a corner has some ten of both.
const CHANCE: f64 = 1e-4;

/// Ranges (of indices into the grid) whose weak levels only look as if they lay in a dead zone.
pub(super) fn doubtful(standings: &[Standing], ln_f: &[f64], tried: &[Tried<'_>]) -> Vec<Range<usize>> {
    claimed(standings).into_iter().filter(|range| !is_shown(range, standings, ln_f, tried)).collect()
}

/// Neighbours that all claim one.
fn claimed(standings: &[Standing]) -> Vec<Range<usize>> {
    let mut ranges: Vec<Range<usize>> = Vec::new();
    for (k, _) in standings.iter().enumerate().filter(|(_, standing)| standing.is_above_dead_zone()) {
        match ranges.last_mut() {
            Some(range) if range.end == k => range.end = k + 1,
            _ => ranges.push(k..k + 1),
        }
    }
    ranges
}

/// Whether any weak level has lost gain in that range.
fn is_shown(range: &Range<usize>, standings: &[Standing], ln_f: &[f64], tried: &[Tried<'_>]) -> bool {
    let inside = || standings.iter().enumerate().skip(range.start).take(range.len());
    let most = inside().map(|(_, s)| s.weakest).max().unwrap_or(0);
    let Some(top) = inside().filter_map(|(_, s)| s.strongest).min() else { return false };
    (0..most).any(|weak| {
        let mut own = inside().filter(|(_, s)| s.weakest > weak).filter_map(|(k, _)| ln_f.get(k));
        let Some(first) = own.next() else { return false };
        let last = own.next_back().unwrap_or(first);
        let (Some(weak), Some(top)) = (tried.get(weak), tried.get(top)) else { return false };
        has_lost_gain(
            &losses(&weak.sweep.raw, &top.sweep.raw, [*first, *last]),
            weak.sweep.noise.correlation(),
        )
    })
}

/// Slack of the ends, ln f.
const END: f64 = 1e-9;

/// Share of the gain that each sample of the weak sweep has lost against the strong one.
fn losses(weak: &Curve, strong: &Curve, [from, to]: [f64; 2]) -> Vec<f64> {
    let same_grid = weak.frequency_hz() == strong.frequency_hz();
    let samples = weak.ln_f().iter().zip(weak.ln_mag()).zip(weak.angle()).enumerate();
    samples
        .filter(|(_, ((x, _), _))| (from - END..=to + END).contains(*x))
        .filter_map(|(k, ((x, ln_mag), angle))| {
            let (strong_mag, strong_angle) = if same_grid {
                (*strong.ln_mag().get(k)?, *strong.angle().get(k)?)
            } else {
                let point = strong.at(*x);
                (point.ln_mag, point.angle)
            };
            let (ratio, turn) = (strong_mag - ln_mag, (strong_angle - angle).cos());
            Some(if strong_mag > 0.0 { ratio.exp() * turn - 1.0 } else { 1.0 - (-ratio).exp() * turn })
        })
        .collect()
}

/// Whether the mean of losses lies above 0 by more than their scatter explains.
fn has_lost_gain(losses: &[f64], correlation: f64) -> bool {
    let count = losses.len() as f64;
    let correlation = correlation.clamp(0.0, 0.99);
    let independent = count * (1.0 - correlation) / (1.0 + correlation);
    if independent < FEWEST {
        return false;
    }
    let mean = losses.iter().sum::<f64>() / count;
    let variance = losses.iter().map(|loss| (loss - mean).powi(2)).sum::<f64>() / (count - 1.0);
    let error = (variance / independent).sqrt();
    let student =
        StudentsT::new(0.0, 1.0, independent - 1.0).map_or(f64::MAX, |t| t.inverse_cdf(1.0 - CHANCE));
    mean > 0.0 && mean >= student * error
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_loss_is_one_beyond_its_scatter_and_over_enough_samples() {
        assert!(has_lost_gain(&[0.3, 0.31, 0.29, 0.3, 0.32], 0.0));
        assert!(!has_lost_gain(&[0.3, 0.31, 0.29, 0.3], 0.0), "four samples");
        assert!(!has_lost_gain(&[-0.3, -0.31, -0.29, -0.3, -0.32], 0.0), "more gain is no dead zone");
        assert!(!has_lost_gain(&[0.9, -0.4, 0.6, -0.5, 0.7, 0.1, 0.2], 0.0), "scatter");
        assert!(!has_lost_gain(&[0.3, 0.31, 0.29, 0.3, 0.32, 0.3], 0.5), "two independent ones");
    }

    /// Noise of 40 % on the input side alone, turned through the circle: lengths grow, the mean does not.
    #[test]
    fn noise_of_the_smaller_signal_loses_nothing() {
        let count = 40;
        let (mut weak, mut strong) = (crate::sweep::Samples::default(), crate::sweep::Samples::default());
        for k in 0..count {
            let hz = 100.0 + f64::from(k);
            let turn = std::f64::consts::TAU * f64::from(k) * 0.381_966;
            let input = num_complex::Complex64::new(1.0, 0.0) + num_complex::Complex64::from_polar(0.4, turn);
            strong.push(hz, 100f64.ln(), 0.0);
            weak.push(hz, 100f64.ln() - input.norm().ln(), -input.arg());
        }
        let curve = |samples: &crate::sweep::Samples| {
            let mut curve = Curve::new();
            curve.fill(samples, crate::spec::CriticalPoint::PlusOne);
            curve
        };
        let all = [0.0, 1e3];
        let found = losses(&curve(&weak), &curve(&strong), all);
        assert_eq!(found.len(), count as usize);
        let mean = found.iter().sum::<f64>() / found.len() as f64;
        assert!(mean.abs() < 0.02 && !has_lost_gain(&found, 0.0), "{mean}");
        // Half of the gain is lost below 0 dB as above.
        for level in [0.01, 100.0] {
            let (mut weak, mut strong) = (crate::sweep::Samples::default(), crate::sweep::Samples::default());
            for k in 0..count {
                strong.push(100.0 + f64::from(k), f64::ln(level), 0.5);
                weak.push(100.0 + f64::from(k), f64::ln(0.5 * level), 0.5);
            }
            assert!(has_lost_gain(&losses(&curve(&weak), &curve(&strong), all), 0.0), "{level}");
        }
    }
}
