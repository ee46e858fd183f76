//! How often the true change lies inside change ± uncertainty: one loop accepted, another one measured later, on the same
//! station and on another one; and units that differ, against the mean of some of them.

use super::bench::{Bench, Levels};
use super::noise::{Chain, Declared, Grid, Model, Noise, Random};
use super::table::{CELL, Report, Share};
use super::truth::Truth;
use super::work::{LEVELS, Subjects, parallel, share_of};
use loopgauge::baseline::{AcceptedValue, Change, Side, Station, change};
use loopgauge::measurand::Measurand;
use loopgauge::quantity::{Decibel, Degrees, Seconds};
use loopgauge::spec::Accuracy;

const MODE: u64 = 7;
/// Pairs of one loop with the next, at each level of noise.
const REPEATS: usize = 6;
const PER_DECADE: f64 = 40.0;
/// Aims, percent. A rectangular distribution lies wholly inside two of its standard deviations, so only what is noise alone has
/// an upper one.
const LEAST_PERCENT: f64 = 94.0;
const MOST_PERCENT: f64 = 98.0;
/// Units that are accepted together, and by how much their gain differs, dB: far more than what noise makes of a gain margin.
const UNITS: [usize; 4] = [2, 3, 5, 10];
const SPREAD_DB: f64 = 0.5;

type Values = Vec<(Measurand, AcceptedValue)>;

fn station<'a>(declared: &Declared, name: &'a str) -> Station<'a> {
    let accuracy = Accuracy {
        gain: Decibel::new(declared.gain_db).unwrap_or(Decibel::ZERO),
        phase: Degrees::new(declared.phase_deg).unwrap_or(Degrees::ZERO),
        delay: Seconds::new(declared.delay_s).unwrap_or(Seconds::ZERO),
    };
    Station { name: Some(name), accuracy }
}

/// A value that is no bound.
fn value(values: &Values, quantity: Measurand) -> Option<&AcceptedValue> {
    let found = values.iter().find(|(own, _)| *own == quantity)?;
    Some(&found.1).filter(|value| !value.at_least)
}

/// One pair: for each quantity whether the true change was inside, on the same station and on another one.
fn try_pair(
    subjects: &Subjects,
    (index, level, repeat): (usize, usize, usize),
) -> Vec<(Measurand, [bool; 2])> {
    let declared = Declared::BENCHES[(index + repeat) % 3];
    let other = (index + 1) % subjects.loops.len();
    let mut random = Random::of(MODE, index * LEVELS.len() + level, repeat);
    let first = Chain::draw(&declared, &mut random);
    let chains = [first.again(&declared, &mut random), Chain::draw(&declared, &mut random)];
    let mut measure = |index: usize, chain: &Chain| {
        let (own, truth) = (&subjects.loops[index], &subjects.truths[index]);
        let noise = Noise::new(Model::ALL[repeat % 4], LEVELS[level]);
        let grid = Grid::new(own, PER_DECADE, truth.crossover_hz());
        Bench::new(own, &declared, &[], Levels::One).values(grid.take(chain, &noise, &mut random))
    };
    let Some(then) = measure(index, &first) else { return Vec::new() };
    let now = chains.map(|chain| measure(other, &chain));
    let [Some(same), Some(apart)] = now else { return Vec::new() };
    let inside = |quantity: Measurand, now: &Values, name: &str| -> Option<bool> {
        let truths = [other, index].map(|k| subjects.truths[k].get(quantity).map(f64::abs));
        let [Some(now_true), Some(then_true)] = truths else { return None };
        let now = Side { value: value(now, quantity)?, station: station(&declared, name) };
        let then = Side { value: value(&then, quantity)?, station: station(&declared, "one") };
        let Change { value, u, .. } = change(quantity, &now, &[then], 2.0)?;
        let change = if quantity.is_relative() { now_true / then_true - 1.0 } else { now_true - then_true };
        Some((value - change).abs() <= 2.0 * u?)
    };
    let both =
        |quantity| Some((quantity, [inside(quantity, &same, "one")?, inside(quantity, &apart, "two")?]));
    Truth::KNOWN.into_iter().filter_map(both).collect()
}

/// Gain margins of units whose gain differs, against the mean of `count` of them: whether the true change from the mean of all
/// units is inside, and whether one more unit lies inside its prediction interval.
fn try_units(subjects: &Subjects, index: usize, count: usize, repeat: usize) -> Option<(bool, bool)> {
    let (own, truth) = (&subjects.loops[index], &subjects.truths[index]);
    let margin = truth.get(Measurand::GainMargin)?;
    let mut random = Random::of(MODE + 100, index * 16 + count, repeat);
    let declared = Declared::BENCHES[repeat % 3];
    let bench = Chain::draw(&declared, &mut random);
    let grid = Grid::new(own, PER_DECADE, truth.crossover_hz());
    let noise = Noise::new(Model::Constant, LEVELS[0]);
    let mut room = Bench::new(own, &declared, &[], Levels::One);
    let mut unit = |offset_db: f64| {
        let chain = bench.again(&declared, &mut random);
        let gain = 10f64.powf(offset_db / 20.0);
        let sweep = grid.measure(&chain, &noise, 1.0, &mut random, |_, t| t * gain);
        room.values(sweep).and_then(|values| value(&values, Measurand::GainMargin).copied())
    };
    let mut offsets = Random::of(MODE + 200, index * 16 + count, repeat);
    let accepted: Vec<AcceptedValue> =
        (0..count).map(|_| unit(SPREAD_DB * offsets.normal())).collect::<Option<_>>()?;
    let offset = SPREAD_DB * offsets.normal();
    let now = unit(offset)?;
    let here = station(&declared, "one");
    let sides: Vec<Side<'_>> = accepted.iter().map(|value| Side { value, station: here }).collect();
    let found = change(Measurand::GainMargin, &Side { value: &now, station: here }, &sides, 2.0)?;
    // The mean of all units has the loop's own margin, a unit's is smaller by its gain.
    debug_assert!(margin > 0.0);
    Some(((found.value + offset).abs() <= 2.0 * found.u?, found.value.abs() <= found.prediction?))
}

/// The mode.
pub fn run(subjects: &Subjects, share: usize) -> Report {
    let mut report = Report::default();
    report.heading("regression: share of true changes inside change ± U, %");
    let all = (0..subjects.loops.len()).flat_map(|index| {
        (0..LEVELS.len()).flat_map(move |level| (0..REPEATS).map(move |k| (index, level, k)))
    });
    let pairs = share_of(all.collect(), share);
    let tried = parallel(&pairs, |_, pair| try_pair(subjects, *pair));
    let mut rows = Vec::new();
    let mut sums = [Share::default(); 2];
    for quantity in Truth::KNOWN {
        let mut shares = [Share::default(); 2];
        for (_, inside) in tried.iter().flatten().filter(|(own, _)| *own == quantity) {
            shares.iter_mut().zip(inside).for_each(|(share, inside)| share.count(*inside));
        }
        rows.push(row(quantity.name(), &shares));
        for (share, name) in shares.iter().zip(["one station", "two stations"]) {
            judge(&mut report, share, &format!("{} on {name}", quantity.name()), name == "one station");
        }
        sums.iter_mut().zip(shares).for_each(|(sum, share)| sum.add(share));
    }
    rows.push(row("all", &sums));
    report.table(&["quantity", "pairs", "one station", "two stations"], &rows);
    report.heading("regression: a unit against the mean of units that differ, gain margin, %");
    let mut rows = Vec::new();
    for count in UNITS {
        let all: Vec<(usize, usize)> =
            (0..subjects.loops.len()).flat_map(|index| (0..REPEATS).map(move |k| (index, k))).collect();
        let tries = share_of(all, share);
        let found = parallel(&tries, |_, (index, repeat)| try_units(subjects, *index, count, *repeat));
        let mut shares = [Share::default(); 2];
        for (inside, predicted) in found.into_iter().flatten() {
            shares[0].count(inside);
            shares[1].count(predicted);
        }
        judge(&mut report, &shares[0], &format!("{count} units"), true);
        judge(&mut report, &shares[1], &format!("prediction from {count} units"), true);
        rows.push(row(&count.to_string(), &shares));
    }
    report.table(&["units", "tries", "change inside U", "unit inside prediction"], &rows);
    report
}

fn row(name: &str, shares: &[Share; 2]) -> Vec<String> {
    vec![name.to_owned(), shares[0].tries.to_string(), shares[0].text(), shares[1].text()]
}

fn judge(report: &mut Report, share: &Share, name: &str, has_most: bool) {
    if share.is_below(LEAST_PERCENT, CELL) || (has_most && share.is_above(MOST_PERCENT, CELL)) {
        report.miss(format!("regression: {} % of {name} inside", share.text()));
    }
}
