//! What a line needs to keep a history well: a look at the whole of it, and marks for records that must not count.

use super::database::Database;
use super::error::{Fault, HistoryError};
use super::error_kind::HistoryErrorKind;
use super::model::{CheckReport, RecordId, SeriesKey};
use super::numbers::Cell;
use super::read::{inflated, settings, value_cell};
use super::store::History;
use crate::provenance::sha256;
use crate::quantity::calendar::rfc_3339;
use time::UtcDateTime;

/// Problems of one kind that are named; their number is always told.
const NAMED: usize = 10;

impl History {
    /// Looks at the whole history: SQLite's own check of the file, and whether every record has all its parts.
    ///
    /// # Errors
    /// When it cannot be read at all.
    pub fn check(&mut self) -> Result<CheckReport, HistoryError> {
        let Self { address, database, .. } = self;
        let mut work = || {
            let mut report = CheckReport::default();
            if database.is_sqlite() {
                sqlite_check(database, &mut report)?;
            }
            report.records = count(database, "SELECT count(*) FROM record")?;
            report.marked = count(database, "SELECT count(*) FROM record WHERE removed IS NOT NULL")?;
            report.corners = count(database, "SELECT count(*) FROM corner")?;
            report.values = count(database, "SELECT count(*) FROM value")?;
            whole_records(database, &mut report)?;
            results(database, &mut report)?;
            specs(database, &mut report)?;
            numbers(database, &mut report)?;
            Ok(report)
        };
        work().map_err(|fault: Fault| fault.at(address))
    }

    /// Marks records as removed: they stay, and no longer count. All of them or none.
    ///
    /// # Errors
    /// When a record is not there or is marked already, the reason is empty, or the history cannot be written.
    pub fn mark(&mut self, records: &[RecordId], reason: &str, now: UtcDateTime) -> Result<(), HistoryError> {
        self.set_marks(records, reason, now, true)
    }

    /// Takes the marks off again; marks and reasons of before stay in the table `mark`.
    ///
    /// # Errors
    /// When a record is not there or is not marked, the reason is empty, or the history cannot be written.
    pub fn unmark(
        &mut self,
        records: &[RecordId],
        reason: &str,
        now: UtcDateTime,
    ) -> Result<(), HistoryError> {
        self.set_marks(records, reason, now, false)
    }

    fn set_marks(
        &mut self,
        records: &[RecordId],
        reason: &str,
        now: UtcDateTime,
        is_removed: bool,
    ) -> Result<(), HistoryError> {
        let now = rfc_3339(now);
        self.write(|database, _| {
            if reason.trim().is_empty() {
                return Err(refused("a reason is wanted", "say why, for example \"probe was broken\""));
            }
            for record in records {
                let changed = if is_removed {
                    let sql = "UPDATE record SET removed = ?2, reason = ?3 WHERE id = ?1 AND removed IS NULL";
                    database.execute(sql, &[record.0.into(), now.as_str().into(), reason.into()])?
                } else {
                    let sql =
                        "UPDATE record SET removed = NULL, reason = NULL WHERE id = ?1 AND removed IS NOT NULL";
                    database.execute(sql, &[record.0.into()])?
                };
                if changed != 1 {
                    let state = if is_removed { "marked already" } else { "not marked" };
                    let what = format!("record {record} is not there or is {state}; nothing was changed");
                    return Err(refused(&what, "`loopgauge history` lists the records"));
                }
                let sql = "INSERT INTO mark (record_id, marked, is_removed, reason) VALUES (?1, ?2, ?3, ?4)";
                database.execute(sql, &[record.0.into(), now.as_str().into(), is_removed.into(), reason.into()])?;
            }
            Ok(())
        })
    }
}

fn refused(what: &str, help: &str) -> Fault {
    Fault::Kind(HistoryErrorKind::Unknown, what.to_owned(), help.to_owned())
}

fn count(database: &mut Database, sql: &str) -> Result<u64, Fault> {
    let count = database.query_first(sql, &[], |row| row.get::<i64>(0))?.unwrap_or(0);
    Ok(u64::try_from(count).unwrap_or(0))
}

fn sqlite_check(database: &mut Database, report: &mut CheckReport) -> Result<(), Fault> {
    database.query("PRAGMA integrity_check", &[], &mut |row| {
        let text: String = row.get(0)?;
        if text != "ok" {
            report.problems.push(format!("the file is damaged: {}", text.replace('\n', "; ")));
        }
        Ok(())
    })?;
    let mut orphans = 0;
    database.query("PRAGMA foreign_key_check", &[], &mut |_| {
        orphans += 1;
        Ok(())
    })?;
    if orphans > 0 {
        report.problems.push(format!("{orphans} rows belong to no record, spec or series"));
    }
    Ok(())
}

/// Whether every record has the parts that were written with it.
fn whole_records(database: &mut Database, report: &mut CheckReport) -> Result<(), Fault> {
    let checks = [
        (
            "records without all their corners",
            "SELECT r.id FROM record r LEFT JOIN (SELECT record_id, count(*) AS n FROM corner GROUP BY record_id) c \
             ON c.record_id = r.id WHERE COALESCE(c.n, 0) <> r.corners",
        ),
        ("records without a result", "SELECT id FROM record WHERE id NOT IN (SELECT record_id FROM result)"),
        (
            "records without files",
            "SELECT r.id FROM record r WHERE NOT EXISTS (SELECT 1 FROM file f WHERE f.record_id = r.id)",
        ),
    ];
    for (what, sql) in checks {
        named(database, report, what, sql)?;
    }
    let wanted = count(database, "SELECT CAST(COALESCE(sum(quantities), 0) AS BIGINT) FROM corner")?;
    if wanted != report.values {
        // Which ones takes a walk that a sound history need not pay for.
        let sql = "SELECT c.record_id FROM (SELECT record_id, sum(quantities) AS n FROM corner GROUP BY record_id) c \
                   LEFT JOIN (SELECT record_id, count(*) AS n FROM value GROUP BY record_id) v \
                   ON v.record_id = c.record_id WHERE COALESCE(v.n, 0) <> c.n";
        named(database, report, "records without all their values", sql)?;
        report.problems.push(format!("{} values are there, {wanted} were recorded", report.values));
    }
    Ok(())
}

fn named(database: &mut Database, report: &mut CheckReport, what: &str, sql: &str) -> Result<(), Fault> {
    let (mut number, mut names) = (0, Vec::new());
    database.query(sql, &[], &mut |row| {
        number += 1;
        if names.len() < NAMED {
            names.push(row.get::<i64>(0)?.to_string());
        }
        Ok(())
    })?;
    if number > 0 {
        let more = if number > names.len() { " and more" } else { "" };
        report.problems.push(format!("{number} {what}: {}{more}", names.join(", ")));
    }
    Ok(())
}

/// Specs and settings whose text is no longer the one that their digest was made of.
fn specs(database: &mut Database, report: &mut CheckReport) -> Result<(), Fault> {
    let problems = &mut report.problems;
    database.query("SELECT id, sha256, text, settings_sha256, settings FROM spec", &[], &mut |row| {
        for (what, digest, text) in [("text", 1, 2), ("settings", 3, 4)] {
            if sha256(row.get::<String>(text)?.as_bytes()) != row.get::<String>(digest)? {
                problems.push(format!("the {what} of spec {} changed after recording", row.get::<i64>(0)?));
            }
        }
        Ok(())
    })
}

/// Whether every result unpacks; the checksum inside tells damage.
fn results(database: &mut Database, report: &mut CheckReport) -> Result<(), Fault> {
    let problems = &mut report.problems;
    database.query("SELECT record_id, json FROM result", &[], &mut |row| {
        if inflated(&row.get::<Vec<u8>>(1)?).is_err() {
            problems.push(format!("the result of record {} cannot be read", row.get::<i64>(0)?));
        }
        Ok(())
    })
}

/// Whether all numbers are some that could have been recorded.
fn numbers(database: &mut Database, report: &mut CheckReport) -> Result<(), Fault> {
    let mut wrong = Wrong::default();
    let sql = "SELECT s.corner, s.quantity, s.unit, v.record_id, v.value, v.uncertainty, v.chain, v.at_least \
               FROM series s JOIN value v ON v.series_id = s.id ORDER BY v.series_id, v.record_id";
    database.query(sql, &[], &mut |row| {
        let series = SeriesKey { corner: row.get(0)?, quantity: row.get(1)?, unit: row.get(2)? };
        let cell = value_cell(row, row.get(3)?, &series);
        wrong.note(cell.measured(4, &series.unit));
        wrong.note(cell.is(7, "at_least"));
        Ok(())
    })?;
    database.query("SELECT id, taken_us, is_reference FROM record ORDER BY id", &[], &mut |row| {
        let id: i64 = row.get(0)?;
        let cell = Cell { row, table: "record", of: format_args!("record {id}") };
        wrong.note(cell.taken_us(1));
        wrong.note(cell.is(2, "is_reference"));
        Ok(())
    })?;
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
    wrong.tell(report);
    Ok(())
}

/// Numbers that cannot be, the first of them by name.
#[derive(Default)]
struct Wrong {
    names: Vec<String>,
    more: usize,
}

impl Wrong {
    fn note<T>(&mut self, read: Result<T, Fault>) {
        match read {
            Err(fault) if self.names.len() < NAMED => self.names.push(fault.at(&"").what),
            Err(_) => self.more += 1,
            Ok(_) => {}
        }
    }

    fn tell(self, report: &mut CheckReport) {
        report.problems.extend(self.names);
        if self.more > 0 {
            report.problems.push(format!("{} more numbers cannot be what was recorded", self.more));
        }
    }
}
