//! An independent referee for verdicts: loops whose exact values are known, measured on a bench with two receivers, judged through
//! spec and run as anybody would, and the verdicts held against the exact values.
//!
//! | file | what |
//! | --- | --- |
//! | `plant` | a loop gain as poles, zeros and delay; poles of the closed loop by the argument principle |
//! | `classes` | families of loops with random parameters |
//! | `receivers` | the two receivers: noise, ranges, averages, digits |
//! | `unit` | what the unit does between sweeps: level effect, drift, interference |
//! | `scene` | a corner: loop, exact values, bench, sweeps |
//! | `judge` | the library as anybody uses it |
//! | `draw` | random parameters |
//! | `survey` | all families at all densities |
//! | `ratios` | errors over their uncertainties |
//! | `case` | one corner as files |
//!
//! | mode | asks | aim |
//! | --- | --- | --- |
//! | `bench-coverage` | is the truth inside value ± U, in every family at every density | 93 to 98 %; no wrong number of crossovers, bounds 2.5 % at most |
//! | `bench-judged` | how many corners come to a verdict, and why others do not | 98 % of sound ones that are clean from 8 times below the crossover |
//! | `bench-limits` | wrong verdicts with limits at the truth and beside it | at most 2.5 % at the limit, none beyond 2.2 U |
//! | `bench-unstable` | unstable loops, drowned low ends included | none passes |
//! | `bench-short` | 20 to 40 points, 3 % noise at the gain margin | as for coverage, judged and limits |
//! | `bench-wrong-quantity` | T/(1+T), 1+T, half the dB … in place of T | none passes |
//! | `bench-hidden` | how far a resonance between two points may raise the gain unseen | - |

mod case;
pub(crate) mod classes;
mod coverage;
pub(crate) mod draw;
mod hidden;
pub(crate) mod judge;
mod judged;
mod limits;
pub(crate) mod plant;
mod ratios;
pub(crate) mod receivers;
pub(crate) mod scene;
mod short;
pub(crate) mod survey;
mod unit;
mod unstable;
mod wrong_quantity;

use super::table::Report;

pub use case::{parse as parse_case, write as write_case};

/// The modes by name.
pub const MODES: [&str; 7] = [
    "bench-coverage",
    "bench-judged",
    "bench-limits",
    "bench-unstable",
    "bench-short",
    "bench-wrong-quantity",
    "bench-hidden",
];

/// Runs one part in `share` of a mode.
pub fn run(mode: &str, seed: u64, share: usize) -> Report {
    match mode {
        "bench-coverage" => coverage::run(seed, share),
        "bench-judged" => judged::run(seed, share),
        "bench-limits" => limits::run(seed, share),
        "bench-unstable" => unstable::run(seed, share),
        "bench-short" => short::run(seed, share),
        "bench-hidden" => hidden::run(seed, share),
        _ => wrong_quantity::run(seed, share),
    }
}
