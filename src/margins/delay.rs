//! Delay margin: the extra time delay that would use up the phase margin.
//!
//! A delay tau turns the loop gain by -2 pi f tau; at a crossover f the phase margin, counted in [0, 2 pi), is used up
//! by tau = margin / (2 pi f). The smallest over the crossovers counts (K. J. Astrom and R. M. Murray, Feedback
//! Systems, section on stability margins: from memory).

use super::crossings::{Crossing, Crossings};
use super::method::{Line, Method, Place, Value};
use super::phase::phase_margin_of;
use super::{Located, Sensitivity};
use crate::curve::Span;
use std::f64::consts::TAU;

/// How the delay margin is read.
pub(super) const DELAY_MARGIN: Method = Method {
    scale: 1.0,
    read: |_, crossings, span| delay_margin(crossings, span).map(Value::At),
    place: Place::SmallestCrossing(Line::Gain, |crossing| Some(delay_margin_of(crossing))),
};

/// The delay margin over the crossovers in a span, s.
#[must_use]
pub fn delay_margin(crossings: &Crossings, span: Span) -> Option<Located> {
    crossings.gain_in(span).map(delay_margin_of).min_by(|a, b| a.value.total_cmp(&b.value))
}

/// The delay margin at one crossover, s.
#[must_use]
pub fn delay_margin_of(crossing: &Crossing) -> Located {
    let margin = phase_margin_of(crossing);
    let omega = TAU * margin.point.hz();
    let value = margin.value.rem_euclid(TAU) / omega;
    // An error of ln|T| shifts the crossover by -1/slope in ln f, and the delay with it.
    let shift = -1.0 / margin.point.mag_slope;
    let sensitivity = Sensitivity {
        ln_gain: margin.sensitivity.ln_gain / omega - value * shift,
        phase: margin.sensitivity.phase / omega,
    };
    Located { value, point: margin.point, sensitivity }
}
