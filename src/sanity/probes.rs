//! Mistakes of the probes that the magnitude shows at once.

use super::{Refusal, Subject};
use crate::curve::{Curve, Span, db, wrap};
use crate::margins::Direction;
use std::f64::consts::PI;

/// Every magnitude this close to 1, dB, is no loop gain (the loop of a regulator spans decades of gain).
const SAME_NODE_DB: f64 = 2.0;

/// Every magnitude within 2 dB of 1: both probes see the same node.
#[must_use]
pub fn same_node(curve: &Curve, span: Span) -> Option<Refusal> {
    let inside = curve.ln_f().iter().zip(curve.ln_mag()).filter(|(x, _)| span.holds(**x));
    let mut largest = [span.from, span.to].iter().map(|&x| curve.at(x).db().abs()).fold(0.0, f64::max);
    for (_, ln_mag) in inside {
        largest = largest.max(db(*ln_mag).abs());
        if largest > SAME_NODE_DB {
            return None;
        }
    }
    Some(Refusal {
        message: format!(
            "the gain stays within {largest:.1} dB of 0 dB over the whole band: there is no loop between the two probes"
        ),
        remedy: "both probes are on one node, or the loop is not broken at the injection resistor: put one probe on each \
                 side of it"
            .to_owned(),
    })
}

/// Gain that only rises through 0 dB: the two sides of the injection point were exchanged.
#[must_use]
pub fn only_rises(subject: &Subject<'_>) -> Option<Refusal> {
    let mut rising = 0;
    for crossing in subject.sweep.crossings.gain_in(subject.span) {
        match crossing.direction {
            Direction::Rising => rising += 1,
            Direction::Falling | Direction::Touching => return None,
        }
    }
    let first = subject.sweep.crossings.gain_in(subject.span).next()?;
    Some(Refusal {
        message: format!(
            "the gain only rises through 0 dB ({rising} rising crossover{}, the first at {}, none falling): this is the \
             inverse of a loop gain",
            if rising == 1 { "" } else { "s" },
            crate::quantity::with_unit(first.point.hz(), "Hz")
        ),
        remedy: "the two sides of the injection point are swapped: exchange the input and the output probe and sweep \
                 again"
            .to_owned(),
    })
}

/// Median of |difference to half a turn| below this, rad, is a turned sign: far from both agreement (180 deg) and an
/// accidental quarter turn.
const TURNED_RAD: f64 = PI / 6.0;

/// Samples that are looked at: a turned sign shows at all of them.
const LOOKS: usize = 64;

/// Whether one sweep of a pair has the sign of the other turned: phases half a turn apart at most of the samples looked at.
///
/// `strong` is read at the samples of `weak` inside the span.
#[must_use]
pub fn turned(weak: &Curve, strong: &Curve, span: Span) -> bool {
    let same_grid = weak.frequency_hz() == strong.frequency_hz();
    let (mut half_turns, mut all) = (0_usize, 0_usize);
    let step = weak.len().div_ceil(LOOKS);
    for (i, (&x, &angle)) in weak.ln_f().iter().zip(weak.angle()).enumerate().step_by(step.max(1)) {
        if !span.holds(x) || !strong.span().holds(x) {
            continue;
        }
        let other =
            if same_grid { strong.angle().get(i).copied().unwrap_or(angle) } else { strong.at(x).angle };
        all += 1;
        half_turns += usize::from(PI - wrap(angle - other).abs() < TURNED_RAD);
    }
    all > 0 && 2 * half_turns > all
}
