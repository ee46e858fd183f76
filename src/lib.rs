//! loopgauge judges injected loop-gain sweeps of power converters against per-product specs.
//!
//! The core is pure: it does no I/O, prints nothing and reads no clock. The command line (feature `cli`, on by
//! default) adds files, threads and reports.

pub mod check;
pub mod diagnostic;
pub mod quantity;
pub mod run;
pub mod spec;
pub mod sweep;
mod yaml;
