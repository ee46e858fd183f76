//! A step in gain or phase between two neighbouring samples: an input range was switched there.
//!
//! A loop gain is smooth over ln f. Where the curve from the left and the curve from the right, both drawn to the middle of
//! the gap between two samples, miss each other by the same amount however many samples they are drawn from, something
//! else changed. A resonance gives another amount for each number of samples, and bends away from the line.

use super::least_squares::{Fit, Sample, length};
use super::{Refusal, Subject};
use crate::curve::{Span, db};
use crate::quantity::{number, with_unit};

/// Smallest step, neper and rad taken as one complex number: 0.2 dB or 1.3 deg. No verdict turns on less.
const LEAST: f64 = 0.023;
/// Standard deviations of its own noise that the step between straight lines must have; by chance exp(-18) in each gap.
const SIGNIFICANT: f64 = 6.0;
/// The same for the step between parabolas, which is noisier, where the samples scatter no more than the noise does …
const PARABOLA_SIGNIFICANT: f64 = 4.5;
/// … and where they scatter by more than so many standard deviations: there the curve bends, and what looks like a step may be a
/// resonance.
const BENT_SIGNIFICANT: f64 = 9.0;
const BENT: f64 = 1.5;
/// Steps found from different numbers of samples agree to this part …
const AGREE: f64 = 0.3;
/// … and this many standard deviations of their noise.
const AGREE_NOISE: f64 = 3.0;
/// What the samples may leave of their own line: so many standard deviations of the noise …
const SCATTER: f64 = 2.5;
/// … and this part of the step.
const SCATTER_PART: f64 = 0.1;
/// The first look, from two samples on each side, lets through what is this part of the least step …
const LOOK: f64 = 0.7;
/// … and this many standard deviations of the noise of a sample. Its own noise is sqrt 5 of them, that of the steps that decide
/// more than 1.2: a step that they find is seen here but for one in ten.
const LOOK_NOISE: f64 = 7.0;
/// A gap this many times wider than both beside it is a hole: a sample was left out there. Where the curve bends as well, a resonance may
/// have passed for a spike.
const WIDE: f64 = 1.5;
/// Phase from sample to sample, rad, from which on unwrapping it is a guess.
const STEEP: f64 = 0.5 * std::f64::consts::PI;
/// Steps of the phase beyond this, rad, are left alone: a resonance too sharp for the points, or a null far below 0 dB where the
/// injection leaks past the loop, turns it by up to half a turn between two samples and leaves no other trace. No range does.
const MOST_RAD: f64 = 1.0;
/// Samples on each side of the straight line and of the parabola, at most, and the least for the parabola.
const LINE: usize = 5;
const PARABOLA: usize = 7;
const LEAST_SAMPLES: usize = 5;

/// Samples on each side of the polynomial with a step, its degree, and what it may leave of the samples beside their noise, as a
/// part of the step.
const SIDE: usize = 6;
const DEGREE: usize = 5;
const LEFT: f64 = 0.04;

/// A step between neighbours.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Jump {
    /// ln f of the two.
    pub(super) between: (f64, f64),
    /// Neper and rad.
    pub(super) size: [f64; 2],
}

/// The largest step in the span.
#[must_use]
pub fn jump(subject: &Subject<'_>) -> Option<Refusal> {
    explain_largest(subject, &all(subject))
}

/// All steps in the span, by rising frequency.
pub(super) fn all(subject: &Subject<'_>) -> Vec<Jump> {
    let noise = &subject.sweep.noise;
    let mut found: Vec<Jump> = Vec::new();
    if !noise.is_known() {
        return found;
    }
    let raw = &subject.sweep.raw;
    let (x, a, p, sigma) = (raw.ln_f(), raw.ln_mag(), raw.angle(), noise.sigma());
    if noise.spikes().is_empty() {
        look(x, a, p, sigma, subject.span, &mut found);
    } else {
        let kept = |values: &[f64]| -> Vec<f64> {
            let out = |i: usize| noise.spikes().iter().any(|spike| spike.index == i);
            values.iter().enumerate().filter(|(i, _)| !out(*i)).map(|(_, v)| *v).collect()
        };
        look(&kept(x), &kept(a), &kept(p), &kept(sigma), subject.span, &mut found);
    }
    found
}

/// The largest of steps in words.
pub(super) fn explain_largest(subject: &Subject<'_>, found: &[Jump]) -> Option<Refusal> {
    let largest = found.iter().max_by(|a, b| length(a.size).total_cmp(&length(b.size)))?;
    Some(explain(largest, found.len(), is_alone(subject, largest)))
}

/// Whether another sweep on the same frequencies does not step there.
fn is_alone(subject: &Subject<'_>, jump: &Jump) -> bool {
    let own = &subject.sweep.raw;
    let Some(other) = subject.second.map(|s| &s.raw).filter(|s| s.frequency_hz() == own.frequency_hz())
    else {
        return false;
    };
    let i = own.ln_f().partition_point(|x| *x < jump.between.0);
    let step = |values: &[f64]| match values.get(i..i + 2) {
        Some([left, right]) => right - left,
        _ => 0.0,
    };
    let more = [step(own.ln_mag()) - step(other.ln_mag()), step(own.angle()) - step(other.angle())];
    length(more) > 0.5 * length(jump.size)
}

fn explain(jump: &Jump, count: usize, is_alone: bool) -> Refusal {
    let sign = |v: f64| if v < 0.0 { "-" } else { "+" };
    let (gain_db, phase_deg) = (db(jump.size[0]), jump.size[1].to_degrees());
    let hz = |ln_f: f64| with_unit(ln_f.exp(), "Hz");
    let more = match count {
        0 | 1 => String::new(),
        2 => ", and at another place".to_owned(),
        n => format!(", and at {} other places", n - 1),
    };
    Refusal {
        message: format!(
            "between {} and {} the curve jumps by {}{} dB and {}{} deg from one sample to the next{more}: no loop does that",
            hz(jump.between.0),
            hz(jump.between.1),
            sign(gain_db),
            number(gain_db.abs(), 2),
            sign(phase_deg),
            number(phase_deg.abs(), 2)
        ),
        remedy: if is_alone {
            "the other sweep has no such step there: with this injection the loop leaves its small-signal range, or an input range \
             was switched: inject less there, fix the input ranges by hand, and sweep again in one go"
        } else {
            "an input range was switched, or the injection or the operating point changed, while sweeping: fix the input \
             ranges by hand, see that the supply stays in one mode, and sweep again in one go"
        }
        .to_owned(),
    }
}

fn look(x: &[f64], a: &[f64], p: &[f64], sigma: &[f64], span: Span, found: &mut Vec<Jump>) {
    let windows = x.windows(4).zip(a.windows(4)).zip(p.windows(4)).zip(sigma.get(1..).unwrap_or(&[]));
    for (i, (((x4, a4), p4), sigma_here)) in windows.enumerate() {
        let (&[x0, x1, x2, x3], &[a0, a1, a2, a3], &[p0, p1, p2, p3]) = (x4, a4, p4) else { continue };
        let half = 0.5 * (x2 - x1);
        let (left, right) = (half / (x1 - x0), half / (x3 - x2));
        let da = a2 - a1 - (a3 - a2) * right - (a1 - a0) * left;
        let dp = p2 - p1 - (p3 - p2) * right - (p1 - p0) * left;
        let size2 = da * da + dp * dp;
        let noise = LOOK_NOISE * sigma_here;
        // Where the phase turns so much from sample to sample, which way round it went is a guess.
        let steep = (p1 - p0).abs().max((p3 - p2).abs()) > STEEP;
        if steep || size2 < (LOOK * LEAST) * (LOOK * LEAST) || size2 < noise * noise {
            continue;
        }
        if span.holds(x1)
            && span.holds(x2)
            && let Some(jump) = confirm(x, a, p, sigma, i + 1)
        {
            // The two gaps beside a step see a part of it: one step is reported once.
            match found.last_mut().filter(|last| last.between.1 >= x1) {
                Some(last) if length(last.size) >= length(jump.size) => {}
                Some(last) => *last = jump,
                None => found.push(jump),
            }
        }
    }
}

/// The step between samples `i` and `i` + 1, if there is one.
fn confirm(x: &[f64], a: &[f64], p: &[f64], sigma: &[f64], i: usize) -> Option<Jump> {
    let samples = |from: usize, to: usize| {
        let columns =
            x.get(from..to)?.iter().zip(a.get(from..to)?).zip(p.get(from..to)?).zip(sigma.get(from..to)?);
        Some(columns.map(|(((x, a), p), s)| Sample { x: *x, y: [*a, *p], sigma: *s }).collect::<Vec<_>>())
    };
    let left = samples((i + 1).saturating_sub(PARABOLA), i + 1)?;
    let right = samples(i + 1, (i + 1 + PARABOLA).min(x.len()))?;
    if left.len() < LEAST_SAMPLES || right.len() < LEAST_SAMPLES {
        return None;
    }
    let (x1, x2) = (left.last()?.x, right.first()?.x);
    if let Some(size) = polynomial_with_step(&left, &right) {
        return Some(Jump { between: (x1, x2), size });
    }
    let middle = 0.5 * (x1 + x2);
    let near = |count: usize| {
        Some((left.get(left.len() - count.min(left.len())..)?, right.get(..count.min(right.len()))?))
    };
    let step = |count: usize, degree: usize| {
        let (left, right) = near(count)?;
        let (from, to) = (Fit::through(left, middle, degree)?, Fit::through(right, middle, degree)?);
        Some(Step {
            size: [to.value[0] - from.value[0], to.value[1] - from.value[1]],
            noise: from.noise.hypot(to.noise),
            doubt: from.doubt.hypot(to.doubt),
            scatter: from.scatter.max(to.scatter),
        })
    };
    // The line is the steadier one, the parabola the less biased.
    let stands_out = |step: &Step, times: f64| length(step.size) >= LEAST.max(times * step.doubt);
    let line = step(LINE, 1).filter(|line| stands_out(line, SIGNIFICANT))?;
    let (two, parabola) = (step(2, 1)?, step(PARABOLA, 2)?);
    let size = length(parabola.size);
    let apart = |other: &Step| length([other.size[0] - parabola.size[0], other.size[1] - parabola.size[1]]);
    let agrees =
        |other: &Step| apart(other) <= AGREE * size + AGREE_NOISE * other.noise.hypot(parabola.noise);
    let sigma = left.last()?.sigma.max(right.first()?.sigma);
    let bent = line.scatter.max(parabola.scatter) > BENT * sigma;
    let beside = |side: &[Sample]| {
        let steps = side.windows(2).filter_map(|w| Some(w.last()?.x - w.first()?.x));
        steps.fold(0.0, f64::max)
    };
    let holed = x2 - x1 > WIDE * beside(&left).max(beside(&right));
    let scatter = SCATTER * sigma + SCATTER_PART * size;
    let least = if bent || holed { BENT_SIGNIFICANT } else { PARABOLA_SIGNIFICANT };
    let is_step = !(holed && (bent || !stands_out(&line, BENT_SIGNIFICANT)))
        && parabola.size[1].abs().max(line.size[1].abs()) <= MOST_RAD
        && stands_out(&parabola, least)
        && agrees(&two)
        && agrees(&line)
        && line.scatter <= scatter
        && parabola.scatter <= scatter;
    // The straight line's value says more where noise is large.
    is_step.then_some(Jump {
        between: (x1, x2),
        size: if parabola.noise > AGREE * LEAST { line.size } else { parabola.size },
    })
}

/// The step of one polynomial through all samples of both sides that may jump between them, where that explains them: it stands
/// out of its own noise, and what it leaves is noise or small against it. Without a step between, the polynomial alone does as
/// well; a resonance leaves much with either.
fn polynomial_with_step(left: &[Sample], right: &[Sample]) -> Option<[f64; 2]> {
    let (near, far) = (left.get(left.len().saturating_sub(SIDE)..)?, right.get(..SIDE.min(right.len()))?);
    if near.len() < SIDE || far.len() < SIDE {
        return None;
    }
    let samples: Vec<Sample> = near.iter().chain(far).copied().collect();
    let (first, last) = (samples.first()?.x, samples.last()?.x);
    let place = |x: f64| (2.0 * x - first - last) / (last - first);
    // Orthonormal columns by Gram-Schmidt, twice against rounding; the step is the last one.
    let mut columns: Vec<Vec<f64>> = Vec::with_capacity(DEGREE + 2);
    let mut own = 0.0;
    for power in 0..=DEGREE + 1 {
        let mut column: Vec<f64> = if power > DEGREE {
            (0..samples.len()).map(|i| f64::from(u8::from(i >= SIDE))).collect()
        } else {
            samples.iter().map(|s| place(s.x).powi(power as i32)).collect()
        };
        for _ in 0..2 {
            for other in &columns {
                let dot: f64 = column.iter().zip(other).map(|(a, b)| a * b).sum();
                column.iter_mut().zip(other).for_each(|(a, b)| *a -= dot * b);
            }
        }
        own = column.iter().map(|a| a * a).sum::<f64>().sqrt();
        column.iter_mut().for_each(|a| *a /= own);
        columns.push(column);
    }
    if own < 1e-6 {
        return None;
    }
    let (mut size, mut rest) = ([0.0; 2], 0.0);
    for (part, size) in size.iter_mut().enumerate() {
        let values = || samples.iter().map(move |s| if part == 0 { s.y[0] } else { s.y[1] });
        let mut left: Vec<f64> = values().collect();
        for column in &columns {
            let dot: f64 = column.iter().zip(values()).map(|(a, b)| a * b).sum();
            left.iter_mut().zip(column).for_each(|(a, b)| *a -= dot * b);
            // The last column is the step's.
            *size = dot / own;
        }
        rest += left.iter().map(|a| a * a).sum::<f64>();
    }
    let scatter = (rest / (2 * (samples.len() - DEGREE - 2)) as f64).sqrt();
    let sigma = (samples.iter().map(|s| s.sigma * s.sigma).sum::<f64>() / samples.len() as f64).sqrt();
    let jump = length(size);
    let stands_out = jump >= LEAST.max(SIGNIFICANT * scatter.max(sigma) / own);
    let explained = scatter <= SCATTER * sigma + LEFT * jump;
    (stands_out && explained && size[1].abs() <= MOST_RAD).then_some(size)
}

/// What the two sides make of a gap.
struct Step {
    size: [f64; 2],
    /// Standard deviation of each component of the size.
    noise: f64,
    /// The same, from what the samples leave where that is more.
    doubt: f64,
    /// rms of each component that the samples leave of their line.
    scatter: f64,
}

#[cfg(test)]
mod tests {
    use super::super::testing::{hiss, subject, sweep};
    use super::*;

    /// An integrator with a lag at 30 kHz, and a step at 2 kHz.
    fn stepped(per_decade: f64, noise: f64, step: [f64; 2]) -> Option<Refusal> {
        let sweep = sweep(per_decade, |hz| {
            let lag = hz / 3e4;
            let step = if hz > 2e3 { step } else { [0.0, 0.0] };
            [
                -(hz / 1e4).ln() - lag.hypot(1.0).ln() + step[0] + noise * hiss(),
                -1.571 - lag.atan() + step[1] + noise * hiss(),
            ]
        });
        jump(&subject(&sweep))
    }

    #[test]
    fn a_step_is_found_and_named() {
        for per_decade in [25.0, 60.0] {
            for noise in [0.0, 0.0005, 0.002] {
                let found = stepped(per_decade, noise, [0.1, 0.0]).unwrap();
                assert!(found.message.contains("jumps by +0.8"), "{}", found.message);
                assert!(stepped(per_decade, noise, [0.0, -0.2]).is_some());
                assert!(stepped(per_decade, noise, [0.05, 0.05]).is_some());
            }
        }
    }

    /// The weaker sweep goes on smoothly where the stronger one steps.
    #[test]
    fn a_step_that_the_other_sweep_lacks_is_told_as_the_end_of_the_small_signal_range() {
        let integrator =
            |step: f64| sweep(25.0, move |hz| [-(hz / 1e4).ln() + if hz > 5.8e3 { step } else { 0.0 }, -1.7]);
        let (strong, weak) = (integrator(0.1), integrator(0.0));
        let alone = jump(&Subject { second: Some(&weak), ..subject(&strong) }).unwrap();
        assert!(alone.remedy.contains("small-signal range"), "{}", alone.remedy);
        let both = jump(&Subject { second: Some(&strong), ..subject(&strong) }).unwrap();
        assert!(!both.remedy.contains("small-signal range"), "{}", both.remedy);
    }

    #[test]
    fn noise_and_smooth_curves_are_no_steps() {
        for per_decade in [15.0, 25.0, 100.0] {
            for noise in [0.0, 1e-4, 0.003, 0.03] {
                for _ in 0..20 {
                    assert_eq!(stepped(per_decade, noise, [0.0, 0.0]), None, "{per_decade} {noise}");
                }
            }
        }
        // Below what matters.
        assert_eq!(stepped(60.0, 0.0, [0.015, 0.01]), None);
    }

    /// A pair of poles, or of zeros, at every place between two samples.
    #[test]
    fn a_resonance_is_no_step() {
        for quality in [0.7, 2.0, 5.0, 10.0, 20.0, 50.0] {
            for part in 0..10 {
                for sign in [-1.0, 1.0] {
                    let centre = 2e3 * 10f64.powf(f64::from(part) / 10.0 / 25.0);
                    let sweep = sweep(25.0, |hz| {
                        let x = hz / centre;
                        let (re, im) = (1.0 - x * x, x / quality);
                        [
                            -(hz / 1e4).ln() + sign * re.hypot(im).ln() + 1e-4 * hiss(),
                            -1.571 + sign * im.atan2(re) + 1e-4 * hiss(),
                        ]
                    });
                    assert_eq!(jump(&subject(&sweep)), None, "{quality} {part} {sign}");
                }
            }
        }
    }
}
