//! Gain margin, gain reduction margin, and the gain at a frequency or over a band.
//!
//! At a phase crossover the loop gain lies on the ray through the critical point; -20 log10|T| is how far the gain
//! may rise (|T| < 1) or fall (|T| > 1) before it meets the point (K. J. Astrom and R. M. Murray, Feedback Systems,
//! section on stability margins: from memory).
//!
//! A phase error e moves the phase crossover by -e/slope in ln f, and with it the magnitude that is read there.

use super::crossings::{Crossing, Crossings};
use super::method::{Line, Method, Place, Value};
use super::{Located, Sensitivity};
use crate::curve::{Curve, Point, Span, db};

/// dB per neper.
const DB: f64 = 20.0 / std::f64::consts::LN_10;

/// How the gain margin is read.
pub(super) const GAIN_MARGIN: Method = Method {
    scale: 1.0,
    read: |curve, crossings, span| match gain_margin(curve, crossings, span) {
        GainMargin::At(located) => Some(Value::At(located)),
        GainMargin::AtLeast(located) => Some(Value::AtLeast(located)),
        GainMargin::Unbounded => None,
    },
    place: Place::SmallestCrossing(Line::Phase, gain_margin_of),
};

/// How the gain reduction margin is read.
pub(super) const GAIN_REDUCTION_MARGIN: Method = Method {
    scale: 1.0,
    read: |_, crossings, span| gain_reduction_margin(crossings, span).map(Value::At),
    place: Place::SmallestCrossing(Line::Phase, gain_reduction_margin_of),
};

/// A gain margin: exact, or only a lower bound.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum GainMargin {
    /// At a phase crossover, dB.
    At(Located),
    /// No phase crossover below 0 dB in the span: at least the attenuation at its top, dB, if the gain goes on
    /// falling beyond.
    AtLeast(Located),
    /// No phase crossover, and the gain at the top of the span is not below 1: there is no bound.
    Unbounded,
}

/// -20 log10|T| at a phase crossover, dB: positive when |T| < 1.
fn margin_at(crossing: &Crossing) -> Located {
    let point = crossing.point;
    Located {
        value: -db(point.ln_mag),
        point,
        sensitivity: Sensitivity { ln_gain: -DB, phase: DB * point.mag_slope / point.angle_slope },
    }
}

/// The gain margin at one phase crossover, dB; `None` where the gain there is not below 0 dB.
#[must_use]
pub fn gain_margin_of(crossing: &Crossing) -> Option<Located> {
    (crossing.point.ln_mag < 0.0).then(|| margin_at(crossing))
}

/// The smallest gain margin over the phase crossovers in a span.
#[must_use]
pub fn gain_margin(curve: &Curve, crossings: &Crossings, span: Span) -> GainMargin {
    match smallest(crossings, span, gain_margin_of) {
        Some(margin) => GainMargin::At(margin),
        None => {
            let top = curve.at(span.to);
            if top.ln_mag < 0.0 { GainMargin::AtLeast(attenuation(top)) } else { GainMargin::Unbounded }
        }
    }
}

/// How far the gain at a point lies below 0 dB, dB: the gain margin if the phase crossover were there.
#[must_use]
pub fn attenuation(point: Point) -> Located {
    Located { value: -db(point.ln_mag), point, sensitivity: Sensitivity { ln_gain: -DB, phase: 0.0 } }
}

/// The factor, dB, by which the gain may fall before the critical point is met, at one phase crossover; `None` where the gain there is
/// not above 0 dB.
#[must_use]
pub fn gain_reduction_margin_of(crossing: &Crossing) -> Option<Located> {
    let margin = (crossing.point.ln_mag > 0.0).then(|| margin_at(crossing))?;
    let Sensitivity { ln_gain, phase } = margin.sensitivity;
    let sensitivity = Sensitivity { ln_gain: -ln_gain, phase: -phase };
    Some(Located { value: -margin.value, sensitivity, ..margin })
}

/// The smallest factor, dB, by which the gain may fall before the critical point is met; `None` when no phase
/// crossover in the span has a magnitude above 1.
#[must_use]
pub fn gain_reduction_margin(crossings: &Crossings, span: Span) -> Option<Located> {
    smallest(crossings, span, gain_reduction_margin_of)
}

/// The smallest value over the phase crossovers in a span.
fn smallest(crossings: &Crossings, span: Span, of: impl Fn(&Crossing) -> Option<Located>) -> Option<Located> {
    crossings.phase_in(span).filter_map(of).min_by(|a, b| a.value.total_cmp(&b.value))
}

fn gain_of(point: Point) -> Located {
    Located { value: point.db(), point, sensitivity: Sensitivity { ln_gain: DB, phase: 0.0 } }
}

/// Gain at a frequency inside the sweep, dB.
#[must_use]
pub fn gain_at(curve: &Curve, ln_f: f64) -> Located {
    gain_of(curve.at(ln_f))
}

/// Which end of the gain over a band is the worst one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Extreme {
    /// The smallest gain (a lower limit holds there first).
    Smallest,
    /// The largest gain.
    Largest,
}

/// The smallest or the largest gain over a span, between the samples too, dB.
#[must_use]
pub fn gain_extreme(curve: &Curve, span: Span, extreme: Extreme) -> Located {
    let worse = |a: Point, b: Point| {
        let b_is_worse = match extreme {
            Extreme::Smallest => b.ln_mag < a.ln_mag,
            Extreme::Largest => b.ln_mag > a.ln_mag,
        };
        if b_is_worse { b } else { a }
    };
    let mut worst = worse(curve.at(span.from), curve.at(span.to));
    for i in curve.interval(span.from)..=curve.interval(span.to) {
        let piece = curve.piece(i);
        let stations = piece.ln_mag.extrema(piece.width).into_iter().flatten().chain([0.0]);
        for point in stations.map(|s| piece.at(s)).filter(|p| span.holds(p.ln_f)) {
            worst = worse(worst, point);
        }
    }
    gain_of(worst)
}
