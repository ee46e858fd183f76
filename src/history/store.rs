//! An open history.

use super::address::Address;
use super::database::Database;
use super::error::{Fault, HistoryError};
use super::error_kind::HistoryErrorKind;
use super::known_series::KnownSeries;
use super::{postgres, schema, sqlite, views};
use std::time::Duration;

/// Pauses before another try: a server that restarts is back within a few seconds, and a station's operator waits no longer.
const PAUSES_MS: [u64; 5] = [100, 300, 1000, 2000, 4000];

/// An open history.
pub struct History {
    pub(super) address: Address,
    pub(super) database: Database,
    pub(super) series: KnownSeries,
    /// The file that is open, where it is one and the system numbers files.
    file: Option<sqlite::FileNumber>,
}

impl std::fmt::Debug for History {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("History").field("address", &self.address).finish_non_exhaustive()
    }
}

impl History {
    /// Opens a history to record in or to mark in: makes it when it is not there, brings it to this version when it is older.
    ///
    /// # Errors
    /// When it cannot be opened, is something else or of a newer version, or lies on a network share.
    pub fn open_to_record(address: &Address) -> Result<Self, HistoryError> {
        let database = patiently(|_| {
            let mut database = connect_to_record(address)?;
            schema::migrate(&mut database, schema::MIGRATIONS)?;
            views::renew(&mut database)?;
            if let Database::Sqlite(connection) = &database {
                sqlite::write_ahead(connection)?;
            }
            Ok(database)
        })
        .map_err(|fault| fault.at(address))?;
        Ok(Self::of(address, database))
    }

    /// Opens a history to read, as it is at this moment: what is recorded later is not seen. Never makes or changes one; reads any
    /// earlier version.
    ///
    /// # Errors
    /// When there is none, it is something else, or of a newer version.
    pub fn open_to_read(address: &Address) -> Result<Self, HistoryError> {
        let open = || {
            let mut database = match address {
                Address::File(path) => sqlite::open_to_read(path)?,
                Address::Postgres(url) => Database::of(postgres::open(url)?),
            };
            let sqlite = database.is_sqlite();
            database.batch(if sqlite {
                "BEGIN"
            } else {
                "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY"
            })?;
            schema::readable(&mut database, schema::VERSION)?;
            Ok(database)
        };
        let database = open().map_err(|fault: Fault| fault.at(address))?;
        Ok(Self::of(address, database))
    }

    fn of(address: &Address, database: Database) -> Self {
        let file = match address {
            Address::File(path) => sqlite::file_number(path),
            Address::Postgres(_) => None,
        };
        Self { address: address.clone(), database, series: KnownSeries::default(), file }
    }

    /// Opens a history that is there already, to mark in: brings it to this version when it is older.
    ///
    /// # Errors
    /// As [`History::open_to_read`] and [`History::open_to_record`].
    pub fn open_to_mark(address: &Address) -> Result<Self, HistoryError> {
        drop(Self::open_to_read(address)?);
        Self::open_to_record(address)
    }

    /// Where it is.
    #[must_use]
    pub const fn address(&self) -> &Address {
        &self.address
    }

    /// Runs `work` as one writing transaction; again, with a new connection, when the old one is lost.
    pub(super) fn write<T>(
        &mut self,
        mut work: impl FnMut(&mut Database, &mut KnownSeries) -> Result<T, Fault>,
    ) -> Result<T, HistoryError> {
        let Self { address, database, series, file } = self;
        let done = patiently(|tries| {
            if tries > 0 {
                // What was inserted by a transaction that did not come through is not known.
                series.clear();
                *database = connect_to_record(address)?;
            }
            let done = database.write(|database| work(database, series))?;
            // SQLite writes to a file that has lost its name as to any other.
            match address {
                Address::File(path) if sqlite::file_number(path) != *file => Err(sqlite::moved_away()),
                _ => Ok(done),
            }
        });
        if done.is_err() {
            series.clear();
        }
        done.map_err(|fault| fault.at(address))
    }
}

fn connect_to_record(address: &Address) -> Result<Database, Fault> {
    match address {
        Address::File(path) => sqlite::open_to_record(path),
        Address::Postgres(url) => postgres::open(url).map(Database::of),
    }
}

/// Tries again what may succeed in a moment. `work` gets the number of tries before.
fn patiently<T>(mut work: impl FnMut(usize) -> Result<T, Fault>) -> Result<T, Fault> {
    let mut tries = 0;
    let mut pauses = PAUSES_MS.iter();
    loop {
        let fault = match work(tries) {
            Ok(done) => return Ok(done),
            Err(fault) => fault,
        };
        let Some(pause) = pauses.next().filter(|_| fault.is_passing()) else {
            return Err(if tries > 0 { told(fault, tries + 1) } else { fault });
        };
        std::thread::sleep(Duration::from_millis(*pause));
        tries += 1;
    }
}

fn told(fault: Fault, tries: usize) -> Fault {
    let error = fault.at(&"");
    let what = format!("{} ({tries} tries)", error.what);
    Fault::Kind(
        if error.kind == HistoryErrorKind::Refused { HistoryErrorKind::Connection } else { error.kind },
        what,
        error.help,
    )
}
