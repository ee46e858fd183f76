//! One face for both databases. SQL is written once, with `?1` for parameters, in what both understand: `BIGINT`, `TEXT`,
//! `DOUBLE PRECISION`, `ON CONFLICT`, `RETURNING`.

use super::error::Fault;
use super::postgres::Session;
use ::postgres::types::{IsNull, Type, to_sql_checked};
use rusqlite::types::ValueRef;
use std::fmt::Write;

/// Rows of one `INSERT` of PostgreSQL: far below the 65 535 parameters that it allows in a statement.
const ROWS: usize = 64;

/// Rows of one `INSERT` of SQLite, most first: few statements, all of which are kept prepared.
const TOGETHER: [usize; 3] = [16, 4, 1];

/// An open database.
pub(super) enum Database {
    Sqlite(rusqlite::Connection),
    Postgres(Box<Session>),
}

/// A parameter.
#[derive(Debug, Clone, Copy)]
pub(super) enum Value<'a> {
    Null,
    Int(i64),
    Real(f64),
    Text(&'a str),
    Blob(&'a [u8]),
}

/// A row of a result.
pub(super) enum Row<'a> {
    Sqlite(&'a rusqlite::Row<'a>),
    Postgres(&'a ::postgres::Row),
}

impl Row<'_> {
    /// A column, by its position from 0.
    pub(super) fn get<T>(&self, index: usize) -> Result<T, Fault>
    where
        T: rusqlite::types::FromSql + for<'p> ::postgres::types::FromSql<'p>,
    {
        match self {
            Self::Sqlite(row) => Ok(row.get(index)?),
            Self::Postgres(row) => Ok(row.try_get(index)?),
        }
    }

    /// A column of numbers with a fraction.
    ///
    /// # Errors
    /// What else is there: an SQLite column holds anything.
    pub(super) fn real(&self, index: usize) -> Result<Option<f64>, &'static str> {
        match self {
            Self::Sqlite(row) => match row.get_ref(index) {
                Ok(ValueRef::Null) => Ok(None),
                Ok(ValueRef::Real(value)) => Ok(Some(value)),
                Ok(ValueRef::Integer(value)) => Ok(Some(value as f64)),
                other => Err(kind(other)),
            },
            Self::Postgres(row) => row.try_get(index).map_err(|_| "something else"),
        }
    }

    /// A column of whole numbers.
    ///
    /// # Errors
    /// As [`Row::real`].
    pub(super) fn whole(&self, index: usize) -> Result<Option<i64>, &'static str> {
        match self {
            Self::Sqlite(row) => match row.get_ref(index) {
                Ok(ValueRef::Null) => Ok(None),
                Ok(ValueRef::Integer(value)) => Ok(Some(value)),
                other => Err(kind(other)),
            },
            Self::Postgres(row) => row.try_get(index).map_err(|_| "something else"),
        }
    }
}

fn kind(found: rusqlite::Result<ValueRef<'_>>) -> &'static str {
    match found {
        Ok(ValueRef::Text(_)) => "a text",
        Ok(ValueRef::Blob(_)) => "bytes",
        Ok(ValueRef::Real(_)) => "a number with a fraction",
        _ => "something else",
    }
}

impl Database {
    /// A connection to a server.
    pub(super) fn of(session: Session) -> Self {
        Self::Postgres(Box::new(session))
    }

    /// Runs statements without parameters.
    pub(super) fn batch(&mut self, sql: &str) -> Result<(), Fault> {
        match self {
            Self::Sqlite(connection) => connection.execute_batch(sql)?,
            Self::Postgres(session) => session.client.batch_execute(sql)?,
        }
        Ok(())
    }

    /// Runs a statement; the number of rows it changed.
    pub(super) fn execute(&mut self, sql: &str, values: &[Value<'_>]) -> Result<u64, Fault> {
        match self {
            Self::Sqlite(connection) => {
                let changed = connection.prepare_cached(sql)?.execute(rusqlite::params_from_iter(values))?;
                Ok(changed as u64)
            }
            Self::Postgres(session) => {
                let statement = session.prepare(sql)?;
                let values: Vec<&(dyn ::postgres::types::ToSql + Sync)> =
                    values.iter().map(|value| value as &(dyn ::postgres::types::ToSql + Sync)).collect();
                Ok(session.client.execute(&statement, &values)?)
            }
        }
    }

    /// Hands each row of a result to `each`; memory does not grow with their number.
    pub(super) fn query(
        &mut self,
        sql: &str,
        values: &[Value<'_>],
        each: &mut dyn FnMut(&Row<'_>) -> Result<(), Fault>,
    ) -> Result<(), Fault> {
        use ::postgres::fallible_iterator::FallibleIterator;
        match self {
            Self::Sqlite(connection) => {
                let mut statement = connection.prepare_cached(sql)?;
                let mut rows = statement.query(rusqlite::params_from_iter(values))?;
                while let Some(row) = rows.next()? {
                    each(&Row::Sqlite(row))?;
                }
            }
            Self::Postgres(session) => {
                let statement = session.prepare(sql)?;
                let mut rows = session.client.query_raw(&statement, values)?;
                while let Some(row) = rows.next()? {
                    each(&Row::Postgres(&row))?;
                }
            }
        }
        Ok(())
    }

    /// The first row, if there is one.
    pub(super) fn query_first<T>(
        &mut self,
        sql: &str,
        values: &[Value<'_>],
        read: impl Fn(&Row<'_>) -> Result<T, Fault>,
    ) -> Result<Option<T>, Fault> {
        let mut found = None;
        self.query(sql, values, &mut |row| {
            if found.is_none() {
                found = Some(read(row)?);
            }
            Ok(())
        })?;
        Ok(found)
    }

    /// Inserts rows: many in one statement, which spares a server's answers and SQLite's beginning and end of each. `into` is
    /// `table (columns)`; `values` are the rows, one after the other.
    pub(super) fn insert(&mut self, into: &str, columns: usize, values: &[Value<'_>]) -> Result<(), Fault> {
        if let Self::Sqlite(connection) = self {
            let mut rest = values;
            for rows in TOGETHER.into_iter().filter(|_| columns > 0) {
                if rest.len() < rows * columns {
                    continue;
                }
                let mut statement = connection.prepare_cached(&sqlite_insert_sql(into, columns, rows))?;
                while let Some((these, others)) = rest.split_at_checked(rows * columns) {
                    statement.execute(rusqlite::params_from_iter(these))?;
                    rest = others;
                }
            }
            return Ok(());
        }
        for chunk in values.chunks(ROWS * columns) {
            self.execute(&insert_sql(into, columns, chunk.len() / columns), chunk)?;
        }
        Ok(())
    }

    /// Runs `work` as one writing transaction, whole or not at all.
    pub(super) fn write<T>(&mut self, work: impl FnOnce(&mut Self) -> Result<T, Fault>) -> Result<T, Fault> {
        // SQLite takes its one lock for writing at once: a transaction that must wait waits before it has read anything.
        self.batch(if self.is_sqlite() { "BEGIN IMMEDIATE" } else { "BEGIN" })?;
        let done = work(self).and_then(|done| self.batch("COMMIT").map(|()| done));
        if done.is_err() {
            // Says nothing new when the connection is lost: the first error is told.
            let _ = self.batch("ROLLBACK");
        }
        done
    }

    pub(super) const fn is_sqlite(&self) -> bool {
        matches!(self, Self::Sqlite(_))
    }
}

/// A row that cannot be inserted takes the transaction with it, as it does for whoever calls this: SQLite then needs no journal of what
/// each statement changed.
fn sqlite_insert_sql(into: &str, columns: usize, rows: usize) -> String {
    let row = format!(",({})", ["?"].repeat(columns).join(","));
    format!("INSERT OR ROLLBACK INTO {into} VALUES {}", row.repeat(rows).trim_start_matches(','))
}

fn insert_sql(into: &str, columns: usize, rows: usize) -> String {
    // `(?1,?2),` a mark has up to five characters with its comma.
    let mut sql = String::with_capacity(24 + into.len() + rows * (3 + 5 * columns));
    sql.push_str("INSERT INTO ");
    sql.push_str(into);
    sql.push_str(" VALUES ");
    for mark in 1..=rows * columns {
        let is_first = mark % columns == 1 || columns == 1;
        sql.push_str(match (mark, is_first) {
            (1, _) => "(?",
            (_, true) => "),(?",
            (_, false) => ",?",
        });
        // Writing to a string cannot fail.
        let _ = write!(sql, "{mark}");
    }
    sql.push(')');
    sql
}

impl From<i64> for Value<'_> {
    fn from(value: i64) -> Self {
        Self::Int(value)
    }
}

impl From<bool> for Value<'_> {
    fn from(value: bool) -> Self {
        Self::Int(i64::from(value))
    }
}

impl From<f64> for Value<'_> {
    fn from(value: f64) -> Self {
        Self::Real(value)
    }
}

impl<'a> From<&'a str> for Value<'a> {
    fn from(value: &'a str) -> Self {
        Self::Text(value)
    }
}

impl<'a, T: Into<Value<'a>>> From<Option<T>> for Value<'a> {
    fn from(value: Option<T>) -> Self {
        value.map_or(Self::Null, Into::into)
    }
}

impl rusqlite::ToSql for Value<'_> {
    fn to_sql(&self) -> rusqlite::Result<rusqlite::types::ToSqlOutput<'_>> {
        use rusqlite::types::ToSqlOutput;
        Ok(ToSqlOutput::Borrowed(match *self {
            Self::Null => ValueRef::Null,
            Self::Int(value) => ValueRef::Integer(value),
            Self::Real(value) => ValueRef::Real(value),
            Self::Text(text) => ValueRef::Text(text.as_bytes()),
            Self::Blob(bytes) => ValueRef::Blob(bytes),
        }))
    }
}

impl ::postgres::types::ToSql for Value<'_> {
    fn to_sql(
        &self,
        kind: &Type,
        out: &mut ::postgres::types::private::BytesMut,
    ) -> Result<IsNull, Box<dyn std::error::Error + Sync + Send>> {
        match *self {
            Self::Null => Ok(IsNull::Yes),
            Self::Int(value) => value.to_sql(kind, out),
            Self::Real(value) => value.to_sql(kind, out),
            // PostgreSQL knows no text with a zero character.
            Self::Text(text) if text.contains('\0') => text.replace('\0', "\u{fffd}").to_sql(kind, out),
            Self::Text(text) => text.to_sql(kind, out),
            Self::Blob(bytes) => bytes.to_sql(kind, out),
        }
    }

    fn accepts(kind: &Type) -> bool {
        [Type::INT8, Type::FLOAT8, Type::TEXT, Type::BYTEA].contains(kind)
    }

    to_sql_checked!();
}

#[cfg(test)]
mod tests {
    use super::{insert_sql, sqlite_insert_sql};

    #[test]
    fn rows_are_marked_one_after_the_other() {
        assert_eq!(
            sqlite_insert_sql("t (a, b)", 2, 2),
            "INSERT OR ROLLBACK INTO t (a, b) VALUES (?,?),(?,?)"
        );
        assert_eq!(sqlite_insert_sql("t (a)", 1, 1), "INSERT OR ROLLBACK INTO t (a) VALUES (?)");
        assert_eq!(insert_sql("t (a, b)", 2, 2), "INSERT INTO t (a, b) VALUES (?1,?2),(?3,?4)");
        assert_eq!(insert_sql("t (a)", 1, 3), "INSERT INTO t (a) VALUES (?1),(?2),(?3)");
    }
}
