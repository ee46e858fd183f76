//! The error of the crate: everything that is wrong with an input, and where.

use crate::check::UnreadableRun;
use crate::diagnostic::{Diagnostic, Severity};
use crate::escape::terminal;
use crate::sweep::BadSamples;
use std::fmt;

/// Why something was not judged: all that is wrong, each problem with its place.
///
/// What the parts of the crate return (`Vec<Diagnostic>` of specs, runs and sweeps, [`UnreadableRun`], [`BadSamples`]) becomes one by
/// `?`. Its text has a line per problem and a line for what to do about it; characters that could disturb a terminal are shown
/// by their number.
///
/// ```
/// fn corners(text: &str) -> Result<usize, loopgauge::Error> {
///     let text = text.as_bytes().to_vec();
///     let spec = loopgauge::spec::load("river-gauge-5v.yaml", &|_: &str| Ok(text.clone()))?;
///     Ok(spec.spec.corners.len())
/// }
///
/// let error = corners("spec: 1\nproduct: river-gauge-5v\ncritical_point: -1\ncornres: []\n").unwrap_err();
/// let text = error.to_string();
/// assert!(text.starts_with("error[missing-key]: river-gauge-5v.yaml:1:1: the key `corners` is missing\n  help: "), "{text}");
/// assert!(text.contains("\nerror[unknown-key]: river-gauge-5v.yaml:4:1: "), "{text}");
/// assert_eq!(error.problems()[1].place.as_ref().and_then(|place| place.line), Some(4));
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Error {
    problems: Vec<Diagnostic>,
    run: Option<Box<UnreadableRun>>,
}

impl Error {
    /// A run that was not judged, and what is known of it all the same.
    #[cfg(feature = "files")]
    pub(crate) const fn of_run(problems: Vec<Diagnostic>, run: Option<Box<UnreadableRun>>) -> Self {
        Self { problems, run }
    }

    /// Everything that is wrong.
    #[must_use]
    pub fn problems(&self) -> &[Diagnostic] {
        &self.problems
    }

    /// What is known of a run that was not judged: whose it is, and what became of the corners that could be read.
    #[must_use]
    pub fn run(&self) -> Option<&UnreadableRun> {
        self.run.as_deref()
    }
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, problem) in self.problems.iter().enumerate() {
            let end = if index == 0 { "" } else { "\n" };
            let word = match problem.severity {
                Severity::Warning => "warning",
                Severity::Error => "error",
            };
            write!(f, "{end}{word}[{}]: {}", problem.code, terminal(&problem.one_line()))?;
            if let Some(help) = &problem.help {
                write!(f, "\n  help: {}", terminal(help))?;
            }
        }
        Ok(())
    }
}

impl std::error::Error for Error {}

impl From<Vec<Diagnostic>> for Error {
    fn from(problems: Vec<Diagnostic>) -> Self {
        Self { problems, run: None }
    }
}

impl From<Diagnostic> for Error {
    fn from(problem: Diagnostic) -> Self {
        vec![problem].into()
    }
}

impl From<Box<UnreadableRun>> for Error {
    fn from(run: Box<UnreadableRun>) -> Self {
        Self { problems: run.all_problems().cloned().collect(), run: Some(run) }
    }
}

impl From<BadSamples> for Error {
    fn from(bad: BadSamples) -> Self {
        Diagnostic::error("bad-samples", bad.to_string()).into()
    }
}

#[cfg(feature = "history")]
impl From<crate::history::HistoryError> for Error {
    fn from(error: crate::history::HistoryError) -> Self {
        Diagnostic::error("history", error.to_string()).into()
    }
}
