//! Runs, settings and values, for `drift` and for people.

use super::database::{Row, Value};
use super::error::{Fault, HistoryError};
use super::model::{Filter, RecordHead, RecordId, Retested, SeriesKey, Settings, ValueRow};
use super::numbers::Cell;
use super::settings::parse_settings;
use super::store::History;
use crate::check::Verdict;
use std::collections::{HashMap, HashSet};
use std::fmt::Display;
use std::io::Read;

/// Columns of a [`RecordHead`], of `record r JOIN spec p`.
const HEAD: &str = "r.id, r.product, r.serial, r.revision, r.firmware, r.build, r.taken, r.taken_us, r.station, \
                    r.is_reference, r.run, r.verdict, r.tool, p.sha256, r.recorded, r.removed, r.reason";

impl History {
    /// The products with a record, in alphabetical order; those whose records are all marked too.
    ///
    /// # Errors
    /// When the history cannot be read.
    pub fn products(&mut self) -> Result<Vec<String>, HistoryError> {
        // From one product to the next: a walk over all records takes seconds.
        let sql = "SELECT min(product) FROM record WHERE product > ?1";
        let mut products: Vec<String> = Vec::new();
        loop {
            let after: &str = products.last().map_or("", String::as_str);
            let next = self.database.query_first(sql, &[after.into()], |row| row.get::<Option<String>>(0));
            match next.map_err(|fault| fault.at(&self.address))?.flatten() {
                Some(product) => products.push(product),
                None => break,
            }
        }
        products.sort();
        Ok(products)
    }

    /// Hands every record of a product to `sink`, oldest first, those marked as removed left out.
    ///
    /// # Errors
    /// When the history cannot be read.
    pub fn records(&mut self, product: &str, sink: &mut dyn FnMut(RecordHead)) -> Result<(), HistoryError> {
        let filter =
            Filter { product: Some(product.to_owned()), is_marked: Some(false), ..Filter::default() };
        self.list(&filter, sink)
    }

    /// Hands every record that the filter lets through to `sink`, oldest first.
    ///
    /// # Errors
    /// When the history cannot be read.
    pub fn list(&mut self, filter: &Filter, sink: &mut dyn FnMut(RecordHead)) -> Result<(), HistoryError> {
        let mut sql = format!("SELECT {HEAD} FROM record r JOIN spec p ON p.id = r.spec_id");
        let mut values: Vec<Value<'_>> = Vec::new();
        let texts = [
            ("product", filter.product.as_deref()),
            ("serial", filter.serial.as_deref()),
            ("build", filter.build.as_deref()),
            ("station", filter.station.as_deref()),
            ("verdict", filter.verdict.map(Verdict::word)),
        ];
        let mut word = " WHERE";
        for (column, text) in texts {
            if let Some(text) = text {
                values.push(text.into());
                sql.push_str(&format!("{word} r.{column} = ?{}", values.len()));
                word = " AND";
            }
        }
        if let Some(is_marked) = filter.is_marked {
            sql.push_str(&format!("{word} r.removed IS {}NULL", if is_marked { "NOT " } else { "" }));
        }
        sql.push_str(" ORDER BY r.id");
        let Self { address, database, .. } = self;
        database
            .query(&sql, &values, &mut |row| {
                sink(head(row)?);
                Ok(())
            })
            .map_err(|fault| fault.at(address))
    }

    /// Limits and drift settings of the newest record of a product that is not marked as removed; `None` when there is none.
    ///
    /// # Errors
    /// When the history cannot be read.
    pub fn newest_settings(&mut self, product: &str) -> Result<Option<Settings>, HistoryError> {
        let sql = "SELECT p.id, p.settings FROM record r JOIN spec p ON p.id = r.spec_id \
                   WHERE r.product = ?1 AND r.removed IS NULL ORDER BY r.id DESC LIMIT 1";
        let found = self.database.query_first(sql, &[product.into()], |row| settings(row, 0));
        found.map_err(|fault| fault.at(&self.address))
    }

    /// Hands every value of a product to `sink` in one pass, in no particular order, those of marked records left out. Memory does
    /// not grow with the number of values.
    ///
    /// # Errors
    /// When the history cannot be read.
    pub fn values(&mut self, product: &str, sink: &mut dyn FnMut(ValueRow<'_>)) -> Result<(), HistoryError> {
        let Self { address, database, .. } = self;
        let mut work = || {
            let mut marked: HashSet<i64> = HashSet::new();
            let sql = "SELECT id FROM record WHERE product = ?1 AND removed IS NOT NULL";
            database.query(sql, &[product.into()], &mut |row| {
                marked.insert(row.get(0)?);
                Ok(())
            })?;
            let mut keys: HashMap<i64, SeriesKey> = HashMap::new();
            let sql = "SELECT id, corner, quantity, unit FROM series WHERE product = ?1";
            database.query(sql, &[product.into()], &mut |row| {
                keys.insert(
                    row.get(0)?,
                    SeriesKey { corner: row.get(1)?, quantity: row.get(2)?, unit: row.get(3)? },
                );
                Ok(())
            })?;
            let sql = "SELECT v.series_id, v.record_id, v.value, v.uncertainty, v.chain, v.at_least \
                       FROM series s JOIN value v ON v.series_id = s.id WHERE s.product = ?1";
            database.query(sql, &[product.into()], &mut |row| {
                let (series_id, record): (i64, i64) = (row.get(0)?, row.get(1)?);
                if marked.contains(&record) {
                    return Ok(());
                }
                let series = keys.get(&series_id).ok_or_else(|| Fault::damaged("a value has no series"))?;
                let cell = value_cell(row, record, series);
                let (value, uncertainty, chain) = cell.measured(2, &series.unit)?;
                let (record, at_least) = (RecordId(record), cell.is(5, "at_least")?);
                sink(ValueRow { series_id, series, record, value, uncertainty, chain, at_least });
                Ok(())
            })
        };
        work().map_err(|fault: Fault| fault.at(address))
    }

    /// Hands every unit with more than one record to `sink`, product by product and serial by serial: a unit tested again until it
    /// passes shows by the verdicts of its records. Reference units, which are meant to be measured again, are left out.
    ///
    /// # Errors
    /// When the history cannot be read.
    pub fn retested(
        &mut self,
        product: Option<&str>,
        sink: &mut dyn FnMut(Retested),
    ) -> Result<(), HistoryError> {
        let (chosen, values) = match product {
            Some(product) => ("AND product = ?1", vec![Value::Text(product)]),
            None => ("", Vec::new()),
        };
        let sql = format!(
            "SELECT {HEAD} FROM (SELECT product, serial FROM record WHERE is_reference = 0 {chosen} \
             GROUP BY product, serial HAVING count(*) > 1) u \
             JOIN record r ON r.product = u.product AND r.serial = u.serial JOIN spec p ON p.id = r.spec_id \
             WHERE r.is_reference = 0 ORDER BY r.product, r.serial, r.id"
        );
        let mut unit: Option<Retested> = None;
        let Self { address, database, .. } = self;
        database
            .query(&sql, &values, &mut |row| {
                let head = head(row)?;
                match &mut unit {
                    Some(unit) if unit.product == head.product && unit.serial == head.serial => {
                        unit.records.push(head)
                    }
                    _ => {
                        let (product, serial) = (head.product.clone(), head.serial.clone());
                        let next = Retested { product, serial, records: vec![head] };
                        if let Some(done) = unit.replace(next) {
                            sink(done);
                        }
                    }
                }
                Ok(())
            })
            .map_err(|fault| fault.at(address))?;
        if let Some(done) = unit {
            sink(done);
        }
        Ok(())
    }

    /// The run's object of the JSON result, as it was recorded; `None` when there is no such record.
    ///
    /// # Errors
    /// When the history cannot be read or is damaged.
    pub fn result(&mut self, record: RecordId) -> Result<Option<String>, HistoryError> {
        let sql = "SELECT json FROM result WHERE record_id = ?1";
        let bytes = self.database.query_first(sql, &[record.0.into()], |row| row.get::<Vec<u8>>(0));
        bytes
            .and_then(|bytes| bytes.map(|bytes| inflated(&bytes)).transpose())
            .map_err(|fault| fault.at(&self.address))
    }

    /// The resolved spec that a record was judged by, as JSON; `None` when there is no such record.
    ///
    /// # Errors
    /// When the history cannot be read.
    pub fn spec_text(&mut self, record: RecordId) -> Result<Option<String>, HistoryError> {
        let sql = "SELECT p.text FROM record r JOIN spec p ON p.id = r.spec_id WHERE r.id = ?1";
        self.database
            .query_first(sql, &[record.0.into()], |row| row.get(0))
            .map_err(|fault| fault.at(&self.address))
    }
}

pub(super) fn head(row: &Row<'_>) -> Result<RecordHead, Fault> {
    let id = RecordId(row.get(0)?);
    let cell = Cell { row, table: "record", of: format_args!("record {id}") };
    let (taken_us, is_reference) = (cell.taken_us(7)?, cell.is(9, "is_reference")?);
    Ok(RecordHead {
        id,
        product: row.get(1)?,
        serial: row.get(2)?,
        revision: row.get(3)?,
        firmware: row.get(4)?,
        build: row.get(5)?,
        taken: row.get(6)?,
        taken_us,
        station: row.get(8)?,
        is_reference,
        run: row.get(10)?,
        verdict: verdict(&row.get::<String>(11)?)?,
        tool: row.get(12)?,
        spec_sha256: row.get(13)?,
        recorded: row.get(14)?,
        removed: row.get(15)?,
        reason: row.get(16)?,
    })
}

/// The columns that [`head`] reads.
pub(super) const fn head_columns() -> &'static str {
    HEAD
}

fn verdict(word: &str) -> Result<Verdict, Fault> {
    let known = Verdict::ALL.into_iter().find(|verdict| verdict.word() == word);
    known.ok_or_else(|| Fault::damaged(format!("`{word}` is no verdict")))
}

/// Number and settings of a spec, side by side from `index` on.
pub(super) fn settings(row: &Row<'_>, index: usize) -> Result<Settings, Fault> {
    let of = format_args!("spec {}", row.get::<i64>(index)?).to_string();
    let wrong = |what: String| {
        let cell = Cell { row, table: "spec", of };
        cell.wrong("settings", &format!("what cannot be read: {what}"))
    };
    parse_settings(&row.get::<String>(index + 1)?).map_err(wrong)
}

/// A row of the table `value`.
pub(super) fn value_cell<'a, 'r>(
    row: &'a Row<'r>,
    record: i64,
    series: &'a SeriesKey,
) -> Cell<'a, 'r, impl Display + use<'a>> {
    Cell { row, table: "value", of: ValueOf(record, series) }
}

/// A value as messages name it; written only when there is one.
struct ValueOf<'a>(i64, &'a SeriesKey);

impl Display for ValueOf<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "record {}, {} {}", self.0, self.1.corner, self.1.quantity)
    }
}

pub(super) fn inflated(bytes: &[u8]) -> Result<String, Fault> {
    let mut text = String::new();
    flate2::read::ZlibDecoder::new(bytes)
        .read_to_string(&mut text)
        .map_err(|error| Fault::damaged(format!("a result cannot be read: {error}")))?;
    Ok(text)
}
