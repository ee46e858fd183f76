//! The corpus on disk: `specs/`, and `runs/lot-001/BR-00001/` with `run.yaml` and its sweeps.

use super::model::{CORNERS, Loop, Random, grid, reading};
use num_complex::Complex64;
use rayon::prelude::*;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::{fs, io};

/// Points of a sweep.
pub const POINTS: usize = 401;
/// Sweeps of a run: two levels at each corner.
pub const SWEEPS_PER_RUN: usize = 2 * CORNERS.len();
/// Raised when the bytes of the corpus change, so that a kept one is written anew.
const EDITION: u32 = 1;
/// Runs in one folder of the tree, as a production lot would have.
const LOT: usize = 100;
/// Name ends and levels of the two sweeps of a corner, the second one 3 dB stronger.
const LEVELS: [(&str, &str); 2] = [("", "-26 dBm"), ("-check", "-23 dBm")];

const SPEC: &str = "\
spec: 1
product: bench-rail
title: 5 V rail of the river-gauge telemetry board, as the benchmark has it
critical_point: +1
band: {from: 100 Hz, to: 300 kHz}
switching_frequency: 1 MHz
density: 15
accuracy: {gain: 0.1 dB, phase: 0.5 deg, delay: 2 ns}
decision: {rule: guarded, coverage: 2}
injection_point: {impedance_ratio: 0.001}
limits:
  crossover: {min: 8 kHz, max: 60 kHz}
  crossings: {max: 1}
  phase_margin: {min: 45 deg}
  gain_margin: {min: 8 dB}
  stability_margin: {min: 0.45}
  delay_margin: {min: 2 us}
  gain_reduction_margin: {min: 6 dB}
  gain:
    - {at: 120 Hz, min: 20 dB}
    - {from: 250 kHz, to: 300 kHz, max: -10 dB}
linearity: {step: 3 dB, crossover: 2 %, phase_margin: 2 deg, gain: 1 dB, phase: 5 deg, band: [0.1, 10]}
corners:
  - name: \"{input}-{load}\"
    conditions: {input: [10 V, 24 V, 32 V], load: [0.5 A, 3 A]}
";

/// A corpus on disk.
#[derive(Debug)]
pub struct Corpus {
    /// Its folder, with `specs` and `runs`.
    pub folder: PathBuf,
    /// Number of runs.
    pub runs: usize,
}

/// The corpus of so many runs below `parent`, written unless a complete one is there.
pub fn prepare(parent: &Path, runs: usize) -> io::Result<Corpus> {
    let folder = parent.join(format!("corpus-{runs}"));
    // Written last: a corpus whose writing was broken off has none.
    let mark = folder.join("complete");
    let text = format!("edition {EDITION}, {runs} runs\n");
    if fs::read_to_string(&mark).is_ok_and(|found| found == text) {
        return Ok(Corpus { folder, runs });
    }
    if folder.exists() {
        fs::remove_dir_all(&folder)?;
    }
    fs::create_dir_all(folder.join("specs"))?;
    fs::write(folder.join("specs/bench-rail.yaml"), SPEC)?;
    let grid: Vec<(f64, String)> = grid(POINTS, 100.0, 1e6).map(|hz| (hz, six_digits(hz))).collect();
    (1..=runs).into_par_iter().try_for_each(|number| write_run(&folder.join("runs"), number, &grid))?;
    fs::write(mark, text)?;
    Ok(Corpus { folder, runs })
}

fn write_run(parent: &Path, number: usize, grid: &[(f64, String)]) -> io::Result<()> {
    let lot = (number - 1) / LOT + 1;
    let folder = parent.join(format!("lot-{lot:03}/BR-{number:05}"));
    fs::create_dir_all(&folder)?;
    let mut run = format!(
        "run: 1\nproduct: bench-rail\nserial: BR-{number:05}\nrevision: C\nfirmware: 2.3.1\nbuild: lot-{lot:03}\n\
         taken: 2026-04-02T09:15:00Z\nstation: bench-3\nsweeps:\n"
    );
    let mut random = Random::seeded(number as u64);
    let mut text = String::with_capacity(16_384);
    let mut curve: Vec<Complex64> = Vec::with_capacity(grid.len());
    for (corner, (input, load)) in CORNERS.iter().enumerate() {
        let unit = Loop::drawn(&mut random, corner);
        curve.clear();
        curve.extend(grid.iter().map(|(hz, _)| unit.measured(*hz)));
        for (end, level) in LEVELS {
            let file = format!("{}-{}{end}.csv", input.to_lowercase(), load.to_lowercase());
            text.clear();
            text.push_str("frequency_hz,gain_db,phase_deg\n");
            for ((_, hz), loop_gain) in grid.iter().zip(&curve) {
                let (gain, phase) = reading(*loop_gain, &mut random);
                text.push_str(hz);
                for number in [gain, phase] {
                    text.push(',');
                    push_six_digits(&mut text, number);
                }
                text.push('\n');
            }
            fs::write(folder.join(&file), &text)?;
            // Writing to a string does not fail.
            let _ = writeln!(run, "  - {{file: {file}, corner: {input}-{load}, level: {level}}}");
        }
    }
    fs::write(folder.join("run.yaml"), run)
}

fn six_digits(value: f64) -> String {
    let mut text = String::new();
    push_six_digits(&mut text, value);
    text
}

/// Six significant digits without an exponent; below 0.1 six decimals, as an instrument of fixed resolution writes.
fn push_six_digits(text: &mut String, value: f64) {
    let decimals = match value.abs() {
        size if size >= 1e5 => 0,
        size if size >= 1e4 => 1,
        size if size >= 1e3 => 2,
        size if size >= 1e2 => 3,
        size if size >= 1e1 => 4,
        size if size >= 1.0 => 5,
        _ => 6,
    };
    let _ = write!(text, "{value:.decimals$}");
}
