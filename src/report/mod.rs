//! Reports: one module per output, all written from [`RunOutcome`](crate::check::RunOutcome), or, in `drift`, from
//! [`ProductDrift`](crate::drift::ProductDrift).
//!
//! What there is to say of a result is said once, in `statement`, and every output takes its words from there.
//! Each output has a pure part that makes the piece of one run, to be called in worker threads, and a writer that
//! puts the pieces together in order. No report reads a clock, opens a file by name or computes a margin, and
//! memory stays flat in the number of runs.

pub mod annotation;
mod compare;
mod condition_steps;
mod corner_table;
mod counts;
mod diagnostics;
mod drift;
mod headline;
pub mod html;
mod inspect;
mod json;
pub mod junit;
mod levels;
mod manual;
pub mod markdown;
mod object;
mod plot;
mod predict;
mod shard_note;
mod shards;
mod statement;
mod tally;
pub mod terminal;
mod two_groups;

#[cfg(test)]
pub(crate) mod sample;

pub use crate::escape;

pub use compare::{render_compare, write_compare_json};
pub use counts::Counts;
pub use diagnostics::render_diagnostic;
pub use drift::{drift_suite, render_drift, write_drift_json, write_drift_junit};
pub use inspect::{render_inspect, write_inspect_json};
pub use json::{JsonWriter, run_json, write_lint_json};
pub use levels::{levels_csv, render_levels, write_levels_json};
pub use manual::{manual_page, render_chapter};
pub use plot::render_plot;
pub use predict::{Predicted, render_predict, write_predict_json};
pub use shard_note::ShardNote;
pub use shards::{CannotMerge, Merger, order, shard_note};
pub use tally::{Board, Tally};
pub use two_groups::{GroupNames, render_two_groups, write_two_groups_json};

/// What wrote a report: `loopgauge 0.1.0`.
pub const TOOL: &str = concat!("loopgauge ", env!("CARGO_PKG_VERSION"));
