//! A corner: which of its checks say the same, and what its verdict rests on.

use super::check::CheckStatement;
use super::verdict::by_reason;
use crate::check::{CheckOutcome, CornerOutcome, NO_BASELINE, Verdict};

/// `input 24 V, load 3 A`; empty for a corner without conditions.
pub(in crate::report) fn conditions(corner: &CornerOutcome) -> String {
    let pairs: Vec<String> =
        corner.conditions.iter().map(|(name, value)| format!("{name} {value}")).collect();
    pairs.join(", ")
}

/// The check of a corner that lies nearest to its limit, relative to the limit, or beyond it the most; comparisons with a baseline do not
/// count. With its headroom.
pub(in crate::report) fn nearest(corner: &CornerOutcome) -> Option<(f64, &CheckOutcome)> {
    let limits = corner.checks.iter().filter(|check| !check.check.starts_with("regression."));
    let known = limits.filter_map(|check| Some((CheckStatement::of(corner, check).headroom()?, check)));
    known.min_by(|a, b| a.0.total_cmp(&b.0))
}

/// The checks that decide a corner's verdict.
pub(in crate::report) fn deciding(corner: &CornerOutcome) -> impl Iterator<Item = &CheckOutcome> {
    corner.checks.iter().filter(|c| c.verdict == corner.verdict && c.verdict != Verdict::Pass)
}

/// The checks that were judged and are no pass.
pub(in crate::report) fn calling(corner: &CornerOutcome) -> impl Iterator<Item = &CheckOutcome> {
    corner.checks.iter().filter(|c| !matches!(c.verdict, Verdict::Pass | Verdict::NotJudged))
}

/// The checks that were judged and are no pass; those that say the same without a value stand together, as do all
/// comparisons of a corner that the baseline lacks.
pub(in crate::report) fn alike(corner: &CornerOutcome) -> Vec<Vec<&CheckOutcome>> {
    let mut groups: Vec<Vec<&CheckOutcome>> = Vec::new();
    for check in calling(corner) {
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

/// Names of checks, for a list in a sentence.
pub(in crate::report) fn names(checks: &[&CheckOutcome]) -> String {
    let names: Vec<&str> = checks.iter().map(|check| check.check.as_str()).collect();
    names.join(", ")
}

/// `crossover, crossings (linearity is invalid)`: the checks that are not judged, a line per reason, reasons in the order they
/// appear.
pub(in crate::report) fn not_judged<'a>(
    corner: &'a CornerOutcome,
    is_told: impl Fn(&CheckOutcome) -> bool,
) -> Vec<String> {
    let checks = corner.checks.iter().filter(|c| c.verdict == Verdict::NotJudged && is_told(c));
    let reasons: Vec<(&'a str, Vec<&'a str>)> =
        by_reason(checks.map(|check| (check.message.as_str(), check.check.as_str())));
    reasons.into_iter().map(|(reason, names)| format!("{} ({reason})", names.join(", "))).collect()
}

/// Whether a check is not judged for more than that no baseline was given, which is known to who gave none.
pub(in crate::report) fn without_baseline(check: &CheckOutcome) -> bool {
    check.message != NO_BASELINE
}
