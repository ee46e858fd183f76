//! PostgreSQL: many stations and sites at once.

use super::database::Database;
use super::error::{Fault, HistoryErrorKind};
use super::server::ServerAddress;
use super::tls::{Trust, connector};
use ::postgres::config::SslMode;
use ::postgres::error::SqlState;
use ::postgres::{Client, Config, Error, Statement};
use std::collections::HashMap;
use std::time::Duration;

/// For a server on another continent, and a link that first has to be dialled.
const CONNECT: Duration = Duration::from_secs(10);
/// A line that says nothing for so long is lost.
const SILENCE: Duration = Duration::from_secs(30);

/// The database's own room in the server's database, so that its plain table names meet no others.
pub(super) const SCHEMA: &str = "loopgauge";

/// A connection with its prepared statements.
pub(super) struct Session {
    pub(super) client: Client,
    statements: HashMap<String, Statement>,
}

impl Session {
    pub(super) fn prepare(&mut self, sql: &str) -> Result<Statement, Fault> {
        if let Some(statement) = self.statements.get(sql) {
            return Ok(statement.clone());
        }
        // No text of ours holds a question mark but for parameters.
        let statement = self.client.prepare(&sql.replace('?', "$"))?;
        self.statements.insert(sql.to_owned(), statement.clone());
        Ok(statement)
    }
}

/// Connects.
pub(super) fn open(address: &ServerAddress) -> Result<Database, Fault> {
    let config = config(address)?;
    let trust = if config.get_ssl_mode() == SslMode::Require { Trust::System } else { Trust::Anyone };
    let tls = connector(trust).map_err(|what| {
        let help =
            "install the system's certificates (Debian: ca-certificates), or name a file in SSL_CERT_FILE";
        Fault::Kind(HistoryErrorKind::Connection, what, help.to_owned())
    })?;
    let mut client = config.connect(tls)?;
    client.batch_execute(&format!(
        "SET search_path TO {SCHEMA}; SET client_min_messages TO warning; SET lock_timeout TO '30s';
         SET idle_in_transaction_session_timeout TO '10min';
         SELECT set_config('synchronous_commit', 'on', false) WHERE current_setting('synchronous_commit') = 'off'"
    ))?;
    Ok(Database::Postgres(Box::new(Session { client, statements: HashMap::new() })))
}

fn config(address: &ServerAddress) -> Result<Config, Fault> {
    let mut config: Config = address.for_client().parse().map_err(|error: Error| {
        let help = "write `postgresql://user@host:5432/database`, with `?sslmode=require` where the line must be encrypted";
        Fault::Kind(HistoryErrorKind::Address, whole(&error), help.to_owned())
    })?;
    if config.get_password().is_none()
        && let Ok(password) = std::env::var("PGPASSWORD")
    {
        config.password(password);
    }
    if config.get_connect_timeout().is_none() {
        config.connect_timeout(CONNECT);
    }
    if config.get_application_name().is_none() {
        config.application_name("loopgauge");
    }
    config.keepalives_idle(SILENCE).tcp_user_timeout(SILENCE);
    Ok(config)
}

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
fn whole(error: &Error) -> String {
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
