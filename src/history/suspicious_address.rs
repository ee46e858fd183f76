//! Texts that look like the address of a database and are none that is understood. They may hold a password: nobody shows them, and
//! no file is made of them.

use super::server::decoded;

/// What a text looks like.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Lookalike {
    /// A good address behind a blank, a quotation mark or the like.
    Wrapped,
    /// `mysql://…`, `jdbc:…`.
    Scheme,
    /// `host=… password=…`.
    Pairs,
    /// `user:password@host`.
    Userinfo,
}

/// Words before a `:` or `//` that no drive and hardly a file is called.
const SCHEMES: [&str; 24] = [
    "postgresql",
    "postgres",
    "postgre",
    "pgsql",
    "psql",
    "pg",
    "jdbc",
    "odbc",
    "mysql",
    "mariadb",
    "sqlite",
    "sqlite3",
    "sqlserver",
    "mssql",
    "oracle",
    "mongodb",
    "redis",
    "file",
    "http",
    "https",
    "ftp",
    "tcp",
    "unix",
    "dsn",
];

/// Keys of connections; those of secrets stand in [`is_secret`].
const KEYS: [&str; 22] = [
    "host",
    "hostaddr",
    "hostname",
    "server",
    "port",
    "dbname",
    "database",
    "db",
    "user",
    "username",
    "userid",
    "uid",
    "service",
    "servicefile",
    "options",
    "sslmode",
    "sslcert",
    "sslkey",
    "sslrootcert",
    "sslcrl",
    "application_name",
    "connect_timeout",
];

/// How often a text may have been percent-encoded.
const LAYERS: usize = 3;

impl Lookalike {
    /// What an address typed for a history looks like; `None` for a path. `./` in front makes a path of nearly everything.
    pub(super) fn of(text: &str) -> Option<Self> {
        layers(text).find_map(|text| if is_path(&text) { hides(&text) } else { looks(&text) })
    }
}

/// Whether a word of the command line may hold the password of a database.
pub fn may_hold_secret(text: &str) -> bool {
    layers(text).any(|text| hides(&text).is_some() || (!is_path(&text) && has_userinfo(&text)))
}

/// Whether a word may be a part of an address that blanks have cut into words.
pub fn may_be_part_of_address(text: &str) -> bool {
    Lookalike::of(text).is_some()
}

/// The text, and what it is without percent signs.
fn layers(text: &str) -> impl Iterator<Item = String> {
    std::iter::successors(Some(text.to_owned()), |text| decoded(text).filter(|inner| inner != text))
        .take(LAYERS + 1)
}

/// Whether it says that it is a path: `/…`, `./…`, `../…`, `C:\…`, `\\server\…`.
fn is_path(text: &str) -> bool {
    let is_rooted = text.starts_with('/') && !text.starts_with("//");
    is_rooted
        || ["./", "../", ".\\", "..\\", "\\"].iter().any(|start| text.starts_with(start))
        || has_drive(text)
}

fn has_drive(text: &str) -> bool {
    let mut letters = text.chars();
    letters.next().is_some_and(|c| c.is_ascii_alphabetic())
        && letters.next() == Some(':')
        && letters.next().is_some_and(|c| "/\\".contains(c))
}

/// What hides in a path as well as elsewhere: `://` with an `@`, and a password's key.
fn hides(text: &str) -> Option<Lookalike> {
    if text.split_once("://").is_some_and(|(_, rest)| rest.contains('@')) {
        return Some(Lookalike::Scheme);
    }
    keys(text).any(|(_, key)| is_secret(&key)).then_some(Lookalike::Pairs)
}

fn looks(text: &str) -> Option<Lookalike> {
    let bare = text.trim_start_matches(|c: char| !(c.is_ascii_alphanumeric() || "/\\.:".contains(c)));
    let head = bare.to_ascii_lowercase();
    let is_good = |scheme: &str| head.starts_with(&format!("{scheme}://"));
    if bare.len() < text.len() && ["postgresql", "postgres"].into_iter().any(is_good) {
        return Some(Lookalike::Wrapped);
    }
    let has_scheme = |scheme: &str| {
        head.strip_prefix(scheme).is_some_and(|rest| rest.starts_with(':') || rest.starts_with("//"))
    };
    if text.contains("://") || SCHEMES.into_iter().any(has_scheme) {
        return Some(Lookalike::Scheme);
    }
    let is_key = |(before, key): (&str, String)| {
        KEYS.contains(&key.as_str()) && !before.ends_with(|c: char| c.is_alphanumeric() || "/\\.".contains(c))
    };
    if keys(text).any(is_key) {
        return Some(Lookalike::Pairs);
    }
    hides(text).or_else(|| has_userinfo(text).then_some(Lookalike::Userinfo))
}

/// A `:` before an `@`.
fn has_userinfo(text: &str) -> bool {
    text.split_once(':').is_some_and(|(_, rest)| rest.contains('@'))
}

/// The words before each `=`, in small letters, and what stands before them.
fn keys(text: &str) -> impl Iterator<Item = (&str, String)> {
    text.match_indices('=').map(|(at, _)| {
        let before = text.get(..at).unwrap_or_default().trim_end();
        let rest = before.trim_end_matches(|c: char| c.is_ascii_alphanumeric() || "_-".contains(c));
        (rest, before.get(rest.len()..).unwrap_or_default().to_ascii_lowercase())
    })
}

fn is_secret(key: &str) -> bool {
    let ends = ["password", "passwd", "passphrase", "passfile", "pwd", "secret"];
    ends.iter().any(|end| key.ends_with(end)) || ["pass", "pw", "token"].contains(&key)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paths_stay_paths() {
        for path in [
            "line.db",
            "a/b.db",
            "./a=b.db",
            "a=b.db",
            "C:\\h.db",
            "c:/h.db",
            "\\\\server\\share\\h.db",
            "../host=x.db",
            "./user:name@host.db",
            "/data/10:30/a@b.db",
            "RG-00042@retest/line.db",
            "high-pass=1k.db",
            "line 3.db",
            " line.db",
            "100%.db",
            "a%3Db.db",
            "runs:3.db",
            "bypass=2.db",
            "µ/h.db",
            ".",
            "-",
            "out/host=bench3/line.db",
        ] {
            assert_eq!(Lookalike::of(path), None, "{path}");
            assert!(!may_hold_secret(path), "{path}");
        }
    }

    #[test]
    fn addresses_of_other_kinds_are_seen() {
        use Lookalike::{Pairs, Scheme, Userinfo, Wrapped};
        for (text, want) in [
            (" postgresql://bench:s3cret@db/line", Wrapped),
            ("\u{feff}\tpostgres://bench:s3cret@db/line", Wrapped),
            ("\"postgresql://bench:s3cret@db/line\"", Wrapped),
            ("'POSTGRESQL://bench:s3cret@db/line'", Wrapped),
            ("<postgresql://bench:s3cret@db/line>", Wrapped),
            ("jdbc:postgresql://bench:s3cret@db/line", Scheme),
            ("DATABASE_URL=postgresql://bench:s3cret@db/line", Scheme),
            ("postgres:bench:s3cret@db/line", Scheme),
            ("postgresql:/bench:s3cret@db/line", Scheme),
            ("postgresql//bench:s3cret@db/line", Scheme),
            ("postgresql:\\\\bench:s3cret@db", Scheme),
            ("mysql://bench:s3cret@db/line", Scheme),
            ("http://bench:s3cret@db/line", Scheme),
            ("sqlite:line.db", Scheme),
            ("file:line.db", Scheme),
            ("./postgresql://bench:s3cret@db/line", Scheme),
            ("postgresql%3A%2F%2Fbench%3As3cret%40db%2Fline", Scheme),
            ("postgresql%253A%252F%252Fbench%253As3cret%2540db", Scheme),
            ("host=db password=s3cret", Pairs),
            ("  host = db user = bench password = s3cret", Pairs),
            ("'host=db password=s3cret'", Pairs),
            ("dbname=line", Pairs),
            ("user=bench", Pairs),
            ("Server=db;Uid=bench;Pwd=s3cret", Pairs),
            ("password=s3cret", Pairs),
            ("PGPASSWORD=s3cret", Pairs),
            ("line.db?password=s3cret", Pairs),
            ("/data/line.db?sslpassword=s3cret", Pairs),
            ("x?p%61ssword=s3cret", Pairs),
            ("passfile=/home/bench/s3cret", Pairs),
            ("bench:s3cret@db/line", Userinfo),
            ("//bench:s3cret@db/line", Userinfo),
            ("bench:s3/cr?et@db", Userinfo),
            ("bench:s3cret@", Userinfo),
            (":s3cret@db", Userinfo),
            ("bench%3As3cret%40db", Userinfo),
            ("bench:s3cret@tcp(db:3306)/line", Userinfo),
        ] {
            assert_eq!(Lookalike::of(text), Some(want), "{text}");
            assert_eq!(may_hold_secret(text), text.contains("s3"), "{text}");
        }
    }
}
