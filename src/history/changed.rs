//! What is not as it was recorded: numbers that cannot be, rows that do not fit their digest.

use super::database::{Database, Row, Value};
use super::digest;
use super::error::Fault;
use super::model::{CheckReport, SeriesKey};
use super::numbers::Cell;
use super::read::{inflated, settings, value_cell};
use super::{recorded, schema};

/// Problems of one kind that are named; their number is always told.
pub(super) const NAMED: usize = 10;

/// Looks at every row with a digest or a number, in a history of this version.
pub(super) fn look(database: &mut Database, report: &mut CheckReport, version: i64) -> Result<(), Fault> {
    let columns = |table: &str| {
        // An earlier version has no such columns.
        if version >= schema::WITH_DIGESTS {
            format!("{table}.digest, r.digest")
        } else {
            "CAST(NULL AS BIGINT), CAST(NULL AS BIGINT)".to_owned()
        }
    };
    values(database, report, &columns("v"))?;
    records(database, report, &columns("r"), &schema::bench_columns(version))?;
    corners(database, report, &columns("c"), version >= schema::WITH_CHECKS)?;
    results(database, report, &columns("x"))?;
    if version >= schema::WITH_CHECKS {
        numbers_of_checks(database, report)?;
        checks(database, report)?;
    }
    others(database, report)
}

/// A value that does not fit its digest.
struct Misfit {
    record: i64,
    series: SeriesKey,
    value: f64,
    /// Whether it has no digest although its record has one: no part of what was recorded.
    is_added: bool,
}

fn values(database: &mut Database, report: &mut CheckReport, digests: &str) -> Result<(), Fault> {
    let (mut wrong, mut misfits, mut more) = (Named::default(), Vec::new(), 0);
    let sql = format!(
        "SELECT s.corner, s.quantity, s.unit, v.record_id, v.value, v.uncertainty, v.chain, v.at_least, r.token, {digests} \
         FROM series s JOIN value v ON v.series_id = s.id JOIN record r ON r.id = v.record_id \
         ORDER BY v.series_id, v.record_id"
    );
    database.query(&sql, &[], &mut |row| {
        let series = SeriesKey { corner: row.get(0)?, quantity: row.get(1)?, unit: row.get(2)? };
        let (record, token): (i64, String) = (row.get(3)?, row.get(8)?);
        let cell = value_cell(row, record, &series);
        let (measured, at_least) = (cell.measured(4, &series.unit), cell.is(7, "at_least"));
        let (Ok((value, uncertainty, chain)), Ok(at_least)) = (&measured, &at_least) else {
            wrong.note(measured);
            wrong.note(at_least);
            return Ok(());
        };
        let (found, of_record) = (row.get(9)?, row.get(10)?);
        let key = [&token, &series.corner, &series.quantity, &series.unit].map(String::as_str);
        let numbers = [(*value).into(), (*uncertainty).into(), (*chain).into(), (*at_least).into()];
        if digest::fits(found, of_record, || digest::of_value(key, numbers)) {
            return Ok(());
        }
        if misfits.len() < NAMED {
            misfits.push(Misfit { record, value: *value, is_added: found.is_none(), series: series.clone() });
        } else {
            more += 1;
        }
        Ok(())
    })?;
    wrong.tell(report, "numbers cannot be what was recorded");
    for misfit in &misfits {
        report.problems.push(told(database, misfit)?);
    }
    if more > 0 {
        report.problems.push(format!("{more} more values are not what was recorded"));
    }
    Ok(())
}

/// What a changed value is, and what the result of its record says that it was.
fn told(database: &mut Database, misfit: &Misfit) -> Result<String, Fault> {
    let Misfit { record, series, value, is_added } = misfit;
    let SeriesKey { corner, quantity, unit } = series;
    // All digits: what changed may be the last one.
    let with_unit = |value: f64| format!("{value} {unit}").trim_end().to_owned();
    let recorded =
        recorded::values(database, *record, corner)?.into_iter().find(|(name, _)| name == quantity);
    let found = with_unit(*value);
    let what = match recorded {
        Some((_, recorded)) if recorded != *value => {
            format!("{found} is there, {} was recorded", with_unit(recorded))
        }
        Some(_) if !is_added => "`uncertainty`, `chain` or `at_least` is not what was recorded".to_owned(),
        _ if *is_added => format!("{found} is there, and was not recorded with it"),
        _ => format!("{found} is there, which is not what was recorded"),
    };
    Ok(format!("record {record}, {corner} {quantity}: {what}"))
}

fn records(
    database: &mut Database,
    report: &mut CheckReport,
    digests: &str,
    bench: &str,
) -> Result<(), Fault> {
    let mut wrong = Named::default();
    let mut changed = Named::default();
    let mut without = 0;
    let sql = format!(
        "SELECT r.id, r.token, r.product, r.serial, r.revision, r.firmware, r.build, r.taken, r.taken_us, r.station, \
         r.is_reference, r.run, r.verdict, r.tool, r.corners, r.recorded, p.sha256, p.settings_sha256, {bench}, {digests} \
         FROM record r JOIN spec p ON p.id = r.spec_id ORDER BY r.id"
    );
    database.query(&sql, &[], &mut |row| {
        let id: i64 = row.get(0)?;
        let cell = Cell { row, table: "record", of: format_args!("record {id}") };
        let (taken_us, is_reference) = (cell.taken_us(8), cell.is(10, "is_reference"));
        if taken_us.is_err() || is_reference.is_err() {
            wrong.note(taken_us);
            wrong.note(is_reference);
            return Ok(());
        }
        let found: Option<i64> = row.get(24)?;
        without += u64::from(found.is_none());
        let has_bench = (18..24).any(|column| !matches!(row.get::<Option<String>>(column), Ok(None)));
        let end = if has_bench { 24 } else { 18 };
        if !digest::fits(found, row.get(25)?, || digest_of(row, 1..end, &[8, 10, 14])) {
            changed.add(format!("record {id}: its labels, times, verdict or spec are not what was recorded"));
        }
        Ok(())
    })?;
    report.without_digests = without;
    wrong.tell(report, "numbers cannot be what was recorded");
    changed.tell(report, "records are not what was recorded");
    Ok(())
}

fn corners(
    database: &mut Database,
    report: &mut CheckReport,
    digests: &str,
    has_checks: bool,
) -> Result<(), Fault> {
    let mut changed = Named::default();
    let told = if has_checks { "c.conditions, c.checks" } else { "CAST(NULL AS TEXT), CAST(NULL AS BIGINT)" };
    let sql = format!(
        "SELECT c.record_id, r.token, c.corner, c.verdict, c.level, c.quantities, {told}, {digests} \
         FROM corner c JOIN record r ON r.id = c.record_id ORDER BY c.record_id, c.corner"
    );
    database.query(&sql, &[], &mut |row| {
        // Without both where an earlier version recorded it.
        let is_earlier = row.get::<Option<String>>(6)?.is_none() && row.whole(7) == Ok(None);
        let end = if is_earlier { 6 } else { 8 };
        if !digest::fits(row.get(8)?, row.get(9)?, || digest_of(row, 1..end, &[5, 7])) {
            let (record, corner): (i64, String) = (row.get(0)?, row.get(2)?);
            changed.add(format!(
                "record {record}, {corner}: its verdict, level, conditions or number of values is not what was recorded"
            ));
        }
        Ok(())
    })?;
    changed.tell(report, "corners are not what was recorded");
    Ok(())
}

/// Whether a corner has as many checks as were recorded.
fn numbers_of_checks(database: &mut Database, report: &mut CheckReport) -> Result<(), Fault> {
    let mut changed = Named::default();
    let sql = "SELECT c.record_id, c.corner, COALESCE(n.number, 0), c.checks FROM corner c LEFT JOIN \
               (SELECT record_id, corner, count(*) AS number FROM checked GROUP BY record_id, corner) n \
               ON n.record_id = c.record_id AND n.corner = c.corner \
               WHERE COALESCE(n.number, 0) <> COALESCE(c.checks, 0) ORDER BY c.record_id, c.corner";
    database.query(sql, &[], &mut |row| {
        let (record, corner, found): (i64, String, i64) = (row.get(0)?, row.get(1)?, row.get(2)?);
        let wanted = row.get::<Option<i64>>(3)?.unwrap_or(0);
        changed.add(format!("record {record}, {corner}: {found} of {wanted} checks are there"));
        Ok(())
    })?;
    changed.tell(report, "corners have another number of checks than was recorded");
    Ok(())
}

/// Whether the checks are what was recorded.
fn checks(database: &mut Database, report: &mut CheckReport) -> Result<(), Fault> {
    let (mut changed, mut wrong) = (Named::default(), Named::default());
    let sql = "SELECT k.record_id, r.token, k.corner, k.position, k.check_name, k.verdict, k.quantity, k.value, \
               k.uncertainty, k.limit_min, k.limit_max, k.unit, k.digest \
               FROM checked k JOIN record r ON r.id = k.record_id ORDER BY k.record_id, k.corner, k.position";
    database.query(sql, &[], &mut |row| {
        let record: i64 = row.get(0)?;
        let texts: [String; 4] = [row.get(1)?, row.get(2)?, row.get(4)?, row.get(5)?];
        let [token, corner, check, verdict] = texts.each_ref().map(String::as_str);
        let (quantity, unit): (Option<String>, Option<String>) = (row.get(6)?, row.get(11)?);
        let of = format_args!("record {record}, {corner} {check}");
        let cell = Cell { row, table: "checked", of };
        let numbers = cell.checked(7, unit.as_deref().unwrap_or_default());
        let position = cell.whole(3, "position", 0, i64::MAX);
        let (Ok([value, uncertainty, min, max]), Ok(Some(position))) = (&numbers, &position) else {
            wrong.note(numbers);
            wrong.note(position);
            return Ok(());
        };
        let fields: [Value<'_>; 11] = [
            token.into(),
            corner.into(),
            (*position).into(),
            check.into(),
            verdict.into(),
            quantity.as_deref().into(),
            (*value).into(),
            (*uncertainty).into(),
            unit.as_deref().into(),
            (*min).into(),
            (*max).into(),
        ];
        if row.get::<i64>(12)? != digest::of_row(fields) {
            changed.add(format!("{of}: the check is not what was recorded"));
        }
        Ok(())
    })?;
    wrong.tell(report, "numbers cannot be what was recorded");
    changed.tell(report, "checks are not what was recorded");
    Ok(())
}

/// Whether every result unpacks, by the checksum inside, and is the one that was recorded.
fn results(database: &mut Database, report: &mut CheckReport, digests: &str) -> Result<(), Fault> {
    let mut changed = Named::default();
    let sql = format!(
        "SELECT x.record_id, r.token, x.json, {digests} FROM result x JOIN record r ON r.id = x.record_id \
         ORDER BY x.record_id"
    );
    database.query(&sql, &[], &mut |row| {
        let (record, token, json): (i64, String, Vec<u8>) = (row.get(0)?, row.get(1)?, row.get(2)?);
        let fields = [token.as_str().into(), Value::Blob(&json)];
        if inflated(&json).is_err() {
            changed.add(format!("the result of record {record} cannot be read"));
        } else if !digest::fits(row.get(3)?, row.get(4)?, || digest::of_row(fields)) {
            changed.add(format!("the result of record {record} is not the one that was recorded"));
        }
        Ok(())
    })?;
    changed.tell(report, "results are not what was recorded");
    Ok(())
}

/// Numbers without a digest of their own.
fn others(database: &mut Database, report: &mut CheckReport) -> Result<(), Fault> {
    let mut wrong = Named::default();
    let sql = "SELECT record_id, bytes FROM file WHERE bytes < 0 ORDER BY record_id, file";
    database.query(sql, &[], &mut |row| {
        let record: i64 = row.get(0)?;
        let cell = Cell { row, table: "file", of: format_args!("record {record}") };
        wrong.note(cell.whole(1, "bytes", 0, i64::MAX));
        Ok(())
    })?;
    database.query("SELECT id, settings FROM spec ORDER BY id", &[], &mut |row| {
        wrong.note(settings(row, 0));
        Ok(())
    })?;
    wrong.tell(report, "numbers cannot be what was recorded");
    Ok(())
}

/// Digest of columns of texts, `whole` of them whole numbers. What is of another sort is 0, which no digest fits but by chance.
fn digest_of(row: &Row<'_>, columns: std::ops::Range<usize>, whole: &[usize]) -> i64 {
    let texts: Result<Vec<Option<String>>, Fault> = columns
        .clone()
        .map(|column| if whole.contains(&column) { Ok(None) } else { row.get(column) })
        .collect();
    let numbers: Result<Vec<Option<i64>>, &str> =
        columns.map(|column| if whole.contains(&column) { row.whole(column) } else { Ok(None) }).collect();
    let (Ok(texts), Ok(numbers)) = (texts, numbers) else { return 0 };
    digest::of_row(texts.iter().zip(numbers).map(|(text, number)| match (text, number) {
        (Some(text), _) => Value::Text(text),
        (None, number) => number.into(),
    }))
}

/// Problems of one sort, the first of them by name.
#[derive(Default)]
struct Named {
    names: Vec<String>,
    more: usize,
}

impl Named {
    fn add(&mut self, name: String) {
        if self.names.len() < NAMED {
            self.names.push(name);
        } else {
            self.more += 1;
        }
    }

    fn note<T>(&mut self, read: Result<T, Fault>) {
        if let Err(fault) = read {
            self.add(fault.at(&"").what);
        }
    }

    fn tell(self, report: &mut CheckReport, sort: &str) {
        report.problems.extend(self.names);
        if self.more > 0 {
            report.problems.push(format!("{} more {sort}", self.more));
        }
    }
}
