//! A run without a verdict, since something of it could not be read. Reports that list the same checks of every run list
//! them all the same.
//!
//! **Why is a run with one unreadable sweep unreadable as a whole?** A verdict says that all corners were looked at.
//! Judging what is left would let a board pass because its worst sweep was damaged. JUnit alone tells what the other
//! corners came to: a case that vanishes takes its history along, and the case of the damaged corner keeps the suite
//! red.

use super::corner::not_judged;
use super::options::{Options, select};
use super::outcome::{CornerOutcome, RunOutcome};
use crate::decision::Verdict;
use crate::diagnostic::Diagnostic;
use crate::quantity::listed;
use crate::run::{Bench, RawRun};
use crate::spec::Spec;
use std::collections::HashSet;

/// Files that a reason names; more are counted.
const NAMED: usize = 3;

/// A corner with a sweep that could not be read.
#[derive(Debug, Clone, PartialEq, Eq)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct UnreadCorner {
    /// Name.
    pub corner: String,
    /// The files that could not be read, as the run names them.
    pub files: Vec<String>,
    /// What is wrong with them.
    pub problems: Vec<Diagnostic>,
}

impl UnreadCorner {
    pub(super) fn new(corner: &str) -> Self {
        Self { corner: corner.to_owned(), files: Vec::new(), problems: Vec::new() }
    }

    pub(super) fn add(&mut self, file: &str, problems: Vec<Diagnostic>) {
        self.files.push(file.to_owned());
        self.problems.extend(problems);
    }

    /// Why the corner is not judged, after "not judged: ".
    pub(super) fn reason(&self) -> String {
        format!("{} could not be read", listed(&self.files, NAMED))
    }
}

/// A run without a verdict, since something of it could not be read.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct UnreadableRun {
    /// What is wrong with the run as a whole: its run file, its spec. Empty when sweeps alone are wrong.
    pub problems: Vec<Diagnostic>,
    /// Corners with a sweep that could not be read, in the spec's order.
    pub unread: Vec<UnreadCorner>,
    /// Whose run it is, and every check as far as the spec is known: corners that could be read are judged, the others are
    /// `not_judged`, and so is the run. A label that could not be read is empty.
    pub rest: RunOutcome,
}

impl UnreadableRun {
    /// A run with unreadable sweeps. Of an unread corner that `only` does not meet, `collected` stays: it tells what is wrong.
    pub(super) fn of_sweeps(mut rest: RunOutcome, unread: Vec<UnreadCorner>, options: &Options<'_>) -> Self {
        let names: HashSet<&str> = unread.iter().map(|unread| unread.corner.as_str()).collect();
        let left = |mut corner: CornerOutcome| {
            if !names.contains(corner.corner.as_str()) {
                return select(corner, options);
            }
            select(corner.clone(), options).or_else(|| {
                corner.checks.truncate(1);
                Some(corner)
            })
        };
        rest.corners = rest.corners.into_iter().filter_map(left).collect();
        rest.verdict = Verdict::NotJudged;
        Self { problems: Vec::new(), unread, rest }
    }

    /// A run whose run file or spec cannot be used. `None` when the run file does not even tell its serial number. With a
    /// `spec` all its checks are listed.
    #[must_use]
    pub fn of_run_file(raw: &RawRun, spec: Option<&Spec>, problems: Vec<Diagnostic>) -> Option<Self> {
        let corner = |corner| not_judged(corner, "the run file cannot be used");
        let rest = RunOutcome {
            run: raw.folder().to_owned(),
            run_file: raw.file().to_owned(),
            spec_file: spec.map(|spec| spec.file.clone()).unwrap_or_default(),
            product: raw.product().to_owned(),
            serial: raw.label("serial")?,
            revision: raw.label("revision").unwrap_or_default(),
            firmware: raw.label("firmware"),
            build: raw.label("build"),
            taken: raw.label("taken"),
            station: raw.label("station"),
            is_reference: false,
            title: spec.and_then(|spec| spec.title.clone()),
            bench: Bench {
                operator: raw.label("operator"),
                instrument: raw.label("instrument"),
                calibrated_until: raw.label("calibrated_until"),
                injection: raw.label("injection"),
                notes: raw.label("notes"),
            },
            findings: Vec::new(),
            coverage: spec.map_or(1.0, |spec| spec.decision.coverage),
            verdict: Verdict::NotJudged,
            corners: spec.map(|spec| spec.corners.iter().map(corner).collect()).unwrap_or_default(),
            circuit: None,
            provenance: None,
        };
        Some(Self { problems, unread: Vec::new(), rest })
    }

    /// Leaves the checks that `only` of the options meets.
    #[must_use]
    pub fn selected(mut self, options: &Options<'_>) -> Self {
        self.rest.corners = self.rest.corners.into_iter().filter_map(|c| select(c, options)).collect();
        self
    }

    /// Everything that is wrong.
    pub fn all_problems(&self) -> impl Iterator<Item = &Diagnostic> {
        self.problems.iter().chain(self.unread.iter().flat_map(|corner| &corner.problems))
    }
}
