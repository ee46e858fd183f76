//! PostgreSQL: many stations and sites at once.

use super::error::Fault;
use super::error_kind::HistoryErrorKind;
use super::postgres_error::whole;
use super::server::ServerAddress;
use super::tls::{Trust, connector};
use ::postgres::config::SslMode;
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
pub(super) fn open(address: &ServerAddress) -> Result<Session, Fault> {
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
    Ok(Session { client, statements: HashMap::new() })
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
