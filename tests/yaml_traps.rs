//! What YAML does to texts that look like something else, and texts that are made to hurt the parser.

#![allow(
    clippy::expect_used,
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test fails by panicking"
)]

use loopgauge::diagnostic::Diagnostic;
use loopgauge::run::{self, RawRun, Run};
use loopgauge::spec::{LoadedSpec, load, load_reading};
use loopgauge::sweep::ColumnRef;
use std::time::{Duration, Instant};

fn spec() -> LoadedSpec {
    let text = "spec: 1\nproduct: p\ncritical_point: '+1'\nlinearity: {gain: 1 dB}\nlimits: {phase_margin: {min: 50 deg}}\ncorners: [{name: no}]\n";
    load("s.yaml", &|_: &str| Ok(text.as_bytes().to_vec())).expect("sound")
}

fn parse(bytes: &[u8]) -> Result<RawRun, Vec<Diagnostic>> {
    run::parse(bytes, "run.yaml", ".")
}

fn resolved(text: &str) -> Result<Run, Vec<Diagnostic>> {
    parse(text.as_bytes())?.resolve(&spec(), &[])
}

/// `line:column code` of every error, and all messages.
fn told(errors: &[Diagnostic]) -> (Vec<String>, String) {
    let line = |d: &Diagnostic| {
        let place = d.place.clone().expect("every error has a place");
        let number = |n: Option<u64>| n.map_or_else(|| "-".to_owned(), |n| n.to_string());
        format!("{}:{} {}", number(place.line), number(place.column), d.code)
    };
    (
        errors.iter().map(line).collect(),
        errors.iter().map(|d| d.message.clone()).collect::<Vec<_>>().join("|"),
    )
}

fn refused(text: &str) -> Vec<String> {
    told(&resolved(text).expect_err(text)).0
}

const HEAD: &str = "run: 1\nproduct: p\n";
const TAIL: &str = "sweeps: []\n";

#[test]
fn labels_stay_as_written() {
    for raw in [
        "2.10",
        "00042",
        "no",
        "yes",
        "on",
        "true",
        "+1",
        "0x10",
        "1e3",
        "1_000",
        ".5",
        "12:30:45",
        "2026-04-02",
        "1.",
        "0o14",
        "-.inf",
        ".NaN",
    ] {
        let text = format!(
            "{HEAD}serial: {raw}\nrevision: '{raw}'\nfirmware: \"{raw}\"\nbuild: {raw} # comment\n{TAIL}"
        );
        let run = resolved(&text).expect(raw);
        assert_eq!((run.serial.as_str(), run.revision.as_str()), (raw, raw));
        assert_eq!((run.firmware.as_deref(), run.build.as_deref()), (Some(raw), Some(raw)));
    }
    let text = format!(
        "{HEAD}serial: \"\\u00b5 \\\"x\\\"\"\nrevision: 'it''s'\nnotes: |\n  two\n  lines [ {{ \"\nstation: a\n  b\n{TAIL}"
    );
    let run = resolved(&text).expect("escapes");
    assert_eq!((run.serial.as_str(), run.revision.as_str()), ("µ \"x\"", "it's"));
    assert_eq!(
        (run.bench.notes.as_deref(), run.station.as_deref()),
        (Some("two\nlines [ { \"\n"), Some("a b"))
    );
}

#[test]
fn norway_is_a_corner_and_null_is_no_label() {
    let text = format!("{HEAD}serial: 1\nrevision: 2\nsweeps: [{{file: a.csv, corner: no}}]\n");
    assert_eq!(resolved(&text).expect("sound").corners()[0].entries.len(), 1);
    for empty in ["", " ~", " null", " Null", " # only a comment"] {
        assert_eq!(refused(&format!("{HEAD}serial:{empty}\nrevision: 1\n{TAIL}")), ["3:1 empty-value"]);
    }
    let quoted = format!("{HEAD}serial: \"null\"\nrevision: '~'\n{TAIL}");
    assert_eq!(resolved(&quoted).expect("sound").serial, "null");
}

#[test]
fn line_ends_and_marks() {
    let text = format!("\u{feff}{HEAD}serial: 00042\nrevision: C\ntaken: x\n{TAIL}");
    assert_eq!(refused(&text), ["5:8 bad-time"]);
    assert_eq!(refused(&text.replace('\n', "\r\n")), ["5:8 bad-time"]);
    assert_eq!(
        refused("\u{feff}run: 2\nproduct: p\nserial: 1\nrevision: 1\nsweeps: []\n"),
        ["1:6 unknown-version"]
    );
    let (places, message) = told(&parse(b"run: 1\nproduct: p\xff\n").unwrap_err());
    assert_eq!(
        (places.as_slice(), message.contains("0xff")),
        (["2:11 yaml-encoding".to_owned()].as_slice(), true)
    );
    assert_eq!(told(&parse(b"\xff\xfer\0u\0n\0").unwrap_err()).0, ["-:- yaml-encoding"]);
    assert_eq!(refused("run: 1\nproduct: \u{7}\n"), ["2:10 yaml-control"]);
    assert_eq!(refused("run: 1\0\n"), ["1:7 yaml-control"]);
    assert_eq!(refused(""), ["-:- yaml-empty"]);
    assert_eq!(refused("# nothing\n"), ["-:- yaml-empty"]);
    assert_eq!(refused("- a\n"), ["1:3 wrong-shape"]);
    assert_eq!(refused("just text\n"), ["1:1 wrong-shape"]);
}

#[test]
fn what_yaml_allows_and_this_does_not() {
    let body = format!("serial: 1\nrevision: 1\n{TAIL}");
    let with = |extra: &str| refused(&format!("{HEAD}{extra}\n{body}"));
    assert_eq!(with("serial: 7"), ["4:1 yaml-duplicate-key"]);
    assert_eq!(with("'serial': 7"), ["4:1 yaml-duplicate-key"]);
    assert_eq!(with("reading: {comment: a, header: true,\n  comment: b}"), ["4:3 yaml-duplicate-key"]);
    assert_eq!(with("<<: {notes: x}"), ["3:1 yaml-merge-key"]);
    assert_eq!(with("notes: !text x"), ["3:8 yaml-tag"]);
    assert_eq!(with("notes: !!str x"), ["3:8 yaml-tag"]);
    assert_eq!(with("notes: !!int 5"), ["3:8 yaml-tag"]);
    assert_eq!(with("notes: ! x"), ["3:8 yaml-tag"]);
    assert_eq!(with("notes: !<tag:x> y"), ["3:8 yaml-tag"]);
    assert_eq!(with("!!str notes: x"), ["3:1 yaml-tag"]);
    assert_eq!(with("reading: !!map {}"), ["3:10 yaml-tag"]);
    assert_eq!(with("reading: &a !!map {comment: x}")[0], "3:13 yaml-tag");
    assert_eq!(with("reading: {columns: !!map {real: 1}}"), ["3:20 yaml-tag"]);
    assert_eq!(
        refused(&format!("{HEAD}serial: 1\nrevision: 1\nsweeps:\n  - !!map {{file: a}}\n"))[0],
        "6:5 yaml-tag"
    );
    assert_eq!(with("? [a]\n: b")[0], "3:3 yaml-key");
    assert_eq!(with("'': b"), ["3:1 yaml-key"]);
    assert_eq!(with("notes: *a"), ["3:8 yaml-syntax"]);
    assert_eq!(with("notes:\n\t- a"), ["4:1 yaml-syntax"]);
    assert_eq!(with("notes: @a"), ["3:8 yaml-syntax"]);
    assert_eq!(with("notes: {a"), ["4:7 yaml-syntax"]);
    assert_eq!(with("%TAG ! x"), ["3:1 yaml-directive"]);
    assert_eq!(refused(&format!("{HEAD}{body}---\n{HEAD}")), ["6:1 yaml-documents"]);
    // Not tags: exclamation marks in texts. Aliases are fine.
    let fine = format!(
        "---\n{HEAD}notes: \"wow !x\"\nstation: wow !a b\nserial: &s 00042\nrevision: *s\nbuild: &b 1\nfirmware: *b\nsweeps: []\n...\n"
    );
    let run = resolved(&fine).expect("sound");
    assert_eq!((run.revision.as_str(), run.firmware.as_deref()), ("00042", Some("1")));
}

#[test]
fn columns_by_name_and_by_position() {
    let reading = load_reading(b"columns: {real: 3, imag: \"4\"}\n", "r.yaml").expect("sound");
    assert_eq!(reading.columns.real, Some(ColumnRef::Position(3)));
    assert_eq!(reading.columns.imag, Some(ColumnRef::Name("4".to_owned())));
    let text = "reading:\n  header: false\n  delimiter: tab\n  decimal: ','\n  skip_rows: 2\n  columns:\n    frequency: {column: 1, unit: kHz}\n    gain: {column: 2, unit: ratio}\n    phase: {column: 3, unit: rad}\n";
    let reading = load_reading(text.as_bytes(), "r.yaml").expect("sound");
    assert_eq!(
        (reading.delimiter, reading.decimal, reading.skip_rows, reading.header),
        ('\t', ',', 2, false)
    );
    for (text, code) in [
        ("decimal: ','", "delimiter-is-decimal"),
        ("encoding: windows-1225", "unknown-encoding"),
        ("encoding: [utf-8]", "wrong-shape"),
        ("encoding: hz-gb-2312", "unknown-encoding"),
        ("header: false", "missing-columns"),
        ("header: no", "unknown-word"),
        ("comment: ''", "empty-text"),
        ("columns: {input_real: 1, output_real: 1}", "repeated-column"),
        ("columns: {real: 1, gain: {column: 2, unit: dB}}", "mixed-columns"),
        ("columns: {gain: {column: 2, unit: db}}", "unknown-word"),
        ("columns: {frequency: {column: 2, unit: rpm}}", "wrong-unit"),
        ("columns: {frequency: {column: 2}}", "missing-key"),
        ("columns: {frequency: f}", "wrong-shape"),
        ("columns: {real: 0}", "not-a-count"),
    ] {
        let errors = load_reading(text.as_bytes(), "r.yaml").expect_err(text);
        assert_eq!(errors.iter().map(|d| d.code).collect::<Vec<_>>(), [code], "{text}");
    }
}

/// Longest time for a text that was made to hurt: a second of optimised code.
const PATIENCE: Duration = Duration::from_secs(if cfg!(debug_assertions) { 20 } else { 1 });

fn ends_fast(what: &str, text: &str, code: &str) {
    let start = Instant::now();
    let errors = parse(text.as_bytes()).expect_err(what);
    let took = start.elapsed();
    eprintln!("{what}: {took:?}, {}", told(&errors).1.chars().take(100).collect::<String>());
    assert!(errors.iter().any(|d| d.code == code), "{what}: {errors:?}");
    assert!(took < PATIENCE, "{what} took {took:?}");
}

/// Most memory the process ever held, bytes; 0 where the system does not tell.
fn peak() -> usize {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    line.and_then(|rest| rest.split_whitespace().next()?.parse::<usize>().ok()).map_or(0, |kb| kb * 1024)
}

#[test]
fn bombs_end_fast_and_small() {
    ends_fast("flow lists", &"[".repeat(100_000), "yaml-nesting");
    ends_fast("flow maps", &"{a: ".repeat(100_000), "yaml-nesting");
    ends_fast("lists closed in quotes", &"[ \"]\", ".repeat(100_000), "yaml-nesting");
    ends_fast("block lists", &"- ".repeat(100_000), "yaml-nesting");
    ends_fast("explicit keys", &"? ".repeat(100_000), "yaml-key");
    ends_fast("101 levels", &format!("a: {}1{}", "[".repeat(100), "]".repeat(100)), "yaml-nesting");
    let mut laughs = "a0: &a0 [x, x, x, x, x, x, x, x, x, x]\n".to_owned();
    for i in 1..40 {
        let items = vec![format!("*a{}", i - 1); 10].join(", ");
        laughs.push_str(&format!("a{i}: &a{i} [{items}]\n"));
    }
    ends_fast("laughs", &laughs, "yaml-nodes");
    let mut laughs = "a0: &a0 {k: x}\n".to_owned();
    for i in 1..40 {
        laughs.push_str(&format!("a{i}: &a{i} {{b: *a{0}, c: *a{0}}}\n", i - 1));
    }
    ends_fast("map laughs", &laughs, "yaml-nodes");
    ends_fast("a list in itself", "a: &a [*a, *a]\n", "yaml-nesting");
    ends_fast("many values", &format!("a: [{}]", "1, ".repeat(100_001)), "yaml-nodes");
    ends_fast("very many values", &format!("a: [{}]", "[],".repeat(3_000_000)), "yaml-nodes");
    ends_fast("directives", &"%TAG !a! b\n".repeat(100_000), "yaml-directive");
    ends_fast("too large", &"#".repeat(10_000_001), "yaml-size");
    let keys: String = (0..20_000).map(|i| format!("k{i}: 1\n")).collect();
    ends_fast("many errors", &format!("run: 1\n{keys}"), "unknown-key");
    ends_fast("many repeats", &format!("run: 1\n{}", "k: 1\n".repeat(50_000)), "yaml-duplicate-key");
    ends_fast("many keys of another file", &keys, "foreign-file");
    let peak = peak();
    eprintln!("peak {} MB", peak / 1_000_000);
    assert!(peak < 500_000_000, "{peak} bytes");
}
