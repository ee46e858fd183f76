//! `lint`: checks specs and runs without judging.

use super::console::Console;
use super::lint_args::{Format, LintArgs};
use super::outputs::{apart, is_stdout, print, write_whole};
use super::{NOT_PASSED, PASSED, UNREADABLE};
use crate::diagnostic::{Diagnostic, Severity, has_errors};
use crate::disk::discover::{RUN_FILE, RunPlace};
use crate::disk::files::{Fence, YAML_LIMIT, label, path_of, read_regular};
use crate::disk::gather;
use crate::disk::judge::{SweepReader, Trouble, load};
use crate::disk::specs::{self, Disk, Loaded, Specs};
use crate::disk::stdin::once;
use crate::disk::today;
use crate::output::Kind;
use crate::quantity::count_of;
use crate::report::annotation::{Annotation, SarifWriter, WorkflowCommands};
use crate::report::write_lint_json;
use crate::run::{self, Run};
use crate::spec::{self, DriftAxis, Files};
use crate::sweep::Samples;
use crate::yaml::first_key;
use std::cell::RefCell;
use std::collections::{BTreeMap, HashSet};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use walkdir::WalkDir;

/// Runs the command.
pub fn lint(args: &LintArgs, console: &mut Console) -> u8 {
    if let Err(text) = once(&args.paths.iter().collect::<Vec<_>>()) {
        console.fault(&text);
        return UNREADABLE;
    }
    let mut findings = Vec::new();
    let (specs, runs) = sort(&args.paths, &mut findings);
    lint_specs(&specs, args, &mut findings);
    lint_runs(&runs, args, &mut findings);
    if args.format != Format::Json {
        findings.iter().for_each(|finding| console.show(finding));
    }
    write(args, specs.len(), runs.len(), &findings, console);
    if console.has_errors() || has_errors(&findings) {
        UNREADABLE
    } else if args.deny_warnings && !findings.is_empty() {
        NOT_PASSED
    } else {
        PASSED
    }
}

/// A spec file, and the folder among the arguments that it was found in.
struct SpecPlace {
    file: PathBuf,
    folder: Option<PathBuf>,
}

impl SpecPlace {
    /// Where it and what it extends may be read from: the folder of specs where it lies in that, as it does when runs are judged;
    /// else the folder that was searched, or its own.
    fn disk(&self, specs: &Path) -> Disk {
        let folder = Some(specs).filter(|folder| folder.is_dir() && Fence::around(folder).holds(&self.file));
        match (folder, self.folder.as_deref()) {
            (Some(folder), None) => Disk::file_in(&self.file, folder),
            (None, None) => Disk::file(&self.file),
            (Some(folder), Some(_)) | (None, Some(folder)) => Disk::folder(folder),
        }
    }
}

/// Sorts the arguments into spec files and runs.
fn sort(paths: &[PathBuf], findings: &mut Vec<Diagnostic>) -> (Vec<SpecPlace>, Vec<RunPlace>) {
    let (mut specs, mut runs, mut units) = (Vec::new(), Vec::new(), Vec::new());
    let mut take = |file: PathBuf, folder: Option<&PathBuf>| {
        if file.file_name().is_some_and(|name| name == RUN_FILE) || begins_with(&file, "run") {
            runs.push(RunPlace::at(file));
        } else if begins_with(&file, "baseline") {
            units.push(file);
        } else {
            specs.push(SpecPlace { file, folder: folder.cloned() });
        }
    };
    for argument in paths {
        if !argument.is_dir() {
            take(argument.clone(), None);
            continue;
        }
        let mut found = 0;
        for entry in WalkDir::new(argument).sort_by_file_name() {
            match entry {
                Ok(entry) => {
                    let is_yaml = entry.path().extension().is_some_and(|e| e == "yaml" || e == "yml");
                    if is_yaml && !entry.file_type().is_dir() {
                        found += 1;
                        take(entry.into_path(), Some(argument));
                    }
                }
                Err(error) => {
                    let file: Arc<str> = label(argument).into();
                    let message = format!("cannot be searched: {error}");
                    findings.push(Diagnostic::error("folder-unreadable", message).in_file(&file));
                }
            }
        }
        if found == 0 {
            let file: Arc<str> = label(argument).into();
            findings.push(Diagnostic::error("no-yaml", "holds no spec and no run").in_file(&file));
        }
    }
    findings.extend(units.iter().flat_map(|path| accepted(path)));
    (specs, runs)
}

/// What is wrong with the file of an accepted unit.
fn accepted(path: &Path) -> Vec<Diagnostic> {
    let (mut bytes, file) = (Vec::new(), label(path).into());
    match read_regular(path, &file, YAML_LIMIT, &mut bytes) {
        Ok(()) => crate::baseline::parse(&bytes, &file).err().unwrap_or_default(),
        Err(problem) => vec![problem],
    }
}

/// Whether the first key of a YAML file is this one: a run of another name, an accepted unit.
fn begins_with(path: &Path, key: &str) -> bool {
    let mut bytes = Vec::new();
    let read = read_regular(path, &label(path).into(), YAML_LIMIT, &mut bytes);
    read.is_ok() && first_key(&bytes) == Some(key)
}

/// Reads from disk and remembers what was reached.
struct Recorder<'a> {
    disk: &'a Disk,
    reached: RefCell<Vec<String>>,
}

impl Files for Recorder<'_> {
    fn read(&self, path: &str) -> Result<Vec<u8>, String> {
        self.reached.borrow_mut().push(path.to_owned());
        self.disk.read(path)
    }
}

fn lint_specs(places: &[SpecPlace], args: &LintArgs, findings: &mut Vec<Diagnostic>) {
    // A file that another one extends need not be whole: it is checked as a part.
    let real = |file: &str| std::fs::canonicalize(path_of(file)).unwrap_or_else(|_| file.into());
    let mut parts: HashSet<PathBuf> = HashSet::new();
    let folder = specs::place(&args.specs);
    let loaded: Vec<(String, Disk, Result<spec::LoadedSpec, Vec<Diagnostic>>)> = places
        .iter()
        .map(|place| {
            let (file, disk) = (label(&place.file), place.disk(&folder));
            let recorder = Recorder { disk: &disk, reached: RefCell::default() };
            let loaded = spec::load(&file, &recorder);
            let reached = recorder.reached.into_inner();
            parts.extend(reached.iter().filter(|path| **path != file).map(|path| real(path)));
            (file, disk, loaded)
        })
        .collect();
    let today = today();
    let mut shown = HashSet::new();
    let mut add = |all: Vec<Diagnostic>| {
        // A problem of a part is met again in every spec that extends it.
        findings.extend(all.into_iter().filter(|d| shown.insert((d.place.clone(), d.message.clone()))));
    };
    for (file, disk, result) in loaded {
        match result {
            Ok(spec) => {
                let unwise = spec::unwise(&spec, today);
                add(spec.warnings);
                add(unwise);
            }
            Err(_) if parts.contains(&real(&file)) => match spec::check_part(&file, &disk) {
                Ok(warnings) | Err(warnings) => add(warnings),
            },
            Err(problems) => add(problems),
        }
    }
}

fn lint_runs(runs: &[RunPlace], args: &LintArgs, findings: &mut Vec<Diagnostic>) {
    if runs.is_empty() {
        return;
    }
    let specs = match Specs::new(&args.specs) {
        Ok(specs) => specs,
        Err(problem) => {
            findings.push(problem);
            return;
        }
    };
    let (mut bytes, mut reader, mut samples) = (Vec::new(), SweepReader::default(), Samples::default());
    let mut shown = HashSet::new();
    let mut collected = Collected::new();
    for place in runs {
        match load(place, &specs, &mut bytes) {
            Err(Trouble { spec, problems, .. }) => {
                let of_spec = spec.map(|(_, problems)| problems).unwrap_or_default();
                findings.extend(
                    of_spec.into_iter().filter(|d| shown.insert((d.place.clone(), d.message.clone()))),
                );
                findings.extend(problems);
            }
            Ok((run, loaded)) => {
                let mut problems = Vec::new();
                let entries = run.corners().iter().flat_map(|corner| &corner.entries);
                for file in entries.flat_map(|entry| &entry.files) {
                    let read = reader.read_of_run(place, file, &run.reading, &mut samples);
                    problems.extend(read.err().into_iter().flatten());
                }
                findings.extend(gather(problems, &run, place, &bytes));
                findings.extend(without_label(&run, &bytes));
                note_corners(&mut collected, &loaded, &run);
            }
        }
    }
    for (loaded, flags) in collected.values() {
        findings.extend(
            loaded.as_ref().as_ref().ok().map(|spec| spec::uncollected(spec, flags)).unwrap_or_default(),
        );
    }
}

/// Specs by their file, with a flag for every corner that a run has a sweep for.
type Collected = BTreeMap<String, (Arc<Loaded>, Vec<bool>)>;

fn note_corners(collected: &mut Collected, loaded: &Arc<Loaded>, run: &Run) {
    let Ok(spec) = loaded.as_ref() else { return };
    let (_, flags) = collected
        .entry(spec.spec.file.clone())
        .or_insert_with(|| (Arc::clone(loaded), vec![false; spec.spec.corners.len()]));
    for (flag, corner) in flags.iter_mut().zip(run.corners()) {
        *flag |= !corner.entries.is_empty();
    }
}

/// A run that drift cannot place, since it lacks the label that the spec tracks drift over. `run_file` is its text.
fn without_label(run: &Run, run_file: &[u8]) -> Option<Diagnostic> {
    let (key, label) = match run.spec().drift?.over? {
        DriftAxis::Build => ("build", &run.build),
        DriftAxis::Firmware => ("firmware", &run.firmware),
        DriftAxis::Taken => ("taken", &run.taken),
        DriftAxis::Revision => return None,
    };
    if label.is_some() {
        return None;
    }
    let message = format!("has no `{key}`, which the spec tracks drift over: the run is left out of drift");
    let file: Arc<str> = run.file.as_str().into();
    let warning = Diagnostic::warning("no-drift-label", message).with_help(format!("add `{key}`"));
    run::parse(run_file, &file, &run.folder).ok().map(|raw| raw.at(key, warning))
}

fn write(args: &LintArgs, specs: usize, runs: usize, findings: &[Diagnostic], console: &mut Console) {
    if let Err(text) = apart(&[("--json", &args.json), ("--sarif", &args.sarif)]) {
        console.fault(&text);
        return;
    }
    let count = |severity| findings.iter().filter(|f| f.severity == severity).count();
    let (errors, warnings) = (count(Severity::Error), count(Severity::Warning));
    let json_to_stdout = args.json.as_deref().is_some_and(is_stdout);
    let to_stdout =
        args.format == Format::Json || json_to_stdout || args.sarif.as_deref().is_some_and(is_stdout);
    let shown = (args.format == Format::Json && !json_to_stdout).then_some(Path::new("-"));
    for path in shown.into_iter().chain(args.json.as_deref()) {
        write_whole(path, Kind::Json, console, |file| write_lint_json(file, findings));
    }
    if let Some(path) = &args.sarif {
        write_whole(path, Kind::Sarif, console, |file| {
            let mut log = SarifWriter::new(file)?;
            findings.iter().try_for_each(|finding| log.append(&Annotation::of_problem(finding)))?;
            log.finish().map(drop)
        });
    }
    if !to_stdout {
        if args.format == Format::Github {
            print(&commands(findings), console);
        }
        let [specs, runs, errors, warnings] =
            [(specs, "spec file"), (runs, "run"), (errors, "error"), (warnings, "warning")]
                .map(|(count, what)| count_of(count as u64, what));
        print(&format!("{specs}, {runs}: {errors}, {warnings}\n"), console);
    }
}

/// The findings as marks beside the files.
fn commands(findings: &[Diagnostic]) -> String {
    let mut commands = WorkflowCommands::default();
    findings.iter().for_each(|finding| commands.add(Annotation::of_problem(finding)));
    let mut text = Vec::new();
    // Memory takes what is written.
    let _ = commands.write(&mut text);
    String::from_utf8_lossy(&text).into_owned()
}
