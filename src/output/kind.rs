//! What stands at the place of an output, told by what it holds: an earlier output of that kind, or something that must stay.
//!
//! **Why is an earlier output known by its text, and not by its name?** A name says what somebody hopes for:
//! `runs/u/24v-3a.txt` is a sweep, and `result` may be ours. What is ours says so in its first lines, or its last;
//! what does not is somebody's work.

use crate::sweep::may_be_sweep;
use crate::yaml::first_key;
use memchr::memmem;
use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::path::Path;

/// Kinds of outputs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A result as JSON.
    Json,
    /// JUnit XML.
    Junit,
    /// Problems as SARIF.
    Sarif,
    /// A page for people.
    Html,
    /// Markdown for a pull request.
    Markdown,
    /// A profile of levels as CSV.
    Levels,
    /// The values of a history as CSV.
    Values,
    /// The values of a history as Parquet.
    Parquet,
    /// An accepted unit.
    Accepted,
    /// A manual page.
    Page,
    /// A result with all that it rests on, as a zip file.
    Archive,
}

impl Kind {
    const ALL: [Self; 11] = [
        Self::Json,
        Self::Junit,
        Self::Sarif,
        Self::Html,
        Self::Markdown,
        Self::Levels,
        Self::Values,
        Self::Parquet,
        Self::Accepted,
        Self::Page,
        Self::Archive,
    ];

    /// What it is, with its article.
    pub(super) const fn words(self) -> &'static str {
        match self {
            Self::Json => "a JSON result of loopgauge",
            Self::Junit => "a JUnit report of loopgauge",
            Self::Sarif => "a SARIF log of loopgauge",
            Self::Html => "a page of loopgauge",
            Self::Markdown => "a Markdown report of loopgauge",
            Self::Levels => "a profile of levels",
            Self::Values => "an exported table of values",
            Self::Parquet => "an exported Parquet table",
            Self::Accepted => "an accepted unit",
            Self::Page => "a manual page of loopgauge",
            Self::Archive => "an archive of loopgauge",
        }
    }

    /// Whether a file is an output of this kind, written by this or an earlier version.
    pub(super) fn wrote(self, look: &Look) -> bool {
        let (head, tail) = (look.head.as_slice(), look.tail.as_slice());
        let has = |bytes: &[u8], piece: &str| memmem::find(bytes, piece.as_bytes()).is_some();
        let first_line = || head.split(|b| matches!(b, b'\r' | b'\n')).next().unwrap_or(&[]);
        match self {
            Self::Json => is_result(head),
            Self::Junit => {
                head.starts_with(b"<?xml")
                    && has(head, "<testsuites")
                    && (has(head, "=\"loopgauge") || has(head, "<testsuites></testsuites>"))
            }
            Self::Sarif => {
                head.starts_with(b"{\"$schema\":\"")
                    && has(head, "sarif")
                    && has(tail, "\"name\":\"loopgauge\"")
            }
            Self::Html => {
                head.starts_with(b"<!DOCTYPE html>")
                    && [
                        "<meta name=\"generator\" content=\"loopgauge",
                        ": loop stability</title>",
                        ": drift of stability margins</title>",
                    ]
                    .iter()
                    .any(|piece| has(head, piece))
            }
            Self::Markdown => {
                (head.starts_with(b"## Loop stability") || head.starts_with(b"## Margins over builds"))
                    && has(tail, "\nWritten by loopgauge ")
            }
            Self::Levels => first_line() == b"frequency_hz,level_dbm",
            Self::Values => first_line().starts_with(b"record,product,serial,revision,"),
            Self::Parquet => {
                head.starts_with(b"PAR1")
                    && tail.ends_with(b"PAR1")
                    && has(&look.footer, "spec_sha256")
                    && has(&look.footer, "corner_verdict")
            }
            Self::Accepted => first_key(head) == Some("baseline"),
            Self::Page => has(head, "\n.TH loopgauge"),
            // A local header of 30 bytes, then the name of the entry.
            Self::Archive => {
                head.starts_with(b"PK\x03\x04")
                    && head.get(30..).is_some_and(|name| name.starts_with(b"loopgauge-archive"))
            }
        }
    }
}

/// Whether a text begins as the JSON results do: with `format`, then a key that follows it in one of them.
fn is_result(head: &[u8]) -> bool {
    const FOLLOW: [&str; 11] = [
        "tool",
        "verdict",
        "runs",
        "sweeps",
        "findings",
        "run",
        "series",
        "products",
        "movements",
        "over",
        "a",
    ];
    let token = |text: &'_ [u8], token: &str| -> Option<usize> {
        let blanks = text.iter().take_while(|b| b.is_ascii_whitespace()).count();
        text.get(blanks..)?.starts_with(token.as_bytes()).then_some(blanks + token.len())
    };
    let mut at = 0;
    for wanted in ["{", "\"format\"", ":", "1", ","] {
        let Some(length) = head.get(at..).and_then(|rest| token(rest, wanted)) else { return false };
        at += length;
    }
    let rest = head.get(at..).unwrap_or(&[]);
    FOLLOW.iter().any(|key| token(rest, &format!("\"{key}\"")).is_some())
}

/// As much of a file as tells what it is.
#[derive(Debug, Default)]
pub(super) struct Look {
    head: Vec<u8>,
    tail: Vec<u8>,
    /// The beginning of the footer of a Parquet file, which tells its columns.
    footer: Vec<u8>,
}

/// Bytes looked at: of JUnit the properties of the first suite must lie in them.
const HEAD: u64 = 1 << 16;
const TAIL: u64 = 1 << 12;

impl Look {
    /// Looks at a file.
    ///
    /// # Errors
    /// When it cannot be read.
    pub(super) fn at(path: &Path) -> io::Result<Self> {
        let mut file = File::open(path)?;
        let length = file.metadata()?.len();
        let mut part = |from: u64, most: u64| -> io::Result<Vec<u8>> {
            let mut bytes = Vec::new();
            file.seek(SeekFrom::Start(from))?;
            file.by_ref().take(most).read_to_end(&mut bytes)?;
            Ok(bytes)
        };
        let (head, tail) = (part(0, HEAD)?, part(length.saturating_sub(TAIL), TAIL)?);
        let footer = match tail.last_chunk::<8>() {
            // Its length, then the mark (Apache Parquet, file format: from memory).
            Some(&[a, b, c, d, b'P', b'A', b'R', b'1']) => {
                let footer = u64::from(u32::from_le_bytes([a, b, c, d])) + 8;
                part(length.saturating_sub(footer), TAIL)?
            }
            _ => Vec::new(),
        };
        Ok(Self { head, tail, footer })
    }

    /// What the file seems to be, with its article.
    pub(super) fn seems(&self) -> &'static str {
        let head = self.head.as_slice();
        if head.is_empty() {
            return "an empty file";
        }
        if head.starts_with(b"SQLite format 3\0") {
            return "a history or another SQLite database";
        }
        if let Some(kind) = Kind::ALL.into_iter().find(|kind| kind.wrote(self)) {
            return kind.words();
        }
        match first_key(head) {
            Some("run") => return "a run",
            Some(key) if crate::spec::SORT.keys.contains(&key) => return "a spec",
            Some(key) if crate::run::SORT.keys.contains(&key) => return "a run",
            _ => {}
        }
        let first = head.iter().find(|b| !b.is_ascii_whitespace());
        match first {
            Some(b'<') => "a file of XML or HTML",
            Some(b'{' | b'[') => "a file of JSON",
            _ if may_be_sweep(head) => "a sweep or another table of numbers",
            _ if head.contains(&0) => "a binary file",
            _ => "a text",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn look(text: &str) -> Look {
        Look { head: text.into(), tail: text.into(), footer: Vec::new() }
    }

    #[test]
    fn results_are_known_by_their_first_keys() {
        for text in [
            "{\"format\":1,\"tool\":\"loopgauge 0.1.0\",\n\"runs\":[",
            "{\n  \"format\": 1,\n  \"sweeps\": [",
            "{\"format\": 1, \"findings\": []}",
            "{ \"format\" : 1 , \"run\" : \"x\"",
            "{\n  \"format\": 1,\n  \"a\": \"runs/a\",",
            "{\"format\":1,\"over\":\"build\"",
        ] {
            assert!(is_result(text.as_bytes()), "{text}");
        }
        for text in [
            "",
            "{",
            "{}",
            "{\"format\":2,\"runs\":[]}",
            "{\"format\":1}",
            "[1]",
            "{\"runs\":[]}",
            "{\"format\":1,\"x\":1}",
        ] {
            assert!(!is_result(text.as_bytes()), "{text}");
        }
    }

    #[test]
    fn no_input_is_taken_for_an_output() {
        for (text, seems) in [
            ("# a\nspec: 1\nproduct: p\n", "a spec"),
            ("run: 1\nproduct: p\n", "a run"),
            ("serial: x\n", "a run"),
            ("{spec: 1}", "a spec"),
            ("frequency_hz,gain_db,phase_deg\n1,2,3\n", "a sweep or another table of numbers"),
            ("f g p\n1 2 3\n", "a sweep or another table of numbers"),
            ("SQLite format 3\0x", "a history or another SQLite database"),
            ("<?xml version=\"1.0\"?>\n<testsuites name=\"other\">", "a file of XML or HTML"),
            ("{\"a\": 1}", "a file of JSON"),
            ("## Loop stability\n\nnotes\n", "a text"),
            ("\0\u{1}", "a binary file"),
        ] {
            let look = look(text);
            let wrote: Vec<Kind> = Kind::ALL.into_iter().filter(|kind| kind.wrote(&look)).collect();
            assert_eq!((wrote.as_slice(), look.seems()), (&[][..], seems), "{text:?}");
        }
    }

    #[test]
    fn outputs_without_a_mark_are_known() {
        for (text, kind) in [
            ("frequency_hz,level_dbm\n100,-26\n", Kind::Levels),
            ("record,product,serial,revision,firmware\r\n", Kind::Values),
            ("# An accepted unit\nbaseline: 1\n", Kind::Accepted),
            (".ie 1\n.el 2\n.TH loopgauge-check 1\n", Kind::Page),
            ("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<testsuites></testsuites>\n", Kind::Junit),
            ("<!DOCTYPE html>\n<html><head><title>pass: loop stability</title>", Kind::Html),
            ("## Margins over builds: pass\n\nWritten by loopgauge 0.1.0.\n", Kind::Markdown),
        ] {
            let look = look(text);
            let wrote: Vec<Kind> = Kind::ALL.into_iter().filter(|kind| kind.wrote(&look)).collect();
            assert_eq!(wrote, [kind], "{text:?}");
        }
    }
}
