//! Points too far apart to follow the phase where it counts.

use super::{Refusal, Subject};
use crate::curve::{LocalError, db};
use crate::quantity::{number, with_unit};
use std::f64::consts::PI;

/// Phase between two neighbours, rad, beyond which the curve between them is a guess: a quarter turn. A resonance turns the
/// phase by this much within its half-power width, where some three points should lie.
const STEP: f64 = 0.5 * PI;
/// Only this close to 0 dB does it decide about crossovers and margins.
const NEAR_DB: f64 = 15.0;
/// Noise of a sample, rad, from which on a step may be noise: what drowns a sweep is told elsewhere.
const NOISE: f64 = 0.1;

/// Distance of a sample from what its neighbours foretell, neper and rad, that is sharper than the points: 2.6 dB or 17 deg …
const LONELY: f64 = 0.3;
/// … and standard deviations of its noise; a prediction has the noise of the neighbours too …
const LONELY_NOISE: f64 = 8.0;
/// … where neighbours twice as far foretell it at most so many times worse; a curve that the points carry, 16 times.
const SLOWLY: f64 = 1.8;

/// Two neighbours between which the curve is a guess.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Gap {
    /// ln f of the two.
    pub(super) places: (f64, f64),
    /// Largest ln of the magnitude that the curve may have between them; infinite where nothing bounds it.
    pub(super) peak: f64,
    /// Smallest ln of the magnitude, likewise.
    pub(super) trough: f64,
    /// What was seen between them.
    seen: Seen,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Seen {
    /// Phase from one to the other, rad.
    Turn(f64),
    /// How far the sample between them lies from what its neighbours foretell, neper and rad.
    Lonely(LocalError),
}

/// The first pair of neighbours whose phases lie too far apart near 0 dB.
#[must_use]
pub fn unresolved(subject: &Subject<'_>) -> Option<Refusal> {
    all(subject).next().map(|gap| gap.explain())
}

/// All places that the points do not resolve.
pub(super) fn all<'a>(subject: &Subject<'a>) -> impl Iterator<Item = Gap> + use<'a> {
    steep(subject).chain(lonely(subject))
}

/// Samples that neighbours do not foretell, and foretell no better the closer they lie: something sharper than the points stands there.
fn lonely<'a>(subject: &Subject<'a>) -> impl Iterator<Item = Gap> + use<'a> {
    let (raw, noise, span) = (&subject.sweep.raw, &subject.sweep.noise, subject.span);
    let square = |miss: LocalError| miss.ln_mag * miss.ln_mag + miss.angle * miss.angle;
    let columns = raw.ln_mag().iter().zip(noise.sigma()).enumerate();
    columns.filter_map(move |(k, (ln_mag, sigma))| {
        if db(*ln_mag).abs() > NEAR_DB || !noise.is_known() {
            return None;
        }
        let miss = raw.left_out(k, 1)?;
        let near = square(miss);
        if near <= LONELY.max(LONELY_NOISE * sigma).powi(2)
            || square(raw.left_out(k, 2)?) >= SLOWLY * SLOWLY * near
            || noise.spikes().iter().any(|spike| spike.index == k)
        {
            return None;
        }
        let at = |i: usize| raw.ln_f().get(i).copied().filter(|x| span.holds(*x));
        let (x0, x1) = (at(k.checked_sub(1)?)?, at(k + 1)?);
        // A lonely peak falls between its neighbours and itself, a dip or a turn of the phase may fall anywhere.
        let gains = raw.ln_mag().get(k - 1..k + 2).unwrap_or(&[]);
        let least = gains.iter().copied().fold(f64::INFINITY, f64::min);
        let is_peak = least < *ln_mag
            && miss.ln_mag >= miss.angle
            && gains.first().zip(gains.last()).is_some_and(|(a, b)| *ln_mag > a.max(*b));
        let trough = if is_peak { least } else { f64::NEG_INFINITY };
        Some(Gap { places: (x0, x1), peak: f64::INFINITY, trough, seen: Seen::Lonely(miss) })
    })
}

/// All pairs of neighbours whose phases lie too far apart near 0 dB.
fn steep<'a>(subject: &Subject<'a>) -> impl Iterator<Item = Gap> + use<'a> {
    let (raw, sigma, span) = (&subject.sweep.raw, subject.sweep.noise.sigma(), subject.span);
    let columns = raw.ln_f().windows(2).zip(raw.ln_mag().windows(2)).zip(raw.angle().windows(2)).zip(sigma);
    columns.filter_map(move |(((x, a), p), sigma)| {
        let (&[x0, x1], &[a0, a1], &[p0, p1]) = (x, a, p) else { return None };
        let near = db(a0).abs().min(db(a1).abs()) < NEAR_DB;
        let inside = span.holds(x0) && span.holds(x1);
        let far = (p1 - p0).abs() > STEP && near && inside && *sigma < NOISE;
        let gap = || Gap {
            places: (x0, x1),
            peak: peak_between(a0.max(a1), p1 - p0),
            trough: trough_between(a0.min(a1), p1 - p0),
            seen: Seen::Turn(p1 - p0),
        };
        far.then(gap)
    })
}

/// How far a simple resonance may rise between two samples, the larger of ln of the magnitude `largest`, with a phase that turns by `turn`
/// from one to the other. Near its peak a simple resonance runs along a circle through the origin, where the magnitude is the peak times
/// the cosine of the phase from it (any text on modal analysis, as the circle fit: from memory); the larger sample is no more than half
/// of the turn away from it.
fn peak_between(largest: f64, turn: f64) -> f64 {
    let cosine = (0.5 * turn).cos();
    if turn.abs() < PI && cosine > 0.0 { largest - cosine.ln() } else { f64::INFINITY }
}

/// How far the gain may fall between two samples, the smaller of ln of the magnitude `smallest`. Through a resonance the phase falls, and the
/// gain between them is larger. Through a notch it rises, by as much whatever its depth: of (x + j d) / (x + j), sampled at x = -c and c, by
/// 2 atan(1/c) for every small d, which is the magnitude at its bottom.
fn trough_between(smallest: f64, turn: f64) -> f64 {
    if turn < 0.0 { smallest } else { f64::NEG_INFINITY }
}

impl Gap {
    pub(super) fn explain(&self) -> Refusal {
        match self.seen {
            Seen::Turn(step) => explain(self.places, step),
            Seen::Lonely(miss) => explain_lonely(self.places, miss),
        }
    }
}

fn explain_lonely(between: (f64, f64), miss: LocalError) -> Refusal {
    let hz = |ln_f: f64| with_unit(ln_f.exp(), "Hz");
    let (from, to) = (hz(between.0), hz(between.1));
    Refusal {
        message: format!(
            "between {from} and {to} one sample lies {} dB and {} deg from what its neighbours foretell, and every sweep shows it: \
             something sharper than the points stands there, and its peak is a guess",
            number(db(miss.ln_mag), 2),
            number(miss.angle.to_degrees(), 2)
        ),
        remedy: format!("sweep from {from} to {to} and around at least four times as densely"),
    }
}

fn explain(between: (f64, f64), step: f64) -> Refusal {
    let hz = |ln_f: f64| with_unit(ln_f.exp(), "Hz");
    let (from, to) = (hz(between.0), hz(between.1));
    Refusal {
        message: format!(
            "from {from} to {to}, from one point to the next, the phase turns by {} deg near 0 dB: what the curve does between \
             them, and how often it crosses, is a guess",
            number(step.abs().to_degrees(), 3)
        ),
        remedy: format!(
            "a resonance lies between the points: sweep from {from} to {to} and around at least four times as densely"
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::{subject, sweep};
    use super::*;

    /// An integrator through 0 dB at 10 kHz with a resonance at 9 kHz.
    fn resonant(quality: f64, per_decade: f64) -> Option<Refusal> {
        let sweep = sweep(per_decade, |hz| {
            let x = hz / 9e3;
            let (re, im) = (1.0 - x * x, x / quality);
            [-(hz / 1e4).ln() - re.hypot(im).ln(), -1.571 - im.atan2(re)]
        });
        unresolved(&subject(&sweep))
    }

    #[test]
    fn a_peak_between_two_samples_is_bounded_by_the_turn() {
        // Half-power points are 90 deg apart, 3 dB below the peak.
        assert!((peak_between(0.0, STEP) - 0.5 * 2f64.ln()).abs() < 1e-12);
        // Any two points on either side of a Lorentz line of peak 1 bound it from above.
        for (left, right) in [(0.3f64, 1.7f64), (2.0, 2.0), (5.0, 0.1)] {
            let larger = -0.5 * (1.0 + left.min(right).powi(2)).ln();
            assert!(peak_between(larger, left.atan() + right.atan()) > -1e-12);
        }
        assert_eq!(peak_between(-3.0, 3.2), f64::INFINITY);
    }

    #[test]
    fn a_resonance_between_two_points_is_refused_and_a_resolved_one_is_not() {
        assert!(resonant(30.0, 15.0).unwrap().message.contains("from one point to the next"));
        for (quality, per_decade) in [(0.7, 15.0), (3.0, 25.0), (10.0, 100.0), (30.0, 300.0)] {
            assert_eq!(resonant(quality, per_decade), None, "{quality} {per_decade}");
        }
    }

    /// A gain of 20 dB and more down to 10 kHz, with a notch at 1 kHz whose sides lie far above 0 dB: how deep it is between two points
    /// nobody knows.
    #[test]
    fn a_notch_between_two_points_may_reach_0_db_however_high_its_sides() {
        let notched = |depth: f64, quality: f64| {
            let own = sweep(20.0, move |hz| {
                // (1 - x² + j x d / q) / (1 - x² + j x / q) with the middle of two of 20 points a decade at x = 1.
                let x = hz / (1e3 * 10f64.powf(0.025));
                let (re, above, below) = (1.0 - x * x, x * depth / quality, x / quality);
                let gain = re.hypot(above).ln() - re.hypot(below).ln();
                [-(hz / 1e4).ln() + gain, -1.571 + above.atan2(re) - below.atan2(re)]
            });
            let found = all(&subject(&own)).next();
            (found, super::super::usable(&subject(&own)))
        };
        let (gap, part) = notched(0.02, 4.0);
        let gap = gap.unwrap();
        assert!(gap.trough == f64::NEG_INFINITY, "{gap:?}");
        assert!(gap.places.0 < 1.06e3_f64.ln() && gap.places.1 > 1.05e3_f64.ln(), "{gap:?}");
        assert!(part.unwrap_err().message.contains("how often it crosses"));
        assert!(notched(1.0, 4.0).1.is_ok());
    }

    /// (x + j d) / (x + j) at x = -c and c: the turn does not know d, the bottom is d.
    #[test]
    fn the_turn_through_a_notch_tells_nothing_of_its_depth() {
        use num_complex::Complex64;
        let c = 0.5;
        for depth in [1e-1, 1e-2, 1e-6] {
            let notch = |x: f64| Complex64::new(x, depth) / Complex64::new(x, 1.0);
            // Frequency rises as x falls.
            let turn = (notch(-c) / notch(c)).arg();
            assert!((turn - 2.0 * (1.0 / c).atan()).abs() < 5.0 * depth, "{depth}: {turn}");
            assert_eq!(trough_between(notch(c).norm().ln(), turn), f64::NEG_INFINITY);
        }
        assert_eq!(trough_between(1.5, -2.0), 1.5);
    }
}
