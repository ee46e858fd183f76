//! The suite of one run.

use super::body::{body, free_body, message, told, unread_body};
use super::head::{Head, complete};
use crate::check::{RunOutcome, UnreadCorner, UnreadableRun, Verdict};
use crate::diagnostic::{Diagnostic, Severity};
use crate::quantity::calendar::micros;
use crate::report::escape::{clip, xml_body, xml_line};
use crate::report::statement::{BENCH, CheckStatement, CircuitStatement, Fact, facts};
use junit_report::{Duration, OffsetDateTime, Report, TestCase, TestResult, TestSuite};
use std::borrow::Cow;
use std::collections::HashMap;
use std::io;

/// Longest name or property, characters: readers keep whole names in their history.
const LONGEST_NAME: usize = 1000;

/// The suite of a judged run, a fragment of XML; empty for a run without a check.
///
/// # Errors
/// Only when the XML writer fails, which it does not in memory.
pub fn suite(run: &RunOutcome) -> io::Result<Vec<u8>> {
    let mut cases = Vec::with_capacity(run.corners.iter().map(|corner| corner.checks.len()).sum());
    for corner in &run.corners {
        let class = class_name(&run.product, &corner.corner);
        cases.extend(corner.checks.iter().map(|check| TestCase {
            result: result(check.verdict, &check.message, || body(run, corner, check)),
            ..case(&check.check, &class)
        }));
    }
    if cases.is_empty() {
        return Ok(Vec::new());
    }
    suite_of(run, Some(run.verdict), cases)
}

/// The suite of a run without a verdict: the name and the cases that a good run of its spec has. The check that shows what
/// could not be read tells it: `collected` of a corner; for the run file and the spec a case `readable` before all others.
///
/// # Errors
/// Only when the XML writer fails, which it does not in memory.
pub fn unread_suite(run: &UnreadableRun) -> io::Result<Vec<u8>> {
    let UnreadableRun { problems, unread, rest } = run;
    let unread: HashMap<&str, &UnreadCorner> = unread.iter().map(|c| (c.corner.as_str(), c)).collect();
    let mut cases = Vec::new();
    if !problems.is_empty() {
        let result = unreadable(problems, |problems| unread_body(problems, rest, None));
        cases.push(TestCase { result, ..case(READABLE, RUN_CLASS) });
    }
    for corner in &rest.corners {
        let class = class_name(&rest.product, &corner.corner);
        let cause = unread.get(corner.corner.as_str());
        cases.extend(corner.checks.iter().map(|check| {
            let result = match cause.filter(|_| check.check == "collected") {
                Some(cause) => unreadable(&cause.problems, |p| unread_body(p, rest, Some(corner))),
                None => result(check.verdict, &check.message, || body(rest, corner, check)),
            };
            TestCase { result, ..case(&check.check, &class) }
        }));
    }
    suite_of(rest, None, cases)
}

/// The suite of a run with its name, labels and values; `verdict` where it has one.
fn suite_of(run: &RunOutcome, verdict: Option<Verdict>, cases: Vec<TestCase>) -> io::Result<Vec<u8>> {
    let taken = run.taken.as_deref().and_then(timestamp);
    let station = run.station.as_deref().map(name).filter(|station| !station.is_empty());
    write(
        TestSuite {
            name: name(&format!("{} {}", run.product, run.serial)).into_owned(),
            hostname: station.unwrap_or(Cow::Borrowed("localhost")).into_owned(),
            timestamp: taken.unwrap_or(OffsetDateTime::UNIX_EPOCH),
            system_out: values_of_passing_checks(run),
            ..empty_suite(cases)
        },
        taken.is_some(),
        Some(&run.run_file),
        &properties(run, verdict),
    )
}

/// Class of the case that tells what is wrong with a run as a whole.
const RUN_CLASS: &str = "loopgauge.run";
/// Its name.
const READABLE: &str = "readable";

/// The result of a case that shows what could not be read: the first error is its message.
fn unreadable(problems: &[Diagnostic], body: impl FnOnce(&[&Diagnostic]) -> String) -> TestResult {
    // Warnings stand behind errors, else as they came.
    let mut problems: Vec<&Diagnostic> = problems.iter().collect();
    problems.sort_by_key(|problem| problem.severity != Severity::Error);
    let first = problems.first().map_or_else(|| NO_REASON.to_owned(), |problem| problem.one_line());
    let cause = if problems.is_empty() { first.clone() } else { body(&problems) };
    TestResult::Error { type_: "unreadable".to_owned(), message: message(&first), cause: Some(cause) }
}

/// What is told where nobody said why.
const NO_REASON: &str = "the run could not be read";

/// The suite of what is not even known to be a run: one case that tells why. `run` is the path as reached.
///
/// # Errors
/// Only when the XML writer fails, which it does not in memory.
pub fn unreadable_suite(run: &str, diagnostics: &[Diagnostic]) -> io::Result<Vec<u8>> {
    let result = unreadable(diagnostics, |problems| free_body(told(problems)));
    let cases = vec![TestCase { result, ..case(READABLE, RUN_CLASS) }];
    let run_name = name(run).into_owned();
    let properties = [("run", run_name.clone()), ("loopgauge", env!("CARGO_PKG_VERSION").to_owned())];
    write(TestSuite { name: run_name, ..empty_suite(cases) }, false, Some(run), &properties)
}

/// `PRODUCT.CORNER`, the dots of the corner as `_` (readers split a class at its last dot), blanks collapsed.
///
/// Two corners that become equal here cannot be told apart in JUnit.
#[must_use]
pub fn class_name(product: &str, corner: &str) -> String {
    name(&format!("{product}.{}", xml_line(corner).replace('.', "_"))).into_owned()
}

/// A name or property: one line, clean, of bounded length.
pub(in crate::report) fn name(text: &str) -> Cow<'_, str> {
    match xml_line(text) {
        Cow::Borrowed(line) => clip(line, LONGEST_NAME),
        Cow::Owned(line) => Cow::Owned(clip(&line, LONGEST_NAME).into_owned()),
    }
}

/// A case that passes.
pub(in crate::report) fn case(check: &str, class: &str) -> TestCase {
    TestCase {
        name: name(check).into_owned(),
        // Evaluation time is noise.
        time: Duration::ZERO,
        result: TestResult::Success,
        classname: Some(class.to_owned()),
        filepath: None,
        system_out: None,
        system_err: None,
    }
}

/// Built literally: the crate's own constructor reads the clock.
pub(in crate::report) fn empty_suite(testcases: Vec<TestCase>) -> TestSuite {
    TestSuite {
        name: String::new(),
        package: String::new(),
        timestamp: OffsetDateTime::UNIX_EPOCH,
        hostname: "localhost".to_owned(),
        testcases,
        system_out: None,
        system_err: None,
    }
}

/// The element of a verdict, with a message of one line and the body that `body` makes where there is an element.
pub(in crate::report) fn result(verdict: Verdict, text: &str, body: impl FnOnce() -> String) -> TestResult {
    let type_ = verdict.word().to_owned();
    let texts = || (message(text), Some(body()));
    match verdict {
        Verdict::Pass => TestResult::Success,
        Verdict::Fail => {
            let (message, cause) = texts();
            TestResult::Failure { type_, message, cause }
        }
        Verdict::Undecided | Verdict::Invalid | Verdict::Missing => {
            let (message, cause) = texts();
            TestResult::Error { type_, message, cause }
        }
        Verdict::Waived | Verdict::NotJudged => {
            let (message, cause) = texts();
            TestResult::SkippedWithCause { type_, message, cause }
        }
    }
}

/// Whole seconds, UTC; `None` outside of the years that XML's readers know.
fn timestamp(taken: &str) -> Option<OffsetDateTime> {
    let seconds = micros(taken.trim())? / 1_000_000;
    OffsetDateTime::from_unix_timestamp(seconds).ok().filter(|t| (0..=9999).contains(&t.year()))
}

fn properties(run: &RunOutcome, verdict: Option<Verdict>) -> Vec<(&'static str, String)> {
    use Fact::{Build, Firmware, Product, Revision, Run, Serial, Spec, Station, Taken, Title};
    let unit = [Product, Title, Serial, Revision, Firmware, Build, Station, Taken];
    let own = unit.into_iter().chain(BENCH).chain([Run, Spec]);
    let circuit = run.circuit.as_deref().and_then(|circuit| CircuitStatement::of(circuit).sentence());
    let is_other = |finding: &&String| circuit.as_ref() != Some(*finding);
    facts(run, own)
        .chain(run.findings.iter().filter(is_other).map(|finding| ("finding", finding.as_str())))
        .chain(circuit.iter().map(|sentence| ("circuit", sentence.as_str())))
        .chain(verdict.map(|verdict| ("verdict", verdict.word())))
        .chain([("loopgauge", env!("CARGO_PKG_VERSION"))])
        .filter(|(_, value)| !value.is_empty())
        .map(|(key, value)| (key, name(value).into_owned()))
        .collect()
}

/// A line per corner; `None` when no passing check has a value.
fn values_of_passing_checks(run: &RunOutcome) -> Option<String> {
    let mut text = String::with_capacity(256 * run.corners.len());
    for corner in &run.corners {
        let mut separator = ": ";
        for check in corner.checks.iter().filter(|check| check.verdict == Verdict::Pass) {
            let Some(seen) = CheckStatement::of(corner, check).seen() else { continue };
            if separator == ": " {
                text.push_str(&xml_line(&corner.corner));
            }
            text.push_str(separator);
            text.push_str(&xml_line(&check.check));
            text.push(' ');
            text.push_str(&seen);
            separator = "; ";
        }
        if separator == "; " {
            text.push('\n');
        }
    }
    // Names are clean already; only the end mark of the section could have come together.
    if text.contains("]]>") {
        text = xml_body(&text).into_owned();
    }
    (!text.is_empty()).then_some(text)
}

/// The bytes of a suite, completed.
pub(in crate::report) fn write(
    suite: TestSuite,
    has_timestamp: bool,
    file: Option<&str>,
    properties: &[(&'static str, String)],
) -> io::Result<Vec<u8>> {
    let skipped = suite.skipped();
    let mut report = Report::new();
    let mut bytes = Vec::with_capacity(256 + 128 * suite.testcases.len());
    report.add_testsuite(suite);
    report.write_xml(&mut bytes).map_err(|error| io::Error::other(error.to_string()))?;
    complete(&bytes, &Head { skipped, has_timestamp, file, properties })
}
