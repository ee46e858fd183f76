//! The command line: arguments to requests, results to outputs. Inputs are read in `disk`, output files written in
//! [`crate::output`]; all other I/O of the tool is here.
//!
//! | file | what |
//! | --- | --- |
//! | `args`; `check_args`, `compare_args`, … | what may be typed: the commands; the options of each |
//! | `accept`, `begin`, `check`, `compare`, `drift`, `history`, `inspect`, `levels`, `lint`, `merge`, `predict` | a file per command |
//! | `compare_builds`, `drift_parts` | `compare --history`; which part moved, from the records of a history |
//! | `help` | chapters of the manual, and the help of commands |
//! | `schema` | also `completions` and `man` |
//! | `shard` | one part of the runs, for one of several machines |
//! | `outputs`, `pieces`, `output_paths` | feeds the reports of `check`; what a run gives to them; where they go |
//! | `archive`, `archived`, `manifest` | a result with all that it rests on in one file; the same taken apart again; what it says that its files do not |
//! | `record` | writes judged runs into a history |
//! | `threads` | as many as are asked for, and fit into memory |
//! | `progress` | how far the work is, on a terminal |
//! | `console` | standard error: problems of inputs |
//! | `secrets` | passwords on the command line, never echoed |

mod accept;
mod archive;
mod archived;
mod args;
mod begin;
mod check;
mod check_args;
mod compare;
mod compare_args;
mod compare_builds;
mod console;
mod critical_point;
mod drift;
mod drift_parts;
mod help;
mod history;
mod history_args;
mod inspect;
mod levels;
mod lint;
mod lint_args;
mod manifest;
mod merge;
mod output_paths;
mod outputs;
mod pieces;
mod predict;
mod predict_args;
mod progress;
mod record;
mod schema;
mod secrets;
mod setup_args;
mod shard;
mod sweep_args;
mod threads;

use args::{Cli, Command};
use clap::{CommandFactory, FromArgMatches};
use console::Console;
use std::ffi::OsString;
use std::process::ExitCode;

/// Exit status: everything judged passed or is waived.
const PASSED: u8 = 0;
/// Exit status: something was judged and did not pass.
const NOT_PASSED: u8 = 1;
/// Exit status: an input could not be read, an output not be written, or the command line is wrong.
const UNREADABLE: u8 = 2;

/// Runs the command line of this process.
#[must_use]
pub fn main() -> ExitCode {
    let words: Vec<OsString> = std::env::args_os().collect();
    let cli = match parse(&words) {
        Ok(Some(cli)) => cli,
        Ok(None) => {
            Console::new(false).fault(secrets::STRAY);
            return ExitCode::from(UNREADABLE);
        }
        Err(error) => {
            // Help and version go to standard output with status 0, mistakes to standard error with status 2.
            let status = if error.use_stderr() { UNREADABLE } else { PASSED };
            // A closed pipe leaves nobody to tell.
            let _ = error.print();
            return ExitCode::from(status);
        }
    };
    cli.color.write_global();
    let mut console = Console::new(cli.quiet);
    let status = match cli.command {
        Command::Check(args) => check::check(&args, cli.verbose, &mut console),
        Command::Drift(args) => drift::drift(&args, cli.verbose, &mut console),
        Command::History { command } => history::history(&command, &mut console),
        Command::Accept(args) => accept::accept(&args, &mut console),
        Command::Compare(args) => compare::compare(&args, &mut console),
        Command::Inspect(args) => inspect::inspect(&args, &mut console),
        Command::Levels(args) => levels::levels(&args, &mut console),
        Command::Predict(args) => predict::predict(&args, &mut console),
        Command::Lint(args) => lint::lint(&args, &mut console),
        Command::Merge(args) => merge::merge(&args, cli.verbose, &mut console),
        Command::Begin(args) => begin::begin(&args, &mut console),
        Command::Schema(args) => schema::schema(&args, &mut console),
        Command::Completions(args) => schema::completions(&args, &mut console),
        Command::Man(args) => schema::man(&args, &mut console),
        Command::Help(args) => help::help(&args, Cli::command(), &mut console),
    };
    ExitCode::from(status)
}

/// What was asked for; `None` where a password may stand at a place that would show it.
fn parse(words: &[OsString]) -> Result<Option<Cli>, clap::Error> {
    let read = |words: &[OsString]| {
        let matches = Cli::command().try_get_matches_from(words)?;
        let cli = Cli::from_arg_matches(&matches).map_err(|error| error.format(&mut Cli::command()));
        cli.map(|cli| (cli, matches))
    };
    match read(words) {
        Ok((cli, matches)) => Ok((!secrets::is_stray(&matches, words)).then_some(cli)),
        // A mistake is told of words that hold no password, as it echoes them.
        Err(error) if error.use_stderr() => read(&secrets::hidden(words)).map(|_| None),
        Err(error) => Err(error),
    }
}
