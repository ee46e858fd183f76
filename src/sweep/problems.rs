//! Places, excerpts and texts of the errors in a sweep file.

use super::convert::{Form, NoGain};
use super::fields::{MOST_FIELDS, Uncut};
use super::number::NotANumber;
use super::reading::GainUnit;
use crate::diagnostic::{Diagnostic, Excerpt, Place};
use memchr::{memchr, memrchr};
use std::ops::Range;
use std::sync::Arc;

/// After so many errors a file is put down: more of them say nothing new.
pub(super) const MOST_ERRORS: usize = 20;

/// Bytes of a line kept on either side of a mark; more than an excerpt shows, and little enough for a line without end.
const CONTEXT: usize = 1000;

/// Longest piece of a file shown in a message, in characters.
const MOST_SHOWN: usize = 40;

/// The text that errors point into.
#[derive(Debug, Clone, Copy)]
pub(super) struct Source<'a> {
    /// The file's name.
    pub file: &'a Arc<str>,
    /// Its text, skipped rows left off.
    pub text: &'a str,
    /// Number of the first line of the text.
    pub first_line: u64,
}

impl Source<'_> {
    /// An error about a part of the text, given in bytes, that lies in this line and field (both from 1).
    pub fn error(
        &self,
        code: &'static str,
        message: String,
        line: u64,
        column: Option<usize>,
        part: Range<usize>,
    ) -> Diagnostic {
        let mut diagnostic = Diagnostic::error(code, message);
        let column = column.map(|column| column as u64);
        diagnostic.place = Some(Place { file: Arc::clone(self.file), line: Some(line), column, key: None });
        diagnostic.excerpt = Some(excerpt(self.text, part));
        diagnostic
    }

    /// An error about the file as a whole.
    pub fn whole(&self, code: &'static str, message: impl Into<String>) -> Diagnostic {
        Diagnostic::error(code, message).in_file(self.file)
    }
}

/// The line around a part of the text.
pub(super) fn excerpt(text: &str, part: Range<usize>) -> Excerpt {
    let start = part.start.min(text.len());
    let from = text.floor_char_boundary(start.saturating_sub(CONTEXT));
    let before = text.as_bytes().get(from..start).unwrap_or_default();
    let from = memrchr(b'\n', before).map_or(from, |at| from + at + 1);
    let to = text.ceil_char_boundary(part.end.min(start + CONTEXT).saturating_add(CONTEXT).min(text.len()));
    let after = text.as_bytes().get(start..to).unwrap_or_default();
    let to = memchr(b'\n', after).map_or(to, |at| start + at);
    let line = text.get(from..to).unwrap_or_default();
    let line = line.strip_suffix('\r').unwrap_or(line);
    Excerpt::new(line, start - from..part.end.saturating_sub(from).min(line.len()))
}

/// A piece of the file for a message: in backquotes, cut when it is long.
pub(super) fn shown(piece: &str) -> String {
    match piece.char_indices().nth(MOST_SHOWN) {
        Some((at, _)) => format!("`{}…`", piece.get(..at).unwrap_or_default()),
        None => format!("`{piece}`"),
    }
}

/// A frequency with all its digits: two that differ must look different.
pub(super) fn hertz(value: f64) -> String {
    // The range in which people write a frequency without an exponent.
    if (1e-3..1e12).contains(&value.abs()) || value == 0.0 {
        format!("{value} Hz")
    } else {
        format!("{value:e} Hz")
    }
}

/// What a number that could not be read is, what is wanted, and how to mend it.
pub(super) fn not_a_number(
    why: NotANumber,
    found: &str,
    quantity: &str,
    decimal_comma: bool,
) -> (String, Option<String>) {
    let example = if quantity == "frequency" { "1250.5" } else { "-12.5" };
    let (mark, example) =
        if decimal_comma { ("comma", example.replace('.', ",")) } else { ("point", example.to_owned()) };
    let message = match why {
        NotANumber::Empty => {
            format!("nothing stands where the {quantity} is wanted, a number such as `{example}`")
        }
        NotANumber::TooLarge => format!("{} is too large for the {quantity}", shown(found)),
        NotANumber::Text => format!(
            "{} is no number; the {quantity} is wanted, with a decimal {mark} if any, such as `{example}`",
            shown(found)
        ),
    };
    let has = |mark: char| found.contains(mark);
    let help = match why {
        NotANumber::Text if is_pair(found) => Some(
            "this is two numbers in one field: declare its column for both, such as `reading: {columns: {real: NAME, imag: NAME}}`, or as \
             `gain` and `phase` with their units"
                .to_owned(),
        ),
        NotANumber::Text if has(',') && has('.') => Some("write it without thousands separators".to_owned()),
        NotANumber::Text if has(',') && !decimal_comma => {
            Some("if the comma is the decimal mark, declare `reading: {decimal: \",\"}`".to_owned())
        }
        NotANumber::Text if has('.') && decimal_comma => {
            Some("if the point is the decimal mark, leave `decimal: \",\"` out of `reading`".to_owned())
        }
        NotANumber::Empty | NotANumber::Text => {
            Some("a sweep has no gaps: measure the point again, or remove its row".to_owned())
        }
        NotANumber::TooLarge => None,
    };
    (message, help)
}

/// Whether a text looks like a complex number or a pair: `1+2i`, `(1,2)`, `(40dB,170deg)`.
pub(super) fn is_pair(found: &str) -> bool {
    let found = found.trim();
    let is_part = |part: &str| {
        let part = part.trim().trim_end_matches(|c: char| c.is_ascii_alphabetic() || c == '°');
        part.ends_with(|c: char| c.is_ascii_digit() || c == '.')
            && part.replace(',', ".").parse::<f64>().is_ok()
    };
    let inside = found.strip_prefix('(').and_then(|rest| rest.strip_suffix(')')).unwrap_or(found);
    if inside.len() < found.len() && inside.split_once(',').is_some_and(|(a, b)| is_part(a) && is_part(b)) {
        return true;
    }
    // The last sign that belongs to no exponent parts the two.
    let mut signs = inside.bytes().enumerate().skip(1).filter(|(at, byte)| {
        let before = inside.as_bytes().get(at - 1);
        matches!(byte, b'+' | b'-') && !matches!(before, Some(b'e' | b'E'))
    });
    let parts = signs.next_back().and_then(|(at, _)| inside.split_at_checked(at));
    inside.ends_with(['i', 'j']) && parts.is_some_and(|(real, imag)| is_part(real) && is_part(imag))
}

/// What numbers that make no loop gain are, and how to mend it.
pub(super) fn no_gain(why: NoGain, form: Form, found: &str) -> (String, Option<String>) {
    let found = shown(found);
    match why {
        NoGain::RatioNotPositive(_) if matches!(form, Form::PolarSides(_)) => {
            let help =
                "for magnitudes in decibels declare the `unit: dB` of both sides under `reading.columns`";
            (format!("the magnitude is {found}, but it must be above 0"), Some(help.to_owned()))
        }
        NoGain::RatioNotPositive(_) => {
            let help = "for a gain in decibels name the column `gain_db`, or declare its `unit: dB` under \
                        `reading.columns.gain`";
            (format!("the gain is {found}, but a ratio must be above 0"), Some(help.to_owned()))
        }
        NoGain::Zero(at) => {
            let side = match (form, at) {
                (Form::Sides, 1) => "input side",
                (Form::Sides, _) => "output side",
                _ => "loop gain",
            };
            let message = format!(
                "the {side} is 0 (real and imaginary part); its magnitude must be above 0 to have a phase"
            );
            (message, Some("measure the point again, or remove its row".to_owned()))
        }
        NoGain::Magnitude(_) => {
            let ratio = matches!(form, Form::Polar(GainUnit::Decibel, _));
            let help = ratio.then(|| "if the gain is a ratio, declare `unit: ratio`".to_owned());
            (format!("{found} gives a loop gain beyond 6000 dB either way; no loop has that"), help)
        }
        NoGain::Phase(_) => {
            (format!("a phase of {found} is more than a hundred million turns; no loop has that"), None)
        }
    }
}

/// What is wrong with the quotes or the length of a row, the offset that is meant, and how to mend it.
pub(super) fn uncut(why: Uncut, start: usize) -> (&'static str, String, usize, &'static str) {
    match why {
        Uncut::TooMany => (
            "sweep-row",
            format!("the row has more than {MOST_FIELDS} fields, which no sweep needs"),
            start,
            "check that this is a sweep file, and its line ends and delimiter",
        ),
        Uncut::Unclosed(at) => (
            "sweep-quotes",
            "the quote that opens this field is never closed".to_owned(),
            at,
            "close it with `\"`; a quote inside a quoted field is doubled",
        ),
        Uncut::BeforeQuote(at) => (
            "sweep-quotes",
            "blanks stand before the quote that opens this field".to_owned(),
            at,
            "remove the blanks: only at the very start of a field does a quote open it",
        ),
        Uncut::AfterQuote(at) => (
            "sweep-quotes",
            "text follows the closing quote of a field; a delimiter or the end of the line is wanted"
                .to_owned(),
            at,
            "put the whole field in quotes; a quote inside is doubled",
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn excerpts_hold_one_line_and_the_mark() {
        let text = "a,b\r\nµ1,x,3\r\nc";
        let start = text.find('x').unwrap();
        let found = excerpt(text, start..start + 1);
        assert_eq!((found.text.as_str(), found.mark), ("µ1,x,3", 4..5));
        let last = excerpt(text, text.len() - 1..text.len());
        assert_eq!((last.text.as_str(), last.mark), ("c", 0..1));
        let long = "µ".repeat(5000);
        let found = excerpt(&long, 5001..5003);
        assert!(found.text.chars().all(|c| c == 'µ'));
        // A field over several lines is marked to the end of its first line.
        assert_eq!(excerpt("ab\ncd", 1..4).mark, 1..2);
    }

    #[test]
    fn pieces_are_cut_between_characters() {
        assert_eq!(shown("x"), "`x`");
        assert_eq!(shown(&"µ".repeat(50)), format!("`{}…`", "µ".repeat(40)));
    }

    #[test]
    fn frequencies_keep_their_digits() {
        assert_eq!(hertz(1000.0), "1000 Hz");
        assert_eq!(hertz(1000.000001), "1000.000001 Hz");
        assert_eq!(hertz(1e300), "1e300 Hz");
        assert_eq!(hertz(-5.0), "-5 Hz");
    }
}
