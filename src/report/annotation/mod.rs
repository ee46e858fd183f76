//! Problems and failed checks as notes at a place in a file, for editors and code review: one per cause, the words of
//! `statement` and of the diagnostics.
//!
//! | file | what |
//! | --- | --- |
//! | `commands` | a line per note, as the runners of one CI service read them from a log |
//! | `sarif` | SARIF 2.1.0 (OASIS Standard, 2020) |

mod commands;
mod sarif;

pub use commands::WorkflowCommands;
pub use sarif::SarifWriter;

use super::statement::{alike, calls_for_action, count_of, names, rank, title};
use crate::check::{CheckOutcome, CornerOutcome, RunOutcome, Verdict};
use crate::diagnostic::{Diagnostic, Severity};

/// One thing that somebody has to look at, and where.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Annotation {
    /// How bad it is: 0 for the worst. A file that cannot be read comes first, then the verdicts in their order.
    pub rank: usize,
    /// Whether it is a mistake or a failure, else a warning.
    pub is_error: bool,
    /// What kind of problem: the name of the check without its place, or the code of the diagnostic.
    pub rule: String,
    /// What it is about: unit, corner and checks, or nothing.
    pub title: String,
    /// What was seen, what was wanted.
    pub message: String,
    /// What to do.
    pub to_do: Option<String>,
    /// The file, as reached from the command line, with `/`; `None` where it is no place in a file.
    pub file: Option<String>,
    /// Line, 1-based.
    pub line: Option<u64>,
    /// Column in characters, 1-based; `None` where columns count fields.
    pub column: Option<u64>,
    /// The same from run to run of the program as long as it is the same thing.
    pub identity: String,
}

/// Rank of what could not be read.
const UNREAD: usize = 0;

impl Annotation {
    /// Of a problem of an input.
    #[must_use]
    pub fn of_problem(problem: &Diagnostic) -> Self {
        let place = problem.place.as_ref();
        let is_error = problem.severity == Severity::Error;
        let key = place.and_then(|place| place.key.as_deref()).filter(|key| !key.is_empty());
        // In a sweep the column is the number of the field.
        let counts_characters =
            place.is_some_and(|place| [".yaml", ".yml"].iter().any(|end| place.file.ends_with(end)));
        let file = place.map(|place| place.file.to_string());
        Self {
            rank: if is_error { UNREAD } else { Verdict::ALL.len() + 1 },
            is_error,
            rule: problem.code.to_owned(),
            title: key.map(str::to_owned).unwrap_or_default(),
            message: problem.message.clone(),
            to_do: problem.help.clone(),
            line: place.and_then(|place| place.line),
            column: place.and_then(|place| place.column).filter(|_| counts_characters),
            identity: [
                file.as_deref().unwrap_or_default(),
                key.unwrap_or_default(),
                problem.code,
                &problem.message,
            ]
            .join("\n"),
            file,
        }
    }

    /// What a run calls for: a note per cause. Checks that hang on another one are told with it, and so are corners where the same is to be
    /// done about the same check that has no value.
    #[must_use]
    pub fn of_run(run: &RunOutcome) -> Vec<Self> {
        let mut causes: Vec<Cause<'_>> = Vec::new();
        for corner in &run.corners {
            for checks in alike(corner) {
                let Some(first) = checks.first().copied().filter(|first| calls_for_action(first.verdict))
                else {
                    continue;
                };
                let own = Cause { corners: vec![corner], checks, first };
                match causes.iter_mut().find(|cause| cause.is_same(&own)) {
                    Some(cause) => cause.corners.push(corner),
                    None => causes.push(own),
                }
            }
        }
        causes.iter().map(|cause| cause.told(run)).collect()
    }

    /// The message and what to do, one sentence.
    #[must_use]
    pub fn text(&self) -> String {
        match &self.to_do {
            Some(to_do) => format!("{}; to do: {to_do}", self.message),
            None => self.message.clone(),
        }
    }
}

/// Checks of one corner that say the same, and the other corners that call for the same.
struct Cause<'a> {
    corners: Vec<&'a CornerOutcome>,
    checks: Vec<&'a CheckOutcome>,
    first: &'a CheckOutcome,
}

impl Cause<'_> {
    fn is_same(&self, other: &Self) -> bool {
        let (a, b) = (self.first, other.first);
        let asks = |check: &CheckOutcome| check.value.is_none() && check.remedy.is_some();
        asks(a)
            && (a.verdict, &a.remedy, a.value) == (b.verdict, &b.remedy, b.value)
            && names(&self.checks) == names(&other.checks)
    }

    fn told(&self, run: &RunOutcome) -> Annotation {
        let file = self.corners.first().and_then(|corner| corner.judged.as_ref()?.files.first());
        let (names, first) = (names(&self.checks), self.first);
        let corners: Vec<&str> = self.corners.iter().map(|corner| corner.corner.as_str()).collect();
        let more = match corners.len() - 1 {
            0 => String::new(),
            more => format!(
                " ({}; the same at {})",
                corners.first().unwrap_or(&""),
                count_of(more as u64, "other corner")
            ),
        };
        let corners = corners.join(", ");
        Annotation {
            rank: UNREAD + 1 + rank(first.verdict),
            is_error: true,
            rule: rule(&first.check).to_owned(),
            title: format!("{}, {corners}: {names} {}", title(run), first.verdict),
            message: format!("{}{more}", first.message),
            to_do: first.remedy.clone(),
            file: Some(file.map_or_else(|| run.run_file.clone(), |file| in_folder(&run.run, file))),
            line: None,
            column: None,
            identity: [&run.product, &run.serial, &corners, &names].map(String::as_str).join("\n"),
        }
    }
}

/// A check's name without its place: `gain` of `gain@120Hz`.
fn rule(check: &str) -> &str {
    check.split('@').next().unwrap_or(check)
}

fn in_folder(folder: &str, file: &str) -> String {
    if folder == "." { file.to_owned() } else { format!("{}/{file}", folder.trim_end_matches('/')) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;

    #[test]
    fn a_cause_is_one_note_at_the_sweep_it_was_read_from() {
        let run = sample::run();
        let notes = Annotation::of_run(&run);
        assert!(!notes.is_empty());
        let calling = run
            .corners
            .iter()
            .flat_map(|corner| &corner.checks)
            .filter(|c| calls_for_action(c.verdict))
            .count();
        assert!(notes.len() <= calling, "{notes:#?}");
        for note in &notes {
            let file = note.file.as_deref().unwrap();
            assert!(file.starts_with(&run.run) || file == run.run_file, "{file}");
            assert!(note.title.starts_with(&run.serial) && !note.message.is_empty(), "{note:?}");
        }
        let mut identities: Vec<&str> = notes.iter().map(|note| note.identity.as_str()).collect();
        identities.dedup();
        assert_eq!(identities.len(), notes.len());
    }

    #[test]
    fn a_column_of_a_sweep_is_no_column_of_a_text() {
        let problem = |file: &str| {
            let mut problem = Diagnostic::error("not-a-number", "`x` is no number").in_file(&file.into());
            if let Some(place) = &mut problem.place {
                (place.line, place.column) = (Some(7), Some(2));
            }
            Annotation::of_problem(&problem)
        };
        assert_eq!((problem("a/run.yaml").line, problem("a/run.yaml").column), (Some(7), Some(2)));
        assert_eq!((problem("a/24v.csv").line, problem("a/24v.csv").column), (Some(7), None));
    }
}
