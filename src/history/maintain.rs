//! What a line needs to keep a history well: a look at the whole of it, and marks for records that must not count.

use super::changed::{self, NAMED};
use super::database::Database;
use super::error::{Fault, HistoryError};
use super::error_kind::HistoryErrorKind;
use super::model::{CheckReport, RecordId};
use super::store::History;
use super::{lacking, schema};
use crate::provenance::sha256;
use crate::quantity::calendar::rfc_3339;
use time::UtcDateTime;

impl History {
    /// Looks at the whole history: SQLite's own check of the file, whether every record has all its parts, and whether they are what was
    /// recorded.
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
            specs(database, &mut report)?;
            let version = schema::readable(database, schema::VERSION)?;
            changed::look(database, &mut report, version)?;
            numbers_of_values(database, &mut report)?;
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
                    return Err(refused(&what, "`loopgauge history list` shows the records"));
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
    Ok(())
}

/// Whether there are as many values as were recorded. Which ones are gone takes a walk that a sound history need not pay for.
fn numbers_of_values(database: &mut Database, report: &mut CheckReport) -> Result<(), Fault> {
    let wanted = count(database, "SELECT CAST(COALESCE(sum(quantities), 0) AS BIGINT) FROM corner")?;
    // A value that was put in may stand for one that is gone.
    if wanted != report.values || !report.problems.is_empty() {
        lacking::values(database, report)?;
    }
    if wanted != report.values {
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
