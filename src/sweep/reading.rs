//! How a sweep file is laid out: the `reading` of a spec or a run, nothing optional left that has a default.

use encoding_rs::{Encoding, UTF_8};

/// Layout of a sweep file.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
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
    /// Whether the first row names the columns.
    pub header: bool,
    /// The declared columns; what is not declared is recognised by the standard names in the header.
    pub columns: Columns,
}

impl Default for Reading {
    fn default() -> Self {
        Self {
            encoding: UTF_8,
            delimiter: ',',
            decimal: '.',
            comment: "#".to_owned(),
            skip_rows: 0,
            header: true,
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

/// Declared columns. At most one of the groups gain and phase, real and imaginary part, two sides is complete.
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
}
