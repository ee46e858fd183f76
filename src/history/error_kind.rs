//! Kinds of errors of a history.

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
