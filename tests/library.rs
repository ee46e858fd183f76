//! The library as others use it: what they hand over cannot make a wrong verdict.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test that cannot set up its case must stop"
)]

use loopgauge::check::{Options, RunOutcome, Verdict, Workspace, judge_run};
use loopgauge::diagnostic::Diagnostic;
use loopgauge::measurand::Measurand;
use loopgauge::run::{self, Run, SweepEntry};
use loopgauge::spec::{self, LoadedSpec};
use loopgauge::sweep::{Complex64, Reading, Samples, Scratch};
use std::sync::Arc;

const SPEC: &str = "spec: 1
product: river-gauge-5v
critical_point: -1
density: 20
limits: {phase_margin: {min: 50 deg}}
linearity: {waived: calculated loops}
corners:
  - {name: 10V, limits: {phase_margin: {min: 85 deg}}}
  - {name: 24V}
";

const RUN: &str = "run: 1
product: river-gauge-5v
serial: RG-00042
revision: C
sweeps:
  - {file: soft, corner: 10V}
  - {file: hard, corner: 24V}
";

fn load(text: &str) -> LoadedSpec {
    spec::load("specs/river-gauge-5v.yaml", &|_: &str| Ok(text.as_bytes().to_vec())).unwrap()
}

fn resolved(spec: &LoadedSpec) -> Run {
    run::parse(RUN.as_bytes(), "r/run.yaml", "r").unwrap().resolve(spec, &[]).unwrap()
}

fn grid() -> Vec<f64> {
    (0..=120).map(|k| 100.0 * 10f64.powf(f64::from(k) / 40.0)).collect()
}

/// An integrator that crosses 0 dB at about 10 kHz, and a pole: phase margins of 89.9 deg (`soft`) and 60 deg.
fn calculated(file: &str) -> Vec<Complex64> {
    let pole = if file == "soft" { 6e6 } else { 16e3 };
    grid().iter().map(|f| Complex64::new(0.0, -1e4 / f) / Complex64::new(1.0, f / pole)).collect()
}

fn judged(
    run: &Run,
    mut read: impl FnMut(&SweepEntry, &mut Samples) -> Result<(), Vec<Diagnostic>>,
) -> Result<RunOutcome, Vec<Diagnostic>> {
    let options = Options::new(time::macros::date!(2026 - 04 - 02));
    let mut read = |entry: &SweepEntry, _: &Reading, samples: &mut Samples| read(entry, samples);
    judge_run(run, None, &options, &mut Workspace::default(), &mut read)
        .map(Option::unwrap)
        .map_err(|unreadable| unreadable.all_problems().cloned().collect())
}

fn fill(entry: &SweepEntry, samples: &mut Samples) -> Result<(), Vec<Diagnostic>> {
    *samples = Samples::from_complex(&grid(), &calculated(&entry.name())).unwrap();
    Ok(())
}

#[test]
fn a_run_keeps_the_spec_that_it_was_resolved_against() {
    let mut spec = load(SPEC);
    let run = resolved(&spec);
    let first = judged(&run, fill).unwrap();
    // Against these corners the soft loop would be judged by the limit of the other one.
    Arc::make_mut(&mut spec.spec).corners.reverse();
    let names: Vec<&str> = run.spec().corners.iter().map(|corner| corner.name.as_str()).collect();
    assert_eq!(names, ["10V", "24V"]);
    assert_eq!(judged(&run, fill).unwrap(), first);
    assert_eq!((first.product.as_str(), first.verdict), ("river-gauge-5v", Verdict::Waived));
    // Resolved anew, each sweep goes to its corner by name.
    let again = judged(&resolved(&spec), fill).unwrap();
    let told = |outcome: &RunOutcome| -> Vec<(String, Option<f64>)> {
        let margin =
            |set: loopgauge::check::MeasuredSet| set.get(Measurand::PhaseMargin).map(|margin| margin.value);
        outcome.corners.iter().map(|c| (c.corner.clone(), c.measured.and_then(margin))).collect()
    };
    let mut turned = told(&again);
    turned.reverse();
    assert_eq!(turned, told(&first));
}

#[test]
fn a_run_of_another_product_does_not_resolve() {
    let other = load(&SPEC.replace("river-gauge-5v", "river-gauge-3v3"));
    let errors = run::parse(RUN.as_bytes(), "r/run.yaml", "r").unwrap().resolve(&other, &[]).unwrap_err();
    assert_eq!(errors[0].code, "other-product");
}

#[test]
fn a_reader_that_fills_nothing_is_an_error_and_not_the_sweep_before() {
    let run = resolved(&load(SPEC));
    let errors =
        judged(&run, |entry, samples| if entry.name() == "soft" { fill(entry, samples) } else { Ok(()) });
    let errors = errors.unwrap_err();
    assert_eq!(errors.len(), 1, "{errors:?}");
    assert_eq!(errors[0].code, "sweep-empty");
    assert_eq!(errors[0].place.as_ref().map(|place| &*place.file), Some("hard"));
}

#[test]
fn a_bad_number_in_the_middle_of_the_band_gives_no_samples() {
    for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
        let (hz, mut gain) = (grid(), calculated("soft"));
        gain[80].im = bad;
        let error = Samples::from_complex(&hz, &gain).unwrap_err().to_string();
        assert!(
            error.starts_with(&format!("`loop_gain.im`, row 81 (index 80): {bad} is not finite")),
            "{error}"
        );
    }
}

#[test]
fn numbers_in_memory_are_judged_as_those_of_a_file() {
    let run = resolved(&load(SPEC));
    let columns = |file: &str| -> [Vec<f64>; 2] {
        let gain = calculated(file);
        [
            gain.iter().map(|t| 20.0 * t.norm().log10()).collect(),
            gain.iter().map(|t| t.arg().to_degrees()).collect(),
        ]
    };
    let of_file = judged(&run, |entry, samples| {
        let [db, deg] = columns(&entry.name());
        let rows = grid().into_iter().zip(db).zip(deg).map(|((hz, db), deg)| format!("{hz},{db},{deg}\n"));
        let text = format!("frequency_hz,gain_db,phase_deg\n{}", rows.collect::<String>());
        let label = entry.name().into();
        loopgauge::sweep::read(text.as_bytes(), &label, &Reading::default(), &mut Scratch::default(), samples)
    });
    let in_memory = judged(&run, |entry, samples| {
        let [db, deg] = columns(&entry.name());
        *samples = Samples::from_db_deg(&grid(), &db, &deg).unwrap();
        Ok(())
    });
    assert_eq!(in_memory, of_file);
    assert!(in_memory.unwrap().corners.iter().all(|corner| corner.measured.is_some()));
}

#[cfg(feature = "files")]
mod on_disk {
    use loopgauge::check::Verdict;
    use loopgauge::{Error, Judge};
    use std::path::{Path, PathBuf};
    use time::macros::date;

    fn at_home(path: &str) -> PathBuf {
        Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
    }

    fn judge() -> Judge {
        Judge::new().specs(at_home("specs")).today(date!(2026 - 11 - 25))
    }

    /// The demo's table: 17 runs with a verdict, 6 of them pass, and one that cannot be read.
    #[test]
    fn a_folder_is_judged_past_a_run_that_cannot_be_read() {
        let judge = judge();
        let mut runs = judge.runs(at_home("demo-data"));
        assert!(runs.warnings().is_empty());
        let (mut passed, mut judged, mut errors): (_, _, Vec<Error>) = (0, 0, Vec::new());
        for run in &mut runs {
            match run {
                Ok(run) => {
                    judged += 1;
                    passed += u32::from(run.verdict == Verdict::Pass);
                }
                Err(error) => errors.push(error),
            }
        }
        assert_eq!((judged, passed, errors.len()), (17, 6, 1));
        let error = &errors[0];
        assert_eq!(error.problems()[0].code, "sweep-number");
        assert!(error.to_string().contains("24v-0.5a.csv:59:2: `--` is no number"), "{error}");
        // What could be read of it is judged all the same.
        assert!(error.run().unwrap().rest.corners.iter().any(|corner| corner.verdict == Verdict::Pass));
    }

    #[test]
    fn a_waiver_ends_by_the_day_that_is_handed_over() {
        let run = at_home("demo-data/rev-a/RG-00003/river-gauge-12v");
        assert_eq!(judge().run(&run).unwrap().verdict, Verdict::Waived);
        assert_ne!(judge().today(date!(2100 - 01 - 01)).run(&run).unwrap().verdict, Verdict::Waived);
    }

    #[test]
    fn patterns_leave_out_runs_and_what_meets_nothing_is_an_error() {
        let folder = at_home("demo-data/rev-a");
        let code = |error: Error| error.problems()[0].code;
        let some = judge().only(["9V-1A/crossover"]);
        let met: Vec<_> = some.runs(&folder).map(Result::unwrap).map(|run| run.product).collect();
        assert_eq!(met, ["river-gauge-12v"]);
        let none = judge().only(["nowhere/crossover"]);
        let errors: Vec<_> = none.runs(&folder).map(Result::unwrap_err).map(code).collect();
        assert_eq!(errors, ["only-nothing"]);
        assert_eq!(
            judge().only(["[9V"]).run(folder.join("RG-00003/river-gauge-12v")).map_err(code),
            Err("bad-pattern")
        );
    }

    #[test]
    fn what_is_not_there_is_named() {
        let code = |error: Error| error.problems()[0].code;
        let run = at_home("demo-data/rev-a/RG-00003/river-gauge-12v");
        assert_eq!(judge().run(at_home("demo-data")).map_err(code), Err("no-run"));
        assert_eq!(judge().run(at_home("nowhere")).map_err(code), Err("file-missing"));
        assert_eq!(judge().specs("/no/such/folder").run(&run).map_err(code), Err("specs-missing"));
        assert_eq!(judge().baseline("/no/such/folder").run(&run).map_err(code), Err("baseline-missing"));
        // Nobody typed an option.
        let text = judge().specs("/no/such/folder").run(&run).unwrap_err().to_string();
        assert!(text.contains("with `Judge::specs`") && !text.contains("--"), "{text}");
        let told: Vec<_> =
            judge().runs(at_home("nowhere")).map(|run| run.map_err(code).map(|_| ())).collect();
        assert_eq!(told, [Err("run-missing")]);
    }

    #[test]
    fn one_judge_serves_many_threads() {
        let (judge, runs) = (judge(), ["rev-a/RG-00003/river-gauge-5v", "rev-a/RG-00005/river-gauge-1v8"]);
        let alone: Vec<_> =
            runs.iter().map(|run| judge.run(at_home("demo-data").join(run)).unwrap()).collect();
        let together: Vec<_> = std::thread::scope(|scope| {
            let judge = &judge;
            let started: Vec<_> = (0..8)
                .map(|n| scope.spawn(move || judge.run(at_home("demo-data").join(runs[n % 2])).unwrap()))
                .collect();
            started.into_iter().map(|thread| thread.join().unwrap()).collect()
        });
        assert!(together.iter().enumerate().all(|(n, run)| *run == alone[n % 2]));
    }

    #[test]
    fn an_error_shows_no_raw_control_character() {
        let error: Error =
            loopgauge::diagnostic::Diagnostic::error("x", "a\u{1b}[31mb").with_help("c\u{7}").into();
        assert_eq!(error.to_string(), "error[x]: a\\x1b[31mb\n  help: c\\x07");
    }
}
