//! Fills a history with the story of one line: 20 builds of eight units, as `check --record` would have recorded them.
//!
//! ```text
//! cargo run --example make-line -- line.db
//! ```
//!
//! What is planted, all of it invented: at 24V-3A the phase margin creeps down by 0.16 deg a build from the ninth build on; at
//! 10V-0.5A the crossover steps up by 6 % with revision C; one unit is measured three times until it passes; a reference unit
//! stands still on bench-1 and creeps on bench-3; one run has no build. Everything else stays, but for lots that differ
//! a little and units that differ more. Same history, number for number, at every call.
//!
//! `make-line HISTORY one-part` tells another one: two rails with eight corners each, five units a build, all on one lot of output capacitors
//! that loses 0.6 % of its capacitance a build after eight good builds. Every crossover and every margin hangs on it, here more,
//! there less; at one corner the phase margin rises. At the worst one it falls by 0.16 deg a build and reaches its limit 11 builds after
//! the newest.
//!
//! `make-line HISTORY capacitor` tells a third: 14 builds of three units of the 5 V rail, judged with the netlist of its spec. From the tenth
//! build on the output capacitors are another maker's and have 15 % less; all other parts stay within a third of their tolerances.

#![allow(
    clippy::expect_used,
    clippy::indexing_slicing,
    reason = "a story that cannot be told must stop; its tables have fixed sizes"
)]

mod capacitor;
pub mod rail;
#[path = "../../src/report/sample.rs"]
pub mod sample;

use loopgauge::check::{CornerOutcome, Measured, RunOutcome, Verdict};
use loopgauge::history::{Address, History, HistoryError, NewRecord, PackedJson};
use loopgauge::measurand::Measurand;
use loopgauge::provenance::{FileDigest, Provenance, ResolvedSpec};
use loopgauge::quantity::calendar::{micros, rfc_3339};
use loopgauge::spec::{Chart, Drift, DriftAxis};
use loopgauge::uncertainty::Budget;
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::{Pcg64, rand_core::SeedableRng};
use std::process::ExitCode;
use time::UtcDateTime;

const BUILDS: u32 = 20;
const UNITS: u32 = 8;
/// The build from which on the margin creeps.
const CREEPS_FROM: u32 = 8;
/// The first build of revision C.
const REVISION_C: u32 = 12;
const SPEC: &str = r#"{"product": "river-gauge-5v", "title": "5 V rail of the river-gauge telemetry board"}"#;
const DRIFT: Drift = Drift {
    over: Some(DriftAxis::Build),
    setup: Some(8),
    chart: Some(Chart::Ewma),
    capability_min: Some(1.0),
    forecast_groups: Some(15),
    relevant: None,
};

fn main() -> ExitCode {
    let arguments: Vec<_> = std::env::args_os().skip(1).collect();
    let story = match arguments.as_slice() {
        [address] => Address::parse(address).and_then(|address| tell(&address)),
        [address, story] if story == "one-part" => {
            Address::parse(address).and_then(|address| tell_of_one_part(&address))
        }
        [address, story] if story == "capacitor" => {
            Address::parse(address).and_then(|address| tell_of_a_capacitor(&address))
        }
        _ => {
            eprintln!("usage: make-line HISTORY [one-part|capacitor]");
            return ExitCode::from(2);
        }
    };
    match story {
        Ok(runs) => {
            println!("{runs} runs recorded");
            ExitCode::SUCCESS
        }
        Err(error) => {
            eprintln!("{error}\n{}", error.help);
            ExitCode::FAILURE
        }
    }
}

/// What the corners of a run are about.
#[derive(Clone, Copy)]
struct Level {
    /// Phase margin at 24V-3A, deg.
    margin: f64,
    /// Crossover at 10V-0.5A, Hz.
    crossover: f64,
}

struct Line {
    history: History,
    random: Pcg64,
    runs: u32,
}

/// Tells the story into a history that is not there yet; the number of runs.
///
/// # Errors
/// When the history cannot be written.
pub fn tell(address: &Address) -> Result<u32, HistoryError> {
    let history = History::open_to_record(address)?;
    let mut line = Line { history, random: Pcg64::seed_from_u64(2026), runs: 0 };
    for build in 0..BUILDS {
        line.build(build)?;
    }
    let mut stray = line.unit("RG-09999", 0, 3, Level { margin: 53.7, crossover: 9_310.0 });
    stray.build = None;
    line.record(stray)?;
    Ok(line.runs)
}

/// The rails that share the part.
const RAILS: [&str; 2] = ["river-gauge-5v", "river-gauge-3v3"];
const INPUTS: [&str; 4] = ["10 V", "14 V", "24 V", "32 V"];
const LOADS: [&str; 2] = ["0.5 A", "3 A"];
/// Phase margin at each corner, deg, and what it loses with each per cent of capacitance.
const HANGS: [(f64, f64); 8] = [
    (57.0, 0.20),
    (55.5, 0.24),
    (60.0, -0.02),
    (54.6, 0.22),
    (58.0, 0.16),
    (53.7, 0.16 / 0.6),
    (56.0, 0.12),
    (55.0, 0.18),
];
const LOSS_PERCENT: f64 = 0.6;

/// Tells of one part on two rails into a history that is not there yet; the number of runs.
///
/// # Errors
/// When the history cannot be written.
pub fn tell_of_one_part(address: &Address) -> Result<u32, HistoryError> {
    const UNITS: u32 = 5;
    let history = History::open_to_record(address)?;
    let mut line = Line { history, random: Pcg64::seed_from_u64(2027), runs: 0 };
    for build in 0..BUILDS {
        let loss = LOSS_PERCENT * f64::from(build.saturating_sub(CREEPS_FROM - 1));
        let lot = loss + 0.25 * line.normal();
        for rail in RAILS {
            for unit in 0..UNITS {
                let own = lot + 0.5 * line.normal();
                let run = line.on_one_part(rail, build, unit, own);
                line.record(run)?;
            }
        }
    }
    Ok(line.runs)
}

/// Tells of another maker's capacitor into a history that is not there yet; the number of runs.
///
/// # Errors
/// When the history cannot be written.
pub fn tell_of_a_capacitor(address: &Address) -> Result<u32, HistoryError> {
    let history = History::open_to_record(address)?;
    let mut line = Line { history, random: Pcg64::seed_from_u64(2028), runs: 0 };
    line.of_a_capacitor()?;
    Ok(line.runs)
}

impl Line {
    /// A unit whose capacitance is so many per cent too small.
    fn on_one_part(&mut self, rail: &str, build: u32, unit: u32, loss: f64) -> RunOutcome {
        let mut corners = Vec::new();
        for (place, (margin, hangs)) in HANGS.into_iter().enumerate() {
            let (input, load) = (INPUTS[place / 2], LOADS[place % 2]);
            let name = format!("{input}-{load}").replace(' ', "");
            let mut corner = sample::corner(&name, &[("input", input), ("load", load)]);
            let margin = margin - hangs * loss + 0.3 * self.normal();
            let crossover = 9_310.0 * (1.0 + 0.008 * loss + 0.004 * self.normal());
            self.measure(&mut corner, margin, crossover);
            corners.push(corner);
        }
        let serial = format!("RG-{:05}", 100 * (build + 1) + unit);
        let level = Level { margin: 0.0, crossover: 0.0 };
        let run = self.unit(&serial, build, 3 + unit, level);
        RunOutcome { product: rail.to_owned(), revision: "B".to_owned(), corners, ..run }
    }

    fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.random)
    }

    fn build(&mut self, build: u32) -> Result<(), HistoryError> {
        let creep = f64::from(build.saturating_sub(CREEPS_FROM - 1));
        let lot = Level {
            margin: 53.7 - 0.16 * creep + 0.08 * self.normal(),
            crossover: 9_310.0 * if build < REVISION_C { 1.0 } else { 1.06 } + 35.0 * self.normal(),
        };
        for (station, moves) in [("bench-1", 0.0), ("bench-3", 0.03)] {
            let wobble = 0.05 * self.normal();
            let still = Level {
                margin: 55.0 + wobble - moves * f64::from(build),
                crossover: 9_400.0 * (1.0 + 1e-3 * self.normal()),
            };
            let mut reference = self.unit("RG-REF1", build, 0, still);
            reference.is_reference = true;
            reference.station = Some(station.to_owned());
            self.record(reference)?;
        }
        for unit in 0..UNITS {
            let serial = format!("RG-{:05}", 100 * (build + 1) + unit);
            let own = Level {
                margin: lot.margin + 0.4 * self.normal(),
                crossover: lot.crossover + 80.0 * self.normal(),
            };
            if (build, unit) == (4, 5) {
                for (hour, verdict) in [(1, Verdict::Fail), (2, Verdict::Invalid)] {
                    let mut before = self.unit(&serial, build, hour, own);
                    before.verdict = verdict;
                    self.record(before)?;
                }
            }
            let run = self.unit(&serial, build, 3 + unit, own);
            self.record(run)?;
        }
        Ok(())
    }

    fn unit(&mut self, serial: &str, build: u32, hour: u32, level: Level) -> RunOutcome {
        // Every second week from Monday 2026-01-05, 08:00 UTC.
        let week = 2 + 2 * build;
        let taken = 1_767_600_000 + 14 * 86_400 * i64::from(build) + 3_600 * i64::from(hour);
        let conditions = |input, load| [("input", input), ("load", load)];
        let mut corners = [
            sample::corner("10V-0.5A", &conditions("10 V", "0.5 A")),
            sample::corner("24V-3A", &conditions("24 V", "3 A")),
        ];
        let margins = [56.2 + 0.4 * self.normal(), level.margin];
        let crossovers = [level.crossover, 9_310.0 + 80.0 * self.normal()];
        for ((corner, margin), crossover) in corners.iter_mut().zip(margins).zip(crossovers) {
            self.measure(corner, margin, crossover);
        }
        RunOutcome {
            revision: if build < REVISION_C { "B" } else { "C" }.to_owned(),
            build: Some(format!("2026-W{week:02}")),
            taken: UtcDateTime::from_unix_timestamp(taken).ok().map(rfc_3339),
            station: Some("bench-1".to_owned()),
            corners: corners.into(),
            run: format!("runs/2026-W{week:02}/{serial}"),
            ..sample::head(serial)
        }
    }

    /// Gives a corner its values, with the share of the chain in their uncertainties.
    fn measure(&mut self, corner: &mut CornerOutcome, margin: f64, crossover: f64) {
        let gain_margin = 13.0 + 0.25 * self.normal();
        let Some(set) = &mut corner.measured else { return };
        let delay = margin / 360.0 / crossover;
        let values = [
            (Measurand::Crossover, crossover, [110.0, 0.0]),
            (Measurand::PhaseMargin, margin, [0.2, 0.58]),
            (Measurand::GainMargin, gain_margin, [0.12, 0.1]),
            (Measurand::DelayMargin, delay, [0.0, 1.8e-7]),
        ];
        for (measurand, value, [gain, phase]) in values {
            let Some(measured) = set.values.get_mut(measurand) else { continue };
            let budget = Budget { gain, phase, noise: 0.05 * gain.hypot(phase), ..Budget::default() };
            *measured = Measured { value, uncertainty: budget.combined(), budget: Some(budget), ..*measured };
        }
        for check in &mut corner.checks {
            let value = match check.check.as_str() {
                "crossover" => crossover,
                "phase_margin" => margin,
                "gain_margin" => gain_margin,
                "delay_margin" => delay,
                _ => continue,
            };
            check.value = Some(value);
        }
    }

    fn record(&mut self, run: RunOutcome) -> Result<(), HistoryError> {
        self.keep(run, ResolvedSpec::of(SPEC), Some(&DRIFT))
    }

    fn keep(
        &mut self,
        mut run: RunOutcome,
        spec: ResolvedSpec,
        drift: Option<&Drift>,
    ) -> Result<(), HistoryError> {
        let digest = FileDigest::of("run.yaml", format!("{} {}", run.run, self.runs).as_bytes());
        run.provenance = Some(Provenance { spec, files: vec![digest] });
        let json = loopgauge::report::run_json(&run).expect("JSON in memory");
        let taken = run.taken.as_deref().and_then(micros).expect("a time");
        let recorded = UtcDateTime::from_unix_timestamp(taken / 1_000_000).expect("a time of this century");
        let tool = loopgauge::report::TOOL;
        let new = NewRecord { outcome: &run, json: &PackedJson::of(&json), drift, tool, recorded };
        self.runs += 1;
        self.history.record(&new).map(|_| ())
    }
}
