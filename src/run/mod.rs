//! Runs: the sweeps collected from one unit.
//!
//! [`parse`] reads a run file as far as that goes without its spec and tells the product; [`RawRun::resolve`] checks it
//! against the spec. What the keys mean: `read` (the top level), `bench` (who measured, with what), `entries` (`sweeps`), `pattern` (`pattern`), `timestamp`.

mod against;
mod bench;
mod entries;
mod listing;
mod model;
mod pattern;
mod raw;
mod read;
mod timestamp;

pub use bench::Bench;
pub use model::{CornerSweeps, Excitation, Run, SweepEntry};
#[cfg(feature = "files")]
pub(crate) use raw::SORT;
pub use raw::{RawRun, parse};
