//! The pieces of one run.

use super::text::{line, row_of};
use super::worst_entries::Rank;
use crate::check::{CheckOutcome, CornerOutcome, RunOutcome, Verdict};
use crate::report::Counts;
use crate::report::statement::{
    self, BENCH, CheckStatement, CircuitStatement, Fact, UNIT, alike, calls_for_action, conditions, count_of,
    facts, names, not_judged, phrase, title, without_baseline,
};

/// Bytes of a name in a cell.
const NAME: usize = 120;
/// Bytes of several names in a cell.
const NAMES: usize = 240;
/// Bytes of a sentence in a cell.
const SENTENCE: usize = 400;
/// Bytes of a sentence in the details.
const LONG_SENTENCE: usize = 1000;
/// Bytes of the details of one run: a run in which everything is wrong must not push out all others.
const DETAILS: usize = 5000;

/// What a run gives to the report.
#[derive(Debug, Clone, Default)]
pub struct RunMarkdown {
    pub(super) not_passed: Vec<(Rank, String)>,
    pub(super) changes: Vec<(Rank, String)>,
    /// Changes that pass and lie inside their uncertainty.
    pub(super) steady: u64,
    pub(super) waived: Vec<(Rank, String)>,
    pub(super) details: Option<(Rank, String)>,
}

/// The pieces of a judged run. Text from files is harmless in them.
#[must_use]
pub fn markdown_run(run: &RunOutcome) -> RunMarkdown {
    let mut pieces = RunMarkdown::default();
    for corner in &run.corners {
        for alike in alike(corner) {
            let Some(first) = alike.first() else { continue };
            if calls_for_action(first.verdict) {
                let excess = CheckStatement::of(corner, first).excess();
                pieces.not_passed.push((rank(first.verdict, excess), row(run, corner, &alike)));
            } else {
                pieces.waived.push((Rank::new(0, None), waiver(run, corner, &alike)));
            }
        }
        for check in corner.checks.iter().filter(|check| check.accepted.is_some()) {
            let told = CheckStatement::of(corner, check);
            if told.has_changed() {
                pieces.changes.push((Rank::new(0, told.used()), change(run, corner, check)));
            } else {
                pieces.steady += 1;
            }
        }
    }
    if run.verdict != Verdict::Pass || !run.findings.is_empty() {
        pieces.details = Some((rank(run.verdict, None), details(run)));
    }
    pieces
}

/// Worst first, as everywhere.
fn rank(verdict: Verdict, degree: Option<f64>) -> Rank {
    Rank::new(u8::try_from(statement::rank(verdict)).unwrap_or(u8::MAX), degree)
}

fn row(run: &RunOutcome, corner: &CornerOutcome, alike: &[&CheckOutcome]) -> String {
    let Some(check) = alike.first() else { return String::new() };
    let told = CheckStatement::of(corner, check);
    // What has no value tells by its message what is wrong.
    let value = told.seen().unwrap_or_else(|| check.message.clone());
    let limit = told.wanted().filter(|_| check.value.is_some());
    row_of(&[
        line(&title(run), NAME),
        line(&corner.corner, NAME),
        line(&names(alike), NAMES),
        phrase(check.verdict).to_owned(),
        line(&value, SENTENCE),
        line(&limit.unwrap_or_default(), NAME),
        line(check.remedy.as_deref().unwrap_or_default(), SENTENCE),
    ])
}

fn waiver(run: &RunOutcome, corner: &CornerOutcome, alike: &[&CheckOutcome]) -> String {
    let message = alike.first().map_or("", |check| check.message.as_str());
    let (unit, corner) = (line(&title(run), NAME), line(&corner.corner, NAME));
    row_of(&[unit, corner, line(&names(alike), NAMES), line(message, SENTENCE)])
}

fn change(run: &RunOutcome, corner: &CornerOutcome, check: &CheckOutcome) -> String {
    let told = CheckStatement::of(corner, check);
    row_of(&[
        line(&title(run), NAME),
        line(&corner.corner, NAME),
        line(told.compared(), NAME),
        phrase(check.verdict).to_owned(),
        line(&told.accepted(true).unwrap_or_default(), NAME),
        line(&told.seen().unwrap_or_default(), NAME),
        line(&told.wanted().unwrap_or_default(), NAME),
        told.used().map_or_else(|| "-".to_owned(), |share| format!("{:.0} %", 100.0 * share)),
    ])
}

/// A folded part: every corner of the run that is no plain pass, in full sentences.
fn details(run: &RunOutcome) -> String {
    let counts = Counts::of(run.corners.iter().map(|corner| corner.verdict));
    let (corners, pass) = (count_of(counts.total(), "corner"), counts.get(Verdict::Pass));
    let mut text = format!(
        "<details><summary>{}: {}; {pass} of {corners} pass</summary>\n\n- run {}\n",
        line(&title(run), NAME),
        phrase(run.verdict),
        line(&run.run, LONG_SENTENCE)
    );
    let labels = [Fact::Title].into_iter().chain(UNIT).chain(BENCH);
    for (name, fact) in facts(run, labels) {
        text.push_str(&format!("- {name} {}\n", line(fact, NAMES)));
    }
    for finding in &run.findings {
        text.push_str(&format!("- noticed: {}\n", line(finding, LONG_SENTENCE)));
    }
    if let Some(told) = run.circuit.as_deref().map(CircuitStatement::of) {
        text.push_str(&format!("- parts: {}\n", line(&told.parts_line(), LONG_SENTENCE)));
        text.push_str(&format!("- circuit: {}\n", line(&told.rest_line(), LONG_SENTENCE)));
    }
    text.push_str(&format!("- spec {}\n", line(&run.spec_file, LONG_SENTENCE)));
    push_corners(&mut text, run);
    text.push_str("\n</details>\n\n");
    text
}

/// The corners that are no pass, as many lines of them as there is room for.
fn push_corners(text: &mut String, run: &RunOutcome) {
    let mut lines = run.corners.iter().filter(|corner| corner.verdict != Verdict::Pass).flat_map(about);
    let mut left = 0_usize;
    for sentence in lines.by_ref() {
        if text.len() + sentence.len() > DETAILS {
            left = 1;
            break;
        }
        text.push_str(&sentence);
    }
    left += lines.count();
    if left > 0 && !text.ends_with("\n\n") {
        text.push_str(&format!(
            "- {} cut here\n",
            count_of(u64::try_from(left).unwrap_or(u64::MAX), "more line")
        ));
    }
}

/// The lines of a corner.
fn about(corner: &CornerOutcome) -> Vec<String> {
    let level = corner.judged.as_ref().map(|judged| {
        let level = judged.level.as_deref().map(|level| format!(" at {level}")).unwrap_or_default();
        format!("; judged{level}: {}", judged.files.join(", "))
    });
    let place = format!("{}: {}{}", corner.corner, conditions(corner), level.unwrap_or_default());
    let mut lines = vec![format!("- corner {}\n", line(&place, LONG_SENTENCE))];
    for alike in alike(corner) {
        let Some(check) = alike.first() else { continue };
        let told = format!("{}: {}", names(&alike), check.message);
        lines.push(format!("  - {}, check {}\n", phrase(check.verdict), line(&told, LONG_SENTENCE)));
        if let Some(remedy) = &check.remedy {
            lines.push(format!("    - to do: {}\n", line(remedy, LONG_SENTENCE)));
        }
    }
    for names in not_judged(corner, without_baseline) {
        lines.push(format!("  - not judged: {}\n", line(&names, LONG_SENTENCE)));
    }
    lines.extend(
        corner.findings.iter().map(|finding| format!("  - noticed: {}\n", line(finding, LONG_SENTENCE))),
    );
    lines
}
