//! Records over time: for every frequency both sides of the injection, sampled together.
//!
//! As text they are rows of `frequency_hz`, `time_s`, `input_v`, `output_v`, the rows of a frequency one after the other; as an archive of
//! NumPy arrays of those names, with a row for each frequency (`time_s` may be one row for all). Each record is fitted with a sine on both
//! sides ([`crate::sweep::sine_fit`]); the loop gain is output over input.

use super::numpy::{Matrix, matrices};
use super::{CODE, error};
use crate::diagnostic::{Diagnostic, Place};
use crate::sweep::decode::decode;
use crate::sweep::dialect::{Dialect, line_ends};
use crate::sweep::fields::{Cutter, Field};
use crate::sweep::number::number;
use crate::sweep::order::is_above;
use crate::sweep::problems::{MOST_ERRORS, Source, hertz, not_a_number, uncut};
use crate::sweep::reading::{ColumnRef, FrequencyUnit, Reading};
use crate::sweep::sine_fit::{Record, Refused, fitted};
use num_complex::Complex64;
use std::sync::Arc;

/// The columns of text, the arrays of an archive.
const NAMES: [&str; 4] = ["frequency_hz", "time_s", "input_v", "output_v"];
const HELP: &str = "write rows of `frequency_hz,time_s,input_v,output_v`, those of one frequency together, or an archive of NumPy arrays \
                    of these names";

/// A loop gain from a record.
pub(super) struct Point {
    pub(super) hz: f64,
    pub(super) loop_gain: Complex64,
    /// The larger of the standard uncertainties of ln of the magnitude and of the phase.
    pub(super) uncertainty: f64,
}

/// A record and the line that it begins in.
struct Placed {
    record: Record,
    line: Option<u64>,
}

/// The loop gain at every frequency.
///
/// # Errors
/// What is wrong with the file, and which records show no loop gain.
pub(super) fn points(
    bytes: &[u8],
    file: &Arc<str>,
    reading: &Reading,
) -> Result<Vec<Point>, Vec<Diagnostic>> {
    let records = if bytes.starts_with(b"PK\x03\x04") {
        of_archive(bytes, file, reading)?
    } else {
        of_text(bytes, file, reading)?
    };
    let mut errors = order(&records, file);
    let mut points = Vec::new();
    for Placed { record, line } in &records {
        if record.hz <= 0.0 {
            let message = format!("the frequency of the record is {}; it must be above 0", record.hz);
            errors.push(placed(file, *line, message, "declare the frequency that the generator had"));
            continue;
        }
        match fitted(record) {
            Ok(found) => points.push(Point {
                hz: record.hz,
                loop_gain: found.loop_gain,
                uncertainty: found.uncertainty[0].max(found.uncertainty[1]),
            }),
            Err(why) => errors.push(refused(why, record, *line, file)),
        }
        if errors.len() >= MOST_ERRORS {
            break;
        }
    }
    if points.first().zip(points.last()).is_some_and(|(first, last)| first.hz > last.hz) {
        points.reverse();
    }
    if errors.is_empty() { Ok(points) } else { Err(errors) }
}

fn placed(file: &Arc<str>, line: Option<u64>, message: String, help: &str) -> Diagnostic {
    let place = Place { file: Arc::clone(file), line, column: None, key: None };
    let mut error = Diagnostic::error("sweep-record", message).with_help(help);
    error.place = Some(place);
    error
}

fn refused(why: Refused, record: &Record, line: Option<u64>, file: &Arc<str>) -> Diagnostic {
    let (what, help) = why.told();
    let line = match (line, why) {
        // Without blank lines and comments between, the row itself.
        (Some(line), Refused::Times(at)) => Some(line + at as u64),
        (line, _) => line,
    };
    placed(file, line, format!("the record at {} {what}", hertz(record.hz)), help)
}

/// Frequencies that neither rise nor fall as most of them do.
fn order(records: &[Placed], file: &Arc<str>) -> Vec<Diagnostic> {
    let frequencies: Vec<f64> = records.iter().map(|placed| placed.record.hz).collect();
    let pairs = || frequencies.iter().zip(frequencies.iter().skip(1));
    let rising = pairs().filter(|(a, b)| a < b).count() >= pairs().filter(|(a, b)| a > b).count();
    let follows = |a: f64, b: f64| if rising { is_above(b, a) } else { is_above(a, b) };
    let broken = pairs().zip(records.iter().skip(1)).filter(|((a, b), _)| !follows(**a, **b));
    broken
        .take(MOST_ERRORS)
        .map(|((a, b), next)| {
            let message = format!("the record at {} follows the one at {}", hertz(*b), hertz(*a));
            let help = "frequencies rise strictly, or fall: keep the rows of a frequency together, and one record of each";
            placed(file, next.line, message, help)
        })
        .collect()
}

fn of_text(bytes: &[u8], file: &Arc<str>, reading: &Reading) -> Result<Vec<Placed>, Vec<Diagnostic>> {
    let dialect = Dialect::new(reading, file)?;
    let mut buffer = String::new();
    let source = decode(bytes, reading, file, dialect, &mut buffer)?;
    let text = source.text.as_bytes();
    let mut rows =
        Rows { source, dialect, cutter: Cutter::new(text, dialect), line: source.first_line, at: 0 };
    let mut fields = Vec::new();
    if !rows.next(&mut fields).map_err(|error| vec![error])? {
        return Err(error(file, "holds no record: a header and rows of numbers are wanted", HELP));
    }
    let (places, unit) = columns(source.text, &fields, reading, file)?;
    if reading.units_row && !rows.next(&mut fields).map_err(|error| vec![error])? {
        return Err(error(file, "holds no record below its header", HELP));
    }
    let mut records: Vec<Placed> = Vec::new();
    let mut digits = Vec::new();
    while rows.next(&mut fields).map_err(|error| vec![error])? {
        let [hz, time, input, output] =
            rows.numbers(&fields, places, &mut digits).map_err(|error| vec![error])?;
        let hz = unit.hertz(hz);
        if !records.last().is_some_and(|last| last.record.hz == hz) {
            let record = Record { hz, ..Record::default() };
            records.push(Placed { record, line: Some(rows.line) });
        }
        if let Some(Placed { record, .. }) = records.last_mut() {
            record.time.push(time);
            record.input.push(input);
            record.output.push(output);
        }
    }
    if records.is_empty() {
        return Err(error(file, "holds no record below its header", HELP));
    }
    Ok(records)
}

/// Indices of the four columns, and the unit of the frequencies.
fn columns(
    text: &str,
    fields: &[Field],
    reading: &Reading,
    file: &Arc<str>,
) -> Result<([usize; 4], FrequencyUnit), Vec<Diagnostic>> {
    let declared = reading.columns.frequency.as_ref();
    let find = |name: &str| fields.iter().position(|field| field.content(text) == name);
    let own = match declared.map(|column| &column.column) {
        Some(ColumnRef::Position(position)) => position.checked_sub(1).filter(|at| *at < fields.len()),
        Some(ColumnRef::Name(name)) => find(name.trim_matches([' ', '\t'])),
        None => find("frequency_hz"),
    };
    let [_, time, input, output] = NAMES.map(find);
    let places = [own, time, input, output];
    if let [Some(hz), Some(time), Some(input), Some(output)] = places {
        let unit = declared.map_or(reading.frequency_unit, |column| column.unit);
        return Ok(([hz, time, input, output], unit));
    }
    let lacking: Vec<String> = NAMES
        .iter()
        .zip(places)
        .filter(|(_, place)| place.is_none())
        .map(|(name, _)| format!("`{name}`"))
        .collect();
    let message = format!(
        "no column {} in the header; records over time have the columns `{}`",
        lacking.join(", "),
        NAMES.join("`, `")
    );
    Err(vec![Diagnostic::error("sweep-columns", message).in_file(file).with_help(HELP)])
}

/// The rows of a text, one after the other.
struct Rows<'a> {
    source: Source<'a>,
    dialect: Dialect<'a>,
    cutter: Cutter<'a>,
    /// Line of the row that was cut last.
    line: u64,
    /// Where the next one is looked for, and what is counted up to.
    at: usize,
}

impl Rows<'_> {
    /// Cuts the next row; `false` when there is none.
    fn next(&mut self, fields: &mut Vec<Field>) -> Result<bool, Diagnostic> {
        let text = self.source.text.as_bytes();
        let Some(start) = self.dialect.next_row(text, self.at) else { return Ok(false) };
        // From the row before, whose fields may hold line ends.
        let first = fields.first().map_or(0, |field| field.start);
        self.line += line_ends(text, first, start);
        match self.cutter.cut(start, fields) {
            Ok(next) => {
                self.at = next;
                Ok(true)
            }
            Err(why) => {
                let (code, message, at, help) = uncut(why, start);
                Err(self.source.error(code, message, self.line, None, at..at + 1).with_help(help))
            }
        }
    }

    fn numbers(
        &self,
        fields: &[Field],
        places: [usize; 4],
        digits: &mut Vec<u8>,
    ) -> Result<[f64; 4], Diagnostic> {
        let text = self.source.text.as_bytes();
        let mut numbers = [0.0; 4];
        for ((into, place), name) in numbers.iter_mut().zip(places).zip(NAMES) {
            let Some(field) = fields.get(place) else {
                let message = format!("the row has no field {} for `{name}`", place + 1);
                let start = fields.first().map_or(0, |field| field.start);
                let error = self.source.error("sweep-row", message, self.line, None, start..start + 1);
                return Err(error.with_help(
                    "every row needs one field for each column; check that the file is not cut off",
                ));
            };
            *into = number(field.raw(text), self.dialect.decimal_comma, digits).map_err(|why| {
                let found = field.content(self.source.text);
                let (message, help) = not_a_number(why, &found, name, self.dialect.decimal_comma);
                let part = field.start..field.end;
                let mut error = self.source.error("sweep-number", message, self.line, Some(place + 1), part);
                error.help = help;
                error
            })?;
        }
        Ok(numbers)
    }
}

fn of_archive(bytes: &[u8], file: &Arc<str>, reading: &Reading) -> Result<Vec<Placed>, Vec<Diagnostic>> {
    let arrays = matrices(bytes, file)?;
    let find = |name: &str| {
        let found = arrays.iter().find(|(own, _)| own == name).map(|(_, matrix)| matrix);
        found.ok_or_else(|| error(file, format!("holds no array `{name}`"), HELP))
    };
    let frequencies = find("frequency_hz")?;
    let [time, input, output] = ["time_s", "input_v", "output_v"].map(find);
    let (time, input, output) = (time?, input?, output?);
    let count = frequencies.numbers.len();
    let fits = |matrix: &Matrix| matrix.width > 0 && matrix.numbers.len() == count * matrix.width;
    let one_time = time.numbers.len() == input.width;
    if !fits(input)
        || !fits(output)
        || output.width != input.width
        || !(one_time || fits(time) && time.width == input.width)
    {
        let message = "holds `input_v` and `output_v` that have no row of the same length for each of `frequency_hz`, or other `time_s`";
        return Err(error(file, message, HELP));
    }
    let row = |matrix: &Matrix, k: usize| {
        let k = if matrix.numbers.len() == matrix.width || one_time && std::ptr::eq(matrix, time) {
            0
        } else {
            k
        };
        let from = k * input.width;
        matrix.numbers.get(from..from + input.width).unwrap_or_default().to_vec()
    };
    let records = frequencies.numbers.iter().enumerate().map(|(k, hz)| {
        let (time, input, output) = (row(time, k), row(input, k), row(output, k));
        Placed { record: Record { hz: reading.frequency_unit.hertz(*hz), time, input, output }, line: None }
    });
    let records: Vec<Placed> = records.collect();
    let finite = |record: &Record| {
        let [time, input, output] = [&record.time, &record.input, &record.output];
        record.hz.is_finite()
            && [time, input, output].iter().all(|values| values.iter().all(|v| v.is_finite()))
    };
    if records.iter().all(|placed| finite(&placed.record)) {
        return Ok(records);
    }
    let help = "every value is finite: record the frequency again, or leave its row out";
    Err(vec![Diagnostic::error(CODE, "holds a number that is not finite").in_file(file).with_help(help)])
}
