//! Runs on disk to verdicts: the way in for programs.

use crate::check::{Options, RunOutcome};
use crate::diagnostic::{Diagnostic, Severity};
use crate::disk::baselines::Baselines;
use crate::disk::discover::{self, RUN_FILE, RunPlace};
use crate::disk::files::label;
use crate::disk::judge::{Bench, Trouble, judge};
use crate::disk::patterns::Patterns;
use crate::disk::specs::{SPECS, Specs};
use crate::disk::today;
use crate::error::Error;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, OnceLock, PoisonError};
use time::Date;

/// Judges runs on disk against the specs of their products: what is judged with is said once, then run after run is handed over.
/// Specs and baselines are read once, when the first run needs them.
///
/// ```
/// use loopgauge::{Judge, check::Verdict};
///
/// let judge = Judge::new().specs("specs").only(["24V-*/phase_margin"]);
/// let run = judge.run("demo-data/rev-a/RG-00003/river-gauge-5v")?;
/// assert_eq!((run.serial.as_str(), run.verdict), ("RG-00003", Verdict::Pass));
/// for check in run.corners.iter().flat_map(|corner| &corner.checks) {
///     println!("{}: {}: {}", check.check, check.verdict, check.message);
/// }
/// # Ok::<(), loopgauge::Error>(())
/// ```
///
/// It can be shared by threads: [`Judge::run`] may be called from all of them at the same time.
#[derive(Default)]
pub struct Judge {
    specs: Option<PathBuf>,
    baseline: Option<PathBuf>,
    today: Option<Date>,
    only: Vec<String>,
    plots: bool,
    opened: OnceLock<Result<Opened, Error>>,
    benches: Mutex<Vec<Bench>>,
}

/// What runs are judged with, found.
struct Opened {
    specs: Specs,
    baselines: Option<Baselines>,
    only: Patterns,
}

impl Judge {
    /// Specs in the folder `specs`, here or in the nearest folder above as far as the work tree of git reaches; no baseline; waivers
    /// by today's date; all checks.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// The folder that holds `PRODUCT.yaml` of each product, or one spec file.
    #[must_use]
    pub fn specs(self, place: impl Into<PathBuf>) -> Self {
        Self { specs: Some(place.into()), opened: OnceLock::new(), ..self }
    }

    /// The folder of accepted units that runs are compared with. Without one no comparison is judged.
    #[must_use]
    pub fn baseline(self, folder: impl Into<PathBuf>) -> Self {
        Self { baseline: Some(folder.into()), opened: OnceLock::new(), ..self }
    }

    /// The day, UTC, that waivers are held against. Without it today, or the day of the environment variable `SOURCE_DATE_EPOCH`.
    #[must_use]
    pub fn today(self, today: Date) -> Self {
        Self { today: Some(today), ..self }
    }

    /// Only the checks that a pattern held against `CORNER/CHECK` meets (`24V-*/phase_margin`), and those that say whether a
    /// sweep can carry a verdict. Corners without such a check are not read. No pattern: all checks.
    #[must_use]
    pub fn only<P: Into<String>>(self, patterns: impl IntoIterator<Item = P>) -> Self {
        let only = patterns.into_iter().map(Into::into).collect();
        Self { only, opened: OnceLock::new(), ..self }
    }

    /// Whether corners shall carry what their plots are drawn from.
    #[must_use]
    pub fn plots(self, plots: bool) -> Self {
        Self { plots, ..self }
    }

    /// Reads and judges one run: its folder, or its run file.
    ///
    /// # Errors
    /// All that is wrong with the run, its sweeps or its spec; specs or a baseline that are not there; and when no check of the run is
    /// met by [`Judge::only`].
    pub fn run(&self, run: impl AsRef<Path>) -> Result<RunOutcome, Error> {
        let run = run.as_ref();
        let place = place(run)?;
        self.judged(&place)?.ok_or_else(|| nothing_met(run))
    }

    /// Reads and judges all runs in a folder and the folders below it, in the order of their names, each when it is asked for. A run
    /// that cannot be judged is an error among the others; runs of which [`Judge::only`] meets no check are left out.
    ///
    /// ```
    /// let mut unread = 0;
    /// for run in loopgauge::Judge::new().runs("demo-data/rev-a") {
    ///     match run {
    ///         Ok(run) => println!("{}: {}", run.run, run.verdict),
    ///         Err(error) => {
    ///             unread += 1;
    ///             eprintln!("{error}");
    ///         }
    ///     }
    /// }
    /// assert_eq!(unread, 0);
    /// ```
    pub fn runs(&self, folder: impl AsRef<Path>) -> Runs<'_> {
        let folder = folder.as_ref().to_owned();
        let (places, problems) = discover::runs(std::slice::from_ref(&folder));
        let (warnings, errors): (Vec<_>, Vec<_>) =
            problems.into_iter().partition(|problem| problem.severity == Severity::Warning);
        Runs {
            judge: self,
            folder,
            errors: errors.into_iter(),
            places: places.into_iter(),
            warnings,
            judged: false,
            met: false,
        }
    }

    /// What is wrong with the files of a product's baseline; comparisons with it are then invalid. Empty without a baseline.
    ///
    /// # Errors
    /// Specs or a baseline that are not there.
    pub fn baseline_problems(&self, product: &str) -> Result<Vec<Diagnostic>, Error> {
        let baselines = self.opened()?.baselines.as_ref();
        Ok(baselines.map(|baselines| baselines.of(product).problems.clone()).unwrap_or_default())
    }

    fn opened(&self) -> Result<&Opened, Error> {
        self.opened.get_or_init(|| self.open()).as_ref().map_err(Clone::clone)
    }

    fn open(&self) -> Result<Opened, Error> {
        let only = Patterns::new(&self.only).map_err(|message| Diagnostic::error("bad-pattern", message))?;
        let help = |text: &'static str| move |problem: Diagnostic| problem.with_help(text);
        let specs = Specs::new(self.specs.as_deref().unwrap_or(Path::new(SPECS)));
        let baselines = self.baseline.as_deref().map(Baselines::new).transpose();
        Ok(Opened {
            specs: specs.map_err(help(
                "name a folder that holds PRODUCT.yaml, or one spec file, with `Judge::specs`",
            ))?,
            baselines: baselines
                .map_err(help("name the folder that `loopgauge accept` wrote, with `Judge::baseline`"))?,
            only,
        })
    }

    /// `None` when none of its checks is wanted.
    fn judged(&self, place: &RunPlace) -> Result<Option<RunOutcome>, Error> {
        let Opened { specs, baselines, only } = self.opened()?;
        let wants = |corner: &str, check: &str| only.meet(corner, check);
        let options = Options {
            today: self.today.unwrap_or_else(today),
            only: (!only.is_empty()).then_some(&wants as _),
            keep: false,
            plots: self.plots,
            so_far: false,
        };
        let benches = || self.benches.lock().unwrap_or_else(PoisonError::into_inner);
        let mut bench = benches().pop().unwrap_or_default();
        let judged = judge(place, specs, baselines.as_ref(), &options, false, &mut bench);
        benches().push(bench);
        judged.map_err(of_trouble)
    }
}

fn of_trouble(mut trouble: Trouble) -> Error {
    let known = trouble.known.take();
    Error::of_run(trouble.all(), known)
}

/// The run of a folder or a run file.
fn place(run: &Path) -> Result<RunPlace, Error> {
    if !run.is_dir() {
        return Ok(RunPlace::at(run.to_owned()));
    }
    let file = run.join(RUN_FILE);
    if file.exists() {
        return Ok(RunPlace::at(file));
    }
    let folder: Arc<str> = label(run).into();
    let none = Diagnostic::error("no-run", format!("holds no {RUN_FILE}")).in_file(&folder);
    Err(none.with_help("name a run.yaml or its folder; `Judge::runs` judges all runs below a folder").into())
}

fn nothing_met(place: &Path) -> Error {
    let place: Arc<str> = label(place).into();
    let message = "no check is met: patterns are held against CORNER/CHECK, such as `24V-*/phase_margin`";
    Diagnostic::error("only-nothing", message).in_file(&place).into()
}

/// The runs of a folder on their way to verdicts: see [`Judge::runs`].
pub struct Runs<'a> {
    judge: &'a Judge,
    folder: PathBuf,
    errors: std::vec::IntoIter<Diagnostic>,
    places: std::vec::IntoIter<RunPlace>,
    warnings: Vec<Diagnostic>,
    judged: bool,
    met: bool,
}

impl Runs<'_> {
    /// What was left out although it may hold runs: links to folders.
    #[must_use]
    pub fn warnings(&self) -> &[Diagnostic] {
        &self.warnings
    }
}

impl Iterator for Runs<'_> {
    type Item = Result<RunOutcome, Error>;

    fn next(&mut self) -> Option<Self::Item> {
        if let Some(problem) = self.errors.next() {
            return Some(Err(problem.into()));
        }
        for place in self.places.by_ref() {
            let judged = self.judge.judged(&place);
            self.judged |= judged.is_ok();
            if let Some(told) = judged.transpose() {
                self.met |= told.is_ok();
                return Some(told);
            }
        }
        // Said once, when all runs are through.
        let is_left = std::mem::take(&mut self.judged) && !self.met;
        is_left.then(|| Err(nothing_met(&self.folder)))
    }
}
