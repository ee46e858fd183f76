//! What `drift` writes: keys and types of its JSON, its JUnit XML, and hostile text in all of it.

use super::keep::with;
use super::line::{DRIFT, drifted, judged, number, room, singles, unit};
use crate::tool::{Ran, list, text, xml};
use loopgauge::check::{RunOutcome, Verdict};
use loopgauge::spec::Drift;
use serde_json::{Value, json};

const ALL: Drift = Drift { capability_min: Some(1.33), forecast_groups: Some(6), ..DRIFT };

/// A line that creeps, with a step, a retest, a reference and a bound.
fn rich() -> Vec<RunOutcome> {
    let mut runs: Vec<RunOutcome> = (0..12)
        .flat_map(|k| {
            let wobble = [0.0, 0.1, -0.1, 0.05][k % 4];
            let mean = 56.0 - 0.4 * k as f64 + wobble;
            let build = format!("W{:02}", k + 1);
            [
                unit(&format!("A{k:02}"), &build, k, mean - 0.3),
                unit(&format!("B{k:02}"), &build, k, mean + 0.3),
            ]
        })
        .collect();
    runs.insert(0, judged(unit("A00", "W01", 0, 49.0), Verdict::Fail));
    let mut reference = unit("REF", "W01", 0, 60.0);
    reference.is_reference = true;
    runs.push(reference);
    runs
}

fn is_number(value: &Value) {
    assert!(value.as_f64().is_some_and(f64::is_finite), "{value}");
}

fn is_number_or_null(value: &Value) {
    assert!(value.is_null() || value.as_f64().is_some_and(f64::is_finite), "{value}");
}

#[track_caller]
fn keys(value: &Value, wanted: &[&str]) {
    let map = value.as_object().unwrap_or_else(|| panic!("no map: {value}"));
    for key in wanted {
        assert!(map.contains_key(*key), "{key} is not in {value}");
    }
}

fn shape(result: &Value) {
    keys(result, &["format", "verdict", "series"]);
    assert_eq!(result["format"], 1);
    for series in list(&result["series"]) {
        keys(
            series,
            &[
                "product",
                "corner",
                "quantity",
                "unit",
                "verdict",
                "groups",
                "center",
                "sigma",
                "signals",
                "trend",
                "forecast",
                "capability",
                "message",
            ],
        );
        for key in ["product", "corner", "quantity", "unit", "message"] {
            text(&series[key]);
        }
        assert!(["pass", "fail", "undecided", "not_judged"].contains(&text(&series["verdict"])));
        is_number_or_null(&series["center"]);
        is_number_or_null(&series["sigma"]);
        for group in list(&series["groups"]) {
            keys(group, &["group", "units", "mean", "sd", "min", "max"]);
            text(&group["group"]);
            assert!(group["units"].is_u64());
            ["mean", "sd", "min", "max"].iter().for_each(|key| is_number_or_null(&group[*key]));
        }
        for signal in list(&series["signals"]) {
            keys(signal, &["group", "rule", "message"]);
            ["group", "rule", "message"].iter().for_each(|key| assert!(signal[*key].is_string(), "{signal}"));
        }
        if !series["trend"].is_null() {
            ["per_group", "low", "high"].iter().for_each(|key| is_number(&series["trend"][*key]));
        }
        if !series["forecast"].is_null() {
            keys(&series["forecast"], &["reaches", "in_groups", "low", "high"]);
            let reaches = series["forecast"]["reaches"].as_object().unwrap();
            assert_eq!(reaches.values().filter(|bound| !bound.is_null()).count(), 1, "one side: {reaches:?}");
            is_number(&series["forecast"]["in_groups"]);
            is_number_or_null(&series["forecast"]["low"]);
            is_number_or_null(&series["forecast"]["high"]);
        }
        if !series["capability"].is_null() {
            ["ppk", "low"].iter().for_each(|key| is_number(&series["capability"][*key]));
        }
    }
}

#[test]
fn the_result_has_its_shape() {
    for runs in [rich(), singles(&[54.0]), singles(&[54.0, 55.0, 56.0, 55.0, 54.5])] {
        let room = room(&ALL, &runs);
        let ran = room.run("drift --history h.db --json -");
        shape(&ran.json());
        // Same input, same bytes; a file holds what standard output does.
        let again =
            room.run("drift --history h.db --json drift.json --junit drift.xml").ends(ran.status.unwrap());
        assert_eq!(room.read("drift.json"), ran.out());
        assert!(again.out().starts_with("The"), "{}", again.out());
        assert_eq!(room.names("."), ["drift.json", "drift.xml", "h.db"]);
    }
}

#[test]
fn the_worst_series_is_the_verdict() {
    let result = drifted(&room(&ALL, &rich()), 1);
    let verdicts: Vec<&str> = list(&result["series"]).iter().map(|series| text(&series["verdict"])).collect();
    assert_eq!((&result["verdict"], verdicts.contains(&"fail")), (&json!("fail"), true));
    assert_eq!(result["products"][0]["retested"][0]["serial"], "A00");
}

/// A case per series and rule; a failure for what fails, an error for what is undecided, skipped what is not judged.
#[test]
fn suites_count_what_json_counts() {
    let mut other = singles(&[56.0, 56.1, 55.9, 56.0, 56.1]);
    other.iter_mut().for_each(|run| run.product = "river-gauge-3v3".to_owned());
    let room = room(&ALL, &rich());
    super::line::tell(&room, &ALL, &other);
    let result = room.run("drift --history h.db --json drift.json --junit -").ends(1);
    let root = xml::read(&result.stdout);
    let json: Value = serde_json::from_str(&room.read("drift.json")).unwrap();
    assert_eq!(root.children.len(), 2);
    for (suite, product) in root.children.iter().zip(list(&json["products"])) {
        let own = list(&json["series"]).iter().filter(|series| series["product"] == product["product"]);
        let rules: Vec<&str> =
            own.flat_map(|s| list(&s["rules"])).map(|rule| text(&rule["verdict"])).collect();
        let count = |verdict: &str| rules.iter().filter(|own| **own == verdict).count();
        assert!(suite.get("name").contains(text(&product["product"])));
        assert_eq!(suite.number("tests"), rules.len());
        assert_eq!(suite.number("failures"), count("fail"));
        assert_eq!(suite.number("errors"), count("undecided"));
        assert_eq!(suite.number("skipped"), count("not_judged"));
    }
    assert!(root.children.iter().map(|suite| suite.number("failures")).sum::<usize>() > 0);
}

#[test]
fn a_rule_keeps_its_name_whatever_it_comes_to() {
    let cases = |runs: &[RunOutcome]| {
        let ran = room(&ALL, runs).run("drift --history h.db --junit -");
        xml::read(&ran.stdout).children[0].cases()
    };
    assert_eq!(cases(&rich()), cases(&singles(&[54.0])));
}

#[test]
fn outputs_go_to_one_place_each() {
    let room = room(&DRIFT, &singles(&[54.0, 55.0]));
    for words in ["--json - --junit -", "--json out --junit out", "--json out --junit ./out"] {
        let ran = room.run(&format!("drift --history h.db {words}")).ends(2);
        assert!(ran.out().is_empty() && ran.stderr.contains("--junit"), "{words}: {}", ran.stderr);
        assert_eq!(room.names("."), ["h.db"]);
    }
    // One that cannot be written is named; the other is there.
    let ran = room.run("drift --history h.db --json no/such/d.json --junit d.xml").ends(2);
    assert!(ran.stderr.contains("no/such/d.json"), "{}", ran.stderr);
    xml::read(room.read("d.xml").as_bytes());
    // A history is no place for an output.
    let before = std::fs::read(room.path("h.db")).unwrap();
    for command in [
        "drift --history h.db --json h.db",
        "drift --history ./h.db --junit h.db --json -",
        "history export h.db --csv ./h.db",
        #[cfg(feature = "parquet")]
        "history export h.db --csv - --parquet h.db",
        "check nowhere --record h.db --json h.db",
        "check nowhere --record h.db --junit ./h.db",
        "check nowhere --record new.db --junit new.db",
    ] {
        let ran = room.run(command).ends(2);
        assert!(ran.stderr.contains("names the history"), "{command}: {}", ran.stderr);
        assert!(std::fs::read(room.path("h.db")).unwrap() == before, "{command}");
    }
    assert!(!room.path("new.db").exists());
}

/// What must not reach a terminal raw: controls, and marks that turn the direction of text.
fn is_dangerous(c: char) -> bool {
    (c.is_control() && c != '\n' && c != '\t')
        || matches!(c, '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{2028}' | '\u{2029}')
}

#[track_caller]
fn harmless(ran: &Ran) {
    for stream in [ran.out(), ran.stderr.as_str()] {
        let bad = stream.chars().find(|c| is_dangerous(*c));
        assert!(bad.is_none(), "{bad:?} in {stream:?}");
    }
}

const HOSTILE: &str = "\x1b[31mred\u{7}\u{202e}back\u{2066}\u{9b}1m<b>&amp;]]>'\"{x}%s\\";

#[test]
fn hostile_labels_stay_text() {
    let mut runs = rich();
    for (k, run) in runs.iter_mut().enumerate() {
        let hostile = |label: &str| format!("{HOSTILE}{label}");
        run.serial = hostile(&run.serial);
        run.build = run.build.as_deref().map(hostile);
        run.station = Some(hostile(if k < 12 { "1" } else { "2" }));
        run.revision = hostile(if k < 12 { "B" } else { "C" });
        run.firmware = Some(hostile("2"));
        run.run = hostile("run");
        run.corners[0].corner = hostile("24V-3A");
    }
    let room = room(&ALL, &runs);
    for words in ["", "-v", "--json d.json --junit d.xml"] {
        harmless(&room.run(&format!("drift --history h.db {words}")).ends(1));
    }
    let json: Value = serde_json::from_str(&room.read("d.json")).unwrap();
    shape(&json);
    assert_eq!(json["series"][0]["corner"], format!("{HOSTILE}24V-3A"));
    assert_eq!(json["series"][0]["groups"][0]["group"], format!("{HOSTILE}W01"));
    assert_eq!(json["products"][0]["retested"][0]["serial"], format!("{HOSTILE}A00"));
    let report = room.read("d.xml");
    assert!(!report.chars().any(|c| c.is_control() && c != '\n'));
    xml::read(report.as_bytes());
    harmless(&room.run("history list h.db").ends(0));
    harmless(&room.run("history check h.db").ends(0));
    harmless(&with(&room, &["history", "mark", "h.db", "1", "--reason", HOSTILE]).ends(0));
    let marked = room.run("history list h.db --marked").ends(0);
    harmless(&marked);
    assert_eq!(marked.out().lines().count(), 2);
    harmless(&with(&room, &["drift", "--history", "h.db", "--product", HOSTILE]).ends(2));
    harmless(&with(&room, &["drift", "--history", HOSTILE]).ends(2));
}

/// A line end or a tab in a reason must not make two records or columns of one.
#[test]
fn a_reason_stays_on_its_line() {
    let room = room(&DRIFT, &singles(&[54.0]));
    with(&room, &["history", "mark", "h.db", "1", "--reason", "one\ntwo\tthree"]).ends(0);
    let listed = room.run("history list h.db").ends(0);
    assert_eq!(listed.out().lines().count(), 2, "{}", listed.out());
    assert_eq!(listed.out().lines().nth(1).unwrap().split('\t').count(), 11);
}

#[test]
fn numbers_in_the_text_are_those_of_the_json() {
    let room = room(&ALL, &rich());
    let result = drifted(&room, 1);
    let ppk = number(&result["series"][0]["capability"]["ppk"]);
    let told = room.run("drift --history h.db").ends(1);
    assert!(told.out().contains(&format!("Ppk {ppk:.2}")), "{}", told.out());
}
