//! `check --record`.

use super::keep::with;
use super::line::{close, series};
use crate::tool::gauge::{self, GOOD, add_run};
use crate::tool::{Ran, Room, list, text};
use serde_json::{Value, json};
use std::fs;

/// Lines of `history list` without the head, as fields.
pub fn records(room: &Room) -> Vec<Vec<String>> {
    let listed = room.run("history list h.db").ends(0);
    listed.out().lines().skip(1).map(|line| line.split('\t').map(str::to_owned).collect()).collect()
}

fn shown(room: &Room, record: usize) -> Value {
    room.run(&format!("history show h.db {record}")).ends(0).json()
}

#[test]
fn the_demo_is_recorded_whole() {
    let room = Room::demo();
    let plain = room.run("check demo-data --json plain.json");
    let recorded = room.run("check demo-data --json all.json --record h.db").ends(plain.status.unwrap());
    assert_eq!((recorded.out(), &recorded.stderr), (plain.out(), &plain.stderr));
    assert_eq!(room.read("all.json"), room.read("plain.json"));
    let result: Value = serde_json::from_str(&room.read("all.json")).unwrap();
    let runs = list(&result["runs"]);
    assert_eq!(runs.len(), 17);
    let records = records(&room);
    assert_eq!(records.len(), runs.len());
    for (k, (run, record)) in runs.iter().zip(&records).enumerate() {
        let or_dash = |key: &str| run[key].as_str().unwrap_or("-").to_owned();
        let labels =
            ["verdict", "product", "serial", "revision", "firmware", "build", "taken", "station", "run"];
        assert_eq!(record[0], (k + 1).to_string());
        assert_eq!(record[1..10], labels.map(or_dash));
        assert_eq!(&shown(&room, k + 1), run);
        let spec: Value = room.run(&format!("history show h.db {} --spec", k + 1)).ends(0).json();
        assert_eq!(spec["product"], run["product"]);
    }
    let told = room.run("history check h.db").ends(0);
    assert!(told.out().starts_with("17 records, ") && told.out().ends_with(": sound\n"), "{}", told.out());
    // Again: as many records more, no group more.
    let groups = |room: &Room| -> Vec<Value> {
        let result = room.run("drift --history h.db --json -").json();
        list(&result["series"]).iter().map(|series| series["groups"].clone()).collect()
    };
    let once = groups(&room);
    room.run("check demo-data --record h.db --json again.json").ends(plain.status.unwrap());
    assert_eq!(self::records(&room).len(), 34);
    assert_eq!(groups(&room), once);
}

#[test]
fn the_exit_status_is_that_of_check() {
    let room = gauge::room();
    room.run("check runs --record h.db").ends(0);
    add_run(&room, "runs/low", "RG-00043", [5e3, 14e3, 15e3]);
    room.run("check runs --record h.db").ends(1);
    room.write("runs/odd/run.yaml", "run: 1\nserial: RG-00044\n");
    room.run("check runs --record h.db").ends(2);
    let serials: Vec<String> = records(&room).into_iter().map(|record| record[3].clone()).collect();
    assert_eq!(
        serials,
        ["RG-00042", "RG-00042", "RG-00043", "RG-00042", "RG-00043"],
        "the unreadable one is not there"
    );
}

#[test]
fn recorded_again_the_newest_counts() {
    let room = gauge::room();
    room.run("check runs --record h.db").ends(0);
    let mean = |room: &Room| {
        let result = room.run("drift --history h.db --json -").ends(0).json();
        let series = series(&result, "10V-3A", "crossover_hz");
        assert_eq!(series["groups"][0]["units"], 1);
        series["groups"][0]["mean"].clone()
    };
    let of_record =
        |room: &Room, record| shown(room, record)["corners"][0]["measured"]["crossover_hz"]["value"].clone();
    assert_eq!(mean(&room), of_record(&room, 1));
    add_run(&room, "runs/good", "RG-00042", [13e3, 14e3, 15e3]);
    room.run("check runs --record h.db").ends(0);
    assert_eq!(mean(&room), of_record(&room, 2));
    assert_ne!(of_record(&room, 1), of_record(&room, 2));
}

/// Corner by corner: failed, waived and passed ones give values; without sweeps, or with a copied check sweep, there is none.
#[test]
fn values_of_judged_corners() {
    let room = gauge::room();
    add_run(&room, "runs/good", "RG-00042", [5e3, 14e3, 5e3]);
    fs::copy(room.path("runs/good/b.csv"), room.path("runs/good/b-check.csv")).unwrap();
    room.edit(
        "specs/gauge.yaml",
        "conditions: {input: [10 V, 24 V], load: 3 A}",
        "conditions: {input: [10 V, 24 V, 32 V], load: 3 A}",
    );
    room.run("check runs --record h.db").ends(1);
    let run = shown(&room, 1);
    let verdicts: Vec<(&str, &str)> =
        list(&run["corners"]).iter().map(|c| (text(&c["corner"]), text(&c["verdict"]))).collect();
    assert_eq!(verdicts[..3], [("10V-3A", "fail"), ("24V-3A", "invalid"), ("32V-3A", "missing")]);
    let result = room.run("drift --history h.db --json -").ends(0).json();
    for (corner, units) in [("10V-3A", 1), ("cold", 1), ("24V-3A", 0), ("32V-3A", 0)] {
        let found =
            list(&result["series"]).iter().find(|s| s["corner"] == corner && s["quantity"] == "crossover_hz");
        match found {
            Some(series) => assert_eq!(series["groups"][0]["units"], units, "{corner}"),
            None => assert_eq!(units, 0, "{corner}"),
        }
    }
    let mean = &series(&result, "10V-3A", "crossover_hz")["groups"][0]["mean"];
    close(mean, run["corners"][0]["measured"]["crossover_hz"]["value"].as_f64().unwrap());
}

/// The limits of a corner that was not measured are in its spec all the same.
#[test]
fn limits_do_not_hang_on_the_newest_runs_verdict() {
    let room = gauge::room();
    room.run("check runs --record h.db").ends(0);
    let whole = room.run("drift --history h.db --json -").ends(0).json();
    fs::copy(room.path("runs/good/b.csv"), room.path("runs/good/b-check.csv")).unwrap();
    room.edit("runs/good/run.yaml", "RG-00042", "RG-00043");
    room.run("check runs --record h.db").ends(1);
    let result = room.run("drift --history h.db --json -").ends(0).json();
    let names = |result: &Value| -> Vec<String> {
        list(&result["series"])
            .iter()
            .map(|s| format!("{} {} {}", s["corner"], s["quantity"], s["limit"]))
            .collect()
    };
    assert_eq!(names(&result), names(&whole));
}

#[test]
fn another_spec_counts_from_its_record_on() {
    let room = gauge::room();
    room.run("check runs --record h.db").ends(0);
    room.edit("specs/gauge.yaml", "phase_margin: {min: 50 deg}", "phase_margin: {min: 61 deg}");
    room.edit("specs/gauge.yaml", "over: build", "over: revision");
    add_run(&room, "runs/next", "RG-00043", GOOD);
    room.run("check runs/next --record h.db").ends(0);
    let limit = |room: &Room| {
        let result = room.run("drift --history h.db --json -").ends(0).json();
        let series = series(&result, "24V-3A", "phase_margin_deg");
        (series["limit"]["min"].clone(), series["over"].clone())
    };
    assert_eq!(limit(&room), (json!(61.0), json!("revision")));
    with(&room, &["history", "mark", "h.db", "2", "--reason", "trial spec"]).ends(0);
    assert_eq!(limit(&room), (json!(50.0), json!("build")));
    with(&room, &["history", "unmark", "h.db", "2", "--reason", "no trial"]).ends(0);
    assert_eq!(limit(&room), (json!(61.0), json!("revision")));
}

#[test]
fn a_part_of_the_checks_is_not_recorded() {
    let room = gauge::room();
    let ran = room.run("check runs --record h.db --only */phase_margin").ends(2);
    assert!(ran.stderr.contains("--record") && ran.stderr.contains("--only"), "{}", ran.stderr);
    assert!(!room.path("h.db").exists());
}

fn outputs_are_there(room: &Room, history: &str) -> Ran {
    for name in ["all.json", "all.xml"] {
        let _ = fs::remove_file(room.path(name));
    }
    let ran = with(room, &["check", "runs", "--record", history, "--json", "all.json", "--junit", "all.xml"])
        .ends(2);
    assert!(ran.stderr.contains(history), "{history} is not named: {}", ran.stderr);
    assert!(
        ran.stderr.contains("1 run is not recorded") || ran.stderr.contains("runs/good"),
        "{}",
        ran.stderr
    );
    let result: Value = serde_json::from_str(&room.read("all.json")).unwrap();
    assert_eq!(result["verdict"], "pass");
    crate::tool::xml::read(room.read("all.xml").as_bytes());
    assert!(ran.out().contains("pass"), "{}", ran.out());
    ran
}

#[test]
fn a_history_that_cannot_be_written_is_named_and_the_rest_is_written() {
    let room = gauge::room();
    outputs_are_there(&room, "no/such/h.db");
    assert!(!room.path("no").exists());
    outputs_are_there(&room, "runs/good");
    room.write("notes.txt", "no history\n".repeat(100));
    outputs_are_there(&room, "notes.txt");
    assert_eq!(room.read("notes.txt"), "no history\n".repeat(100));
    rusqlite::Connection::open(room.path("parts.db"))
        .unwrap()
        .execute_batch("CREATE TABLE parts (name TEXT)")
        .unwrap();
    let before = fs::read(room.path("parts.db")).unwrap();
    outputs_are_there(&room, "parts.db");
    assert_eq!(fs::read(room.path("parts.db")).unwrap(), before);
}
