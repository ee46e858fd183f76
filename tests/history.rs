//! The history of recorded runs, in SQLite and, where `LOOPGAUGE_TEST_POSTGRES` holds the address of a server to make databases on,
//! in PostgreSQL: `tests/history/postgres.sh` starts one.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing, reason = "tests")]

#[path = "history/bench.rs"]
mod bench;
#[path = "history/changes.rs"]
mod changes;
#[path = "history/export.rs"]
mod export;
#[path = "history/mishaps.rs"]
mod mishaps;
#[path = "history/numbers.rs"]
mod numbers;
#[path = "history/opening.rs"]
mod opening;
#[path = "history/postgres.rs"]
mod postgres;
#[cfg(target_os = "linux")]
#[path = "tool/power.rs"]
mod power;
#[path = "history/processes.rs"]
mod processes;
#[path = "history/rounds.rs"]
mod rounds;
#[path = "../src/report/sample.rs"]
mod sample;
#[path = "history/views.rs"]
mod views;
