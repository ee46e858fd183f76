//! The commands around a history, through the built program: `check --record`, `drift`, `history`.

#![cfg(all(feature = "cli", unix))]
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test that cannot run its own program must stop"
)]

#[path = "drift/charts.rs"]
mod charts;
#[path = "drift/groups.rs"]
mod groups;
#[path = "drift/keep.rs"]
mod keep;
#[path = "drift/line.rs"]
mod line;
#[path = "../examples/make-line/main.rs"]
#[allow(dead_code, reason = "the example's own entry is not called here")]
mod make_line;
#[path = "drift/other_spec.rs"]
mod other_spec;
#[path = "drift/outputs.rs"]
mod outputs;
#[path = "drift/record.rs"]
mod record;
#[path = "drift/refused.rs"]
mod refused;
#[path = "drift/rules.rs"]
mod rules;
#[path = "drift/secrets.rs"]
mod secrets;
#[path = "drift/story.rs"]
mod story;
#[path = "drift/told.rs"]
mod told;
mod tool;
