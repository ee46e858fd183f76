//! Runs: the sweeps collected from one unit.

mod model;

pub use model::{CornerSweeps, Excitation, Run, SweepEntry};
