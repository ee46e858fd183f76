//! `inspect`: all crossings and margins of sweep files, without a spec, or beside the limits of one.

use super::console::Console;
use super::outputs::{is_stdout, print, write_whole};
use super::sweep_args::InspectArgs;
use super::{PASSED, UNREADABLE};
use crate::diagnostic::{Diagnostic, nearest};
use crate::disk::files::{SWEEP_LIMIT, YAML_LIMIT, label, read_regular};
use crate::disk::judge::SweepReader;
use crate::disk::specs::Disk;
use crate::disk::stdin::once;
use crate::inspect::{Inspected, inspect as look};
use crate::output::Kind;
use crate::report::{render_inspect, render_plot, write_inspect_json};
use crate::spec::{self, Corner, CriticalPoint, LoadedSpec, Spec};
use crate::sweep::{Proposal, Reading, Samples, propose};
use std::path::Path;
use std::sync::Arc;

/// Corners that are named in a message, at most.
const SHOWN: usize = 20;

/// How the sweeps are read and what they are held against.
struct Asked {
    reading: Reading,
    critical_point: CriticalPoint,
    spec: Option<(LoadedSpec, usize)>,
}

/// Runs the command.
pub fn inspect(args: &InspectArgs, console: &mut Console) -> u8 {
    let beside = [&args.spec, &args.reading].into_iter().flatten();
    if let Err(text) = once(&args.sweeps.iter().chain(beside).collect::<Vec<_>>()) {
        console.fault(&text);
        return UNREADABLE;
    }
    let asked = match asked(args) {
        Ok(asked) => asked,
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
        match reader.read(path, &shown, &asked.reading, &mut samples) {
            Ok(()) => {
                let seen = look(&shown, &samples, asked.critical_point);
                plots.push(if draws {
                    render_plot(&samples, &seen, asked.critical_point, style)
                } else {
                    String::new()
                });
                let corner = asked
                    .spec
                    .as_ref()
                    .and_then(|(loaded, at)| Some((loaded.spec.as_ref(), loaded.spec.corners.get(*at)?)));
                let seen = match corner {
                    Some((spec, corner)) => seen.against(spec, corner, &samples),
                    None => seen,
                };
                sweeps.push(changed(seen, args, &samples, (asked.critical_point, corner), console));
            }
            Err(problems) => {
                problems.iter().for_each(|problem| console.show(problem));
                // Who declares a reading means that one.
                if args.reading.is_none() && args.spec.is_none() {
                    tell_proposal(path, &shown, console);
                }
            }
        }
    }
    write(args, &sweeps, &plots, console);
    if console.has_errors() { UNREADABLE } else { PASSED }
}

/// The same with the changes asked for, as far as the samples carry them.
fn changed(
    seen: Inspected,
    args: &InspectArgs,
    samples: &Samples,
    (critical_point, against): (CriticalPoint, Option<(&Spec, &Corner)>),
    console: &mut Console,
) -> Inspected {
    if args.with.is_empty() {
        return seen;
    }
    match seen.clone().with(&args.with, samples, critical_point, against) {
        Ok(with) => with,
        Err(error) => {
            console.fault(&format!("{}: --with: {error}", seen.file));
            seen
        }
    }
}

fn asked(args: &InspectArgs) -> Result<Asked, Vec<Diagnostic>> {
    if let Some(path) = &args.spec {
        let file = label(path);
        let loaded = spec::load(&file, &Disk::file(path))?;
        let corner = corner(&loaded.spec, args.corner.as_deref()).map_err(|(message, help)| {
            vec![Diagnostic::error("inspect-corner", message).in_file(&file.as_str().into()).with_help(help)]
        })?;
        let (reading, critical_point) = (loaded.spec.reading.clone(), loaded.spec.critical_point);
        return Ok(Asked { reading, critical_point, spec: Some((loaded, corner)) });
    }
    let reading = args.reading.as_deref().map(load_reading).transpose()?.unwrap_or_default();
    // The command line has one of the two.
    let critical_point = args.critical_point.unwrap_or(CriticalPoint::PlusOne);
    Ok(Asked { reading, critical_point, spec: None })
}

/// The corner that is meant: the one named, or any where all ask for the same.
fn corner(spec: &Spec, named: Option<&str>) -> Result<usize, (String, String)> {
    let names = || spec.corners.iter().map(|corner| corner.name.as_str());
    let list = || names().take(SHOWN).collect::<Vec<_>>().join(", ");
    if let Some(wanted) = named {
        return names().position(|name| name == wanted).ok_or_else(|| {
            let help = match nearest(wanted, names()) {
                Some(near) => format!("did you mean `{near}`?"),
                None => format!("corners: {}", list()),
            };
            (format!("--corner: the spec has no corner `{wanted}`"), help)
        });
    }
    let alike = spec.corners.windows(2).all(|pair| match pair {
        [a, b] => a.limits == b.limits && a.band == b.band && a.density == b.density,
        _ => true,
    });
    if alike {
        return Ok(0);
    }
    Err(("its corners have different limits".to_owned(), format!("name one with --corner: {}", list())))
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
