//! Judges injected loop-gain sweeps of power converters against per-product specs: margins with their uncertainties, held against
//! limits at every operating corner, compared with accepted units and watched over builds.
//!
//! A product has a spec (`specs/PRODUCT.yaml`), a measured unit has a run (a folder with `run.yaml` beside its sweeps). A folder of
//! runs is judged so:
//!
#![cfg_attr(feature = "files", doc = "```")]
#![cfg_attr(not(feature = "files"), doc = "```ignore")]
//! fn main() -> Result<(), loopgauge::Error> {
//!     let judge = loopgauge::Judge::new().specs("specs").baseline("demo-data/baseline");
//!     for run in judge.runs("demo-data/rev-c/RG-00021/river-gauge-5v") {
//!         let run = run?;
//!         println!("{} {}: {}", run.serial, run.product, run.verdict);
//!         for corner in &run.corners {
//!             for check in corner.checks.iter().filter(|check| !check.verdict.is_good()) {
//!                 println!("  {}/{}: {}", corner.corner, check.check, check.message);
//!             }
//!         }
//! #       assert!(run.verdict.is_good());
//!     }
//!     Ok(())
//! }
//! ```
//!
//! | way in | what for |
//! | --- | --- |
//! | `Judge` | runs on disk to verdicts |
//! | `harness` | runs as tests of `cargo test` |
//! | [`spec::load`], [`run::parse`], [`check::judge_run`] | the same in memory: whoever calls brings the files |
//! | [`sweep::Samples`], [`sweep::read`] | a sweep, from numbers or from the bytes of a file |
//! | [`inspect::inspect`] | crossovers and margins of one sweep, without a spec |
//! | [`drift::judge`] | what the units of many builds show together |
//! | `history::History` | recorded results in SQLite or PostgreSQL |
//! | [`Error`] | all that is wrong with an input, and where: what the others return becomes one by `?` |
//!
//! | feature | what it adds | on by default |
//! | --- | --- | --- |
//! | — | the core: no files, no clock, no threads, nothing printed | yes |
//! | `files` | specs, runs and baselines on disk: `Judge` | yes, by `cli` |
//! | `formats` | sweep files that are no plain text: gzip, JSON Lines, Touchstone, NumPy, records over time | yes, by `files` |
//! | `xlsx` | sweep files that are spreadsheets | no |
//! | `harness` | `harness` | no |
//! | `history` | recorded results | yes |
//! | `parquet` | tables of a history in Parquet | no |
//! | `cli` | the command `loopgauge`, its threads and reports | yes |
//!
//! As a library: `loopgauge = { version = "0.1", default-features = false, features = ["files"] }`.
//!
//! # Cautions
//!
//! - A verdict is about what was measured, at the corners of the spec: a corner that the spec does not have is not judged.
//! - A verdict is a [`Verdict`](check::Verdict), not a yes or no. [`is_good`](check::Verdict::is_good) is what the command's exit status
//!   follows; `not_judged` is not good.
//! - Judging is deterministic: same input, same numbers. Which waivers are in force depends on the day: hand it over where that matters.
//! - Judged without optimisation (`[profile.dev]`), a sweep takes many times as long: set `opt-level` for this package.
//!
//! The manual, a chapter per question, is in [`manual`]; [`manual::cautions`] says what the numbers can and cannot carry.
//!
//! **Why one crate and not two?** The core without the command line is a feature away (`--no-default-features`, built
//! and tested by `.ci/run`), and one version number is one less thing to keep in step.

#[cfg(test)]
extern crate self as loopgauge;

pub mod alteration;
pub mod analysed;
pub mod baseline;
pub mod begin;
pub mod check;
pub mod circuit;
#[cfg(feature = "cli")]
pub mod cli;
pub mod compare;
pub mod coverage;
pub mod curve;
pub mod decision;
pub mod diagnostic;
#[cfg(feature = "files")]
mod disk;
pub mod drift;
mod error;
#[doc(hidden)]
pub mod escape;
pub mod excitation;
#[cfg(feature = "harness")]
pub mod harness;
#[cfg(feature = "history")]
pub mod history;
pub mod inspect;
#[cfg(feature = "files")]
mod judge;
pub mod linearity;
pub mod manual;
pub mod margins;
pub mod measurand;
pub mod monte_carlo;
pub mod noise;
#[cfg(feature = "cli")]
pub mod output;
pub mod pieces;
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

pub use error::Error;
#[cfg(feature = "files")]
pub use judge::{Judge, Runs};
pub use sweep::Complex64;
pub use time::{Date, Month, UtcDateTime};
