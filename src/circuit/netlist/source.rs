//! The text of a netlist's files, places in it, and what is found wrong there.

use crate::diagnostic::{Diagnostic, Excerpt, Place};
use std::collections::HashSet;
use std::sync::Arc;

/// Most problems that are reported of a netlist: whoever has more looks at the first ones.
const MOST_FINDINGS: usize = 50;

/// A stretch of a line of one of the files.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(crate) struct Spot {
    /// Index of the file.
    pub(crate) file: u32,
    /// Index of the line.
    pub(crate) line: u32,
    /// First byte of the line that is meant.
    pub(crate) from: u32,
    /// The byte after the last.
    pub(crate) to: u32,
}

/// A word of a netlist and where it stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Word {
    /// As it was written.
    pub(crate) text: String,
    /// Where.
    pub(crate) spot: Spot,
}

impl Word {
    /// By what it is known: names do not depend on case.
    pub(crate) fn key(&self) -> String {
        self.text.to_lowercase()
    }
}

/// All files read so far, and all that was found in them.
#[derive(Debug, Default)]
pub(crate) struct Sources {
    names: Vec<Arc<str>>,
    lines: Vec<Vec<String>>,
    findings: Vec<Diagnostic>,
    reported: HashSet<(Spot, &'static str)>,
    has_errors: bool,
}

impl Sources {
    /// Takes a file in; its index.
    pub(crate) fn add(&mut self, name: &str, text: &str) -> usize {
        self.names.push(name.into());
        self.lines.push(text.lines().map(str::to_owned).collect());
        self.names.len() - 1
    }

    /// The lines of a file.
    pub(crate) fn lines(&self, file: usize) -> &[String] {
        self.lines.get(file).map_or(&[], Vec::as_slice)
    }

    /// The names of all files.
    pub(crate) fn names(&self) -> &[Arc<str>] {
        &self.names
    }

    /// Reports an error, once for each place.
    pub(crate) fn error(&mut self, code: &'static str, spot: Spot, message: String, help: &str) {
        self.has_errors = true;
        self.report(Diagnostic::error(code, message).with_help(help), spot);
    }

    /// Reports what is skipped or unwise.
    pub(crate) fn warn(&mut self, code: &'static str, spot: Spot, message: String, help: &str) {
        self.report(Diagnostic::warning(code, message).with_help(help), spot);
    }

    /// Whether a problem at a place would be shown, and was not before.
    pub(crate) fn is_news(&self, code: &'static str, spot: Spot) -> bool {
        !self.is_full() && !self.reported.contains(&(spot, code))
    }

    /// Whether no more problems are shown.
    pub(crate) const fn is_full(&self) -> bool {
        self.findings.len() >= MOST_FINDINGS
    }

    fn report(&mut self, diagnostic: Diagnostic, spot: Spot) {
        if self.is_full() || !self.reported.insert((spot, diagnostic.code)) {
            return;
        }
        let line = self.lines(spot.file as usize).get(spot.line as usize).map_or("", String::as_str);
        let excerpt = Excerpt::new(line, spot.from as usize..spot.to as usize);
        let place = self.place(spot);
        self.findings.push(Diagnostic { place: Some(place), excerpt: Some(excerpt), ..diagnostic });
    }

    /// Whether an error was reported.
    pub(crate) const fn has_errors(&self) -> bool {
        self.has_errors
    }

    /// Where a spot is, for people.
    pub(crate) fn place(&self, spot: Spot) -> Place {
        let line = self.lines(spot.file as usize).get(spot.line as usize).map_or("", String::as_str);
        let before = line.get(..line.floor_char_boundary(spot.from as usize)).unwrap_or("");
        Place {
            file: self.names.get(spot.file as usize).cloned().unwrap_or_default(),
            line: Some(u64::from(spot.line) + 1),
            column: Some(before.chars().count() as u64 + 1),
            key: None,
        }
    }

    /// All that was found, in the order of the files and lines.
    pub(crate) fn into_findings(mut self) -> Vec<Diagnostic> {
        self.findings.sort_by_key(|finding| {
            let place = finding.place.as_ref();
            let file = place.and_then(|place| self.names.iter().position(|name| *name == place.file));
            (file, place.and_then(|place| place.line), place.and_then(|place| place.column))
        });
        self.findings
    }
}
