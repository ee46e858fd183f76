//! `check --record`: judged runs into a history, run by run.

use super::console::Console;
use super::drift::diagnostic;
use super::specs::Specs;
use crate::check::RunOutcome;
use crate::history::{Address, History, HistoryErrorKind, NewRecord};
use crate::report::TOOL;
use std::ffi::OsStr;

/// A history that runs are recorded in.
pub enum Recorder {
    /// Open.
    Open(Box<History>),
    /// It could not be opened or was lost: what comes is named as not recorded.
    Lost,
}

impl Recorder {
    /// Opens a history; says why where it cannot be.
    pub fn open(address: &OsStr, console: &mut Console) -> Self {
        match Address::parse(address).and_then(|address| History::open_to_record(&address)) {
            Ok(history) => Self::Open(Box::new(history)),
            Err(error) => {
                console.show(&diagnostic(&error));
                Self::Lost
            }
        }
    }

    /// Records a judged run, as one transaction; `json` is its object in the JSON result.
    pub fn record(&mut self, run: &RunOutcome, json: &[u8], specs: &Specs, console: &mut Console) {
        let Self::Open(history) = self else {
            console.fault(&format!("{}: is not recorded, the history is not open", run.run));
            return;
        };
        let loaded = specs.of(&run.product);
        let drift = loaded.as_ref().as_ref().ok().and_then(|loaded| loaded.spec.drift.as_ref());
        let recorded = time::UtcDateTime::now();
        let new = NewRecord { outcome: run, json, drift, tool: TOOL, recorded };
        if let Err(error) = history.record(&new) {
            console.show(&diagnostic(&error));
            // Every try waits for seconds: once is enough.
            if error.kind == HistoryErrorKind::Connection {
                *self = Self::Lost;
            }
        }
    }
}
