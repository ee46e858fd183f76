//! A level that was tried, with its sweep.

use crate::analysed::Analysed;

/// One level that was tried.
#[derive(Debug, Clone, Copy)]
pub struct Tried<'a> {
    /// The level, dB relative to 1 mW into 50 ohm.
    pub dbm: f64,
    /// Its sweep, or the mean of its repeats.
    pub sweep: &'a Analysed,
}
