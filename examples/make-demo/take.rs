//! Takes a run: sweeps every corner at every level, and plants the run's fault.

use super::measure::{Bench, Reading};
use super::noise::Noise;
use super::plan::{Corner, Fault, Level, RunPlan};
use super::products::Condition;
use super::write::{self, Entry};

/// Points per decade of a sweep.
const POINTS_PER_DECADE: f64 = 45.0;
/// Sweep frequencies are whole multiples of this, hertz, so that a file states them exactly.
const FREQUENCY_STEP_HZ: f64 = 0.01;
/// Where in an unreadable sweep the row without a number stands.
const UNREADABLE_ROW: usize = 57;

/// All files of the run: name and text.
pub fn files(plan: &RunPlan) -> Vec<(String, String)> {
    let mut files = Vec::new();
    let mut entries = Vec::new();
    for corner in plan.product.corners() {
        if plan.fault == Fault::MissingCorner(corner.name) {
            continue;
        }
        let actual = plan.actual.then(|| actual(plan, corner));
        let condition = actual.map_or(corner.condition, |(input_volt, load_ampere)| Condition {
            input_volt,
            load_ampere,
            ..corner.condition
        });
        let bench = plan.product.bench(&plan.board, condition);
        for (index, &level) in plan.levels_of(corner.name).iter().enumerate() {
            let copied = plan.fault == Fault::CopiedCheck(corner.name) && index > 0;
            let source = if copied { plan.levels_of(corner.name).first().copied() } else { Some(level) };
            let file = file_name(plan, corner.name, index, level);
            files.push((file.clone(), sweep(plan, corner, &bench, source.unwrap_or(level))));
            entries.push(Entry { file, corner: corner.name, level: level.yaml(), actual });
        }
    }
    if plan.pattern {
        repeat_of_last_corner(plan, &mut files);
        entries.clear();
    }
    files.push(("run.yaml".to_owned(), write::run(plan, &entries)));
    files
}

/// Runs that name their files by a pattern repeat the weaker sweep of their last corner.
fn repeat_of_last_corner(plan: &RunPlan, files: &mut Vec<(String, String)>) {
    let Some(corner) = plan.product.corners().last() else { return };
    let Some(&level) = plan.levels_of(corner.name).first() else { return };
    let bench = plan.product.bench(&plan.board, corner.condition);
    let readings = readings(plan, corner, &bench, level, "repeat");
    let text = write::sweep(plan.form, &what(plan, corner, level), &readings, None);
    files.push((format!("{}_{}_2.csv", corner.name, level.in_file_name()), text));
}

/// `24v-3a.csv`, `24v-3a-check.csv`, `24v-3a-check-2.csv` in a list; `24V-3A_-26dBm.csv` for the pattern.
fn file_name(plan: &RunPlan, corner: &str, index: usize, level: Level) -> String {
    if plan.pattern {
        return format!("{corner}_{}.csv", level.in_file_name());
    }
    let stem = corner.to_lowercase();
    match index {
        0 => format!("{stem}.csv"),
        1 => format!("{stem}-check.csv"),
        _ => format!("{stem}-check-{index}.csv"),
    }
}

/// Input voltage and load current met at the bench, a little off the nominal ones and rounded as meters show them.
fn actual(plan: &RunPlan, corner: &Corner) -> (f64, f64) {
    let mut meters = Noise::seeded(&format!("meters {} {}", plan.folder(), corner.name));
    let rounded = |value: f64, step: f64| (value / step).round() * step;
    let volt = rounded(corner.condition.input_volt * meters.factor(0.006), 0.01);
    let ampere = rounded(corner.condition.load_ampere * meters.factor(0.008), 0.001);
    // Undoes the binary dust of the rounding, which would show in the run file.
    ((volt * 1e2).round() / 1e2, (ampere * 1e3).round() / 1e3)
}

fn what(plan: &RunPlan, corner: &Corner, level: Level) -> String {
    let strength = level.text();
    format!("{} {} {}, {strength}", plan.board.serial, plan.product.name(), corner.name)
}

/// One sweep as text, the run's fault planted.
fn sweep(plan: &RunPlan, corner: &Corner, bench: &Bench, level: Level) -> String {
    let mut readings = readings(plan, corner, bench, level, "");
    match plan.fault {
        Fault::TextbookSign => {
            for reading in &mut readings {
                reading.output = -reading.output;
            }
        }
        Fault::SwappedSides(name) if name == corner.name => {
            for reading in &mut readings {
                std::mem::swap(&mut reading.input, &mut reading.output);
            }
        }
        Fault::Truncated(name, to_hz) if name == corner.name => {
            readings.retain(|reading| reading.frequency_hz <= to_hz);
        }
        _ => {}
    }
    let first = plan.levels_of(corner.name).first() == Some(&level);
    let gap_at = (plan.fault == Fault::Unreadable(corner.name) && first).then_some(UNREADABLE_ROW);
    write::sweep(plan.form, &what(plan, corner, level), &readings, gap_at)
}

fn readings(plan: &RunPlan, corner: &Corner, bench: &Bench, level: Level, repeat: &str) -> Vec<Reading> {
    let label = format!("{} {} {} {repeat}", plan.folder(), corner.name, level.yaml());
    let mut noise = Noise::seeded(&label);
    grid(plan.product.sweep_hz())
        .into_iter()
        .map(|frequency_hz| bench.read(frequency_hz, level.volt_rms(frequency_hz), &mut noise))
        .collect()
}

/// Frequencies from first to last of `range_hz`, evenly spaced in their logarithm.
fn grid(range_hz: (f64, f64)) -> Vec<f64> {
    let (from_hz, to_hz) = range_hz;
    let steps = (POINTS_PER_DECADE * (to_hz / from_hz).log10()).ceil();
    let mut frequencies = Vec::new();
    let mut step = 0.0;
    while step <= steps {
        let exact_hz = from_hz * (to_hz / from_hz).powf(step / steps);
        frequencies.push((exact_hz / FREQUENCY_STEP_HZ).round() * FREQUENCY_STEP_HZ);
        step += 1.0;
    }
    frequencies
}
