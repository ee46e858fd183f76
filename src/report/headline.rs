//! The verdict with all that is wrong, in a sentence.

use super::Tally;
use super::statement::{count_of, counts};
use crate::check::Verdict;

/// `The verdict is invalid: of 98 corners 9 are invalid, 1 is missing, 5 fail.`
pub(super) fn headline(tally: &Tally) -> String {
    match (tally.verdict(), wrong(tally)) {
        (None, _) => "There is no verdict: no run was judged.".to_owned(),
        (Some(verdict), None) => format!("The verdict is {}.", verdict.word()),
        (Some(verdict), Some(wrong)) => format!("The verdict is {}: {wrong}.", verdict.word()),
    }
}

/// `of 98 corners 9 are invalid, 1 is missing, 5 fail`: all that is no pass, the worst first; `None` when all is.
pub(super) fn wrong(tally: &Tally) -> Option<String> {
    let told = |(verdict, count): (Verdict, u64)| {
        let (is, fails) = if count == 1 { ("is", "fails") } else { ("are", "fail") };
        match verdict {
            Verdict::Fail => format!("{count} {fails}"),
            _ => format!("{count} {is} {}", verdict.word()),
        }
    };
    let is_wrong = |verdict| !matches!(verdict, Verdict::Pass | Verdict::NotJudged);
    let mut wrong: Vec<_> = counts(&tally.corners).filter(|(verdict, _)| is_wrong(*verdict)).collect();
    wrong.reverse();
    let list = wrong.into_iter().map(told).collect::<Vec<_>>().join(", ");
    (!list.is_empty()).then(|| format!("of {} {list}", count_of(tally.corners.total(), "corner")))
}
