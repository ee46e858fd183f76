//! The demo data: it comes out of its generator again, and every planted fault gets its verdict on the check that shows it.

#![cfg(all(feature = "cli", unix))]
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test that cannot run its own program must stop"
)]

#[expect(dead_code, reason = "the generator's own entry, built as an example, is not called here")]
#[path = "../examples/make-demo/main.rs"]
mod make_demo;
mod tool;

use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};
use tool::{Ran, Room, checkout, list, text, verdicts, xml};

/// All files below a folder, by their path in it.
fn files(root: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let entries = walkdir::WalkDir::new(root).into_iter().map(Result::unwrap);
    entries
        .filter(|entry| entry.file_type().is_file())
        .map(|entry| (entry.path().strip_prefix(root).unwrap().to_owned(), fs::read(entry.path()).unwrap()))
        .collect()
}

#[test]
fn the_generator_writes_the_committed_bytes() {
    let room = Room::empty();
    make_demo::make(&room.path("demo-data")).unwrap();
    let (made, mut committed) = (files(&room.path("demo-data")), files(&checkout().join("demo-data")));
    // The accepted unit is held to what `accept` writes, in `tests/baseline.rs`.
    committed.retain(|path, _| !path.starts_with("baseline"));
    assert!(made.len() > 200, "{}", made.len());
    assert_eq!(made.keys().collect::<Vec<_>>(), committed.keys().collect::<Vec<_>>());
    for (path, bytes) in &made {
        assert!(committed[path] == *bytes, "{} is not what the generator writes", path.display());
    }
}

/// A row of the table in the demo's README.
struct Planted {
    run: String,
    verdict: String,
    /// Text of the column that names the checks.
    shown_by: String,
}

fn table() -> Vec<Planted> {
    let readme = fs::read_to_string(checkout().join("demo-data/README.md")).unwrap();
    let rows = readme.lines().filter(|line| line.starts_with("| `rev-"));
    rows.map(|row| {
        let cells: Vec<&str> = row.trim_matches('|').split('|').map(str::trim).collect();
        let [run, _, verdict, shown_by] = cells[..] else { panic!("{row}") };
        Planted {
            run: format!("demo-data/{}", run.trim_matches('`')),
            verdict: verdict.to_owned(),
            shown_by: shown_by.to_owned(),
        }
    })
    .collect()
}

/// Texts between backticks.
fn quoted(text: &str) -> impl Iterator<Item = &str> {
    text.split('`').skip(1).step_by(2)
}

/// Checks that must have the run's verdict.
fn expected(row: &Planted, run: &Value) -> BTreeSet<String> {
    let before_remark = row.shown_by.split('(').next().unwrap();
    if let Some(check) = before_remark.strip_suffix(" of every corner") {
        let check = quoted(check).next().unwrap();
        return list(&run["corners"])
            .iter()
            .map(|corner| format!("{}/{check}", text(&corner["corner"])))
            .collect();
    }
    quoted(before_remark).map(str::to_owned).collect()
}

#[test]
fn every_planted_fault_is_found_where_it_shows_and_nothing_else() {
    let result = tool::demo("check demo-data --json -").ends(2).json();
    let runs: BTreeMap<&str, &Value> =
        list(&result["runs"]).iter().map(|run| (text(&run["run"]), run)).collect();
    let table = table();
    assert!(table.len() >= 18, "{}", table.len());
    let mut judged = 0;
    for row in &table {
        if row.verdict == "unreadable" {
            assert!(!runs.contains_key(row.run.as_str()));
            let errors = list(&result["errors"]);
            let of_run = errors.iter().find(|error| text(&error["file"]).starts_with(&row.run));
            let error = of_run.unwrap_or_else(|| panic!("{}: not listed in {errors:?}", row.run));
            assert_eq!((&error["line"], &error["column"]), (&59.into(), &2.into()));
            assert!(text(&error["message"]).contains("`--`"), "{error}");
            continue;
        }
        judged += 1;
        let run = runs.get(row.run.as_str()).unwrap_or_else(|| panic!("{} was not judged", row.run));
        assert_eq!(text(&run["verdict"]), row.verdict, "{}", row.run);
        let shown: BTreeSet<String> = verdicts(run)
            .into_iter()
            .filter(|(_, verdict)| *verdict == row.verdict)
            .map(|(check, _)| check)
            .collect();
        if row.verdict == "pass" {
            let others: Vec<_> = verdicts(run)
                .into_iter()
                .filter(|(check, verdict)| verdict != "pass" && !check.contains("/regression."))
                .collect();
            assert!(others.is_empty(), "{}: {others:?}", row.run);
        } else {
            assert_eq!(shown, expected(row, run), "{}", row.run);
            let remark = row.shown_by.contains("waived").then_some("cold-start/crossover");
            for (check, verdict) in verdicts(run) {
                let allowed = verdict == row.verdict
                    || verdict == "pass"
                    || verdict == "not_judged"
                    || (verdict == "waived" && Some(check.as_str()) == remark);
                assert!(allowed, "{}: {check} is {verdict}", row.run);
            }
        }
    }
    assert_eq!(judged, runs.len());
}

/// Numbers of a row of the terminal's table: all, invalid, missing, fail, undecided, waived, pass, not judged.
fn row(ran: &Ran, name: &str) -> Vec<usize> {
    let line = ran.out().lines().find(|line| line.split_whitespace().next() == Some(name)).unwrap();
    line.split_whitespace().skip(1).map(|number| number.parse().unwrap()).collect()
}

#[test]
fn terminal_json_and_junit_count_the_same() {
    let room = Room::demo();
    let ran = room.run("check demo-data --json all.json --junit all.xml").ends(2);
    let result: Value = serde_json::from_str(&room.read("all.json")).unwrap();
    let report = xml::read(room.read("all.xml").as_bytes());
    let runs = list(&result["runs"]);
    let corners: Vec<&Value> = runs.iter().flat_map(|run| list(&run["corners"])).collect();
    let checks: Vec<&Value> = corners.iter().flat_map(|corner| list(&corner["checks"])).collect();
    let of = |items: &[&Value], verdict: &str| items.iter().filter(|item| item["verdict"] == verdict).count();
    let counts = |items: &[&Value]| -> Vec<usize> {
        let verdicts = ["invalid", "missing", "fail", "undecided", "waived", "pass", "not_judged"];
        std::iter::once(items.len()).chain(verdicts.map(|verdict| of(items, verdict))).collect()
    };
    assert_eq!(row(&ran, "runs"), counts(&runs.iter().collect::<Vec<_>>()));
    assert_eq!(row(&ran, "corners"), counts(&corners));
    assert_eq!(row(&ran, "checks"), counts(&checks));
    assert!(ran.out().contains("1 run could not be read"), "{}", ran.out());
    let suites: Vec<_> = report.children.iter().filter(|suite| !suite.is_unreadable()).collect();
    let sum = |attribute: &str| suites.iter().map(|suite| suite.number(attribute)).sum::<usize>();
    assert_eq!(suites.len(), runs.len());
    assert_eq!(sum("tests"), checks.len());
    assert_eq!(sum("failures"), of(&checks, "fail"));
    assert_eq!(sum("errors"), of(&checks, "invalid") + of(&checks, "missing") + of(&checks, "undecided"));
    assert_eq!(sum("skipped"), of(&checks, "waived") + of(&checks, "not_judged"));
    // The unreadable run has its suite too.
    assert_eq!(report.children.len(), runs.len() + 1);
}

/// Every suite lists the checks of its run, in the result's order.
#[test]
fn junit_lists_the_checks_that_json_lists() {
    let result = tool::demo("check demo-data --json -").ends(2).json();
    let report = xml::read(&tool::demo("check demo-data --junit -").ends(2).stdout);
    let suites = report.children.iter().filter(|suite| !suite.is_unreadable());
    for (suite, run) in suites.zip(list(&result["runs"])) {
        let listed: Vec<(String, String)> = verdicts(run)
            .into_iter()
            .map(|(name, _)| {
                let (corner, check) = name.split_once('/').unwrap();
                (format!("{}.{}", text(&run["product"]), corner.replace('.', "_")), check.to_owned())
            })
            .collect();
        assert_eq!(suite.cases(), listed, "{}", text(&run["run"]));
    }
}
