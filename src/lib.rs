//! loopgauge judges injected loop-gain sweeps of power converters against per-product specs.
//!
//! The core is pure: it does no I/O, prints nothing and reads no clock. The command line (feature `cli`, on by
//! default) adds files, threads and reports.

#[cfg(test)]
extern crate self as loopgauge;

pub mod check;
pub mod diagnostic;
#[cfg(feature = "cli")]
pub mod output;
pub mod quantity;
#[cfg(feature = "cli")]
pub mod report;
pub mod run;
pub mod spec;
pub mod sweep;
