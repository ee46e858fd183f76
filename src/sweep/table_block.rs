//! Where the numbers of a text stand: the lines above and below them, and what parts their fields. For proposals alone; what is read is
//! read as it is declared.

use super::reading::{ColumnRef, Reading};
use encoding_rs::{Encoding, UTF_8, UTF_16BE, UTF_16LE, WINDOWS_1252};
use std::borrow::Cow;

/// Fewest rows and columns of a table.
const LEAST_ROWS: usize = 8;
const LEAST_COLUMNS: usize = 3;
/// Lines above a table, and below.
const MOST_ABOVE: usize = 200;
const MOST_BELOW: usize = 5;
/// Marks that lines above a table begin with.
const MARKS: [&str; 4] = ["#", "!", "%", "//"];

/// A table of numbers in a text.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Block {
    delimiter: char,
    decimal: char,
    comment: &'static str,
    /// Physical lines above the header, or above the numbers.
    above: usize,
    below: usize,
    /// Fields of a row.
    pub(super) width: usize,
    pub(super) has_header: bool,
    has_units: bool,
    /// Names of the columns; empty without a header.
    pub(super) names: Vec<String>,
    /// Units in a row of their own.
    pub(super) units: Vec<String>,
}

impl Block {
    /// The reading of the table, its columns not declared.
    pub(super) fn reading(&self, encoding: &'static Encoding) -> Reading {
        Reading {
            encoding,
            delimiter: self.delimiter,
            decimal: self.decimal,
            comment: self.comment.to_owned(),
            skip_rows: self.above,
            footer_rows: self.below,
            header: self.has_header,
            units_row: self.has_units,
            ..Reading::default()
        }
    }

    /// A column by its name, where that says which and looks harmless, else by its position.
    pub(super) fn column(&self, index: usize) -> ColumnRef {
        let harmless = |name: &&String| {
            !name.is_empty()
                && name.len() <= 60
                && name
                    .chars()
                    .all(|c| c.is_alphanumeric() || c.is_ascii_punctuation() || c == ' ' || c == '°')
        };
        let name = self.names.get(index).filter(harmless);
        match name.filter(|name| self.names.iter().filter(|other| other == name).count() == 1) {
            Some(name) => ColumnRef::Name(name.clone()),
            None => ColumnRef::Position(index + 1),
        }
    }
}

/// The text of a file, with the encoding to declare for it; none where it is no text.
pub(super) fn texts(bytes: &[u8]) -> Vec<(&'static Encoding, Cow<'_, str>)> {
    let marked = Encoding::for_bom(bytes);
    if let Some((encoding, length)) =
        marked.filter(|(encoding, _)| [UTF_8, UTF_16LE, UTF_16BE].contains(encoding))
    {
        let rest = bytes.get(length..).unwrap_or_default();
        return vec![(UTF_8, encoding.decode_without_bom_handling(rest).0)];
    }
    if bytes.contains(&0) {
        return Vec::new();
    }
    match std::str::from_utf8(bytes) {
        Ok(text) => vec![(UTF_8, Cow::Borrowed(text))],
        Err(_) => vec![(WINDOWS_1252, WINDOWS_1252.decode_without_bom_handling(bytes).0)],
    }
}

/// The tables that a text can be taken for, by what may part its fields.
pub(super) fn blocks(text: &str) -> Vec<Block> {
    let lines: Vec<&str> = text.lines().collect();
    let mut found = Vec::new();
    for delimiter in ['\t', ';', ',', ' '] {
        for decimal in ['.', ','] {
            if delimiter != decimal {
                found.extend(block(&lines, delimiter, decimal));
            }
        }
    }
    found
}

fn block(lines: &[&str], delimiter: char, decimal: char) -> Option<Block> {
    let numbers = |line: &str| row_width(line, delimiter, decimal);
    let first = lines.iter().take(MOST_ABOVE).position(|line| numbers(line).is_some())?;
    let width = numbers(lines.get(first)?)?;
    let last = lines.iter().rposition(|line| numbers(line) == Some(width))?;
    let below = lines.len() - 1 - last;
    let rows = lines.get(first..=last)?.iter().filter(|line| numbers(line) == Some(width)).count();
    // A line that begins as a row does is one, damaged or cut off: it must not pass for a header or a footer.
    let is_damaged = |line: &&str| {
        fields(line, delimiter).next().is_some_and(|field| is_number(field.trim_matches('"'), decimal))
    };
    let above = lines.get(..first)?.iter().rev().find(|line| !line.trim().is_empty());
    if above.is_some_and(is_damaged) || lines.get(last + 1..)?.iter().any(is_damaged) {
        return None;
    }
    if rows < LEAST_ROWS || below > MOST_BELOW + blank_at_end(lines) {
        return None;
    }
    let mut block = Block {
        delimiter,
        decimal,
        comment: mark(lines.get(..first)?),
        above: first,
        below: if blank_at_end(lines) == below { 0 } else { below },
        width,
        has_header: false,
        has_units: false,
        names: Vec::new(),
        units: Vec::new(),
    };
    head(&mut block, lines, first);
    Some(block)
}

fn blank_at_end(lines: &[&str]) -> usize {
    lines.iter().rev().take_while(|line| line.trim().is_empty()).count()
}

/// Names, and units between them and the numbers.
fn head(block: &mut Block, lines: &[&str], first: usize) {
    let fields_of = |at: usize| {
        let line = lines.get(at).filter(|line| !MARKS.iter().any(|mark| line.starts_with(mark)))?;
        let fields: Vec<String> =
            fields(line, block.delimiter).map(|field| field.trim_matches('"').trim().to_owned()).collect();
        (fields.len() == block.width && fields.iter().any(|field| field.chars().any(char::is_alphabetic)))
            .then_some(fields)
    };
    let above =
        |at: usize| (0..at).rev().find(|at| lines.get(*at).is_some_and(|line| !line.trim().is_empty()));
    let Some((near, names)) = above(first).and_then(|at| Some((at, fields_of(at)?))) else { return };
    let units = above(near).and_then(|at| Some((at, fields_of(at)?))).filter(|_| is_units(&names));
    block.has_header = true;
    match units {
        Some((at, over)) => {
            (block.above, block.names, block.units, block.has_units) = (at, over, names, true)
        }
        None => (block.above, block.names) = (near, names),
    }
}

/// Whether fields are units and no names.
fn is_units(fields: &[String]) -> bool {
    const UNITS: [&str; 16] = [
        "hz", "khz", "mhz", "rad/s", "db", "deg", "degree", "degrees", "°", "rad", "v", "mv", "s", "1",
        "v/v", "ratio",
    ];
    let plain = |field: &String| field.trim_matches(|c| "()[]{}".contains(c)).trim().to_lowercase();
    fields.iter().all(|field| field.is_empty() || UNITS.contains(&plain(field).as_str()))
}

/// The mark of comments above a table; `#` where there is another or none.
fn mark(above: &[&str]) -> &'static str {
    MARKS.into_iter().find(|mark| above.iter().any(|line| line.starts_with(mark))).unwrap_or("#")
}

fn fields(line: &str, delimiter: char) -> impl Iterator<Item = &str> {
    let by_blanks = delimiter == ' ';
    line.trim_end_matches('\r')
        .split(move |c| c == delimiter || by_blanks && c == '\t')
        .map(str::trim)
        .filter(move |field| !(by_blanks && field.is_empty()))
}

/// Fields of a row when enough of them are numbers, the first ones among them.
fn row_width(line: &str, delimiter: char, decimal: char) -> Option<usize> {
    let (mut width, mut numbers) = (0, 0);
    for field in fields(line, delimiter) {
        width += 1;
        numbers += usize::from(is_number(field.trim_matches('"'), decimal));
    }
    (numbers >= LEAST_COLUMNS && 2 * numbers > width).then_some(width)
}

fn is_number(field: &str, decimal: char) -> bool {
    let has_digit = field.bytes().any(|b| b.is_ascii_digit());
    let plain =
        if decimal == ',' && !field.contains('.') { field.replace(',', ".") } else { field.to_owned() };
    has_digit && plain.parse::<f64>().is_ok_and(f64::is_finite)
}
