//! `inspect`: all crossings and margins of sweep files, without a spec.

use super::args::InspectArgs;
use super::console::Console;
use super::outputs::{is_stdout, print, write_whole};
use super::{PASSED, UNREADABLE};
use crate::diagnostic::Diagnostic;
use crate::disk::files::{YAML_LIMIT, label, read_regular};
use crate::disk::judge::SweepReader;
use crate::inspect::{Inspected, inspect as look};
use crate::output::Kind;
use crate::report::{render_inspect, render_plot, write_inspect_json};
use crate::sweep::{Reading, Samples};
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
            Err(problems) => problems.iter().for_each(|problem| console.show(problem)),
        }
    }
    write(args, &sweeps, &plots, console);
    if console.has_errors() { UNREADABLE } else { PASSED }
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
