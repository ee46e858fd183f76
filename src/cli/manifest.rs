//! What an archive says that its files do not: `manifest.json`.

use crate::diagnostic::{Diagnostic, Place};
use crate::disk::judge::Trouble;
use serde::{Deserialize, Serialize};

/// What a result says that the files do not.
#[derive(Debug, Default, Serialize, Deserialize)]
pub struct Manifest {
    pub format: u32,
    pub tool: String,
    /// The day that waivers were held against, `YYYY-MM-DD`.
    pub day: String,
    pub only: Vec<String>,
    /// Whether sweeps may be missing still.
    #[serde(default)]
    pub so_far: bool,
    /// The folder of the specs in the archive, or the one spec file.
    pub specs: String,
    /// The folder of the specs as it was reached.
    #[serde(default)]
    pub specs_folder: String,
    /// Whether there was a baseline.
    pub baseline: bool,
    pub runs: Vec<RunNames>,
    /// What kept runs from being found at all.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub problems: Vec<Told>,
}

/// A run in the archive, and how the result names it.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct RunNames {
    /// The run file in the archive; of an unread run it may not be there.
    pub file: String,
    /// Its folder, its run file and its spec, as they were reached.
    pub run: String,
    pub run_file: String,
    pub spec_file: String,
    /// Why it has no verdict; empty when it has one.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub unread: Vec<Told>,
}

/// A problem as it was told.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Told {
    pub code: String,
    pub file: Option<String>,
    pub line: Option<u64>,
    pub column: Option<u64>,
    pub key: Option<String>,
    pub message: String,
    pub help: Option<String>,
}

impl Told {
    /// Of a problem.
    pub fn of(problem: &Diagnostic) -> Self {
        let place = problem.place.as_ref();
        Self {
            code: problem.code.to_owned(),
            file: place.map(|place| place.file.to_string()),
            line: place.and_then(|place| place.line),
            column: place.and_then(|place| place.column),
            key: place.and_then(|place| place.key.clone()),
            message: problem.message.clone(),
            help: problem.help.clone(),
        }
    }

    /// The problem again, of the day when the archive was written.
    pub fn again(&self) -> Diagnostic {
        let message = format!("found when the archive was written: {}", self.message);
        let problem = Diagnostic::error("archive-unread", message);
        let place = self.file.as_ref().map(|file| Place {
            file: file.as_str().into(),
            line: self.line,
            column: self.column,
            key: self.key.clone(),
        });
        Diagnostic { place, help: self.help.clone(), ..problem }
    }
}

impl RunNames {
    /// Whether a run has today the troubles that it had when the archive was written.
    pub fn tells(&self, trouble: &Trouble) -> bool {
        trouble.each().map(Told::of).eq(self.unread.iter().cloned())
    }

    /// The troubles of then.
    pub fn troubles(&self) -> Trouble {
        Trouble::unknown(self.unread.iter().map(Told::again).collect())
    }
}
