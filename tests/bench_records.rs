//! Who measured a run and with what: from the run file to every output and into the history.

#![cfg(all(feature = "cli", unix))]
#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a test that cannot set up its case must stop"
)]

mod tool;

use serde_json::Value;
use tool::{Room, gauge, text};

const KEYS: [(&str, &str); 5] = [
    ("operator", "early shift"),
    ("instrument", "two-channel receiver, no. 7"),
    ("calibrated_until", "2027-03-31"),
    ("injection", "transformer over 10 ohm at R12"),
    ("notes", "after rework of the output stage"),
];

/// A good run with these keys.
fn room(keys: &[(&str, &str)]) -> Room {
    let room = gauge::room();
    let lines: String = keys.iter().map(|(key, value)| format!("{key}: {value}\n")).collect();
    room.edit("runs/good/run.yaml", "notes: none\n", &lines);
    room
}

#[test]
fn every_output_and_the_history_show_them() {
    let room = room(&KEYS);
    room.run("check runs/good --json r.json --junit r.xml --html r.html --markdown r.md --record line.db")
        .ends(0);
    let ran = room.run("check runs/good --verbose").ends(0);
    let title = ("title", "one rail of the river gauge");
    let result: Value = serde_json::from_str(&room.read("r.json")).unwrap();
    let report = room.read("r.xml");
    let html = room.read("r.html");
    room.run("history export line.db --csv all.csv").ends(0);
    let mut csv = csv::Reader::from_path(room.path("all.csv")).unwrap();
    let headers = csv.headers().unwrap().clone();
    let row = csv.records().next().unwrap().unwrap();
    for (key, value) in KEYS.into_iter().chain([title]) {
        assert!(ran.out().contains(&format!("    {key}: {value}\n")), "{}", ran.out());
        assert_eq!(text(&result["runs"][0][key]), value);
        assert!(report.contains(&format!("<property name=\"{key}\" value=\"{value}\"")), "{key}: {report}");
        assert!(html.contains(&format!("<dt>{key}</dt><dd>{value}</dd>")), "{key}");
        assert_eq!(&row[headers.iter().position(|header| header == key).unwrap()], value);
    }
    assert!(result["runs"][0]["findings"].is_null());
    // Markdown tells of runs that did not pass, or of which something was noticed.
    room.edit("runs/good/run.yaml", "2027-03-31", "2026-03-31");
    room.run("check runs/good --markdown r.md").ends(0);
    for (_, value) in &KEYS[..2] {
        assert!(room.read("r.md").contains(value), "{}", room.read("r.md"));
    }
    assert!(room.run("history check line.db").ends(0).out().contains("1 record"));
}

#[test]
fn a_calibration_that_was_over_is_noticed_by_every_output_and_changes_no_verdict() {
    let room = room(&[("calibrated_until", "2026-04-01")]);
    let ran = room.run("check runs/good --json r.json --junit r.xml --html r.html --markdown r.md").ends(0);
    let words = "the calibration held until 2026-04-01 and the sweeps were taken on 2026-04-02";
    // The terminal breaks lines.
    let flat = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(flat(ran.out()).contains(words), "{}", ran.out());
    for file in ["r.json", "r.xml", "r.html", "r.md"] {
        assert!(room.read(file).contains(words), "{file}");
    }
    let result: Value = serde_json::from_str(&room.read("r.json")).unwrap();
    assert_eq!(text(&result["runs"][0]["verdict"]), "pass");
    // The last day counts, and what is no date is only shown.
    for until in ["2026-04-02", "2027-01-01T00:00:00Z", "next spring", "2026-04-01 by letter"] {
        let room = self::room(&[("calibrated_until", until)]);
        let result = room.run("check runs/good --json -").ends(0).json();
        assert!(result["runs"][0]["findings"].is_null(), "{until}");
        assert_eq!(text(&result["runs"][0]["calibrated_until"]), until);
    }
}

#[test]
fn each_way_to_write_them_wrong_is_told_at_its_place() {
    let long = "x".repeat(1001);
    for (value, code) in [
        ("''", "empty-text"),
        ("\"a\\u0007b\"", "control-character"),
        ("\"two\\nlines\"", "control-character"),
        ("[a, b]", "wrong-shape"),
        (long.as_str(), "too-long"),
    ] {
        for key in ["operator", "instrument", "calibrated_until", "injection"] {
            let ran = room(&[(key, value)]).run("check runs/good").ends(2);
            assert!(ran.stderr.contains(code), "{key}: {value}: {}", ran.stderr);
            assert!(ran.stderr.contains("run.yaml:9:"), "{}", ran.stderr);
        }
    }
    let ran = room(&[("operater", "x")]).run("check runs/good").ends(2);
    assert!(ran.stderr.contains("operator"), "{}", ran.stderr);
}

#[test]
fn marks_of_direction_reach_no_terminal_and_no_page_as_they_are() {
    let room = room(&[("operator", "\"early \\u202eshift <b>\""), ("calibrated_until", "2026-04-01")]);
    let ran = room.run("check runs/good --json r.json --junit r.xml --html r.html --markdown r.md").ends(0);
    for shown in [ran.out(), &room.read("r.html"), &room.read("r.md")] {
        assert!(!shown.contains('\u{202e}') && !shown.contains("shift <b>"));
    }
    let result: Value = serde_json::from_str(&room.read("r.json")).unwrap();
    assert_eq!(text(&result["runs"][0]["operator"]), "early \u{202e}shift <b>");
}
