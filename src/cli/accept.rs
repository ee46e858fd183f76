//! `accept`: stores judged runs as the baseline that `check --baseline` compares with.

use super::check::internal;
use super::check_args::AcceptArgs;
use super::console::Console;
use super::outputs::{cannot_write, print};
use super::{NOT_PASSED, PASSED, UNREADABLE};
use crate::baseline::{self, AcceptedUnit};
use crate::check::{Options, RunOutcome, Verdict, accept as accepted_unit};
use crate::diagnostic::Diagnostic;
use crate::disk::baselines;
use crate::disk::discover::{self, RunPlace};
use crate::disk::files::label;
use crate::disk::judge::{Bench, judge};
use crate::disk::specs::Specs;
use crate::disk::today;
use crate::output::{Kind, OutputFile};
use crate::report::{TOOL, escape};
use rayon::prelude::*;
use std::collections::{BTreeMap, BTreeSet};
use std::io::Write;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::sync::Arc;

/// What a run came to.
enum Done {
    /// Ready to be written.
    Ready(Box<Ready>),
    /// It is not accepted: its product and why.
    Refused {
        product: String,
        text: String,
    },
    Trouble(Vec<Diagnostic>),
}

struct Ready {
    unit: AcceptedUnit,
    text: String,
    verdict: Verdict,
    /// Corners that gave no values.
    left_out: Vec<String>,
}

/// Runs the command.
pub fn accept(args: &AcceptArgs, console: &mut Console) -> u8 {
    let anyway = args.anyway.as_deref().map(str::trim);
    if anyway.is_some_and(|reason| reason.is_empty() || reason.chars().any(char::is_control)) {
        console.fault("--anyway wants a reason on one line, such as --anyway \"ECO 17 pending\"");
        return UNREADABLE;
    }
    let specs = match Specs::new(&args.specs) {
        Ok(specs) => specs,
        Err(problem) => {
            console.show(&problem);
            return UNREADABLE;
        }
    };
    let (places, problems) = discover::runs(&args.runs);
    problems.iter().for_each(|problem| console.show(problem));
    let done: Vec<Done> = places
        .par_iter()
        .map_init(Bench::default, |bench, place| guarded(place, &specs, anyway, bench))
        .collect();
    let mut store = Store { args, places: &places, written: BTreeMap::new(), not_whole: BTreeSet::new() };
    let (refused, mut text) = store.write(done, console);
    if args.replace {
        text.push_str(&store.replace(console));
    }
    print(&text, console);
    if console.has_errors() {
        UNREADABLE
    } else if refused {
        NOT_PASSED
    } else {
        PASSED
    }
}

/// A fault of the program in one run is reported as such and does not stop the others.
fn guarded(place: &RunPlace, specs: &Specs, anyway: Option<&str>, bench: &mut Bench) -> Done {
    catch_unwind(AssertUnwindSafe(|| one(place, specs, anyway, bench))).unwrap_or_else(|_| {
        *bench = Bench::default();
        Done::Trouble(vec![internal(place)])
    })
}

/// Judges a run and puts it into words.
fn one(place: &RunPlace, specs: &Specs, anyway: Option<&str>, bench: &mut Bench) -> Done {
    let options = Options { keep: true, ..Options::new(today()) };
    let run = match judge(place, specs, None, &options, true, bench) {
        Ok(Some(run)) => run,
        Ok(None) => return Done::Trouble(Vec::new()),
        Err(trouble) => return Done::Trouble(trouble.all()),
    };
    if !run.verdict.is_good() && anyway.is_none() {
        let text = format!(
            "the verdict is {}; `loopgauge check {}` tells why, and --anyway \"reason\" stores it all the same",
            run.verdict.word().replace('_', " "),
            escape::terminal(&run.run)
        );
        return Done::Refused { product: run.product, text };
    }
    ready(place, &run, specs, anyway)
}

fn ready(place: &RunPlace, run: &RunOutcome, specs: &Specs, anyway: Option<&str>) -> Done {
    let loaded = specs.of(&run.product);
    let unit = loaded.as_ref().as_ref().ok().and_then(|spec| accepted_unit(run, &spec.spec, TOOL, anyway));
    let Some(unit) = unit.filter(|unit| !unit.corners.is_empty()) else {
        let text = "no corner of it gave values: there is nothing to store".to_owned();
        return Done::Refused { product: run.product.clone(), text };
    };
    let text = baseline::text(&unit);
    // What is written must be readable: a file that is too large would stop every later check.
    let file: Arc<str> = place.label.as_str().into();
    if let Err(mut problems) = baseline::parse(text.as_bytes(), &file) {
        problems.truncate(1);
        let message = "its accepted result cannot be stored: it would not be readable again";
        problems.push(
            Diagnostic::error("baseline-unreadable", message).in_file(&file).with_help("split the spec"),
        );
        return Done::Trouble(problems);
    }
    let kept: BTreeSet<&str> = unit.corners.iter().map(|corner| corner.name.as_str()).collect();
    let left_out = run.corners.iter().map(|corner| corner.corner.clone());
    let left_out = left_out.filter(|name| !kept.contains(name.as_str())).collect();
    Done::Ready(Box::new(Ready { unit, text, verdict: run.verdict, left_out }))
}

struct Store<'a> {
    args: &'a AcceptArgs,
    places: &'a [RunPlace],
    /// Files written, by product.
    written: BTreeMap<String, BTreeSet<PathBuf>>,
    /// Products of which something was not accepted.
    not_whole: BTreeSet<String>,
}

impl Store<'_> {
    /// Writes what is ready; tells whether a run was refused, and a line for each.
    fn write(&mut self, done: Vec<Done>, console: &mut Console) -> (bool, String) {
        let twice = self.twice(&done);
        let (mut refused, mut text) = (false, String::new());
        for (place, done) in self.places.iter().zip(done) {
            let run = escape::terminal(&place.label);
            match done {
                Done::Ready(ready) => {
                    if let Some(others) = twice.get(&(ready.unit.product.clone(), ready.unit.serial.clone()))
                    {
                        self.not_whole.insert(ready.unit.product.clone());
                        console.fault(&format!(
                            "{}: several runs are of the unit {} of {}: {}; accept one of them",
                            place.label,
                            ready.unit.serial,
                            ready.unit.product,
                            others.join(", ")
                        ));
                    } else if let Some(line) = self.store(&ready, console) {
                        text.push_str(&format!("{run}: {line}\n"));
                    }
                }
                Done::Refused { product, text: why } => {
                    refused = true;
                    self.not_whole.insert(product);
                    text.push_str(&format!("{run}: not accepted: {why}\n"));
                }
                Done::Trouble(problems) => {
                    problems.iter().for_each(|problem| console.show(problem));
                    if problems.is_empty() {
                        console.fault(&format!("{}: could not be judged", place.label));
                    }
                }
            }
        }
        (refused, text)
    }

    /// Units that several runs are of: which one would count is nobody's guess.
    fn twice(&self, done: &[Done]) -> BTreeMap<(String, String), Vec<String>> {
        let mut runs: BTreeMap<(String, String), Vec<String>> = BTreeMap::new();
        for (place, done) in self.places.iter().zip(done) {
            if let Done::Ready(ready) = done {
                let key = (ready.unit.product.clone(), ready.unit.serial.clone());
                runs.entry(key).or_default().push(place.label.clone());
            }
        }
        runs.retain(|_, runs| runs.len() > 1);
        runs
    }

    /// Writes one unit; the line about it.
    fn store(&mut self, ready: &Ready, console: &mut Console) -> Option<String> {
        let unit = &ready.unit;
        let path = self.args.baseline.join(&unit.product).join(baseline::file_name(&unit.serial));
        let written = OutputFile::create_with_folders(&path, Kind::Accepted)
            .map_err(|e| e.to_string())
            .and_then(|mut file| {
                file.write_all(ready.text.as_bytes()).map_err(|e| cannot_write(&path, e))?;
                file.commit().map_err(|e| e.to_string())
            });
        if let Err(text) = written {
            self.not_whole.insert(unit.product.clone());
            console.fault(&text);
            return None;
        }
        let corners = if unit.corners.len() == 1 { "corner" } else { "corners" };
        let mut line = format!(
            "accepted {} of {} with {} {corners} ({}) in {}",
            escape::terminal(&unit.serial),
            unit.product,
            unit.corners.len(),
            ready.verdict.word(),
            escape::terminal(&label(&path))
        );
        if !ready.left_out.is_empty() {
            line.push_str("; without values and left out: ");
            line.push_str(&escape::terminal(&ready.left_out.join(", ")));
        }
        self.written.entry(unit.product.clone()).or_default().insert(path);
        Some(line)
    }

    /// Drops the other units of the products that were accepted whole; a line for each.
    fn replace(&self, console: &mut Console) -> String {
        let mut text = String::new();
        for (product, written) in
            self.written.iter().filter(|(product, _)| !self.not_whole.contains(*product))
        {
            let folder = self.args.baseline.join(product);
            let others = match baselines::files(&folder) {
                Ok(files) => files.into_iter().filter(|file| !written.contains(file)),
                Err(error) => {
                    console.fault(&format!("cannot list {}: {error}", folder.display()));
                    continue;
                }
            };
            for other in others {
                if !baselines::is_accepted(&other) {
                    console.note(&format!("{} is no accepted unit and stays", other.display()));
                    continue;
                }
                match std::fs::remove_file(&other) {
                    Ok(()) => text.push_str(&format!("dropped {}\n", escape::terminal(&label(&other)))),
                    Err(error) => console.fault(&format!("cannot remove {}: {error}", other.display())),
                }
            }
        }
        text
    }
}
