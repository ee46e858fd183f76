//! Sweeps that a run lists and that are not there yet: one finding that tells all of them.
//!
//! **Why is a folder with missing sweeps unreadable, and not judged as far as it goes?** A listed sweep was promised.
//! What is to be judged without it is taken out of the list, and then the corner is `missing` by name. So a verdict
//! is never about less than its run says. With `--so-far` it may be, and says so: such corners are missing.

use super::discover::RunPlace;
use super::files::{MISSING, label};
use crate::diagnostic::Diagnostic;
use crate::quantity::listed;
use crate::run::{self, Run};
use std::collections::HashSet;
use std::fs;
use std::sync::Arc;

/// Names shown: a bench's week.
const SHOWN: usize = 100;

/// Puts one finding in the place of those of every missing sweep, before all others. `run_file` is the text of the run file.
pub fn gather(problems: Vec<Diagnostic>, run: &Run, place: &RunPlace, run_file: &[u8]) -> Vec<Diagnostic> {
    let (missing, mut others): (Vec<_>, Vec<_>) =
        problems.into_iter().partition(|problem| problem.code == MISSING);
    let absent: HashSet<String> =
        missing.iter().filter_map(|problem| Some(problem.place.as_ref()?.file.to_string())).collect();
    if absent.is_empty() {
        return others;
    }
    let files = || run.corners().iter().flat_map(|corner| &corner.entries).flat_map(|entry| &entry.files);
    let is_absent = |file: &str| absent.contains(&format!("{}/{file}", place.label));
    let names: Vec<&str> = files().map(String::as_str).filter(|file| is_absent(file)).collect();
    let counts = format!("still to collect: {} of {} sweeps", names.len(), files().count());
    let file: Arc<str> = label(&place.file).into();
    let finding = match (missing.as_slice(), names.as_slice()) {
        ([only], [name]) => Diagnostic::error(only.code, format!("{name}: {}; {counts}", only.message)),
        _ => Diagnostic::error("sweeps-missing", format!("{counts}: {}", listed(&names, SHOWN))),
    };
    let finding = finding.with_help(help(&names, place));
    let finding = match (run::parse(run_file, &file, &place.label), names.first()) {
        (Ok(raw), Some(first)) => raw.at_sweep(first, finding),
        _ => finding.in_file(&file),
    };
    others.insert(0, finding);
    others
}

/// What to do; names what was misspelt, where that shows.
fn help(names: &[&str], place: &RunPlace) -> String {
    let there: Vec<String> = fs::read_dir(place.folder())
        .into_iter()
        .flatten()
        .filter_map(|entry| entry.ok()?.file_name().into_string().ok())
        .collect();
    let meant = names.iter().find_map(|name| {
        let near = there.iter().find(|other| other.to_lowercase() == name.to_lowercase())?;
        Some(format!("`{near}` is there, `{name}` is listed: rename one of them"))
    });
    meant.unwrap_or_else(|| {
        format!(
            "save them in {} under these names; remove the entries of a corner that is not measured, which is then \
             missing by name and the others are judged",
            place.label
        )
    })
}
