//! Crossings and margins of a curve: find all, then select.
//!
//! | file | what |
//! | --- | --- |
//! | `crossings` | every crossover and every phase crossover |
//! | `merge` | crossings that noise cannot tell apart |
//! | `phase` | crossover frequency, phase margin |
//! | `gain` | gain margin, gain reduction margin, gain at a frequency or over a band |
//! | `stability` | smallest distance to the critical point |
//! | `delay` | delay margin |
//! | `method` | how a measurand is read, in terms that all share |
//!
//! Each value comes with its place and its sensitivity to a local error of gain and phase, from which the
//! uncertainty follows.

mod crossings;
mod delay;
mod gain;
mod merge;
mod method;
mod phase;
#[cfg(test)]
mod rough_curves;
mod stability;
#[cfg(test)]
mod tests;

pub use crossings::{Crossing, Crossings, Direction, Merged};
pub use delay::{delay_margin, delay_margin_of};
pub use gain::{
    Extreme, GainMargin, attenuation, gain_at, gain_extreme, gain_margin, gain_margin_of,
    gain_reduction_margin, gain_reduction_margin_of,
};
pub use method::{Everywhere, Line, Method, Place, Value};
pub use phase::{crossover, phase_margin, phase_margin_of};
pub use stability::stability_margin;

use crate::curve::Point;
use crate::measurand::Measurand;

impl Method {
    /// How a measurand is read.
    #[must_use]
    pub const fn of(measurand: Measurand) -> Self {
        match measurand {
            Measurand::Crossover => phase::CROSSOVER,
            Measurand::PhaseMargin => phase::PHASE_MARGIN,
            Measurand::GainMargin => gain::GAIN_MARGIN,
            Measurand::GainReductionMargin => gain::GAIN_REDUCTION_MARGIN,
            Measurand::StabilityMargin => stability::STABILITY_MARGIN,
            Measurand::DelayMargin => delay::DELAY_MARGIN,
        }
    }
}

/// Change of a value per unit error of the curve around the place where it was found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sensitivity {
    /// Per neper: error of ln of the magnitude.
    pub ln_gain: f64,
    /// Per radian of phase error.
    pub phase: f64,
}

/// A value and where on the curve it was found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Located {
    /// The value, in the unit the function states.
    pub value: f64,
    /// The place.
    pub point: Point,
    /// How it answers to errors of the curve; not finite where the curve runs along the line it should cross.
    pub sensitivity: Sensitivity,
}
