//! How far loopgauge's numbers can be trusted: it measures simulated sweeps of loops whose exact values are known, and
//! histories whose trend is known.
//!
//! ```text
//! cargo run --release --example simulate -- all              # every mode
//! cargo run --release --example simulate -- coverage --share 10
//! cargo run --release --example simulate -- bench-coverage --seed 7
//! cargo run --release --example simulate -- bench-limits --seed 7 --case boost/40/3.8 --out case
//! ```
//!
//! | mode | asks | aim |
//! | --- | --- | --- |
//! | `loops` | the loops: exact values, stable, no crossing left to chance | all |
//! | `coverage` | is the truth inside value ± U; is U no wider than it must be | 94 % and more; noise alone: 94 to 97 %, U at most 1.25 times twice the rms error |
//! | `acceptance` | wrong verdicts with limits at the truth | at most 2.5 %; none beyond two U |
//! | `margins` | rms error against a ruler laid through two raw points | half of it or less |
//! | `linearity` | is the strongest confirmable level judged | 99 % and more; never one that is not linear |
//! | `regression` | is the true change inside change ± U | 94 % and more; one station: 98 % at most |
//! | `clean` | sound corners that come out invalid | none |
//! | `charts` | control charts: mean run lengths, false alarms after few setup groups, delays | exact run lengths within three standard errors; false alarms at most what was asked for and more than half of it |
//! | `learning` | histories judged as a whole: false alarms of a chart over 20 and 200 groups and of a product, correlated lots, how soon a step is seen | 5 % over 20 groups; two sigma within five groups in 55 % of histories |
//! | `lots` | does the bound of Ppk hold the truth where units of one lot are alike | 94 to 97 %; 0.95 passes 1.0 in at most 5 % |
//! | `trend` | do the intervals of the slope, and the bounds of Ppk and of the share within limits, hold the truth | 94 to 96 %; two limits or one bad lot: 94 % and more |
//! | `movement` | is a movement called what it is; do the intervals of its slope, size, beginning and forecast hold the truth | 94 % and more; calm in 95 %, creeps in 90 %; lots that hang together fall short |
//! | `levels` | corners over an LC peak at many levels, receivers of 2, 4 and 8 uV: a dead zone claimed where there is none, found where there is one | at most 1 %; 95 % and more |
//! | `circuit` | units of the demo's rails: parts inside value ± U; is the part that moved by 1 to 5 tolerances named | 94 to 97 %; 95 % of those named with more than 0.95, and most where theory allows |
//!
//! `learning`, `lots`, `movement`, `levels`, `circuit` and the modes of `referee`, which begin with `bench-`, draw what they measure from seeds that `--seed N` tells
//! apart (1 if not given): what was tuned on one seed is shown on another. Those of `referee`, `movement`, `levels` and `circuit` are not part of `all`. `--case FAMILY/DENSITY/NUMBER[.REPEAT]`, as
//! their tables name it, writes that corner of the mode as files for the program itself, with its exact values.
//!
//! `--share N` does one part in N of the work. Every sweep has its own seed, so the same numbers come out at each call and
//! on any number of cores. Status 1: an aim was missed, 2: the command line is wrong.

#![allow(
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a simulation that cannot be set up must stop; its tables have fixed sizes"
)]

mod acceptance;
pub(crate) mod bench;
mod charts;
mod circuit;
mod clean;
mod coverage;
mod histories;
mod learning;
pub(crate) mod levels;
mod linearity;
pub(crate) mod loops;
mod lots;
mod margins;
mod movement;
pub(crate) mod noise;
pub(crate) mod referee;
mod regression;
mod subjects;
mod table;
mod trend;
pub(crate) mod truth;
pub(crate) mod work;

use std::cell::LazyCell;
use std::process::ExitCode;
use table::Report;
use work::Subjects;

/// The modes by name, in the order of `all`.
pub const MODES: [&str; 11] = [
    "loops",
    "coverage",
    "acceptance",
    "margins",
    "linearity",
    "regression",
    "clean",
    "charts",
    "learning",
    "lots",
    "trend",
];

/// Beside those of `all` and of the referee.
const SEEDED: [&str; 3] = ["movement", "levels", "circuit"];

/// What the command line asks for.
struct Asked {
    modes: Vec<&'static str>,
    share: usize,
    seed: u64,
    case: Option<String>,
    out: String,
}

fn main() -> ExitCode {
    let Some(asked) = arguments(std::env::args().skip(1)) else {
        let names = [MODES.as_slice(), &SEEDED, referee::MODES.as_slice()].concat().join("|");
        eprintln!(
            "usage: simulate [{names}|all] [--share N] [--seed N] [--case FAMILY/DENSITY/NUMBER [--out FOLDER]]"
        );
        return ExitCode::from(2);
    };
    if let Some(case) = &asked.case {
        return write_case(&asked, case);
    }
    let mut missed = Vec::new();
    let subjects = LazyCell::new(Subjects::all);
    for mode in asked.modes {
        let report = if referee::MODES.contains(&mode) {
            referee::run(mode, asked.seed, asked.share)
        } else if mode == "movement" {
            movement::run(asked.seed, asked.share)
        } else if mode == "circuit" {
            circuit::run(asked.seed, asked.share)
        } else if mode == "levels" {
            levels::run(asked.seed, asked.share)
        } else {
            simulate(mode, asked.share, asked.seed, &subjects)
        };
        print!("{}", report.text);
        missed.extend(report.missed);
    }
    println!("\n## aims\n");
    if missed.is_empty() {
        println!("All are met.");
        return ExitCode::SUCCESS;
    }
    missed.iter().for_each(|aim| println!("missed: {aim}"));
    ExitCode::FAILURE
}

/// Writes one corner of a mode as files.
fn write_case(asked: &Asked, case: &str) -> ExitCode {
    let mode = asked.modes.first().copied().filter(|mode| referee::MODES.contains(mode));
    let (Some(mode), Some((key, repeat))) = (mode, referee::parse_case(case, asked.seed)) else {
        eprintln!("{case} names no case: a mode that begins with bench-, and FAMILY/DENSITY/NUMBER[.REPEAT]");
        return ExitCode::from(2);
    };
    match referee::write_case(mode, key, repeat, std::path::Path::new(&asked.out)) {
        Ok(()) => {
            println!("loopgauge check {0} --specs {0}/specs", asked.out);
            ExitCode::SUCCESS
        }
        Err(error) => {
            eprintln!("{}: {error}", asked.out);
            ExitCode::from(2)
        }
    }
}

fn arguments(mut words: impl Iterator<Item = String>) -> Option<Asked> {
    let mut asked = Asked { modes: Vec::new(), share: 1, seed: 1, case: None, out: "case".to_owned() };
    while let Some(word) = words.next() {
        match word.as_str() {
            "--share" => asked.share = words.next()?.parse().ok().filter(|n| *n > 0)?,
            "--seed" => asked.seed = words.next()?.parse().ok()?,
            "--case" => asked.case = Some(words.next()?),
            "--out" => asked.out = words.next()?,
            "all" => asked.modes.extend(MODES),
            word => {
                let mut known = MODES.into_iter().chain(SEEDED).chain(referee::MODES);
                asked.modes.push(known.find(|mode| *mode == word)?);
            }
        }
    }
    if asked.modes.is_empty() && asked.case.is_some() {
        asked.modes.push("bench-coverage");
    }
    if asked.modes.is_empty() {
        asked.modes.extend(MODES);
    }
    Some(asked)
}

/// Runs one part in `share` of a mode.
pub fn simulate(mode: &str, share: usize, seed: u64, subjects: &Subjects) -> Report {
    match mode {
        "loops" => subjects::run(subjects),
        "coverage" => coverage::run(subjects, share),
        "acceptance" => acceptance::run(subjects, share),
        "margins" => margins::run(subjects, share),
        "linearity" => linearity::run(subjects, share),
        "regression" => regression::run(subjects, share),
        "charts" => charts::run(share),
        "learning" => learning::run(share, seed),
        "lots" => lots::run(share, seed),
        "trend" => trend::run(share),
        _ => clean::run(subjects, share),
    }
}
