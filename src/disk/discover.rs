//! Finds runs: a `run.yaml`, its folder, or folders searched for runs.

use super::files::label;
use crate::diagnostic::{Diagnostic, Severity};
use std::collections::HashSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use walkdir::WalkDir;

/// Name of the file that makes a folder a run.
pub const RUN_FILE: &str = "run.yaml";

/// Where a run is.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct RunPlace {
    /// Its folder as reached from the command line, with `/`.
    pub label: String,
    /// The run file.
    pub file: PathBuf,
}

impl RunPlace {
    /// The run of a run file.
    pub fn at(file: PathBuf) -> Self {
        let folder = file.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
        Self { label: label(folder), file }
    }

    #[cfg(feature = "cli")]
    /// What tells it from all others: its folder, or its run file where that has a name of its own.
    pub fn name(&self) -> String {
        let is_usual = self.file.file_name().is_some_and(|name| name == RUN_FILE);
        if is_usual { self.label.clone() } else { label(&self.file) }
    }

    /// Its folder.
    pub fn folder(&self) -> &Path {
        self.file.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."))
    }
}

/// All runs of the arguments, sorted, each once, and what could not be searched.
pub fn runs(arguments: &[PathBuf]) -> (Vec<RunPlace>, Vec<Diagnostic>) {
    let (mut places, mut problems) = (Vec::new(), Vec::new());
    for argument in arguments {
        let before = (places.len(), errors(&problems));
        let problem = |code, message: String| {
            let file: Arc<str> = label(argument).into();
            Diagnostic::error(code, message).in_file(&file)
        };
        if is_stdin(argument) {
            places.push(RunPlace::at(argument.clone()));
            continue;
        }
        match fs::metadata(argument) {
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
                problems.push(problem("run-missing", "there is no such file or folder".to_owned()));
            }
            Err(error) => problems.push(problem("run-unreadable", format!("cannot be read: {error}"))),
            Ok(found) if found.is_dir() => {
                search(argument, &mut places, &mut problems);
                if (places.len(), errors(&problems)) == before {
                    problems.push(
                        problem("no-run", format!("holds no {RUN_FILE}, nor does any folder below it"))
                            .with_help("name a run.yaml, its folder, or a folder above it"),
                    );
                }
            }
            Ok(_) => places.push(RunPlace::at(argument.clone())),
        }
    }
    let mut told = HashSet::new();
    problems.retain(|problem| told.insert(problem.one_line()));
    places.sort();
    let mut seen = HashSet::new();
    places.retain(|place| seen.insert(fs::canonicalize(&place.file).unwrap_or_else(|_| place.file.clone())));
    (places, problems)
}

/// Whether an argument is standard input; without a command line it is a file of that name.
fn is_stdin(argument: &Path) -> bool {
    cfg!(feature = "cli") && argument == Path::new("-")
}

fn errors(problems: &[Diagnostic]) -> usize {
    problems.iter().filter(|problem| problem.severity == Severity::Error).count()
}

fn search(folder: &Path, places: &mut Vec<RunPlace>, problems: &mut Vec<Diagnostic>) {
    for entry in WalkDir::new(folder) {
        match entry {
            Ok(entry) if entry.file_name() == RUN_FILE => places.push(RunPlace::at(entry.into_path())),
            Ok(entry) if entry.path_is_symlink() && entry.depth() > 0 && entry.path().is_dir() => {
                let file: Arc<str> = label(entry.path()).into();
                problems.push(
                    Diagnostic::warning("link-not-followed", "is a link to a folder, which is not searched")
                        .in_file(&file)
                        .with_help("name it as a RUN of its own to judge what is behind it"),
                );
            }
            Ok(_) => {}
            Err(error) => {
                let place = error.path().map_or_else(|| label(folder), label);
                let file: Arc<str> = place.into();
                problems.push(
                    Diagnostic::error("folder-unreadable", format!("cannot be searched: {error}"))
                        .in_file(&file),
                );
            }
        }
    }
}
