//! JUnit XML: a suite per product, a case per series and rule.
//!
//! Suites, classes and cases keep their names from day to day: a series whose margin begins to creep meets its own
//! history in every reader.

use super::groups::{unit, with_numbers};
use super::movements::told;
use super::sentences;
use super::series_detail::facts;
use super::to_do::to_do;
use crate::check::{Verdict, limit_text};
use crate::drift::{ProductDrift, SeriesOutcome};
use crate::report::escape::{xml_body, xml_line};
use crate::report::junit::{
    Body, JunitSummary, JunitWriter, case, class_name, empty_suite, name, result, write,
};
use junit_report::{TestCase, TestSuite};
use std::io::{self, Write};

/// Writes the report of any number of products and gives the sink back with what was written.
///
/// # Errors
/// When the sink cannot be written.
pub fn write_drift_junit<W: Write>(sink: W, products: &[ProductDrift]) -> io::Result<(W, JunitSummary)> {
    let mut writer = JunitWriter::new(sink);
    for product in products {
        writer.append(&drift_suite(product)?)?;
    }
    writer.finish()
}

/// The suite of a product, a fragment of XML for [`JunitWriter::append`]; empty for a product without a series.
///
/// A series that no rule is held against has one case, skipped, that says why.
///
/// # Errors
/// Only when the XML writer fails, which it does not in memory.
pub fn drift_suite(product: &ProductDrift) -> io::Result<Vec<u8>> {
    let cases: Vec<TestCase> = product.series.iter().flat_map(|series| cases(product, series)).collect();
    if cases.is_empty() {
        return Ok(Vec::new());
    }
    let suite = TestSuite {
        name: name(&format!("drift {}", product.product)).into_owned(),
        system_out: system_out(product),
        ..empty_suite(cases)
    };
    write(suite, false, None, &properties(product))
}

fn cases(product: &ProductDrift, series: &SeriesOutcome) -> Vec<TestCase> {
    let class = class_name(&product.product, &series.corner);
    let stem = format!("drift.{}", series.quantity);
    if series.rules.is_empty() {
        let bare = || body(product, series, &series.message, None);
        let result = result(Verdict::NotJudged, &series.message, bare);
        return vec![TestCase { result, ..case(&stem, &class) }];
    }
    let rules = series.rules.iter();
    rules
        .map(|rule| TestCase {
            result: result(rule.verdict, &rule.message, || {
                body(product, series, &rule.message, to_do(product, series, rule))
            }),
            ..case(&format!("{stem}.{}", rule.rule), &class)
        })
        .collect()
}

fn body(product: &ProductDrift, series: &SeriesOutcome, message: &str, advice: Option<String>) -> String {
    let mut body = Body::new(message);
    if let Some(advice) = advice {
        body.entry("to do", &advice);
    }
    body.entry("corner", &series.corner);
    body.entry("quantity", &sentences::quantity(series));
    body.entry("limit", &limit_text(&series.limit, series.unit));
    for (name, text) in facts(product, series) {
        body.entry(if name == "moved" { "movement" } else { name }, &text);
    }
    let unit = unit(series).map_or_else(String::new, |unit| format!(", in {unit}"));
    body.entry("groups", &format!("by {}, oldest first{unit}", product.over.name()));
    body.table(&with_numbers(product, series, xml_line));
    body.finish()
}

fn properties(product: &ProductDrift) -> Vec<(&'static str, String)> {
    let ends = product.groups.first().zip(product.groups.last());
    [
        ("product", Some(product.product.clone())),
        ("over", Some(product.over.name().to_owned())),
        ("groups", Some(product.groups.len().to_string())),
        ("from", ends.map(|(first, _)| first.label.clone())),
        ("to", ends.map(|(_, last)| last.label.clone())),
        ("verdict", Some(product.verdict.unwrap_or(Verdict::NotJudged).word().to_owned())),
        ("loopgauge", Some(env!("CARGO_PKG_VERSION").to_owned())),
    ]
    .into_iter()
    .filter_map(|(key, value)| value.map(|value| (key, name(&value).into_owned())))
    .collect()
}

/// What moved, then the values of series that pass.
fn system_out(product: &ProductDrift) -> Option<String> {
    let mut text = String::new();
    for joint in product.movements.iter().filter(|joint| joint.relevant) {
        let told = told(product, joint);
        let line = format!("movement: {}; {}; worst: {}", told.head, told.which, told.worst);
        text.push_str(&xml_line(&line));
        text.push('\n');
    }
    text.push_str(&values_of_passing_series(product));
    (!text.is_empty()).then(|| xml_body(&text).into_owned())
}

/// A line per series that passes: its newest mean and the facts beside it.
fn values_of_passing_series(product: &ProductDrift) -> String {
    let mut text = String::new();
    for series in product.series.iter().filter(|series| series.verdict == Verdict::Pass) {
        let facts = [
            sentences::newest_text(series).map(|newest| format!("newest mean {newest}")),
            Some(format!("limit {}", limit_text(&series.limit, series.unit))),
            series.trend.as_ref().map(|slope| format!("trend {}", sentences::trend(series, slope, "group"))),
            series.capability.as_ref().map(sentences::capability),
        ];
        let facts: Vec<String> = facts.into_iter().flatten().collect();
        let line = format!("{}: {} {}", series.corner, series.quantity, facts.join("; "));
        text.push_str(&xml_line(&line));
        text.push('\n');
    }
    text
}
