//! Records that have not all of their parts any more.

use super::changed::NAMED;
use super::database::Database;
use super::error::Fault;
use super::model::CheckReport;
use super::recorded;

/// A corner with another number of values than was recorded.
struct Short {
    record: i64,
    corner: String,
    wanted: i64,
    found: i64,
}

/// Names the corners that do not have as many values as were recorded, and which are gone as far as the result tells.
pub(super) fn values(database: &mut Database, report: &mut CheckReport) -> Result<(), Fault> {
    let (mut corners, mut more) = (Vec::new(), 0);
    let sql = "SELECT c.record_id, c.corner, c.quantities, COALESCE(n.number, 0) FROM corner c LEFT JOIN \
               (SELECT v.record_id, s.corner, count(*) AS number FROM value v JOIN series s ON s.id = v.series_id \
               GROUP BY v.record_id, s.corner) n ON n.record_id = c.record_id AND n.corner = c.corner \
               WHERE COALESCE(n.number, 0) <> c.quantities ORDER BY c.record_id, c.corner";
    database.query(sql, &[], &mut |row| {
        if corners.len() < NAMED {
            let [record, wanted, found] = [row.get(0)?, row.get(2)?, row.get(3)?];
            corners.push(Short { record, corner: row.get(1)?, wanted, found });
        } else {
            more += 1;
        }
        Ok(())
    })?;
    for corner in &corners {
        report.problems.push(told(database, corner)?);
    }
    if more > 0 {
        report.problems.push(format!("{more} more corners have another number of values than was recorded"));
    }
    Ok(())
}

fn told(database: &mut Database, corner: &Short) -> Result<String, Fault> {
    let Short { record, corner, wanted, found } = corner;
    let mut there: Vec<String> = Vec::new();
    let sql = "SELECT s.quantity FROM series s JOIN value v ON v.series_id = s.id AND v.record_id = ?1 WHERE s.corner = ?2";
    database.query(sql, &[(*record).into(), corner.as_str().into()], &mut |row| {
        there.push(row.get(0)?);
        Ok(())
    })?;
    let recorded = recorded::values(database, *record, corner)?;
    let gone: Vec<&str> = recorded
        .iter()
        .map(|(name, _)| name.as_str())
        .filter(|name| !there.iter().any(|t| t == name))
        .collect();
    let which = if gone.is_empty() { String::new() } else { format!("; gone: {}", gone.join(", ")) };
    Ok(format!("record {record}, {corner}: {found} of {wanted} values are there{which}"))
}
