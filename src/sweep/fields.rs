//! A row cut into fields.
//!
//! Quotes follow RFC 4180, section 2: a quoted field may hold delimiters and line ends, and a quote inside it is
//! doubled. Blanks around the quotes are trimmed like those around any field. A quote inside an unquoted field is an
//! ordinary character. The two things that other readers pass over in silence, text after a closing quote and a quote
//! that is never closed, are errors here: the latter would swallow all rows that follow.

use super::dialect::{Dialect, next_line};
use memchr::{memchr, memchr2, memchr3};
use std::borrow::Cow;

/// Most fields of a row. No sweep has so many columns; the bound keeps one endless line from filling the memory.
pub(super) const MOST_FIELDS: usize = 4096;

/// Where the content of a field lies in the text, blanks and quotes left off.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Field {
    /// Offset of the first byte.
    pub start: usize,
    /// Offset after the last byte.
    pub end: usize,
    /// Whether it stood in quotes; quotes inside are still doubled.
    pub quoted: bool,
}

impl Field {
    /// Its bytes as they stand in the text.
    pub fn raw(self, text: &[u8]) -> &[u8] {
        text.get(self.start..self.end).unwrap_or_default()
    }

    /// Its content, with doubled quotes made single.
    pub fn content(self, text: &str) -> Cow<'_, str> {
        let raw = text.get(self.start..self.end).unwrap_or_default();
        if self.quoted && raw.contains("\"\"") {
            Cow::Owned(raw.replace("\"\"", "\""))
        } else {
            Cow::Borrowed(raw)
        }
    }
}

/// Why a row cannot be cut up.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Uncut {
    /// More than [`MOST_FIELDS`].
    TooMany,
    /// The quote at this offset is never closed.
    Unclosed(usize),
    /// Something follows the closing quote; offset of what follows.
    AfterQuote(usize),
}

/// Cuts up the row that starts at `start` and returns the start of the next line.
///
/// With `quotes` false, quotes are ordinary characters.
///
/// # Errors
/// What is wrong; `fields` then holds the fields before it.
pub(super) fn cut(
    text: &[u8],
    start: usize,
    dialect: Dialect<'_>,
    quotes: bool,
    fields: &mut Vec<Field>,
) -> Result<usize, Uncut> {
    fields.clear();
    let mut at = start;
    loop {
        at = skip_blanks(text, at, dialect);
        if dialect.by_blanks() && !fields.is_empty() {
            // Blanks before the line end are no delimiter.
            if let Some(next) = line_end(text, at) {
                return Ok(next);
            }
        }
        if fields.len() == MOST_FIELDS {
            return Err(Uncut::TooMany);
        }
        let after = if quotes && text.get(at) == Some(&b'"') {
            quoted_field(text, at, dialect, fields)?
        } else {
            plain_field(text, at, dialect, fields)
        };
        at = match text.get(after) {
            Some(&byte) if byte == dialect.delimiter || dialect.is_blank(byte) => after + 1,
            _ => return Ok(next_line(text, after)),
        };
    }
}

/// Adds the field at `at` and returns the offset of the delimiter or line end after it.
fn plain_field(text: &[u8], at: usize, dialect: Dialect<'_>, fields: &mut Vec<Field>) -> usize {
    let rest = text.get(at..).unwrap_or_default();
    let length = if dialect.by_blanks() {
        memchr3(b' ', b'\t', b'\n', rest)
    } else {
        memchr2(dialect.delimiter, b'\n', rest)
    };
    let length = length.unwrap_or(rest.len());
    let mut raw = rest.get(..length).unwrap_or_default();
    if matches!(rest.get(length), None | Some(b'\n')) {
        raw = raw.strip_suffix(b"\r").unwrap_or(raw);
    }
    fields.push(Field { start: at, end: trim_end(text, at, at + raw.len(), dialect), quoted: false });
    at + length
}

/// Adds the quoted field that opens at `at` and returns the offset of the delimiter or line end after it.
fn quoted_field(
    text: &[u8],
    at: usize,
    dialect: Dialect<'_>,
    fields: &mut Vec<Field>,
) -> Result<usize, Uncut> {
    let start = at + 1;
    let mut end = start;
    loop {
        let rest = text.get(end..).unwrap_or_default();
        end += memchr(b'"', rest).ok_or(Uncut::Unclosed(at))?;
        if text.get(end + 1) != Some(&b'"') {
            break;
        }
        end += 2;
    }
    let from = skip_blanks(text, start, dialect).min(end);
    fields.push(Field { start: from, end: trim_end(text, from, end, dialect), quoted: true });
    let after = skip_blanks(text, end + 1, dialect);
    let parted = dialect.by_blanks() && after > end + 1;
    match text.get(after) {
        // One blank is left for the caller to step over.
        _ if parted && line_end(text, after).is_none() => Ok(after - 1),
        Some(&byte) if byte == dialect.delimiter => Ok(after),
        _ if line_end(text, after).is_some() => Ok(after),
        _ => Err(Uncut::AfterQuote(after)),
    }
}

fn skip_blanks(text: &[u8], at: usize, dialect: Dialect<'_>) -> usize {
    let rest = text.get(at..).unwrap_or_default();
    at + rest.iter().take_while(|byte| dialect.is_blank(**byte)).count()
}

fn trim_end(text: &[u8], start: usize, end: usize, dialect: Dialect<'_>) -> usize {
    let raw = text.get(start..end).unwrap_or_default();
    end - raw.iter().rev().take_while(|byte| dialect.is_blank(**byte)).count()
}

/// The start of the next line if a line, or the text, ends at `at`.
fn line_end(text: &[u8], at: usize) -> Option<usize> {
    match text.get(at..).unwrap_or_default() {
        [] => Some(text.len()),
        [b'\n', ..] | [b'\r'] => Some(at + 1),
        [b'\r', b'\n', ..] => Some(at + 2),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sweep::reading::Reading;
    use proptest::prelude::*;

    fn cut_all(text: &str, delimiter: char) -> Result<Vec<Vec<String>>, Uncut> {
        let reading = Reading { delimiter, comment: String::new(), ..Reading::default() };
        let dialect = Dialect::new(&reading, &"f.csv".into()).unwrap();
        let (mut at, mut rows, mut fields) = (0, Vec::new(), Vec::new());
        while let Some(start) = dialect.next_row(text.as_bytes(), at) {
            at = cut(text.as_bytes(), start, dialect, true, &mut fields)?;
            rows.push(fields.iter().map(|field| field.content(text).into_owned()).collect());
        }
        Ok(rows)
    }

    #[test]
    fn fields_are_trimmed_and_quotes_removed() {
        let rows = cut_all(" a , \"b, \"\"c\"\"\" ,\r\n\"d\ne\",f g,h\r", ',').unwrap();
        assert_eq!(rows, [vec!["a", "b, \"c\"", ""], vec!["d\ne", "f g", "h"]]);
        assert_eq!(cut_all("5\" probe,1", ',').unwrap(), [["5\" probe", "1"]]);
    }

    #[test]
    fn runs_of_blanks_are_one_delimiter() {
        let rows = cut_all("  a \t b  \r\n\"c d\"   e\n\"f\"\n \"g\" \t\r\n", ' ').unwrap();
        assert_eq!(rows, [vec!["a", "b"], vec!["c d", "e"], vec!["f"], vec!["g"]]);
        assert_eq!(cut_all("a\t\tb\t", '\t').unwrap(), [["a", "", "b", ""]]);
    }

    #[test]
    fn broken_quotes_are_found() {
        assert_eq!(cut_all("a,\"b", ','), Err(Uncut::Unclosed(2)));
        assert_eq!(cut_all("\"a\"b,c", ','), Err(Uncut::AfterQuote(3)));
        assert_eq!(cut_all("\"a\"b c", ' '), Err(Uncut::AfterQuote(3)));
        assert_eq!(cut_all(&",".repeat(MOST_FIELDS), ','), Err(Uncut::TooMany));
    }

    proptest! {
        /// The `csv` crate is the reference for text that it writes itself.
        #[test]
        fn agrees_with_an_independent_reader(
            rows in prop::collection::vec(prop::collection::vec("[a1,;\"\n. ]{0,6}", 3), 1..6),
            delimiter in prop::sample::select(vec![',', ';', '\t']),
            always in any::<bool>(),
        ) {
            let style = if always { csv::QuoteStyle::Always } else { csv::QuoteStyle::Necessary };
            let mut writer =
                csv::WriterBuilder::new().delimiter(delimiter as u8).quote_style(style).from_writer(Vec::new());
            for row in &rows {
                writer.write_record(row).unwrap();
            }
            let text = String::from_utf8(writer.into_inner().unwrap()).unwrap();
            let expected: Vec<Vec<String>> = rows
                .iter()
                .map(|row| row.iter().map(|field| field.trim_matches([' ', '\t']).to_owned()).collect())
                .collect();
            prop_assert_eq!(cut_all(&text, delimiter).unwrap(), expected);
        }
    }
}
