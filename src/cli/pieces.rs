//! What one run gives to the outputs of `check`, made in a worker thread.

use crate::check::RunOutcome;
use crate::disk::discover::RunPlace;
use crate::disk::judge::Trouble;
use crate::history::PackedJson;
use crate::report::annotation::Annotation;
use crate::report::html::{HtmlPlan, HtmlRun, HtmlWriter, html_run};
use crate::report::junit::{self, JunitWriter};
use crate::report::markdown::{RunMarkdown, markdown_run};
use crate::report::terminal::{RunText, Style, render_run};
use crate::report::{JsonWriter, run_json};
use std::io::{self, Write};
use std::sync::Arc;

/// Which pieces of a run are wanted.
#[derive(Debug, Clone)]
pub struct Wanted {
    pub(super) json: bool,
    /// Runs are recorded.
    pub(super) record: bool,
    pub(super) junit: bool,
    pub(super) html: Option<Arc<HtmlPlan>>,
    pub(super) markdown: bool,
    pub(super) text: Option<Style>,
    pub(super) notes: bool,
}

/// The pieces of one run, made in a worker thread.
pub struct Pieces {
    pub(super) json: io::Result<Vec<u8>>,
    /// What is recorded; `None` when nothing is, or when it could not be made.
    pub(super) packed: Option<PackedJson>,
    pub(super) junit: io::Result<Vec<u8>>,
    pub(super) html: Option<HtmlRun>,
    pub(super) markdown: Option<RunMarkdown>,
    pub(super) text: Option<RunText>,
    pub(super) notes: Vec<Annotation>,
}

impl Wanted {
    /// Whether a result shall tell what it rests on.
    pub const fn traces(&self) -> bool {
        self.json || self.record || self.html.is_some()
    }

    /// Whether corners shall carry what their plots are drawn from.
    pub const fn plots(&self) -> bool {
        self.html.is_some()
    }

    /// Makes the pieces of a judged run.
    pub fn pieces(&self, run: &RunOutcome) -> Pieces {
        let nothing = || Ok(Vec::new());
        let json = if self.json || self.record { run_json(run) } else { nothing() };
        let packed = json.as_ref().ok().filter(|_| self.record).map(|json| PackedJson::of(json));
        Pieces {
            json,
            packed,
            junit: if self.junit { junit::suite(run) } else { nothing() },
            html: self.html.as_ref().map(|plan| html_run(run, plan)),
            markdown: self.markdown.then(|| markdown_run(run)),
            text: self.text.map(|style| render_run(run, style)),
            notes: if self.notes { Annotation::of_run(run) } else { Vec::new() },
        }
    }

    /// Makes the JUnit suite of a run without a verdict.
    pub fn unread_suite(&self, place: &RunPlace, trouble: &Trouble) -> io::Result<Vec<u8>> {
        match &trouble.known {
            _ if !self.junit => Ok(Vec::new()),
            Some(known) => junit::unread_suite(known),
            None => junit::unreadable_suite(&place.name(), &trouble.problems),
        }
    }
}

impl Pieces {
    /// The run's object in the JSON result as it is recorded; `None` when nobody wants it.
    pub const fn packed(&self) -> Option<&PackedJson> {
        self.packed.as_ref()
    }

    /// Appends what an archive holds of them to its reports.
    pub fn append_to_archive<W: Write>(
        &self,
        json: &mut JsonWriter<W>,
        junit: &mut JunitWriter<W>,
        html: &mut HtmlWriter<W>,
    ) -> io::Result<()> {
        let again = |error: &io::Error| io::Error::new(error.kind(), error.to_string());
        json.append(self.json.as_ref().map_err(again)?)?;
        junit.append(self.junit.as_ref().map_err(again)?)?;
        self.html.clone().map_or(Ok(()), |piece| html.append(piece))
    }
}
