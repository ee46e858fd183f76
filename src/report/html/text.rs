//! Text from files made harmless, verdicts as shape and word.

use crate::check::{Role, Verdict};
use crate::report::escape::{clip, terminal};
use crate::report::statement::phrase;
use maud::{Markup, html};

/// Longest text of one entry, characters: what is longer helps nobody and breaks the page.
const LONGEST: usize = 2000;

/// Stands for the number of the run.
pub(super) const RUN: char = '\u{1}';
/// Before and after the number of a corner: here a link to its detail begins, if it has one.
pub(super) const LINK: char = '\u{2}';
/// Here that link ends.
pub(super) const LINK_END: char = '\u{3}';
/// Stands for ` open`, if there are few details.
pub(super) const OPEN: char = '\u{4}';

/// Text from a file: control characters and direction marks made visible, cut at 2000 characters. `<`, `&` and quotes are left to
/// the page's writer.
#[must_use]
pub(crate) fn safe(text: &str) -> String {
    clip(&terminal(text), LONGEST).into_owned()
}

/// The verdict's class in the style sheet.
#[must_use]
pub(crate) const fn class(verdict: Verdict) -> &'static str {
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

/// Class of a level's line.
pub(crate) const fn role_class(role: Role) -> &'static str {
    match role {
        Role::Judged => "curve judged",
        Role::Confirms => "curve confirms",
        Role::Other => "curve other",
        Role::Accepted => "curve accepted",
    }
}

/// Shape and word.
#[must_use]
pub(crate) fn mark(verdict: Verdict) -> Markup {
    html! { span.v.(class(verdict)) { (phrase(verdict)) } }
}

/// As many of the texts as there is room for, bytes; what follows the first that has none is not made.
pub(super) fn fitting<'a>(
    texts: impl Iterator<Item = String> + 'a,
    room: &'a mut usize,
) -> impl Iterator<Item = String> + 'a {
    texts.map_while(|text| {
        *room = room.checked_sub(text.len())?;
        Some(text)
    })
}

/// What is to be done.
pub(super) fn to_do(text: &str) -> Markup {
    html! { p.todo { b { "To do: " } (safe(text)) } }
}

/// Numbers with a minus sign that is one.
pub(super) fn minus(text: &str) -> String {
    text.replace('-', "\u{2212}")
}

/// With its first letter large.
pub(super) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// A check's name as it reads.
#[must_use]
pub(crate) fn check_name(check: &str) -> String {
    safe(&check.replace('_', " "))
}
