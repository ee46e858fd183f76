//! Runs as tests of `cargo test`: a test for every check of every corner.
//!
//! In a firmware repository, `tests/loop_stability.rs` is
//!
//! ```no_run
//! fn main() -> std::process::ExitCode {
//!     loopgauge::harness::new("runs").specs("specs").baseline("baseline").main()
//! }
//! ```
//!
//! and its `Cargo.toml` has
//!
//! ```toml
//! [[test]]
//! name = "loop_stability"
//! harness = false
//! ```
//!
//! Tests are named by the run's folder below `runs`, the corner and the check: `RG-00042/river-gauge-5v/24V-3A/phase_margin`. They are
//! listed from runs and specs alone. A corner is read and judged when the first of its tests runs, and once in a process.
//!
//! **Why does a check that was not judged fail?** Whoever runs `phase_margin` alone must not see it green because the corner was
//! never collected. Only where a waiver covers what it hangs on, it is ignored.
//!
//! **Why has a run a test `copies`?** A corner that is judged alone cannot show that its sweeps are those of another corner.

mod unit;

use crate::diagnostic::{Diagnostic, Severity};
use crate::disk::baselines::Baselines;
use crate::disk::discover::{self, RunPlace};
use crate::disk::files::{label, name_text};
use crate::disk::specs::{SPECS, Specs};
use crate::disk::today;
use crate::error::Error;
use libtest_mimic::{Arguments, Failed, Trial};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;
use time::Date;
use unit::{Bench, Unit, line, waived};

/// The tests of all runs below a folder.
#[derive(Debug, Clone)]
pub struct Harness {
    runs: PathBuf,
    specs: PathBuf,
    baseline: Option<PathBuf>,
    today: Option<Date>,
    by_corner: bool,
}

/// Tests for the runs below a folder. A relative path is that of the package's folder, as cargo tells it (`CARGO_MANIFEST_DIR`);
/// started by hand, of the folder where it is started.
#[must_use]
pub fn new(runs: impl Into<PathBuf>) -> Harness {
    Harness { runs: runs.into(), specs: SPECS.into(), baseline: None, today: None, by_corner: false }
}

impl Harness {
    /// The folder that holds `PRODUCT.yaml` of each product. Without it `specs`, here or in a folder above.
    #[must_use]
    pub fn specs(self, folder: impl Into<PathBuf>) -> Self {
        Self { specs: folder.into(), ..self }
    }

    /// The folder of accepted units. Without one the comparisons with it are not listed.
    #[must_use]
    pub fn baseline(self, folder: impl Into<PathBuf>) -> Self {
        Self { baseline: Some(folder.into()), ..self }
    }

    /// The day, UTC, that waivers are held against. Without it today.
    #[must_use]
    pub fn today(self, today: Date) -> Self {
        Self { today: Some(today), ..self }
    }

    /// One test per corner in place of one per check: for a runner that starts a process per test, in which every test judges its
    /// corner anew.
    #[must_use]
    pub fn by_corner(self) -> Self {
        Self { by_corner: true, ..self }
    }

    /// Lists or runs the tests, as the arguments of this process say: those of any test binary (`--list`, `--exact`, `--skip`,
    /// `--ignored`, `--test-threads`, a filter).
    #[must_use]
    pub fn main(&self) -> ExitCode {
        let arguments = Arguments::from_args();
        libtest_mimic::run(&arguments, self.trials(&arguments)).exit_code()
    }

    /// The tests that the arguments may ask for.
    fn trials(&self, arguments: &Arguments) -> Vec<Trial> {
        let bench = match self.bench() {
            Ok(bench) => Arc::new(bench),
            Err((name, problem)) => return vec![broken(name.to_owned(), problem)],
        };
        let root = in_package(&self.runs);
        let (places, problems) = discover::runs(std::slice::from_ref(&root));
        let mut trials: Vec<Trial> = problems.into_iter().map(of_search).collect();
        // A process that is asked for one test has no need of other runs.
        let wanted = arguments.filter.as_deref().filter(|_| arguments.exact);
        for place in places {
            let name = name(&place, &root);
            if wanted.is_none_or(|wanted| wanted.contains(&format!("{name}/"))) {
                match Unit::load(place, name.clone(), &bench) {
                    Ok(unit) => trials.extend(self.trials_of(&Arc::new(unit))),
                    Err(error) => trials.push(broken(format!("{name}/{}", discover::RUN_FILE), error)),
                }
            }
        }
        // The first check of every corner goes first: threads then judge corners side by side and do not wait for each other.
        trials.sort_by_key(|trial| !trial.name().ends_with("/collected"));
        trials
    }

    fn trials_of(&self, unit: &Arc<Unit>) -> Vec<Trial> {
        let mut trials = Vec::new();
        for (index, corner) in unit.run.spec().corners.iter().enumerate() {
            let own = format!("{}/{}", unit.name, line(&corner.name));
            if self.by_corner {
                let unit = Arc::clone(unit);
                trials.push(Trial::test(own, move || unit.corner(index).map_err(Failed::from)));
                continue;
            }
            for check in corner.checks() {
                if self.baseline.is_none() && check.starts_with("regression.") {
                    continue;
                }
                let (waiver, name) =
                    (waived(corner, &check, unit.bench.today), format!("{own}/{}", line(&check)));
                let unit = Arc::clone(unit);
                let trial =
                    Trial::ignorable_test(name, move || unit.check(index, &check).map_err(Failed::from));
                trials.push(trial.with_ignored_flag(waiver.is_some()).with_kind(waiver.unwrap_or_default()));
            }
        }
        if unit.may_hold_copies() {
            let (name, unit) = (format!("{}/copies", unit.name), Arc::clone(unit));
            trials.push(Trial::test(name, move || unit.copies().map_err(Failed::from)));
        }
        trials
    }

    /// What all runs are judged with; what cannot be found, by the name of its test.
    fn bench(&self) -> Result<Bench, (&'static str, Error)> {
        let specs =
            Specs::new(&in_package(&self.specs)).map_err(|problem| ("specs", mended(problem).into()))?;
        let baselines =
            self.baseline.as_deref().map(|folder| Baselines::new(&in_package(folder))).transpose();
        let baselines = baselines.map_err(|problem| ("baseline", mended(problem).into()))?;
        Ok(Bench::new(specs, baselines, self.today.unwrap_or_else(today)))
    }
}

/// A path of the package: cargo tells its folder, which is also where it starts the tests.
fn in_package(path: &Path) -> PathBuf {
    let package = std::env::var_os("CARGO_MANIFEST_DIR").map(PathBuf::from);
    let is_here = |package: &PathBuf| std::env::current_dir().is_ok_and(|here| here == *package);
    match package.filter(|package| !is_here(package)) {
        Some(package) => package.join(path),
        None => path.to_owned(),
    }
}

/// What to do about a folder that is not there.
fn mended(problem: Diagnostic) -> Diagnostic {
    let is_by_cargo = std::env::var_os("CARGO_MANIFEST_DIR").is_some();
    problem.with_help(if is_by_cargo {
        "name it in the test's `main`, as seen from the folder of its package"
    } else {
        "start it with `cargo test`, or in the folder of its package: paths are taken from there"
    })
}

/// The name of a run: its folder below the folder of all runs; where it is that one, the folder's own name.
fn name(place: &RunPlace, root: &Path) -> String {
    let below = place.label.strip_prefix(&label(root)).map(|rest| rest.trim_start_matches('/'));
    let own = || {
        let folder = std::fs::canonicalize(place.folder()).ok()?;
        Some(name_text(folder.file_name()?))
    };
    let name = below.filter(|below| !below.is_empty()).map(str::to_owned).or_else(own);
    line(&name.unwrap_or_else(|| place.label.clone()))
}

/// What came of the search for runs: an error fails, a warning is shown as an ignored test.
fn of_search(problem: Diagnostic) -> Trial {
    let place = problem.place.as_ref().map_or_else(|| "runs".to_owned(), |place| line(&place.file));
    match problem.severity {
        Severity::Warning => {
            Trial::test(place, || Ok(())).with_kind(line(&problem.message)).with_ignored_flag(true)
        }
        Severity::Error => broken(place, mended(problem).into()),
    }
}

/// A test that tells what is wrong.
fn broken(name: String, error: Error) -> Trial {
    Trial::test(name, move || Err(error.to_string().into()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::check::{RunOutcome, Verdict};
    use crate::judge::Judge;
    use libtest_mimic::{Conclusion, FormatSetting};
    use std::fs;
    use time::macros::date;

    const GOOD: &str = "rev-c/RG-00021/river-gauge-5v";

    fn at_home(path: &str) -> PathBuf {
        Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
    }

    fn harness(runs: impl Into<PathBuf>) -> Harness {
        new(runs).specs(at_home("specs")).today(date!(2026 - 11 - 25))
    }

    fn asked(filter: &str, exact: bool) -> Arguments {
        let filter = (!filter.is_empty()).then(|| filter.to_owned());
        Arguments { filter, exact, format: Some(FormatSetting::Terse), ..Arguments::default() }
    }

    fn names(harness: &Harness) -> Vec<String> {
        harness.trials(&asked("", false)).iter().map(|trial| trial.name().to_owned()).collect()
    }

    fn ran(harness: &Harness, filter: &str, exact: bool) -> Conclusion {
        let arguments = asked(filter, exact);
        libtest_mimic::run(&arguments, harness.trials(&arguments))
    }

    /// A run of the demo in a folder of its own, with the files that are kept.
    fn copy(run: &str, keeps: impl Fn(&str) -> bool) -> tempfile::TempDir {
        let room = tempfile::tempdir().unwrap();
        let (from, to) = (at_home("demo-data").join(run), room.path().join("RG-00042/river-gauge-5v"));
        fs::create_dir_all(&to).unwrap();
        for entry in fs::read_dir(from).unwrap() {
            let entry = entry.unwrap();
            if keeps(entry.file_name().to_str().unwrap()) {
                fs::copy(entry.path(), to.join(entry.file_name())).unwrap();
            }
        }
        room
    }

    /// Checks of a run that must fail as tests, of all that were given a baseline or need none.
    fn bad(run: &RunOutcome) -> u64 {
        let checks =
            run.corners.iter().flat_map(|corner| corner.checks.iter().map(move |check| (corner, check)));
        let bad = checks.filter(|(corner, check)| {
            let covered = check.verdict == Verdict::NotJudged && corner.verdict.is_good();
            !check.check.starts_with("regression.") && !check.verdict.is_good() && !covered
        });
        bad.count() as u64
    }

    #[test]
    fn a_test_fails_for_every_check_that_is_not_good_and_for_no_other() {
        let judge = Judge::new().specs(at_home("specs")).today(date!(2026 - 11 - 25));
        let of = |run: Result<RunOutcome, Error>| match run {
            Ok(run) => bad(&run),
            Err(error) => bad(&error.run().unwrap().rest),
        };
        let wanted: u64 = judge.runs(at_home("demo-data")).map(of).sum();
        let conclusion = ran(&harness(at_home("demo-data")), "", false);
        // From the demo's table: more than the ten runs that do not pass.
        assert!(wanted > 10 && conclusion.num_failed == wanted, "{wanted}: {conclusion:?}");
        assert_eq!(conclusion.num_ignored, 4, "waivers in force");
        let by_corner = ran(&harness(at_home("demo-data")).by_corner(), "", false);
        assert!(by_corner.num_failed < 20 && by_corner.num_failed > 10, "{by_corner:?}");
    }

    #[test]
    fn tests_are_listed_without_a_sweep_and_one_of_them_reads_one_corner() {
        let room = copy(GOOD, |name| name == "run.yaml" || name.starts_with("24v-0.5a"));
        let harness = harness(room.path());
        let names = names(&harness);
        assert!(names.contains(&"RG-00042/river-gauge-5v/24V-0.5A/phase_margin".to_owned()), "{names:?}");
        assert!(!names.iter().any(|name| name.contains("regression")), "there is no baseline: {names:?}");
        let one = ran(&harness, "RG-00042/river-gauge-5v/24V-0.5A/phase_margin", true);
        assert_eq!((one.num_passed, one.num_failed), (1, 0));
        // The corner beside it has no file.
        let other = ran(&harness, "RG-00042/river-gauge-5v/24V-3A/phase_margin", true);
        assert_eq!((other.num_passed, other.num_failed), (0, 1));
    }

    #[test]
    fn comparisons_are_listed_with_a_baseline() {
        let harness = harness(at_home("demo-data").join(GOOD)).baseline(at_home("demo-data/baseline"));
        let names = names(&harness);
        assert!(names.contains(&"river-gauge-5v/24V-3A/regression.phase_margin".to_owned()), "{names:?}");
        assert_eq!(ran(&harness, "regression", false).num_failed, 0);
    }

    #[test]
    fn sweeps_of_another_corner_fail_as_copies() {
        let room = copy(GOOD, |_| true);
        assert_eq!(ran(&harness(room.path()), "RG-00042/river-gauge-5v/copies", true).num_passed, 1);
        let folder = room.path().join("RG-00042/river-gauge-5v");
        let run_file = fs::read_to_string(folder.join("run.yaml")).unwrap();
        let files_of = |corner: &str| -> Vec<String> {
            let lines = run_file.lines().filter(|line| line.contains(&format!("corner: {corner},")));
            lines
                .map(|line| line.split("file: ").nth(1).unwrap().split(',').next().unwrap().to_owned())
                .collect()
        };
        for (from, to) in files_of("24V-0.5A").iter().zip(files_of("10V-0.5A")) {
            fs::copy(folder.join(from), folder.join(to)).unwrap();
        }
        let conclusion = ran(&harness(room.path()), "RG-00042/river-gauge-5v/copies", true);
        assert_eq!((conclusion.num_passed, conclusion.num_failed), (0, 1), "{run_file}");
        // As the whole run is judged.
        let run = Judge::new().specs(at_home("specs")).run(folder).unwrap();
        assert_eq!(run.verdict, Verdict::Invalid);
    }

    #[test]
    fn what_cannot_be_read_is_one_failing_test() {
        let room = copy(GOOD, |name| name == "run.yaml");
        let file = room.path().join("RG-00042/river-gauge-5v/run.yaml");
        fs::write(&file, "run: 1\nproduct: river-gauge-5v\nseriel: RG-00042\n").unwrap();
        assert_eq!(names(&harness(room.path())), ["RG-00042/river-gauge-5v/run.yaml"]);
        assert_eq!(ran(&harness(room.path()), "", false).num_failed, 1);
        for (harness, name) in [
            (harness(room.path()).specs("/no/such/folder"), "specs"),
            (harness(room.path()).baseline("/no/such/folder"), "baseline"),
            (harness("/no/such/folder"), "/no/such/folder"),
        ] {
            assert_eq!(names(&harness), [name]);
            assert_eq!(ran(&harness, "", false).num_failed, 1);
        }
    }
}
