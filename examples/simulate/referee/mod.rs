//! An independent referee for verdicts: loops whose exact values are known, measured on a bench with two receivers, judged through
//! spec and run as anybody would, and the verdicts held against the exact values.
//!
//! | file | what |
//! | --- | --- |
//! | `plant` | a loop gain as poles, zeros and delay; poles of the closed loop by the argument principle |
//! | `classes` | families of loops with random parameters |
//! | `receivers` | the two receivers: noise, ranges, averages, digits |
//! | `unit` | what the unit does between sweeps: level effect, drift |
//! | `scene` | a corner: loop, exact values, bench, sweeps |
//! | `judge` | the library as anybody uses it |
//! | `draw` | random parameters |
//! | `survey` | all families at all densities |
//! | `coverage` … | a file per mode |
//!
//! Modes: `bench-coverage`, `bench-judged`, `bench-unstable`.

mod classes;
mod coverage;
mod draw;
mod judge;
mod judged;
mod plant;
mod receivers;
mod scene;
mod survey;
mod unit;
mod unstable;

use super::table::Report;

/// The modes by name.
pub const MODES: [&str; 3] = ["bench-coverage", "bench-judged", "bench-unstable"];

/// Runs one part in `share` of a mode.
pub fn run(mode: &str, seed: u64, share: usize) -> Report {
    match mode {
        "bench-coverage" => coverage::run(seed, share),
        "bench-judged" => judged::run(seed, share),
        _ => unstable::run(seed, share),
    }
}
