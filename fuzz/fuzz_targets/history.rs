//! A history with bytes or cells that nobody recorded: looked through, exported and read for `drift` without a panic, every number that
//! comes out finite; and left as it is.
#![no_main]

use arbitrary::Arbitrary;
use libfuzzer_sys::fuzz_target;
use loopgauge::history::{Address, Filter, History, HistoryError};
use rusqlite::Connection;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::LazyLock;

/// Two records of version 1, brought to the newest version.
static SOUND: LazyLock<Vec<u8>> = LazyLock::new(|| {
    let path = place("sound");
    let _ = fs::remove_file(&path);
    let connection = Connection::open(&path).unwrap();
    connection.execute_batch(include_str!("../../tests/history/version-1.sql")).unwrap();
    connection.pragma_update(None, "application_id", 0x4c47_4853).unwrap();
    drop(connection);
    drop(History::open_to_record(&Address::File(path.clone())).unwrap());
    fs::read(path).unwrap()
});

/// Columns by table that are read.
const CELLS: [&str; 24] = [
    "value.value",
    "value.uncertainty",
    "value.chain",
    "value.at_least",
    "value.digest",
    "value.series_id",
    "record.taken_us",
    "record.is_reference",
    "record.verdict",
    "record.build",
    "record.taken",
    "record.corners",
    "record.token",
    "record.digest",
    "record.spec_id",
    "corner.quantities",
    "corner.verdict",
    "corner.digest",
    "result.json",
    "result.digest",
    "spec.settings",
    "spec.text",
    "series.unit",
    "meta.value",
];

/// What a cell is set to.
#[derive(Arbitrary, Debug)]
enum Cell {
    Nothing,
    Whole(i64),
    Real(f64),
    Text(String),
    Bytes(Vec<u8>),
}

#[derive(Arbitrary, Debug)]
enum Change {
    Byte { at: u32, to: u8 },
    Cut { at: u32 },
    Cell { column: u8, to: Cell },
}

fn place(name: &str) -> PathBuf {
    std::env::temp_dir().join(format!("loopgauge-fuzz-{}-{name}.db", std::process::id()))
}

fn change(path: &Path, changes: &[Change]) {
    fs::write(path, &*SOUND).unwrap();
    if let Ok(connection) = Connection::open(path) {
        for change in changes {
            let Change::Cell { column, to } = change else { continue };
            let Some((table, column)) = CELLS[usize::from(*column) % CELLS.len()].split_once('.') else {
                continue;
            };
            let sql = format!("UPDATE {table} SET {column} = ?1");
            // What the tables forbid stays as it is.
            let _ = match to {
                Cell::Nothing => connection.execute(&sql, [rusqlite::types::Null]),
                Cell::Whole(number) => connection.execute(&sql, [number]),
                Cell::Real(number) => connection.execute(&sql, [number]),
                Cell::Text(text) => connection.execute(&sql, [text]),
                Cell::Bytes(bytes) => connection.execute(&sql, [bytes]),
            };
        }
    }
    let mut bytes = fs::read(path).unwrap();
    for change in changes {
        match change {
            Change::Byte { at, to } if !bytes.is_empty() => {
                let at = *at as usize % bytes.len();
                bytes[at] = *to;
            }
            Change::Cut { at } if !bytes.is_empty() => bytes.truncate(*at as usize % bytes.len()),
            _ => {}
        }
    }
    fs::write(path, bytes).unwrap();
}

fn read(path: &Path) -> Result<(), HistoryError> {
    let open = || History::open_to_read(&Address::File(path.to_owned()));
    let _ = open()?.check();
    let _ = open()?.export_csv(std::io::sink());
    let _ = open()?.retested(None, &mut |_| ());
    let mut history = open()?;
    for product in history.products()?.iter().take(4) {
        let _ = history.newest_settings(product);
        let _ = history.records(product, &mut |_| ());
        let _ = history.values(product, &mut |row| {
            assert!(
                row.value.is_finite()
                    && row.uncertainty.is_none_or(f64::is_finite)
                    && row.chain.is_none_or(f64::is_finite)
            );
        });
    }
    history.list(&Filter::default(), &mut |_| ())
}

fuzz_target!(|changes: Vec<Change>| {
    let path = place("changed");
    change(&path, &changes);
    let before = fs::read(&path).unwrap();
    let _ = read(&path);
    assert_eq!(fs::read(&path).unwrap(), before);
});
