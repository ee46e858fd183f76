//! Where on a curve each margin is read, and how it answers to the circuit there.

use crate::curve::{Curve, Span};
use crate::margins::{Crossings, Method};
use crate::measurand::Measurand;
use num_complex::Complex64;

/// A margin, where it was read, and what it answers to there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// What is measured.
    pub measurand: Measurand,
    /// Its value in the unit of the measurand; of a phase margin the size.
    pub value: f64,
    /// Where, Hz.
    pub hz: f64,
    /// Change of the value per neper of the loop gain there.
    pub per_neper: f64,
    /// Change of the value per radian of its phase.
    pub per_rad: f64,
}

impl Place {
    /// Change of the value when ln T changes by so much there. A margin's sensitivity has in it how its place moves along the curve.
    #[must_use]
    pub fn change(&self, ln_t: Complex64) -> f64 {
        self.per_neper * ln_t.re + self.per_rad * ln_t.im
    }
}

/// The margins of a curve as far as they exist; bounds are left out.
#[must_use]
pub fn places(curve: &Curve, crossings: &Crossings, span: Span) -> Vec<Place> {
    let place = |measurand: Measurand| {
        let Method { scale, read, .. } = Method::of(measurand);
        let located = read(curve, crossings, span)?.exact()?;
        let scale = if measurand.held(located.value) == located.value { scale } else { -scale };
        let own = Place {
            measurand,
            value: scale * located.value,
            hz: located.point.hz(),
            per_neper: scale * located.sensitivity.ln_gain,
            per_rad: scale * located.sensitivity.phase,
        };
        (own.per_neper.is_finite() && own.per_rad.is_finite()).then_some(own)
    };
    Measurand::ALL.into_iter().filter_map(place).collect()
}
