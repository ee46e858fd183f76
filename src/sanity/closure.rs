//! Whether the curve closes stably: Nyquist's criterion in crossing form.
//!
//! With P right-half-plane poles of the open loop, the closed loop has Z = P + 2 C of them, where C counts the falling
//! less the rising crossings of the ray beyond the critical point (|T| > 1) from zero frequency up (M. Vidyasagar et
//! al., "The Nyquist criterion revisited", IEEE Control Systems Magazine 1988: from memory). Crossings below the sweep
//! are taken from its start: a gain of slope -n (times -20 dB/decade) has n integrators, whose phase has turned by
//! -90 deg each from the real axis; on the way it has crossed the ray as often as the angle tells. A negative gain at
//! zero frequency starts on the ray itself, which counts half.

use super::Subject;
use crate::curve::{Curve, Span, wrap};
use crate::margins::Direction;
use std::f64::consts::{FRAC_PI_2, LN_2, LN_10, PI, TAU};

/// What the count of crossings says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Closure {
    /// No right-half-plane pole is left, under at least one reading of the start.
    Stable,
    /// Poles are left; their number, where every reading of the start agrees on a possible one.
    Unstable {
        /// Right-half-plane poles of the closed loop.
        poles: Option<u32>,
    },
    /// The low end was left out, and by the rest alone it may close stably or not.
    LowEndOpen,
    /// The gain is not below 1 at the top: crossings beyond may count.
    Unknown,
    /// The gain rises at the end of the sweep and would be back at 1 within an octave: crossings beyond may count.
    Rising,
}

/// One way to read the start: the textbook phase there, rad, not wrapped, and the sign of the gain at zero frequency.
#[derive(Debug, Clone, Copy)]
struct Start {
    phase: f64,
    negative: bool,
}

/// A start this close to what its slope tells is clear, rad.
const CLEAR: f64 = PI / 3.0;
/// Stretch that the slope at the start is taken over, ln f: a third of a decade.
const STRETCH: f64 = LN_10 / 3.0;
/// Most lead that a start that is not clear is taken to have, rad.
const MOST_LEAD: f64 = FRAC_PI_2;
/// The same where the low end was left out: nothing but a resonance leads at all where the gain falls.
const LATE_LEAD: f64 = PI / 6.0;
/// Slope from which on it may have more lag than three quarters of a turn: near that of three integrators.
const STEEP: f64 = -2.5;
/// Stretch that the slope at the end is taken over beside the last two samples, ln f: a quarter of an octave.
const LAST_STRETCH: f64 = LN_2 / 4.0;
/// A gain below this, neper, is far from 0 dB, however it moves: -20 dB.
const FAR_BELOW: f64 = -LN_10;
/// Standard uncertainties from noise beyond which a sample surely lies beside the ray.
const SURELY: f64 = 3.0;
/// Closer to the ray than this, rad, a sample tells no side.
const ON_THE_RAY: f64 = 1e-6;

/// Counts the crossings of the curve in its span.
#[must_use]
pub fn closure(subject: &Subject<'_>) -> Closure {
    if subject.sweep.curve.at(subject.span.to).ln_mag >= 0.0 {
        return Closure::Unknown;
    }
    if rises_to_the_end(subject) {
        return Closure::Rising;
    }
    let start = first_off_the_ray(subject);
    // Twice the count, so that a start on the ray (half a crossing) stays a whole number.
    let inside: i64 = subject
        .sweep
        .crossings
        .phase_in(subject.span)
        .filter(|c| c.point.ln_mag > 0.0 && c.point.ln_f > start)
        .map(|c| match c.direction {
            Direction::Falling => 2,
            Direction::Rising => -2,
            Direction::Touching => 0,
        })
        .sum();
    let poles = |reading: &Start| {
        i64::from(subject.open_loop_poles) + inside + below(subject.sweep.curve.at(start).ln_mag, reading)
    };
    let readings = readings(
        &subject.sweep.curve,
        Span { from: start, to: subject.span.to },
        subject.open_loop_poles,
        subject.begins_late,
    );
    let counts: Vec<i64> = readings.iter().map(poles).collect();
    // Where the low end was left out, nothing but what the rest tells unambiguously counts.
    let is_stable = if subject.begins_late {
        counts.iter().all(|n| *n == 0) && falls_on_the_safe_side(subject)
    } else {
        counts.contains(&0) && (!has_one_crossover(subject) || falls_on_the_safe_side(subject))
    };
    if is_stable {
        return Closure::Stable;
    }
    if subject.begins_late
        && counts.contains(&0)
        && (!has_one_crossover(subject) || falls_on_the_safe_side(subject))
    {
        return Closure::LowEndOpen;
    }
    let agreed = counts
        .first()
        .filter(|_| !subject.begins_late)
        .copied()
        .filter(|first| counts.iter().all(|n| n == first));
    Closure::Unstable { poles: agreed.and_then(|n| u32::try_from(n).ok()) }
}

/// Whether the gain rises at the end of the sweep, by more than its noise, so fast that a straight line is back at 0 dB within an octave.
fn rises_to_the_end(subject: &Subject<'_>) -> bool {
    let (curve, noise) = (&subject.sweep.curve, &subject.sweep.noise);
    let end = curve.span().to;
    let last = match curve.ln_f() {
        [.., a, b] => b - a,
        _ => return false,
    };
    if subject.span.to < end - last {
        return false;
    }
    let top = curve.at(end).ln_mag;
    if top < FAR_BELOW {
        return false;
    }
    [last, last.max(LAST_STRETCH)].into_iter().any(|back| {
        let rise = top - curve.at(end - back).ln_mag;
        let [own, other] = [end, end - back].map(|x| noise.at(curve, x).ln_mag);
        rise > SURELY * own.hypot(other) && top + rise * (LN_2 / back) > 0.0
    })
}

/// Whether there is one crossover and no pole of the open loop in the right half plane: whatever lies below, the loop is stable only if
/// the phase has not passed the critical point's direction there.
fn has_one_crossover(subject: &Subject<'_>) -> bool {
    subject.open_loop_poles == 0 && subject.sweep.crossings.gain_in(subject.span).count() == 1
}

/// Whether every falling crossover has a positive phase margin.
fn falls_on_the_safe_side(subject: &Subject<'_>) -> bool {
    let mut falling =
        subject.sweep.crossings.gain_in(subject.span).filter(|c| c.direction == Direction::Falling);
    falling.all(|c| wrap(c.point.angle) > 0.0)
}

/// The start of the span, or the first sample after it that lies beside the ray; where the low end was left out, beside it by more than its
/// noise.
fn first_off_the_ray(subject: &Subject<'_>) -> f64 {
    let (curve, noise, span) = (&subject.sweep.curve, &subject.sweep.noise, subject.span);
    let phase_share = noise.shares()[1];
    let slack = |i: usize| match noise.fit().get(i) {
        Some(fit) if subject.begins_late => (SURELY * phase_share * fit).max(ON_THE_RAY),
        _ => ON_THE_RAY,
    };
    let at = curve.at(span.from);
    if wrap(at.angle).abs() > slack(curve.interval(span.from)) {
        return span.from;
    }
    let samples = curve.ln_f().iter().zip(curve.angle()).enumerate();
    let beside = |(i, (x, angle)): &(usize, (&f64, &f64))| **x > span.from && wrap(**angle).abs() > slack(*i);
    samples.into_iter().find(beside).map_or(span.from, |(_, (x, _))| *x)
}

/// Twice the crossings of the ray from zero frequency to the start.
fn below(ln_mag: f64, start: &Start) -> i64 {
    // Half-plane index: the ray lies at odd multiples of pi; on it, half way between its neighbours.
    let index = |phase: f64| 2 * ((phase + PI) / TAU).floor() as i64;
    if ln_mag <= 0.0 {
        // Below 1 at the start: the ray beyond the critical point is met only where the gain is above 1, on the way from
        // zero frequency, which a sweep that starts so does not show.
        return 0;
    }
    let origin = if start.negative { -1 } else { 0 };
    origin - index(start.phase)
}

/// The readings of the start that its slope and phase allow.
fn readings(curve: &Curve, span: Span, open_loop_poles: u32, begins_late: bool) -> Vec<Start> {
    let at = curve.at(span.from);
    let textbook = at.angle - PI;
    let mut readings = Vec::with_capacity(4);
    let mut clear = true;
    let mut steepest = f64::INFINITY;
    // Where the low end was left out, noise leaves no slope over a short stretch.
    let other = if begins_late { 1.5 * STRETCH } else { STRETCH / 4.0 };
    for slope in [slope_over(curve, span, STRETCH), slope_over(curve, span, other)] {
        steepest = steepest.min(slope);
        let expected = FRAC_PI_2 * slope;
        let off = wrap(textbook - expected);
        // Half a turn off is what a negative gain at zero frequency looks like.
        let negative = off.abs() > PI / 2.0;
        clear &= off.abs() <= CLEAR || PI - off.abs() <= CLEAR;
        readings.push(if negative {
            Start { phase: expected - PI + wrap(textbook - expected + PI), negative }
        } else {
            Start { phase: expected + off, negative }
        });
    }
    let agree = |a: &Start, b: &Start| a.negative == b.negative && (a.phase - b.phase).abs() < 1e-6;
    if !(clear && readings.windows(2).all(|w| matches!(w, [a, b] if agree(a, b)))) {
        // Not clear: near a resonance or in noise the slope is not that of the integrators below.
        if open_loop_poles > 0 {
            // Poles in the right half plane turn the phase either way: the neighbouring turn and the other sign may be right.
            for reading in readings.clone() {
                readings.push(Start { negative: !reading.negative, ..reading });
                readings.push(Start { phase: reading.phase - TAU, ..reading });
                readings.push(Start { phase: reading.phase + TAU, ..reading });
            }
            return readings;
        }
        // Without them the closed loop's polynomial has the sign of 1 + T at zero frequency, so the gain is positive there if the
        // loop is stable, and there is nothing but integrators and lags below: from a quarter turn of lead down to the
        // three quarters of lag that two integrators and a lag make.
        let lead = if begins_late { LATE_LEAD } else { MOST_LEAD };
        let phase = textbook - TAU * ((textbook - lead) / TAU).ceil();
        readings.clear();
        readings.push(Start { phase, negative: false });
        if steepest < STEEP {
            // As steep as three integrators, it may be one turn further down.
            readings.push(Start { phase: phase - TAU, negative: false });
        }
    }
    readings
}

/// Slope of ln|T| over ln f from the start over a stretch, by least squares on its samples (at least 3).
fn slope_over(curve: &Curve, span: Span, stretch: f64) -> f64 {
    let samples =
        || curve.ln_f().iter().copied().zip(curve.ln_mag().iter().copied()).filter(|(x, _)| *x >= span.from);
    let count = samples().take_while(|(x, _)| *x <= span.from + stretch).count().max(3);
    let n = samples().take(count).count() as f64;
    let (sx, sy) = samples().take(count).fold((0.0, 0.0), |(sx, sy), (x, y)| (sx + x, sy + y));
    let (mx, my) = (sx / n, sy / n);
    let (sxx, sxy) = samples()
        .take(count)
        .fold((0.0, 0.0), |(a, b), (x, y)| (a + (x - mx) * (x - mx), b + (x - mx) * (y - my)));
    if sxx > 0.0 { sxy / sxx } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::super::testing;
    use super::*;
    use crate::analysed::Analysed;
    use crate::spec::CriticalPoint;
    use crate::sweep::Samples;
    use crate::uncertainty::Chain;
    use num_complex::Complex64;

    /// Closure of a textbook loop gain over s = jf, f from 0.01 to 1000.
    fn close(poles: u32, gain: impl Fn(Complex64) -> Complex64) -> Closure {
        let mut samples = Samples::default();
        for k in 0..=250 {
            let f = 0.01 * 10f64.powf(f64::from(k) / 50.0);
            let value = gain(Complex64::new(0.0, f));
            samples.push(f, value.norm().ln(), value.arg());
        }
        let sweep = Analysed::of(&samples, CriticalPoint::MinusOne);
        closure(&Subject {
            sweep: &sweep,
            second: None,
            span: sweep.curve.span(),
            begins_late: false,
            open_loop_poles: poles,
            critical_point: CriticalPoint::MinusOne,
            chain: Chain::default(),
        })
    }

    const UNSTABLE_2: Closure = Closure::Unstable { poles: Some(2) };

    /// Closed loops whose poles any textbook's Routh table gives.
    #[test]
    fn the_count_is_that_of_the_closed_loop() {
        // 1/(s(s+1)): stable for every gain.
        assert_eq!(close(0, |s| 10.0 / (s * (s + 1.0))), Closure::Stable);
        // K/(s(s+1)^2): stable below K = 2.
        assert_eq!(close(0, |s| 1.5 / (s * (s + 1.0) * (s + 1.0))), Closure::Stable);
        assert_eq!(close(0, |s| 4.0 / (s * (s + 1.0) * (s + 1.0))), UNSTABLE_2);
        // K (s+1)^2/s^3: stable above K = 1/2, the arc at zero frequency hides one crossing.
        assert_eq!(close(0, |s| 2.0 * (s + 1.0) * (s + 1.0) / (s * s * s)), Closure::Stable);
        assert_eq!(close(0, |s| 0.2 * (s + 1.0) * (s + 1.0) / (s * s * s) / (1.0 + s / 90.0)), UNSTABLE_2);
        // (s+1)/s^2: on the ray at zero frequency, stable.
        assert_eq!(close(0, |s| 3.0 * (s + 1.0) / (s * s)), Closure::Stable);
    }

    #[test]
    fn right_half_plane_poles_of_the_open_loop_are_wanted_back() {
        // 10/(s - 1) has one, and the closed loop s + 9 has none.
        let plant = |s: Complex64| 10.0 / (s - 1.0);
        assert_eq!(close(1, plant), Closure::Stable);
        assert!(matches!(close(0, plant), Closure::Unstable { .. }));
        // 0.5/(s - 1) does not move it: s - 0.5. The gain is below 1 throughout.
        assert_eq!(close(1, |s| 0.5 / (s - 1.0)), Closure::Unstable { poles: Some(1) });
        // A loop that is stable by itself, declared to hold a pole.
        assert!(matches!(close(1, |s| 10.0 / (s + 1.0)), Closure::Unstable { .. }));
    }

    /// A resonance above the band of which the sweep shows the flank: at its peak the gain may be anywhere.
    #[test]
    fn a_sweep_that_ends_on_the_way_up_shows_nothing() {
        let peak = |f0: f64| {
            move |s: Complex64| 10.0 / s / (1.0 + s / 500.0) / (1.0 + s / f0 / 30.0 + s * s / (f0 * f0))
        };
        // 10/f0 times the quality of 30 is above 1; the sweep ends at 1 kHz.
        assert_eq!(close(0, peak(1_300.0)), Closure::Stable);
        let near = |s: Complex64| 10.0 * peak(1_150.0)(s);
        assert_eq!(close(0, near), Closure::Rising);
        // The same 20 dB and more below.
        assert_eq!(close(0, |s| 0.2 * near(s)), Closure::Stable);
    }

    /// A sweep that starts on the flank of a resonance, where its slope tells nothing of the integrator below.
    #[test]
    fn a_resonance_at_the_start_excuses_nothing() {
        let board = |k: f64| {
            move |s: Complex64| {
                let filter = 1.0 + s / (4.0 * 0.02) + s * s / (0.02 * 0.02);
                k * (1.0 + s / 0.005) / s / filter / (1.0 + s / 0.4)
            }
        };
        // Characteristic polynomial s (1 + s/0.08 + s^2/0.0004)(1 + s/0.4) + k (1 + 200 s): for k = 1 its roots
        // are -0.519, 0.059 +- 0.242 j and -0.005 (numpy.roots).
        assert!(matches!(close(0, board(1.0)), Closure::Unstable { .. }));
        for quality in [1.0, 3.0, 10.0] {
            for f0 in [0.012, 0.02, 0.04] {
                let lag = move |s: Complex64| {
                    let filter = 1.0 + s / (quality * f0) + s * s / (f0 * f0);
                    // A double zero on the resonance and one pole far above: crosses with 90 deg of lag.
                    let zero = 1.0 + s / f0;
                    1.0 / s * zero * zero / filter
                };
                assert_eq!(close(0, lag), Closure::Stable, "{quality} {f0}");
            }
        }
    }

    #[test]
    fn a_turned_sign_does_not_close() {
        assert!(matches!(close(0, |s| -10.0 / (s * (s + 1.0))), Closure::Unstable { .. }));
        assert!(matches!(close(0, |s| -10.0 / (s + 1.0)), Closure::Unstable { .. }));
    }

    /// As steep as three integrators, with the phase of less than two: what was left out below decides.
    #[test]
    fn a_low_end_that_was_left_out_may_leave_it_open() {
        let mut samples = Samples::default();
        for k in 0..=100 {
            let f = 10f64.powf(f64::from(k) / 50.0);
            samples.push(f, 2.7 * (10.0 / f).ln(), -0.85 * PI);
        }
        let sweep = Analysed::of(&samples, CriticalPoint::MinusOne);
        let with = |begins_late: bool| Subject { begins_late, ..testing::subject(&sweep) };
        assert_eq!(closure(&with(false)), Closure::Stable);
        assert_eq!(closure(&with(true)), Closure::LowEndOpen);
    }

    #[test]
    fn gain_above_one_at_the_top_leaves_it_open() {
        assert_eq!(close(0, |s| 1e4 / (s + 1.0)), Closure::Unknown);
    }
}
