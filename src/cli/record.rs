//! `check --record`: judged runs into a history, some at a time.

use super::console::Console;
use super::drift::diagnostic;
use crate::check::RunOutcome;
use crate::disk::specs::Specs;
use crate::history::{Address, History, HistoryErrorKind, NewRecord, PackedJson};
use crate::report::TOOL;
use std::ffi::OsStr;

/// A history that runs are recorded in.
pub enum Recorder {
    /// Open.
    Open(Box<History>),
    /// It could not be opened or was lost; so many runs came since.
    Lost(usize),
}

impl Recorder {
    /// Opens a history; says why where it cannot be.
    pub fn open(address: &OsStr, console: &mut Console) -> Self {
        match Address::parse(address).and_then(|address| History::open_to_record(&address)) {
            Ok(history) => Self::Open(Box::new(history)),
            Err(error) => {
                console.show(&diagnostic(&error));
                Self::Lost(0)
            }
        }
    }

    /// Records judged runs together, each with its packed JSON.
    pub fn record(&mut self, runs: &[(&RunOutcome, &PackedJson)], specs: &Specs, console: &mut Console) {
        let history = match self {
            Self::Open(history) => history,
            Self::Lost(count) => {
                *count += runs.len();
                return;
            }
        };
        let loaded: Vec<_> = runs.iter().map(|(run, _)| specs.of(&run.product)).collect();
        let recorded = time::UtcDateTime::now();
        let new = runs.iter().zip(&loaded).map(|((outcome, json), loaded)| {
            let drift = loaded.as_ref().as_ref().ok().and_then(|loaded| loaded.spec.drift.as_ref());
            NewRecord { outcome, json, drift, tool: TOOL, recorded }
        });
        let new: Vec<NewRecord<'_>> = new.collect();
        let errors: Vec<_> = history.record_all(&new).into_iter().filter_map(Result::err).collect();
        for error in &errors {
            console.show(&diagnostic(error));
        }
        // Every try waits for seconds: once is enough.
        if errors.iter().any(|error| error.kind == HistoryErrorKind::Connection) {
            *self = Self::Lost(0);
        }
    }

    /// Names what was not recorded.
    pub fn finish(self, console: &mut Console) {
        match self {
            Self::Lost(1) => console.fault("1 run is not recorded: the history is not open"),
            Self::Lost(count) if count > 1 => {
                console.fault(&format!("{count} runs are not recorded: the history is not open"));
            }
            Self::Open(_) | Self::Lost(_) => {}
        }
    }
}
