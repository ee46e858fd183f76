//! Points that an instrument or a spreadsheet made by straight lines between those that were measured.
//!
//! Between measured points such a sweep has no bend, over the frequency or its logarithm, and at them it bends by more than its digits leave
//! open; they come every so many samples. Neither noise nor a smooth curve keeps to that. A smoother interpolation, or one at places that are no
//! samples of the file, is not told.

use super::{DENSITY_SLACK, widest};
use crate::analysed::Analysed;
use crate::curve::Span;
use std::f64::consts::LN_10;

/// Fewest samples by which an interpolation is told (these are conventions, no source).
const TELLING: usize = 30;
/// Most samples from one measured point to the next.
const LONGEST: usize = 50;
/// Part of the samples between measured points that must lie on straight lines …
const STRAIGHT: f64 = 0.9;
/// … hence of all samples, every second of which may be measured …
const LEAST: f64 = 0.5 * STRAIGHT;
/// … and of the measured points at which the curve must bend, by so many times what rounding does.
const BENT: f64 = 0.3;
const SURELY: f64 = 3.0;
/// Fewest points at which it bends.
const FEWEST_BENT: usize = 8;
/// Rounding of a sample off the line through its neighbours: so many steps of the file's digits, and this part of the largest bend and of the
/// change from one neighbour to the other (frequencies of 7 digits).
const STEPS: f64 = 1.01;
const REST: f64 = 1e-6;
/// The finer of the digits that are looked for beside those that matter elsewhere, dB and deg: 0.0001 and a tenth of it.
const FINE: f64 = 1e-4;
/// Samples of the quick look.
const LOOK: usize = 64;

/// Why a sweep that is dense enough as a file is not, as measured: its samples lie on straight lines between every so many-th of them.
#[must_use]
pub fn interpolated(sweep: &Analysed, band: Span, density: Option<f64>) -> Option<String> {
    let (raw, density) = (&sweep.raw, density?);
    let scales = [raw.ln_f(), raw.frequency_hz()];
    let (every, first) = scales.into_iter().find_map(|x| straight_between(sweep, x))?;
    let knots: Vec<f64> = raw.ln_f().iter().copied().skip(first).step_by(every).collect();
    let inside = |[a, b]: [f64; 2]| (a < band.to && b > band.from).then_some(b - a);
    let widths = knots.windows(2).filter_map(|w| inside([*w.first()?, *w.last()?]));
    let width = widths.fold(0.0, f64::max);
    let (own, _, _) = widest(raw, band)?;
    (width > LN_10 / density * DENSITY_SLACK).then(|| {
        format!(
            "the samples lie on straight lines between samples that are {every} apart: of {:.3} points per decade {:.3} were measured and the others \
             made by interpolation, at least {} wanted",
            LN_10 / own,
            LN_10 / width,
            crate::quantity::number(density, 5)
        )
    })
}

/// Samples from one measured point to the next and the first of them, where the samples between lie on straight lines over `x`, the
/// frequency or its logarithm.
fn straight_between(sweep: &Analysed, x: &[f64]) -> Option<(usize, usize)> {
    let raw = &sweep.raw;
    if raw.len() < TELLING {
        return None;
    }
    if !may_be_straight(x, raw.ln_mag(), sweep.steps[0]) {
        return None;
    }
    let gain = bends(x, raw.ln_mag(), digits(raw.ln_mag(), sweep.steps[0], LN_10 / 20.0));
    let phase = bends(x, raw.angle(), digits(raw.angle(), sweep.steps[1], 1f64.to_radians()));
    let bends: Vec<f64> = gain.iter().zip(&phase).map(|(a, p)| a.max(*p)).collect();
    let straight = bends.iter().filter(|bend| **bend <= 1.0).count();
    let bent = bends.iter().filter(|bend| **bend > SURELY).count();
    if (straight as f64) < LEAST * bends.len() as f64 - 1.0 || bent < FEWEST_BENT {
        return None;
    }
    // The longest first: lines between every eighth sample are lines between every fourth, too.
    (2..=LONGEST.min(bends.len() / FEWEST_BENT)).rev().find_map(|every| {
        let first = (0..every).find(|first| {
            let is_knot = |k: usize| k % every == *first;
            let (mut off, mut between, mut bent, mut knots) = (0, 0, 0, 0);
            for (k, bend) in bends.iter().enumerate() {
                if is_knot(k) {
                    knots += 1;
                    bent += usize::from(*bend > SURELY);
                } else {
                    between += 1;
                    off += usize::from(*bend > 1.0);
                }
            }
            bent >= FEWEST_BENT
                && bent as f64 >= BENT * knots as f64
                && off as f64 <= (1.0 - STRAIGHT) * between as f64
                // Of all that bends hardly anything lies between.
                && off * every <= bent
        })?;
        Some((every, (first + 1) % every))
    })
}

/// Whether the gain in the middle of a sweep lies on straight lines as often as between measured points, by more than its digits leave
/// open: a quick look, since most curves bend everywhere.
fn may_be_straight(x: &[f64], ln_mag: &[f64], step: f64) -> bool {
    let from = (x.len() / 2).saturating_sub(LOOK / 2);
    let step = step.max(FINE * LN_10 / 20.0);
    let Some((x, y)) = x.get(from..).zip(ln_mag.get(from..)) else { return false };
    let (mut straight, mut all) = (0, 0_u32);
    for (bend, change) in off_lines(x, y).take(LOOK) {
        straight += usize::from(bend <= STEPS * step + 10.0 * REST * change);
        all += 1;
    }
    straight as f64 >= LEAST * f64::from(all) - 1.0
}

/// The step that values are rounded to: the one known, or one of those too fine to matter elsewhere, in parts of `unit`; 0 where none is seen.
fn digits(values: &[f64], known: f64, unit: f64) -> f64 {
    if known > 0.0 {
        return known;
    }
    let whole =
        |step: &f64| values.iter().map(|v| v / step).all(|times| (times - times.round()).abs() < 1e-3);
    [FINE, 0.1 * FINE].map(|part| part * unit).into_iter().find(whole).unwrap_or(0.0)
}

/// How far each inner sample lies off the line through its neighbours, as a multiple of what rounding may do.
fn bends(x: &[f64], y: &[f64], step: f64) -> Vec<f64> {
    let largest = off_lines(x, y).map(|(bend, _)| bend).fold(0.0, f64::max);
    off_lines(x, y).map(|(bend, change)| bend / (STEPS * step + REST * (largest + change) + 1e-12)).collect()
}

/// How far each inner sample lies off the line through its neighbours, and how far these lie apart.
fn off_lines(x: &[f64], y: &[f64]) -> impl Iterator<Item = (f64, f64)> {
    x.windows(3).zip(y.windows(3)).filter_map(|(x, y)| match (x, y) {
        (&[a, b, c], &[u, v, w]) => Some(((v - u - (w - u) * (b - a) / (c - a)).abs(), (w - u).abs())),
        _ => None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::spec::CriticalPoint;
    use crate::sweep::Samples;
    use std::f64::consts::PI;

    fn band(from: f64, to: f64) -> Span {
        Span { from: f64::ln(from), to: f64::ln(to) }
    }

    fn decades(per_decade: f64, count: u32) -> Vec<f64> {
        (0..=count).map(|k| 100.0 * 10f64.powf(f64::from(k) / per_decade)).collect()
    }

    /// What 14 points a decade make by straight lines of a curve that bends, every `every`-th sample measured.
    fn drawn(every: usize, digits: f64, noise: impl Fn(usize) -> f64, over_ln: bool) -> Analysed {
        let hz = decades(14.0 * every as f64, (42 * every) as u32);
        let scale = |hz: f64| if over_ln { hz.ln() } else { hz };
        let value = |k: usize| {
            let x = (hz[k] / 3e3).ln();
            [-10.0 * x - 3.0 * x.tanh() + noise(k), -90.0 - 40.0 * x.atan() + noise(k + 7)]
        };
        let mut samples = Samples::default();
        for k in 0..hz.len() {
            let (left, right) = (k / every * every, k.div_ceil(every) * every);
            let part = if right > left {
                (scale(hz[k]) - scale(hz[left])) / (scale(hz[right]) - scale(hz[left]))
            } else {
                0.0
            };
            let (u, v) = (value(left), value(right));
            let at = |i: usize| {
                let own = u[i] + part * (v[i] - u[i]);
                if digits > 0.0 { (own / digits).round() * digits } else { own }
            };
            samples.push(hz[k], at(0) * LN_10 / 20.0, at(1).to_radians());
        }
        Analysed::of(&samples, CriticalPoint::MinusOne)
    }

    #[test]
    fn samples_made_by_interpolation_do_not_count() {
        let hiss = |k: usize| 0.02 * ((k * k * 37 + k * 11) as f64).sin();
        let whole = band(100.0, 1e5);
        for over_ln in [true, false] {
            for every in [2, 3, 5, 8] {
                for digits in [0.0, 1e-4, 1e-3] {
                    for noisy in [0.0, 1.0] {
                        let sweep = drawn(every, digits, |k| noisy * hiss(k), over_ln);
                        let text = interpolated(&sweep, whole, Some(20.0)).expect("made by interpolation");
                        assert!(text.contains("14.000 were measured"), "{text}");
                        assert_eq!(interpolated(&sweep, whole, Some(14.0)), None);
                        assert_eq!(interpolated(&sweep, whole, None), None);
                    }
                }
            }
        }
    }

    /// Off the line from (1, 1) to (4, 6) at 2 by 1 - 5/3; by nothing from (0, 0) to (2, 2) at 1.
    #[test]
    fn bends_are_measured_in_what_rounding_does() {
        let (x, y) = ([0.0, 1.0, 2.0, 4.0], [0.0, 1.0, 2.0, 6.0]);
        let found = bends(&x, &y, 0.1);
        let wanted = (2.0 / 3.0) / (STEPS * 0.1 + REST * (2.0 / 3.0 + 5.0) + 1e-12);
        assert!(found.len() == 2 && found[0] == 0.0 && (found[1] / wanted - 1.0).abs() < 1e-12, "{found:?}");
        let pairs: Vec<(f64, f64)> = off_lines(&x, &y).collect();
        assert!(
            (pairs[1].0 - 2.0 / 3.0).abs() < 1e-15 && pairs[1].1 == 5.0 && pairs[0] == (0.0, 2.0),
            "{pairs:?}"
        );
    }

    #[test]
    fn fine_digits_are_found_in_their_unit() {
        assert_eq!(digits(&[0.1234, -0.2], 0.0, 1.0), 1e-4);
        assert_eq!(digits(&[0.12345, 0.2], 0.0, 1.0), 0.1 * 1e-4);
        assert_eq!(digits(&[1.0 / 3.0, 0.2], 0.0, 1.0), 0.0);
        assert_eq!(digits(&[2.0 * 0.1234, 0.4], 0.0, 2.0), 2e-4);
        assert_eq!(digits(&[1.0 / 3.0, 0.2], 0.5, 1.0), 0.5);
    }

    /// Every fifth sample was measured, from the third on; the densest part of a linear grid is dense enough by itself.
    #[test]
    fn measured_points_and_the_band_count() {
        let cut = |sweep: &Analysed, skip: usize| {
            let mut samples = Samples::default();
            let raw = &sweep.raw;
            for k in skip..raw.len() {
                samples.push(raw.frequency_hz()[k], raw.ln_mag()[k], raw.angle()[k] + PI);
            }
            Analysed::of(&samples, CriticalPoint::MinusOne)
        };
        let sweep = cut(&drawn(5, 0.0, |_| 0.0, true), 3);
        assert_eq!(straight_between(&sweep, sweep.raw.ln_f()), Some((5, 2)));
        // Knots every 2 kHz from 1 kHz on, four samples each.
        let mut samples = Samples::default();
        let value = |hz: f64| -(hz / 3e4).ln() - 0.4 * (hz / 2e4).tanh();
        for k in 0..=200 {
            let hz = 1e3 + 500.0 * f64::from(k);
            let (left, part) = (1e3 + 2e3 * f64::from(k / 4), 0.25 * f64::from(k % 4));
            let at = |f: fn(f64) -> f64| f(value(left)) + part * (f(value(left + 2e3)) - f(value(left)));
            samples.push(hz, at(|v| v), at(|v| 0.5 * v - 1.5));
        }
        let sweep = Analysed::of(&samples, CriticalPoint::MinusOne);
        let told = |from: f64, to: f64| interpolated(&sweep, band(from, to), Some(20.0));
        assert!(told(1e3, 1e5).is_some() && told(8e3, 1e5).is_some());
        // From 20 kHz on 2 kHz are a tenth of an octave and less.
        assert_eq!(told(2e4, 1e5), None);
        assert!(told(1e3, 5e3).is_some());
    }

    /// The fewest samples that are looked at.
    #[test]
    fn few_samples_tell_nothing() {
        let sweep = drawn(2, 0.0, |_| 0.0, true);
        let first = |count: usize| {
            let mut samples = Samples::default();
            for k in 0..count {
                samples.push(sweep.raw.frequency_hz()[k], sweep.raw.ln_mag()[k], sweep.raw.angle()[k] + PI);
            }
            Analysed::of(&samples, CriticalPoint::MinusOne)
        };
        let told = |sweep: &Analysed| straight_between(sweep, sweep.raw.ln_f());
        assert_eq!(told(&first(TELLING - 1)), None);
        assert_eq!(told(&first(TELLING)), Some((2, 0)));
    }

    #[test]
    fn measured_samples_are_not_taken_for_interpolated_ones() {
        let hiss = |k: usize| ((k * k * 37 + k * 11) as f64).sin();
        for digits in [0.0, 1e-5, 1e-3, 0.01, 0.1] {
            for noise in [0.0, 1e-3, 0.01, 0.1] {
                for per_decade in [14.0, 40.0, 100.0, 400.0] {
                    let mut samples = Samples::default();
                    for (k, hz) in decades(per_decade, (3.0 * per_decade) as u32).into_iter().enumerate() {
                        let x = (hz / 3e3).ln();
                        let round = |v: f64| if digits > 0.0 { (v / digits).round() * digits } else { v };
                        let gain = round(-10.0 * x - 3.0 * x.tanh() + noise * hiss(k));
                        let phase = round(-90.0 - 40.0 * x.atan() + noise * hiss(k + 7));
                        samples.push(hz, gain * LN_10 / 20.0, phase.to_radians());
                    }
                    let sweep = Analysed::of(&samples, CriticalPoint::MinusOne);
                    let told = interpolated(&sweep, band(100.0, 1e5), Some(1e4));
                    assert_eq!(told, None, "{digits} {noise} {per_decade}");
                }
            }
        }
    }
}
