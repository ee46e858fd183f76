//! `inspect`: all crossings and margins of sweep files, without a spec.

use super::args::InspectArgs;
use super::console::Console;
use super::outputs::{is_stdout, print, write_whole};
use super::{PASSED, UNREADABLE};
use crate::diagnostic::Diagnostic;
use crate::disk::files::{SWEEP_LIMIT, YAML_LIMIT, label, read_regular};
use crate::disk::judge::SweepReader;
use crate::inspect::{Inspected, inspect as look};
use crate::output::Kind;
use crate::report::{render_inspect, render_plot, write_inspect_json};
use crate::sweep::{Proposal, Reading, Samples, propose};
use std::path::Path;
use std::sync::Arc;

/// Runs the command.
pub fn inspect(args: &InspectArgs, console: &mut Console) -> u8 {
    let reading = match args.reading.as_deref().map(load_reading).transpose() {
        Ok(reading) => reading.unwrap_or_default(),
        Err(problems) => {
            problems.iter().for_each(|problem| console.show(problem));
            return UNREADABLE;
        }
    };
    let (mut reader, mut samples) = (SweepReader::default(), Samples::default());
    let (mut sweeps, mut plots): (Vec<Inspected>, Vec<String>) = (Vec::new(), Vec::new());
    let style = console.stdout_style(false);
    let draws = args.plot || style.width.is_some() && !style.verdict_only;
    for path in &args.sweeps {
        let shown: Arc<str> = label(path).into();
        match reader.read(path, &shown, &reading, &mut samples) {
            Ok(()) => {
                let seen = look(&shown, &samples, args.critical_point);
                plots.push(if draws {
                    render_plot(&samples, &seen, args.critical_point, style)
                } else {
                    String::new()
                });
                sweeps.push(seen);
            }
            Err(problems) => {
                problems.iter().for_each(|problem| console.show(problem));
                // Who declares a reading means that one.
                if args.reading.is_none() {
                    tell_proposal(path, &shown, console);
                }
            }
        }
    }
    write(args, &sweeps, &plots, console);
    if console.has_errors() { UNREADABLE } else { PASSED }
}

/// Shows the `reading` that would read a file; it is never used by itself.
fn tell_proposal(path: &Path, shown: &Arc<str>, console: &mut Console) {
    let mut bytes = Vec::new();
    if read_regular(path, shown, SWEEP_LIMIT, &mut bytes).is_err() {
        return;
    }
    match propose(&bytes) {
        Proposal::Nothing => {}
        Proposal::One(block) => console.note_with_lines(
            &format!(
                "one reading makes sense of all rows of {shown}. It is a proposal and not used: hold it against what the \
                 instrument wrote, then put it into the run, the spec or a file for --reading"
            ),
            &block,
        ),
        Proposal::Several([one, other]) => console.note_with_lines(
            &format!(
                "more than one reading makes sense of {shown}, so that none is proposed; declare the one that the instrument \
                 wrote. Two of them"
            ),
            &(one + &other),
        ),
    }
}

fn load_reading(path: &Path) -> Result<Reading, Vec<Diagnostic>> {
    let shown: Arc<str> = label(path).into();
    let mut bytes = Vec::new();
    read_regular(path, &shown, YAML_LIMIT, &mut bytes).map_err(|problem| vec![problem])?;
    crate::spec::load_reading(&bytes, &shown)
}

fn write(args: &InspectArgs, sweeps: &[Inspected], plots: &[String], console: &mut Console) {
    let to_stdout = args.json.as_deref().is_some_and(is_stdout);
    if let Some(path) = &args.json {
        write_whole(path, Kind::Json, console, |file| write_inspect_json(file, sweeps));
    }
    if !to_stdout {
        let style = console.stdout_style(false);
        let text: String =
            sweeps.iter().zip(plots).map(|(sweep, plot)| render_inspect(sweep, style) + plot).collect();
        print(&text, console);
    }
}
