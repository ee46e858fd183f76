//! The embedded database: one file with a write-ahead log beside it.

use super::database::Database;
use super::error::Fault;
use super::error_kind::HistoryErrorKind;
use super::network_share;
use super::sqlite_error::PATIENCE;
use rusqlite::{Connection, ErrorCode, OpenFlags};
use std::fmt::Write;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// Between two tries where SQLite itself does not wait.
const PAUSE: Duration = Duration::from_millis(20);
/// Marks the file as a history (bytes 68 to 71 of an SQLite file): the letters `LGHS`.
const APPLICATION_ID: i64 = 0x4c47_4853;
/// What to do where there is no history.
const MAKES: &str = "`loopgauge check --record HISTORY` makes a history; check the path";
/// Prepared statements kept: more than recording has.
const STATEMENTS: usize = 32;

/// Opens a history to record in; makes an empty file when there is none. What makes it a history is the work of one transaction, with
/// [`claim`] in it: nobody sees a file that is half a history.
pub(super) fn open_to_record(path: &Path) -> Result<Database, Fault> {
    let path = absolute(path)?;
    if let Some(kind) = network_share::of_path(&path) {
        return Err(Fault::Kind(
            HistoryErrorKind::Share,
            format!("it lies on a network share ({kind}), where write-ahead logging fails"),
            "keep the file on a local disk, or use a `postgresql://` address for several stations".to_owned(),
        ));
    }
    let flags =
        OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = set_up(Connection::open_with_flags(&path, flags)?)?;
    is_ours(&connection)?;
    // What is recorded refers to what the same transaction wrote or an earlier one brought in, and no row is ever taken out: nothing is looked
    // up again row by row. `history check` looks at all references.
    connection.pragma_update(None, "foreign_keys", "OFF")?;
    // The commit is on the disk before the run is told to be recorded.
    connection.pragma_update(None, "synchronous", "FULL")?;
    Ok(Database::Sqlite(connection))
}

/// Opens a history to read; never makes or changes a file.
pub(super) fn open_to_read(path: &Path) -> Result<Database, Fault> {
    let found = std::fs::metadata(path);
    if !found.as_ref().is_ok_and(std::fs::Metadata::is_file) {
        let what = match found {
            Err(error) if error.kind() != std::io::ErrorKind::NotFound => error.to_string(),
            Err(_) => "there is no such file".to_owned(),
            Ok(_) => "it is no file".to_owned(),
        };
        return Err(Fault::Kind(HistoryErrorKind::Missing, what, MAKES.to_owned()));
    }
    // SQLite's log lies beside the file itself, not beside a link to it.
    let path = std::fs::canonicalize(path).or_else(|_| absolute(path))?;
    let opened = Connection::open_with_flags(&path, reading(&path)).map_err(Fault::from).and_then(ours);
    let connection = match opened {
        Err(Fault::Sqlite(error)) if cannot_log(&error) => read_without_log(&path).and_then(ours),
        opened => opened,
    }?;
    connection.pragma_update(None, "query_only", "ON")?;
    Ok(Database::Sqlite(connection))
}

/// Flags to read with. SQLite takes log and shared memory away again only where it might write, and then brings a log that was left
/// behind into the file: so it may where there is none.
fn reading(path: &Path) -> OpenFlags {
    let access = if log_of(path).exists() {
        OpenFlags::SQLITE_OPEN_READ_ONLY
    } else {
        OpenFlags::SQLITE_OPEN_READ_WRITE
    };
    access | OpenFlags::SQLITE_OPEN_NO_MUTEX
}

fn log_of(path: &Path) -> PathBuf {
    let mut log = path.as_os_str().to_owned();
    log.push("-wal");
    PathBuf::from(log)
}

fn ours(connection: Connection) -> Result<Connection, Fault> {
    let connection = set_up(connection)?;
    if is_ours(&connection)? {
        return Ok(connection);
    }
    Err(Fault::Kind(
        HistoryErrorKind::Missing,
        "it is an empty database, no history was made in it yet".to_owned(),
        MAKES.to_owned(),
    ))
}

fn set_up(connection: Connection) -> Result<Connection, Fault> {
    connection.busy_timeout(PATIENCE)?;
    connection.set_prepared_statement_cache_capacity(STATEMENTS);
    connection.pragma_update(None, "foreign_keys", "ON")?;
    Ok(connection)
}

fn absolute(path: &Path) -> Result<PathBuf, Fault> {
    std::path::absolute(path).map_err(|error| {
        Fault::Kind(HistoryErrorKind::Address, error.to_string(), "write the path of a file".to_owned())
    })
}

/// Whether it is a history; `false` for an empty file, an error for the database of another program.
fn is_ours(connection: &Connection) -> Result<bool, Fault> {
    // One statement: both are of the same moment, whatever other processes do in between.
    let sql =
        "SELECT (SELECT application_id FROM pragma_application_id), (SELECT count(*) FROM sqlite_schema)";
    let found: (i64, i64) = connection.query_row(sql, [], |row| Ok((row.get(0)?, row.get(1)?)))?;
    match found {
        (APPLICATION_ID, _) => Ok(true),
        (0, 0) => Ok(false),
        _ => Err(foreign("it is the database of another program")),
    }
}

fn foreign(what: &str) -> Fault {
    Fault::Kind(
        HistoryErrorKind::Foreign,
        format!("{what}, no history of loopgauge; nothing was written to it"),
        "give the path of a history, or of a file that is not there yet".to_owned(),
    )
}

/// Marks an empty file as a history, in the transaction that makes its tables.
pub(super) fn claim(connection: &Connection) -> Result<(), Fault> {
    if !is_ours(connection)? {
        connection.pragma_update(None, "application_id", APPLICATION_ID)?;
    }
    Ok(())
}

/// Turns write-ahead logging on, in a history that is made. The switch needs the file alone and does not wait for it by itself.
pub(super) fn write_ahead(connection: &Connection) -> Result<(), Fault> {
    let start = Instant::now();
    loop {
        let mode: Result<String, rusqlite::Error> =
            connection.query_row("PRAGMA journal_mode = WAL", [], |row| row.get(0));
        match mode {
            Ok(mode) if mode.eq_ignore_ascii_case("wal") => return Ok(()),
            Err(error) if is_busy(&error) && start.elapsed() < PATIENCE => std::thread::sleep(PAUSE),
            Err(error) => return Err(error.into()),
            Ok(mode) => {
                return Err(Fault::Kind(
                    HistoryErrorKind::Share,
                    format!("write-ahead logging cannot be turned on here, the journal stays `{mode}`"),
                    "keep the file on a local disk, or use a `postgresql://` address".to_owned(),
                ));
            }
        }
    }
}

/// What tells a file from every other one: device and number.
pub(super) type FileNumber = [u64; 2];

/// The file at a path; `None` where there is none, or the system has no such numbers.
#[cfg(unix)]
pub(super) fn file_number(path: &Path) -> Option<FileNumber> {
    use std::os::unix::fs::MetadataExt;
    std::fs::metadata(path).ok().map(|found| [found.dev(), found.ino()])
}

/// No file that is open can lose its name here.
#[cfg(not(unix))]
pub(super) const fn file_number(_: &Path) -> Option<FileNumber> {
    None
}

/// The file that is open is not the one under its name.
pub(super) fn moved_away() -> Fault {
    Fault::Kind(
        HistoryErrorKind::Connection,
        "the file was moved, removed or replaced while it was open; what is written goes away with it"
            .to_owned(),
        "put it back where it was, leave it there while it is recorded in, and record again".to_owned(),
    )
}

fn is_busy(error: &rusqlite::Error) -> bool {
    matches!(error.sqlite_error_code(), Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked))
}

/// Whether the log's shared memory could not be made, as in a folder that must not be written.
fn cannot_log(error: &rusqlite::Error) -> bool {
    matches!(error.sqlite_error_code(), Some(ErrorCode::CannotOpen | ErrorCode::ReadOnly))
}

/// Opens a history in a folder where nothing can be written: fine when no log waits beside the file.
fn read_without_log(path: &Path) -> Result<Connection, Fault> {
    if std::fs::metadata(log_of(path)).is_ok_and(|log| log.len() > 0) {
        return Err(Fault::Kind(
            HistoryErrorKind::Refused,
            "its newest records are in the log beside it (`-wal`), which cannot be read where nothing can be written"
                .to_owned(),
            "copy the file and its `-wal` to a folder that can be written, and read the copy".to_owned(),
        ));
    }
    let flags =
        OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX | OpenFlags::SQLITE_OPEN_URI;
    Ok(Connection::open_with_flags(format!("file:{}?immutable=1", uri_path(path)), flags)?)
}

/// A path as part of an URI (RFC 3986): everything but plain characters as `%` and two digits.
fn uri_path(path: &Path) -> String {
    path.as_os_str().as_encoded_bytes().iter().fold(String::new(), |mut text, &byte| {
        if byte.is_ascii_alphanumeric() || b"/._-:".contains(&byte) {
            text.push(char::from(byte));
        } else {
            // Writing to a string cannot fail.
            let _ = write!(text, "%{byte:02X}");
        }
        text
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paths_in_uris() {
        assert_eq!(uri_path(Path::new("/a b/h?.db")), "/a%20b/h%3F.db");
    }
}
