//! `compare`: two runs, or two folders of runs, side by side; two builds are in `compare_builds`.

use super::check::internal;
use super::compare_args::CompareArgs;
use super::compare_builds::compare_builds;
use super::console::Console;
use super::outputs::{apart, is_stdout, print, write_whole};
use super::{PASSED, UNREADABLE};
use crate::check::{Options, RunOutcome, Verdict, accept};
use crate::compare::{ProductComparison, Taken, compare as side_by_side};
use crate::diagnostic::Diagnostic;
use crate::disk::discover::{self, RunPlace};
use crate::disk::files::label;
use crate::disk::judge::{Bench, judge};
use crate::disk::specs::Specs;
use crate::disk::stdin::once;
use crate::disk::today;
use crate::output::Kind;
use crate::report::html::write_compare_html;
use crate::report::{TOOL, render_compare, write_compare_json};
use crate::uncertainty::Chain;
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};

/// Runs the command.
pub fn compare(args: &CompareArgs, console: &mut Console) -> u8 {
    if let Some(history) = &args.history {
        return compare_builds(args, history, console);
    }
    if let Err(text) = apart(&[("--json", &args.json), ("--html", &args.html)]) {
        console.fault(&text);
        return UNREADABLE;
    }
    let sides = [args.a.clone(), args.b.clone()];
    if let Err(text) = once(&[&args.a, &args.b]) {
        console.fault(&text);
        return UNREADABLE;
    }
    let specs = match Specs::new(&args.specs) {
        Ok(specs) => specs,
        Err(problem) => {
            console.show(&problem);
            return UNREADABLE;
        }
    };
    let [a, b] = sides.each_ref().map(|side| taken(side, &specs, console));
    let products = side_by_side(&a, &b);
    let names = sides.map(|side| label(&side));
    let names = names.each_ref().map(String::as_str);
    if !a.is_empty() && !b.is_empty() && products.iter().all(|product| product.corners.is_empty()) {
        console.fault(
            "nothing can be compared: no unit and corner gave values on both sides. Units are matched by product and serial, or where each \
             side has one of the product",
        );
    }
    write(args, names, &products, console);
    if console.has_errors() { UNREADABLE } else { PASSED }
}

fn write(args: &CompareArgs, names: [&str; 2], products: &[ProductComparison], console: &mut Console) {
    if let Some(path) = &args.json {
        write_whole(path, Kind::Json, console, |file| write_compare_json(file, names, products));
    }
    if let Some(path) = &args.html {
        write_whole(path, Kind::Html, console, |file| write_compare_html(file, names, products));
    }
    if ![&args.json, &args.html].iter().any(|path| path.as_deref().is_some_and(is_stdout)) {
        print(&render_compare(names, products, console.stdout_style(false)), console);
    }
}

/// The runs of one side, each unit once.
fn taken(side: &Path, specs: &Specs, console: &mut Console) -> Vec<Taken> {
    let (places, problems) = discover::runs(&[PathBuf::from(side)]);
    problems.iter().for_each(|problem| console.show(problem));
    let done: Vec<Result<Taken, Vec<Diagnostic>>> =
        places.par_iter().map_init(Bench::default, |bench, place| guarded(place, specs, bench)).collect();
    let mut units: BTreeMap<(String, String), Vec<Taken>> = BTreeMap::new();
    for done in done {
        match done {
            Ok(taken) => {
                let key = (taken.unit.product.clone(), taken.unit.serial.clone());
                units.entry(key).or_default().push(taken);
            }
            Err(problems) => problems.iter().for_each(|problem| console.show(problem)),
        }
    }
    let mut all = Vec::new();
    for ((product, serial), mut runs) in units {
        if runs.len() > 1 {
            let runs: Vec<&str> = runs.iter().map(|taken| taken.run.as_str()).collect();
            console.fault(&format!(
                "{}: several runs are of the unit {serial} of {product}: {}; name one of them",
                label(side),
                runs.join(", ")
            ));
        } else {
            all.append(&mut runs);
        }
    }
    all
}

/// A fault of the program in one run is reported as such and does not stop the others.
fn guarded(place: &RunPlace, specs: &Specs, bench: &mut Bench) -> Result<Taken, Vec<Diagnostic>> {
    catch_unwind(AssertUnwindSafe(|| one(place, specs, bench))).unwrap_or_else(|_| {
        *bench = Bench::default();
        Err(vec![internal(place)])
    })
}

fn one(place: &RunPlace, specs: &Specs, bench: &mut Bench) -> Result<Taken, Vec<Diagnostic>> {
    let options = Options { keep: true, ..Options::new(today()) };
    let run = judge(place, specs, None, &options, true, bench).map_err(|trouble| trouble.all())?;
    let loaded = run.as_ref().map(|run| specs.of(&run.product));
    let spec = loaded.as_ref().and_then(|loaded| loaded.as_ref().as_ref().ok());
    let found = run.as_ref().zip(spec).and_then(|(run, loaded)| {
        let unit = accept(run, &loaded.spec, TOOL, None)?;
        let without =
            run.corners.iter().filter(|own| unit.corners.iter().all(|kept| kept.name != own.corner));
        let without = without.map(|own| (own.corner.clone(), reason(run, &own.corner))).collect();
        Some(Taken { run: place.name(), without, chain: Chain::of(&loaded.spec), unit })
    });
    // Without `--only` a run that was read has an outcome.
    found.ok_or_else(|| vec![internal(place)])
}

/// Why a corner gave no values.
fn reason(run: &RunOutcome, corner: &str) -> String {
    let checks = run.corners.iter().filter(|own| own.corner == corner).flat_map(|own| &own.checks);
    let mut bad = checks.filter(|check| matches!(check.verdict, Verdict::Invalid | Verdict::Missing));
    bad.next().map_or_else(
        || "it gave no values".to_owned(),
        |check| format!("{} is {}: {}", check.check, check.verdict, check.message),
    )
}
