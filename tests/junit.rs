//! What hostile text gives in JUnit XML: a file that the strictest reader takes, and that says what it should.

#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test fails by panicking"
)]

use loopgauge::check::{RunOutcome, UnreadCorner, UnreadableRun, Verdict};
use loopgauge::diagnostic::{Diagnostic, Place};
use loopgauge::report::junit::{JunitWriter, class_name, suite, unread_suite, unreadable_suite};
use quick_xml::Reader;
use quick_xml::events::{BytesStart, Event};
use std::collections::BTreeMap;
use std::sync::Arc;

#[path = "../src/report/sample.rs"]
mod sample;

/// An element as it was read.
#[derive(Debug, Default)]
struct Element {
    name: String,
    attributes: BTreeMap<String, String>,
    text: String,
    sections: usize,
    children: Vec<Element>,
}

impl Element {
    fn all(&self, name: &str) -> Vec<&Self> {
        self.children.iter().filter(|child| child.name == name).collect()
    }

    fn number(&self, attribute: &str) -> usize {
        self.attributes[attribute].parse().unwrap()
    }
}

/// Reads a report as strictly as a conforming parser: legal characters only, no bare end mark, no doubled attribute,
/// no raw line end in an attribute, one root.
fn read(report: &[u8]) -> Element {
    let text = std::str::from_utf8(report).unwrap();
    for (at, c) in text.char_indices() {
        let legal = matches!(c, '\n' | '\t' | '\u{20}'..='\u{7e}' | '\u{a0}'..='\u{d7ff}' | '\u{e000}'..='\u{fffd}' | '\u{10000}'..);
        assert!(legal, "{c:?} at {at}");
    }
    let mut reader = Reader::from_str(text);
    reader.config_mut().check_comments = true;
    reader.config_mut().allow_dangling_amp = false;
    let (mut open, mut root): (Vec<Element>, Option<Element>) = (Vec::new(), None);
    loop {
        let closed = match reader.read_event().unwrap() {
            Event::Start(start) => {
                open.push(element(&start));
                None
            }
            Event::Empty(start) => Some(element(&start)),
            Event::End(_) => open.pop(),
            Event::Text(text) => {
                let text = text.decode().unwrap().into_owned();
                assert!(!text.contains("]]>") && text.trim().is_empty(), "stray text {text:?}");
                None
            }
            Event::CData(data) => {
                let inside = open.last_mut().unwrap();
                inside.text.push_str(&data.decode().unwrap());
                inside.sections += 1;
                None
            }
            Event::Decl(_) => None,
            Event::Eof => break,
            other => panic!("unexpected {other:?}"),
        };
        if let Some(closed) = closed {
            match open.last_mut() {
                Some(parent) => parent.children.push(closed),
                None => assert!(root.replace(closed).is_none(), "two roots"),
            }
        }
    }
    root.unwrap()
}

fn element(start: &BytesStart<'_>) -> Element {
    let mut attributes = BTreeMap::new();
    for attribute in start.attributes() {
        let attribute = attribute.unwrap();
        let raw = std::str::from_utf8(&attribute.value).unwrap();
        assert!(!raw.contains(['\n', '\r', '\t', '<']), "{raw:?}");
        let value = quick_xml::escape::unescape(raw).unwrap().into_owned();
        let key = std::str::from_utf8(attribute.key.as_ref()).unwrap().to_owned();
        assert!(attributes.insert(key, value).is_none());
    }
    let name = std::str::from_utf8(start.name().as_ref()).unwrap().to_owned();
    Element { name, attributes, ..Element::default() }
}

/// Checks what holds for every suite.
fn check_suite(suite: &Element) {
    let cases = suite.all("testcase");
    let with = |name: &str| cases.iter().filter(|case| !case.all(name).is_empty()).count();
    assert!(!cases.is_empty());
    assert_eq!(suite.number("tests"), cases.len());
    assert_eq!(suite.number("errors"), with("error"));
    assert_eq!(suite.number("failures"), with("failure"));
    assert_eq!(suite.number("skipped"), with("skipped"));
    assert_eq!(suite.attributes["time"], "0");
    let order: Vec<&str> = suite.children.iter().map(|child| child.name.as_str()).collect();
    let rank = |name: &str| ["properties", "testcase", "system-out"].iter().position(|n| *n == name).unwrap();
    assert!(order.is_sorted_by_key(|name| rank(name)), "{order:?}");
    let mut seen = std::collections::HashSet::new();
    for case in &cases {
        assert!(seen.insert((&case.attributes["classname"], &case.attributes["name"])), "{case:?}");
        assert_eq!(case.attributes["time"], "0");
        assert!(case.children.len() <= 1);
        for result in &case.children {
            let message = &result.attributes["message"];
            assert!(message.chars().count() <= 200 && !message.is_empty());
            assert_eq!(result.sections, 1, "one section, never split");
            assert!(result.text.len() <= 16 * 1024);
            let shown = message.trim_end_matches('…');
            assert!(result.text.starts_with(shown), "{message} and {}", result.text);
        }
    }
    if let Some(out) = suite.all("system-out").first() {
        assert_eq!(out.sections, 1);
    }
}

fn report(suites: &[Vec<u8>]) -> (Vec<u8>, Element) {
    let mut writer = JunitWriter::new(Vec::new());
    suites.iter().for_each(|suite| writer.append(suite).unwrap());
    let (bytes, _) = writer.finish().unwrap();
    let root = read(&bytes);
    assert_eq!(root.name, "testsuites");
    root.children.iter().for_each(check_suite);
    for (id, suite) in root.children.iter().enumerate() {
        assert_eq!(suite.number("id"), id);
    }
    (bytes, root)
}

/// Every C0 and C1 control, what is no character, end marks, markup, line ends, signs beyond the first plane.
fn hostile() -> String {
    let controls: String = ('\0'..='\u{9f}').filter(|c| c.is_control()).collect();
    format!("{controls}\u{fffe}\u{ffff}]]>]]]]>><&\"'&amp;<!--\r\n\r\t\u{202e}😀\u{10ffff}</testcase>")
}

/// A run with hostile text everywhere.
fn hostile_run() -> RunOutcome {
    let bad = hostile();
    let mut run = sample::run();
    for text in [&mut run.run, &mut run.run_file, &mut run.spec_file, &mut run.serial, &mut run.revision] {
        text.push_str(&bad);
    }
    for text in sample::labels(&mut run) {
        *text = Some(bad.clone());
    }
    run.findings = vec![bad.clone()];
    for (index, corner) in run.corners.iter_mut().enumerate() {
        corner.corner = format!("{index}{}{bad}", corner.corner);
        corner.conditions.push((bad.clone(), bad.clone()));
        if let Some(judged) = &mut corner.judged {
            judged.files.push(bad.clone());
            judged.level = Some(bad.clone());
        }
        for check in &mut corner.checks {
            check.message.push_str(&bad);
            check.remedy = Some(bad.clone());
            check.check.push_str(&bad);
        }
    }
    run
}

#[test]
fn hostile_text_breaks_nothing() {
    let place = Place { file: Arc::from(hostile()), line: Some(7), column: Some(2), key: Some(hostile()) };
    let mut error = Diagnostic::error("unknown-key", hostile()).with_help(hostile());
    error.place = Some(place);
    let (_, root) = report(&[
        suite(&hostile_run()).unwrap(),
        unreadable_suite(&hostile(), &[error.clone(), error]).unwrap(),
        suite(&sample::passing("RG-00043", 2)).unwrap(),
    ]);
    assert_eq!(root.children.len(), 3);
    let bad = &root.children[0];
    assert_eq!(bad.number("tests"), 54);
    assert!(bad.attributes["name"].contains("\\x00\\x01\\x02"));
    assert!(
        bad.attributes["name"]
            .contains("\\x9f\\u{fffe}\\u{ffff}]]>]]]]>><&\"'&amp;<!-- \u{202e}😀\u{10ffff}</testcase>")
    );
    assert!(!bad.attributes.contains_key("timestamp"));
    assert!(bad.attributes["hostname"].contains("\\x1b"));
    let failure =
        bad.all("testcase").into_iter().find_map(|case| case.all("failure").first().copied()).unwrap();
    assert!(failure.text.contains("]] >") && failure.text.contains("\\x1b"));
}

#[test]
fn hostile_text_of_what_could_not_be_read_breaks_nothing() {
    let rest = hostile_run();
    let place = Place { file: Arc::from(hostile()), line: Some(7), column: Some(2), key: None };
    let mut problem = Diagnostic::error("x", hostile()).with_help(hostile());
    problem.place = Some(place);
    let many = vec![problem.clone(); 1000];
    let unread =
        UnreadCorner { corner: rest.corners[2].corner.clone(), files: vec![hostile()], problems: many };
    // The checks of the sample carry hostile names; the one that tells the cause is known by its own.
    let mut named = rest.clone();
    named.corners[2].checks[0].check = "collected".to_owned();
    let run = UnreadableRun { problems: vec![problem], unread: vec![unread], rest: named };
    let (bytes, root) = report(&[unread_suite(&run).unwrap(), suite(&rest).unwrap()]);
    let [bad, good] = &root.children[..] else { panic!("{bytes:?}") };
    assert_eq!(bad.number("tests"), good.number("tests") + 1);
    let told = bad.all("testcase").into_iter().flat_map(|case| &case.children);
    let told: Vec<&Element> = told.filter(|result| result.attributes["type"] == "unreadable").collect();
    assert_eq!(told.len(), 2);
    assert!(told[1].text.contains("\nserial: RG-00042") && told[1].text.contains("more bytes cut"));
    // Nobody said why.
    let run = UnreadableRun {
        problems: Vec::new(),
        unread: vec![UnreadCorner { corner: "24V-3A".to_owned(), files: Vec::new(), problems: Vec::new() }],
        rest: sample::run(),
    };
    let (_, root) = report(&[unread_suite(&run).unwrap()]);
    let case = root.children[0]
        .all("testcase")
        .into_iter()
        .find(|case| case.attributes["classname"].ends_with("24V-3A"));
    assert_eq!(case.unwrap().children[0].attributes["message"], "the run could not be read");
}

#[test]
fn verdicts_map_to_elements_and_types() {
    let (_, root) = report(&[suite(&sample::run()).unwrap()]);
    let suite = &root.children[0];
    assert_eq!(suite.attributes["name"], "river-gauge-5v RG-00042");
    assert_eq!(suite.attributes["package"], "");
    assert_eq!(suite.attributes["hostname"], "bench-3");
    assert_eq!(suite.attributes["timestamp"], "2026-04-02T09:15:00Z");
    assert_eq!(suite.attributes["file"], "demo-data/rev-c/RG-00042/run.yaml");
    let found = |class: &str, name: &str| {
        let case = suite.all("testcase").into_iter().find(|case| {
            case.attributes["classname"] == format!("river-gauge-5v.{class}")
                && case.attributes["name"] == name
        });
        case.unwrap().children.first().map(|result| {
            (result.name.as_str(), result.attributes["type"].as_str(), result.attributes["message"].as_str())
        })
    };
    let cases = [
        ("10V-0_5A", "phase_margin", None),
        (
            "24V-3A",
            "phase_margin",
            Some(("failure", "fail", "phase margin 44.1 deg ± 0.7 deg, limit at least 50 deg")),
        ),
        (
            "10V-3A",
            "gain_margin",
            Some(("error", "undecided", "gain margin 10.1 dB ± 0.3 dB, limit at least 10 dB")),
        ),
        (
            "32V-3A",
            "linearity",
            Some(("error", "invalid", "crossover moves by 6.1 % from -26 dBm to -23 dBm, 2 % is allowed")),
        ),
        ("32V-3A", "crossover", Some(("skipped", "not_judged", "not judged: linearity is invalid"))),
        ("32V-0_5A", "collected", Some(("error", "missing", "declared in the spec, no sweep in the run"))),
        ("cold-start", "crossover", Some(("skipped", "waived", "waived until 2027-03-31: ECO 17 pending"))),
    ];
    for (class, name, expected) in cases {
        assert_eq!(found(class, name), expected, "{class} {name}");
    }
    let properties: Vec<(&str, &str)> = suite.children[0]
        .children
        .iter()
        .map(|p| (p.attributes["name"].as_str(), p.attributes["value"].as_str()))
        .collect();
    assert_eq!(
        properties,
        [
            ("product", "river-gauge-5v"),
            ("title", "5 V rail of the river-gauge telemetry board"),
            ("serial", "RG-00042"),
            ("revision", "C"),
            ("firmware", "2.3.1"),
            ("build", "2026-W14"),
            ("station", "bench-3"),
            ("taken", "2026-04-02T11:15:00+02:00"),
            ("operator", "night shift"),
            ("instrument", "two-channel receiver, no. 7"),
            ("calibrated_until", "2027-03-31"),
            ("injection", "transformer over 10 ohm in the feedback line"),
            ("notes", "after rework of the output stage"),
            ("run", "demo-data/rev-c/RG-00042"),
            ("spec", "specs/river-gauge-5v.yaml"),
            ("verdict", "invalid"),
            ("loopgauge", env!("CARGO_PKG_VERSION")),
        ]
    );
    let out = &suite.all("system-out")[0].text;
    assert_eq!(
        out.lines().next(),
        Some(
            "10V-0.5A: crossover 9.31 kHz ± 0.12 kHz; crossings 1; phase_margin 54.1 deg ± 0.7 deg; \
             gain_margin 12.6 dB ± 0.2 dB; delay_margin 16.14 us ± 0.22 us"
        )
    );
}

#[test]
fn a_good_and_a_bad_run_have_the_same_cases() {
    let bad = sample::run();
    let mut good = bad.clone();
    for corner in &mut good.corners {
        for check in &mut corner.checks {
            check.verdict = Verdict::Pass;
        }
    }
    let names = |run: &RunOutcome| -> Vec<(String, String)> {
        let (_, root) = report(&[suite(run).unwrap()]);
        let cases = root.children[0].all("testcase");
        cases.iter().map(|c| (c.attributes["classname"].clone(), c.attributes["name"].clone())).collect()
    };
    assert_eq!(names(&good), names(&bad));
}

#[test]
fn corners_keep_their_name_in_the_body_alone() {
    assert_eq!(class_name("river-gauge-5v", "10 V -\t0.5 A .x"), "river-gauge-5v.10 V - 0_5 A _x");
    let mut run = sample::run();
    run.corners[1].corner = "24 V  at 0.5 A".to_owned();
    let (_, root) = report(&[suite(&run).unwrap()]);
    let failed = root.children[0].all("testcase").into_iter().find(|c| !c.all("failure").is_empty()).unwrap();
    assert_eq!(failed.attributes["classname"], "river-gauge-5v.24 V at 0_5 A");
    assert!(failed.children[0].text.contains("\ncorner: 24 V at 0.5 A\n"));
}

#[test]
fn a_megabyte_of_text_is_cut_and_says_so() {
    let mut run = sample::run();
    run.corners[1].checks[6].message = "long notes ".repeat(100_000);
    run.serial = "S".repeat(1 << 20);
    let (bytes, root) = report(&[
        suite(&run).unwrap(),
        unreadable_suite("r", &[Diagnostic::error("x", "y".repeat(1 << 20))]).unwrap(),
    ]);
    assert!(bytes.len() < 200_000, "{}", bytes.len());
    let failed = root.children[0].all("testcase").into_iter().find(|c| !c.all("failure").is_empty()).unwrap();
    assert!(failed.children[0].text.contains("more bytes cut)"));
    assert!(failed.children[0].attributes["message"].ends_with('…'));
    assert!(failed.children[0].text.contains("\nlimit: at least 50 deg\n"));
}

#[test]
fn times_are_those_of_the_run_or_absent() {
    for (taken, expected) in [
        (Some("2026-04-02T09:15:00.999999999Z"), Some("2026-04-02T09:15:00Z")),
        (Some("2026-04-01T23:15:00-10:00"), Some("2026-04-02T09:15:00Z")),
        (Some("9999-12-30T00:00:00Z"), Some("9999-12-30T00:00:00Z")),
        (Some("-005000-01-01T00:00:00Z"), None),
        (Some("12026-04-02T09:15:00Z"), None),
        (Some("yesterday"), None),
        (None, None),
    ] {
        let run = RunOutcome { taken: taken.map(str::to_owned), station: None, ..sample::passing("A", 1) };
        let (_, root) = report(&[suite(&run).unwrap()]);
        assert_eq!(root.children[0].attributes.get("timestamp").map(String::as_str), expected, "{taken:?}");
        assert_eq!(root.children[0].attributes["hostname"], "localhost");
    }
}

#[test]
fn one_serial_twice_and_an_unreadable_run_beside_it() {
    let mut again = sample::passing("RG-00042", 1);
    again.run = "late/RG-00042 & co".to_owned();
    let error =
        Diagnostic::error("no-spec", "no spec for `river-gauge-9v`").in_file(&Arc::from("x/run.yaml"));
    let (bytes, root) = report(&[
        unreadable_suite("x", std::slice::from_ref(&error)).unwrap(),
        suite(&sample::run()).unwrap(),
        suite(&again).unwrap(),
    ]);
    let names: Vec<&str> = root.children.iter().map(|suite| suite.attributes["name"].as_str()).collect();
    assert_eq!(
        names,
        [
            "x",
            "river-gauge-5v RG-00042 (demo-data/rev-c/RG-00042)",
            "river-gauge-5v RG-00042 (late/RG-00042 & co)"
        ]
    );
    let case = root.children[0].all("testcase")[0];
    assert_eq!(
        (case.attributes["classname"].as_str(), case.attributes["name"].as_str()),
        ("loopgauge.run", "readable")
    );
    assert_eq!(case.children[0].attributes["type"], "unreadable");
    assert_eq!(case.children[0].attributes["message"], "x/run.yaml: no spec for `river-gauge-9v`");
    if let Some(path) = std::env::var_os("LOOPGAUGE_KEEP_JUNIT") {
        let mut writer = JunitWriter::new(std::fs::File::create(path).unwrap());
        for run in [&hostile_run(), &sample::run(), &again] {
            writer.append(&suite(run).unwrap()).unwrap();
        }
        writer.append(&unreadable_suite(&hostile(), &[error]).unwrap()).unwrap();
        writer.finish().unwrap();
    }
    drop(bytes);
}

/// The sentence of the circuit is a property of its own, and told once; a run without one has none.
#[test]
fn what_moved_is_a_property_of_the_suite() {
    let sentence =
        "circuit, against RG-00042: Cout -20 % ± 1 % (probability 0.98) explains all 32 changes of margins";
    let mut run = sample::run();
    run.findings = vec![sentence.to_owned(), "another".to_owned()];
    let values = |run: &RunOutcome, name: &str| -> Vec<String> {
        let (_, root) = report(&[suite(run).unwrap()]);
        let properties = root.children[0].all("properties")[0].all("property");
        let named = properties.iter().filter(|property| property.attributes["name"] == name);
        named.map(|property| property.attributes["value"].clone()).collect()
    };
    assert_eq!((values(&run, "circuit").len(), values(&run, "finding").len()), (0, 2));
    run.circuit = Some(Box::new(sample::circuit()));
    assert_eq!(values(&run, "circuit"), [sentence]);
    assert_eq!(values(&run, "finding"), ["another"]);
}
