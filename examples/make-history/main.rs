//! Fills a history with synthetic runs of one product, 6 corners of 8 quantities each, and measures it: its size, recording one more
//! run, reading everything that `drift` reads.
//!
//! ```text
//! cargo run --release --example make-history -- history.db 1000000
//! cargo run --release --example make-history -- postgresql://bench@localhost/line 1000000
//! ```
//!
//! The rows are those that `History::record` writes; they go in many runs to a transaction, since a durable commit for each of a
//! million runs would take hours. Give a history that is not there yet. Same seed, same values.
//!
//! | file | what |
//! | --- | --- |
//! | `plan` | the runs |
//! | `fill` | rows into SQLite and PostgreSQL |

#![allow(
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a measurement that cannot be set up must stop; its tables have fixed sizes"
)]

mod fill;
mod plan;
#[path = "../../src/report/sample.rs"]
mod sample;

use loopgauge::history::{Address, History, HistoryError, NewRecord, PackedJson};
use std::process::ExitCode;
use std::time::Instant;

/// Runs recorded one by one at the end.
const MORE: u64 = 21;

fn main() -> ExitCode {
    let mut arguments = std::env::args_os().skip(1);
    let address = arguments.next().map(|text| Address::parse(&text));
    let runs = arguments.next().and_then(|text| text.to_str()?.parse().ok());
    let (Some(Ok(address)), Some(runs)) = (address, runs) else {
        eprintln!("usage: make-history HISTORY RUNS");
        return ExitCode::from(2);
    };
    match make(&address, runs) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("{error}\n{}", error.help);
            ExitCode::FAILURE
        }
    }
}

fn make(address: &Address, runs: u64) -> Result<(), HistoryError> {
    // The first run makes the tables, the series and the spec.
    record(&mut History::open_to_record(address)?, 0)?;
    let start = Instant::now();
    fill::fill(address, 1..runs);
    println!("{runs} runs filled in {:.0} s", start.elapsed().as_secs_f64());
    println!("size: {:.3} GB", fill::bytes(address) as f64 / 1e9);
    one_more(address, runs)?;
    all(address)
}

fn record(history: &mut History, number: u64) -> Result<(), HistoryError> {
    let outcome = plan::run(number);
    let json = loopgauge::report::run_json(&outcome).expect("JSON in memory");
    let recorded =
        time::UtcDateTime::from_unix_timestamp(plan::taken_s(number)).expect("a time of this century");
    let new = NewRecord {
        outcome: &outcome,
        json: &PackedJson::of(&json),
        drift: Some(&plan::DRIFT),
        tool: plan::TOOL,
        recorded,
    };
    history.record(&new).map(|_| ())
}

fn one_more(address: &Address, runs: u64) -> Result<(), HistoryError> {
    let start = Instant::now();
    let mut history = History::open_to_record(address)?;
    let open = start.elapsed();
    let mut times = Vec::new();
    for number in runs..runs + MORE {
        let start = Instant::now();
        record(&mut history, number)?;
        times.push(start.elapsed());
    }
    times.sort();
    println!("open to record: {open:.1?}");
    let (median, slowest) = (times[times.len() / 2], times[times.len() - 1]);
    println!("record one more run: median {median:.1?}, slowest of {MORE} {slowest:.1?}");
    Ok(())
}

fn all(address: &Address) -> Result<(), HistoryError> {
    let mut history = History::open_to_read(address)?;
    let start = Instant::now();
    let mut records = 0_u64;
    history.records(plan::PRODUCT, &mut |_| records += 1)?;
    println!("stream {records} records: {:.1} s", start.elapsed().as_secs_f64());
    let start = Instant::now();
    let (mut values, mut sum) = (0_u64, 0.0);
    history.values(plan::PRODUCT, &mut |row| {
        values += 1;
        sum += row.value;
    })?;
    println!("stream {values} values: {:.1} s (sum {sum:e})", start.elapsed().as_secs_f64());
    let start = Instant::now();
    history.newest_settings(plan::PRODUCT)?;
    println!("newest settings: {:.1?}", start.elapsed());
    Ok(())
}
