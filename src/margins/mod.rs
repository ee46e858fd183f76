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
//!
//! Each value comes with its place and its sensitivity to a local error of gain and phase, from which the
//! uncertainty follows.

mod crossings;
mod delay;
mod gain;
mod merge;
mod phase;
mod stability;

pub use crossings::{Crossing, Crossings, Direction, Merged};
pub use delay::{delay_margin, delay_margin_of};
pub use gain::{
    Extreme, GainMargin, gain_at, gain_extreme, gain_margin, gain_margins, gain_reduction_margin,
    gain_reduction_margins,
};
pub use phase::{crossover, phase_margin, phase_margin_of};
pub use stability::stability_margin;

use crate::curve::Point;

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
