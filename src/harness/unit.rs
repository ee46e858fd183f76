//! A run on its way to its tests: each corner judged once, when it is asked for.

use crate::check::{CheckOutcome, CornerOutcome, Options, RunOutcome, Verdict};
use crate::disk::baselines::Baselines;
use crate::disk::discover::RunPlace;
use crate::disk::judge::{self, Trouble, judge_loaded, load};
use crate::disk::specs::Specs;
use crate::error::Error;
use crate::escape::{terminal, xml_line};
use crate::pieces::read_entry;
use crate::run::{Run, SweepEntry};
use crate::spec::{Corner, Linearity};
use crate::sweep::Samples;
use libtest_mimic::Completion;
use std::collections::HashMap;
use std::sync::{Arc, Mutex, OnceLock, PoisonError};
use time::Date;

/// What all runs are judged with.
pub(super) struct Bench {
    specs: Specs,
    baselines: Option<Baselines>,
    pub today: Date,
    free: Mutex<Vec<judge::Bench>>,
}

impl Bench {
    pub fn new(specs: Specs, baselines: Option<Baselines>, today: Date) -> Self {
        Self { specs, baselines, today, free: Mutex::default() }
    }

    /// Works with memory that is passed from corner to corner.
    fn with<T>(&self, work: impl FnOnce(&mut judge::Bench) -> T) -> T {
        let free = || self.free.lock().unwrap_or_else(PoisonError::into_inner);
        let mut bench = free().pop().unwrap_or_default();
        let done = work(&mut bench);
        free().push(bench);
        done
    }
}

/// A corner's outcome, or all that is wrong with its sweeps.
type Came = Result<CornerOutcome, String>;

/// One run, whose sweeps are not read yet.
pub(super) struct Unit {
    pub name: String,
    pub run: Run,
    pub bench: Arc<Bench>,
    place: RunPlace,
    run_file: Vec<u8>,
    corners: Vec<OnceLock<Came>>,
}

/// Why a check need not pass: a waiver in force, or no linearity asked for.
pub(super) fn waived(corner: &Corner, check: &str, today: Date) -> Option<String> {
    let waiver = corner.waivers.iter().find(|waiver| waiver.check == check && today <= waiver.until);
    match (waiver, &corner.linearity) {
        (Some(waiver), _) => Some(format!("waived until {}: {}", waiver.until, line(&waiver.reason))),
        (None, Linearity::Waived(reason)) if check == "linearity" => {
            Some(format!("waived: {}", line(reason)))
        }
        (None, _) => None,
    }
}

/// A text from a file or a name as one harmless line.
pub(super) fn line(text: &str) -> String {
    xml_line(&terminal(text)).into_owned()
}

impl Unit {
    /// Reads a run file and its spec.
    pub fn load(place: RunPlace, name: String, bench: &Arc<Bench>) -> Result<Self, Error> {
        let mut run_file = Vec::new();
        let (run, _) = load(&place, &bench.specs, &mut run_file).map_err(Trouble::all)?;
        let corners = run.spec().corners.iter().map(|_| OnceLock::new()).collect();
        Ok(Self { name, run, bench: Arc::clone(bench), place, run_file, corners })
    }

    /// What a check of a corner came to.
    pub fn check(&self, index: usize, name: &str) -> Result<Completion, String> {
        // Everything that is wrong is told once.
        let brief = |all: String| match all.lines().next() {
            Some(first) if name != "collected" => format!("not judged: {first}"),
            _ => all,
        };
        let corner = self.judged(index).map_err(brief)?;
        let Some(check) = corner.checks.iter().find(|check| check.check == name) else {
            return Err(format!("{name} is no check of the corner that was judged"));
        };
        match check.verdict {
            verdict if verdict.is_good() => Ok(Completion::Completed),
            // What it hangs on is waived.
            Verdict::NotJudged if corner.verdict.is_good() => {
                Ok(Completion::ignored_with(line(&check.message)))
            }
            _ => Err(self.text(corner, check)),
        }
    }

    /// What a whole corner came to.
    pub fn corner(&self, index: usize) -> Result<(), String> {
        let corner = self.judged(index)?;
        if corner.verdict.is_good() {
            return Ok(());
        }
        let is_bad = |check: &&CheckOutcome| !check.verdict.is_good() && check.verdict != Verdict::NotJudged;
        let texts = corner.checks.iter().filter(is_bad);
        Err(texts
            .map(|check| format!("{}: {}", check.check, self.text(corner, check)))
            .collect::<Vec<_>>()
            .join("\n"))
    }

    /// Whether a copy could pass for a sweep of another corner: it would have to confirm something there.
    pub fn may_hold_copies(&self) -> bool {
        let collected = self.run.corners().iter().filter(|corner| !corner.entries.is_empty()).count();
        let wants = |corner: &Corner| matches!(corner.linearity, Linearity::Required(_));
        collected > 1 && self.run.spec().corners.iter().any(wants)
    }

    /// Whether sweeps of one corner hold the numbers of another one, where that matters.
    pub fn copies(&self) -> Result<(), String> {
        if !self.has_copies() {
            return Ok(());
        }
        let told = |run: RunOutcome| {
            let bad = |corner: CornerOutcome| {
                let check = corner.checks.iter().find(|check| check.check == "linearity")?;
                let text = || format!("{}: {}", line(&corner.corner), self.text(&corner, check));
                (check.verdict == Verdict::Invalid).then(text)
            };
            run.corners.into_iter().filter_map(bad).collect::<Vec<_>>()
        };
        let texts = match self.outcome(None) {
            Ok(run) => run.map(told).unwrap_or_default(),
            // What cannot be read is told at its corner.
            Err(trouble) => trouble.known.map(|known| told(known.rest)).unwrap_or_default(),
        };
        if texts.is_empty() { Ok(()) } else { Err(texts.join("\n")) }
    }

    /// Reads all sweeps, judges none.
    fn has_copies(&self) -> bool {
        let mut seen: HashMap<u64, usize> = HashMap::new();
        let mut samples = Samples::default();
        self.bench.with(|bench| {
            let corners = self.run.corners().iter().enumerate();
            let entries =
                corners.flat_map(|(index, corner)| corner.entries.iter().map(move |entry| (index, entry)));
            entries.fold(false, |has_copies, (index, entry)| {
                samples.clear();
                let mut one = |piece: &SweepEntry, samples: &mut Samples| {
                    bench.read_of_run(&self.place, &piece.name(), &self.run.reading, samples)
                };
                let read = read_entry(entry, &mut samples, &mut one);
                has_copies | (read.is_ok() && *seen.entry(samples.fingerprint()).or_insert(index) != index)
            })
        })
    }

    fn judged(&self, index: usize) -> Result<&CornerOutcome, String> {
        let missing = || "the spec has no such corner".to_owned();
        let (cell, corner) =
            self.corners.get(index).zip(self.run.spec().corners.get(index)).ok_or_else(missing)?;
        cell.get_or_init(|| match self.outcome(Some(&corner.name)) {
            Ok(run) => run.and_then(|run| run.corners.into_iter().next()).ok_or_else(missing),
            Err(trouble) => Err(Error::from(trouble.all()).to_string()),
        })
        .as_ref()
        .map_err(Clone::clone)
    }

    /// Reads and judges one corner, or all.
    fn outcome(&self, corner: Option<&str>) -> Result<Option<RunOutcome>, Trouble> {
        let wants = |own: &str, _: &str| corner == Some(own);
        let options = Options {
            today: self.bench.today,
            only: corner.is_some().then_some(&wants as _),
            keep: false,
            plots: false,
            so_far: false,
        };
        let run = (&self.run, self.run_file.as_slice());
        self.bench
            .with(|bench| judge_loaded(&self.place, run, self.bench.baselines.as_ref(), &options, bench))
    }

    /// What is said of a check that does not pass.
    fn text(&self, corner: &CornerOutcome, check: &CheckOutcome) -> String {
        let mut lines = vec![match check.verdict {
            Verdict::NotJudged => check.message.clone(),
            verdict => format!("{verdict}: {}", check.message),
        }];
        if check.verdict == Verdict::NotJudged {
            let is_cause =
                |check: &&CheckOutcome| matches!(check.verdict, Verdict::Invalid | Verdict::Missing);
            let cause = corner.checks.iter().find(is_cause);
            lines.extend(
                cause.map(|cause| format!("{} is {}: {}", cause.check, cause.verdict, cause.message)),
            );
            lines.extend(
                cause.and_then(|cause| cause.remedy.clone()).map(|remedy| format!("to do: {remedy}")),
            );
        }
        lines.extend(check.remedy.as_ref().map(|remedy| format!("to do: {remedy}")));
        if check.check.starts_with("regression.")
            && let Some(baselines) = &self.bench.baselines
        {
            let problems = &baselines.of(self.run.product()).problems;
            lines.extend(problems.iter().map(crate::diagnostic::Diagnostic::one_line));
        }
        let entries = self.run.spec().corners.iter().position(|own| own.name == corner.corner);
        let entries = entries.and_then(|index| self.run.corners().get(index)).map(|own| &own.entries);
        let files = corner.judged.as_ref().map_or_else(
            || entries.into_iter().flatten().map(|entry| entry.name()).collect(),
            |judged| [judged.files.as_slice(), &judged.confirmed_by].concat(),
        );
        if !files.is_empty() {
            lines.push(format!("sweeps: {} in {}", files.join(", "), self.place.label));
        }
        lines.push(format!("run: {}, spec: {}", self.run.file, self.run.spec().file));
        lines.iter().map(|text| line(text)).collect::<Vec<_>>().join("\n")
    }
}
