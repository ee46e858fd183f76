//! Files that are no delimited text: each is brought into a table of named columns of numbers, which is read on as text is, with the
//! same names, units and checks. A number goes over with all its digits.
//!
//! | file | reads |
//! | --- | --- |
//! | `gzip` | what is compressed by gzip, whatever it holds |
//! | `json_lines` | an object of numbers per line |
//! | `touchstone` | Touchstone 1.0 of one or two ports |
//! | `time` | records of both sides over time |
//! | `numpy` | arrays of NumPy, one (`npy`) or several in an archive (`npz`) |
//! | `sheet` | spreadsheets (feature `xlsx`) |
//! | `cells` | fields that hold two numbers, parted |
//! | `table` | the table, and its text |
//! | `signature` | what a binary file is, by its first bytes |

mod cells;
mod gzip;
mod json_lines;
mod numpy;
#[cfg(feature = "xlsx")]
mod sheet;
mod signature;
mod table;
mod time;
mod touchstone;

use super::reading::{Format, Reading};
use crate::diagnostic::Diagnostic;
use std::sync::Arc;

pub(super) use gzip::unpacked;
pub(super) use signature::refuse_binary;

/// Code of what is wrong with a file as a file of its format. Its messages hold nothing that the file says.
const CODE: &str = "sweep-format";

/// Largest file, unpacked, bytes: as for sweeps as they are.
const LARGEST: usize = 200_000_000;

/// A file as text with commas, and how that is read.
pub(super) struct Converted {
    pub(super) text: String,
    pub(super) reading: Reading,
    /// Lines of the text above the first line of the file.
    pub(super) lines_above: u64,
    /// Standard uncertainty of each row by itself, neper and rad; empty where a row does not tell.
    pub(super) uncertainty: Vec<f64>,
}

/// Brings a file of the declared format into text; `None` where it is text already.
///
/// # Errors
/// What is wrong with it.
pub(super) fn converted(
    bytes: &[u8],
    file: &Arc<str>,
    reading: &Reading,
) -> Result<Option<Converted>, Vec<Diagnostic>> {
    let mut uncertainty = Vec::new();
    let table = match reading.format {
        Format::Text if cells::any(&reading.columns) => {
            refuse_binary(bytes, file)?;
            let (text, reading) = cells::parted(bytes, file, reading)?;
            return Ok(Some(Converted { text, reading, lines_above: 0, uncertainty }));
        }
        Format::Text => return Ok(None),
        Format::JsonLines => json_lines::table(bytes, file)?,
        Format::Touchstone => touchstone::table(bytes, file, &reading.columns)?,
        Format::Npy => numpy::single(bytes, file)?,
        Format::Npz => numpy::archive(bytes, file)?,
        #[cfg(not(feature = "xlsx"))]
        Format::Xlsx => {
            let message =
                "is declared as a spreadsheet, and this program was built without the feature `xlsx`";
            return Err(error(file, message, "save its sheet as CSV, or build with `--features xlsx`"));
        }
        #[cfg(feature = "xlsx")]
        Format::Xlsx => {
            let text = sheet::text(bytes, file)?;
            let plain = Reading { format: Format::Text, delimiter: ',', decimal: '.', ..reading.clone() };
            let reading = Reading { encoding: encoding_rs::UTF_8, ..plain };
            if cells::any(&reading.columns) {
                let (text, reading) = cells::parted(text.as_bytes(), file, &reading)?;
                return Ok(Some(Converted { text, reading, lines_above: 0, uncertainty }));
            }
            return Ok(Some(Converted { text, reading, lines_above: 0, uncertainty }));
        }
        Format::Time => {
            let points = time::points(bytes, file, reading)?;
            uncertainty.extend(points.iter().map(|point| point.uncertainty));
            of_points(&points)
        }
    };
    // The frequencies of records are in hertz already, and their columns are those of the records.
    let is_done = reading.format == Format::Time;
    let own = if is_done { Reading::default() } else { reading.clone() };
    let reading = Reading {
        columns: own.columns,
        frequency_unit: own.frequency_unit,
        header: table.is_named(),
        comment: String::new(),
        ..Reading::default()
    };
    let lines_above = u64::from(matches!(table.lines, table::Lines::OfTheFile));
    Ok(Some(Converted { text: table.text(), reading, lines_above, uncertainty }))
}

/// The loop gains of records as a table.
fn of_points(points: &[time::Point]) -> table::Table {
    let column = |value: &dyn Fn(&time::Point) -> f64| points.iter().map(value).collect::<Vec<f64>>();
    table::Table {
        names: ["frequency_hz", "real", "imag"].map(str::to_owned).to_vec(),
        columns: vec![column(&|p| p.hz), column(&|p| p.loop_gain.re), column(&|p| p.loop_gain.im)],
        lines: table::Lines::None,
    }
}

/// An error of the format.
fn error(file: &Arc<str>, message: impl Into<String>, help: &str) -> Vec<Diagnostic> {
    vec![Diagnostic::error(CODE, message).in_file(file).with_help(help)]
}
