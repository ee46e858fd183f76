//! The tables, and how a history of an earlier version becomes one of today.

use super::database::{Database, Row};
use super::error::Fault;
use super::error_kind::HistoryErrorKind;
use super::postgres::SCHEMA;
use super::sqlite;

/// One step from a version to the next. Words in braces differ between the databases: see [`fill`].
pub(super) struct Migration {
    /// For both.
    pub(super) sql: &'static str,
    /// For PostgreSQL besides.
    pub(super) postgres: &'static str,
}

/// Every step there has been, the first one makes version 1. A step that has been released is never changed: a new one is added.
pub(super) const MIGRATIONS: &[Migration] = &[
    Migration { sql: VERSION_1, postgres: VERSION_1_POSTGRES },
    Migration { sql: VERSION_2, postgres: "" },
    Migration { sql: VERSION_3, postgres: "" },
    Migration { sql: VERSION_4, postgres: "" },
];

/// The version that this program writes.
pub const VERSION: i64 = MIGRATIONS.len() as i64;

/// Values are clustered by series: `drift` reads a series as one piece. The JSON results lie in a table of their own, so
/// that a walk over the records does not read them.
const VERSION_1: &str = "
CREATE TABLE spec (
    id {id},
    sha256 TEXT NOT NULL,
    settings_sha256 TEXT NOT NULL,
    product TEXT NOT NULL,
    text TEXT NOT NULL,
    settings TEXT NOT NULL,
    UNIQUE (sha256, settings_sha256)
);
CREATE TABLE record (
    id {id},
    token TEXT NOT NULL UNIQUE,
    product TEXT NOT NULL,
    serial TEXT NOT NULL,
    revision TEXT NOT NULL,
    firmware TEXT,
    build TEXT,
    taken TEXT,
    taken_us BIGINT,
    station TEXT,
    is_reference BIGINT NOT NULL,
    run TEXT NOT NULL,
    verdict TEXT NOT NULL,
    tool TEXT NOT NULL,
    spec_id BIGINT NOT NULL REFERENCES spec (id),
    corners BIGINT NOT NULL,
    recorded TEXT NOT NULL,
    removed TEXT,
    reason TEXT
);
CREATE INDEX record_product ON record (product, id);
CREATE INDEX record_unit ON record (product, serial, id);
CREATE TABLE result (
    record_id BIGINT NOT NULL PRIMARY KEY REFERENCES record (id),
    json {blob} NOT NULL
);
CREATE TABLE corner (
    record_id BIGINT NOT NULL REFERENCES record (id),
    corner TEXT NOT NULL,
    verdict TEXT NOT NULL,
    level TEXT,
    quantities BIGINT NOT NULL,
    PRIMARY KEY (record_id, corner)
) {clustered};
CREATE TABLE series (
    id {id},
    product TEXT NOT NULL,
    corner TEXT NOT NULL,
    quantity TEXT NOT NULL,
    unit TEXT NOT NULL,
    UNIQUE (product, corner, quantity, unit)
);
CREATE TABLE value (
    series_id BIGINT NOT NULL REFERENCES series (id),
    record_id BIGINT NOT NULL REFERENCES record (id),
    value DOUBLE PRECISION NOT NULL,
    uncertainty DOUBLE PRECISION,
    chain DOUBLE PRECISION,
    at_least BIGINT NOT NULL,
    PRIMARY KEY (series_id, record_id)
) {clustered};
CREATE TABLE problem (
    record_id BIGINT NOT NULL REFERENCES record (id),
    corner TEXT NOT NULL,
    check_name TEXT NOT NULL,
    verdict TEXT NOT NULL,
    message TEXT NOT NULL,
    PRIMARY KEY (record_id, corner, check_name)
) {clustered};
CREATE TABLE file (
    record_id BIGINT NOT NULL REFERENCES record (id),
    file TEXT NOT NULL,
    sha256 {blob} NOT NULL,
    bytes BIGINT NOT NULL,
    PRIMARY KEY (record_id, file)
) {clustered};
CREATE TABLE mark (
    id {id},
    record_id BIGINT NOT NULL REFERENCES record (id),
    marked TEXT NOT NULL,
    is_removed BIGINT NOT NULL,
    reason TEXT NOT NULL
);
";

/// What is compressed already is not compressed again.
const VERSION_1_POSTGRES: &str = "ALTER TABLE result ALTER COLUMN json SET STORAGE EXTERNAL;";

/// Digests of rows (`digest`); what an earlier version recorded has none.
const VERSION_2: &str = "
ALTER TABLE record ADD COLUMN digest BIGINT;
ALTER TABLE result ADD COLUMN digest BIGINT;
ALTER TABLE corner ADD COLUMN digest BIGINT;
ALTER TABLE value ADD COLUMN digest BIGINT;
";

/// The first version with digests.
pub(super) const WITH_DIGESTS: i64 = 2;

/// Conditions (a JSON object) and checks of a corner; what an earlier version recorded has none.
const VERSION_3: &str = "
ALTER TABLE corner ADD COLUMN conditions TEXT;
ALTER TABLE corner ADD COLUMN checks BIGINT;
CREATE TABLE checked (
    record_id BIGINT NOT NULL REFERENCES record (id),
    corner TEXT NOT NULL,
    position BIGINT NOT NULL,
    check_name TEXT NOT NULL,
    verdict TEXT NOT NULL,
    quantity TEXT,
    value DOUBLE PRECISION,
    uncertainty DOUBLE PRECISION,
    unit TEXT,
    limit_min DOUBLE PRECISION,
    limit_max DOUBLE PRECISION,
    digest BIGINT NOT NULL,
    PRIMARY KEY (record_id, corner, position)
) {clustered};
";

/// The first version with conditions and checks.
pub(super) const WITH_CHECKS: i64 = 3;

/// What the spec calls the product, who measured the run, and with what; what an earlier version recorded has none. Movements are what
/// `drift --store` found last.
const VERSION_4: &str = "
ALTER TABLE record ADD COLUMN title TEXT;
ALTER TABLE record ADD COLUMN operator TEXT;
ALTER TABLE record ADD COLUMN instrument TEXT;
ALTER TABLE record ADD COLUMN calibrated_until TEXT;
ALTER TABLE record ADD COLUMN injection TEXT;
ALTER TABLE record ADD COLUMN notes TEXT;
CREATE TABLE movement (
    product TEXT NOT NULL,
    corner TEXT NOT NULL,
    quantity TEXT NOT NULL,
    unit TEXT NOT NULL,
    kind TEXT NOT NULL,
    axis TEXT NOT NULL,
    since TEXT,
    since_low TEXT,
    since_high TEXT,
    newest TEXT,
    probability DOUBLE PRECISION NOT NULL,
    size DOUBLE PRECISION NOT NULL,
    size_low DOUBLE PRECISION NOT NULL,
    size_high DOUBLE PRECISION NOT NULL,
    relevant BIGINT NOT NULL,
    share_eaten DOUBLE PRECISION NOT NULL,
    message TEXT NOT NULL,
    stored TEXT NOT NULL,
    PRIMARY KEY (product, corner, quantity)
);
";

/// The first version with them.
pub(super) const WITH_BENCH: i64 = 4;

/// The columns of them, in order.
pub(super) const BENCH: [&str; 6] =
    ["title", "operator", "instrument", "calibrated_until", "injection", "notes"];

/// The same as columns of a query, `NULL` where the tables of this version have none.
pub(super) fn bench_columns(version: i64) -> String {
    let column = |name: &str| {
        if version >= WITH_BENCH { format!("r.{name}") } else { "CAST(NULL AS TEXT)".to_owned() }
    };
    BENCH.map(column).join(", ")
}

/// Held while PostgreSQL's tables are made or changed; any number that no other program is likely to take.
const LOCK: i64 = 0x6c6f_6f70_6761_7567;

/// Brings a database to the newest version, all steps in one transaction; makes it when it is empty.
pub(super) fn migrate(database: &mut Database, migrations: &[Migration]) -> Result<(), Fault> {
    let newest = migrations.len() as i64;
    if version(database)?.is_some_and(|found| found == newest) {
        return Ok(());
    }
    database.write(|database| {
        lock(database)?;
        if !database.is_sqlite() {
            database.batch(&format!("CREATE SCHEMA IF NOT EXISTS {SCHEMA}"))?;
        }
        // Another process may have done it in the meantime.
        let found = version(database)?;
        if found.is_none() {
            if let Database::Sqlite(connection) = database {
                sqlite::claim(connection)?;
            }
            database.batch("CREATE TABLE meta (key TEXT NOT NULL PRIMARY KEY, value TEXT NOT NULL)")?;
            database.batch("INSERT INTO meta (key, value) VALUES ('version', '0')")?;
        }
        let found = refuse_newer(found.unwrap_or(0), newest)?;
        for step in migrations.iter().skip(usize::try_from(found).unwrap_or(0)) {
            let sql = fill(step.sql, database.is_sqlite());
            database.batch(&sql)?;
            if !database.is_sqlite() {
                database.batch(step.postgres)?;
            }
        }
        database.batch(&format!("UPDATE meta SET value = '{newest}' WHERE key = 'version'"))
    })
}

/// Until the transaction ends, no other process makes or changes tables or views. SQLite has one writer at any time.
pub(super) fn lock(database: &mut Database) -> Result<(), Fault> {
    if database.is_sqlite() {
        return Ok(());
    }
    database.batch(&format!("SELECT pg_advisory_xact_lock({LOCK})"))
}

/// The version of a history that is to be read, at most the newest.
pub(super) fn readable(database: &mut Database, newest: i64) -> Result<i64, Fault> {
    match version(database)? {
        Some(found) if found > 0 => refuse_newer(found, newest),
        _ => Err(Fault::Kind(
            HistoryErrorKind::Missing,
            "there is no history in this database".to_owned(),
            "`loopgauge check --record HISTORY` makes one; check the address".to_owned(),
        )),
    }
}

fn refuse_newer(found: i64, newest: i64) -> Result<i64, Fault> {
    if found <= newest {
        return Ok(found);
    }
    Err(Fault::Kind(
        HistoryErrorKind::Newer,
        format!("its tables are of version {found}, this loopgauge knows them up to version {newest}"),
        "use the loopgauge that wrote it, or a newer one".to_owned(),
    ))
}

/// The version in the database; `None` when it holds no history.
fn version(database: &mut Database) -> Result<Option<i64>, Fault> {
    let sql = if database.is_sqlite() {
        "SELECT count(*) FROM sqlite_schema WHERE type = 'table' AND name = 'meta'".to_owned()
    } else {
        format!(
            "SELECT count(*) FROM pg_catalog.pg_tables WHERE schemaname = '{SCHEMA}' AND tablename = 'meta'"
        )
    };
    let has_meta = database.query_first(&sql, &[], |row: &Row<'_>| row.get::<i64>(0))?.unwrap_or(0) > 0;
    if !has_meta {
        return Ok(None);
    }
    let sql = "SELECT value FROM meta WHERE key = 'version'";
    let text = database.query_first(sql, &[], |row: &Row<'_>| row.get::<String>(0))?.unwrap_or_default();
    let version = text.parse::<i64>().ok().filter(|version| *version >= 0);
    version.map(Some).ok_or_else(|| Fault::damaged(format!("its version reads `{text}`")))
}

fn fill(sql: &str, is_sqlite: bool) -> String {
    let words = if is_sqlite {
        [("{id}", "INTEGER PRIMARY KEY"), ("{blob}", "BLOB"), ("{clustered}", "WITHOUT ROWID")]
    } else {
        [
            ("{id}", "BIGINT GENERATED BY DEFAULT AS IDENTITY PRIMARY KEY"),
            ("{blob}", "BYTEA"),
            ("{clustered}", ""),
        ]
    };
    words.iter().fold(sql.to_owned(), |sql, (word, text)| sql.replace(word, text))
}

#[cfg(test)]
mod tests {
    use super::*;

    const STEPS: [Migration; 2] = [
        Migration { sql: "CREATE TABLE rail (id {id}, name TEXT NOT NULL)", postgres: "" },
        Migration {
            sql: "ALTER TABLE rail ADD COLUMN volts DOUBLE PRECISION; UPDATE rail SET volts = 5.0",
            postgres: "",
        },
    ];

    fn memory() -> Database {
        Database::Sqlite(rusqlite::Connection::open_in_memory().unwrap())
    }

    #[test]
    fn a_step_is_taken_once_and_keeps_what_is_there() {
        let mut database = memory();
        migrate(&mut database, &STEPS[..1]).unwrap();
        database.batch("INSERT INTO rail (name) VALUES ('river-gauge-5v')").unwrap();
        assert_eq!(readable(&mut database, 2).unwrap(), 1);
        for _ in 0..2 {
            migrate(&mut database, &STEPS).unwrap();
            let volts = database.query_first("SELECT volts FROM rail", &[], |row| row.get::<f64>(0)).unwrap();
            assert_eq!((readable(&mut database, 2).unwrap(), volts), (2, Some(5.0)));
        }
    }

    #[test]
    fn a_newer_history_is_refused_and_left_alone() {
        let mut database = memory();
        migrate(&mut database, &STEPS).unwrap();
        for fault in
            [migrate(&mut database, &STEPS[..1]).unwrap_err(), readable(&mut database, 1).unwrap_err()]
        {
            assert_eq!(fault.at(&"h").kind, HistoryErrorKind::Newer);
        }
        assert_eq!(readable(&mut database, 2).unwrap(), 2);
    }

    #[test]
    fn a_step_that_fails_leaves_the_version_before_it() {
        let mut database = memory();
        migrate(&mut database, &STEPS[..1]).unwrap();
        let broken = [
            Migration { sql: STEPS[0].sql, postgres: "" },
            Migration {
                sql: "ALTER TABLE rail ADD COLUMN amps BIGINT; ALTER TABLE nothing ADD COLUMN x BIGINT",
                postgres: "",
            },
        ];
        assert!(migrate(&mut database, &broken).is_err());
        assert_eq!(readable(&mut database, 2).unwrap(), 1);
        assert!(database.batch("SELECT amps FROM rail").is_err());
    }
}
