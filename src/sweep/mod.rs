//! Sweep files: bytes to samples of the loop gain.

mod reading;
mod samples;

pub use reading::{AngleUnit, Column, ColumnRef, Columns, FrequencyUnit, GainUnit, Reading};
pub use samples::Samples;
