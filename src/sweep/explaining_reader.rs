//! All rows of a file, the long way: every error with its place.

use super::columns::Layout;
use super::convert::{Numbers, convert};
use super::dialect::{line_ends, next_line};
use super::fast_reader::{LEAST_HZ, MOST_HZ, Room, Rows, is_frequency};
use super::fields::{Field, Uncut};
use super::from_numbers::FEWEST_POINTS;
use super::number::number;
use super::order::{breaks, is_above};
use super::problems::{MOST_ERRORS, Source, hertz, no_gain, not_a_number, shown, uncut};
use super::samples::Samples;
use crate::diagnostic::Diagnostic;
use crate::quantity::count_of;

/// Where a good row stands.
#[derive(Debug, Clone, Copy)]
struct Stand {
    start: usize,
    line: u64,
}

struct Careful<'a> {
    rows: &'a Rows<'a>,
    source: &'a Source<'a>,
    errors: Vec<Diagnostic>,
    stands: Vec<Stand>,
    /// Neighbours that do not rise, and that do not fall.
    broken: [usize; 2],
}

/// Reads all rows into the samples and explains what is wrong. `line` is that of the first row.
///
/// # Errors
/// At most [`MOST_ERRORS`] of them, in the order of the lines, and a note when there is more.
pub(super) fn read_rows_carefully(
    rows: &Rows<'_>,
    source: &Source<'_>,
    line: u64,
    room: &mut Room<'_>,
    samples: &mut Samples,
) -> Result<(), Vec<Diagnostic>> {
    let mut careful = Careful { rows, source, errors: Vec::new(), stands: Vec::new(), broken: [0; 2] };
    let unread = careful.all_rows(line, room, samples);
    careful.check_order(room, samples);
    if careful.errors.is_empty() && samples.len() < FEWEST_POINTS {
        let points = count_of(samples.len() as u64, "point");
        let error = source
            .whole("sweep-points", format!("the sweep has {points}; at least {FEWEST_POINTS} are wanted"));
        careful.errors.push(error.with_help("check that the whole sweep was exported"));
    }
    careful.finish(unread)
}

impl Careful<'_> {
    /// Reads rows until the end or until there are too many errors; the lines that were not read.
    fn all_rows(&mut self, mut line: u64, room: &mut Room<'_>, samples: &mut Samples) -> u64 {
        let text = self.rows.text;
        let mut at = self.rows.start;
        while let Some(start) = self.rows.dialect.next_row(text, at) {
            line += line_ends(text, at, start);
            at = match room.cutter.cut(start, room.fields) {
                Ok(next) => {
                    self.row(Stand { start, line }, room, samples);
                    next
                }
                Err(why) => self.broken_row(why, Stand { start, line }),
            };
            line += line_ends(text, start, at);
            // Whichever way the sweep is meant to go, there are too many errors already.
            let disorder = self.broken.iter().all(|broken| *broken >= MOST_ERRORS);
            if disorder || self.errors.len() >= MOST_ERRORS {
                let unended = text.len() > at && text.last() != Some(&b'\n');
                return line_ends(text, at, text.len()) + u64::from(unended);
            }
        }
        0
    }

    /// An error for a row that cannot be cut up; the start of the line to go on with.
    fn broken_row(&mut self, why: Uncut, stand: Stand) -> usize {
        let text = self.rows.text;
        let (code, message, at, help) = uncut(why, stand.start);
        let line = stand.line + line_ends(text, stand.start, at);
        self.errors.push(self.source.error(code, message, line, None, at..at + 1).with_help(help));
        // After a quote without end nothing can be told apart.
        if matches!(why, Uncut::Unclosed(_)) { text.len() } else { next_line(text, at) }
    }

    fn row(&mut self, stand: Stand, room: &mut Room<'_>, samples: &mut Samples) {
        let layout = self.rows.layout;
        if room.fields.len() != layout.fields {
            self.wrong_length(stand, room.fields);
            return;
        }
        let Some(numbers) = self.numbers(stand, room) else { return };
        let frequency_hz = layout.hertz(&numbers);
        if !is_frequency(frequency_hz) {
            let found = shown(&self.content(0, room.fields));
            let message = if frequency_hz > MOST_HZ {
                format!("the frequency {found} is too large: no loop is swept above {}", hertz(MOST_HZ))
            } else if frequency_hz > 0.0 {
                format!("the frequency {found} is too small: no loop is swept below {}", hertz(LEAST_HZ))
            } else {
                format!("the frequency is {found}; it must be above 0")
            };
            let help = if frequency_hz > 0.0 {
                "check the unit of the frequency in `reading`"
            } else {
                "remove the row; if all rows are so, another column holds the frequency: declare it in `reading`"
            };
            self.field_error("sweep-frequency", message, stand, 0, room.fields, Some(help.to_owned()));
        }
        match convert(layout.form, &numbers) {
            Err(why) => {
                let at = why.number();
                let (message, help) = no_gain(why, layout.form, &self.content(at, room.fields));
                self.field_error("sweep-gain", message, stand, at, room.fields, help);
            }
            Ok((ln_magnitude, phase_rad)) if is_frequency(frequency_hz) => {
                if let Some(before) = samples.frequency_hz.last() {
                    let [rising, falling] = &mut self.broken;
                    *rising += usize::from(!is_above(frequency_hz, *before));
                    *falling += usize::from(!is_above(*before, frequency_hz));
                }
                samples.push(frequency_hz, ln_magnitude, phase_rad);
                self.stands.push(stand);
            }
            Ok(_) => {}
        }
    }

    fn numbers(&mut self, stand: Stand, room: &mut Room<'_>) -> Option<Numbers> {
        let Rows { text, layout, dialect, .. } = *self.rows;
        let mut numbers = Numbers::default();
        let mut whole = true;
        for (index, (into, place)) in numbers.iter_mut().zip(layout.places()).enumerate() {
            let field = room.fields.get(*place)?.raw(text);
            match number(field, dialect.decimal_comma, room.digits) {
                Ok(value) => *into = value,
                Err(why) => {
                    whole = false;
                    let found = self.content(index, room.fields);
                    let (message, help) =
                        not_a_number(why, &found, layout.quantity(index), dialect.decimal_comma);
                    self.field_error("sweep-number", message, stand, index, room.fields, help);
                }
            }
        }
        whole.then_some(numbers)
    }

    fn wrong_length(&mut self, stand: Stand, fields: &[Field]) {
        let Rows { layout, dialect, .. } = *self.rows;
        let message = format!(
            "the row has {}, but the first row has {}",
            count_of(fields.len() as u64, "field"),
            layout.fields
        );
        let end = fields.last().map_or(stand.start, |field| field.end);
        let comma = dialect.delimiter == b',' && fields.len() > layout.fields;
        let help = if comma {
            "every row needs one field for each column; if the comma is also the decimal mark, export with another \
             delimiter and declare both under `reading`"
        } else {
            "every row needs one field for each column, empty ones included; check that the file is not cut off"
        };
        let error = self.source.error("sweep-row", message, stand.line, None, stand.start..end);
        self.errors.push(error.with_help(help));
    }

    /// The text of the number of this index.
    fn content(&self, index: usize, fields: &[Field]) -> String {
        let field = field(self.rows.layout, index, fields);
        field.map(|(_, field)| field.content(self.source.text).into_owned()).unwrap_or_default()
    }

    fn field_error(
        &mut self,
        code: &'static str,
        message: String,
        stand: Stand,
        index: usize,
        fields: &[Field],
        help: Option<String>,
    ) {
        let Some((place, field)) = field(self.rows.layout, index, fields) else { return };
        // A quoted field before this one may hold line ends.
        let line = stand.line + line_ends(self.rows.text, stand.start, field.start);
        let mut error = self.source.error(code, message, line, Some(place + 1), field.start..field.end);
        error.help = help;
        self.errors.push(error);
    }

    fn check_order(&mut self, room: &mut Room<'_>, samples: &Samples) {
        let (rising, broken) = breaks(&samples.frequency_hz);
        let (way, side) = if rising { ("rise", "above") } else { ("fall", "below") };
        for index in broken {
            let before = index.checked_sub(1);
            let stands = before.and_then(|before| self.stands.get(before)).zip(self.stands.get(index));
            let values = before
                .and_then(|before| samples.frequency_hz.get(before))
                .zip(samples.frequency_hz.get(index));
            let (Some((earlier, here)), Some((before, value))) = (stands, values) else { continue };
            let (earlier, here) = (*earlier, *here);
            let message = if before == value {
                format!("the frequency {} stands twice, here and in line {}", hertz(*value), earlier.line)
            } else if !is_above(*before, *value) && !is_above(*value, *before) {
                format!(
                    "the frequency {} is not told apart from that in line {}",
                    hertz(*value),
                    earlier.line
                )
            } else {
                format!(
                    "the frequency {} follows {} in line {}, but the sweep {way}s: it must lie {side}",
                    hertz(*value),
                    hertz(*before),
                    earlier.line
                )
            };
            let _ = room.cutter.cut(here.start, room.fields);
            let help = format!("the frequencies of one sweep must {way} strictly; keep one sweep in a file");
            self.field_error("sweep-order", message, here, 0, room.fields, Some(help));
            if self.errors.len() > MOST_ERRORS * 2 {
                break;
            }
        }
    }

    /// Sorts the errors, and keeps as many as are worth reading.
    fn finish(mut self, unread: u64) -> Result<(), Vec<Diagnostic>> {
        self.errors.sort_by_key(|error| error.place.as_ref().map(|place| (place.line, place.column)));
        let hidden = self.errors.len() > MOST_ERRORS;
        self.errors.truncate(MOST_ERRORS);
        let note = if unread > 0 {
            Some(format!("reading stopped after {MOST_ERRORS} errors; {} not read", remaining(unread)))
        } else {
            hidden.then(|| format!("only the first {MOST_ERRORS} errors are shown; there are more"))
        };
        if let Some(note) = note {
            self.errors.push(Diagnostic::warning("sweep-unread", note).in_file(self.source.file));
        }
        if self.errors.is_empty() { Ok(()) } else { Err(self.errors) }
    }
}

fn remaining(lines: u64) -> String {
    if lines == 1 { "1 more line was".to_owned() } else { format!("{lines} more lines were") }
}

fn field(layout: &Layout, index: usize, fields: &[Field]) -> Option<(usize, Field)> {
    let place = *layout.places().get(index)?;
    Some((place, *fields.get(place)?))
}
