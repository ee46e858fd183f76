//! Delimiter, decimal mark and comment mark of a file, and the lines that are no rows.

use super::reading::Reading;
use crate::diagnostic::Diagnostic;
use memchr::memchr;
use std::sync::Arc;

/// The delimiters there are, with the word that declares each of them in a `reading`.
pub(super) const DELIMITERS: [(u8, &str); 4] =
    [(b',', "\",\""), (b';', "\";\""), (b'\t', "tab"), (b' ', "space")];

/// How rows are cut up, as plain bytes.
#[derive(Debug, Clone, Copy)]
pub(super) struct Dialect<'r> {
    /// `,` `;` tab or space.
    pub delimiter: u8,
    /// Whether `,` is the decimal mark, else `.` is.
    pub decimal_comma: bool,
    /// What a comment line begins with; empty when there are none.
    pub comment: &'r [u8],
}

impl<'r> Dialect<'r> {
    /// The dialect that a reading declares.
    ///
    /// # Errors
    /// A delimiter or a decimal mark that is none of those allowed.
    pub fn new(reading: &'r Reading, file: &Arc<str>) -> Result<Self, Vec<Diagnostic>> {
        let wrong = |key: &str, found: char, wanted: &str| {
            let message = format!("`reading.{key}` is {found:?}; {wanted} is wanted");
            vec![Diagnostic::error("sweep-reading", message).in_file(file)]
        };
        let delimiter =
            DELIMITERS.iter().map(|(byte, _)| *byte).find(|byte| char::from(*byte) == reading.delimiter);
        let delimiter =
            delimiter.ok_or_else(|| wrong("delimiter", reading.delimiter, "`,` `;` `tab` or `space`"))?;
        if !matches!(reading.decimal, '.' | ',') {
            return Err(wrong("decimal", reading.decimal, "`.` or `,`"));
        }
        Ok(Self { delimiter, decimal_comma: reading.decimal == ',', comment: reading.comment.as_bytes() })
    }

    /// Whether the byte is a blank that is trimmed from the ends of a field.
    #[inline]
    pub fn is_blank(self, byte: u8) -> bool {
        byte == b' ' || (byte == b'\t' && self.delimiter != b'\t')
    }

    /// Whether runs of blanks part the fields.
    #[inline]
    pub fn by_blanks(self) -> bool {
        self.delimiter == b' '
    }

    /// Whether a delimiter, or one of a run of blanks.
    #[inline]
    pub fn parts(self, byte: u8) -> bool {
        byte == self.delimiter || (self.by_blanks() && byte == b'\t')
    }

    /// Start of the next row at or after the start of a line at `at`; `None` when only blank lines and comments follow.
    #[inline]
    pub fn next_row(self, text: &[u8], at: usize) -> Option<usize> {
        let first = *text.get(at)?;
        let plain = first > b' ' && self.comment.first() != Some(&first);
        if plain { Some(at) } else { self.next_row_after(text, at) }
    }

    #[cold]
    fn next_row_after(self, text: &[u8], mut at: usize) -> Option<usize> {
        while let Some(rest) = text.get(at..).filter(|rest| !rest.is_empty()) {
            let comment = !self.comment.is_empty() && rest.starts_with(self.comment);
            if !comment && !self.is_blank_line(rest) {
                return Some(at);
            }
            // A run of empty lines is passed over at once.
            let empty = rest.iter().take_while(|byte| **byte == b'\n').count();
            at = if empty > 0 { at + empty } else { next_line(text, at) };
        }
        None
    }

    fn is_blank_line(self, rest: &[u8]) -> bool {
        let blanks = rest.iter().take_while(|byte| self.is_blank(**byte)).count();
        matches!(rest.get(blanks..).unwrap_or_default(), [] | [b'\n', ..] | [b'\r'] | [b'\r', b'\n', ..])
    }
}

/// Start of the line after the one that holds `at`; the end of the text when there is none.
pub(super) fn next_line(text: &[u8], at: usize) -> usize {
    let rest = text.get(at..).unwrap_or_default();
    memchr(b'\n', rest).map_or(text.len(), |length| at + length + 1)
}

/// Line ends between two offsets, `from` at most `to`.
pub(super) fn line_ends(text: &[u8], from: usize, to: usize) -> u64 {
    memchr::memchr_iter(b'\n', text.get(from..to).unwrap_or_default()).count() as u64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn blank_lines_and_comments_are_no_rows() {
        let reading = Reading { comment: "//".to_owned(), ..Reading::default() };
        let dialect = Dialect::new(&reading, &Arc::from("f")).unwrap();
        let text = b"\r\n \t \n// 1,2\n/1,2\n";
        let row = dialect.next_row(text, 0).unwrap();
        assert_eq!(&text[row..row + 2], b"/1");
        assert_eq!(dialect.next_row(b" \t\r", 0), None);
        assert_eq!(dialect.next_row(b"\r1", 0), Some(0));
    }

    #[test]
    fn a_line_of_tabs_is_a_row_where_tabs_part_the_fields() {
        let reading = Reading { delimiter: '\t', ..Reading::default() };
        assert_eq!(Dialect::new(&reading, &Arc::from("f")).unwrap().next_row(b"\t\t\n", 0), Some(0));
    }

    #[test]
    fn other_marks_are_refused() {
        let reading = Reading { delimiter: '|', ..Reading::default() };
        assert!(
            Dialect::new(&reading, &Arc::from("f")).unwrap_err()[0]
                .message
                .contains("`reading.delimiter` is '|'")
        );
        let reading = Reading { decimal: '·', ..Reading::default() };
        assert!(Dialect::new(&reading, &Arc::from("f")).unwrap_err()[0].message.contains("`.` or `,`"));
    }
}
