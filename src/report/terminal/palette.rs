//! Colours of verdicts.
//!
//! Orange red, purple, ochre and blue stay apart for the common forms of colour blindness (Okabe and Ito, Color
//! Universal Design, 2008, from memory) and are readable on dark and on light ground.

use super::Style;
use crate::check::Verdict;
use anstyle::{Ansi256Color, Color, Effects};

const fn colour(index: u8) -> anstyle::Style {
    anstyle::Style::new().fg_color(Some(Color::Ansi256(Ansi256Color(index))))
}

const ORANGE_RED: anstyle::Style = colour(166);
const PURPLE: anstyle::Style = colour(133);
const OCHRE: anstyle::Style = colour(172);
const BLUE: anstyle::Style = colour(32);

/// An error of an input.
pub const ERROR: anstyle::Style = ORANGE_RED.effects(Effects::BOLD);
/// A warning about an input.
pub const WARNING: anstyle::Style = OCHRE.effects(Effects::BOLD);
/// What to do.
pub const REMEDY: anstyle::Style = anstyle::Style::new().effects(Effects::ITALIC);
/// What matters less.
pub const QUIET: anstyle::Style = anstyle::Style::new().effects(Effects::DIMMED);
/// What matters more.
pub const STRONG: anstyle::Style = anstyle::Style::new().effects(Effects::BOLD);

/// The colour of a verdict.
#[must_use]
pub const fn of(verdict: Verdict) -> anstyle::Style {
    match verdict {
        Verdict::Invalid | Verdict::Missing => PURPLE.effects(Effects::BOLD),
        Verdict::Fail => ORANGE_RED.effects(Effects::BOLD),
        Verdict::Undecided => OCHRE.effects(Effects::BOLD),
        Verdict::Pass => BLUE,
        Verdict::Waived | Verdict::NotJudged => QUIET,
    }
}

/// Text in a colour, when colours are used.
#[must_use]
pub fn paint(text: &str, colour: anstyle::Style, style: Style) -> String {
    if style.colour { format!("{colour}{text}{colour:#}") } else { text.to_owned() }
}
