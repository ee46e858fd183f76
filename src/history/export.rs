//! Tables for other tools: a row for every record, corner and quantity.

use super::database::{Database, Row};
use super::error::{Fault, HistoryError};
use super::export_row::{COLUMNS, ExportRow, Quantity};
use super::model::SeriesKey;
#[cfg(feature = "parquet")]
use super::parquet::ParquetTable;
use super::read::{head, head_columns, settings, value_cell};
use super::schema;
use super::store::History;
use std::collections::HashMap;
use std::io::Write;

/// Limits by spec, corner and quantity.
type Limits = HashMap<i64, HashMap<(String, String), [Option<f64>; 2]>>;

impl History {
    /// Writes all values, marked records with their reason among them, as CSV (RFC 4180) with a header: corner by corner, quantity by
    /// quantity, oldest record first; then the corners that gave no value.
    ///
    /// # Errors
    /// When the history cannot be read or the sink not be written.
    pub fn export_csv(&mut self, sink: impl Write) -> Result<(), HistoryError> {
        let Self { address, database, .. } = self;
        let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(sink);
        let mut work = || {
            writer.write_record(COLUMNS).map_err(|error| Fault::output(&error))?;
            rows(database, &mut |row| {
                writer.write_record(csv_fields(&row)).map_err(|error| Fault::output(&error))
            })?;
            Ok(writer.flush()?)
        };
        work().map_err(|fault: Fault| fault.at(address))
    }

    /// Writes the same rows as a Parquet file (feature `parquet`).
    ///
    /// # Errors
    /// When the history cannot be read or the sink not be written.
    #[cfg(feature = "parquet")]
    pub fn export_parquet(&mut self, sink: impl Write + Send) -> Result<(), HistoryError> {
        let Self { address, database, .. } = self;
        let work = || {
            let mut table = ParquetTable::new(sink)?;
            rows(database, &mut |row| table.push(row))?;
            table.finish()
        };
        work().map_err(|fault: Fault| fault.at(address))
    }
}

/// Columns and joins that an earlier version's tables do not give.
struct Added {
    conditions: &'static str,
    check: &'static str,
    checked: &'static str,
    bench: String,
}

impl Added {
    fn of(version: i64) -> Self {
        let bench = schema::bench_columns(version);
        if version >= schema::WITH_CHECKS {
            let checked = "JOIN series s ON s.id = v.series_id LEFT JOIN checked k ON k.record_id = v.record_id \
                           AND k.corner = s.corner AND k.quantity = s.quantity";
            Self { conditions: "c.conditions", check: "k.check_name, k.verdict", checked, bench }
        } else {
            let check = "CAST(NULL AS TEXT), CAST(NULL AS TEXT)";
            Self { conditions: "CAST(NULL AS TEXT)", check, checked: "", bench }
        }
    }
}

fn rows(database: &mut Database, each: &mut dyn FnMut(ExportRow) -> Result<(), Fault>) -> Result<(), Fault> {
    let added = Added::of(schema::readable(database, schema::VERSION)?);
    let limits = limits(database)?;
    let mut series: Vec<(i64, SeriesKey)> = Vec::new();
    let sql = "SELECT id, corner, quantity, unit FROM series ORDER BY product, corner, quantity, unit";
    database.query(sql, &[], &mut |row| {
        let key = SeriesKey { corner: row.get(1)?, quantity: row.get(2)?, unit: row.get(3)? };
        series.push((row.get(0)?, key));
        Ok(())
    })?;
    let (head_columns, Added { conditions, check, checked, bench }) = (head_columns(), &added);
    let sql = format!(
        "SELECT {head_columns}, r.spec_id, c.verdict, c.level, v.value, v.uncertainty, v.chain, v.at_least, \
         {conditions}, {check}, {bench} FROM value v JOIN record r ON r.id = v.record_id JOIN spec p ON p.id = r.spec_id \
         JOIN corner c ON c.record_id = v.record_id AND c.corner = ?2 {checked} \
         WHERE v.series_id = ?1 ORDER BY v.record_id"
    );
    for (id, key) in series {
        database.query(&sql, &[id.into(), key.corner.as_str().into()], &mut |row| {
            each(row_of(row, &key, &limits)?)
        })?;
    }
    without_values(database, &added, each)
}

/// A row of a series.
fn row_of(row: &Row<'_>, key: &SeriesKey, limits: &Limits) -> Result<ExportRow, Fault> {
    let spec: i64 = row.get(17)?;
    let SeriesKey { corner, quantity, unit } = key.clone();
    let pair = (corner.clone(), quantity.clone());
    let [min, max] = limits.get(&spec).and_then(|limits| limits.get(&pair)).copied().unwrap_or_default();
    let head = head(row)?;
    let cell = value_cell(row, head.id.0, key);
    let (value, uncertainty, chain) = cell.measured(20, &unit)?;
    let at_least = cell.is(23, "at_least")?;
    let check = row.get::<Option<String>>(25)?.zip(row.get(26)?).map(<[String; 2]>::from);
    Ok(ExportRow {
        head,
        corner,
        corner_verdict: row.get(18)?,
        level: row.get(19)?,
        conditions: row.get(24)?,
        bench: bench(row, 27)?,
        quantity: Some(Quantity { quantity, unit, value, uncertainty, chain, at_least, min, max, check }),
    })
}

/// The columns of [`schema::BENCH`], from `first` on.
fn bench(row: &Row<'_>, first: usize) -> Result<[Option<String>; 6], Fault> {
    let mut bench = [const { None }; 6];
    for (place, text) in bench.iter_mut().enumerate() {
        *text = row.get(first + place)?;
    }
    Ok(bench)
}

/// The corners that gave no value.
fn without_values(
    database: &mut Database,
    added: &Added,
    each: &mut dyn FnMut(ExportRow) -> Result<(), Fault>,
) -> Result<(), Fault> {
    let (head_columns, Added { conditions, bench: bench_columns, .. }) = (head_columns(), added);
    let sql = format!(
        "SELECT {head_columns}, c.corner, c.verdict, c.level, {conditions}, {bench_columns} FROM corner c \
         JOIN record r ON r.id = c.record_id JOIN spec p ON p.id = r.spec_id \
         WHERE c.quantities = 0 ORDER BY c.record_id, c.corner"
    );
    database.query(&sql, &[], &mut |row: &Row<'_>| {
        let (corner, corner_verdict) = (row.get(17)?, row.get(18)?);
        let (level, conditions) = (row.get(19)?, row.get(20)?);
        let bench = bench(row, 21)?;
        each(ExportRow { head: head(row)?, corner, corner_verdict, level, conditions, bench, quantity: None })
    })
}

fn limits(database: &mut Database) -> Result<Limits, Fault> {
    let mut limits = Limits::new();
    database.query("SELECT id, settings FROM spec", &[], &mut |row| {
        let of_spec = settings(row, 0)?.limits.into_iter();
        let of_spec = of_spec.map(|limit| ((limit.corner, limit.quantity), [limit.min, limit.max])).collect();
        limits.insert(row.get(0)?, of_spec);
        Ok(())
    })?;
    Ok(limits)
}

fn csv_fields(row: &ExportRow) -> Vec<String> {
    let head = &row.head;
    let text = |text: &Option<String>| text.clone().unwrap_or_default();
    let number = |number: Option<f64>| number.map(|number| number.to_string()).unwrap_or_default();
    let mut fields = vec![
        head.id.to_string(),
        head.product.clone(),
        head.serial.clone(),
        head.revision.clone(),
        text(&head.firmware),
        text(&head.build),
        text(&head.taken),
        head.taken_us.map(|us| us.to_string()).unwrap_or_default(),
        text(&head.station),
        head.is_reference.to_string(),
        head.run.clone(),
        head.verdict.word().to_owned(),
        head.tool.clone(),
        head.spec_sha256.clone(),
        head.recorded.clone(),
        text(&head.removed),
        text(&head.reason),
        row.corner.clone(),
        row.corner_verdict.clone(),
        text(&row.level),
    ];
    match &row.quantity {
        Some(q) => fields.extend([
            q.quantity.clone(),
            q.unit.clone(),
            q.value.to_string(),
            number(q.uncertainty),
            number(q.chain),
            q.at_least.to_string(),
            number(q.min),
            number(q.max),
        ]),
        None => fields.resize(fields.len() + 8, String::new()),
    }
    let of_quantity = row.quantity.as_ref();
    let [check, verdict] = of_quantity.and_then(|q| q.check.clone()).unwrap_or_default();
    fields.extend([text(&row.conditions), check, verdict, number(of_quantity.and_then(Quantity::slack))]);
    fields.extend(row.bench.iter().map(text));
    fields
}
