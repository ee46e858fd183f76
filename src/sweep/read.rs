//! From bytes to samples.

use super::decode::decode;
use super::dialect::{Dialect, line_ends, next_line};
use super::explaining_reader::read_rows_carefully;
use super::fast_reader::{Room, Rows, read_rows};
use super::fields::{Cutter, Field};
use super::from_numbers::FEWEST_POINTS;
use super::kept_column::KeptColumn;
use super::order::put_in_order;
use super::problems::{Source, uncut};
#[cfg(not(feature = "formats"))]
use super::reading::Format;
use super::reading::Reading;
use super::recognise::{FirstRow, recognise};
use super::samples::Samples;
#[cfg(feature = "formats")]
use super::{foreign_files::veiled, formats};
use crate::diagnostic::Diagnostic;
#[cfg(feature = "formats")]
use std::borrow::Cow;
use std::sync::Arc;

/// Memory kept between files, in bytes. Sweeps are far smaller; what one huge file took is given back.
const KEPT: usize = 1 << 20;

/// Memory that is used again from file to file, so that an ordinary file allocates nothing.
#[derive(Debug, Default)]
pub struct Scratch {
    text: String,
    plain: Vec<u8>,
    header: Vec<Field>,
    order: Vec<usize>,
    roles: Vec<u8>,
    fields: Vec<Field>,
    digits: Vec<u8>,
    frequencies: KeptColumn,
}

impl Scratch {
    fn give_back(&mut self) {
        if self.text.capacity() > KEPT {
            self.text = String::new();
        }
        for buffer in [&mut self.plain, &mut self.digits] {
            if buffer.capacity() > KEPT {
                *buffer = Vec::new();
            }
        }
    }
}

/// Reads a sweep file into `samples`, which are cleared first and stay empty on an error.
///
/// `file` is its name for messages. The samples keep the invariant of [`Samples`].
///
/// # Errors
/// Everything that is wrong, with line, number of the field, excerpt and help; at most 20 errors, then a warning that
/// says how much was not read.
pub fn read(
    bytes: &[u8],
    file: &Arc<str>,
    reading: &Reading,
    scratch: &mut Scratch,
    samples: &mut Samples,
) -> Result<(), Vec<Diagnostic>> {
    read_by(FASTEST, bytes, file, reading, scratch, samples)
}

/// How rows are read; what comes out never depends on it.
#[derive(Debug, Clone, Copy)]
struct Way {
    /// Straight from the bytes where that is possible, else always cut into fields, as files with quotes are.
    straight: bool,
    /// Without places first, else at once with places kept for errors.
    short: bool,
}

const FASTEST: Way = Way { straight: true, short: true };

fn read_by(
    way: Way,
    bytes: &[u8],
    file: &Arc<str>,
    reading: &Reading,
    scratch: &mut Scratch,
    samples: &mut Samples,
) -> Result<(), Vec<Diagnostic>> {
    samples.clear();
    let outcome = read_any(way, bytes, file, reading, scratch, samples);
    if outcome.is_err() {
        samples.clear();
    }
    scratch.give_back();
    outcome
}

/// Reads a file of any format by way of text.
#[cfg(feature = "formats")]
fn read_any(
    way: Way,
    bytes: &[u8],
    file: &Arc<str>,
    reading: &Reading,
    scratch: &mut Scratch,
    samples: &mut Samples,
) -> Result<(), Vec<Diagnostic>> {
    let whole = formats::unpacked(bytes, file)?;
    let outcome = match formats::converted(&whole, file, reading)? {
        None => formats::refuse_binary(&whole, file)
            .and_then(|()| read_file(way, &whole, file, reading, scratch, samples)),
        Some(other) => {
            let outcome = read_file(way, other.text.as_bytes(), file, &other.reading, scratch, samples);
            if outcome.is_ok() {
                samples.set_uncertainty(other.uncertainty);
            }
            outcome.map_err(|mut errors| {
                for line in errors.iter_mut().filter_map(|error| error.place.as_mut()?.line.as_mut()) {
                    *line = line.saturating_sub(other.lines_above);
                }
                errors
            })
        }
    };
    match whole {
        Cow::Borrowed(_) => outcome,
        // What is packed is veiled as what it holds.
        Cow::Owned(held) => outcome.map_err(|errors| veiled(&held, file, errors)),
    }
}

/// Without the formats a file is text.
#[cfg(not(feature = "formats"))]
fn read_any(
    way: Way,
    bytes: &[u8],
    file: &Arc<str>,
    reading: &Reading,
    scratch: &mut Scratch,
    samples: &mut Samples,
) -> Result<(), Vec<Diagnostic>> {
    if reading.format != Format::Text {
        let message = "`reading.format` is another than `text`, and this program was built without the feature `formats`";
        return Err(vec![Diagnostic::error("sweep-format", message).in_file(file)]);
    }
    read_file(way, bytes, file, reading, scratch, samples)
}

fn read_file(
    way: Way,
    bytes: &[u8],
    file: &Arc<str>,
    reading: &Reading,
    scratch: &mut Scratch,
    samples: &mut Samples,
) -> Result<(), Vec<Diagnostic>> {
    let Scratch { text: buffer, plain, header, order, roles, fields, digits, frequencies } = scratch;
    let dialect = Dialect::new(reading, file)?;
    let source = decode(bytes, reading, file, dialect, buffer)?;
    let text = source.text.as_bytes();
    let mut cutter = Cutter::new(text, dialect);
    let quotes = cutter.has_quotes();
    if dialect.decimal_comma && dialect.delimiter == b',' && !quotes {
        return Err(vec![ambiguous(&source)]);
    }

    let first = first_row(&source, dialect, &mut cutter, header)?;
    let layout = recognise(&source, first, dialect, reading, order)?;
    layout.roles(roles);
    let plain = (way.straight && !quotes).then(|| with_point(text, dialect, plain));
    let start = first_of_numbers(text, dialect, reading, &first);
    let rows = Rows { text, plain, start, dialect, layout: &layout, roles };
    let mut room = Room { cutter, fields, digits, frequencies };
    if way.short
        && read_rows(&rows, &mut room, samples)
        && samples.len() >= FEWEST_POINTS
        && put_in_order(samples)
    {
        return Ok(());
    }
    samples.clear();
    let line = first.line + line_ends(text, first.start, start);
    read_rows_carefully(&rows, &source, line, &mut room, samples)?;
    put_in_order(samples);
    Ok(())
}

/// Where the rows of numbers begin: behind the header, and behind the row of units where there is one.
fn first_of_numbers(text: &[u8], dialect: Dialect<'_>, reading: &Reading, first: &FirstRow<'_>) -> usize {
    if !reading.header {
        return first.start;
    }
    let units = dialect.next_row(text, first.next).filter(|_| reading.units_row);
    units.map_or(first.next, |units| next_line(text, units))
}

/// The text with decimal points. Points become commas at that, so that a stray one does not pass for a decimal mark.
fn with_point<'a>(text: &'a [u8], dialect: Dialect<'_>, plain: &'a mut Vec<u8>) -> &'a [u8] {
    if !dialect.decimal_comma {
        return text;
    }
    plain.clear();
    plain.extend(text.iter().map(|byte| match byte {
        b',' => b'.',
        b'.' => b',',
        other => *other,
    }));
    plain
}

fn first_row<'a>(
    source: &Source<'_>,
    dialect: Dialect<'_>,
    cutter: &mut Cutter<'_>,
    header: &'a mut Vec<Field>,
) -> Result<FirstRow<'a>, Vec<Diagnostic>> {
    let text = source.text.as_bytes();
    let Some(start) = dialect.next_row(text, 0) else { return Err(vec![empty(source)]) };
    let line = source.first_line + line_ends(text, 0, start);
    match cutter.cut(start, header) {
        Ok(next) => Ok(FirstRow { fields: header, start, next, line }),
        Err(why) => {
            let (code, message, at, help) = uncut(why, start);
            let line = line + line_ends(text, start, at);
            Err(vec![source.error(code, message, line, None, at..at + 1).with_help(help)])
        }
    }
}

fn empty(source: &Source<'_>) -> Diagnostic {
    let message = match (source.text.is_empty(), source.first_line) {
        (true, 1) => "the file is empty",
        (true, _) => "`skip_rows` passes over the whole file",
        (false, _) => "the file holds only blank lines and comments",
    };
    let message = format!("{message}; a header and at least {FEWEST_POINTS} rows of numbers are wanted");
    source
        .whole("sweep-empty", message)
        .with_help("check that the sweep was exported, and `reading` if there is one")
}

fn ambiguous(source: &Source<'_>) -> Diagnostic {
    let message =
        "the comma is declared as the decimal mark and parts the fields as well; numbers would be torn apart";
    source
        .whole("sweep-reading", message)
        .with_help("declare what parts the fields, such as `reading: {delimiter: \";\", decimal: \",\"}`")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sweep::reading::{AngleUnit, Column, ColumnRef, Columns, FrequencyUnit, GainUnit};
    use proptest::prelude::*;
    use proptest::strategy::ValueTree;

    const BY_FIELDS: Way = Way { straight: false, short: true };
    const CAREFUL: Way = Way { straight: false, short: false };

    fn run(way: Way, bytes: &[u8], reading: &Reading) -> Result<Samples, Vec<Diagnostic>> {
        let mut samples = Samples::default();
        read_by(way, bytes, &"f.csv".into(), reading, &mut Scratch::default(), &mut samples).map(|()| samples)
    }

    /// Pieces that rows are made of, right and wrong ones; `·` stands for the decimal mark.
    fn piece() -> impl Strategy<Value = String> {
        let odd = [
            "",
            " ",
            "-0",
            "1e400",
            "nan",
            "inf",
            "1,5",
            "1.5",
            "1_0",
            "0x1",
            "1e",
            "+3",
            ".5",
            "5.",
            "\t",
            "\r",
            "µ",
            "1 2",
            "-1",
            "\0",
            "1e-320",
            "#",
            "1e308",
            "-1e308",
            "99999999999999999999",
            "7000",
            "1e12",
        ];
        prop_oneof![
            40 => (1u32..2000).prop_map(|number| (f64::from(number) / 8.0).to_string().replace('.', "·")),
            1 => prop::sample::select(odd.map(str::to_owned).to_vec()),
        ]
    }

    /// Rows of three or four such pieces, most of them with rising frequency.
    fn grid() -> impl Strategy<Value = Vec<Vec<String>>> {
        let row = (
            prop::bool::weighted(0.97),
            prop::collection::vec(piece(), 3..=3),
            prop::option::weighted(0.01, piece()),
        );
        prop::collection::vec(row, 0..20).prop_map(|rows| {
            let rows = rows.into_iter().enumerate().map(|(index, (rises, mut row, more))| {
                if rises && let Some(first) = row.first_mut() {
                    *first = (index + 1).to_string();
                }
                row.extend(more);
                row
            });
            rows.collect()
        })
    }

    fn reading() -> impl Strategy<Value = Reading> {
        let column = |position| ColumnRef::Position(position);
        let polar = move |gain, phase| Columns {
            frequency: Some(Column { column: column(1), unit: FrequencyUnit(1e-3) }),
            gain: Some(Column { column: column(2), unit: gain }),
            phase: Some(Column { column: column(3), unit: phase }),
            ..Columns::default()
        };
        let complex = Columns {
            frequency: Some(Column { column: column(1), unit: FrequencyUnit(1e3) }),
            real: Some(column(3)),
            imag: Some(column(2)),
            ..Columns::default()
        };
        let columns = prop::sample::select(vec![
            polar(GainUnit::Decibel, AngleUnit::Degree),
            polar(GainUnit::Ratio, AngleUnit::Radian),
            complex,
        ]);
        let marks = (prop::sample::select(vec![',', ';', '\t', ' ']), prop::sample::select(vec!['.', ',']));
        (marks, columns, any::<bool>(), 0usize..2).prop_map(
            |((delimiter, decimal), columns, header, skip_rows)| Reading {
                delimiter,
                decimal,
                columns,
                header,
                skip_rows,
                ..Reading::default()
            },
        )
    }

    fn written(grid: &[Vec<String>], reading: &Reading, end: &str, quote: &str) -> String {
        let between = format!("{quote}{}{quote}", reading.delimiter);
        let names = vec!["a".to_owned(), "b".to_owned(), "c".to_owned()];
        let names = reading.header.then_some(&names);
        let mut text = "skipped\n".repeat(reading.skip_rows);
        for row in names.into_iter().chain(grid) {
            text.push_str(&format!("{quote}{}{quote}{end}", row.join(&between)));
        }
        text.replace('·', &reading.decimal.to_string())
    }

    type Told = Vec<(Option<u64>, Option<u64>, String)>;

    fn told(outcome: Result<Samples, Vec<Diagnostic>>) -> Result<Samples, Told> {
        outcome.map_err(|errors| {
            let place =
                |error: &Diagnostic| error.place.clone().map_or((None, None), |at| (at.line, at.column));
            errors.into_iter().map(|error| (place(&error).0, place(&error).1, error.message)).collect()
        })
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(2000))]

        #[test]
        fn all_ways_come_to_the_same(
            grid in grid(),
            reading in reading(),
            end in prop::sample::select(vec!["\n", "\r\n", " \n", "\n\n", "\r", "\n#1,2,3\n"]),
            cut in 0usize..4,
        ) {
            let mut text = written(&grid, &reading, end, "");
            for _ in 0..cut {
                text.pop();
            }
            let fastest = run(FASTEST, text.as_bytes(), &reading);
            prop_assert_eq!(&run(BY_FIELDS, text.as_bytes(), &reading), &fastest);
            prop_assert_eq!(&run(CAREFUL, text.as_bytes(), &reading), &fastest);
        }

        #[test]
        fn quotes_change_nothing(mut grid in grid(), mut reading in reading()) {
            if reading.delimiter == ' ' || reading.delimiter == reading.decimal {
                reading.delimiter = ';';
            }
            // What would part fields, end lines or begin a comment needs its quotes.
            for piece in grid.iter_mut().flatten() {
                piece.retain(|character| character != reading.delimiter && !"\r#".contains(character));
            }
            let bare = told(run(FASTEST, written(&grid, &reading, "\n", "").as_bytes(), &reading));
            let quoted = told(run(FASTEST, written(&grid, &reading, "\n", "\"").as_bytes(), &reading));
            prop_assert_eq!(bare, quoted);
        }
    }

    #[test]
    fn the_generated_files_are_good_and_bad() {
        // Guards the two tests above against files that all fail, or never do.
        let mut runner = proptest::test_runner::TestRunner::deterministic();
        let (mut good, mut bad) = (0, 0);
        for _ in 0..500 {
            let grid = grid().new_tree(&mut runner).unwrap().current();
            let reading = reading().new_tree(&mut runner).unwrap().current();
            match run(FASTEST, written(&grid, &reading, "\n", "").as_bytes(), &reading) {
                Ok(_) => good += 1,
                Err(_) => bad += 1,
            }
        }
        assert!(good > 20 && bad > 100, "{good} good, {bad} bad");
    }

    #[test]
    fn nothing_of_the_last_file_is_left() {
        let (mut scratch, mut samples) = (Scratch::default(), Samples::default());
        let file = Arc::from("f.csv");
        let good = b"frequency_hz,gain_db,phase_deg\n1,2,3\n2,3,4\n3,4,5\n";
        read(good, &file, &Reading::default(), &mut scratch, &mut samples).unwrap();
        let first = samples.clone();
        read(
            b"frequency_hz,gain_db,phase_deg\n1,2,3\n2,x,4\n",
            &file,
            &Reading::default(),
            &mut scratch,
            &mut samples,
        )
        .unwrap_err();
        assert!(samples.is_empty());
        read(good, &file, &Reading::default(), &mut scratch, &mut samples).unwrap();
        assert_eq!(samples, first);
    }

    #[test]
    fn huge_buffers_are_given_back() {
        let mut text = "\u{feff}frequency_hz,gain_db,phase_deg,note\n".to_owned();
        for point in 1..4 {
            text.push_str(&format!("{point},1,2,{}\n", "x".repeat(KEPT)));
        }
        let bytes: Vec<u8> = text.encode_utf16().flat_map(u16::to_be_bytes).collect();
        let (mut scratch, mut samples) = (Scratch::default(), Samples::default());
        read(&bytes, &"f.csv".into(), &Reading::default(), &mut scratch, &mut samples).unwrap();
        assert!(scratch.text.capacity() <= KEPT);
    }
}
