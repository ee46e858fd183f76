//! The formats that other programs read: keys and types of the JSON results, and what hostile text becomes in every output.

#![cfg(all(feature = "cli", unix))]
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test that cannot run its own program must stop"
)]

#[path = "formats/hostile_text.rs"]
mod hostile_text;
#[path = "formats/shapes.rs"]
mod shapes;
#[path = "formats/side_by_side.rs"]
mod side_by_side;
mod tool;

use serde_json::Value;
use shapes::{CIRCUIT, INSPECTED, RESULT};
use std::fs;
use tool::{Room, checkout, command, demo, finish, list, text, verdicts, xml};

#[test]
fn the_result_of_check_has_its_shape() {
    let result = demo("check demo-data --json -").ends(2).json();
    RESULT.check(&result, "result");
    assert_eq!(result["format"], 1);
    assert_eq!(result["tool"], format!("loopgauge {}", env!("CARGO_PKG_VERSION")));
    for empty in ["check nowhere --json -", "check specs --json -"] {
        let result = demo(empty).ends(2).json();
        RESULT.check(&result, empty);
        assert_eq!((&result["verdict"], list(&result["runs"]).len()), (&Value::Null, 0));
    }
}

/// Its shape is held above; here that there is one, without and with an accepted result.
#[test]
fn a_run_of_a_spec_with_a_circuit_tells_its_parts() {
    let result = demo("check demo-data --json -").ends(2).json();
    let told = list(&result["runs"]).iter().filter(|run| run["circuit"].is_object()).count();
    assert!(told >= 10, "{told}");
    let ran = demo("check demo-data/rev-c --baseline demo-data/baseline --json -");
    let result = ran.json();
    let runs = list(&result["runs"]);
    let compared: Vec<&Value> = runs.iter().filter(|run| run["circuit"]["change"].is_object()).collect();
    assert!(!compared.is_empty());
    for run in compared {
        CIRCUIT.check(&run["circuit"], "circuit");
        let causes = list(&run["circuit"]["causes"]);
        let sum: f64 = causes.iter().map(|cause| cause["probability"].as_f64().unwrap()).sum();
        assert!((sum - 1.0).abs() < 1e-9, "{sum}");
        // "Nothing", each part alone, "several".
        assert_eq!(causes.len(), list(&run["circuit"]["parts"]).len() + 2);
    }
}

#[test]
fn the_result_of_inspect_has_its_shape() {
    let mut command = command(checkout());
    command.args(["inspect", "--critical-point", "+1", "--json", "-"]);
    for run in
        ["rev-c/RG-00021/river-gauge-5v", "rev-c/RG-00021/river-gauge-1v8", "rev-b/RG-00013/river-gauge-12v"]
    {
        for entry in fs::read_dir(checkout().join("demo-data").join(run)).unwrap() {
            let path = entry.unwrap().path();
            if path.extension().is_some_and(|extension| extension == "csv") {
                command.arg(path);
            }
        }
    }
    let result = finish(&mut command).ends(0).json();
    INSPECTED.check(&result, "result");
    assert!(list(&result["sweeps"]).len() > 30);
    // A conditionally stable loop: phase crossovers with magnitude above 1 have a negative gain margin there.
    let hot = demo("inspect demo-data/rev-c/RG-00021/river-gauge-1v8/hot.csv --critical-point +1 --json -")
        .ends(0)
        .json();
    let margins = |sweep: &Value| -> Vec<f64> {
        list(&sweep["phase_crossovers"]).iter().map(|p| p["gain_margin_db"].as_f64().unwrap()).collect()
    };
    let sweep = &hot["sweeps"][0];
    assert!(margins(sweep).iter().any(|db| *db < 0.0));
    assert!(sweep["gain_reduction_margin_db"]["value"].as_f64().unwrap() > 0.0);
    assert_eq!(sweep["file"], "demo-data/rev-c/RG-00021/river-gauge-1v8/hot.csv");
    let none = demo("inspect nowhere.csv --critical-point +1 --json -").ends(2).json();
    INSPECTED.check(&none, "none");
    assert_eq!(list(&none["sweeps"]).len(), 0);
}

/// Curves in which something does not exist: no crossover, no phase crossover, three points, a single value.
#[test]
fn what_does_not_exist_is_null() {
    let room = Room::empty();
    let flat =
        |db: f64| format!("frequency_hz,gain_db,phase_deg\n100,{db},10\n1000,{db},10\n10000,{db},10\n");
    room.write("low.csv", flat(-40.0)).write("high.csv", flat(40.0)).write("unity.csv", flat(0.0));
    room.write("huge.csv", "frequency_hz,gain_db,phase_deg\n1e-300,3000,0\n1,0,1e300\n1e300,-3000,-1e300\n");
    room.write("tiny.csv", "frequency_hz,real,imag\n1,1e-308,0\n2,0,1e-308\n3,1e-308,1e-308\n");
    room.write("point.csv", "frequency_hz,real,imag\n1,1,0\n2,1,0\n3,1,0\n");
    for point in ["+1", "-1"] {
        for name in ["low", "high", "unity", "huge", "tiny", "point"] {
            let ran = room.run(&format!("inspect {name}.csv --critical-point {point} --json -"));
            assert!(matches!(ran.status, Some(0 | 2)) && !ran.stderr.contains("panicked"), "{}", ran.stderr);
            assert!(!ran.out().contains("NaN") && !ran.out().contains("inf"));
            INSPECTED.check(&ran.json(), name);
            let terminal = room.run(&format!("inspect {name}.csv --critical-point {point}"));
            assert!(
                !terminal.out().contains("NaN") && !terminal.out().contains("inf "),
                "{}",
                terminal.out()
            );
        }
    }
    let low = room.run("inspect low.csv --critical-point +1 --json -").ends(0).json();
    let sweep = &low["sweeps"][0];
    for name in ["crossover_hz", "phase_margin_deg", "gain_reduction_margin_db", "delay_margin_s"] {
        assert_eq!(sweep[name], Value::Null, "{name}");
    }
    assert_eq!(list(&sweep["crossovers"]).len(), 0);
    assert_eq!(sweep["gain_margin_db"]["at_least"], true);
}

#[test]
fn verdicts_are_the_worst_of_their_parts() {
    let result = demo("check demo-data --json -").ends(2).json();
    let order = ["pass", "waived", "undecided", "fail", "missing", "invalid"];
    let rank = |verdict: &Value| order.iter().position(|word| *word == verdict).unwrap();
    // Invalid and missing weigh the same.
    let weight = |verdict: &Value| rank(verdict).min(4);
    let worst = |parts: &[Value]| {
        parts.iter().filter(|part| part["verdict"] != "not_judged").map(|part| weight(&part["verdict"])).max()
    };
    assert_eq!(Some(weight(&result["verdict"])), worst(list(&result["runs"])));
    for run in list(&result["runs"]) {
        assert_eq!(Some(weight(&run["verdict"])), worst(list(&run["corners"])));
        for corner in list(&run["corners"]) {
            assert_eq!(Some(weight(&corner["verdict"])), worst(list(&corner["checks"])), "{corner}");
            for check in list(&corner["checks"]) {
                let is_open = check["verdict"] == "not_judged";
                assert!(
                    !is_open || (check["value"].is_null() && !text(&check["message"]).is_empty()),
                    "{check}"
                );
            }
        }
    }
}

#[test]
fn checks_stand_in_their_order() {
    let result = demo("check demo-data/rev-c/RG-00021/river-gauge-1v8 --json -").ends(0).json();
    let names: Vec<String> = verdicts(&result["runs"][0]).into_iter().map(|(name, _)| name).collect();
    let expected = [
        "collected",
        "coverage",
        "sanity",
        "linearity",
        "crossover",
        "crossings",
        "phase_margin",
        "gain_margin",
        "gain_reduction_margin",
        "stability_margin",
        "delay_margin",
        "gain@400Hz",
        "gain@300kHz-400kHz",
        "circuit",
        "regression.crossover",
        "regression.phase_margin",
        "regression.gain_margin",
        "regression.stability_margin",
    ];
    assert_eq!(names.len(), 5 * expected.len());
    for corner in names.chunks(expected.len()) {
        let mut ours: Vec<&str> = corner.iter().map(|name| name.split_once('/').unwrap().1).collect();
        // The order within `regression` is free.
        let mut wanted = expected;
        ours[14..].sort_unstable();
        wanted[14..].sort_unstable();
        assert_eq!(ours, wanted);
    }
}

#[test]
fn suites_count_what_json_counts() {
    let result = demo("check demo-data --json -").ends(2).json();
    let report = xml::read(&demo("check demo-data --junit -").ends(2).stdout);
    for run in list(&result["runs"]) {
        let file = format!("{}/run.yaml", text(&run["run"]));
        let suite = report.children.iter().find(|suite| suite.attributes.get("file") == Some(&file)).unwrap();
        let checks = verdicts(run);
        let count =
            |words: &[&str]| checks.iter().filter(|(_, verdict)| words.contains(&verdict.as_str())).count();
        assert_eq!(suite.number("tests"), checks.len());
        assert_eq!(suite.number("failures"), count(&["fail"]));
        assert_eq!(suite.number("errors"), count(&["invalid", "missing", "undecided"]));
        assert_eq!(suite.number("skipped"), count(&["waived", "not_judged"]));
        assert_eq!(suite.get("name"), format!("{} {}", text(&run["product"]), text(&run["serial"])));
        assert_eq!(suite.get("timestamp"), text(&run["taken"]));
        assert_eq!(suite.get("hostname"), text(&run["station"]));
    }
}

#[test]
fn a_good_a_bad_and_an_unreadable_run_of_a_spec_list_the_same_cases() {
    let report = xml::read(&demo("check demo-data --junit -").ends(2).stdout);
    assert_eq!(report.children.iter().filter(|suite| suite.is_unreadable()).count(), 1);
    for product in ["river-gauge-5v", "river-gauge-3v3", "river-gauge-12v", "river-gauge-1v8"] {
        let suites: Vec<_> = report
            .children
            .iter()
            .filter(|suite| suite.get("name").starts_with(&format!("{product} ")))
            .collect();
        assert!(suites.len() >= 3, "{product}");
        for suite in &suites {
            assert_eq!(suite.cases(), suites[0].cases(), "{}", suite.get("name"));
        }
    }
}
