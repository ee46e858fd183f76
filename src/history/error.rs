//! What can go wrong with a history.

use super::error_kind::HistoryErrorKind;
use super::{postgres_error, sqlite_error};

/// An error of the history: where, what was found, what to do.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{place}: {what}{}", run.as_ref().map(|run| format!("; the run {run} is not recorded")).unwrap_or_default())]
#[non_exhaustive]
pub struct HistoryError {
    /// The history, without passwords.
    pub place: String,
    /// What was found, and what was wanted.
    pub what: String,
    /// How to mend it.
    pub help: String,
    /// Folder of the run that is not recorded because of it.
    pub run: Option<String>,
    /// The kind.
    pub kind: HistoryErrorKind,
}

impl HistoryError {
    pub(super) fn new(kind: HistoryErrorKind, place: impl ToString, what: impl Into<String>) -> Self {
        Self { place: place.to_string(), what: what.into(), help: String::new(), run: None, kind }
    }

    pub(super) fn with_help(self, help: impl Into<String>) -> Self {
        Self { help: help.into(), ..self }
    }
}

/// What a database said, before it is known which history it was. Boxed: errors are far from the hot path.
#[derive(Debug)]
pub(super) enum Fault {
    Sqlite(Box<rusqlite::Error>),
    Postgres(Box<::postgres::Error>),
    /// Something that our own rules exclude.
    Kind(HistoryErrorKind, String, String),
}

impl Fault {
    pub(super) fn damaged(what: impl Into<String>) -> Self {
        let help = "look at it with `loopgauge history check`, and go back to a backup";
        Self::Kind(HistoryErrorKind::Damaged, what.into(), help.to_owned())
    }

    pub(super) fn output(error: &impl ToString) -> Self {
        Self::Kind(
            HistoryErrorKind::Output,
            error.to_string(),
            "make room, or write to another place".to_owned(),
        )
    }

    /// Whether the same transaction may succeed in a moment, with a new connection.
    pub(super) fn is_passing(&self) -> bool {
        match self {
            Self::Postgres(error) => postgres_error::is_passing(error),
            _ => false,
        }
    }

    pub(super) fn at(self, place: &impl ToString) -> HistoryError {
        let (kind, what, help) = match self {
            Self::Sqlite(error) => sqlite_error::explain(&error),
            Self::Postgres(error) => postgres_error::explain(&error),
            Self::Kind(kind, what, help) => (kind, what, help),
        };
        HistoryError::new(kind, place.to_string(), what).with_help(help)
    }
}

impl From<rusqlite::Error> for Fault {
    fn from(error: rusqlite::Error) -> Self {
        Self::Sqlite(Box::new(error))
    }
}

impl From<::postgres::Error> for Fault {
    fn from(error: ::postgres::Error) -> Self {
        Self::Postgres(Box::new(error))
    }
}

impl From<std::io::Error> for Fault {
    fn from(error: std::io::Error) -> Self {
        Self::output(&error)
    }
}
