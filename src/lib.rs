//! loopgauge judges injected loop-gain sweeps of power converters against per-product specs.
//!
//! The core is pure: it does no I/O, prints nothing and reads no clock. The command line (feature `cli`, on by
//! default) adds files, threads and reports.
//!
//! **Why one crate and not two?** The core without the command line is a feature away (`--no-default-features`, built
//! and tested by `.ci/run`), and one version number is one less thing to keep in step.

#[cfg(test)]
extern crate self as loopgauge;

pub mod analysed;
pub mod baseline;
pub mod begin;
pub mod check;
#[cfg(feature = "cli")]
pub mod cli;
pub mod coverage;
pub mod curve;
pub mod decision;
pub mod diagnostic;
#[cfg(feature = "files")]
mod disk;
pub mod drift;
pub mod escape;
pub mod excitation;
#[cfg(feature = "history")]
pub mod history;
pub mod inspect;
pub mod linearity;
pub mod manual;
pub mod margins;
pub mod monte_carlo;
pub mod noise;
#[cfg(feature = "cli")]
pub mod output;
pub mod provenance;
pub mod quantity;
#[cfg(feature = "cli")]
pub mod report;
pub mod run;
pub mod sanity;
pub mod schema;
pub mod spec;
pub mod sweep;
pub mod uncertainty;
mod yaml;
