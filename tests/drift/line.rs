//! Small histories whose results are known by hand: units of one corner, `24V-3A`, judged by their phase margin alone.

use crate::make_line::sample;
use crate::tool::{Room, list};
use loopgauge::check::{RunOutcome, Verdict};
use loopgauge::history::{Address, History, NewRecord, PackedJson};
use loopgauge::measurand::Measurand;
use loopgauge::provenance::{FileDigest, Provenance, ResolvedSpec};
use loopgauge::quantity::calendar::rfc_3339;
use loopgauge::spec::{Chart, Drift, DriftAxis};
use loopgauge::uncertainty::Budget;
use serde_json::Value;
use time::UtcDateTime;

pub const DRIFT: Drift = Drift {
    over: Some(DriftAxis::Build),
    setup: Some(4),
    chart: Some(Chart::Ewma),
    capability_min: None,
    forecast_groups: None,
    relevant: None,
};

/// A unit that passes, on bench-1, measured at noon of the `day`-th day from 2026-01-01 on.
pub fn unit(serial: &str, build: &str, day: usize, margin: f64) -> RunOutcome {
    let mut run = RunOutcome {
        run: format!("runs/{build}/{serial}"),
        build: Some(build.to_owned()),
        taken: Some(noon(day)),
        station: Some("bench-1".to_owned()),
        corners: vec![sample::corner("24V-3A", &[("input", "24 V"), ("load", "3 A")])],
        ..sample::head(serial)
    };
    run.corners[0].checks.retain(|check| check.check == "phase_margin");
    with_margin(&mut run, margin);
    run
}

/// Noon UTC, counted from 2026-01-01.
pub fn noon(day: usize) -> String {
    let seconds = 1_767_268_800 + 86_400 * day as i64;
    rfc_3339(UtcDateTime::from_unix_timestamp(seconds).unwrap())
}

pub fn with_margin(run: &mut RunOutcome, margin: f64) {
    let corner = &mut run.corners[0];
    corner.measured.as_mut().unwrap().values.get_mut(Measurand::PhaseMargin).unwrap().value = margin;
    corner.checks.iter_mut().filter(|c| c.check == "phase_margin").for_each(|c| c.value = Some(margin));
}

/// Lets the chain of the station bring this much of the margin's uncertainty, deg, expanded.
pub fn with_chain(run: &mut RunOutcome, station: Option<&str>, chain: f64) {
    let margin = run.corners[0].measured.as_mut().unwrap().values.get_mut(Measurand::PhaseMargin).unwrap();
    let budget = Budget { phase: chain, noise: 0.05, ..Budget::default() };
    (margin.uncertainty, margin.budget) = (budget.combined(), Some(budget));
    run.station = station.map(str::to_owned);
}

/// A line of builds W01, W02, … of one unit each.
pub fn singles(margins: &[f64]) -> Vec<RunOutcome> {
    let units = margins.iter().enumerate();
    units.map(|(k, margin)| unit(&format!("RG-{k:05}"), &format!("W{:02}", k + 1), k, *margin)).collect()
}

/// Records runs in `h.db`, in this order.
pub fn tell(room: &Room, drift: &Drift, runs: &[RunOutcome]) {
    let address = Address::File(room.path("h.db"));
    let mut history = History::open_to_record(&address).unwrap();
    for run in runs {
        let mut run = run.clone();
        let file = FileDigest::of("run.yaml", run.run.as_bytes());
        let spec = ResolvedSpec::of("{\"product\":\"river-gauge-5v\"}");
        run.provenance = Some(Provenance { spec, files: vec![file] });
        let json = loopgauge::report::run_json(&run).unwrap();
        let recorded = time::macros::utc_datetime!(2026-04-03 08:00);
        let tool = loopgauge::report::TOOL;
        history
            .record(&NewRecord {
                outcome: &run,
                json: &PackedJson::of(&json),
                drift: Some(drift),
                tool,
                recorded,
            })
            .unwrap();
    }
}

/// A room with such a history.
pub fn room(drift: &Drift, runs: &[RunOutcome]) -> Room {
    let room = Room::empty();
    tell(&room, drift, runs);
    room
}

/// `drift` of `h.db` in JSON.
#[track_caller]
pub fn drifted(room: &Room, status: i32) -> Value {
    room.run("drift --history h.db --json -").ends(status).json()
}

/// The only series of a result.
#[track_caller]
pub fn only(result: &Value) -> &Value {
    assert_eq!(list(&result["series"]).len(), 1, "{result}");
    &result["series"][0]
}

/// The series of a quantity at a corner.
#[track_caller]
pub fn series<'a>(result: &'a Value, corner: &str, quantity: &str) -> &'a Value {
    let mut all = list(&result["series"]).iter();
    let found = all.find(|series| series["corner"] == corner && series["quantity"] == quantity);
    found.unwrap_or_else(|| panic!("no {quantity} at {corner}"))
}

/// A key of every group.
pub fn of_groups(series: &Value, key: &str) -> Vec<Value> {
    list(&series["groups"]).iter().map(|group| group[key].clone()).collect()
}

#[track_caller]
pub fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("no number: {value}"))
}

#[track_caller]
pub fn close(value: &Value, wanted: f64) {
    let value = number(value);
    assert!((value - wanted).abs() <= 1e-9 * wanted.abs().max(1e-9), "{value}, wanted {wanted}");
}

/// `(verdict, message)` of a rule.
#[track_caller]
pub fn rule<'a>(series: &'a Value, name: &str) -> (&'a str, &'a str) {
    let rule = list(&series["rules"]).iter().find(|rule| rule["rule"] == name).unwrap();
    (rule["verdict"].as_str().unwrap(), rule["message"].as_str().unwrap())
}

/// A run whose verdict is another one.
pub fn judged(mut run: RunOutcome, verdict: Verdict) -> RunOutcome {
    run.verdict = verdict;
    run.corners[0].verdict = verdict;
    run
}

/// The first groups of a line that stays: 56 deg and a little, mean 56 deg, moving ranges 0.2, 0.4, 0.2 deg.
pub const STILL: [f64; 4] = [56.0, 56.2, 55.8, 56.0];
