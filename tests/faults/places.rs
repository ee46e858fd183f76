//! What is wrong at a place has that place in the JSON too, whatever finds it.

use crate::tool::gauge;
use crate::tool::{Room, list, text};
use serde_json::Value;

/// `file:line:column key code` of each entry.
fn places(entries: &Value) -> Vec<String> {
    let number = |entry: &Value, key: &str| entry[key].as_u64().map_or("-".to_owned(), |n| n.to_string());
    let place = |entry: &Value| {
        let (line, column) = (number(entry, "line"), number(entry, "column"));
        let key = entry["key"].as_str().unwrap_or("-");
        format!("{}:{line}:{column} {key} {}", text(&entry["file"]), text(&entry["code"]))
    };
    list(entries).iter().map(place).collect()
}

/// What `check` and `lint` say of a small project in which one text was put in the place of another.
#[track_caller]
fn both_say(room: &Room, expected: &[&str]) {
    let check = room.run("check runs --json -").ends(2).json();
    assert_eq!(places(&check["errors"]), expected);
    let lint = room.run("lint runs --json -").ends(2).json();
    assert_eq!(places(&lint["findings"]), expected);
}

#[test]
fn an_unknown_product_is_told_where_the_run_names_it() {
    let room = gauge::room();
    room.edit("runs/good/run.yaml", "product: gauge", "product: gadget");
    both_say(&room, &["runs/good/run.yaml:2:10 product spec-missing"]);
    let ran = room.run("check runs").ends(2);
    assert!(
        ran.stderr.contains("specs/gadget.yaml is not there") && ran.stderr.contains("2 | product: gadget")
    );
}

#[test]
fn a_spec_of_another_name_is_told_where_it_names_its_product() {
    let room = gauge::room();
    room.edit("specs/gauge.yaml", "product: gauge", "product: gouge");
    both_say(&room, &["specs/gauge.yaml:2:10 product spec-name", "runs/good/run.yaml:2:10 product run-spec"]);
    // The product may come from a file that is extended.
    room.write("specs/gauge.yaml", "extends: whole.yaml\n");
    room.write("specs/whole.yaml", gauge::SPEC.replace("product: gauge", "product: gouge"));
    both_say(&room, &["specs/whole.yaml:2:10 product spec-name", "runs/good/run.yaml:2:10 product run-spec"]);
}

#[test]
fn a_run_of_another_product_than_the_spec_given_is_told_where_it_names_it() {
    let room = gauge::room();
    room.write("other.yaml", gauge::SPEC.replace("product: gauge", "product: other"));
    let result = room.run("check runs --specs other.yaml --json -").ends(2).json();
    assert_eq!(places(&result["errors"]), ["runs/good/run.yaml:2:10 product run-product"]);
}

#[test]
fn a_broken_spec_is_told_at_its_place_and_where_the_run_names_it() {
    let room = gauge::room();
    room.edit("specs/gauge.yaml", "step: 3 dB", "step: 3 kHz");
    both_say(
        &room,
        &["specs/gauge.yaml:27:9 linearity.step wrong-unit", "runs/good/run.yaml:2:10 product run-spec"],
    );
}

#[test]
fn missing_sweeps_are_told_where_the_first_is_listed() {
    let room = gauge::room();
    for name in ["a-check.csv", "b.csv"] {
        std::fs::remove_file(room.path(&format!("runs/good/{name}"))).unwrap();
    }
    both_say(&room, &["runs/good/run.yaml:12:12 sweeps[2].file sweeps-missing"]);
}

#[test]
fn one_missing_sweep_is_told_where_it_is_listed() {
    let room = gauge::room();
    std::fs::remove_file(room.path("runs/good/b.csv")).unwrap();
    both_say(&room, &["runs/good/run.yaml:13:12 sweeps[3].file file-missing"]);
}

#[test]
fn a_key_written_with_escapes_does_not_lose_its_map() {
    let room = gauge::room();
    room.edit("runs/good/run.yaml", "notes: none", "\"not\\u0065d\": none");
    both_say(&room, &["runs/good/run.yaml:1:1 noted unknown-key"]);
    room.write("runs/good/run.yaml", gauge::RUN.replace("notes: none", "\"not\\u0065s\": [none]"));
    both_say(&room, &["runs/good/run.yaml:1:1 notes wrong-shape"]);
}

#[test]
fn a_label_that_drift_misses_is_told_at_the_start_of_the_run() {
    let room = gauge::room();
    room.edit("runs/good/run.yaml", "build: 2026-W14\n", "");
    let lint = room.run("lint runs --json -").ends(0).json();
    assert_eq!(places(&lint["findings"]), ["runs/good/run.yaml:1:1 - no-drift-label"]);
}

#[test]
fn an_accepted_unit_in_a_wrong_place_is_told_where_it_names_itself() {
    let room = gauge::room();
    room.run("accept runs --baseline accepted").ends(0);
    let whole = room.read("accepted/gauge/RG-00042.yaml");
    for (old, new, key) in
        [("product: gauge", "product: other", "product"), ("serial: RG-00042", "serial: RG-00043", "serial")]
    {
        room.write("accepted/gauge/RG-00042.yaml", whole.replacen(old, new, 1));
        let result = room.run("check runs --baseline accepted --json -").ends(2).json();
        let line = whole.lines().position(|line| line == old).unwrap() + 1;
        let column = key.len() + 3;
        let place = format!("accepted/gauge/RG-00042.yaml:{line}:{column} {key} baseline-place");
        assert_eq!(places(&result["errors"]), [place]);
    }
}
