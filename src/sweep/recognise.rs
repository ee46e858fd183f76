//! From the first row to a layout, or to errors that say what to declare.

use super::column_names::{Role, frequency_unit, role, words};
use super::columns::{FREQUENCY, Header, Layout, Unclear, resolve};
use super::dialect::{DELIMITERS, Dialect};
use super::fields::{Cutter, Field};
use super::number::number;
use super::problems::{MOST_ERRORS, Source, shown};
use super::reading::{Columns, Reading};
use super::reading_help::speaks_for;
use crate::diagnostic::{Diagnostic, nearest};
use crate::quantity::count_of;

/// Code of columns that are not found.
const CODE: &str = "sweep-columns";

/// Names listed in a message, at most.
const MOST_NAMES: usize = 20;

/// The first row and where it stands.
#[derive(Debug, Clone, Copy)]
pub(super) struct FirstRow<'a> {
    /// Its fields, as the declared dialect cuts them.
    pub fields: &'a [Field],
    /// Its offset.
    pub start: usize,
    /// Offset of the row that follows.
    pub next: usize,
    /// Its line.
    pub line: u64,
}

/// Finds the columns. `order` is room to work in.
///
/// # Errors
/// Names used twice, columns that are not there or not clear.
pub(super) fn recognise(
    source: &Source<'_>,
    first: FirstRow<'_>,
    dialect: Dialect<'_>,
    reading: &Reading,
    order: &mut Vec<usize>,
) -> Result<Layout, Vec<Diagnostic>> {
    let header = Header { text: source.text, fields: first.fields, named: reading.header };
    let mut errors = if reading.header { doubled_names(source, first, order) } else { Vec::new() };
    match resolve(&header, reading) {
        Ok(layout) if errors.is_empty() => return Ok(layout),
        Ok(_) => {}
        Err(unclear) => {
            let general = other_dialect(source, first, dialect, reading)
                .or_else(|| row_ends(source, first))
                .or_else(|| numbers_only(source, first, dialect, reading))
                .or_else(|| own_names(source, first, dialect, reading));
            // One thing wrong with the whole file is one error.
            let told = if general.is_some() { 1 } else { unclear.len() };
            errors.extend(unclear.iter().take(told).map(|unclear| {
                let (message, help) = describe(unclear, &header);
                error(source, first, message).with_help(general.clone().unwrap_or(help))
            }));
        }
    }
    Err(errors)
}

fn error(source: &Source<'_>, first: FirstRow<'_>, message: String) -> Diagnostic {
    let end = first.fields.last().map_or(first.start, |field| field.end);
    source.error(CODE, message, first.line, None, first.start..end)
}

/// An error for every name that stands in the header before.
fn doubled_names(source: &Source<'_>, first: FirstRow<'_>, order: &mut Vec<usize>) -> Vec<Diagnostic> {
    let name = |index: &usize| first.fields.get(*index).map(|field| field.content(source.text));
    order.clear();
    order.extend(0..first.fields.len());
    order.sort_unstable_by(|a, b| name(a).cmp(&name(b)).then(a.cmp(b)));
    let mut doubled: Vec<(usize, usize)> = order
        .iter()
        .zip(order.iter().skip(1))
        .filter(|(a, b)| name(a) == name(b) && name(a).is_some_and(|name| !name.is_empty()))
        .map(|(a, b)| (*b, *a))
        .collect();
    doubled.sort_unstable();
    let doubled = doubled.into_iter().take(MOST_ERRORS).filter_map(|(index, earlier)| {
        let field = first.fields.get(index)?;
        let name = shown(&field.content(source.text));
        let message = format!(
            "the header names column {} {name}, which column {} is named already",
            index + 1,
            earlier + 1
        );
        let error =
            source.error("sweep-header", message, first.line, Some(index + 1), field.start..field.end);
        Some(error.with_help("give every column its own name, also those that are not used"))
    });
    doubled.collect()
}

/// What is unclear, and how to mend it.
fn describe(unclear: &Unclear, header: &Header<'_>) -> (String, String) {
    let fields = count_of(header.fields.len() as u64, "field");
    match unclear {
        Unclear::NoSuchName { key, name } => (
            format!("`reading.columns.{key}` names {}, but the header has {}", shown(name), listed(header)),
            suggestion(name, header).map_or_else(
                || "write the name as it stands in the header, or the position of the column".to_owned(),
                |near| format!("did you mean {}?", shown(&near)),
            ),
        ),
        Unclear::NameWithoutHeader { key, name } => (
            format!(
                "`reading.columns.{key}` names {}, but with `header: false` there are no names",
                shown(name)
            ),
            format!("give the column by its position: `{key}: {{column: 1, …}}`"),
        ),
        Unclear::BeyondRow { key, position } => (
            format!("`reading.columns.{key}` is column {position}, but the first row has {fields}"),
            format!("positions count from 1; here they end at {}", header.fields.len()),
        ),
        Unclear::Shared { keys: [one, other], position } => (
            format!("`{one}` and `{other}` are both taken from column {position}"),
            "declare a column of its own for each under `reading.columns`".to_owned(),
        ),
        Unclear::NoFrequency if !header.named => (
            "with `header: false` the columns are given by position, but `frequency` is not declared"
                .to_owned(),
            "declare `reading: {columns: {frequency: {column: 1, unit: Hz}}}`, and the others likewise"
                .to_owned(),
        ),
        Unclear::NoFrequency => {
            (format!("no column `{FREQUENCY}`: the header has {}", listed(header)), no_frequency(header))
        }
        Unclear::NoGain(missing) => no_gain(missing, header),
    }
}

/// How to declare the frequency: by the name that says it, with its unit.
fn no_frequency(header: &Header<'_>) -> String {
    let is_frequency = |name: &str| role(&words(name).collect::<Vec<_>>()) == Some(Role::Frequency);
    // What is not parted has no names.
    let names = || header.names().filter(|name| header.fields.len() > 1 && name.len() <= LONGEST);
    let named = names().find(|name| is_frequency(name)).map(|name| name.into_owned());
    let name = named.or_else(|| suggestion(FREQUENCY, header).filter(|_| header.fields.len() > 1));
    let unit = name.as_deref().and_then(|name| frequency_unit(&words(name).collect::<Vec<_>>()));
    let declare = |column: String, unit: &str| {
        format!("`reading: {{columns: {{frequency: {{column: {column}, unit: {unit}}}}}}}`")
    };
    match (name, unit) {
        (Some(name), Some((_, unit))) if unit != "Hz" => {
            format!("declare it with its unit: {}", declare(format!("{name:?}"), unit))
        }
        (Some(name), _) => {
            format!("name the column `{FREQUENCY}`, or declare it: {}", declare(format!("{name:?}"), "Hz"))
        }
        (None, _) => format!(
            "name the column `{FREQUENCY}`, or declare it by its name or its position, such as {}",
            declare("1".to_owned(), "Hz")
        ),
    }
}

fn no_gain(missing: &[&str], header: &Header<'_>) -> (String, String) {
    let wanted = "`gain_db`,`phase_deg` or `gain`,`phase_deg` or `real`,`imag` or \
                  `input_real`,`input_imag`,`output_real`,`output_imag`";
    let what = if missing.is_empty() {
        "no columns of the loop gain".to_owned()
    } else {
        let keys: Vec<String> = missing.iter().map(|key| format!("`{key}`")).collect();
        format!("the loop gain is not whole, no column for {}", keys.join(", "))
    };
    if header.named {
        (
            format!("{what}: the header has {}", listed(header)),
            format!("name the columns {wanted}, or declare them under `reading.columns`"),
        )
    } else {
        (
            format!("{what}: with `header: false` the columns are given by position"),
            "declare them, such as `reading: {columns: {gain: {column: 2, unit: dB}, phase: {column: 3, unit: deg}}}`"
                .to_owned(),
        )
    }
}

/// The names in the header.
fn listed(header: &Header<'_>) -> String {
    let mut names: Vec<String> = header.names().take(MOST_NAMES).map(|name| shown(&name)).collect();
    match header.fields.len().saturating_sub(MOST_NAMES) {
        0 => {}
        more => names.push(format!("{more} more")),
    }
    names.join(", ")
}

/// Longer than any name, bytes; what is compared with all of a damaged file takes all day.
const LONGEST: usize = 200;

fn suggestion(name: &str, header: &Header<'_>) -> Option<String> {
    let names: Vec<_> = header.names().filter(|name| (1..=LONGEST).contains(&name.len())).collect();
    nearest(name, names.iter().map(AsRef::as_ref)).map(str::to_owned)
}

/// Help for a file that would be read with another delimiter.
fn other_dialect(
    source: &Source<'_>,
    first: FirstRow<'_>,
    dialect: Dialect<'_>,
    reading: &Reading,
) -> Option<String> {
    let bytes = source.text.as_bytes();
    let mut fields = Vec::new();
    DELIMITERS.iter().filter(|(delimiter, _)| *delimiter != dialect.delimiter).find_map(
        |&(delimiter, word)| {
            let other = Dialect { delimiter, ..dialect };
            let mut cutter = Cutter::new(bytes, other);
            cutter.cut(first.start, &mut fields).ok()?;
            let header = Header { text: source.text, fields: &fields, named: reading.header };
            let layout = resolve(&header, reading).ok()?;
            let numbers = if reading.header { other.next_row(bytes, first.next)? } else { first.start };
            let comma = !dialect.decimal_comma && delimiter != b',' && {
                cutter.cut(numbers, &mut fields).ok();
                reads(bytes, &fields, &layout, true) && !reads(bytes, &fields, &layout, false)
            };
            let decimal = if comma { ", decimal: \",\"" } else { "" };
            Some(format!(
                "the fields seem to be parted otherwise: declare `reading: {{delimiter: {word}{decimal}}}`"
            ))
        },
    )
}

/// Help for a file with names of its own that speak for one reading.
fn own_names(
    source: &Source<'_>,
    first: FirstRow<'_>,
    dialect: Dialect<'_>,
    reading: &Reading,
) -> Option<String> {
    let declares_nothing = reading.columns == Columns::default() && reading.header && !reading.units_row;
    let reading = declares_nothing.then(|| speaks_for(source.text, dialect, first.start, first.next))??;
    Some(format!("the header and its first row speak for this, hold the units against them: {reading}"))
}

/// Whether a problem is that columns are not found, and its help shows no `reading` to declare.
#[cfg(feature = "files")]
pub(crate) fn shows_no_reading(problem: &Diagnostic) -> bool {
    problem.code == CODE && problem.help.as_ref().is_none_or(|help| !help.contains("reading: {"))
}

fn reads(bytes: &[u8], fields: &[Field], layout: &Layout, decimal_comma: bool) -> bool {
    let mut buffer = Vec::new();
    layout.places().iter().all(|place| {
        fields.get(*place).is_some_and(|field| number(field.raw(bytes), decimal_comma, &mut buffer).is_ok())
    })
}

/// Help for a file whose lines end in a carriage return alone.
fn row_ends(source: &Source<'_>, first: FirstRow<'_>) -> Option<String> {
    let row = source.text.as_bytes().get(first.start..first.next)?;
    let lone = row.iter().zip(row.iter().skip(1)).any(|(byte, next)| *byte == b'\r' && *next != b'\n');
    lone.then(|| {
        "the lines end in a carriage return alone: save the file with LF or CRLF line ends".to_owned()
    })
}

/// Help for a file without a header.
fn numbers_only(
    source: &Source<'_>,
    first: FirstRow<'_>,
    dialect: Dialect<'_>,
    reading: &Reading,
) -> Option<String> {
    let bytes = source.text.as_bytes();
    let mut buffer = Vec::new();
    let all =
        first.fields.iter().all(|field| number(field.raw(bytes), dialect.decimal_comma, &mut buffer).is_ok());
    if !reading.header || !all {
        return None;
    }
    let above = source.text.get(..first.start).unwrap_or_default();
    if above.contains(FREQUENCY) {
        let mark = shown(&String::from_utf8_lossy(dialect.comment));
        return Some(format!("the header stands in a comment: remove the {mark} before `{FREQUENCY}`"));
    }
    Some(
        "the first row holds numbers: if the file has no header, declare `reading: {header: false, columns: {…}}` \
         with the position and unit of each column"
            .to_owned(),
    )
}
