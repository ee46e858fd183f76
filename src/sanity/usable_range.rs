//! The part of a sweep that carries a verdict, and what spoils the rest.
//!
//! Noise that drowns an end of the sweep, a range that was switched, a resonance between two points: each makes worthless what stands
//! on that place, and nothing else. What is left is judged as if the sweep began and ended there, as long as it holds every crossover and
//! begins so far above 0 dB that stable closure can be argued from it. Otherwise the sweep is refused with the cause.
//!
//! **Why is a spoiled range left out, and not the sweep refused?** The input side drowns at low frequency in every
//! loop with gain, and no margin stands there. What hangs on the range is invalid; the rest is judged as if the sweep
//! began or ended there, but only where that alone shows a stable closed loop.

use super::noise_floor::{self, Run};
use super::{Refusal, Subject, jumps, unresolved_resonance};
use crate::curve::{Span, db};
use crate::quantity::with_unit;
use std::f64::consts::LN_2;

/// What a place must be away from 0 dB, neper, to be surely on its side: 6 dB (common practice, no source).
const SURE: f64 = LN_2;

/// A range of the sweep that carries no verdict.
#[derive(Debug, Clone, PartialEq)]
pub struct Spoiled {
    /// The range.
    pub span: Span,
    /// What was seen there, and what to do to use it.
    pub cause: Refusal,
}

impl Spoiled {
    /// What was seen, what it costs and what to do, one sentence.
    #[must_use]
    pub fn finding(&self, judged: Span) -> String {
        let hz = |ln_f: f64| with_unit(ln_f.exp(), "Hz");
        format!(
            "{}; this range is left out, judged is {} to {}; to use it too: {}",
            self.cause.message,
            hz(judged.from),
            hz(judged.to),
            self.cause.remedy
        )
    }
}

/// What a sweep can be judged on.
#[derive(Debug, Clone, PartialEq)]
pub struct Usable {
    /// The part that is judged.
    pub span: Span,
    /// What was left out, by rising frequency.
    pub spoiled: Vec<Spoiled>,
    /// ln of the magnitude, and phase, rad, that the rest may be off by as a whole: a range was switched and nobody knows which side of the step
    /// is right.
    pub offset: [f64; 2],
    /// Largest ln of the magnitude in what was left out above; infinite where it is not known.
    pub above: Option<f64>,
    /// Smallest ln of the magnitude, above 0, in what a step or a gap left out below. What noise drowns reads too low and lies far above.
    pub below: Option<f64>,
}

impl Usable {
    /// A part of which nothing is known to be spoiled.
    #[must_use]
    pub fn whole(span: Span) -> Self {
        Self { span, spoiled: Vec::new(), offset: [0.0; 2], above: None, below: None }
    }

    /// Whether the sweep's low end was left out.
    #[must_use]
    pub fn begins_late(&self) -> bool {
        self.spoiled.iter().any(|spoiled| spoiled.span.to <= self.span.from)
    }

    /// What spoils a range, if anything does.
    #[must_use]
    pub fn spoils(&self, range: Span) -> Option<&Spoiled> {
        // What lies between the spoiled ranges and the part that is judged was left out, too.
        let inside = self.span.holds(range.from) && self.span.holds(range.to);
        let meets = |spoiled: &&Spoiled| {
            if spoiled.span.to <= self.span.from {
                range.from < self.span.from
            } else {
                range.to > self.span.to
            }
        };
        if inside { None } else { self.spoiled.iter().find(meets) }
    }

    /// Begins the part at `to`; where it begins above already, nothing more is told.
    fn cut_below(&mut self, to: f64, spoiled: Spoiled) {
        if to > self.span.from {
            self.span.from = to;
            self.spoiled.push(spoiled);
        }
    }

    /// Begins the part at `to`, with nothing below it smaller than `smallest`.
    fn cut_known_below(&mut self, to: f64, smallest: f64, spoiled: Spoiled) {
        self.below = Some(self.below.map_or(smallest, |below| below.min(smallest)));
        self.cut_below(to, spoiled);
    }

    /// Ends the part at `from`, with nothing above it larger than `largest`; where it ends below already, nothing more is told.
    fn cut_above(&mut self, from: f64, largest: f64, spoiled: Spoiled) {
        self.above = Some(self.above.map_or(largest, |above| above.max(largest)));
        if from < self.span.to {
            self.span.to = from;
            self.spoiled.push(spoiled);
        }
    }
}

/// The part of the subject's span that can be judged.
///
/// # Errors
/// What spoils it, when no such part is left.
pub fn usable(subject: &Subject<'_>) -> Result<Usable, Refusal> {
    let mut usable = Usable::whole(subject.span);
    drowned_ends(subject, &mut usable)?;
    steps(subject, &mut usable)?;
    gaps(subject, &mut usable)?;
    if usable.begins_late() && subject.sweep.curve.at(usable.span.from).ln_mag < SURE {
        return Err(too_short(subject, &usable));
    }
    usable.spoiled.sort_by(|a, b| a.span.from.total_cmp(&b.span.from));
    Ok(usable)
}

/// Leaves out what is drowned in noise below and above the crossovers.
fn drowned_ends(subject: &Subject<'_>, usable: &mut Usable) -> Result<(), Refusal> {
    let runs = noise_floor::runs(subject);
    if runs.is_empty() {
        return Ok(());
    }
    let (curve, raw) = (&subject.sweep.curve, &subject.sweep.raw);
    let is_drowned = |x: f64| runs.iter().any(|run| (run.first..run.end).contains(&curve.interval(x)));
    let crossovers = || subject.sweep.crossings.gain_in(subject.span).map(|c| c.point.ln_f);
    // Without a crossover the sweep is judged on its gain alone: the longest part that is not drowned.
    let centre = crossovers().filter(|x| !is_drowned(*x)).last();
    let Some(centre) = centre else { return Err(worst(&runs).explain(subject)) };
    for run in &runs {
        let Some(span) = run.span(curve) else { continue };
        let mean = run.mean(raw.ln_mag());
        if span.to < centre {
            // Where the input side drowns, the gain reads too low.
            if mean < SURE {
                return Err(run.explain(subject));
            }
            let next = curve.ln_f().get(run.end).copied().unwrap_or(span.to);
            usable.cut_below(next, Spoiled { span, cause: run.explain(subject) });
        } else if usable.span.to > span.from {
            if mean > -SURE {
                return Err(run.explain(subject));
            }
            let before =
                run.first.checked_sub(1).and_then(|i| curve.ln_f().get(i)).copied().unwrap_or(span.from);
            let largest = largest_above(subject, before);
            usable.cut_above(before, largest, Spoiled { span, cause: run.explain(subject) });
        }
    }
    // Crossovers in between are part of what must be judged.
    let inside = |x: &f64| usable.span.holds(*x) || is_drowned(*x);
    if crossovers().all(|x| inside(&x)) { Ok(()) } else { Err(worst(&runs).explain(subject)) }
}

fn worst(runs: &[Run]) -> Run {
    runs.iter().copied().max_by(|a, b| a.largest.total_cmp(&b.largest)).unwrap_or_default()
}

/// Largest ln of the magnitude of the samples above a place, in the subject's span.
fn largest_above(subject: &Subject<'_>, ln_f: f64) -> f64 {
    let raw = &subject.sweep.raw;
    let above = raw.ln_f().iter().zip(raw.ln_mag()).filter(|(x, _)| **x > ln_f && subject.span.holds(**x));
    above.fold(f64::NEG_INFINITY, |largest, (_, ln_mag)| largest.max(*ln_mag))
}

/// Smallest ln of the magnitude of the samples below a place, in the part that is judged so far.
fn smallest_below(subject: &Subject<'_>, usable: &Usable, ln_f: f64) -> f64 {
    let raw = &subject.sweep.raw;
    let below = raw.ln_f().iter().zip(raw.ln_mag()).filter(|(x, _)| **x < ln_f && usable.span.holds(**x));
    below.fold(f64::INFINITY, |smallest, (_, ln_mag)| smallest.min(*ln_mag))
}

/// Which side of all crossovers a place lies on, with the gain surely on the same side of 0 dB.
enum Side {
    Below,
    Above,
    Between,
}

fn side(subject: &Subject<'_>, usable: &Usable, between: (f64, f64)) -> Side {
    let curve = &subject.sweep.curve;
    let crossovers = || subject.sweep.crossings.gain_in(usable.span).map(|c| c.point.ln_f);
    let gains = [between.0, between.1].map(|x| curve.at(x).ln_mag);
    if crossovers().next().is_none() {
        Side::Between
    } else if crossovers().all(|x| x > between.1) && gains.iter().all(|gain| *gain > SURE) {
        Side::Below
    } else if crossovers().all(|x| x < between.0) && gains.iter().all(|gain| *gain < -SURE) {
        Side::Above
    } else {
        Side::Between
    }
}

/// Leaves out what lies beyond a step.
fn steps(subject: &Subject<'_>, usable: &mut Usable) -> Result<(), Refusal> {
    let steps = jumps::all(&Subject { span: usable.span, ..*subject });
    let Some(refusal) = jumps::explain_largest(subject, &steps) else { return Ok(()) };
    for step in steps {
        let (from, to) = step.between;
        let spoiled = Spoiled { span: Span { from, to }, cause: refusal.clone() };
        match side(subject, usable, step.between) {
            Side::Below => {
                // Either side of the step may be right.
                let smallest = smallest_below(subject, usable, to) - step.size[0].abs();
                if smallest <= 0.0 {
                    return Err(refusal);
                }
                usable.cut_known_below(to, smallest, spoiled);
            }
            Side::Above => usable.cut_above(from, largest_above(subject, from), spoiled),
            Side::Between => return Err(refusal),
        }
        let [a, b] = step.size.map(f64::abs);
        usable.offset = [usable.offset[0].max(a), usable.offset[1].max(b)];
    }
    Ok(())
}

/// Leaves out what lies beyond a gap that the points do not resolve.
fn gaps(subject: &Subject<'_>, usable: &mut Usable) -> Result<(), Refusal> {
    for gap in unresolved_resonance::all(&Subject { span: usable.span, ..*subject }) {
        let (from, to) = gap.places;
        let spoiled = Spoiled { span: Span { from, to }, cause: gap.explain() };
        match side(subject, usable, gap.places) {
            // What may fall to 0 dB between two points may cross it there.
            Side::Below if gap.trough > 0.0 => {
                let smallest = gap.trough.min(smallest_below(subject, usable, to));
                usable.cut_known_below(to, smallest, spoiled);
            }
            // What may rise to 0 dB between two points may cross it there.
            Side::Above if gap.peak < 0.0 => {
                let largest = gap.peak.max(largest_above(subject, from));
                usable.cut_above(from, largest, spoiled);
            }
            Side::Below | Side::Above | Side::Between => return Err(gap.explain()),
        }
    }
    Ok(())
}

fn too_short(subject: &Subject<'_>, usable: &Usable) -> Refusal {
    let start = subject.sweep.curve.at(usable.span.from);
    let low = usable.spoiled.iter().find(|spoiled| spoiled.span.to <= usable.span.from);
    let (message, remedy) =
        low.map_or_else(Default::default, |low| (low.cause.message.clone(), low.cause.remedy.clone()));
    Refusal {
        message: format!(
            "{message}; what is left begins at {} with {:.1} dB, too close to 0 dB to tell from it that the loop is stable",
            with_unit(start.hz(), "Hz"),
            db(start.ln_mag)
        ),
        remedy,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lower_cut_does_not_bring_back_what_a_higher_one_left_out() {
        let spoiled = || Spoiled {
            span: Span { from: 1.0, to: 2.0 },
            cause: Refusal { message: String::new(), remedy: String::new() },
        };
        let mut own = Usable::whole(Span { from: 0.0, to: 10.0 });
        own.cut_known_below(4.0, 1.5, spoiled());
        own.cut_known_below(3.0, 0.5, spoiled());
        assert_eq!((own.span.from, own.spoiled.len(), own.below), (4.0, 1, Some(0.5)));
        own.cut_above(7.0, -1.0, spoiled());
        own.cut_above(8.0, -0.5, spoiled());
        assert_eq!((own.span.to, own.spoiled.len(), own.above), (7.0, 2, Some(-0.5)));
    }
}
