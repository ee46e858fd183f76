//! The export as a Parquet file, gzip-compressed, in row groups so that memory stays flat.

use super::error::Fault;
use super::export_row::{COLUMNS, ExportRow};
use crate::quantity::calendar::micros;
use ::parquet::basic::Compression;
use ::parquet::data_type::{BoolType, ByteArray, ByteArrayType, DataType, DoubleType, Int64Type};
use ::parquet::errors::ParquetError;
use ::parquet::file::properties::WriterProperties;
use ::parquet::file::writer::{SerializedFileWriter, SerializedRowGroupWriter};
use ::parquet::schema::parser::parse_message_type;
use std::io::Write;
use std::sync::Arc;

/// Rows of a group: some tens of megabytes in memory.
const GROUP: usize = 100_000;

/// Types of the columns, in the order of [`COLUMNS`].
const TYPES: [Kind; 38] = {
    use Kind::{Bool, Int, Real, Text, Time};
    [
        Int, Text, Text, Text, Text, Text, Time, Int, Text, Bool, Text, Text, Text, Text, Time, Time, Text,
        Text, Text, Text, Text, Text, Real, Real, Real, Bool, Real, Real, Text, Text, Text, Real, Text, Text,
        Text, Text, Text, Text,
    ]
};

#[derive(Clone, Copy)]
enum Kind {
    Int,
    Real,
    Bool,
    Text,
    /// An instant, UTC, microseconds.
    Time,
}

impl From<ParquetError> for Fault {
    fn from(error: ParquetError) -> Self {
        Self::output(&error)
    }
}

/// A table on its way into a file.
pub(super) struct ParquetTable<W: Write + Send> {
    writer: SerializedFileWriter<W>,
    rows: Vec<ExportRow>,
}

impl<W: Write + Send> ParquetTable<W> {
    pub(super) fn new(sink: W) -> Result<Self, Fault> {
        let columns: Vec<String> = COLUMNS
            .iter()
            .zip(TYPES)
            .map(|(name, kind)| match kind {
                Kind::Int => format!("optional int64 {name};"),
                Kind::Real => format!("optional double {name};"),
                Kind::Bool => format!("optional boolean {name};"),
                Kind::Time => format!("optional int64 {name} (TIMESTAMP(MICROS,true));"),
                Kind::Text => format!("optional binary {name} (UTF8);"),
            })
            .collect();
        let schema = Arc::new(parse_message_type(&format!("message history {{ {} }}", columns.join(" ")))?);
        let properties =
            WriterProperties::builder().set_compression(Compression::GZIP(Default::default())).build();
        Ok(Self { writer: SerializedFileWriter::new(sink, schema, Arc::new(properties))?, rows: Vec::new() })
    }

    pub(super) fn push(&mut self, row: ExportRow) -> Result<(), Fault> {
        self.rows.push(row);
        if self.rows.len() >= GROUP { self.write_group() } else { Ok(()) }
    }

    pub(super) fn finish(mut self) -> Result<(), Fault> {
        if !self.rows.is_empty() {
            self.write_group()?;
        }
        self.writer.finish()?;
        self.writer.inner_mut().flush()?;
        Ok(())
    }

    fn write_group(&mut self) -> Result<(), Fault> {
        let rows = std::mem::take(&mut self.rows);
        let mut group = self.writer.next_row_group()?;
        write_heads(&mut group, &rows)?;
        write_values(&mut group, &rows)?;
        group.close()?;
        Ok(())
    }
}

type Group<'a, W> = SerializedRowGroupWriter<'a, W>;

fn write_heads<W: Write + Send>(group: &mut Group<'_, W>, rows: &[ExportRow]) -> Result<(), Fault> {
    column::<Int64Type, W>(group, rows.iter().map(|row| Some(row.head.id.0)))?;
    texts(group, rows, |row| Some(&row.head.product))?;
    texts(group, rows, |row| Some(&row.head.serial))?;
    texts(group, rows, |row| Some(&row.head.revision))?;
    texts(group, rows, |row| row.head.firmware.as_ref())?;
    texts(group, rows, |row| row.head.build.as_ref())?;
    column::<Int64Type, W>(group, rows.iter().map(|row| row.head.taken_us))?;
    column::<Int64Type, W>(group, rows.iter().map(|row| row.head.taken_us))?;
    texts(group, rows, |row| row.head.station.as_ref())?;
    column::<BoolType, W>(group, rows.iter().map(|row| Some(row.head.is_reference)))?;
    texts(group, rows, |row| Some(&row.head.run))?;
    column::<ByteArrayType, W>(group, rows.iter().map(|row| Some(row.head.verdict.word().into())))?;
    texts(group, rows, |row| Some(&row.head.tool))?;
    texts(group, rows, |row| Some(&row.head.spec_sha256))?;
    column::<Int64Type, W>(group, rows.iter().map(|row| micros(&row.head.recorded)))?;
    column::<Int64Type, W>(group, rows.iter().map(|row| micros(row.head.removed.as_ref()?)))?;
    texts(group, rows, |row| row.head.reason.as_ref())
}

fn write_values<W: Write + Send>(group: &mut Group<'_, W>, rows: &[ExportRow]) -> Result<(), Fault> {
    texts(group, rows, |row| Some(&row.corner))?;
    texts(group, rows, |row| Some(&row.corner_verdict))?;
    texts(group, rows, |row| row.level.as_ref())?;
    texts(group, rows, |row| row.quantity.as_ref().map(|q| &q.quantity))?;
    texts(group, rows, |row| row.quantity.as_ref().map(|q| &q.unit))?;
    column::<DoubleType, W>(group, rows.iter().map(|row| row.quantity.as_ref().map(|q| q.value)))?;
    column::<DoubleType, W>(group, rows.iter().map(|row| row.quantity.as_ref()?.uncertainty))?;
    column::<DoubleType, W>(group, rows.iter().map(|row| row.quantity.as_ref()?.chain))?;
    column::<BoolType, W>(group, rows.iter().map(|row| row.quantity.as_ref().map(|q| q.at_least)))?;
    column::<DoubleType, W>(group, rows.iter().map(|row| row.quantity.as_ref()?.min))?;
    column::<DoubleType, W>(group, rows.iter().map(|row| row.quantity.as_ref()?.max))?;
    texts(group, rows, |row| row.conditions.as_ref())?;
    texts(group, rows, |row| of_check(row, |[check, _]| check))?;
    texts(group, rows, |row| of_check(row, |[_, verdict]| verdict))?;
    column::<DoubleType, W>(group, rows.iter().map(|row| row.quantity.as_ref()?.slack()))?;
    (0..6).try_for_each(|place| texts(group, rows, |row| row.bench.get(place)?.as_ref()))
}

fn of_check(row: &ExportRow, which: impl Fn(&[String; 2]) -> &String) -> Option<&String> {
    row.quantity.as_ref()?.check.as_ref().map(which)
}

fn texts<'r, W: Write + Send>(
    group: &mut Group<'_, W>,
    rows: &'r [ExportRow],
    text: impl Fn(&'r ExportRow) -> Option<&'r String>,
) -> Result<(), Fault> {
    column::<ByteArrayType, W>(
        group,
        rows.iter().map(|row| text(row).map(|text| ByteArray::from(text.as_str()))),
    )
}

/// Writes the next column: level 1 where there is a value, 0 where there is none.
fn column<T: DataType, W: Write + Send>(
    group: &mut Group<'_, W>,
    cells: impl Iterator<Item = Option<T::T>>,
) -> Result<(), Fault> {
    let mut values = Vec::new();
    let mut levels = Vec::new();
    for cell in cells {
        levels.push(i16::from(cell.is_some()));
        values.extend(cell);
    }
    let missing = || ParquetError::General("more columns than the schema has".to_owned());
    let mut writer = group.next_column()?.ok_or_else(missing)?;
    writer.typed::<T>().write_batch(&values, Some(&levels), None)?;
    writer.close()?;
    Ok(())
}
