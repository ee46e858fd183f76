//! Runs to record, and places to record them.

use crate::sample;
use loopgauge::check::{Measured, RunOutcome, Unit, Verdict};
use loopgauge::history::{Address, History, HistoryError, NewRecord, PackedJson, RecordId};
use loopgauge::measurand::Measurand;
use loopgauge::provenance::{FileDigest, Provenance, ResolvedSpec};
use loopgauge::spec::{Chart, Drift, DriftAxis};
use loopgauge::uncertainty::Budget;
use std::ffi::OsStr;

pub const DRIFT: Drift = Drift {
    over: Some(DriftAxis::Build),
    setup: Some(8),
    chart: Some(Chart::Ewma),
    capability_min: Some(1.33),
    forecast_groups: Some(6),
    relevant: None,
};

/// 2026-04-02T09:15:00Z, the sample's `taken`.
pub const TAKEN_US: i64 = 1_775_121_300_000_000;

/// A place to record in; its folder or database goes with it.
pub struct Place {
    pub address: Address,
    pub folder: tempfile::TempDir,
}

pub fn sqlite() -> Place {
    let folder = tempfile::tempdir().unwrap();
    Place { address: Address::File(folder.path().join("history.db")), folder }
}

/// An empty database of its own on the test server; `None`, and a line, where there is no server.
pub fn postgres(name: &str) -> Option<Place> {
    let Ok(server) = std::env::var("LOOPGAUGE_TEST_POSTGRES") else {
        eprintln!("skipped: LOOPGAUGE_TEST_POSTGRES is not set (tests/history/postgres.sh starts a server)");
        return None;
    };
    let mut client = ::postgres::Client::connect(&server, ::postgres::NoTls).unwrap();
    client.batch_execute(&format!("DROP DATABASE IF EXISTS {name} WITH (FORCE)")).unwrap();
    client.batch_execute(&format!("CREATE DATABASE {name} ENCODING 'UTF8' TEMPLATE template0")).unwrap();
    let address = format!("{}/{name}", server.rsplit_once('/').unwrap().0);
    Some(Place {
        address: Address::parse(OsStr::new(&address)).unwrap(),
        folder: tempfile::tempdir().unwrap(),
    })
}

/// SQLite, and PostgreSQL where there is a server.
pub fn places(name: &str) -> Vec<Place> {
    std::iter::once(sqlite()).chain(postgres(name)).collect()
}

/// The sample's run with a corner for each verdict, a budget, a gain limit and a lower bound.
pub fn run(serial: &str) -> RunOutcome {
    let mut run = sample::run();
    run.serial = serial.to_owned();
    run.run = format!("runs/{serial}");
    let first = &mut run.corners[0];
    first.checks.push(sample::judged(
        "gain@120Hz",
        Verdict::Pass,
        41.25,
        Some(0.25),
        Unit::Db,
        loopgauge::check::Limit { min: Some(30.0), max: None },
    ));
    let measured = first.measured.as_mut().unwrap();
    // Offsets of gain 3, phase -4 and impedance ratio 12: root of the sum of squares 13 (3-4-5 and 5-12-13 triangles).
    let budget = Budget { gain: 3.0, phase: -4.0, impedance_ratio: 12.0, noise: 99.0, ..Budget::default() };
    let mut change = |measurand, change: &dyn Fn(&mut Measured)| {
        measured.values.get_mut(measurand).map(change).unwrap();
    };
    change(Measurand::Crossover, &|m| m.budget = Some(budget));
    change(Measurand::PhaseMargin, &|m| m.value = -m.value);
    change(Measurand::GainMargin, &|m| m.at_least = Some(true));
    run.provenance = Some(Provenance {
        spec: ResolvedSpec::of("{\"product\":\"river-gauge-5v\"}"),
        files: vec![FileDigest::of("run.yaml", b"run: 1"), FileDigest::of("24v-3a.csv", serial.as_bytes())],
    });
    run
}

pub fn now() -> time::UtcDateTime {
    time::macros::utc_datetime!(2026-04-03 08:00)
}

pub fn record(history: &mut History, run: &RunOutcome) -> Result<RecordId, HistoryError> {
    let json = loopgauge::report::run_json(run).unwrap();
    history.record(&NewRecord {
        outcome: run,
        json: &PackedJson::of(&json),
        drift: Some(&DRIFT),
        tool: "loopgauge 0.1.0",
        recorded: now(),
    })
}
