//! `check`: judges runs against specs.

use super::archive::Judging;
use super::archived::{Archived, is_archive};
use super::check_args::CheckArgs;
use super::console::Console;
use super::outputs::{Outputs, Pieces, Wanted, apart, given, spares_history};
use super::record::Recorder;
use super::shard::Shard;
use super::{NOT_PASSED, PASSED, UNREADABLE, threads};
use crate::check::{Options, RunOutcome, Verdict};
use crate::diagnostic::{Diagnostic, Severity};
use crate::disk::baselines::Baselines;
use crate::disk::discover::{self, RunPlace};
use crate::disk::files::label;
use crate::disk::judge::{Bench, Trouble, judge};
use crate::disk::patterns::Patterns;
use crate::disk::specs::{SPECS, Specs};
use crate::disk::stdin::once;
use crate::disk::today;
use crate::history::PackedJson;
use crate::report::ShardNote;
use rayon::prelude::*;
use std::collections::HashSet;
use std::io;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError, mpsc};

/// Runs per thread that are judged before their reports are written: enough to keep all threads busy, few enough to keep
/// memory flat.
const BATCH: usize = 16;
/// Fewest runs that are recorded together, as one transaction: a page of a history that grows with every run is written once for all of them.
const RECORDED: usize = 64;

/// What one run came to.
enum Done {
    Judged(Box<RunOutcome>, Box<Pieces>),
    NothingMet,
    /// It has no verdict; with its suite in JUnit.
    Trouble(Trouble, io::Result<Vec<u8>>),
}

impl Done {
    /// What is recorded of it.
    fn to_record(&self) -> Option<(&RunOutcome, &PackedJson)> {
        match self {
            Self::Judged(run, pieces) => Some((run, pieces.packed()?)),
            Self::NothingMet | Self::Trouble(..) => None,
        }
    }
}

/// Runs the command.
pub fn check(args: &CheckArgs, verbose: bool, console: &mut Console) -> u8 {
    match prepare(args, console) {
        Some(asked) => judge_all(args, verbose, &asked, console),
        None => UNREADABLE,
    }
}

/// What runs are judged with.
struct Asked {
    only: Patterns,
    specs: Specs,
    baselines: Option<Baselines>,
    /// Where the baseline is.
    baseline: Option<PathBuf>,
    pool: rayon::ThreadPool,
    /// The archive that is checked again, instead of runs.
    archived: Option<Archived>,
    today: time::Date,
}

fn prepare(args: &CheckArgs, console: &mut Console) -> Option<Asked> {
    let outputs = given(args);
    if let Err(text) = once(&args.runs.iter().collect::<Vec<_>>()) {
        console.fault(&text);
        return None;
    }
    let spared = args.record.as_deref().map_or(Ok(()), |history| spares_history(history, &outputs));
    if let Err(text) = apart(&outputs).and(spared) {
        console.fault(&text);
        return None;
    }
    let archived = archived(args, console)?;
    let patterns = archived.as_ref().map_or(args.only.as_slice(), Archived::only);
    let only = Patterns::new(patterns).map_err(|text| console.fault(&format!("--only: {text}"))).ok()?;
    let specs = archived.as_ref().map_or_else(|| args.specs.clone(), Archived::specs);
    let specs = Specs::new(&specs).map_err(|problem| console.show(&problem)).ok()?;
    let baseline = archived.as_ref().map_or_else(|| args.baseline.clone(), Archived::baseline);
    let baselines = match baseline.as_deref().map(Baselines::new).transpose() {
        Ok(baselines) => baselines,
        Err(problem) => {
            console.show(&problem);
            return None;
        }
    };
    let pool = threads::start(args.jobs).map_err(|text| console.fault(&text)).ok()?;
    let today = archived.as_ref().map_or_else(today, |archived| archived.day);
    Some(Asked { only, specs, baselines, baseline, pool, archived, today })
}

/// The archive that is to be checked again, if one is given. `None`: it cannot be; that was said.
fn archived(args: &CheckArgs, console: &mut Console) -> Option<Option<Archived>> {
    let Some(path) = args.runs.iter().find(|run| is_archive(run)) else { return Some(None) };
    let brings = [
        ("another RUN", args.runs.len() > 1),
        ("--specs", args.specs != Path::new(SPECS)),
        ("--baseline", args.baseline.is_some()),
        ("--only", !args.only.is_empty()),
        ("--shard", args.shard.is_some()),
        ("--archive", args.archive.is_some()),
    ];
    if let Some((what, _)) = brings.into_iter().find(|(_, given)| *given) {
        console.fault(&format!(
            "{} is an archive, which brings its runs, specs, baseline and patterns along: {what} cannot be given with it",
            label(path)
        ));
        return None;
    }
    match Archived::open(path) {
        Ok(archived) => {
            console.note(&format!(
                "{} is judged as on {}, the day of its archive by {}: waivers count as on that day",
                label(path),
                archived.day,
                archived.tool()
            ));
            Some(Some(archived))
        }
        Err(problems) => {
            problems.iter().for_each(|problem| console.show(problem));
            None
        }
    }
}

fn judge_all(args: &CheckArgs, verbose: bool, asked: &Asked, console: &mut Console) -> u8 {
    let Asked { only, pool, .. } = asked;
    let (found, problems) = match &asked.archived {
        Some(archived) => (archived.places(), archived.problems()),
        None => discover::runs(&args.runs),
    };
    let places = args.shard.map_or(found.as_slice(), |shard| shard.of(&found));
    let outputs = Outputs::open(args, verbose, asked.today, console);
    let recorder = args.record.as_deref().map(|address| Recorder::open(address, console));
    let mut told = Told {
        asked,
        outputs,
        recorder,
        met: false,
        judged: false,
        specs: HashSet::new(),
        baselines: HashSet::new(),
    };
    for problem in &problems {
        console.show(problem);
        if problem.severity == Severity::Error {
            told.outputs.add_nothing(&args.runs, problem, console);
        }
    }
    let wants = |corner: &str, check: &str| only.meet(corner, check);
    let options = Options {
        today: asked.today,
        only: (!only.is_empty()).then_some(&wants as _),
        keep: false,
        plots: told.outputs.wanted().plots(),
        so_far: args.so_far || asked.archived.as_ref().is_some_and(Archived::so_far),
    };
    let wanted = told.outputs.wanted();
    let benches: Mutex<Vec<Bench>> = Mutex::new(Vec::new());
    let progress = console.begin_progress("runs judged", places.len());
    let judge_batch = |batch: &[RunPlace]| -> Vec<Done> {
        let judge = |place| {
            let done = guarded(place, asked, &options, &wanted, &benches);
            progress.step();
            done
        };
        pool.install(|| batch.par_iter().map(judge).collect())
    };
    let least = if told.recorder.is_some() { RECORDED } else { 1 };
    let batch = (BATCH * pool.current_num_threads()).max(least);
    let batches = || places.chunks(batch);
    std::thread::scope(|scope| {
        // The next batch is judged while one is recorded and written.
        let (sender, judged) = mpsc::sync_channel(0);
        let ahead = std::thread::Builder::new().spawn_scoped(scope, || {
            // Fails when nobody takes any more.
            let _ = batches().try_for_each(move |batch| sender.send(judge_batch(batch)));
        });
        let mut take = |batch: &[RunPlace], done: Vec<Done>| {
            told.record(&done, console);
            batch.iter().zip(done).for_each(|(place, done)| told.add(place, done, console));
        };
        match ahead {
            Ok(_) => batches().zip(judged).for_each(|(batch, done)| take(batch, done)),
            // No room for one more thread: one after the other.
            Err(_) => batches().for_each(|batch| take(batch, judge_batch(batch))),
        }
    });
    progress.end();
    if let Some(recorder) = told.recorder.take() {
        recorder.finish(console);
    }
    let nothing_met = told.judged && !told.met;
    // What one part does not meet another one may.
    if nothing_met && args.shard.is_none() {
        let problem = only_nothing();
        console.fault(&problem.message);
        told.outputs.add_nothing(&args.runs, &problem, console);
    }
    let verdict = told.outputs.tally.verdict();
    let note = args.shard.map(|Shard { number, of }| ShardNote {
        number,
        of,
        runs_found: found.len(),
        unreadable: told.outputs.tally.unreadable,
        nothing_met,
        has_errors: console.has_errors(),
    });
    told.outputs.finish(note.as_ref(), console);
    status(verdict, console)
}

/// What is said when `--only` leaves nothing.
pub fn only_nothing() -> Diagnostic {
    let message = "--only meets no check of any run: patterns are held against CORNER/CHECK, such as '24V-*/phase_margin'";
    Diagnostic::error("only-nothing", message)
}

/// What was told of the runs so far.
struct Told<'a> {
    asked: &'a Asked,
    outputs: Outputs,
    recorder: Option<Recorder>,
    /// Whether a check was met, and whether a run was judged.
    met: bool,
    judged: bool,
    /// Specs and products whose problems were shown: they are those of many runs.
    specs: HashSet<String>,
    baselines: HashSet<String>,
}

impl Told<'_> {
    /// Records runs together.
    fn record(&mut self, done: &[Done], console: &mut Console) {
        if let Some(recorder) = &mut self.recorder {
            let runs: Vec<_> = done.iter().filter_map(Done::to_record).collect();
            recorder.record(&runs, &self.asked.specs, console);
        }
    }

    fn add(&mut self, place: &RunPlace, done: Done, console: &mut Console) {
        match done {
            Done::Judged(run, pieces) => {
                (self.met, self.judged) = (true, true);
                if self.asked.compares_nothing(&run.product) && !self.baselines.contains(&run.product) {
                    console.note(&format!(
                        "the spec of {} has no `regression`: --baseline compares nothing there",
                        run.product
                    ));
                }
                let problems = self.asked.of_baseline(&run.product, &mut self.baselines);
                problems.iter().for_each(|problem| console.show(problem));
                self.outputs.add_problems(&problems, console);
                self.outputs.archive(place, &run, &pieces, self.asked.judging(), console);
                self.outputs.add(&self.asked.shown(place), &run, *pieces, console);
            }
            Done::NothingMet => self.judged = true,
            Done::Trouble(trouble, suite) => {
                self.outputs.archive_unread(place, &trouble, &suite, self.asked.judging(), console);
                let problems = told(trouble, &mut self.specs);
                problems.iter().for_each(|problem| console.show(problem));
                self.outputs.add_unreadable(&self.asked.shown(place), &problems, suite, console);
            }
        }
    }
}

impl Asked {
    /// What goes into an archive beside the runs.
    fn judging(&self) -> Judging<'_> {
        Judging { specs: &self.specs, baseline: self.baselines.as_ref().zip(self.baseline.as_deref()) }
    }

    /// A run's place as outputs name it.
    fn shown(&self, place: &RunPlace) -> RunPlace {
        self.archived.as_ref().map_or_else(|| place.clone(), |archived| archived.place_then(place))
    }

    /// Whether a baseline is given and no corner of the product is compared with it.
    fn compares_nothing(&self, product: &str) -> bool {
        let spec = self.specs.of(product);
        self.baselines.is_some()
            && spec
                .as_ref()
                .as_ref()
                .is_ok_and(|loaded| loaded.spec.corners.iter().all(|c| c.regression.names().is_empty()))
    }

    /// What is wrong with the baseline of a product, told once.
    fn of_baseline(&self, product: &str, shown: &mut HashSet<String>) -> Vec<Diagnostic> {
        let Some(baselines) = self.baselines.as_ref().filter(|_| !shown.contains(product)) else {
            return Vec::new();
        };
        shown.insert(product.to_owned());
        let mut problems = baselines.of(product).problems.clone();
        if let Some(archived) = &self.archived {
            problems.iter_mut().for_each(|problem| archived.rename_problem(problem));
        }
        problems
    }
}

fn status(verdict: Option<Verdict>, console: &Console) -> u8 {
    if console.has_errors() {
        UNREADABLE
    } else if verdict.is_none_or(Verdict::is_good) {
        PASSED
    } else {
        NOT_PASSED
    }
}

/// Problems to show for a run; those of a spec are shown once.
fn told(trouble: Trouble, specs_shown: &mut HashSet<String>) -> Vec<Diagnostic> {
    match &trouble.spec {
        Some((file, _)) if !specs_shown.insert(file.clone()) => trouble.problems,
        _ => trouble.all(),
    }
}

/// Judges one run with memory that is passed from run to run. A fault of the program in one run is reported as such and
/// does not stop the others.
fn guarded(
    place: &RunPlace,
    asked: &Asked,
    options: &Options<'_>,
    wanted: &Wanted,
    benches: &Mutex<Vec<Bench>>,
) -> Done {
    let free = || benches.lock().unwrap_or_else(PoisonError::into_inner);
    let mut bench = free().pop().unwrap_or_default();
    let without = |mut trouble: Trouble| {
        let suite = wanted.unread_suite(&asked.shown(place), &trouble);
        // All that its suite needs is in it.
        trouble.known = None;
        Done::Trouble(trouble, suite)
    };
    let result = catch_unwind(AssertUnwindSafe(|| {
        let judged =
            judge(place, &asked.specs, asked.baselines.as_ref(), options, wanted.traces(), &mut bench);
        let judged = match &asked.archived {
            Some(archived) => archived.as_then(place, judged),
            None => judged,
        };
        match judged {
            Ok(Some(run)) => {
                let pieces = wanted.pieces(&run);
                Done::Judged(Box::new(run), Box::new(pieces))
            }
            Ok(None) => Done::NothingMet,
            Err(trouble) => without(trouble),
        }
    }));
    match result {
        Ok(done) => {
            free().push(bench);
            done
        }
        Err(_) => without(Trouble::unknown(vec![internal(place)])),
    }
}

/// What is said when the program itself was at fault.
pub fn internal(place: &RunPlace) -> Diagnostic {
    let file: Arc<str> = place.label.as_str().into();
    Diagnostic::error("internal", "a fault of the program stopped the judging of this run")
        .in_file(&file)
        .with_help("keep the run's files and report it")
}
