//! Values as the JSON result of a record tells them: a second copy, to name what is gone or changed.

use super::database::Database;
use super::error::Fault;
use super::read::inflated;
use crate::measurand::Measurand;
use serde_json::Value as Json;

/// The values of a corner that its record's result tells, by quantity; empty where the result is gone or tells none.
pub(super) fn values(
    database: &mut Database,
    record: i64,
    corner: &str,
) -> Result<Vec<(String, f64)>, Fault> {
    let sql = "SELECT json FROM result WHERE record_id = ?1";
    let packed = database.query_first(sql, &[record.into()], |row| row.get::<Vec<u8>>(0))?;
    let text = packed.and_then(|packed| inflated(&packed).ok());
    let run: Option<Json> = text.and_then(|text| serde_json::from_str(&text).ok());
    let corners = run.as_ref().and_then(|run| run.get("corners")?.as_array());
    let found =
        corners.into_iter().flatten().find(|found| found.get("corner").is_some_and(|name| name == corner));
    Ok(found.map(of_corner).unwrap_or_default())
}

fn of_corner(corner: &Json) -> Vec<(String, f64)> {
    let measured = corner.get("measured");
    let singles = Measurand::ALL.into_iter().filter_map(|quantity| {
        let value = measured?.get(quantity.key())?.get("value")?.as_f64()?;
        Some((quantity.key().to_owned(), quantity.held(value)))
    });
    let checks = corner.get("checks").and_then(Json::as_array).into_iter().flatten();
    let gains = checks.filter_map(|check| {
        let name = check.get("check")?.as_str().filter(|name| name.starts_with("gain@"))?;
        Some((name.to_owned(), check.get("value")?.as_f64()?))
    });
    singles.chain(gains).collect()
}
