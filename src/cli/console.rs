//! Standard error: problems of inputs and outputs. Results go to standard output, nothing else does.

use super::progress::Progress;
use crate::diagnostic::{Diagnostic, Severity};
use crate::report::render_diagnostic;
use crate::report::terminal::Style;
use std::io::{IsTerminal, Write};

/// Writes to standard error and remembers whether anything was wrong.
#[derive(Debug)]
pub struct Console {
    style: Style,
    errors: u64,
    progress: Progress,
}

/// Columns of a terminal that does not tell its own.
const COLUMNS: usize = 80;

impl Console {
    /// A console that colours as it was chosen; a quiet one says errors alone.
    pub fn new(quiet: bool) -> Self {
        let choice = anstream::AutoStream::choice(&std::io::stderr());
        let colour = choice != anstream::ColorChoice::Never;
        let style = Style { colour, verdict_only: quiet, ..Style::plain() };
        Self { style, errors: 0, progress: Progress::silent() }
    }

    /// Counts steps of long work, on a terminal that can write a line over.
    pub fn begin_progress(&mut self, what: &'static str, all: usize) -> Progress {
        let is_dumb = std::env::var_os("TERM").is_none_or(|term| term == "dumb" || term.is_empty());
        if std::io::stderr().is_terminal() && !is_dumb && !self.style.verdict_only {
            self.progress = Progress::on_terminal(what, all);
        }
        self.progress.clone()
    }

    /// Style of what goes to standard output.
    pub fn stdout_style(&self, every_check: bool) -> Style {
        let choice = anstream::AutoStream::choice(&std::io::stdout());
        Style {
            colour: choice != anstream::ColorChoice::Never,
            every_check,
            verdict_only: self.style.verdict_only,
            width: stdout_width(),
        }
    }

    /// Shows a problem of an input.
    pub fn show(&mut self, diagnostic: &Diagnostic) {
        if diagnostic.severity == Severity::Error {
            self.errors += 1;
        } else if self.style.verdict_only {
            return;
        }
        self.line(render_diagnostic(diagnostic, self.style).trim_end());
    }

    /// Says what went wrong with an output or a request.
    pub fn fault(&mut self, text: &str) {
        self.errors += 1;
        self.line(&format!("error: {}", crate::report::escape::terminal(text)));
    }

    /// Says something that is no error.
    pub fn note(&self, text: &str) {
        if self.style.verdict_only {
            return;
        }
        self.line(&format!("note: {}", crate::report::escape::terminal(text)));
    }

    /// The same with lines of their own below.
    pub fn note_with_lines(&self, text: &str, lines: &str) {
        self.note(text);
        if !self.style.verdict_only {
            lines.lines().for_each(|line| self.line(&crate::report::escape::terminal(line)));
        }
    }

    /// Whether an error was shown.
    pub const fn has_errors(&self) -> bool {
        self.errors > 0
    }

    fn line(&self, text: &str) {
        self.progress.clear();
        // Nobody is left to tell when standard error is closed.
        let _ = writeln!(std::io::stderr().lock(), "{text}");
    }
}

/// Columns of the terminal that standard output is; `None` when it is none. `COLUMNS` comes before what the terminal tells.
fn stdout_width() -> Option<usize> {
    if !std::io::stdout().is_terminal() {
        return None;
    }
    let asked = std::env::var("COLUMNS").ok().and_then(|columns| columns.trim().parse::<usize>().ok());
    let told = || terminal_size::terminal_size_of(std::io::stdout()).map(|(width, _)| usize::from(width.0));
    Some(
        asked.filter(|columns| *columns > 0).or_else(|| told().filter(|width| *width > 0)).unwrap_or(COLUMNS),
    )
}
