//! Rows into the databases, many runs to a transaction.

use crate::plan::{self, random};
use loopgauge::history::Address;
use loopgauge::provenance::sha256;
use loopgauge::quantity::calendar::rfc_3339;
use postgres::binary_copy::BinaryCopyInWriter;
use postgres::types::{ToSql, Type};
use std::io::Write;
use std::ops::Range;
use time::UtcDateTime;

/// Results that differ; each of them is used again and again, since compressing a million takes longer than everything else.
const RESULTS: u64 = 256;
/// Runs of a transaction.
const BATCH: u64 = 5000;
/// Columns of the tables, as `History::record` fills them.
const RECORD: &str = "id, token, product, serial, revision, firmware, build, taken, taken_us, station, is_reference, run, \
                      verdict, tool, spec_id, corners, recorded";

/// What the first run has made: series in order, and the files and corners of a run.
struct First {
    series: Vec<i64>,
    spec: i64,
    corners: Vec<String>,
    files: Vec<String>,
    results: Vec<Vec<u8>>,
}

impl First {
    fn new(series: Vec<i64>, spec: i64) -> Self {
        let run = plan::run(0);
        let compressed = |number| {
            let json = loopgauge::report::run_json(&plan::run(number)).expect("JSON in memory");
            let mut encoder = flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::default());
            encoder.write_all(&json).expect("memory");
            encoder.finish().expect("memory")
        };
        let files = run.provenance.iter().flat_map(|p| &p.files).map(|file| file.file.clone()).collect();
        let results: Vec<Vec<u8>> = (0..RESULTS).map(compressed).collect();
        println!("a result takes {} bytes", results[0].len());
        Self { series, spec, corners: run.corners.into_iter().map(|c| c.corner).collect(), files, results }
    }
}

/// One row of a table, of at most 17 cells.
enum Cell {
    Int(i64),
    Real(f64),
    Text(String),
    Blob(Vec<u8>),
}

/// The rows of a run for `record`, `result`, `corner`, `value` and `file`.
fn rows(first: &First, number: u64, add: &mut dyn FnMut(usize, Vec<Cell>)) {
    use Cell::{Blob, Int, Real, Text};
    let text = |text: &str| Text(text.to_owned());
    let id = number.cast_signed() + 1;
    let taken = plan::taken_s(number);
    let at = rfc_3339(UtcDateTime::from_unix_timestamp(taken).expect("a time of this century"));
    let token = sha256(&number.to_le_bytes());
    let serial = plan::serial(number);
    let run = format!("demo-data/rev-c/{serial}");
    let head = vec![
        Int(id),
        text(&token[..32]),
        text(plan::PRODUCT),
        text(&serial),
        text("C"),
        text("2.3.1"),
        Text(plan::build(number)),
        text(&at),
        Int(taken * 1_000_000),
        text("bench-3"),
        Int(0),
        Text(run),
        text("pass"),
        text(plan::TOOL),
        Int(first.spec),
        Int(plan::CORNERS as i64),
        text(&at),
    ];
    add(0, head);
    add(1, vec![Int(id), Blob(first.results[(number % RESULTS) as usize].clone())]);
    let quantities = (first.series.len() / plan::CORNERS) as i64;
    for corner in &first.corners {
        add(2, vec![Int(id), text(corner), text("pass"), text("-26 dBm"), Int(quantities)]);
    }
    for (place, &series) in (0_u64..).zip(&first.series) {
        let value = |place| 50.0 + random(number, place);
        add(
            3,
            vec![
                Int(series),
                Int(id),
                Real(value(3 * place)),
                Real(value(3 * place + 1)),
                Real(value(3 * place + 2)),
                Int(0),
            ],
        );
    }
    for (place, file) in (0_u64..).zip(&first.files) {
        // 32 bytes that do not compress.
        let digest = (0..4).flat_map(|part| random(number, 1000 + 4 * place + part).to_bits().to_le_bytes());
        add(4, vec![Int(id), text(file), Blob(digest.collect()), Int(30_000)]);
    }
}

const TABLES: [(&str, &str, usize); 5] = [
    ("record", RECORD, 17),
    ("result", "record_id, json", 2),
    ("corner", "record_id, corner, verdict, level, quantities", 5),
    ("value", "series_id, record_id, value, uncertainty, chain, at_least", 6),
    ("file", "record_id, file, sha256, bytes", 4),
];

/// Conditions and checks, those of the first run for every other one.
const COPIES: &str = "
INSERT INTO checked SELECT r.id, k.corner, k.position, k.check_name, k.verdict, k.quantity, k.value, k.uncertainty, k.unit, k.limit_min,
    k.limit_max, k.digest
FROM record r, checked k WHERE k.record_id = 1 AND r.id > 1;
UPDATE corner SET checks = (SELECT count(*) FROM checked k WHERE k.record_id = 1 AND k.corner = corner.corner),
    conditions = (SELECT f.conditions FROM corner f WHERE f.record_id = 1 AND f.corner = corner.corner)
WHERE record_id > 1;";

pub fn fill(address: &Address, numbers: Range<u64>) {
    match address {
        Address::File(path) => fill_sqlite(path, numbers),
        Address::Postgres(server) => fill_postgres(server.in_full(), numbers),
    }
}

fn fill_sqlite(path: &std::path::Path, numbers: Range<u64>) {
    let connection = rusqlite::Connection::open(path).expect("the history");
    connection.pragma_update(None, "foreign_keys", "OFF").expect("a pragma");
    let series: Vec<i64> = {
        let mut statement = connection.prepare("SELECT id FROM series ORDER BY id").expect("series");
        statement.query_map([], |row| row.get(0)).expect("series").map(|id| id.expect("a number")).collect()
    };
    let spec = connection.query_row("SELECT max(id) FROM spec", [], |row| row.get(0)).expect("the spec");
    let first = First::new(series, spec);
    let mut statements: Vec<_> = TABLES
        .iter()
        .map(|(table, columns, width)| {
            let marks = vec!["?"; *width].join(",");
            connection.prepare(&format!("INSERT INTO {table} ({columns}) VALUES ({marks})")).expect("a table")
        })
        .collect();
    for start in numbers.clone().step_by(BATCH as usize) {
        connection.execute_batch("BEGIN IMMEDIATE").expect("the lock");
        for number in start..numbers.end.min(start + BATCH) {
            rows(&first, number, &mut |table, cells| {
                statements[table].execute(rusqlite::params_from_iter(&cells)).expect("a row");
            });
        }
        connection.execute_batch("COMMIT").expect("room on the disk");
    }
    connection.execute_batch(COPIES).expect("room on the disk");
}

fn fill_postgres(url: &str, numbers: Range<u64>) {
    let mut client = postgres::Client::connect(url, postgres::NoTls).expect("the server");
    // The rows are right by the way they are made: no look at each for what it refers to.
    client
        .batch_execute("SET search_path TO loopgauge; SET session_replication_role TO replica")
        .expect("a superuser");
    let series = client.query("SELECT id FROM series ORDER BY id", &[]).expect("series");
    let spec = client.query_one("SELECT max(id) FROM spec", &[]).expect("the spec").get(0);
    let first = First::new(series.iter().map(|row| row.get(0)).collect(), spec);
    for start in numbers.clone().step_by(BATCH as usize) {
        let mut tables: [Vec<Vec<Cell>>; 5] = Default::default();
        for number in start..numbers.end.min(start + BATCH) {
            rows(&first, number, &mut |table, cells| tables[table].push(cells));
        }
        let mut transaction = client.transaction().expect("the server");
        for ((table, columns, _), rows) in TABLES.iter().zip(&tables) {
            let copy = format!("COPY {table} ({columns}) FROM STDIN BINARY");
            let types: Vec<Type> = rows.first().into_iter().flatten().map(Cell::kind).collect();
            let mut writer = BinaryCopyInWriter::new(transaction.copy_in(&copy).expect("a table"), &types);
            for row in rows {
                let cells: Vec<&(dyn ToSql + Sync)> = row.iter().map(Cell::parameter).collect();
                writer.write(&cells).expect("a row");
            }
            writer.finish().expect("room on the disk");
        }
        transaction.commit().expect("room on the disk");
    }
    client.batch_execute(COPIES).expect("room on the disk");
    let follow =
        "SELECT setval(pg_get_serial_sequence('record', 'id'), (SELECT max(id) FROM record)); ANALYZE";
    client.batch_execute(follow).expect("the server");
}

/// Size of the file with its log, or of the database.
pub fn bytes(address: &Address) -> u64 {
    match address {
        Address::File(path) => {
            let connection = rusqlite::Connection::open(path).expect("the history");
            connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).expect("the log");
            std::fs::metadata(path).map_or(0, |file| file.len())
        }
        Address::Postgres(server) => {
            let mut client =
                postgres::Client::connect(server.in_full(), postgres::NoTls).expect("the server");
            let row = client.query_one("SELECT pg_database_size(current_database())", &[]).expect("its size");
            row.get::<_, i64>(0).cast_unsigned()
        }
    }
}

impl Cell {
    const fn kind(&self) -> Type {
        match self {
            Self::Int(_) => Type::INT8,
            Self::Real(_) => Type::FLOAT8,
            Self::Text(_) => Type::TEXT,
            Self::Blob(_) => Type::BYTEA,
        }
    }

    fn parameter(&self) -> &(dyn ToSql + Sync) {
        match self {
            Self::Int(value) => value,
            Self::Real(value) => value,
            Self::Text(text) => text,
            Self::Blob(bytes) => bytes,
        }
    }
}

impl rusqlite::ToSql for Cell {
    fn to_sql(&self) -> rusqlite::Result<rusqlite::types::ToSqlOutput<'_>> {
        match self {
            Self::Int(value) => rusqlite::ToSql::to_sql(value),
            Self::Real(value) => rusqlite::ToSql::to_sql(value),
            Self::Text(text) => rusqlite::ToSql::to_sql(text),
            Self::Blob(bytes) => rusqlite::ToSql::to_sql(bytes),
        }
    }
}
