//! What is wrong with an input: where, what stood there, what is wanted, how to mend it.
//!
//! Every reader of outside data returns diagnostics, and rendering is left to the reports.

mod suggest;

pub use suggest::nearest;

use std::ops::Range;
use std::sync::Arc;

/// How bad it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// Legal, but unwise.
    Warning,
    /// The input cannot be used.
    Error,
}

/// Where in the inputs.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Place {
    /// The file as it was reached from the command line, with `/`.
    pub file: Arc<str>,
    /// 1-based line; `None` where there is none.
    pub line: Option<u64>,
    /// 1-based column: of characters in YAML, the number of the field in a sweep.
    pub column: Option<u64>,
    /// Path of the key in YAML: `limits.crossover.max`.
    pub key: Option<String>,
}

/// The offending line and the part of it that is meant.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Excerpt {
    /// The line, without its end; long lines are cut around the mark.
    pub text: String,
    /// The part that is meant, in bytes of `text`.
    pub mark: Range<usize>,
}

/// Longest excerpt shown, in characters: a terminal line or two.
const EXCERPT_CHARACTERS: usize = 160;

impl Excerpt {
    /// The part `mark` (bytes) of `line`, cut to a readable length around the mark.
    ///
    /// A mark outside the line, or not on a character's edge, is moved to the nearest edge inside.
    #[must_use]
    pub fn new(line: &str, mark: Range<usize>) -> Self {
        let start = line.floor_char_boundary(mark.start.min(line.len()));
        let end = line.ceil_char_boundary(mark.end.min(line.len())).max(start);
        // Keep some context before the mark, then as much as fits.
        let before = line.get(..start).unwrap_or("").char_indices().rev().take(EXCERPT_CHARACTERS / 2).last();
        let from =
            if line.chars().count() <= EXCERPT_CHARACTERS { 0 } else { before.map_or(start, |(at, _)| at) };
        let tail = line.get(from..).unwrap_or("");
        let text: String = tail.chars().take(EXCERPT_CHARACTERS).collect();
        let length = text.len();
        Self { text, mark: (start - from).min(length)..(end - from).min(length) }
    }
}

/// One finding about an input.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub struct Diagnostic {
    /// Stable name of the finding, kebab-case.
    pub code: &'static str,
    /// How bad it is.
    pub severity: Severity,
    /// What stood there and what is wanted, one sentence.
    pub message: String,
    /// Where; `None` when it is no place in a file.
    pub place: Option<Place>,
    /// The offending line, where there is one.
    pub excerpt: Option<Excerpt>,
    /// How to mend it.
    pub help: Option<String>,
}

impl Diagnostic {
    /// An error without a place yet.
    #[must_use]
    pub fn error(code: &'static str, message: impl Into<String>) -> Self {
        Self {
            code,
            severity: Severity::Error,
            message: message.into(),
            place: None,
            excerpt: None,
            help: None,
        }
    }

    /// A warning without a place yet.
    #[must_use]
    pub fn warning(code: &'static str, message: impl Into<String>) -> Self {
        Self { severity: Severity::Warning, ..Self::error(code, message) }
    }

    /// Puts it in a file, without a line.
    #[must_use]
    pub fn in_file(mut self, file: &Arc<str>) -> Self {
        self.place = Some(Place { file: Arc::clone(file), line: None, column: None, key: None });
        self
    }

    /// Says how to mend it.
    #[must_use]
    pub fn with_help(mut self, help: impl Into<String>) -> Self {
        self.help = Some(help.into());
        self
    }

    /// `file:line:column: key: message`, on one line.
    #[must_use]
    pub fn one_line(&self) -> String {
        let mut text = String::new();
        if let Some(place) = &self.place {
            text.push_str(&place.file);
            for number in [place.line, place.column].into_iter().flatten() {
                text.push_str(&format!(":{number}"));
            }
            text.push_str(": ");
            if let Some(key) = place.key.as_ref().filter(|key| !key.is_empty()) {
                text.push_str(key);
                text.push_str(": ");
            }
        }
        text.push_str(&self.message);
        text
    }
}

/// Whether any of them is an error.
#[must_use]
pub fn has_errors(diagnostics: &[Diagnostic]) -> bool {
    diagnostics.iter().any(|d| d.severity == Severity::Error)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn excerpts_stay_short_and_keep_the_mark() {
        let line = format!("{}{}{}", "a".repeat(500), "WRONG", "b".repeat(500));
        let excerpt = Excerpt::new(&line, 500..505);
        assert_eq!(&excerpt.text[excerpt.mark.clone()], "WRONG");
        assert!(excerpt.text.chars().count() <= EXCERPT_CHARACTERS);
        let short = Excerpt::new("µ: 1", 0..99);
        assert_eq!(short.mark, 0..5);
        assert_eq!(Excerpt::new("µµ", 1..1).mark, 0..2);
    }
}
