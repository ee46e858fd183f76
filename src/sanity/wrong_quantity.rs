//! Another quantity in place of the loop gain: the closed loop's response, its return difference, half the decibels.
//!
//! The loop gain T of a regulator begins far above 1 and ends below it. T/(1+T) begins at 1 with hardly any phase, 1+T ends there. Ten
//! times the logarithm instead of twenty halves the gain and leaves the phase: then the phase is twice what the gain makes it (H. W. Bode,
//! as in [`super::bode`]), at all frequencies alike, which no delay and no right-half-plane zero does.

use super::bode::Kernel;
use super::{Refusal, Subject};
use crate::curve::{Curve, Span, db, distance, wrap};
use crate::quantity::{number, with_unit};
use std::f64::consts::{LN_2, LN_10, PI};

/// Length of the flat end, ln f: a sixth of a decade, on which a loop gain of 20 dB per decade changes by more than its distance from 0 dB.
const LENGTH: f64 = LN_10 / 6.0;
/// Distance from 0 dB, dB, and from 0 or 180 deg, rad, inside which an end is that of a closed loop's response.
const FLAT_DB: f64 = 3.0;
/// The same at the low end, which lies closer to it: the loop gain is large there.
const LOW_DB: f64 = 1.5;
const FLAT_RAD: f64 = 25.0 / 180.0 * PI;
/// Distance from 1 inside which the end of a sweep is that of 1 + T, too: a loop gain that has fallen below a half is further away.
const NEAR: f64 = 0.48;
/// The same in dB, at most.
const NEAR_DB: f64 = 6.0;
const RETURN: &str = "the return difference 1+T, or its inverse";
/// Fewest samples that make an end.
const FEWEST: usize = 3;

/// rms of what is left of the phase when the gain is doubled, rad: 24 deg at most, which resonances at the ends of the sweep leave …
const FITS: f64 = 24.0 / 180.0 * PI;
/// … where the gain as it stands leaves 13 deg and more, and so many times as much.
const MISSES: f64 = 13.0 / 180.0 * PI;
const TIMES: f64 = 2.0;
/// What the gain below the sweep may leave of the lag at its beginning, rad, where two poles there turn into none: each makes it less by f0/f
/// (the phase of a pole far above it; Bode's integral, expanded).
const LOW_END: f64 = 2.0;
/// Distance of the nodes from the ends of the sweep, ln f: what lies beyond is not known.
const AWAY: f64 = 0.3 * LN_10;
/// Lags at the crossover that a delay may make, rad, and right-half-plane zeros as multiples of the crossover.
const LAGS: usize = 17;
const LAG_STEP: f64 = PI / 16.0;
const ZEROS: [f64; 5] = [f64::INFINITY, 10.0, 3.0, 1.0, 0.5];

/// A quantity that is no loop gain.
#[must_use]
pub fn mistaken_quantity(subject: &Subject<'_>, kernel: &mut Kernel) -> Option<Refusal> {
    flat_end(subject).or_else(|| half_the_gain(subject, kernel))
}

fn flat_end(subject: &Subject<'_>) -> Option<Refusal> {
    let (curve, span) = (&subject.sweep.curve, subject.span);
    let samples = curve.ln_f();
    let inside = samples.partition_point(|x| *x < span.from && !span.holds(*x));
    let beyond = samples.partition_point(|x| *x < span.to || span.holds(*x));
    let at = |i: usize| samples.get(i).copied().unwrap_or(span.to);
    // With few points per decade an end is three of them.
    let low = Span { from: span.from, to: (span.from + LENGTH).max(at(inside + FEWEST - 1)) };
    let high = Span { from: (span.to - LENGTH).min(at(beyond.saturating_sub(FEWEST))), to: span.to };
    let (part, most_db, name, quantity) = if is_unity(curve, low, LOW_DB) {
        (low, LOW_DB, "begins", "the closed loop's response T/(1+T)")
    } else if is_unity(curve, high, FLAT_DB) {
        (high, FLAT_DB, "ends", RETURN)
    } else if is_near_one(curve, high) {
        (high, NEAR_DB, "ends", RETURN)
    } else {
        return None;
    };
    let hz = |ln_f: f64| with_unit(ln_f.exp(), "Hz");
    Some(Refusal {
        message: format!(
            "from {} to {} the gain stays within {} dB of 0 dB with a phase near 0 or 180 deg: a loop gain {} far from 0 dB, {quantity} \
             looks like this",
            hz(part.from),
            hz(part.to),
            number(most_db, 2),
            name
        ),
        remedy: "take the ratio of the two sides of the injection point, output over input, and no other response; if it is the loop \
                 gain, sweep further"
            .to_owned(),
    })
}

/// Whether all samples of an end lie close to 1 or -1.
fn is_unity(curve: &Curve, part: Span, most_db: f64) -> bool {
    let columns = curve.ln_f().iter().zip(curve.ln_mag()).zip(curve.angle());
    let mut count = 0;
    for ((_, ln_mag), angle) in columns.filter(|((x, _), _)| part.holds(**x)) {
        let off = wrap(*angle).abs();
        if db(*ln_mag).abs() > most_db || off.min(PI - off) > FLAT_RAD {
            return false;
        }
        count += 1;
    }
    count >= FEWEST
}

/// Whether all samples of an end lie about 1 in the textbook convention.
fn is_near_one(curve: &Curve, part: Span) -> bool {
    let columns = curve.ln_f().iter().zip(curve.ln_mag()).zip(curve.angle());
    let mut count = 0;
    for ((_, ln_mag), angle) in columns.filter(|((x, _), _)| part.holds(**x)) {
        if distance(*ln_mag, angle - PI) > NEAR {
            return false;
        }
        count += 1;
    }
    count >= FEWEST
}

/// A phase that fits twice the gain and not the gain.
fn half_the_gain(subject: &Subject<'_>, kernel: &mut Kernel) -> Option<Refusal> {
    if subject.open_loop_poles > 0 {
        return None;
    }
    let crossover = crate::margins::crossover(&subject.sweep.crossings, subject.span)?.point.ln_f;
    let part = Span { from: subject.span.from + AWAY, to: (crossover + LN_2).min(subject.span.to - AWAY) };
    let pairs = kernel.phases(&subject.sweep.curve, subject.span, part);
    if pairs.len() < FEWEST {
        return None;
    }
    let lags = Lags::of(&pairs, crossover);
    // What misses by more is not told from what misses by that.
    let doubled = lags.misfit(2.0, 1.001 * FITS);
    if doubled >= FITS {
        return None;
    }
    let own = lags.misfit_beside_a_low_end(LOW_END * (subject.span.from - crossover).exp());
    (own > MISSES.max(TIMES * doubled)).then(|| Refusal {
        message: format!(
            "the phase is what twice the gain in dB makes it, and lies {} deg from what the gain itself makes it (Bode's gain-phase \
             relation)",
            number(own.to_degrees(), 2)
        ),
        remedy: "the gain looks like ten times the logarithm of the ratio instead of twenty: correct how the column is made, or declare \
                 a ratio in `reading`; a filter that resonates just below the band looks alike: then begin the sweep below it"
            .to_owned(),
    })
}

/// Phases at nodes, with the lags that a delay and a right-half-plane zero make there.
struct Lags<'a> {
    pairs: &'a [(f64, f64, f64)],
    /// Frequencies over the crossover.
    relative: Vec<f64>,
    /// Lag of each zero at each node, rad.
    of_zeros: [Vec<f64>; ZEROS.len()],
}

impl<'a> Lags<'a> {
    fn of(pairs: &'a [(f64, f64, f64)], crossover: f64) -> Self {
        let relative: Vec<f64> = pairs.iter().map(|(x, ..)| (x - crossover).exp()).collect();
        let of_zeros = ZEROS.map(|zero| relative.iter().map(|f| 2.0 * (f / zero).atan()).collect());
        Self { pairs, relative, of_zeros }
    }

    /// Least rms, rad, that any of the lags leaves between the phase and what the gain makes it, beside what the gain below the sweep makes of it: less lag,
    /// by 1/f, of `most` at the crossover at most. A filter that resonates just below the band does so much; half the decibels are more lag.
    fn misfit_beside_a_low_end(&self, most: f64) -> f64 {
        let mut least = f64::INFINITY;
        for lag in (0..LAGS).map(|k| k as f64 * LAG_STEP) {
            for of_zero in &self.of_zeros {
                let (mut squares, mut dot, mut norm) = (0.0, 0.0, 0.0);
                for (((_, measured, own), f), zero) in self.pairs.iter().zip(&self.relative).zip(of_zero) {
                    let left = wrap(measured - own + lag * f + zero);
                    squares += left * left;
                    dot += left / f;
                    norm += 1.0 / (f * f);
                }
                let low_end = (dot / norm).clamp(0.0, most);
                least = least.min(squares - low_end * (2.0 * dot - low_end * norm));
            }
        }
        (least.max(0.0) / self.pairs.len() as f64).sqrt()
    }

    /// Least rms, rad, that any of the lags leaves between the phase and so many times what the gain makes it; `most` where all leave more.
    fn misfit(&self, times: f64, most: f64) -> f64 {
        let mut least = most * most * self.pairs.len() as f64;
        for lag in (0..LAGS).map(|k| k as f64 * LAG_STEP) {
            for of_zero in &self.of_zeros {
                let mut squares = 0.0;
                for (((_, measured, own), f), zero) in self.pairs.iter().zip(&self.relative).zip(of_zero) {
                    squares += wrap(measured - times * own + lag * f + zero).powi(2);
                    if squares > least {
                        break;
                    }
                }
                least = least.min(squares);
            }
        }
        (least / self.pairs.len() as f64).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::{hiss, subject, sweep};
    use super::*;
    use num_complex::Complex64;

    /// Loops of one to two integrators, with and without delay, by their crossover of 20 kHz.
    fn loops() -> impl Iterator<Item = impl Fn(f64) -> Complex64> {
        [(0.0, 0.0, 6e4), (3e3, 0.0, 2e5), (8e3, 2e-6, 3e5), (0.0, 6e-6, 1e5)].into_iter().map(
            |(zero, delay, pole)| {
                move |hz: f64| {
                    let double =
                        if zero > 0.0 { Complex64::new(1.0, -zero / hz) } else { Complex64::new(1.0, 0.0) };
                    let lag = Complex64::from_polar(1.0, -std::f64::consts::TAU * hz * delay);
                    Complex64::new(0.0, -2e4 / hz) * double * lag / Complex64::new(1.0, hz / pole)
                }
            },
        )
    }

    fn refused(of: impl Fn(Complex64) -> Complex64, noise: f64) -> usize {
        loops()
            .filter(|t| {
                let sweep = sweep(40.0, |hz| {
                    let value = of(t(hz));
                    [value.norm().ln() + noise * hiss(), value.arg() + noise * hiss()]
                });
                mistaken_quantity(&subject(&sweep), &mut Kernel::default()).is_some()
            })
            .count()
    }

    /// A loop whose gain stays at -10 dB with its phase near 180 deg at the end of the sweep: 1 + T then ends at 0.68.
    #[test]
    fn a_return_difference_whose_end_lies_below_0_db_is_refused() {
        let t = |hz: f64| Complex64::new(0.0, -2e4 / hz) * Complex64::new(1.0, -hz / 6e4);
        let of = |read: &dyn Fn(Complex64) -> Complex64| {
            let sweep = sweep(40.0, |hz| {
                let value = read(t(hz));
                [value.norm().ln() + 1e-4 * hiss(), value.arg() + 1e-4 * hiss()]
            });
            mistaken_quantity(&subject(&sweep), &mut Kernel::default())
        };
        assert_eq!(of(&|t| t), None, "the loop gain");
        let refusal = of(&|t| 1.0 + t).unwrap();
        assert!(refusal.message.contains("6 dB") && refusal.message.contains("1+T"), "{}", refusal.message);
    }

    /// A sharp output filter near the low end of the sweep leaves Bode's relation by more than a smooth loop does.
    #[test]
    fn half_the_gain_shows_beside_a_sharp_output_filter() {
        let t = |hz: f64| {
            let w = hz / 320.0;
            let zeros = Complex64::new(1.0, hz / 192.0) * Complex64::new(1.0, hz / 240.0);
            Complex64::new(0.0, -586.0 / hz) * zeros
                / Complex64::new(1.0 - w * w, w / 30.0)
                / Complex64::new(1.0, hz / 2e5)
        };
        let of = |read: &dyn Fn(Complex64) -> Complex64| {
            let sweep = sweep(20.0, |hz| {
                let value = read(t(hz));
                [value.norm().ln(), value.arg()]
            });
            half_the_gain(&subject(&sweep), &mut Kernel::default())
        };
        assert_eq!(of(&|t| t), None, "the loop gain");
        assert!(of(&|t| Complex64::from_polar(t.norm().sqrt(), t.arg())).is_some(), "half the gain");
    }

    /// A band that begins near the crossover, above an output filter whose resonance it does not show: that alone fits twice the gain.
    #[test]
    fn a_filter_below_the_band_is_not_half_the_gain() {
        let mut told_before = 0;
        for fc in [3e3, 5e3, 8e3] {
            for quality in [0.8, 1.5, 4.0] {
                for zero in [600.0, 800.0, 1e3] {
                    for (below, above) in [(1.5, 10.0), (2.5, 10.0), (4.0, 30.0), (6.0, 30.0)] {
                        let t = |hz: f64| {
                            let w = hz / 1e3;
                            let zeros = Complex64::new(1.0, hz / zero).powi(2);
                            let poles =
                                Complex64::new(1.0, hz / fc / 6.0) * Complex64::new(1.0, hz / fc / 10.0);
                            zeros
                                / (Complex64::new(0.0, w) * Complex64::new(1.0 - w * w, w / quality) * poles)
                        };
                        let mut samples = crate::sweep::Samples::default();
                        let count = (40.0 * f64::log10(below * above)) as i32;
                        for k in 0..=count {
                            let hz = fc / below * (below * above).powf(f64::from(k) / f64::from(count));
                            let value = t(hz) / t(fc).norm();
                            samples.push(hz, value.norm().ln(), value.arg());
                        }
                        let sweep =
                            crate::analysed::Analysed::of(&samples, crate::spec::CriticalPoint::MinusOne);
                        let (subject, mut kernel) = (subject(&sweep), Kernel::default());
                        assert_eq!(
                            half_the_gain(&subject, &mut kernel),
                            None,
                            "{fc} {quality} {zero} {below}"
                        );
                        told_before += usize::from(fits_without_a_low_end(&subject, &mut kernel));
                    }
                }
            }
        }
        assert!(told_before > 0, "none of these loops is such a case");
    }

    /// The rule with nothing below the band.
    fn fits_without_a_low_end(subject: &Subject<'_>, kernel: &mut Kernel) -> bool {
        let crossover = crate::margins::crossover(&subject.sweep.crossings, subject.span).unwrap().point.ln_f;
        let part =
            Span { from: subject.span.from + AWAY, to: (crossover + LN_2).min(subject.span.to - AWAY) };
        let pairs = kernel.phases(&subject.sweep.curve, subject.span, part);
        let lags = Lags::of(&pairs, crossover);
        let doubled = lags.misfit(2.0, 1.001 * FITS);
        pairs.len() >= FEWEST
            && doubled < FITS
            && lags.misfit(1.0, f64::INFINITY) > MISSES.max(TIMES * doubled)
    }

    #[test]
    fn other_quantities_are_refused_and_loop_gains_are_not() {
        for noise in [0.0, 0.003] {
            assert_eq!(refused(|t| t, noise), 0, "the loop gain");
            assert_eq!(refused(|t| t / (1.0 + t), noise), 4, "the closed loop");
            assert_eq!(refused(|t| 1.0 + t, noise), 4, "the return difference");
            assert_eq!(
                refused(|t| Complex64::from_polar(t.norm().sqrt(), t.arg()), noise),
                4,
                "half the gain"
            );
        }
    }
}
