//! How often the truth lies inside value ± uncertainty, and whether the uncertainty is no wider than it must be.
//!
//! A setting is a loop, a noise and a density; it is swept again and again. Its spread of a quantity is the rms error
//! against the truth. The ratio of the mean uncertainty to twice the spread is taken per setting and averaged; a spread from
//! n errors makes that ratio too large by 3/(4 n) on average (mean of the reciprocal of a chi variable), which is taken off.

use super::bench::{Bench, Levels, invalid, measured};
use super::noise::{Chain, Declared, Grid, Noise, Random};
use super::table::{CELL, MANY, Messages, QUANTITY, Report, Share};
use super::truth::Truth;
use super::work::{LEVELS, Setting, Subjects, parallel, settings, share_of};
use loopgauge::measurand::Measurand;
use std::collections::BTreeMap;

const MODE: u64 = 1;
/// Sweeps of one setting.
const REPEATS: usize = 24;
/// Combinations of noise model and density for each loop and level.
const COMBINATIONS: usize = 3;
/// Aims.
const LEAST_PERCENT: f64 = 94.0;
const MOST_PERCENT: f64 = 97.0;
const WIDEST: f64 = 1.25;
/// With fewer repeats than this a setting tells no spread.
const LEAST_REPEATS: usize = 8;

/// One sweep's values.
struct Sweep {
    /// Error and expanded uncertainty of each quantity that truth and measurement have.
    values: [Option<(f64, f64)>; Measurand::ALL.len()],
    /// Measured crossovers less true ones.
    crossings: Option<i64>,
    /// One of truth and measurement has the quantity, the other has not; or no uncertainty is given.
    lacking: [bool; Measurand::ALL.len()],
    invalid: Vec<(String, String)>,
}

struct Tried {
    setting: Setting,
    sweeps: Vec<Sweep>,
}

fn declared(setting: &Setting, with_chain: bool) -> Declared {
    if with_chain { Declared::BENCHES[(setting.index + setting.loop_index) % 3] } else { Declared::NONE }
}

fn try_setting(subjects: &Subjects, setting: &Setting, with_chain: bool) -> Tried {
    let the_loop = &subjects.loops[setting.loop_index];
    let truth = &subjects.truths[setting.loop_index];
    let declared = declared(setting, with_chain);
    let grid = Grid::new(the_loop, setting.density, truth.crossover_hz());
    let noise = Noise::new(setting.model, LEVELS[setting.level]);
    let mut bench = Bench::new(the_loop, &declared, &[], Levels::One);
    let sweeps = (0..REPEATS).map(|repeat| {
        let mut random = Random::of(MODE + 100 * u64::from(with_chain), setting.index, repeat);
        let chain = Chain::draw(&declared, &mut random);
        let corner = bench.judge(&[grid.take(&chain, &noise, &mut random)]);
        let mut sweep = Sweep {
            values: [None; Measurand::ALL.len()],
            crossings: corner.measured.map(|m| m.crossings as i64 - truth.crossovers.len() as i64),
            lacking: [false; Measurand::ALL.len()],
            invalid: invalid(&corner)
                .map(|(check, message)| (check.to_owned(), message.to_owned()))
                .collect(),
        };
        if corner.measured.is_some() {
            for quantity in Truth::KNOWN {
                let (value, truth) = (measured(&corner, quantity), truth.get(quantity));
                let uncertainty = value.and_then(|v| v.uncertainty);
                sweep.values[quantity as usize] =
                    value.zip(uncertainty).zip(truth).map(|((v, u), t)| (v.value - t, u));
                sweep.lacking[quantity as usize] =
                    value.is_some() != truth.is_some() || value.is_some() != uncertainty.is_some();
            }
        }
        sweep
    });
    Tried { setting: *setting, sweeps: sweeps.collect() }
}

/// Sums over settings and sweeps of one quantity.
#[derive(Clone, Default)]
struct Cell {
    inside: Share,
    ratios: Vec<f64>,
    /// Squares of the mean error and of the spread, in units of the spread.
    bias: Vec<f64>,
    lacking: usize,
}

impl Cell {
    fn take(&mut self, tried: &Tried, quantity: Measurand) {
        let k = quantity as usize;
        let values: Vec<(f64, f64)> = tried.sweeps.iter().filter_map(|s| s.values[k]).collect();
        values.iter().for_each(|(error, u)| self.inside.count(error.abs() <= *u));
        self.lacking += tried.sweeps.iter().filter(|s| s.lacking[k]).count();
        if values.len() < LEAST_REPEATS {
            return;
        }
        let n = values.len() as f64;
        let mean = |f: &dyn Fn(&(f64, f64)) -> f64| values.iter().map(f).sum::<f64>() / n;
        let square = mean(&|v| v.0 * v.0);
        if square > 0.0 {
            self.ratios.push(mean(&|v| v.1) / (2.0 * square.sqrt()) * (1.0 - 0.75 / n));
            // The mean of n errors without bias has a square of 1/n of theirs.
            let bias = mean(&|v| v.0).powi(2) / square;
            self.bias.push((bias - 1.0 / n) * n / (n - 1.0));
        }
    }

    fn ratio(&self) -> Option<f64> {
        (!self.ratios.is_empty()).then(|| self.ratios.iter().sum::<f64>() / self.ratios.len() as f64)
    }

    fn median_ratio(&self) -> Option<f64> {
        let mut sorted = self.ratios.clone();
        sorted.sort_by(f64::total_cmp);
        sorted.get(sorted.len() / 2).copied()
    }

    fn bias_percent(&self) -> Option<f64> {
        (!self.bias.is_empty())
            .then(|| (100.0 * self.bias.iter().sum::<f64>() / self.bias.len() as f64).max(0.0))
    }
}

fn text(value: Option<f64>, decimals: usize) -> String {
    value.map_or_else(|| "-".to_owned(), |v| format!("{v:.decimals$}"))
}

fn quantities(report: &mut Report, tried: &[Tried], noise_only: bool, title: &str) {
    let mut rows = Vec::new();
    for quantity in Truth::KNOWN {
        let mut whole = Cell::default();
        for (level, sigma) in LEVELS.iter().enumerate() {
            let mut cell = Cell::default();
            for one in tried.iter().filter(|t| t.setting.level == level) {
                cell.take(one, quantity);
                whole.take(one, quantity);
            }
            rows.push(row(quantity, &sigma.to_string(), &cell));
            let place = format!("{title}, {}, noise {sigma}", quantity.name());
            aims(report, &place, &cell, noise_only, CELL);
        }
        rows.push(row(quantity, "all", &whole));
        aims(report, &format!("{title}, {}, all", quantity.name()), &whole, noise_only, QUANTITY);
    }
    report.table(&["quantity", "noise", "sweeps", "inside %", "U/2s", "median", "bias %", "lacking"], &rows);
    report.line(
        "\ninside: share of truths in value ± U; U/2s: mean U over twice the rms error, mean and median over settings; bias: share of \
         the mean error in the mean square; lacking: sweeps where only one of truth and measurement has the quantity, or U is \
         not given",
    );
}

fn row(quantity: Measurand, level: &str, cell: &Cell) -> Vec<String> {
    vec![
        quantity.name().to_owned(),
        level.to_owned(),
        cell.inside.tries.to_string(),
        cell.inside.text(),
        text(cell.ratio(), 2),
        text(cell.median_ratio(), 2),
        text(cell.bias_percent(), 1),
        cell.lacking.to_string(),
    ]
}

/// `slack` is in standard errors; a share of many tries has none.
fn aims(report: &mut Report, place: &str, cell: &Cell, noise_only: bool, slack: f64) {
    let share = &cell.inside;
    let slack = if share.tries >= MANY { 0.0 } else { slack };
    if share.is_below(LEAST_PERCENT, slack) {
        report.miss(format!("{place}: {} % inside, at least {LEAST_PERCENT} wanted", share.text()));
    }
    if !noise_only {
        return;
    }
    if share.is_above(MOST_PERCENT, slack) {
        report.miss(format!("{place}: {} % inside, at most {MOST_PERCENT} wanted", share.text()));
    }
    // A ratio from 24 errors scatters by some 15 %; of a mean over settings little is left.
    let scatter = slack * 0.15 / (cell.ratios.len() as f64).sqrt();
    if cell.ratio().is_some_and(|ratio| ratio > WIDEST + scatter) {
        report.miss(format!("{place}: U/2s is {}, at most {WIDEST} wanted", text(cell.ratio(), 2)));
    }
}

/// Share inside for each quantity, by a property of the setting.
fn by(report: &mut Report, tried: &[Tried], name: &str, key: impl Fn(&Setting) -> String) {
    let mut groups: BTreeMap<String, Vec<Cell>> = BTreeMap::new();
    for one in tried {
        let cells =
            groups.entry(key(&one.setting)).or_insert_with(|| vec![Cell::default(); Measurand::ALL.len()]);
        Truth::KNOWN.iter().for_each(|&q| cells[q as usize].take(one, q));
    }
    let cell = |c: &Cell| format!("{} / {}", c.inside.text(), text(c.ratio(), 2));
    let rows: Vec<Vec<String>> = groups
        .iter()
        .map(|(group, cells)| std::iter::once(group.clone()).chain(cells.iter().map(cell)).collect())
        .collect();
    let header: Vec<&str> = std::iter::once(name).chain(Truth::KNOWN.iter().map(|q| q.name())).collect();
    report.line("");
    report.table(&header, &rows);
}

fn place(subjects: &Subjects, setting: &Setting) -> String {
    format!(
        "{}, {} {}, {} per decade",
        subjects.loops[setting.loop_index].name,
        setting.model.label(),
        LEVELS[setting.level],
        setting.density
    )
}

fn worst(report: &mut Report, subjects: &Subjects, tried: &[Tried]) {
    let mut cases = Vec::new();
    for one in tried {
        for (repeat, sweep) in one.sweeps.iter().enumerate() {
            for quantity in Truth::KNOWN {
                if let Some((error, u)) = sweep.values[quantity as usize] {
                    cases.push(((error / u).abs(), error, u, quantity, repeat, &one.setting));
                }
            }
        }
    }
    cases.sort_by(|a, b| b.0.total_cmp(&a.0));
    let rows: Vec<Vec<String>> = cases
        .iter()
        .filter(|case| !case.0.is_nan())
        .take(10)
        .map(|(size, error, u, quantity, repeat, setting)| {
            let cells = [
                quantity.name().to_owned(),
                format!("{error:.3e}"),
                format!("{u:.3e}"),
                format!("{size:.1}"),
            ];
            let name = format!("{} (setting {}, repeat {repeat})", place(subjects, setting), setting.index);
            std::iter::once(name).chain(cells).collect()
        })
        .collect();
    report.line("\nWorst cases:\n");
    report.table(&["case", "quantity", "error", "U", "error/U"], &rows);
}

fn settings_off(report: &mut Report, subjects: &Subjects, tried: &[Tried]) {
    let mut rows = Vec::new();
    for one in tried {
        for quantity in Truth::KNOWN {
            let mut cell = Cell::default();
            cell.take(one, quantity);
            if cell.inside.tries >= LEAST_REPEATS {
                rows.push((cell.inside.percent(), quantity, cell, &one.setting));
            }
        }
    }
    rows.sort_by(|a, b| a.0.total_cmp(&b.0));
    let rows: Vec<Vec<String>> = rows
        .iter()
        .take(10)
        .map(|(_, quantity, cell, setting)| {
            let cells = [
                quantity.name().to_owned(),
                cell.inside.text(),
                text(cell.ratio(), 2),
                text(cell.bias_percent(), 1),
            ];
            std::iter::once(place(subjects, setting)).chain(cells).collect()
        })
        .collect();
    report.line("\nWorst settings:\n");
    report.table(&["setting", "quantity", "inside %", "U/2s", "bias %"], &rows);
}

fn broken(report: &mut Report, subjects: &Subjects, tried: &[Tried]) {
    let (mut messages, mut invalid, mut missed, mut invented) = (Messages::default(), 0, 0, 0);
    let mut sweeps = 0;
    for one in tried {
        for sweep in &one.sweeps {
            sweeps += 1;
            invalid += usize::from(!sweep.invalid.is_empty());
            missed += usize::from(sweep.crossings.is_some_and(|n| n < 0));
            invented += usize::from(sweep.crossings.is_some_and(|n| n > 0));
            for (check, message) in &sweep.invalid {
                messages.count(check, message, || place(subjects, &one.setting));
            }
        }
    }
    report.line(format!(
        "\nSweeps: {sweeps}; invalid: {invalid}; with crossovers missed: {missed}; with crossovers invented: {invented}\n"
    ));
    messages.print(report);
}

/// The mode.
pub fn run(subjects: &Subjects, share: usize) -> Report {
    let mut report = Report::default();
    let all = share_of(settings(subjects.loops.len(), COMBINATIONS), share);
    for (with_chain, title) in [(true, "chain and noise"), (false, "noise only")] {
        report.heading(&format!("coverage: {title}"));
        let tried = parallel(&all, |_, setting| try_setting(subjects, setting, with_chain));
        quantities(&mut report, &tried, !with_chain, title);
        report.line("\nShare inside, % / U/2s, by noise, density and kind of loop:");
        by(&mut report, &tried, "noise", |s| s.model.label().to_owned());
        by(&mut report, &tried, "density", |s| format!("{:3}", s.density));
        by(&mut report, &tried, "loop", |s| subjects.loops[s.loop_index].kind.label().to_owned());
        broken(&mut report, subjects, &tried);
        worst(&mut report, subjects, &tried);
        settings_off(&mut report, subjects, &tried);
    }
    report
}
