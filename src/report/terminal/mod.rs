//! Results for people: the verdict and all counts first, then what is not a pass, worst first, then a line per run.
//!
//! Plain sentences, indented by what belongs to what. Colours repeat what the words say and never stand alone.

mod columns;
mod overview;
pub mod palette;
mod run_text;
mod spool;
mod wrap;

pub(in crate::report) use columns::{Side, columns};
pub use run_text::{RunText, render_run};
pub use spool::TerminalSpool;
pub(in crate::report) use spool::write_table;
pub(in crate::report) use wrap::wrap;

/// How text is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Style {
    /// Whether colours are used.
    pub colour: bool,
    /// Whether checks that pass are listed too.
    pub every_check: bool,
    /// Whether the verdict is all that is wanted.
    pub verdict_only: bool,
    /// Columns of the terminal; `None` where text is not broken to fit one.
    pub width: Option<usize>,
}

impl Style {
    /// No colours, what is not a pass.
    #[must_use]
    pub const fn plain() -> Self {
        Self { colour: false, every_check: false, verdict_only: false, width: None }
    }
}
