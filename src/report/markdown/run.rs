//! The pieces of one run.

use super::shelf::Rank;
use super::text::line;
use crate::baseline::Quantity;
use crate::check::{
    CheckOutcome, CornerOutcome, Limit, NO_BASELINE, RunOutcome, Unit, Verdict, limit_text, value_text,
};
use crate::report::Counts;
use crate::report::terminal::{count_of, phrase};

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
            match first.verdict {
                Verdict::Invalid | Verdict::Missing | Verdict::Fail | Verdict::Undecided => {
                    pieces.not_passed.push((rank(first.verdict, excess(first)), row(run, corner, &alike)));
                }
                Verdict::Waived => pieces.waived.push((Rank::new(0, None), waiver(run, corner, &alike))),
                Verdict::Pass | Verdict::NotJudged => {}
            }
        }
        for check in &corner.checks {
            if check.accepted.is_some() {
                if has_changed(check) {
                    pieces.changes.push((Rank::new(0, used(check)), change(run, corner, check)));
                } else {
                    pieces.steady += 1;
                }
            }
        }
    }
    if run.verdict != Verdict::Pass {
        pieces.details = Some((rank(run.verdict, None), details(run)));
    }
    pieces
}

/// The checks of a corner that are no pass and were judged; those that say the same without a value stand together, as do all
/// comparisons of a corner that the baseline lacks.
fn alike(corner: &CornerOutcome) -> Vec<Vec<&CheckOutcome>> {
    let mut groups: Vec<Vec<&CheckOutcome>> = Vec::new();
    let told = |check: &&CheckOutcome| !matches!(check.verdict, Verdict::Pass | Verdict::NotJudged);
    for check in corner.checks.iter().filter(told) {
        let is_same = |other: &CheckOutcome| {
            other.value.is_none()
                && check.value.is_none()
                && (other.verdict, &other.message, &other.remedy)
                    == (check.verdict, &check.message, &check.remedy)
        };
        match groups.iter_mut().find(|group| group.iter().all(|other| is_same(other))) {
            Some(group) => group.push(check),
            None => groups.push(vec![check]),
        }
    }
    groups
}

fn names(checks: &[&CheckOutcome]) -> String {
    let names: Vec<&str> = checks.iter().map(|check| check.check.as_str()).collect();
    names.join(", ")
}

/// Worst first, as everywhere.
fn rank(verdict: Verdict, degree: Option<f64>) -> Rank {
    let kind = Verdict::ALL.iter().position(|other| *other == verdict);
    Rank::new(kind.and_then(|kind| u8::try_from(kind).ok()).unwrap_or(u8::MAX), degree)
}

/// How far the value lies beyond its limit, as a share of the limit; `None` without a value or with a limit of 0.
fn excess(check: &CheckOutcome) -> Option<f64> {
    let (value, limit) = (check.value?, check.limit?);
    let below = limit.min.filter(|min| *min != 0.0).map(|min| (min - value) / min.abs());
    let above = limit.max.filter(|max| *max != 0.0).map(|max| (value - max) / max.abs());
    let beyond = [below, above].into_iter().flatten().filter(|share| share.is_finite());
    beyond.max_by(f64::total_cmp).map(|share| share.max(0.0))
}

/// Which share of the allowed change is used up; 0 for a change to the better where only the worse is limited.
fn used(check: &CheckOutcome) -> Option<f64> {
    let (value, limit) = (check.value?, check.limit?);
    let shares =
        [limit.min, limit.max].into_iter().flatten().filter(|bound| *bound != 0.0).map(|bound| value / bound);
    shares.filter(|share| share.is_finite()).max_by(f64::total_cmp).map(|share| share.max(0.0))
}

/// Whether a comparison is worth a row: it is no pass, or the change is more than its uncertainty.
fn has_changed(check: &CheckOutcome) -> bool {
    let is_seen = check.value.is_some_and(|value| check.uncertainty.is_some_and(|u| value.abs() > u));
    check.verdict != Verdict::Pass || is_seen
}

fn unit_of(run: &RunOutcome) -> String {
    line(&format!("{}, {}, revision {}", run.serial, run.product, run.revision), NAME)
}

fn cells(cells: &[String]) -> String {
    format!("| {} |\n", cells.join(" | "))
}

fn row(run: &RunOutcome, corner: &CornerOutcome, alike: &[&CheckOutcome]) -> String {
    let Some(check) = alike.first() else { return String::new() };
    // What has no value tells by its message what is wrong.
    let value = value(corner, check).unwrap_or_else(|| check.message.clone());
    let limit = limit(check).filter(|_| check.value.is_some());
    cells(&[
        unit_of(run),
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
    cells(&[unit_of(run), line(&corner.corner, NAME), line(&names(alike), NAMES), line(message, SENTENCE)])
}

fn change(run: &RunOutcome, corner: &CornerOutcome, check: &CheckOutcome) -> String {
    let name = check.check.strip_prefix("regression.").unwrap_or(&check.check);
    let accepted = check.accepted.as_ref().map(|against| {
        let unit = quantity(check).map_or_else(|| check.unit.unwrap_or(Unit::One), of_quantity);
        format!("{} ({})", value_text(against.value, against.spread, unit, false), against.of)
    });
    cells(&[
        unit_of(run),
        line(&corner.corner, NAME),
        line(name, NAME),
        phrase(check.verdict).to_owned(),
        line(&accepted.unwrap_or_default(), NAME),
        line(&value(corner, check).unwrap_or_default(), NAME),
        line(&limit(check).unwrap_or_default(), NAME),
        used(check).map_or_else(|| "-".to_owned(), |share| format!("{:.0} %", 100.0 * share)),
    ])
}

/// The quantity that a comparison is about.
fn quantity(check: &CheckOutcome) -> Option<Quantity> {
    let name = check.check.strip_prefix("regression.")?;
    Quantity::ALL.into_iter().find(|quantity| quantity.name() == name)
}

const fn of_quantity(quantity: Quantity) -> Unit {
    match quantity {
        Quantity::Crossover => Unit::Hz,
        Quantity::PhaseMargin => Unit::Deg,
        Quantity::GainMargin | Quantity::GainReductionMargin => Unit::Db,
        Quantity::StabilityMargin => Unit::One,
        Quantity::DelayMargin => Unit::S,
    }
}

fn value(corner: &CornerOutcome, check: &CheckOutcome) -> Option<String> {
    let shown = || {
        let unit = check.unit.unwrap_or(Unit::One);
        Some(value_text(check.value?, check.uncertainty, unit, corner.is_bound(check)))
    };
    check.value_text.clone().or_else(shown)
}

fn limit(check: &CheckOutcome) -> Option<String> {
    let (limit, unit) = (check.limit?, check.unit.unwrap_or(Unit::One));
    if quantity(check).is_some_and(Quantity::is_relative) {
        let percent = |bound: Option<f64>| bound.map(|bound| 100.0 * bound);
        let limit = Limit { min: percent(limit.min), max: percent(limit.max) };
        return Some(format!("{} %", limit_text(&limit, Unit::One)));
    }
    Some(limit_text(&limit, unit))
}

/// A folded part: every corner of the run that is no plain pass, in full sentences.
fn details(run: &RunOutcome) -> String {
    let counts = Counts::of(run.corners.iter().map(|corner| corner.verdict));
    let (corners, pass) = (count_of(counts.total(), "corner"), counts.get(Verdict::Pass));
    let mut text = format!(
        "<details><summary>{}: {}; {pass} of {corners} pass</summary>\n\n- run {}\n",
        unit_of(run),
        phrase(run.verdict),
        line(&run.run, LONG_SENTENCE)
    );
    let facts = [
        ("firmware", &run.firmware),
        ("build", &run.build),
        ("taken", &run.taken),
        ("station", &run.station),
    ];
    for (name, fact) in facts {
        if let Some(fact) = fact {
            text.push_str(&format!("- {name} {}\n", line(fact, NAME)));
        }
    }
    text.push_str(&format!("- spec {}\n", line(&run.spec_file, LONG_SENTENCE)));
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
    text.push_str("\n</details>\n\n");
    text
}

/// The lines of a corner.
fn about(corner: &CornerOutcome) -> Vec<String> {
    let conditions: Vec<String> =
        corner.conditions.iter().map(|(name, value)| format!("{name} {value}")).collect();
    let level = corner.judged.as_ref().map(|judged| {
        let level = judged.level.as_deref().map(|level| format!(" at {level}")).unwrap_or_default();
        format!("; judged{level}: {}", judged.files.join(", "))
    });
    let place = format!("{}: {}{}", corner.corner, conditions.join(", "), level.unwrap_or_default());
    let mut lines = vec![format!("- corner {}\n", line(&place, LONG_SENTENCE))];
    for alike in alike(corner) {
        let Some(check) = alike.first() else { continue };
        let told = format!("{}: {}", names(&alike), check.message);
        lines.push(format!("  - {}, check {}\n", phrase(check.verdict), line(&told, LONG_SENTENCE)));
        if let Some(remedy) = &check.remedy {
            lines.push(format!("    - to do: {}\n", line(remedy, LONG_SENTENCE)));
        }
    }
    let mut hanging: Vec<(&str, Vec<&str>)> = Vec::new();
    for check in corner
        .checks
        .iter()
        .filter(|check| check.verdict == Verdict::NotJudged && check.message != NO_BASELINE)
    {
        match hanging.iter_mut().find(|(reason, _)| *reason == check.message) {
            Some((_, names)) => names.push(&check.check),
            None => hanging.push((&check.message, vec![&check.check])),
        }
    }
    for (reason, names) in hanging {
        let reason = reason.strip_prefix("not judged: ").unwrap_or(reason);
        lines.push(format!(
            "  - not judged: {}\n",
            line(&format!("{} ({reason})", names.join(", ")), LONG_SENTENCE)
        ));
    }
    lines.extend(
        corner.findings.iter().map(|finding| format!("  - noticed: {}\n", line(finding, LONG_SENTENCE))),
    );
    lines
}
