//! Where a history is.

use super::error::HistoryError;
use super::error_kind::HistoryErrorKind;
use super::server::ServerAddress;
use super::suspicious_address::Lookalike;
use std::ffi::OsStr;
use std::fmt;
use std::path::PathBuf;

/// What to do about an address that is not understood.
const WANTED: &str = "write `postgresql://user@host:5432/database` and nothing around it; PGPASSWORD may hold the password, in an \
                      address its marks and blanks are percent-encoded, such as `%40` for `@`";
/// The same, where it may have been meant as a file.
const WANTED_OR_FILE: &str = "write `postgresql://user@host:5432/database`, where PGPASSWORD may hold the password; or the path of a \
                              file, with `./` before a name that looks like an address";

/// Path of an SQLite file, or address of a PostgreSQL database. Its text form shows no password.
#[derive(Clone, PartialEq, Eq)]
pub enum Address {
    /// An SQLite file.
    File(PathBuf),
    /// `postgresql://user@host/database`.
    Postgres(ServerAddress),
}

impl Address {
    /// Reads what was typed: `postgresql://…` or `postgres://…` is a PostgreSQL database, everything else a path, unless it looks like
    /// the address of a database and is none.
    ///
    /// # Errors
    /// When it is empty, or an address that is not understood; the error holds nothing of what was typed.
    pub fn parse(text: &OsStr) -> Result<Self, HistoryError> {
        if text.is_empty() {
            return Err(refused("the address is empty".to_owned(), WANTED_OR_FILE));
        }
        if let Some(address) = text.to_str().and_then(ServerAddress::parse) {
            let what = |what| format!("the address is not understood: {what}; {NOT_SHOWN}");
            return address.map(Self::Postgres).map_err(|why| refused(what(why), WANTED));
        }
        match Lookalike::of(&text.to_string_lossy()) {
            None => Ok(Self::File(PathBuf::from(text))),
            Some(seen) => Err(refused_for(seen)),
        }
    }
}

const NOT_SHOWN: &str = "it is not shown here, a password may be in it";

fn refused_for(seen: Lookalike) -> HistoryError {
    let (what, help) = match seen {
        Lookalike::Wrapped => ("the address stands behind a blank, a quotation mark or the like", WANTED),
        Lookalike::Scheme => ("this is the address of something that is no kind of history", WANTED_OR_FILE),
        Lookalike::Pairs => ("this is written as `key=value`, which is not understood", WANTED_OR_FILE),
        Lookalike::Userinfo => {
            ("this looks like `user:password@host`, which is no address of a history", WANTED_OR_FILE)
        }
    };
    refused(format!("{what}; {NOT_SHOWN}"), help)
}

fn refused(what: String, help: &str) -> HistoryError {
    HistoryError::new(HistoryErrorKind::Address, "history", what).with_help(help)
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::File(path) => write!(f, "{}", path.display()),
            Self::Postgres(server) => write!(f, "{server}"),
        }
    }
}

impl fmt::Debug for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{self}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paths_and_servers() {
        let read = |text: &str| Address::parse(OsStr::new(text)).unwrap();
        assert_eq!(read("a/b.db"), Address::File("a/b.db".into()));
        assert_eq!(read("C:\\h.db"), Address::File("C:\\h.db".into()));
        assert_eq!(read("./a=b.db").to_string(), "./a=b.db");
        assert_eq!(format!("{:?}", read("postgres://bench:s3cret@db/line")), "postgresql://bench@db/line");
    }

    /// The tables of `server` and `lookalike` are longer; here is what is said.
    #[test]
    fn a_refusal_says_what_is_wanted_and_nothing_of_what_was_typed() {
        for bad in [
            "",
            "mysql://s3cret@db/line",
            "postgresq://bench:s3cret@db",
            "postgresql://bench:s3?cret@db/line",
            " postgresql://bench:s3cret@db/line",
            "host=db password=s3cret",
            "bench:s3cret@db",
        ] {
            let error = Address::parse(OsStr::new(bad)).unwrap_err();
            assert_eq!(error.kind, HistoryErrorKind::Address, "{bad}");
            assert!(error.help.contains("postgresql://user@host:5432/database"), "{error:?}");
            let told = format!("{error} {error:?}");
            assert!(!told.contains("s3") && !told.contains("cret") && !told.contains("bench"), "{told}");
        }
    }

    #[cfg(unix)]
    #[test]
    fn bytes_that_are_no_text_hide_nothing() {
        use std::os::unix::ffi::OsStrExt;
        let bad = OsStr::from_bytes(b"postgresql://bench:s3\xffcret@db/line");
        assert_eq!(Address::parse(bad).unwrap_err().kind, HistoryErrorKind::Address);
        let path = OsStr::from_bytes(b"l\xffne.db");
        assert_eq!(Address::parse(path).unwrap(), Address::File(path.into()));
    }
}
