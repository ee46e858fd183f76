//! A record over time.

/// A record of both sides of the injection at one frequency.
#[derive(Debug, Clone, Default, PartialEq)]
pub(in crate::sweep) struct Record {
    /// Declared frequency, Hz.
    pub hz: f64,
    /// Times of the samples, s.
    pub time: Vec<f64>,
    /// Input side.
    pub input: Vec<f64>,
    /// Output side, in the unit of the input side.
    pub output: Vec<f64>,
}
