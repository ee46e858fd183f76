//! What is read from a solved curve, and which limits it misses: the crate's own margins, without uncertainty.

use crate::curve::{Curve, Span, wrap};
use crate::decision::{Limit, meets};
use crate::margins::{Crossings, Direction, Extreme, Located, Method, gain_at, gain_extreme};
use crate::measurand::{Measurand, PerMeasurand};
use crate::quantity::Decibel;
use crate::spec::{GainAt, GainLimit, Limits, Window};
use std::f64::consts::TAU;

/// A value of a loop.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Found {
    /// In the unit of its quantity.
    pub value: f64,
    /// Where, Hz.
    pub at_hz: f64,
    /// Whether it is only a lower bound: of a gain margin without a phase crossover in the band.
    pub at_least: bool,
    /// Change per neper of gain and per radian of phase there.
    pub(super) slope: [f64; 2],
}

impl Found {
    fn of(located: &Located, scale: f64) -> Self {
        Self {
            value: scale * located.value,
            at_hz: located.point.hz(),
            at_least: false,
            slope: [scale * located.sensitivity.ln_gain, scale * located.sensitivity.phase],
        }
    }
}

/// What one curve shows.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// Crossover and margins, each in its unit.
    pub measured: PerMeasurand<Found>,
    /// Number of crossovers in the band.
    pub crossings: usize,
    /// Gain at the places that the limits name, dB, in their order; over a band its worst point.
    pub gains: Vec<Found>,
    /// Gain at the lower end of the band, dB.
    bottom_db: f64,
    /// Falling less rising crossings of the ray beyond the critical point.
    pub(super) around: i64,
}

impl Reading {
    /// Reads a curve over the band.
    pub(super) fn of(curve: &Curve, crossings: &Crossings, span: Span, limits: &Limits) -> Self {
        let measured = PerMeasurand::of(|measurand| measure(measurand, curve, crossings, span));
        Self {
            measured,
            crossings: crossings.gain_in(span).count(),
            gains: limits.gain.iter().map(|limit| gain(curve, limit)).collect(),
            bottom_db: gain_at(curve, span.from).value,
            around: around(curve, crossings, span),
        }
    }

    /// Whether each check of the limits is missed, in the order of [`Limits::checks`]. A value that is not there, or a bound that shows
    /// nothing, misses: no bench could show such a unit to pass.
    pub(super) fn missed(&self, limits: &Limits) -> Vec<bool> {
        let mut missed = Vec::new();
        for measurand in Measurand::ALL {
            if let Some(window) = limits.windows.get(measurand) {
                missed.push(!self.holds(measurand, &limit(window, |value| value)));
            }
            if let Some(window) = limits.crossings.filter(|_| measurand == Measurand::Crossover) {
                missed.push(!meets(self.crossings as f64, &limit(window, f64::from)));
            }
        }
        let gains = self.gains.iter().zip(&limits.gain);
        missed.extend(gains.map(|(own, gain)| !meets(own.value, &limit(gain.window, Decibel::db))));
        missed
    }

    fn holds(&self, measurand: Measurand, limit: &Limit) -> bool {
        match self.measured.get(measurand) {
            Some(found) if found.at_least => {
                limit.max.is_none() && limit.min.is_some_and(|min| found.value >= min)
            }
            Some(found) => meets(measurand.held(found.value), limit),
            // Without a phase crossover above 0 dB the gain at the bottom of the band is how far it may fall at least.
            None if measurand == Measurand::GainReductionMargin => {
                limit.max.is_none() && limit.min.is_some_and(|min| self.bottom_db >= min)
            }
            None => false,
        }
    }
}

pub(super) fn limit<T: Copy>(window: Window<T>, number: impl Fn(T) -> f64) -> Limit {
    Limit { min: window.min.map(&number), max: window.max.map(&number) }
}

fn measure(measurand: Measurand, curve: &Curve, crossings: &Crossings, span: Span) -> Option<Found> {
    let method = Method::of(measurand);
    let (located, at_least) = (method.read)(curve, crossings, span)?.parts();
    Some(Found { at_least, ..Found::of(&located, method.scale) })
}

/// The gain that a limit speaks of; over a band its point that meets the limit least.
fn gain(curve: &Curve, limit: &GainLimit) -> Found {
    let located = match limit.at {
        GainAt::Frequency(f) => gain_at(curve, f.hz().ln()),
        GainAt::Band(band) => {
            let span = Span { from: band.from.hz().ln(), to: band.to.hz().ln() };
            let smallest = gain_extreme(curve, span, Extreme::Smallest);
            let largest = gain_extreme(curve, span, Extreme::Largest);
            match (limit.window.min.map(Decibel::db), limit.window.max.map(Decibel::db)) {
                (Some(min), Some(max)) if smallest.value - min <= max - largest.value => smallest,
                (Some(_), None) => smallest,
                _ => largest,
            }
        }
    };
    Found::of(&located, 1.0)
}

/// Falling less rising crossings of the ray beyond the critical point, inside the band, and the turns that the angle at its lower end
/// is already away from the first half turn.
///
/// Parts that move by a little move the curve by a little: the number of poles of the closed loop in the right half plane changes only
/// where the curve passes over the critical point, and with it this count by one for a pair of poles (Nyquist's criterion in crossing
/// form, as in [`crate::sanity::closure`]).
fn around(curve: &Curve, crossings: &Crossings, span: Span) -> i64 {
    let inside = crossings.phase_in(span).filter(|c| c.point.ln_mag > 0.0);
    inside
        .map(|c| match c.direction {
            Direction::Falling => 1,
            Direction::Rising => -1,
            Direction::Touching => 0,
        })
        .sum::<i64>()
        + below(curve, span)
}

/// Turns of the angle at the lower end, where the gain is above 1 there.
fn below(curve: &Curve, span: Span) -> i64 {
    let start = curve.at(span.from);
    if start.ln_mag > 0.0 { -((start.angle / TAU).floor() as i64) } else { 0 }
}

/// A value of an angle, deg, as the one next to another.
pub(super) fn next_to(nominal_deg: f64, own_deg: f64) -> f64 {
    nominal_deg + wrap((own_deg - nominal_deg).to_radians()).to_degrees()
}
