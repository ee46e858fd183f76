//! A row cut into fields.
//!
//! A file without quotes is cut at its delimiters. One with quotes is parsed by the `csv` crate, as RFC 4180, section 2
//! has it: a quoted field may hold delimiters and line ends, and a quote inside it is doubled. Blanks after the closing
//! quote are passed over, and a quote inside an unquoted field is an ordinary character. What `csv` lets pass in silence is
//! an error here: text after a closing quote (`"1"2` is not 12), a quote that is never closed and swallows all rows that
//! follow, and blanks before a quote, which make it an ordinary character.

use super::dialect::{Dialect, next_line};
use memchr::{memchr, memchr_iter};
use std::borrow::Cow;
use std::io::Cursor;

/// Most fields of a row. No sweep has so many columns; the bound keeps one endless line from filling the memory.
pub(super) const MOST_FIELDS: usize = 4096;

/// The byte order mark in UTF-8.
const MARK: &[u8] = b"\xEF\xBB\xBF";

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
    /// More than [`MOST_FIELDS`], or as many delimiters in one line.
    TooMany,
    /// The quote at this offset is never closed.
    Unclosed(usize),
    /// Blanks stand before the quote at this offset.
    BeforeQuote(usize),
    /// Something follows the closing quote; offset of what follows.
    AfterQuote(usize),
}

/// Cuts up the rows of a text.
#[derive(Debug)]
pub(super) struct Cutter<'a> {
    text: &'a [u8],
    dialect: Dialect<'a>,
    quoted: Option<Quoted<'a>>,
}

/// The `csv` crate at work on a text. Where both blanks and tabs part the fields, its text has blanks for tabs.
#[derive(Debug)]
struct Quoted<'a> {
    reader: csv::Reader<Cursor<Cow<'a, [u8]>>>,
    record: csv::ByteRecord,
}

impl<'a> Cutter<'a> {
    /// Looks for quotes in the text.
    pub fn new(text: &'a [u8], dialect: Dialect<'a>) -> Self {
        let quoted = memchr(b'"', text).map(|_| Quoted::new(text, dialect));
        Self { text, dialect, quoted }
    }

    /// Whether there are quotes anywhere in the text.
    pub fn has_quotes(&self) -> bool {
        self.quoted.is_some()
    }

    /// Cuts up the row that starts at `start`, not inside a field, and returns the start of the next line.
    ///
    /// # Errors
    /// What is wrong; `fields` then holds the fields before it.
    pub fn cut(&mut self, start: usize, fields: &mut Vec<Field>) -> Result<usize, Uncut> {
        fields.clear();
        let marked = self.text.get(start..).is_some_and(|rest| rest.starts_with(MARK));
        // A mark within the text is part of a field, but `csv` passes over it wherever it starts to read.
        if let Some(quoted) = self.quoted.as_mut().filter(|_| !marked) {
            return quoted.cut(start, self.dialect, fields);
        }
        let next = next_line(self.text, start);
        let line = self.text.get(start..next).unwrap_or_default();
        let line = line.strip_suffix(b"\n").unwrap_or(line);
        let line = line.strip_suffix(b"\r").unwrap_or(line);
        let mut at = start;
        for piece in line.split(|byte| self.dialect.parts(*byte)) {
            add(Field { start: at, end: at + piece.len(), quoted: false }, self.text, self.dialect, fields)?;
            at += piece.len() + 1;
        }
        Ok(next)
    }
}

/// Adds a field, blanks at its ends left off; nothing between two blanks is no field where blanks part them.
fn add(field: Field, text: &[u8], dialect: Dialect<'_>, fields: &mut Vec<Field>) -> Result<(), Uncut> {
    let raw = field.raw(text);
    if dialect.by_blanks() && raw.is_empty() && !field.quoted {
        return Ok(());
    }
    if fields.len() == MOST_FIELDS {
        return Err(Uncut::TooMany);
    }
    let end = field.start + without_end(raw, |byte| dialect.is_blank(byte)).len();
    let blanks = raw.iter().take_while(|byte| dialect.is_blank(**byte)).count();
    fields.push(Field { start: field.start + blanks, end: end.max(field.start + blanks), ..field });
    Ok(())
}

fn without_end(mut bytes: &[u8], passed: impl Fn(u8) -> bool) -> &[u8] {
    while let Some((last, before)) = bytes.split_last()
        && passed(*last)
    {
        bytes = before;
    }
    bytes
}

impl<'a> Quoted<'a> {
    fn new(text: &'a [u8], dialect: Dialect<'a>) -> Self {
        let text = if dialect.by_blanks() && memchr(b'\t', text).is_some() {
            Cow::Owned(text.iter().map(|byte| if *byte == b'\t' { b' ' } else { *byte }).collect())
        } else {
            Cow::Borrowed(text)
        };
        let mut reader = csv::ReaderBuilder::new()
            .delimiter(dialect.delimiter)
            .terminator(csv::Terminator::Any(b'\n'))
            .has_headers(false)
            .flexible(true)
            .from_reader(Cursor::new(text));
        // Else seeking reads the first row to find them.
        reader.set_byte_headers(csv::ByteRecord::new());
        Self { reader, record: csv::ByteRecord::new() }
    }

    fn cut(&mut self, start: usize, dialect: Dialect<'_>, fields: &mut Vec<Field>) -> Result<usize, Uncut> {
        let Self { reader, record } = self;
        let rest = reader.get_ref().get_ref().get(start..).unwrap_or_default();
        let line = rest.get(..next_line(rest, 0)).unwrap_or_default();
        // Before `csv` makes room for all of them.
        if memchr_iter(dialect.delimiter, line).nth(MOST_FIELDS).is_some() {
            return Err(Uncut::TooMany);
        }
        let mut position = csv::Position::new();
        position.set_byte(start as u64);
        let read = reader.seek(position).and_then(|()| reader.read_byte_record(record));
        if !matches!(read, Ok(true)) {
            // Reading from memory does not fail; if it did, no row would be long enough.
            return Ok(reader.get_ref().get_ref().len());
        }
        let text: &[u8] = reader.get_ref().get_ref();
        let mut at = start;
        for (left, content) in (0..record.len()).rev().zip(record.iter()) {
            // Only the last field may end with the line end's carriage return.
            let passed = |byte| dialect.is_blank(byte) || (left == 0 && byte == b'\r');
            at = if text.get(at) == Some(&b'"') {
                let (field, end) = quoted_field(text, at, content, without_end(content, passed))?;
                add(field, text, dialect, fields)?;
                end + 1
            } else {
                let end = at + content.len();
                let content =
                    if left == 0 { content.strip_suffix(b"\r").unwrap_or(content) } else { content };
                add(Field { start: at, end: at + content.len(), quoted: false }, text, dialect, fields)?;
                if let Some(field) = fields.last().filter(|field| field.raw(text).starts_with(b"\""))
                    && !field.quoted
                {
                    return Err(Uncut::BeforeQuote(field.start));
                }
                end + 1
            };
        }
        Ok(usize::try_from(reader.position().byte()).unwrap_or(text.len()))
    }
}

/// The quoted field that opens at `at` and the offset after it. `content` is what `csv` makes of it, `kept` the same
/// without blanks at the end.
///
/// Written in quotes again, the content must give what stands in the text. It does not where `csv` joined text after the
/// closing quote to it, nor where there is no closing quote.
fn quoted_field(text: &[u8], at: usize, content: &[u8], kept: &[u8]) -> Result<(Field, usize), Uncut> {
    let start = at + 1;
    let raw = text.get(start..).unwrap_or_default();
    let doubled = || kept.iter().flat_map(|byte| std::iter::repeat_n(*byte, 1 + usize::from(*byte == b'"')));
    if let Some(closing) = raw.iter().zip(doubled()).position(|(byte, written)| *byte != written) {
        let blanks = raw.iter().skip(closing + 1).take_while(|byte| matches!(byte, b' ' | b'\t')).count();
        return Err(Uncut::AfterQuote(start + closing + 1 + blanks));
    }
    let end = start + kept.len() + memchr_iter(b'"', kept).count();
    // The blanks left off and the closing quote somewhere among them.
    let after = end + content.len() - kept.len() + 1;
    let closed = text.get(end..after).is_some_and(|tail| tail.contains(&b'"'));
    if closed { Ok((Field { start, end, quoted: true }, after)) } else { Err(Uncut::Unclosed(at)) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sweep::reading::Reading;
    use proptest::prelude::*;

    fn cut_all(text: &str, delimiter: char) -> Result<Vec<Vec<String>>, Uncut> {
        let reading = Reading { delimiter, comment: String::new(), ..Reading::default() };
        let dialect = Dialect::new(&reading, &"f.csv".into()).unwrap();
        let mut cutter = Cutter::new(text.as_bytes(), dialect);
        let (mut at, mut rows, mut fields) = (0, Vec::new(), Vec::new());
        while let Some(start) = dialect.next_row(text.as_bytes(), at) {
            at = cutter.cut(start, &mut fields)?;
            rows.push(fields.iter().map(|field| field.content(text).into_owned()).collect());
        }
        Ok(rows)
    }

    #[test]
    fn fields_are_trimmed_and_quotes_removed() {
        let rows = cut_all(" a ,\"b, \"\"c\"\" \" ,\r\n\"d\ne\",f g,h\r", ',').unwrap();
        assert_eq!(rows, [vec!["a", "b, \"c\"", ""], vec!["d\ne", "f g", "h"]]);
        assert_eq!(cut_all("5\" probe,1", ',').unwrap(), [["5\" probe", "1"]]);
        let rows = cut_all("1,\"2\r\" \r\n\"\",\" \"\r", ',').unwrap();
        assert_eq!(rows, [["1", "2"], ["", ""]]);
    }

    #[test]
    fn runs_of_blanks_are_one_delimiter() {
        let rows = cut_all("  a \t b  \r\n\"c d\"   e\n\"f\"\n \"g\" \t\r\n", ' ').unwrap();
        assert_eq!(rows, [vec!["a", "b"], vec!["c d", "e"], vec!["f"], vec!["g"]]);
        assert_eq!(cut_all("\ta \"b\tc\"\t\"\"\n", ' ').unwrap(), [["a", "b\tc", ""]]);
        assert_eq!(cut_all("a\t\tb\t", '\t').unwrap(), [["a", "", "b", ""]]);
    }

    #[test]
    fn broken_quotes_are_found() {
        assert_eq!(cut_all("a,\"b", ','), Err(Uncut::Unclosed(2)));
        assert_eq!(cut_all("\"a\"b,c", ','), Err(Uncut::AfterQuote(3)));
        assert_eq!(cut_all("\"a\"b c", ' '), Err(Uncut::AfterQuote(3)));
        assert_eq!(cut_all("\"a\" \"b\",c", ','), Err(Uncut::AfterQuote(4)));
        assert_eq!(cut_all("a, \"b\"", ','), Err(Uncut::BeforeQuote(3)));
        assert_eq!(cut_all("a,\"b\"\"", ','), Err(Uncut::Unclosed(2)));
        assert_eq!(cut_all("\"a\nb\n", ','), Err(Uncut::Unclosed(0)));
        assert_eq!(cut_all(&",".repeat(MOST_FIELDS), ','), Err(Uncut::TooMany));
        assert_eq!(cut_all(&format!("\"a\"{}", ",".repeat(MOST_FIELDS)), ','), Err(Uncut::TooMany));
    }

    #[test]
    fn a_byte_order_mark_within_the_text_is_text() {
        let rows = cut_all("\"a\"\n#\n\u{feff}1\n\u{feff}\n\"b\"", ',').unwrap();
        assert_eq!(rows, [["a"], ["#"], ["\u{feff}1"], ["\u{feff}"], ["b"]]);
    }

    proptest! {
        /// Whatever the text, what stands in quotes is whole and nothing else begins with a quote.
        #[test]
        fn no_field_is_pieced_together(text in "[a,;\"\n\r\t ]{0,40}", delimiter in prop::sample::select(vec![',', '\t', ' '])) {
            let reading = Reading { delimiter, comment: String::new(), ..Reading::default() };
            let dialect = Dialect::new(&reading, &"f.csv".into()).unwrap();
            let mut cutter = Cutter::new(text.as_bytes(), dialect);
            let (mut at, mut fields) = (0, Vec::new());
            while let Some(start) = dialect.next_row(text.as_bytes(), at) {
                let Ok(next) = cutter.cut(start, &mut fields) else { break };
                prop_assert!(next > start);
                let mut before = start;
                for field in &fields {
                    prop_assert!(before <= field.start && field.start <= field.end && field.end <= next);
                    before = field.end;
                    let raw = &text[field.start..field.end];
                    if field.quoted {
                        prop_assert!(!raw.replace("\"\"", "").contains('"'));
                    } else {
                        prop_assert!(!raw.starts_with('"') && !raw.contains('\n'));
                    }
                }
                // Cut again from elsewhere, the row is the same.
                let again = Cutter::new(text.as_bytes(), dialect).cut(start, &mut Vec::new());
                prop_assert_eq!(again, Ok(next));
                at = next;
            }
        }

        #[test]
        fn what_csv_writes_is_read_back(
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
