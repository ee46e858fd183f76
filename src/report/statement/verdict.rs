//! Verdicts and counts in words.

use crate::check::Verdict;
use crate::report::counts::Counts;

/// The verdict in running text.
pub(in crate::report) const fn phrase(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::NotJudged => "not judged",
        _ => verdict.word(),
    }
}

/// The heading of what has this verdict.
pub(in crate::report) const fn heading(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Invalid => "Invalid: the measurement cannot carry a verdict",
        Verdict::Missing => "Missing: declared and not collected",
        Verdict::Fail => "Fail: shown not to be met",
        Verdict::Undecided => "Undecided: the limit lies within the uncertainty",
        Verdict::Waived => "Waived",
        Verdict::Pass | Verdict::NotJudged => "Everything else",
    }
}

/// What the verdict says.
pub(in crate::report) const fn meaning(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Pass => "the requirement is shown to be met",
        Verdict::Fail => "shown not to be met",
        Verdict::Undecided => "the limit lies inside the value's uncertainty",
        Verdict::Invalid => "the measurement cannot carry a verdict",
        Verdict::Missing => "declared in the spec, and nothing was collected",
        Verdict::Waived => "a waiver in force covers it",
        Verdict::NotJudged => "hangs on something invalid or missing, or was not asked for",
    }
}

/// Whether somebody has to do something.
pub(in crate::report) const fn calls_for_action(verdict: Verdict) -> bool {
    matches!(verdict, Verdict::Invalid | Verdict::Missing | Verdict::Fail | Verdict::Undecided)
}

/// Place of the verdict among all, the worst first.
pub(in crate::report) fn rank(verdict: Verdict) -> usize {
    Verdict::ALL.iter().position(|other| *other == verdict).unwrap_or(Verdict::ALL.len())
}

/// The verdicts that were given, with how often, the best first.
pub(in crate::report) fn counts(counts: &Counts) -> impl Iterator<Item = (Verdict, u64)> {
    let count = |verdict: Verdict| (verdict, counts.get(verdict));
    Verdict::ALL.into_iter().rev().map(count).filter(|(_, count)| *count > 0)
}

/// A message beside which the verdict stands already.
pub(in crate::report) fn without_prefix(message: &str) -> &str {
    message.strip_prefix("not judged: ").unwrap_or(message)
}

/// Names by what holds for them alike, both in the order they appear.
pub(in crate::report) fn by_reason<'a, N>(
    entries: impl Iterator<Item = (&'a str, N)>,
) -> Vec<(&'a str, Vec<N>)> {
    let mut reasons: Vec<(&str, Vec<N>)> = Vec::new();
    for (message, name) in entries {
        let reason = without_prefix(message);
        match reasons.iter_mut().find(|(known, _)| *known == reason) {
            Some((_, names)) => names.push(name),
            None => reasons.push((reason, vec![name])),
        }
    }
    reasons
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reason_is_told_once() {
        let entries = [("not judged: a", 1), ("b", 2), ("a", 3)];
        assert_eq!(by_reason(entries.into_iter()), [("a", vec![1, 3]), ("b", vec![2])]);
    }

    #[test]
    fn the_worst_has_the_first_rank() {
        let worst = Verdict::worst(Verdict::ALL).unwrap();
        assert!(Verdict::ALL.iter().all(|verdict| rank(worst) <= rank(*verdict)));
    }
}
