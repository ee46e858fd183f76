//! JSON results of parts of the runs, put together to that of all.
//!
//! A run's text goes over as it stands, so that the whole has the bytes of one `check` over all runs.

use super::shard_note::ShardNote;
use super::{Counts, JsonWriter, TOOL, Tally};
use crate::check::{NO_BASELINE, Verdict};
use crate::diagnostic::Diagnostic;
use serde::Deserialize;
use serde::de::{MapAccess, SeqAccess, Visitor};
use serde_json::value::RawValue;
use std::collections::{BTreeMap, HashSet};
use std::fmt;
use std::io::{self, Write};

/// Why results cannot be put together.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum CannotMerge {
    /// The text is no result; what is wrong, and line and column.
    NoResult(String, Option<(u64, u64)>),
    /// It is the result of all runs and not of a part.
    Whole,
    /// Another version wrote it.
    OtherTool(String),
    /// It is of another division of the runs than the first one.
    OtherParts(ShardNote, ShardNote),
    /// The same part stands in two files.
    Twice(ShardNote),
}

impl fmt::Display for CannotMerge {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoResult(why, _) => write!(f, "is no JSON result of `check`: {why}"),
            Self::Whole => f.write_str("is the result of all runs, not of a part of them"),
            Self::OtherTool(tool) => write!(f, "was written by {tool}; this is {TOOL}"),
            Self::OtherParts(own, first) => write!(
                f,
                "is part {}/{} of {} runs, the first file is part {}/{} of {}",
                own.number, own.of, own.runs_found, first.number, first.of, first.runs_found
            ),
            Self::Twice(own) => write!(f, "is part {}/{}, which another file is already", own.number, own.of),
        }
    }
}

impl CannotMerge {
    /// How to mend it.
    #[must_use]
    pub const fn help(&self) -> &'static str {
        match self {
            Self::NoResult(..) => "give the files that `check --shard K/N --json FILE` wrote, all of them",
            Self::Whole => "write the parts with `check --shard K/N --json FILE`",
            Self::OtherTool(_) => "judge and merge with one version on all machines",
            Self::OtherParts(..) => "judge all parts over the same runs, with the same N",
            Self::Twice(_) => "give each part once",
        }
    }
}

#[derive(Deserialize)]
struct Head {
    tool: String,
    shard: Option<ShardNote>,
}

#[derive(Deserialize)]
struct Body<'a> {
    #[serde(borrow)]
    runs: Vec<&'a RawValue>,
    #[serde(borrow)]
    errors: Vec<&'a RawValue>,
}

#[derive(Deserialize)]
struct RunHead {
    product: String,
    serial: String,
    #[serde(deserialize_with = "verdict")]
    verdict: Verdict,
    corners: Vec<CornerHead>,
}

#[derive(Deserialize)]
struct CornerHead {
    #[serde(deserialize_with = "verdict")]
    verdict: Verdict,
    checks: Vec<CheckHead>,
}

#[derive(Deserialize)]
struct CheckHead {
    #[serde(deserialize_with = "verdict")]
    verdict: Verdict,
    message: String,
}

/// Any value whose numbers are finite: what is taken over as it stands must be readable to all.
struct Readable;

impl<'de> Deserialize<'de> for Readable {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(Self)
    }
}

impl<'de> Visitor<'de> for Readable {
    type Value = Self;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a value")
    }

    fn visit_bool<E>(self, _: bool) -> Result<Self, E> {
        Ok(self)
    }

    fn visit_i64<E>(self, _: i64) -> Result<Self, E> {
        Ok(self)
    }

    fn visit_u64<E>(self, _: u64) -> Result<Self, E> {
        Ok(self)
    }

    fn visit_f64<E>(self, _: f64) -> Result<Self, E> {
        Ok(self)
    }

    fn visit_str<E>(self, _: &str) -> Result<Self, E> {
        Ok(self)
    }

    fn visit_unit<E>(self) -> Result<Self, E> {
        Ok(self)
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut items: A) -> Result<Self, A::Error> {
        while items.next_element::<Self>()?.is_some() {}
        Ok(self)
    }

    fn visit_map<A: MapAccess<'de>>(self, mut entries: A) -> Result<Self, A::Error> {
        while entries.next_entry::<Self, Self>()?.is_some() {}
        Ok(self)
    }
}

/// Reads a piece of a text; places are those of the whole.
fn within<'a, T: Deserialize<'a>>(whole: &[u8], piece: &'a RawValue) -> Result<T, CannotMerge> {
    let text = piece.get().as_bytes();
    parsed(text).map_err(|error| {
        let CannotMerge::NoResult(why, Some((line, column))) = error else { return error };
        let begins = (text.as_ptr() as usize).saturating_sub(whole.as_ptr() as usize);
        let before = whole.get(..begins).unwrap_or_default();
        let lines = before.iter().filter(|byte| **byte == b'\n').count() as u64;
        let last = before.iter().rev().take_while(|byte| **byte != b'\n').count() as u64;
        CannotMerge::NoResult(why, Some((line + lines, if line == 1 { column + last } else { column })))
    })
}

/// The text of a map, as it stands.
fn map_of<'a>(whole: &[u8], piece: &'a RawValue) -> Result<&'a [u8], CannotMerge> {
    within::<BTreeMap<String, Readable>>(whole, piece)?;
    Ok(piece.get().as_bytes())
}

fn verdict<'de, D: serde::Deserializer<'de>>(deserializer: D) -> Result<Verdict, D::Error> {
    let word = String::deserialize(deserializer)?;
    let known = Verdict::ALL.into_iter().find(|verdict| verdict.word() == word);
    known.ok_or_else(|| serde::de::Error::custom(format!("`{word}` is no verdict")))
}

fn parsed<'a, T: Deserialize<'a>>(text: &'a [u8]) -> Result<T, CannotMerge> {
    serde_json::from_slice(text).map_err(|error| {
        let place = (error.line() > 0).then(|| (error.line() as u64, error.column().max(1) as u64));
        let text = error.to_string();
        let message = text.split(" at line ").next().unwrap_or(&text).to_owned();
        CannotMerge::NoResult(message, place)
    })
}

/// Which part a result is of.
///
/// # Errors
/// When it is of none, or of another version.
pub fn shard_note(result: &[u8]) -> Result<ShardNote, CannotMerge> {
    let head: Head = parsed(result)?;
    if head.tool != TOOL {
        return Err(CannotMerge::OtherTool(head.tool));
    }
    head.shard.ok_or(CannotMerge::Whole)
}

/// The order of the parts: for each of the files its place among all, and the numbers of parts that are missing.
///
/// # Errors
/// The first file that does not fit the others, and why.
pub fn order(notes: &[ShardNote]) -> Result<(Vec<usize>, Vec<usize>), (usize, CannotMerge)> {
    let Some(first) = notes.first() else { return Ok((Vec::new(), Vec::new())) };
    let mut seen = HashSet::new();
    for (index, note) in notes.iter().enumerate() {
        if (note.of, note.runs_found) != (first.of, first.runs_found) {
            return Err((index, CannotMerge::OtherParts(*note, *first)));
        }
        if !seen.insert(note.number) {
            return Err((index, CannotMerge::Twice(*note)));
        }
    }
    let mut order: Vec<usize> = (0..notes.len()).collect();
    order.sort_by_key(|index| notes.get(*index).map(|note| note.number));
    // No more than a few are told; a wrong N must not make a long list.
    let missing = (1..=first.of).filter(|number| !seen.contains(number)).take(10).collect();
    Ok((order, missing))
}

/// Puts parts together, one after the other.
pub struct Merger<W: Write> {
    writer: JsonWriter<W>,
    /// The sum over all runs.
    pub tally: Tally,
    /// Problems of a spec or a baseline stand in every part that met them.
    told: HashSet<String>,
}

impl<W: Write> Merger<W> {
    /// Begins the whole result.
    ///
    /// # Errors
    /// When the sink cannot be written.
    pub fn new(sink: W) -> io::Result<Self> {
        Ok(Self { writer: JsonWriter::new(sink)?, tally: Tally::new(), told: HashSet::new() })
    }

    /// Appends a part.
    ///
    /// # Errors
    /// When it is no result, or the sink cannot be written.
    pub fn append(&mut self, result: &[u8]) -> Result<io::Result<()>, CannotMerge> {
        let body: Body<'_> = parsed(result)?;
        for run in body.runs {
            let text = map_of(result, run)?;
            let head: RunHead = within(result, run)?;
            let corners = Counts::of(head.corners.iter().map(|corner| corner.verdict));
            let checks = head.corners.iter().flat_map(|corner| &corner.checks);
            self.tally.without_baseline +=
                checks.clone().filter(|check| check.message == NO_BASELINE).count() as u64;
            let checks = Counts::of(checks.map(|check| check.verdict));
            self.tally.add_counted(&head.product, &head.serial, head.verdict, &corners, &checks);
            if let Err(error) = self.writer.append(text) {
                return Ok(Err(error));
            }
        }
        for problem in body.errors {
            let text = map_of(result, problem)?;
            if self.told.insert(problem.get().to_owned())
                && let Err(error) = self.writer.append_problem(text)
            {
                return Ok(Err(error));
            }
        }
        Ok(Ok(()))
    }

    /// Appends a problem of the whole.
    ///
    /// # Errors
    /// When the spool of problems cannot be written.
    pub fn append_error(&mut self, problem: &Diagnostic) -> io::Result<()> {
        self.writer.append_error(problem)
    }

    /// Ends the result and gives the sink and the sum back, flushed.
    ///
    /// # Errors
    /// When the sink cannot be written.
    pub fn finish(self) -> io::Result<(W, Tally)> {
        let Self { writer, tally, .. } = self;
        Ok((writer.finish(&tally, None)?, tally))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn merged(part: &str) -> Result<String, CannotMerge> {
        let mut merger = Merger::new(Vec::new()).unwrap();
        merger.append(part.as_bytes())?.unwrap();
        Ok(String::from_utf8(merger.finish().unwrap().0).unwrap())
    }

    /// What is taken over as it stands is read all the same: no result that others cannot read comes of one.
    #[test]
    fn what_no_reader_takes_is_not_taken_over() {
        let run = |value: &str| {
            format!(
                r#"{{"runs": [{{"product": "a", "serial": "b", "verdict": "pass", "corners": [], "x": [{value}]}}],
                    "errors": [{{"message": {value}}}]}}"#
            )
        };
        for sound in ["1e300", "-0.5", "null", "true", "\"text\"", "{\"a\": [1, 2]}", "12345678901234567890"]
        {
            let whole = merged(&run(sound)).unwrap();
            serde_json::from_str::<serde_json::Value>(&whole).unwrap();
        }
        let refused = |part: &str| match merged(part) {
            Err(CannotMerge::NoResult(why, place)) => (why, place),
            other => panic!("{part}: {other:?}"),
        };
        let (why, place) = refused(&run("33E333"));
        assert_eq!((why.as_str(), place), ("number out of range", Some((1, 88))));
        let (why, place) = refused("{\"runs\": [],\n\"errors\": [{},\n 7]}");
        assert!(
            why.starts_with("invalid type: integer `7`, expected a map") && place == Some((3, 2)),
            "{why} {place:?}"
        );
    }
}
