//! How a measurand is read from a curve, once: by it a sweep is measured, a computed loop is read, and a simulation reads again.
//!
//! What differs between measurands stands in the file of each and in [`crate::measurand`]. What follows from it (which errors reach the
//! value, when the law of propagation fails there, what a part that was left out may hide) is the same for all.

use super::crossings::{Crossing, Crossings};
use super::{Located, Sensitivity};
use crate::curve::{Curve, Span};

/// How a measurand is read from a curve: its measurement method (the term of JCGM 200:2012, 2.5).
#[derive(Debug, Clone, Copy)]
pub struct Method {
    /// Unit of the measurand per unit of what is read: degrees per radian of a phase margin.
    pub scale: f64,
    /// Reads it over a span; `None` where the curve has none there.
    pub read: fn(&Curve, &Crossings, Span) -> Option<Value>,
    /// What it is read at.
    pub place: Place,
}

/// A value read from a curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Value {
    /// At its place.
    At(Located),
    /// Only a lower bound.
    AtLeast(Located),
}

impl Value {
    /// The value, and whether it is only a lower bound.
    #[must_use]
    pub const fn parts(self) -> (Located, bool) {
        match self {
            Self::At(located) => (located, false),
            Self::AtLeast(located) => (located, true),
        }
    }

    /// The value, unless it is only a bound.
    #[must_use]
    pub const fn exact(self) -> Option<Located> {
        match self {
            Self::At(located) => Some(located),
            Self::AtLeast(_) => None,
        }
    }
}

/// What a value is read at.
#[derive(Debug, Clone, Copy)]
pub enum Place {
    /// At one crossing of a line: its frequency.
    Crossing(Line),
    /// At the crossing of a line that has the smallest size, where the value at a crossing is what the function says.
    SmallestCrossing(Line, fn(&Crossing) -> Option<Located>),
    /// Where the curve takes the worst value of all.
    Worst(&'static Everywhere),
}

/// The line that a crossing crosses.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Line {
    /// 0 dB; the phase is read there.
    Gain,
    /// The ray through the critical point; the gain is read there.
    Phase,
}

impl Line {
    /// The crossings of it.
    #[must_use]
    pub fn crossings(self, all: &Crossings) -> &[Crossing] {
        match self {
            Self::Gain => &all.gain,
            Self::Phase => &all.phase,
        }
    }

    /// How a value answers to what is read at the line, per radian or per neper.
    #[must_use]
    pub const fn read_there(self, sensitivity: Sensitivity) -> f64 {
        match self {
            Self::Gain => sensitivity.phase,
            Self::Phase => sensitivity.ln_gain,
        }
    }
}

/// A value that every point of a curve has.
#[derive(Debug)]
pub struct Everywhere {
    /// Of a point: ln of its magnitude, and its angle from the critical point, rad.
    pub value: fn(ln_mag: f64, angle: f64) -> f64,
    /// Points with this value or a better one lie outside of this range of ln of the magnitude, whatever their angle: a quick way to
    /// pass them over.
    pub range: fn(value: f64) -> [f64; 2],
    /// No point is worse than this as long as ln of the magnitude stays below a bound; `None` where there is no such value.
    pub below: fn(ln_mag: f64) -> Option<f64>,
    /// The same where it stays above.
    pub beyond: fn(ln_mag: f64) -> Option<f64>,
}
