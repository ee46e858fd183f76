//! What a corner was compared with.

use crate::baseline::{Deviation, Points};

/// The judged curve beside the accepted one.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct Compared {
    /// Serials of the accepted units.
    pub with: Vec<String>,
    /// The accepted curve, or the mean of several.
    pub curve: Points,
    /// Largest deviation of the gain, dB, where one is more than its uncertainty.
    pub gain: Option<Deviation>,
    /// The same of the phase, deg.
    pub phase: Option<Deviation>,
}
