//! How a sweep file is laid out: the `reading` of a spec or a run, nothing optional left that has a default.

use encoding_rs::{Encoding, UTF_8};

/// What kind of file a sweep is in. Whatever it is, it may be compressed by gzip.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[non_exhaustive]
pub enum Format {
    /// Delimited text.
    #[default]
    Text,
    /// A JSON object per line.
    JsonLines,
    /// Touchstone 1.0 of one or two ports.
    Touchstone,
    /// An array of NumPy.
    Npy,
    /// An archive of arrays of NumPy.
    Npz,
    /// A spreadsheet of Office Open XML, of one sheet.
    Xlsx,
    /// Records of both sides over time, as text or as an archive of arrays of NumPy.
    Time,
}

/// Layout of a sweep file.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// What kind of file it is. All that follows but the columns and the unit of the frequencies is of text, some of it of records over time
    /// and of spreadsheets, too.
    pub format: Format,
    /// How characters are written, where no byte order mark says it.
    pub encoding: &'static Encoding,
    /// Between the fields.
    pub delimiter: char,
    /// The decimal mark, `.` or `,`.
    pub decimal: char,
    /// Lines that begin with this are comments.
    pub comment: String,
    /// Physical lines before the header.
    pub skip_rows: usize,
    /// Physical lines at the end that are no rows.
    pub footer_rows: usize,
    /// Whether the first row names the columns.
    pub header: bool,
    /// Whether the row after the header names units, which are declared and not read.
    pub units_row: bool,
    /// Unit of the frequencies, where their column is not declared with its own.
    pub frequency_unit: FrequencyUnit,
    /// The declared columns; what is not declared is recognised by the standard names in the header.
    pub columns: Columns,
}

impl Default for Reading {
    fn default() -> Self {
        Self {
            format: Format::Text,
            encoding: UTF_8,
            delimiter: ',',
            decimal: '.',
            comment: "#".to_owned(),
            skip_rows: 0,
            footer_rows: 0,
            header: true,
            units_row: false,
            frequency_unit: FrequencyUnit::HERTZ,
            columns: Columns::default(),
        }
    }
}

/// A column by its name in the header or by its position.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ColumnRef {
    /// Name in the header row.
    Name(String),
    /// Position, counted from 1.
    Position(usize),
}

/// A declared column and its unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Column<U> {
    /// Which column.
    pub column: ColumnRef,
    /// Its unit.
    pub unit: U,
}

/// Unit of a frequency column: the factor to hertz.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FrequencyUnit(pub f64);

impl FrequencyUnit {
    /// Hz.
    pub const HERTZ: Self = Self(1.0);
    /// Radians per second: a turn has 2 pi of them.
    pub const RADIANS_PER_SECOND: Self = Self(1.0 / std::f64::consts::TAU);

    /// A frequency in this unit, in Hz.
    #[inline]
    pub(super) fn hertz(self, value: f64) -> f64 {
        let Self(factor) = self;
        // 1/1000 is no double but 1000 is: dividing gives the nearest double to the decimal number.
        if factor < 1.0 { value / (1.0 / factor) } else { value * factor }
    }
}

/// Unit of a gain column.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum GainUnit {
    /// Decibels.
    Decibel,
    /// Plain amplitude ratio, above 0.
    Ratio,
}

/// Unit of a phase column.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AngleUnit {
    /// Degrees.
    Degree,
    /// Radians.
    Radian,
}

/// Declared columns. At most one of the groups gain and phase, real and imaginary part, two sides by their parts or by magnitude and phase is complete.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Columns {
    /// `frequency`
    pub frequency: Option<Column<FrequencyUnit>>,
    /// `gain`
    pub gain: Option<Column<GainUnit>>,
    /// `phase`
    pub phase: Option<Column<AngleUnit>>,
    /// `real`, of the loop gain
    pub real: Option<ColumnRef>,
    /// `imag`, of the loop gain
    pub imag: Option<ColumnRef>,
    /// `input_real`, of the signal at the input side of the injection point
    pub input_real: Option<ColumnRef>,
    /// `input_imag`
    pub input_imag: Option<ColumnRef>,
    /// `output_real`, of the signal at the output side; loop gain = output/input
    pub output_real: Option<ColumnRef>,
    /// `output_imag`
    pub output_imag: Option<ColumnRef>,
    /// `input_magnitude`, of the signal at the input side
    pub input_magnitude: Option<Column<GainUnit>>,
    /// `input_phase`
    pub input_phase: Option<Column<AngleUnit>>,
    /// `output_magnitude`, of the signal at the output side, in the unit of the input side
    pub output_magnitude: Option<Column<GainUnit>>,
    /// `output_phase`
    pub output_phase: Option<Column<AngleUnit>>,
}
