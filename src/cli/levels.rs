//! `levels`: how strongly a corner may be excited, frequency by frequency.

use super::console::Console;
use super::outputs::{apart, is_stdout, print, write_whole};
use super::sweep_args::LevelsArgs;
use super::{NOT_PASSED, PASSED, UNREADABLE};
use crate::check::SweepInput;
use crate::diagnostic::nearest;
use crate::disk::discover::{self, RunPlace};
use crate::disk::judge::{SweepReader, load};
use crate::disk::specs::Specs;
use crate::excitation::{LevelsOutcome, NoLevels, level_count, levels as compare};
use crate::output::Kind;
use crate::pieces::{Disagreement, read_entry};
use crate::report::{levels_csv, render_levels, write_levels_json};
use crate::run::{Run, SweepEntry};
use crate::sweep::Samples;
use std::collections::HashSet;
use std::io::Write;
use std::path::PathBuf;

/// Runs the command.
pub fn levels(args: &LevelsArgs, console: &mut Console) -> u8 {
    let outcome = match study(args, console) {
        Some(Ok(outcome)) => outcome,
        Some(Err(reason)) => {
            console.fault(&reason.to_string());
            return if reason.is_of_spec() { UNREADABLE } else { NOT_PASSED };
        }
        None => return UNREADABLE,
    };
    let has_profile = !outcome.survey.profile().is_empty();
    write(args, &outcome, has_profile, console);
    if console.has_errors() {
        UNREADABLE
    } else if has_profile {
        PASSED
    } else {
        let csv = args.csv.as_deref().map_or_else(String::new, |path| {
            format!(
                "; {} is not written",
                if is_stdout(path) { "CSV".into() } else { path.display().to_string() }
            )
        });
        console.fault(&format!(
            "no profile can be given: no level is shown to leave the result unchanged at three frequencies or more{csv}"
        ));
        NOT_PASSED
    }
}

/// Reads everything and compares. `None`: an input could not be read, or the command line is wrong; it was said.
fn study(args: &LevelsArgs, console: &mut Console) -> Option<Result<LevelsOutcome, NoLevels>> {
    if let Err(text) = apart(&[("--csv", &args.csv), ("--json", &args.json)]) {
        console.fault(&text);
        return None;
    }
    let place = place(&args.run, console)?;
    let specs = Specs::new(&args.specs).map_err(|problem| console.show(&problem)).ok()?;
    let (run, _) = match load(&place, &specs, &mut Vec::new()) {
        Ok(found) => found,
        Err(trouble) => {
            trouble.all().iter().for_each(|problem| console.show(problem));
            return None;
        }
    };
    let chosen = choose(args.corner.as_deref(), &run, console)?;
    compare_corner(chosen, &place, &run, console)
}

/// The one run of the argument.
fn place(argument: &PathBuf, console: &mut Console) -> Option<RunPlace> {
    let (places, problems) = discover::runs(std::slice::from_ref(argument));
    problems.iter().for_each(|problem| console.show(problem));
    match places.as_slice() {
        [one] if !console.has_errors() => Some(one.clone()),
        [] | [_] => None,
        [first, ..] => {
            console.fault(&format!(
                "{} holds {} runs, levels are found for one: name it, such as {}",
                argument.display(),
                places.len(),
                first.label
            ));
            None
        }
    }
}

/// Index of the corner in the spec.
fn choose(wanted: Option<&str>, run: &Run, console: &mut Console) -> Option<usize> {
    let spec = run.spec();
    let names = || spec.corners.iter().map(|corner| corner.name.as_str());
    if let Some(wanted) = wanted {
        let found = names().position(|name| name == wanted);
        if found.is_none() {
            let help = nearest(wanted, names()).map_or_else(
                || format!("the corners are {}", names().collect::<Vec<_>>().join(", ")),
                |near| format!("did you mean `{near}`?"),
            );
            console.fault(&format!("--corner: the spec has no corner `{wanted}`; {help}"));
        }
        return found;
    }
    let several: Vec<(usize, &str)> = names()
        .enumerate()
        .filter(|(i, _)| run.corners().get(*i).is_some_and(|sweeps| level_count(&sweeps.entries) > 1))
        .collect();
    match several.as_slice() {
        [(only, _)] => Some(*only),
        // Of a spec with one corner nothing else can be meant; what it lacks is said where it is compared.
        [] if spec.corners.len() == 1 => Some(0),
        [] => {
            console
                .fault("no corner of the run was swept at several levels; name one with --corner to see why");
            None
        }
        many => {
            let names: Vec<&str> = many.iter().map(|(_, name)| *name).collect();
            console.fault(&format!(
                "{} corners were swept at several levels, name one with --corner: {}",
                names.len(),
                names.join(", ")
            ));
            None
        }
    }
}

/// Reads the corner's sweeps, and those of the other corners to know copies.
fn compare_corner(
    chosen: usize,
    place: &RunPlace,
    run: &Run,
    console: &mut Console,
) -> Option<Result<LevelsOutcome, NoLevels>> {
    let spec = run.spec();
    let (corner, own) = (spec.corners.get(chosen)?, run.corners().get(chosen)?);
    let mut reader = SweepReader::default();
    let mut shared = HashSet::new();
    let mut all: Vec<(Samples, Option<Disagreement>)> = Vec::with_capacity(own.entries.len());
    for entry in &own.entries {
        let mut samples = Samples::default();
        let mut one = |piece: &SweepEntry, samples: &mut Samples| {
            reader.read_of_run(place, &piece.name(), &run.reading, samples)
        };
        match read_entry(entry, &mut samples, &mut one) {
            Ok(disagreement) => all.push((samples, disagreement)),
            Err(all) => {
                all.iter().flat_map(|(_, problems)| problems).for_each(|problem| console.show(problem))
            }
        }
    }
    if console.has_errors() {
        return None;
    }
    let mut other = Samples::default();
    for (_, sweeps) in run.corners().iter().enumerate().filter(|(i, _)| *i != chosen) {
        for entry in &sweeps.entries {
            // A run may be in the making: what another corner lacks does not matter here.
            let mut one = |piece: &SweepEntry, samples: &mut Samples| {
                reader.read_of_run(place, &piece.name(), &run.reading, samples)
            };
            match read_entry(entry, &mut other, &mut one) {
                Ok(_) => {
                    shared.insert(other.fingerprint());
                }
                Err(_) => console.note(&format!(
                    "{}/{} of another corner cannot be read and is passed over; `loopgauge lint` tells why",
                    place.label,
                    entry.name()
                )),
            }
        }
    }
    let inputs: Vec<SweepInput<'_>> = own
        .entries
        .iter()
        .zip(&all)
        .map(|(entry, (samples, disagreement))| SweepInput {
            entry,
            samples,
            fingerprint: samples.fingerprint(),
            disagreement: *disagreement,
        })
        .collect();
    Some(compare(&run.folder, spec.critical_point, corner, &inputs, &shared))
}

fn write(args: &LevelsArgs, outcome: &LevelsOutcome, has_profile: bool, console: &mut Console) {
    if let Some(path) = &args.json {
        write_whole(path, Kind::Json, console, |file| write_levels_json(file, outcome));
    }
    if let Some(path) = args.csv.as_ref().filter(|_| has_profile) {
        let csv = levels_csv(outcome);
        write_whole(path, Kind::Levels, console, |file| file.write_all(csv.as_bytes()));
    }
    let to_stdout = |path: &Option<PathBuf>| path.as_deref().is_some_and(is_stdout);
    if !to_stdout(&args.json) && !to_stdout(&args.csv) {
        let style = console.stdout_style(false);
        print(&render_levels(outcome, style), console);
    }
}
