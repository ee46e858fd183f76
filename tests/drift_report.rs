//! The reports of a history: keys of the JSON, JUnit by a strict reader, pictures of the text, hostile text in all three.

#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test fails by panicking"
)]

use loopgauge::check::Verdict;
use loopgauge::drift::ProductDrift;
use loopgauge::report::terminal::Style;
use loopgauge::report::{render_drift, write_drift_json, write_drift_junit};
use sample_drift::{HOSTILE, calm, creeping, hostile, long, short};
use serde_json::{Value, json};
use std::collections::BTreeSet;

#[path = "../src/report/drift/sample_drift.rs"]
mod sample_drift;

#[path = "tool/xml.rs"]
#[allow(dead_code, reason = "the reader's users take what they need")]
mod xml;

fn json_of(products: &[ProductDrift]) -> Value {
    let mut bytes = Vec::new();
    write_drift_json(&mut bytes, products).unwrap();
    serde_json::from_slice(&bytes).unwrap()
}

fn xml_of(products: &[ProductDrift]) -> xml::Element {
    let (bytes, summary) = write_drift_junit(Vec::new(), products).unwrap();
    assert_eq!(summary.bytes, bytes.len() as u64);
    xml::read(&bytes)
}

fn keys(value: &Value) -> BTreeSet<&str> {
    value.as_object().unwrap().keys().map(String::as_str).collect()
}

#[test]
fn json_has_the_keys_of_the_format() {
    let value = json_of(&[creeping(), short()]);
    let has = |value: &Value, wanted: &str| {
        let keys = keys(value);
        for key in wanted.split(' ') {
            assert!(keys.contains(key), "{key} is not among {keys:?}");
        }
    };
    has(&value, "format tool verdict series products");
    assert_eq!((&value["format"], &value["verdict"]), (&json!(1), &json!("fail")));
    assert_eq!(value["series"].as_array().unwrap().len(), 5 + 2);
    let series = &value["series"][0];
    has(
        series,
        "product corner quantity unit verdict groups center sigma signals trend forecast capability message \
         limit over rules chart movement references",
    );
    has(&series["groups"][0], "group units mean sd min max bounds uncertainty");
    has(&series["signals"][0], "group rule message explained_by_station");
    has(
        &series["movement"],
        "kind probability since size slope level threshold relevant towards_limit share_eaten earlier left_out correlation together_with",
    );
    assert_eq!(
        series["movement"]["since"],
        json!({"group": "2026-W10", "low": "2026-W09", "high": "2026-W10"})
    );
    assert_eq!(value["movements"], json!([]));
    has(&series["trend"], "per_group low high level least_squares");
    has(&series["chart"]["points"][0], "group statistic low high sigma");
    has(&series["chart"], "kind setup widening points");
    assert_eq!(series["unit"], "deg");
    assert_eq!(
        series["forecast"],
        json!({"reaches": {"min": 50.0}, "in_groups": 9.1, "low": 5.4, "high": 15.8})
    );
    assert_eq!(
        series["capability"],
        json!({"ppk": 0.87, "low": 0.78, "units": 168, "share": 0.98127, "at_newest_level": false})
    );
    assert_eq!(series["rules"][1]["verdict"], "undecided");
    assert_eq!(series["signals"][0]["group"], "2026-W12");
    has(&value["products"][0], "product over verdict groups retested false_alarms notes");
    has(&value["products"][0]["groups"][0], "group units records revisions firmwares stations");
    // What does not exist is null.
    let bare = &value["series"][5];
    for key in ["center", "sigma", "chart", "trend", "forecast", "capability", "movement"] {
        assert_eq!(bare[key], Value::Null, "{key}");
    }
    assert_eq!(bare["groups"][1]["mean"], Value::Null);
    assert_eq!(bare["groups"][0]["sd"], Value::Null);
    assert_eq!(bare["verdict"], "not_judged");
    assert_eq!(value["products"][1]["verdict"], Value::Null);
}

#[test]
fn json_has_a_line_per_series_and_no_verdict_when_none_is_judged() {
    let mut bytes = Vec::new();
    write_drift_json(&mut bytes, &[creeping()]).unwrap();
    let text = String::from_utf8(bytes).unwrap();
    assert_eq!(text.lines().filter(|line| line.starts_with("{\"product\":")).count(), 1 + 5);
    assert_eq!(json_of(&[short()])["verdict"], Value::Null);
    assert_eq!(json_of(&[])["verdict"], Value::Null);
}

#[test]
fn json_keeps_text_as_it_is() {
    let value = json_of(&[hostile()]);
    assert_eq!(value["series"][0]["groups"][2]["group"], format!("{HOSTILE}2"));
    assert_eq!(value["products"][0]["notes"][0], HOSTILE);
}

#[test]
fn junit_has_a_case_per_series_and_rule_and_counts_as_json_does() {
    let products = [creeping(), ProductDrift { product: "river-gauge-3v3".to_owned(), ..short() }];
    let (report, value) = (xml_of(&products), json_of(&products));
    let rules: Vec<&Value> =
        value["series"].as_array().unwrap().iter().flat_map(|s| s["rules"].as_array().unwrap()).collect();
    let without = value["series"].as_array().unwrap().iter().filter(|s| s["rules"] == json!([])).count();
    let counted = |verdicts: &[&str]| {
        rules.iter().filter(|rule| verdicts.contains(&rule["verdict"].as_str().unwrap())).count()
    };
    let sum = |attribute: &str| report.children.iter().map(|suite| suite.number(attribute)).sum::<usize>();
    assert_eq!(sum("tests"), rules.len() + without);
    assert_eq!(sum("failures"), counted(&["fail"]));
    assert_eq!(sum("errors"), counted(&["undecided", "invalid", "missing"]));
    assert_eq!(sum("skipped"), counted(&["not_judged", "waived"]) + without);
    assert_eq!((sum("failures"), sum("errors"), sum("skipped")), (2, 1, 2));

    let suite = &report.children[0];
    assert_eq!(suite.get("name"), "drift river-gauge-5v");
    assert!(!suite.attributes.contains_key("timestamp") && !suite.attributes.contains_key("file"));
    let case = suite.all("testcase")[0];
    assert_eq!(
        (case.get("classname"), case.get("name")),
        ("river-gauge-5v.24V-3A", "drift.phase_margin_deg.chart")
    );
    let failure = case.all("failure")[0];
    assert_eq!(failure.get("type"), "fail");
    for words in [
        "phase margin lies below what the first 5 groups let expect since 2026-W12\nto do: begin with what changed",
        "\nlimit: at least 50 deg\n",
        "\ngroups: by build, oldest first, in deg\ngroup     units   mean     ±    sd  lowest  highest  chart",
        "\n2026-W14     12  ",
    ] {
        assert!(failure.text.contains(words), "{words}\nis not in\n{}", failure.text);
    }
    let last = report.children[1].all("testcase");
    assert_eq!(last[1].get("name"), "drift.phase_margin_deg");
    assert_eq!(last[1].all("skipped")[0].get("message"), "not judged: the spec asks for no rule");
}

#[test]
fn junit_stands_hostile_text_and_repeats_itself() {
    let report = xml_of(&[hostile()]);
    assert_eq!(report.children[0].number("tests"), xml_of(&[creeping()]).children[0].number("tests"));
    let case = report.children[0].all("testcase")[0];
    // Blanks collapse in names, and what XML forbids is shown by its number.
    assert!(case.get("classname").contains("W\\x1b[31m"), "{}", case.get("classname"));
    assert!(case.all("failure")[0].text.contains("]] >"));
    let bytes = |product| write_drift_junit(Vec::new(), &[product]).unwrap().0;
    assert_eq!(bytes(hostile()), bytes(hostile()));
}

#[test]
fn a_product_without_series_is_no_suite() {
    let empty = ProductDrift { series: Vec::new(), verdict: None, ..short() };
    assert!(xml_of(std::slice::from_ref(&empty)).children.is_empty());
    assert!(render_drift(&[empty], Style::plain()).starts_with("There is no verdict"));
}

#[test]
fn nothing_of_the_data_reaches_a_terminal_raw() {
    let every = Style { every_check: true, ..Style::plain() };
    for style in [Style::plain(), every] {
        let plain = render_drift(&[hostile(), short()], style);
        let raw = |c: char| c != '\n' && (c.is_control() || c == '\u{202e}');
        assert!(!plain.contains(raw), "{plain:?}");
        // No line of the data's own: what stands behind its line ends begins none.
        assert!(plain.contains("\\x0a") && !plain.lines().any(|line| line.starts_with("<&")), "{plain}");
        let coloured = render_drift(&[hostile(), short()], Style { colour: true, ..style });
        assert_ne!(coloured, plain);
        assert_eq!(anstream::adapter::strip_str(&coloured).to_string(), plain);
    }
}

#[test]
fn the_worst_stands_first_and_all_are_shown_in_full_when_wanted() {
    let mut product = creeping();
    product.series.rotate_left(1);
    product.series[2].verdict = Verdict::Undecided;
    let text = render_drift(&[product.clone()], Style::plain());
    let at = |words: &str| text.find(words).unwrap_or_else(|| panic!("{words} is not in {text}"));
    assert!(at("24V-3A, phase margin, limit") < at("10V-0.5A, gain margin, limit"));
    assert!(at("10V-0.5A, gain margin, limit") < at("  Pass: "));
    let every = render_drift(&[product], Style { every_check: true, ..Style::plain() });
    assert_eq!(every.matches("    groups").count(), 5);
}

#[test]
fn lines_are_short_where_the_data_allows() {
    for product in [calm(), creeping(), long(), short()] {
        let text = render_drift(&[product], Style::plain());
        for line in text.lines() {
            assert!(line.chars().count() <= 100, "{line}");
        }
    }
}

fn picture(name: &str, products: &[ProductDrift], style: Style) {
    let mut settings = insta::Settings::clone_current();
    settings.set_snapshot_path("drift");
    settings.set_prepend_module_to_snapshot(false);
    settings.set_omit_expression(true);
    settings.bind(|| insta::assert_snapshot!(name, render_drift(products, style)));
}

#[test]
fn pictures() {
    picture("pass", &[calm()], Style::plain());
    picture("fail", &[creeping()], Style::plain());
    picture("too-few-groups", &[short()], Style { every_check: true, ..Style::plain() });
    picture("too-few-groups-brief", &[short()], Style::plain());
    picture("forty-groups", &[long()], Style::plain());
}
