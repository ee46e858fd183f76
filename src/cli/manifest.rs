//! What an archive says that its files do not: `manifest.json`.

use crate::check::RunOutcome;
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
    /// What the run comes to, its files named as they were then. One that had no verdict then has none now, whatever is in the archive of it.
    /// `named` are the run file and the folder of the specs, as they are now and as they were.
    ///
    /// # Errors
    /// Why it has no verdict.
    pub fn as_then(
        &self,
        judged: Result<Option<RunOutcome>, Trouble>,
        named: [(&str, &str); 2],
    ) -> Result<Option<RunOutcome>, Trouble> {
        match judged {
            Ok(run) if self.unread.is_empty() => Ok(run.map(|mut run| {
                run.run_file.clone_from(&self.run_file);
                run.spec_file.clone_from(&self.spec_file);
                run
            })),
            Ok(_) => Err(self.troubles()),
            Err(mut trouble) => {
                rename(&mut trouble, named);
                let is_known = self.unread.is_empty() || self.tells(&trouble);
                Err(if is_known { trouble } else { self.troubles() })
            }
        }
    }

    /// Whether a run has today the troubles that it had when the archive was written.
    fn tells(&self, trouble: &Trouble) -> bool {
        trouble.each().map(Told::of).eq(self.unread.iter().cloned())
    }

    /// The troubles of then.
    fn troubles(&self) -> Trouble {
        Trouble::unknown(self.unread.iter().map(Told::again).collect())
    }
}

/// Names the files of a run's troubles as they were named then.
fn rename(trouble: &mut Trouble, named: [(&str, &str); 2]) {
    let renamed =
        |text: &str| named.iter().fold(text.to_owned(), |text, (now, then)| text.replace(now, then));
    let rename = |problem: &mut Diagnostic| {
        problem.message = renamed(&problem.message);
        problem.help = problem.help.as_deref().map(renamed);
        if let Some(place) = &mut problem.place {
            place.file = renamed(&place.file).into();
        }
    };
    trouble.problems.iter_mut().for_each(rename);
    if let Some((file, problems)) = &mut trouble.spec {
        *file = renamed(file);
        problems.iter_mut().for_each(rename);
    }
    if let Some(known) = &mut trouble.known {
        known.problems.iter_mut().for_each(rename);
        known.unread.iter_mut().flat_map(|corner| &mut corner.problems).for_each(rename);
        known.rest.run_file = renamed(&known.rest.run_file);
        known.rest.spec_file = renamed(&known.rest.spec_file);
    }
}
