//! `merge`: puts the JSON results of the shards of a `check` together.

use super::check::only_nothing;
use super::check_args::MergeArgs;
use super::console::Console;
use super::outputs::{cannot_write, commit, create, is_stdout};
use super::{NOT_PASSED, PASSED, UNREADABLE};
use crate::check::Verdict;
use crate::diagnostic::Diagnostic;
use crate::disk::files::{label, read_regular};
use crate::output::{Kind, OutputFile};
use crate::report::terminal::TerminalSpool;
use crate::report::{CannotMerge, Merger, ShardNote, Tally, order, shard_note};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Largest part, bytes.
const LIMIT: u64 = 4 << 30;

/// Runs the command.
pub fn merge(args: &MergeArgs, verbose: bool, console: &mut Console) -> u8 {
    let Some((notes, order)) = parts(&args.results, console) else { return UNREADABLE };
    let Some(tally) = put_together(args, &order, &notes, console) else { return UNREADABLE };
    if !args.json.as_deref().is_some_and(is_stdout) {
        let spool = TerminalSpool::new(console.stdout_style(verbose));
        let mut text = Vec::new();
        let told = spool.finish(&mut text, &tally);
        let told = told.and_then(|()| io::stdout().lock().write_all(&text));
        if let Err(error) = told.or_else(|error| match error.kind() {
            io::ErrorKind::BrokenPipe => Ok(()),
            _ => Err(error),
        }) {
            console.fault(&cannot_write(Path::new("-"), error));
        }
    }
    if console.has_errors() || notes.iter().any(|note| note.has_errors) {
        UNREADABLE
    } else if tally.verdict().is_none_or(Verdict::is_good) {
        PASSED
    } else {
        NOT_PASSED
    }
}

fn problem(path: &Path, error: &CannotMerge) -> Diagnostic {
    let file: Arc<str> = label(path).into();
    let mut problem =
        Diagnostic::error("cannot-merge", error.to_string()).in_file(&file).with_help(error.help());
    if let (CannotMerge::NoResult(_, Some((line, column))), Some(place)) = (error, &mut problem.place) {
        (place.line, place.column) = (Some(*line), Some(*column));
    }
    problem
}

fn read(path: &Path, bytes: &mut Vec<u8>, console: &mut Console) -> Option<()> {
    read_regular(path, &label(path).into(), LIMIT, bytes).map_err(|problem| console.show(&problem)).ok()
}

/// What the files say of themselves, and their order; `None` when they do not make a whole, which is told.
fn parts(paths: &[PathBuf], console: &mut Console) -> Option<(Vec<ShardNote>, Vec<PathBuf>)> {
    let (mut notes, mut bytes) = (Vec::new(), Vec::new());
    for path in paths {
        let Some(()) = read(path, &mut bytes, console) else { continue };
        match shard_note(&bytes) {
            Ok(note) => notes.push(note),
            Err(error) => console.show(&problem(path, &error)),
        }
    }
    if console.has_errors() {
        return None;
    }
    match order(&notes) {
        Err((index, error)) => {
            console.show(&problem(paths.get(index)?, &error));
            None
        }
        Ok((order, missing)) if missing.is_empty() => {
            let paths = order.iter().filter_map(|index| paths.get(*index).cloned()).collect();
            Some((notes, paths))
        }
        Ok((_, missing)) => {
            let missing: Vec<String> = missing.iter().map(ToString::to_string).collect();
            let of = notes.first().map_or(0, |note| note.of);
            console.fault(&format!(
                "part {} of {of} is missing: give the results of all parts",
                missing.join(", ")
            ));
            None
        }
    }
}

/// A sink for the result: the file asked for, or nothing.
enum Sink {
    File(Box<OutputFile>),
    Nothing(io::Sink),
}

impl Write for Sink {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match self {
            Self::File(file) => file.write(bytes),
            Self::Nothing(sink) => sink.write(bytes),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        match self {
            Self::File(file) => file.flush(),
            Self::Nothing(sink) => sink.flush(),
        }
    }
}

fn put_together(
    args: &MergeArgs,
    parts: &[PathBuf],
    notes: &[ShardNote],
    console: &mut Console,
) -> Option<Tally> {
    let path = args.json.as_deref().unwrap_or(Path::new("-"));
    let sink = match args.json.as_deref().map(|path| create(path, Kind::Json)).transpose() {
        Ok(Some(file)) => Sink::File(Box::new(file)),
        Ok(None) => Sink::Nothing(io::sink()),
        Err(text) => {
            console.fault(&text);
            return None;
        }
    };
    let failed = |error| cannot_write(path, error);
    let mut merger = Merger::new(sink).map_err(|error| console.fault(&failed(error))).ok()?;
    let mut bytes = Vec::new();
    for part in parts {
        read(part, &mut bytes, console)?;
        match merger.append(&bytes) {
            Ok(Ok(())) => {}
            Ok(Err(error)) => {
                console.fault(&failed(error));
                return None;
            }
            Err(error) => {
                console.show(&problem(part, &error));
                return None;
            }
        }
    }
    merger.tally.unreadable = notes.iter().map(|note| note.unreadable).sum();
    if merger.tally.runs.total() == 0 && notes.iter().any(|note| note.nothing_met) {
        let problem = only_nothing();
        console.fault(&problem.message);
        merger.append_error(&problem).map_err(|error| console.fault(&failed(error))).ok()?;
    }
    let (sink, tally) = merger.finish().map_err(|error| console.fault(&failed(error))).ok()?;
    if let Sink::File(file) = sink {
        commit(Ok(*file), console);
    }
    Some(tally)
}
