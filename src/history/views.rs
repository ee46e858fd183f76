//! Views for people and their tools: names with units, timestamps, limits and verdicts beside the values.
//!
//! The program itself reads none of them. A view keeps its columns, their names and their order; new ones come at its end, so that
//! PostgreSQL replaces it in place: what was granted on it and what others built upon it stays.

use super::database::{Database, Row};
use super::error::Fault;
use super::error_kind::HistoryErrorKind;
use super::schema::{BENCH, lock};
use crate::measurand::Measurand;

/// Goes up with every change of a definition, and with every quantity to come.
pub(super) const NUMBER: i64 = 2 + Measurand::ALL.len() as i64 - FIRST.len() as i64;

/// Names and definitions; one may stand on those before it. Words in braces: see [`fill`].
const VIEWS: [(&str, &str); 6] = [
    ("margins", MARGINS),
    ("latest_margins", LATEST_MARGINS),
    ("corners", CORNERS),
    ("verdicts", VERDICTS),
    ("conditions", CONDITIONS),
    ("movements", MOVEMENTS),
];

/// A row per record, corner and quantity. From the record to its values, so that a query for few records reads few rows.
const MARGINS: &str = "
SELECT {record}, s.corner, {conditions} AS conditions, c.verdict AS corner_verdict, s.quantity, s.unit, v.value,
    v.uncertainty, {at_least} AS is_lower_bound, k.limit_min, k.limit_max, {slack of v} AS slack, k.check_name,
    k.verdict AS check_verdict, {bench}
FROM record r
JOIN series s ON s.product = r.product
JOIN value v ON v.series_id = s.id AND v.record_id = r.id
JOIN corner c ON c.record_id = v.record_id AND c.corner = s.corner
LEFT JOIN checked k ON k.record_id = v.record_id AND k.corner = s.corner AND k.quantity = s.quantity";

/// Those of the records that count: no marked ones, and of a run that was recorded again the newest.
const LATEST_MARGINS: &str = "
SELECT m.* FROM margins m
JOIN record o ON o.id = m.record
WHERE o.removed IS NULL AND NOT EXISTS (
    SELECT 1 FROM record n
    WHERE n.product = o.product AND n.serial = o.serial AND n.id > o.id AND n.removed IS NULL AND n.revision = o.revision
        AND COALESCE(n.firmware, '') = COALESCE(o.firmware, '') AND COALESCE(n.build, '') = COALESCE(o.build, '')
        AND COALESCE(n.taken_us, -1) = COALESCE(o.taken_us, -1)
)";

/// A row per record and corner, two columns per quantity.
const CORNERS: &str = "
SELECT {record}, c.corner, {conditions} AS conditions, c.verdict AS corner_verdict, c.level{quantities}, {bench}{later quantities}
FROM corner c
JOIN record r ON r.id = c.record_id";

/// A row per record, corner and check.
const VERDICTS: &str = "
SELECT {record}, k.corner, {conditions} AS conditions, c.verdict AS corner_verdict, k.position, k.check_name, k.quantity,
    k.verdict AS check_verdict, k.value, k.uncertainty, k.unit, k.limit_min, k.limit_max, {slack of k} AS slack, p.message, {bench}
FROM checked k
JOIN record r ON r.id = k.record_id
JOIN corner c ON c.record_id = k.record_id AND c.corner = k.corner
LEFT JOIN problem p ON p.record_id = k.record_id AND p.corner = k.corner AND p.check_name = k.check_name";

/// A row per record, corner and condition.
const CONDITIONS: &str = "
SELECT c.record_id AS record, c.corner, e.key AS condition_name, e.value AS condition_value
FROM corner c, {each_condition} e";

/// A row per series that moved, as `drift --store` found it last.
const MOVEMENTS: &str = "
SELECT m.product, m.corner, m.quantity, m.unit, m.kind, m.axis, m.since, m.since_low, m.since_high, m.newest, m.probability,
    m.size, m.size_low, m.size_high, {relevant} AS is_relevant, m.share_eaten, m.message, {stored} AS stored_at
FROM movement m";

/// Labels, times and verdict of a record.
const RECORD: &str = "r.id AS record, r.product, r.serial, r.revision, r.firmware, r.build, r.station, {taken} AS taken_at,
    {recorded} AS recorded_at, {is_reference} AS is_reference, (r.removed IS NOT NULL) AS is_marked, r.verdict AS run_verdict";

/// SQLite has neither timestamps nor booleans: texts of ISO 8601, 0 and 1.
const SQLITE: [(&str, &str); 8] = [
    ("{relevant}", "m.relevant"),
    ("{stored}", "strftime('%Y-%m-%dT%H:%M:%fZ', m.stored)"),
    ("{taken}", "strftime('%Y-%m-%dT%H:%M:%fZ', r.taken_us / 1000000.0, 'unixepoch')"),
    ("{recorded}", "strftime('%Y-%m-%dT%H:%M:%fZ', r.recorded)"),
    ("{is_reference}", "r.is_reference"),
    ("{at_least}", "v.at_least"),
    ("{conditions}", "c.conditions"),
    ("{each_condition}", "json_each(c.conditions)"),
];
const POSTGRES: [(&str, &str); 8] = [
    ("{relevant}", "(m.relevant <> 0)"),
    ("{stored}", "m.stored::TIMESTAMPTZ"),
    ("{taken}", "TIMESTAMPTZ 'epoch' + r.taken_us * INTERVAL '1 microsecond'"),
    ("{recorded}", "r.recorded::TIMESTAMPTZ"),
    ("{is_reference}", "(r.is_reference <> 0)"),
    ("{at_least}", "(v.at_least <> 0)"),
    ("{conditions}", "c.conditions::JSONB"),
    ("{each_condition}", "jsonb_each_text(c.conditions::JSONB)"),
];

/// Makes the views where they are not yet those of this program.
///
/// # Errors
/// When the database is lost or busy. One that refuses (no right to make views, a table of the same name) keeps what it has: no record is
/// lost for a view.
pub(super) fn renew(database: &mut Database) -> Result<(), Fault> {
    if number(database)? >= NUMBER {
        return Ok(());
    }
    match database.write(make) {
        Err(fault) if !fault.is_passing() => {
            let error = fault.at(&"");
            let is_refused = error.kind == HistoryErrorKind::Refused;
            if is_refused { Ok(()) } else { Err(Fault::Kind(error.kind, error.what, error.help)) }
        }
        done => done,
    }
}

fn make(database: &mut Database) -> Result<(), Fault> {
    lock(database)?;
    // Another process may have done it in the meantime.
    if number(database)? >= NUMBER {
        return Ok(());
    }
    for sql in statements(database.is_sqlite(), &later()) {
        database.batch(&sql)?;
    }
    database.batch(&format!(
        "INSERT INTO meta (key, value) VALUES ('views', '{NUMBER}') \
         ON CONFLICT (key) DO UPDATE SET value = excluded.value"
    ))
}

/// Of the views that are there; 0 where there are none.
fn number(database: &mut Database) -> Result<i64, Fault> {
    let sql = "SELECT value FROM meta WHERE key = 'views'";
    let text = database.query_first(sql, &[], |row: &Row<'_>| row.get::<String>(0))?;
    Ok(text.and_then(|text| text.parse().ok()).unwrap_or(0))
}

fn statements(is_sqlite: bool, later: &[Measurand]) -> Vec<String> {
    let drop =
        VIEWS.iter().rev().filter(|_| is_sqlite).map(|(name, _)| format!("DROP VIEW IF EXISTS {name}"));
    let create = if is_sqlite { "CREATE VIEW" } else { "CREATE OR REPLACE VIEW" };
    let make = VIEWS.iter().map(|(name, sql)| format!("{create} {name} AS{}", fill(sql, is_sqlite, later)));
    drop.chain(make).collect()
}

/// Puts in what stands for the words in braces.
fn fill(sql: &str, is_sqlite: bool, later: &[Measurand]) -> String {
    let sql = sql
        .replace("{record}", RECORD)
        .replace("{bench}", &BENCH.map(|name| format!("r.{name}")).join(", "))
        .replace("{slack of v}", &slack("v"))
        .replace("{slack of k}", &slack("k"))
        .replace(
            "{quantities}",
            &format!("{},\n    {} AS gain_margin_is_lower_bound", quantities(&FIRST), bound()),
        )
        .replace("{later quantities}", &quantities(later));
    let words = if is_sqlite { SQLITE } else { POSTGRES };
    words.iter().fold(sql, |sql, (word, text)| sql.replace(word, text))
}

/// From the value in `table` to the nearer limit, negative beyond it.
fn slack(table: &str) -> String {
    let above = format!("{table}.value - k.limit_min");
    let below = format!("k.limit_max - {table}.value");
    format!(
        "CASE WHEN k.limit_min IS NULL THEN {below} WHEN k.limit_max IS NULL OR {above} <= {below} THEN {above} \
         ELSE {below} END"
    )
}

/// The quantities of the first view. A column keeps its place: those that came later stand at the end.
const FIRST: [Measurand; 6] = [
    Measurand::Crossover,
    Measurand::PhaseMargin,
    Measurand::GainMargin,
    Measurand::GainReductionMargin,
    Measurand::StabilityMargin,
    Measurand::DelayMargin,
];

fn later() -> Vec<Measurand> {
    Measurand::ALL.into_iter().filter(|quantity| !FIRST.contains(quantity)).collect()
}

/// Value and uncertainty of each of these, as columns.
fn quantities(of: &[Measurand]) -> String {
    let columns = of.iter().map(|quantity| {
        let (name, key) = (quantity.name(), quantity.key());
        let unit = key.strip_prefix(name).unwrap_or_default();
        let (value, uncertainty) = (column(*quantity, "v.value"), column(*quantity, "v.uncertainty"));
        format!(",\n    {value} AS {key},\n    {uncertainty} AS {name}_uncertainty{unit}")
    });
    columns.collect()
}

fn bound() -> String {
    column(Measurand::GainMargin, "{at_least}")
}

/// Looked up by the keys of the tables, so that a query for few rows reads few.
fn column(quantity: Measurand, column: &str) -> String {
    format!(
        "(SELECT {column} FROM series s JOIN value v ON v.series_id = s.id AND v.record_id = c.record_id \
         WHERE s.product = r.product AND s.corner = c.corner AND s.quantity = '{}' AND s.unit = '{}')",
        quantity.key(),
        quantity.unit().symbol()
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::provenance::sha256;

    /// Whoever changes a definition raises [`NUMBER`] too, or no history gets the new one. A quantity to come raises it by itself.
    #[test]
    fn a_changed_definition_has_another_number() {
        let all = [true, false].map(|is_sqlite| statements(is_sqlite, &[]).join(";\n")).concat();
        let known = (2, "240d883b762cffcc8394f777f920c931f1d403e8e5df7e7df9723c74ff58b8d6");
        assert_eq!((NUMBER - later().len() as i64, sha256(all.as_bytes()).as_str()), known);
        assert!(!all.contains('{') && !all.contains('?'), "{all}");
    }
}
