//! Every loop of the board against the specs of its rails, a test per corner and check.
//!
//! ```text
//! cargo test --test loop_stability                       # all
//! cargo test --test loop_stability -- phase_margin       # one check of every corner
//! cargo test --test loop_stability -- river-gauge-5v/24V # some corners of one rail
//! cargo test --test loop_stability -- --list             # reads no sweep
//! cargo nextest run                                      # a process per test
//! ```
//!
//! The runs are the good board of the demo; here they would lie in the repository, or come from the bench before the job.

use std::process::ExitCode;

fn main() -> ExitCode {
    loopgauge::harness::new("../../demo-data/rev-c/RG-00021").specs("../../specs").main()
}
