//! Text from files made harmless, verdicts as shape and word.

use crate::check::Verdict;
use crate::report::escape::{clip, terminal};
use maud::{Markup, html};

/// Longest text of one entry, characters: what is longer helps nobody and breaks the page.
const LONGEST: usize = 2000;

/// Text from a file: control characters and direction marks made visible, cut at 2000 characters. `<`, `&` and quotes are left to
/// the page's writer.
#[must_use]
pub fn safe(text: &str) -> String {
    clip(&terminal(text), LONGEST).into_owned()
}

/// The verdict's class in the style sheet.
#[must_use]
pub const fn class(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Pass => "v-pass",
        Verdict::Fail => "v-fail",
        Verdict::Undecided => "v-undecided",
        Verdict::Invalid => "v-invalid",
        Verdict::Missing => "v-missing",
        Verdict::Waived => "v-waived",
        Verdict::NotJudged => "v-not",
    }
}

/// The word that a reader sees.
#[must_use]
pub const fn word(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::NotJudged => "not judged",
        _ => verdict.word(),
    }
}

/// Shape and word.
#[must_use]
pub fn mark(verdict: Verdict) -> Markup {
    html! { span.v.(class(verdict)) { (word(verdict)) } }
}

/// What the verdict says.
#[must_use]
pub const fn meaning(verdict: Verdict) -> &'static str {
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

/// A check's name as it reads.
#[must_use]
pub fn check_name(check: &str) -> String {
    safe(&check.replace('_', " "))
}
