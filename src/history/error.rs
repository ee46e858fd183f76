//! What can go wrong with a history.

/// An error of the history: where, what was found, what to do.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{place}: {what}{}", run.as_ref().map(|run| format!("; the run {run} is not recorded")).unwrap_or_default())]
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

/// Kinds of errors.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[non_exhaustive]
pub enum HistoryErrorKind {
    /// The address cannot be understood.
    Address,
    /// There is no history at that place.
    Missing,
    /// It is no history: another kind of file, or the database of another program.
    Foreign,
    /// A newer version of loopgauge wrote it.
    Newer,
    /// It lies on a network share, where write-ahead logging fails.
    Share,
    /// Another program holds it for too long.
    Busy,
    /// The database cannot be reached, or was lost and did not come back.
    Connection,
    /// What it holds cannot be what was written.
    Damaged,
    /// A run without what a record must hold, or with numbers that none can hold.
    Incomplete,
    /// A record that is asked for is not there.
    Unknown,
    /// The database refuses for another reason: rights, disk full.
    Refused,
    /// The sink of an export cannot be written.
    Output,
}

impl HistoryErrorKind {
    /// All of them.
    pub const ALL: [Self; 12] = [
        Self::Address,
        Self::Missing,
        Self::Foreign,
        Self::Newer,
        Self::Share,
        Self::Busy,
        Self::Connection,
        Self::Damaged,
        Self::Incomplete,
        Self::Unknown,
        Self::Refused,
        Self::Output,
    ];

    /// Its code in diagnostics.
    #[must_use]
    pub const fn code(self) -> &'static str {
        match self {
            Self::Address => "history-address",
            Self::Missing => "history-missing",
            Self::Foreign => "history-foreign",
            Self::Newer => "history-newer",
            Self::Share => "history-share",
            Self::Busy => "history-busy",
            Self::Connection => "history-connection",
            Self::Damaged => "history-damaged",
            Self::Incomplete => "history-incomplete",
            Self::Unknown => "history-unknown",
            Self::Refused => "history-refused",
            Self::Output => "history-output",
        }
    }
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
            Self::Postgres(error) => super::postgres::is_passing(error),
            _ => false,
        }
    }

    pub(super) fn at(self, place: &impl ToString) -> HistoryError {
        let (kind, what, help) = match self {
            Self::Sqlite(error) => super::sqlite::explain(&error),
            Self::Postgres(error) => super::postgres::explain(&error),
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
