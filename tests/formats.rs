//! The formats that other programs read: keys and types of the JSON results, and what hostile text becomes in every output.

#![cfg(all(feature = "cli", unix))]
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test that cannot run its own program must stop"
)]

#[path = "formats/side_by_side.rs"]
mod side_by_side;
mod tool;

use serde_json::{Map, Value};
use std::fs;
use tool::gauge::{self, GOOD};
use tool::{Ran, Room, checkout, command, demo, finish, list, text, verdicts, xml};

/// The type that a value must have.
enum Shape {
    Text,
    Number,
    /// A whole number, not below 0.
    Count,
    Flag,
    /// One of these words.
    Word(&'static [&'static str]),
    /// This shape, or `null` where it does not exist.
    Maybe(&'static Shape),
    List(&'static Shape),
    /// Exactly this many.
    Tuple(usize, &'static Shape),
    /// A map with keys of its own choice.
    Map(&'static Shape),
    /// A map with exactly these keys; one that ends in `?` may be left out.
    Keys(&'static [(&'static str, Shape)]),
    /// A map with at most these keys, at least one.
    Some(&'static [(&'static str, Shape)]),
}

use Shape::{Count, Flag, Keys, List, Maybe, Number, Some as Any, Text, Tuple, Word};

impl Shape {
    /// Fails with the path of the first value that has another shape.
    fn check(&self, value: &Value, path: &str) {
        let is_right = match (self, value) {
            (Text, Value::String(_)) | (Flag, Value::Bool(_)) => true,
            (Number, Value::Number(number)) => number.as_f64().is_some_and(f64::is_finite),
            (Count, Value::Number(number)) => number.as_u64().is_some(),
            (Word(words), Value::String(word)) => words.contains(&word.as_str()),
            (Maybe(_), Value::Null) => true,
            (Maybe(shape), value) => return shape.check(value, path),
            (Tuple(count, _), Value::Array(items)) if items.len() != *count => false,
            (List(shape) | Tuple(_, shape), Value::Array(items)) => {
                for (index, item) in items.iter().enumerate() {
                    shape.check(item, &format!("{path}[{index}]"));
                }
                true
            }
            (Self::Map(shape), Value::Object(map)) => {
                map.iter().for_each(|(key, value)| shape.check(value, &format!("{path}.{key}")));
                true
            }
            (Keys(keys), Value::Object(map)) => {
                let missing = keys.iter().find(|(key, _)| !key.ends_with('?') && !map.contains_key(*key));
                assert!(missing.is_none(), "{path} lacks {}", missing.unwrap().0);
                known(keys, map, path);
                true
            }
            (Any(keys), Value::Object(map)) => {
                known(keys, map, path);
                !map.is_empty()
            }
            _ => false,
        };
        assert!(is_right, "{path} is {value}");
    }
}

fn known(keys: &[(&str, Shape)], map: &Map<String, Value>, path: &str) {
    for (key, value) in map {
        let (_, shape) = keys
            .iter()
            .find(|(known, _)| known.trim_end_matches('?') == key)
            .unwrap_or_else(|| panic!("{path}.{key} is not part of the format"));
        shape.check(value, &format!("{path}.{key}"));
    }
}

const OVERALL: Shape = Word(&["invalid", "missing", "fail", "undecided", "waived", "pass"]);
const OF_CHECK: Shape = Word(&["invalid", "missing", "fail", "undecided", "waived", "pass", "not_judged"]);
/// What each source contributes to the uncertainty; silent ones are left out.
const BUDGET: Shape = Keys(&[
    ("gain?", Number),
    ("phase?", Number),
    ("delay?", Number),
    ("noise?", Number),
    // Without bound where the curve runs along its line.
    ("rounding?", Maybe(&Number)),
    ("density?", Number),
    ("level?", Number),
    ("impedance_ratio?", Number),
]);
const MEASURED: Shape = Keys(&[
    ("value", Number),
    ("uncertainty", Maybe(&Number)),
    ("at_hz", Number),
    ("budget?", BUDGET),
    ("simulated?", Flag),
]);
const GAIN_MARGIN: Shape = Keys(&[
    ("value", Number),
    ("uncertainty", Maybe(&Number)),
    ("at_hz", Number),
    ("at_least", Flag),
    ("budget?", BUDGET),
    ("simulated?", Flag),
]);
const CHECK: Shape = Keys(&[
    ("check", Text),
    ("verdict", OF_CHECK),
    ("value", Maybe(&Number)),
    ("uncertainty", Maybe(&Number)),
    ("unit", Maybe(&Word(&["Hz", "deg", "dB", "s", ""]))),
    ("limit", Maybe(&Any(&[("min", Number), ("max", Number)]))),
    ("conformity", Maybe(&Number)),
    ("at_hz", Maybe(&Number)),
    ("message", Text),
    ("remedy?", Maybe(&Text)),
    ("range_hz?", List(&Number)),
]);
const CORNER: Shape = Keys(&[
    ("corner", Text),
    ("conditions", Shape::Map(&Text)),
    ("verdict", OF_CHECK),
    (
        "judged",
        Maybe(&Keys(&[("files", List(&Text)), ("level", Maybe(&Text)), ("confirmed_by", List(&Text))])),
    ),
    (
        "measured",
        Maybe(&Keys(&[
            ("crossover_hz", Maybe(&MEASURED)),
            ("phase_margin_deg", Maybe(&MEASURED)),
            ("gain_margin_db", Maybe(&GAIN_MARGIN)),
            ("gain_reduction_margin_db", Maybe(&MEASURED)),
            ("stability_margin", Maybe(&MEASURED)),
            ("delay_margin_s", Maybe(&MEASURED)),
            ("crossings", Count),
        ])),
    ),
    ("checks", List(&CHECK)),
    ("findings", List(&Text)),
]);
const PART: Shape = Keys(&[
    ("part", Text),
    ("unit", Word(&["ohm", "F", "H", ""])),
    ("nominal", Number),
    ("value", Maybe(&Number)),
    ("uncertainty", Maybe(&Number)),
    ("informed", Number),
]);
const PART_CHANGE: Shape = Keys(&[
    ("part", Text),
    ("change", Maybe(&Number)),
    ("uncertainty", Maybe(&Number)),
    ("informed", Number),
]);
const CAUSE: Shape = Keys(&[
    ("part", Text),
    ("change", Maybe(&Number)),
    ("uncertainty", Maybe(&Number)),
    ("probability", Number),
]);
const CIRCUIT: Shape = Keys(&[
    ("parts", List(&PART)),
    ("not_separable", List(&Tuple(2, &Text))),
    (
        "together",
        List(&Keys(&[
            ("parts", Tuple(2, &Text)),
            ("known", Word(&["product", "ratio"])),
            ("uncertainty", Number),
        ])),
    ),
    ("causes", List(&CAUSE)),
    (
        "change",
        Maybe(&Keys(&[
            ("of", Text),
            ("parts", List(&PART_CHANGE)),
            ("changes", Count),
            ("explained", Maybe(&Count)),
        ])),
    ),
    ("unexplained", Maybe(&Number)),
    ("discrepancy", Number),
    // By corner, margin and part: change per +1 %.
    ("sensitivity", Shape::Map(&Shape::Map(&Shape::Map(&Number)))),
    (
        "information",
        Maybe(&Keys(&[("scales", List(&Number)), ("precision", List(&Number)), ("pull", List(&Number))])),
    ),
]);
const ERROR: Shape = Keys(&[
    ("file", Maybe(&Text)),
    ("line", Maybe(&Count)),
    ("column", Maybe(&Count)),
    ("key", Maybe(&Text)),
    ("code", Text),
    ("message", Text),
    ("help", Maybe(&Text)),
]);
const RESULT: Shape = Keys(&[
    ("format", Count),
    ("tool", Text),
    ("verdict", Maybe(&OVERALL)),
    (
        "runs",
        List(&Keys(&[
            ("run", Text),
            ("product", Text),
            ("serial", Text),
            ("revision", Text),
            ("firmware", Maybe(&Text)),
            ("build", Maybe(&Text)),
            ("taken", Maybe(&Text)),
            ("station", Maybe(&Text)),
            ("title", Maybe(&Text)),
            ("operator", Maybe(&Text)),
            ("instrument", Maybe(&Text)),
            ("calibrated_until", Maybe(&Text)),
            ("injection", Maybe(&Text)),
            ("notes", Maybe(&Text)),
            ("findings?", List(&Text)),
            ("reference?", Flag),
            ("spec", Text),
            ("spec_sha256?", Text),
            ("files?", List(&Keys(&[("file", Text), ("sha256", Text), ("bytes", Count)]))),
            ("coverage", Number),
            ("verdict", OVERALL),
            ("corners", List(&CORNER)),
            ("circuit?", CIRCUIT),
        ])),
    ),
    ("serials", List(&Keys(&[("serial", Text), ("verdict", OVERALL), ("products", List(&Text))]))),
    ("errors", List(&ERROR)),
]);
const CROSSOVERS: Shape = List(&Keys(&[
    ("frequency_hz", Number),
    ("phase_margin_deg", Number),
    ("direction", Word(&["falling", "rising"])),
]));
const PHASE_CROSSOVERS: Shape = List(&Keys(&[("frequency_hz", Number), ("gain_margin_db", Number)]));
const INSPECTED: Shape = Keys(&[
    ("format", Count),
    (
        "sweeps",
        List(&Keys(&[
            ("file", Text),
            ("points", Count),
            ("band_hz", Tuple(2, &Number)),
            ("crossovers", CROSSOVERS),
            ("phase_crossovers", PHASE_CROSSOVERS),
            ("crossover_hz", Maybe(&MEASURED)),
            ("phase_margin_deg", Maybe(&MEASURED)),
            ("gain_margin_db", Maybe(&GAIN_MARGIN)),
            ("gain_reduction_margin_db", Maybe(&MEASURED)),
            ("stability_margin", Maybe(&MEASURED)),
            ("delay_margin_s", Maybe(&MEASURED)),
            ("noise_percent", Maybe(&Number)),
            ("findings", List(&Text)),
        ])),
    ),
]);

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

/// What must not reach a terminal raw: controls except the line end, and marks that turn the direction of text.
fn is_dangerous(c: char) -> bool {
    (c.is_control() && c != '\n')
        || matches!(c, '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{2028}' | '\u{2029}')
}

#[track_caller]
fn harmless(ran: &Ran) {
    for stream in [ran.out(), ran.stderr.as_str()] {
        let bad = stream.chars().find(|c| is_dangerous(*c));
        assert!(bad.is_none(), "{bad:?} in {stream:?}");
    }
}

/// As YAML writes it in double quotes: an escape sequence, a bell, a turn of direction, markup, an end mark, a line end.
const HOSTILE: &str = r#"\e[31mred\a\u202Eback\u2066\x9b1m<b>&amp;]]>'\"\n::error::\r\t\u2028{x}%s\\"#;

/// The same, as it is.
fn hostile() -> String {
    "\x1b[31mred\u{7}\u{202e}back\u{2066}\u{9b}1m<b>&amp;]]>'\"\n::error::\r\t\u{2028}{x}%s\\".to_owned()
}

/// What is left where controls and line ends are refused.
const ODD: &str = r#"\u202Eback\u2066<b>&amp;]]>'\"{x}%s\\"#;

/// The same, as it is.
const ODD_TEXT: &str = "\u{202e}back\u{2066}<b>&amp;]]>'\"{x}%s\\";

/// The small project with a hostile text in one field.
fn hostile_room(file: &str, old: &str, new: &str) -> Room {
    let room = gauge::room();
    room.edit(file, old, &new.replace("HOSTILE", HOSTILE).replace("ODD", ODD));
    room
}

/// Whatever the run comes to, no output is broken.
fn outputs_hold(room: &Room) -> (Ran, Value) {
    let ran = room.run("check runs -v --json all.json --junit all.xml");
    assert!(matches!(ran.status, Some(0..=2)) && !ran.stderr.contains("panicked"), "{}", ran.stderr);
    harmless(&ran);
    harmless(&room.run("lint specs runs"));
    harmless(&room.run("check runs"));
    let result: Value = serde_json::from_str(&room.read("all.json")).unwrap();
    RESULT.check(&result, "result");
    xml::read(room.read("all.xml").as_bytes());
    fs::create_dir_all(room.path("each")).unwrap();
    harmless(&room.run("check runs --junit each/"));
    for name in room.names("each") {
        assert!(!name.chars().any(is_dangerous), "{name:?}");
        xml::read(room.read(&format!("each/{name}")).as_bytes());
    }
    (ran, result)
}

#[test]
fn hostile_text_in_a_run_stays_text() {
    let run = "runs/good/run.yaml";
    for (old, key) in [
        ("serial: RG-00042", "serial"),
        ("revision: C", "revision"),
        ("firmware: 2.3.1", "firmware"),
        ("build: 2026-W14", "build"),
        ("station: bench-3", "station"),
    ] {
        let (ran, result) = outputs_hold(&hostile_room(run, old, &format!("{key}: \"ODD\"")));
        ran.ends(0);
        assert_eq!(result["runs"][0][key], ODD_TEXT, "{key}");
        // A label is one line: it becomes part of names.
        outputs_hold(&hostile_room(run, old, &format!("{key}: \"HOSTILE\""))).0.ends(2);
    }
    outputs_hold(&hostile_room(run, "notes: none", "notes: \"HOSTILE\"")).0.ends(0);
    for (old, new) in [
        ("product: gauge", "product: \"HOSTILE\""),
        ("taken: 2026-04-02T09:15:00Z", "taken: \"HOSTILE\""),
        ("file: b.csv", "file: \"HOSTILE\""),
        ("corner: 24V-3A, level: -26 dBm", "corner: \"HOSTILE\", level: -26 dBm"),
        ("corner: 24V-3A, level: -26 dBm", "corner: 24V-3A, level: \"HOSTILE\""),
        ("notes: none", "\"HOSTILE\": none"),
        ("notes: none", "reading: {columns: {frequency: {column: \"HOSTILE\", unit: Hz}}}"),
        ("notes: none", "reading: {\"HOSTILE\": 1}"),
    ] {
        let (ran, result) = outputs_hold(&hostile_room(run, old, new));
        ran.ends(2);
        assert!(!list(&result["errors"]).is_empty(), "{new}");
    }
}

#[test]
fn a_hostile_profile_stays_text() {
    let room = gauge::room();
    let level = |offset: &str| format!("{{profile: \"{HOSTILE}\", offset: {offset}}}");
    room.edit(
        "runs/good/run.yaml",
        "file: b.csv, corner: 24V-3A, level: -26 dBm",
        &format!("file: b.csv, corner: 24V-3A, level: {}", level("0 dB")),
    );
    room.edit(
        "runs/good/run.yaml",
        "file: b-check.csv, corner: 24V-3A, level: -23 dBm",
        &format!("file: b-check.csv, corner: 24V-3A, level: {}", level("3 dB")),
    );
    outputs_hold(&room);
}

#[test]
fn hostile_text_in_a_spec_stays_text() {
    let spec = "specs/gauge.yaml";
    for (old, new) in [
        ("title: one rail of the river gauge", "title: \"HOSTILE\""),
        ("reason: \"ECO 17\"", "reason: \"HOSTILE\""),
        ("product: gauge", "product: \"HOSTILE\""),
        ("name: \"{input}-{load}\"", "name: \"HOSTILE{input}-{load}\""),
        ("name: cold", "name: \"HOSTILE\""),
        ("ambient: -30 degC", "\"HOSTILE\": -30 degC"),
        ("ambient: -30 degC", "ambient: \"HOSTILE\""),
        ("[10 V, 24 V]", "[10 V, \"HOSTILE\"]"),
        ("density: 15", "\"HOSTILE\": 15"),
        ("step: 3 dB", "step: \"HOSTILE\""),
        ("corner: cold, check", "corner: \"HOSTILE\", check"),
        ("check: crossover, reason", "check: \"HOSTILE\", reason"),
        ("conditions_tolerance: 2 %", "extends: \"HOSTILE\""),
    ] {
        outputs_hold(&hostile_room(spec, old, new));
    }
    // A reason that is shown, in a waiver that is needed.
    let room = hostile_room(spec, "reason: \"ECO 17\"", "reason: \"HOSTILE\"");
    gauge::add_run(&room, "runs/good", "RG-00042", [12e3, 14e3, 45e3]);
    let (_, result) = outputs_hold(&room);
    let waived = list(&result["runs"][0]["corners"][2]["checks"])
        .iter()
        .find(|check| check["verdict"] == "waived")
        .unwrap();
    assert!(text(&waived["message"]).contains(&hostile()), "{waived}");
    // A corner's name that the run knows too.
    for (name, status) in [(r"co\u202Eld<b>&amp;]]>", 0), (r"co\e[1mld", 2)] {
        let room = gauge::room();
        let named = |text: &str, old: &str| text.replace(old, &old.replace("cold", &format!("\"{name}\"")));
        room.write(spec, named(&named(gauge::SPEC, "name: cold"), "corner: cold"));
        room.write("runs/good/run.yaml", named(gauge::RUN, "corner: cold"));
        let (ran, result) = outputs_hold(&room);
        ran.ends(status);
        if status == 0 {
            assert_eq!(result["runs"][0]["corners"][2]["corner"], "co\u{202e}ld<b>&amp;]]>");
        }
    }
}

#[test]
fn hostile_names_of_files_and_folders_stay_text() {
    let room = gauge::room();
    let name = "runs/\x1b[31m\u{202e}<b>&]]>'\" \n::error::\t";
    gauge::add_run(&room, name, "RG-00043", GOOD);
    let (ran, result) = outputs_hold(&room);
    ran.ends(0);
    let runs: Vec<&str> = list(&result["runs"]).iter().map(|run| text(&run["run"])).collect();
    assert!(runs.contains(&name), "{runs:?}");
    // Broken, so that the name stands in messages.
    room.write(
        &format!("{name}/b.csv"),
        "\x1b[2Jfrequency_hz,\u{202e}gain_db,phase_deg\n1,2,3\n\x1b]0;title\x07,2,3\n",
    );
    let (ran, result) = outputs_hold(&room);
    ran.ends(2);
    assert!(text(&result["errors"][0]["file"]).starts_with(name));
    let sweep = "s\x1b[31m\u{202e}\n.csv";
    room.write(sweep, gauge::sweep(12e3, 0));
    for json in [None, Some("--json"), Some("--color=never")] {
        let mut command = room.command();
        command.args(["inspect", "--critical-point", "+1", sweep, "no\x1b[31m.csv"]);
        if let Some(json) = json {
            command.arg(json);
            if json == "--json" {
                command.arg("out.json");
            }
        }
        harmless(&finish(&mut command).ends(2));
    }
    let inspected: Value = serde_json::from_str(&room.read("out.json")).unwrap();
    assert_eq!(inspected["sweeps"][0]["file"], sweep);
    for output in ["--json", "--junit"] {
        harmless(&finish(room.command().args(["check", "runs/good", output, "no\x1b[31m/x"])).ends(2));
    }
}

/// Bytes of a sweep that stand in a message are shown harmless.
#[test]
fn hostile_bytes_in_a_sweep_stay_text() {
    let room = gauge::room();
    for c in ('\0'..='\u{9f}')
        .filter(|c| c.is_control())
        .chain("\u{202e}\u{2066}\u{200f}\u{feff}\u{fffe}\u{ffff}\u{10ffff}".chars())
    {
        room.write("runs/good/b.csv", format!("frequency_hz,gain_db,phase_deg\n1,2,3\n2,x{c}y,3\n3,4,5\n"));
        let ran = room.run("check runs --json all.json --junit all.xml").ends(2);
        harmless(&ran);
        assert!(ran.stderr.contains("runs/good/b.csv"), "{}", ran.stderr);
        xml::read(room.read("all.xml").as_bytes());
    }
}
