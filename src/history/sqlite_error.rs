//! What an error of SQLite means.

use super::error_kind::HistoryErrorKind;
use rusqlite::ErrorCode;
use std::time::Duration;

/// How long a process waits for others: a record takes milliseconds, so that this is hundreds of stations at once.
pub(super) const PATIENCE: Duration = Duration::from_secs(30);

/// What an error of SQLite means here, and what to do.
pub(super) fn explain(error: &rusqlite::Error) -> (HistoryErrorKind, String, String) {
    let code = error.sqlite_error_code();
    let (kind, what, help) = match code {
        Some(ErrorCode::NotADatabase) => (
            HistoryErrorKind::Foreign,
            "it is no SQLite database; nothing was written to it".to_owned(),
            "give the path of a history, or of a file that is not there yet",
        ),
        Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => (
            HistoryErrorKind::Busy,
            format!("another program has held it for more than {} s", PATIENCE.as_secs()),
            "end the program that holds it, and record again",
        ),
        Some(ErrorCode::DatabaseCorrupt) => (
            HistoryErrorKind::Damaged,
            format!("the file is damaged: {error}"),
            "look at it with `loopgauge history check`, and go back to a backup",
        ),
        Some(ErrorCode::DiskFull) => (HistoryErrorKind::Refused, "the disk is full".to_owned(), "make room"),
        Some(ErrorCode::CannotOpen | ErrorCode::ReadOnly | ErrorCode::PermissionDenied) => (
            HistoryErrorKind::Refused,
            format!("it cannot be opened or written: {error}"),
            "check that its folder is there, and that file and folder may be written",
        ),
        _ if is_no_such_thing(error) => (
            HistoryErrorKind::Damaged,
            format!("it holds what was never recorded: {error}"),
            "look at it with `loopgauge history check`, and go back to a backup",
        ),
        _ => (HistoryErrorKind::Refused, error.to_string(), "check the file and its disk"),
    };
    (kind, what, help.to_owned())
}

/// Whether a column holds another kind of thing than it was made for.
fn is_no_such_thing(error: &rusqlite::Error) -> bool {
    use rusqlite::Error::{FromSqlConversionFailure, IntegralValueOutOfRange, InvalidColumnType, Utf8Error};
    matches!(
        error,
        FromSqlConversionFailure(..) | IntegralValueOutOfRange(..) | InvalidColumnType(..) | Utf8Error(..)
    )
}
