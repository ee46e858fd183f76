//! What an error of PostgreSQL means.

use super::error_kind::HistoryErrorKind;
use ::postgres::Error;
use ::postgres::error::SqlState;

/// Whether the same transaction may succeed in a moment, with a new connection.
pub(super) fn is_passing(error: &Error) -> bool {
    match error.code() {
        // The line itself; a certificate that is not trusted today will not be in a moment.
        None => !is_untrusted(error),
        Some(code) => {
            // Class 08: connection exceptions.
            code.code().starts_with("08")
                || [
                    SqlState::ADMIN_SHUTDOWN,
                    SqlState::CRASH_SHUTDOWN,
                    SqlState::CANNOT_CONNECT_NOW,
                    SqlState::TOO_MANY_CONNECTIONS,
                    SqlState::T_R_SERIALIZATION_FAILURE,
                    SqlState::T_R_DEADLOCK_DETECTED,
                ]
                .contains(code)
        }
    }
}

/// Whether the encryption could not be agreed on: rustls says so as invalid data.
fn is_untrusted(error: &Error) -> bool {
    use std::error::Error as _;
    let io = error.source().and_then(|source| source.downcast_ref::<std::io::Error>());
    io.is_some_and(|io| io.kind() == std::io::ErrorKind::InvalidData)
}

/// What an error of PostgreSQL means here, and what to do.
pub(super) fn explain(error: &Error) -> (HistoryErrorKind, String, String) {
    let what = whole(error);
    if is_untrusted(error) {
        let help = "name the file of the authority that signed the server's certificate in SSL_CERT_FILE";
        return (HistoryErrorKind::Connection, what, help.to_owned());
    }
    let Some(code) = error.code() else {
        let help = "check that the server runs, the host name, the port and the network; then record again";
        return (HistoryErrorKind::Connection, what, help.to_owned());
    };
    let (kind, help) = if *code == SqlState::INSUFFICIENT_PRIVILEGE {
        (HistoryErrorKind::Refused, "the first to record must be allowed to make a schema in the database")
    } else if *code == SqlState::INVALID_CATALOG_NAME {
        (HistoryErrorKind::Missing, "make the database with `createdb`, or check its name")
    } else if *code == SqlState::LOCK_NOT_AVAILABLE {
        (HistoryErrorKind::Busy, "another program holds a lock for too long; record again")
    } else if code.code().starts_with("28") {
        (HistoryErrorKind::Connection, "check user and password; PGPASSWORD may hold the password")
    } else if is_passing(error) {
        (
            HistoryErrorKind::Connection,
            "check that the server runs and has room for another connection; then record again",
        )
    } else {
        (HistoryErrorKind::Refused, "see the server's log")
    };
    (kind, what, help.to_owned())
}

/// An error with its causes, one line.
pub(super) fn whole(error: &Error) -> String {
    use std::error::Error as _;
    let mut text = error.to_string();
    let mut cause = error.source();
    while let Some(inner) = cause {
        let inner_text = inner.to_string();
        if !text.contains(&inner_text) {
            text = format!("{text}: {inner_text}");
        }
        cause = inner.source();
    }
    text.replace('\n', "; ")
}
