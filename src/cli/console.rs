//! Standard error: problems of inputs and outputs. Results go to standard output, nothing else does.

use crate::diagnostic::{Diagnostic, Severity};
use crate::report::render_diagnostic;
use crate::report::terminal::Style;
use std::io::Write;

/// Writes to standard error and remembers whether anything was wrong.
#[derive(Debug)]
pub struct Console {
    style: Style,
    errors: u64,
}

impl Console {
    /// A console that colours as it was chosen.
    pub fn new() -> Self {
        let choice = anstream::AutoStream::choice(&std::io::stderr());
        let colour = choice != anstream::ColorChoice::Never;
        Self { style: Style { colour, ..Style::plain() }, errors: 0 }
    }

    /// Shows a problem of an input.
    pub fn show(&mut self, diagnostic: &Diagnostic) {
        if diagnostic.severity == Severity::Error {
            self.errors += 1;
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
        self.line(&format!("note: {}", crate::report::escape::terminal(text)));
    }

    /// Whether an error was shown.
    pub const fn has_errors(&self) -> bool {
        self.errors > 0
    }

    fn line(&self, text: &str) {
        // Nobody is left to tell when standard error is closed.
        let _ = writeln!(std::io::stderr().lock(), "{text}");
    }
}

/// Style of what goes to standard output.
pub fn stdout_style(every_check: bool) -> Style {
    let choice = anstream::AutoStream::choice(&std::io::stdout());
    Style { colour: choice != anstream::ColorChoice::Never, every_check }
}
