//! The history of recorded runs: one SQLite file, or a PostgreSQL database for many stations and sites.
//!
//! | file | what |
//! | --- | --- |
//! | `address`, `server` | where a history is; passwords never shown |
//! | `suspicious_address` | what looks like an address and is none: never shown, no file is made of it |
//! | `model` | the rows that go in and come out |
//! | `error`, `error_kind`, `sqlite_error`, `postgres_error` | what can go wrong, and how to mend it |
//! | `database` | one face for both databases: SQL written once |
//! | `sqlite`, `postgres`, `tls`, `tls_stream` | opening each of them |
//! | `network_share` | file systems on which write-ahead logging fails |
//! | `schema` | tables and their versions |
//! | `store` | `History`: opening, trying again after a lost connection |
//! | `record`, `settings` | writing a run |
//! | `known_series` | series that need not be looked up again |
//! | `checked` | the checks of a corner |
//! | `movements` | what `drift --store` keeps |
//! | `views` | views for people and their tools |
//! | `digest` | the digest of a row |
//! | `numbers` | what numbers it may hold |
//! | `read` | runs, settings and values for `drift` |
//! | `export`, `export_row`, `parquet` | tables for other tools |
//! | `maintain` | a look at the whole; marks |
//! | `changed`, `lacking` | what is not as it was recorded; what is not there any more |
//! | `recorded` | values as the result of a record tells them |
//!
//! **Why two databases and one schema?** A bench needs no server, and a site with twenty stations needs one. SQL is
//! written once, in what both understand; what differs (opening, locking, retrying) is a file each. Values lie by
//! series, because `drift` reads series.

mod address;
mod changed;
mod checked;
mod database;
mod digest;
mod error;
mod error_kind;
mod export;
mod export_row;
mod known_series;
mod lacking;
mod maintain;
mod model;
mod movements;
mod network_share;
mod numbers;
#[cfg(feature = "parquet")]
mod parquet;
mod postgres;
mod postgres_error;
mod read;
mod record;
mod recorded;
mod schema;
mod server;
mod settings;
mod sqlite;
mod sqlite_error;
mod store;
mod suspicious_address;
mod tls;
mod tls_stream;
mod views;

pub use address::Address;
pub use error::HistoryError;
pub use error_kind::HistoryErrorKind;
pub use model::{
    CheckReport, CornerLimit, Filter, NewRecord, PackedJson, RecordHead, RecordId, Retested, SeriesKey,
    Settings, ValueRow,
};
pub use network_share::network_file_system;
pub use schema::VERSION;
pub use server::ServerAddress;
pub use settings::{declared, parse_settings, settings_text};
pub use store::History;
pub use suspicious_address::{may_be_part_of_address, may_hold_secret};
