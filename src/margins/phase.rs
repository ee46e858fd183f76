//! Crossover frequency and phase margin.
//!
//! At a crossover |T| = 1; the phase margin is the angle from the critical point to the loop gain (K. J. Astrom and
//! R. M. Murray, Feedback Systems, section on stability margins; R. W. Erickson and D. Maksimovic, Fundamentals of
//! Power Electronics, 2nd ed., 9.4: from memory).
//!
//! An error e of ln|T| moves the crossover by -e/slope in ln f, and with it the phase that is read there.

use super::crossings::{Crossing, Crossings, Direction};
use super::method::{Line, Method, Place, Value};
use super::{Located, Sensitivity};
use crate::curve::{Span, wrap};

/// How the crossover is read.
pub(super) const CROSSOVER: Method = Method {
    scale: 1.0,
    read: |_, crossings, span| crossover(crossings, span).map(Value::At),
    place: Place::Crossing(Line::Gain),
};

/// How the phase margin is read: in radians.
pub(super) const PHASE_MARGIN: Method = Method {
    scale: 180.0 / std::f64::consts::PI,
    read: |_, crossings, span| phase_margin(crossings, span).map(Value::At),
    place: Place::SmallestCrossing(Line::Gain, |crossing| Some(phase_margin_of(crossing))),
};

/// The highest falling crossover in a span; the value is its frequency in Hz.
#[must_use]
pub fn crossover(crossings: &Crossings, span: Span) -> Option<Located> {
    let highest = crossings.gain_in(span).filter(|c| c.direction != Direction::Rising).last()?;
    let hz = highest.point.hz();
    Some(Located {
        value: hz,
        point: highest.point,
        sensitivity: Sensitivity { ln_gain: -hz / highest.point.mag_slope, phase: 0.0 },
    })
}

/// The phase margin at one crossover, rad, in (-pi, pi].
#[must_use]
pub fn phase_margin_of(crossing: &Crossing) -> Located {
    let point = crossing.point;
    Located {
        value: wrap(point.angle),
        point,
        sensitivity: Sensitivity { ln_gain: -point.angle_slope / point.mag_slope, phase: 1.0 },
    }
}

/// The phase margin nearest to 0 over all crossovers in a span, rad.
#[must_use]
pub fn phase_margin(crossings: &Crossings, span: Span) -> Option<Located> {
    crossings.gain_in(span).map(phase_margin_of).min_by(|a, b| a.value.abs().total_cmp(&b.value.abs()))
}
