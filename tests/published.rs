//! Margins of published loops, through files and the built binary.
//!
//! The loops and their sources (textbooks, handbooks) stand in `tests/published/margin-cases.json`, with every crossover
//! and margin to 15 digits from root finding with 60 digits, cross-checked with a general-purpose control library.

#![cfg(feature = "cli")]
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test that cannot run its own program must stop"
)]

mod common;

use common::{Loop, loops};
use serde_json::Value;
use std::fs;
use std::path::Path;
use std::process::Command;

const OFFSETS: usize = 25;

/// Runs `inspect` on files of a folder; gives the sweeps by file name.
fn inspect(folder: &Path, files: &[String], critical_point: &str) -> Vec<Value> {
    let output = Command::new(env!("CARGO_BIN_EXE_loopgauge"))
        .current_dir(folder)
        .args(["inspect", "--critical-point", critical_point, "--json", "-"])
        .args(files)
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let result: Value = serde_json::from_slice(&output.stdout).unwrap();
    let sweeps = result["sweeps"].as_array().unwrap().clone();
    assert_eq!(sweeps.len(), files.len());
    sweeps
}

/// Worst errors of one loop at one density.
#[derive(Debug, Default, Clone, Copy)]
struct Errors {
    crossover_percent: f64,
    phase_margin_deg: f64,
    gain_margin_db: f64,
    stability_margin: f64,
    delay_margin_percent: f64,
    /// Sweeps in which a crossover, a phase crossover or a margin was missed or invented.
    wrong: usize,
    /// Sweeps with a finding that the points are too far apart.
    warned: usize,
}

impl Errors {
    fn worst(self, other: Self) -> Self {
        Self {
            crossover_percent: self.crossover_percent.max(other.crossover_percent),
            phase_margin_deg: self.phase_margin_deg.max(other.phase_margin_deg),
            gain_margin_db: self.gain_margin_db.max(other.gain_margin_db),
            stability_margin: self.stability_margin.max(other.stability_margin),
            delay_margin_percent: self.delay_margin_percent.max(other.delay_margin_percent),
            wrong: self.wrong + other.wrong,
            warned: self.warned + other.warned,
        }
    }
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("no number: {value}"))
}

fn list(value: &Value) -> &[Value] {
    value.as_array().unwrap()
}

/// Compares one inspected sweep with what the loop really has.
fn compare(case: &Value, sweep: &Value) -> Errors {
    let mut errors = Errors::default();
    let warned = list(&sweep["findings"]).iter().any(|f| f.as_str().unwrap().contains("too far apart"));
    errors.warned = usize::from(warned);
    let (crossovers, expected) = (list(&sweep["crossovers"]), list(&case["gain_crossovers"]));
    let (phase, phase_expected) = (list(&sweep["phase_crossovers"]), list(&case["phase_crossovers"]));
    if crossovers.len() != expected.len() || phase.len() != phase_expected.len() {
        errors.wrong = 1;
        return errors;
    }
    for (found, truth) in crossovers.iter().zip(expected) {
        errors.wrong |= usize::from(found["direction"] != truth["direction"]);
        let hz = number(&found["frequency_hz"]) / number(&truth["f_hz"]) - 1.0;
        errors.crossover_percent = errors.crossover_percent.max(hz.abs() * 100.0);
        let margin = number(&found["phase_margin_deg"]) - number(&truth["phase_margin_deg"]);
        errors.phase_margin_deg = errors.phase_margin_deg.max(margin.abs());
    }
    for (found, truth) in phase.iter().zip(phase_expected) {
        let margin = number(&found["gain_margin_db"]) - number(&truth["gain_margin_db"]);
        errors.gain_margin_db = errors.gain_margin_db.max(margin.abs());
    }
    if sweep["stability_margin"].is_null() {
        // Left open, and said so.
        errors.wrong = 1;
        return errors;
    }
    let distance = number(&sweep["stability_margin"]["value"]) - number(&case["stability_margin"]["value"]);
    errors.stability_margin = distance.abs();
    let summary = &case["summary"];
    for (ours, theirs) in [
        ("phase_margin_deg", "phase_margin_nearest_zero_deg"),
        ("gain_reduction_margin_db", "gain_reduction_margin_db"),
        ("delay_margin_s", "delay_margin_s"),
    ] {
        errors.wrong |= usize::from(sweep[ours].is_null() != summary[theirs].is_null());
    }
    if !summary["delay_margin_s"].is_null() {
        let delay = number(&sweep["delay_margin_s"]["value"]) / number(&summary["delay_margin_s"]) - 1.0;
        errors.delay_margin_percent = delay.abs() * 100.0;
    }
    // Without a phase crossover below 0 dB the gain margin is a bound.
    let at_least = sweep["gain_margin_db"]["at_least"] == Value::Bool(true);
    errors.wrong |= usize::from(at_least != summary["gain_margin_db"].is_null());
    errors
}

/// Worst errors of a loop over grids shifted by parts of their step.
fn measure(case: &Loop, density: f64, turned: bool) -> Errors {
    let folder = tempfile::tempdir().unwrap();
    let files: Vec<String> = (0..OFFSETS)
        .map(|k| {
            let name = format!("{k}.csv");
            let grid = case.grid(density, k as f64 / OFFSETS as f64);
            fs::write(folder.path().join(&name), case.csv(&grid, turned)).unwrap();
            name
        })
        .collect();
    inspect(folder.path(), &files, if turned { "+1" } else { "-1" })
        .iter()
        .map(|sweep| compare(&case.case, sweep))
        .reduce(Errors::worst)
        .unwrap()
}

fn print(name: &str, density: f64, e: &Errors) {
    println!(
        "{name:26} {density:4} | {:.1e} % {:.1e} deg {:.1e} dB {:.1e} {:.1e} % | wrong {} warned {} of {OFFSETS}",
        e.crossover_percent,
        e.phase_margin_deg,
        e.gain_margin_db,
        e.stability_margin,
        e.delay_margin_percent,
        e.wrong,
        e.warned
    );
}

/// The accuracy that local cubic interpolation reaches on smooth loops, with little to spare: crossover %, phase margin
/// deg, gain margin dB, stability margin.
#[test]
fn smooth_loops_come_back() {
    for (density, limits) in [(25.0, [0.005, 0.003, 0.002, 0.0005]), (50.0, [3e-4, 2e-4, 1e-4, 4e-5])] {
        let mut worst = Errors::default();
        for case in loops().iter().filter(|case| case.is_smooth()) {
            for turned in [false, true] {
                let errors = measure(case, density, turned);
                print(&case.id, density, &errors);
                assert_eq!(errors.wrong, 0, "{}", case.id);
                worst = worst.worst(errors);
            }
        }
        print("worst", density, &worst);
        assert!(worst.crossover_percent <= limits[0]);
        assert!(worst.phase_margin_deg <= limits[1]);
        assert!(worst.gain_margin_db <= limits[2]);
        assert!(worst.stability_margin <= limits[3]);
    }
}

/// Sharp resonances come back at the density that the file gives for them, no worse than its own table says of the same
/// interpolation, and below it the sweep is said to be too coarse wherever it shows.
#[test]
fn sharp_resonances_come_back_at_their_density() {
    for case in loops().iter().filter(|case| !case.is_smooth()) {
        let density = case.least_density();
        let errors = measure(case, density, false);
        print(&case.id, density, &errors);
        let table = &case.case["sweep"]["worst_interpolation_error"]["lagrange_4_point"];
        assert_eq!(errors.wrong, 0);
        // The table is rounded to two digits, and its grids lie a little differently: 15 % for both.
        for (ours, key) in [
            (errors.crossover_percent, "crossover_percent"),
            (errors.phase_margin_deg, "phase_margin_deg"),
            (errors.gain_margin_db, "gain_margin_db"),
            (errors.stability_margin, "stability_margin"),
        ] {
            let listed = table[key].as_f64().unwrap_or(0.0);
            assert!(ours <= listed * 1.15 + 1e-9, "{} {key}: {ours} against {listed}", case.id);
        }
        let coarse = measure(case, 25.0, false);
        print(&case.id, 25.0, &coarse);
        assert_eq!(coarse.warned, OFFSETS, "{}: a coarse sweep was taken without a word", case.id);
    }
}

/// A loop's sweep judged by a spec of its own; gives the verdict of `sanity` and its message.
fn sanity(case: &Loop, turned: bool) -> (String, String) {
    let folder = tempfile::tempdir().unwrap();
    let (from, to) = case.band_hz();
    let spec = format!(
        "spec: 1\nproduct: loop\ncritical_point: {}\nopen_loop_poles: {}\nband: {{from: {from} Hz, to: {to} Hz}}\n\
         limits: {{stability_margin: {{min: 0.01}}}}\nlinearity: {{waived: computed}}\ncorners: [{{name: only}}]\n",
        if turned { "+1" } else { "-1" },
        case.case["open_loop_rhp_poles"],
    );
    fs::write(folder.path().join("loop.yaml"), spec).unwrap();
    fs::write(folder.path().join("a.csv"), case.csv(&case.grid(case.least_density(), 0.0), turned)).unwrap();
    let run = "run: 1\nproduct: loop\nserial: S1\nrevision: A\nsweeps: [{file: a.csv, corner: only, level: -20 dBm}]\n";
    fs::write(folder.path().join("run.yaml"), run).unwrap();
    let output = Command::new(env!("CARGO_BIN_EXE_loopgauge"))
        .current_dir(folder.path())
        .args(["check", ".", "--specs", ".", "--json", "-"])
        .output()
        .unwrap();
    let result: Value = serde_json::from_slice(&output.stdout)
        .unwrap_or_else(|_| panic!("{}: {}", case.id, String::from_utf8_lossy(&output.stderr)));
    let checks = list(&result["runs"][0]["corners"][0]["checks"]).to_vec();
    let check = checks.iter().find(|check| check["check"] == "sanity").unwrap();
    (check["verdict"].as_str().unwrap().to_owned(), check["message"].as_str().unwrap().to_owned())
}

/// Nyquist's criterion in crossing form (M. Vidyasagar et al., IEEE Control Systems Magazine 1988: from memory) tells the
/// two unstable loops from the stable ones, some of which have odd crossings and negative margins.
#[test]
fn unstable_loops_are_refused_and_odd_stable_ones_are_not() {
    for case in loops() {
        let stable = case.case["closed_loop_stable"].as_bool().unwrap();
        for turned in [false, true] {
            let (verdict, message) = sanity(&case, turned);
            assert_eq!(verdict, if stable { "pass" } else { "invalid" }, "{}: {message}", case.id);
        }
    }
}

/// conditional-am has phase crossovers at exactly 2 and 3 rad/s, conditional-fpe at exactly 10: a sample on the ray is one
/// crossing, wherever it lies in the sweep.
#[test]
fn a_sample_exactly_on_the_ray_is_one_crossing() {
    let folder = tempfile::tempdir().unwrap();
    let loops = loops();
    for (id, exact, from, step, count) in [
        ("conditional-am", 2, 0.5, 0.25, 2),
        ("conditional-am", 3, 0.75, 0.25, 2),
        ("conditional-fpe", 10, 2.0, 0.5, 1),
    ] {
        let case = loops.iter().find(|case| case.id == id).unwrap();
        let grid: Vec<f64> = (0..120).map(|k| (from + step * f64::from(k)) / std::f64::consts::TAU).collect();
        fs::write(folder.path().join("a.csv"), case.csv(&grid, false)).unwrap();
        let sweeps = inspect(folder.path(), &["a.csv".to_owned()], "-1");
        let found: Vec<f64> = list(&sweeps[0]["phase_crossovers"])
            .iter()
            .map(|c| number(&c["frequency_hz"]) * std::f64::consts::TAU)
            .collect();
        assert_eq!(found.len(), count, "{id}: {found:?}");
        assert!(found.iter().any(|w| (w - f64::from(exact)).abs() < 1e-9), "{id}: {found:?}");
    }
}

/// Astrom and Murray, Feedback Systems; Skogestad and Postlethwaite, Multivariable Feedback Control, 2nd ed., 2.4.3 (both
/// from memory): with the stability margin s, gain margin >= 1/(1 - s) and phase margin >= 2 asin(s/2).
#[test]
fn margins_keep_the_bounds_that_the_stability_margin_sets() {
    let folder = tempfile::tempdir().unwrap();
    for case in loops() {
        fs::write(folder.path().join("a.csv"), case.csv(&case.grid(case.least_density(), 0.0), false))
            .unwrap();
        let sweep = &inspect(folder.path(), &["a.csv".to_owned()], "-1")[0];
        let s = number(&sweep["stability_margin"]["value"]);
        if let Some(margin) = sweep["phase_margin_deg"]["value"].as_f64() {
            assert!(margin.abs() >= (2.0 * (0.5 * s).asin()).to_degrees() - 0.05, "{}", case.id);
        }
        if sweep["gain_margin_db"]["at_least"] == Value::Bool(false) && s < 1.0 {
            let bound = -20.0 * (1.0 - s).log10();
            assert!(number(&sweep["gain_margin_db"]["value"]) >= bound - 0.01, "{}", case.id);
        }
    }
}
