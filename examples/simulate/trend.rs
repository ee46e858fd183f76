//! Histories of groups with a known trend, and populations with known limits: do the intervals and bounds of drift hold
//! the truth?

use super::noise::Random;
use super::table::{CELL, MANY, Report, Share};
use super::work::parallel;
use loopgauge::decision::Limit;
use loopgauge::drift::{Capability, Moments, Trend, share_within};
use statrs::function::erf::erfc;

const MODE: u64 = 6;
/// Histories, or populations, of a cell.
const TRIES: usize = 10_000;
/// What a two-sided interval and a one-sided bound of 95 % may hold, %.
const FEWEST: f64 = 94.0;
const MOST: f64 = 96.0;
/// Groups from which on intervals are held to it.
const ENOUGH_GROUPS: usize = 8;
/// Size of a bad lot's error, standard deviations.
const BAD: f64 = 10.0;

/// What the groups of a history are like.
#[derive(Clone, Copy, PartialEq)]
enum Lots {
    Alike,
    BadAnywhere,
    BadNewest,
    /// 1 to 12 units, drawn anew: a mean of few scatters more.
    Uneven,
    /// From 2 units up to 20, as a product gets going.
    Growing,
}

impl Lots {
    const ALL: [Self; 5] = [Self::Alike, Self::BadAnywhere, Self::BadNewest, Self::Uneven, Self::Growing];

    const fn label(self) -> &'static str {
        match self {
            Self::Alike => "alike",
            Self::BadAnywhere => "one bad, anywhere",
            Self::BadNewest => "one bad, the newest",
            Self::Uneven => "1 to 12 units",
            Self::Growing => "2 growing to 20 units",
        }
    }

    /// Errors of the group means.
    fn errors(self, groups: usize, random: &mut Random) -> Vec<f64> {
        let last = groups as f64 - 1.0;
        let mut errors: Vec<f64> = (0..groups)
            .map(|k| {
                let units = match self {
                    Self::Uneven => 1.0 + pick(12, random) as f64,
                    Self::Growing => (2.0 + 18.0 * k as f64 / last).round(),
                    _ => 1.0,
                };
                random.normal() / units.sqrt()
            })
            .collect();
        match self {
            Self::BadAnywhere => errors[pick(groups, random)] += BAD * random.even().signum(),
            Self::BadNewest => errors[groups - 1] += BAD * random.even().signum(),
            Self::Alike | Self::Uneven | Self::Growing => {}
        }
        errors
    }
}

/// One of 0, 1, … below a number.
fn pick(below: usize, random: &mut Random) -> usize {
    ((0.5 * (random.even() + 1.0) * below as f64) as usize).min(below - 1)
}

/// A kind of history. `strength`: true slope in standard errors of a least-squares slope.
#[derive(Clone, Copy)]
struct Kind {
    groups: usize,
    lots: Lots,
    strength: f64,
}

#[derive(Default, Clone, Copy)]
struct Histories {
    slope_inside: Share,
    least_squares_inside: Share,
    trends: Share,
    width_ratio: f64,
}

/// A slope that hardly any history hides, in standard errors.
const CLEAR: f64 = 6.0;
/// Height of the true line at the newest group; nothing hangs on it.
const LEVEL: f64 = 50.0;

fn try_kind(index: usize, kind: Kind, tries: usize) -> Histories {
    let Kind { groups, lots, strength } = kind;
    let n = groups as f64;
    let slope = -strength / (n * (n * n - 1.0) / 12.0).sqrt();
    let mut histories = Histories::default();
    for repeat in 0..tries {
        let mut random = Random::of(MODE, index, repeat);
        let errors = lots.errors(groups, &mut random);
        let line = (0..groups).map(|k| LEVEL + slope * (k as f64 - n + 1.0));
        let means: Vec<Option<f64>> = line.zip(errors).map(|(level, error)| Some(level + error)).collect();
        let Some(trend) = Trend::of(&means) else { continue };
        histories.slope_inside.count(trend.low <= slope && slope <= trend.high);
        let plain = trend.least_squares;
        histories.least_squares_inside.count(plain.low <= slope && slope <= plain.high);
        histories.trends.count(trend.excludes_zero());
        histories.width_ratio += (trend.high - trend.low) / (plain.high - plain.low) / tries as f64;
    }
    histories
}

fn slack(share: &Share) -> f64 {
    if share.tries >= MANY { 0.0 } else { CELL }
}

fn hold(report: &mut Report, what: &str, share: &Share, most: f64) {
    if share.is_below(FEWEST, slack(share)) || share.is_above(most, slack(share)) {
        report.miss(format!("trend: {what}: {} % instead of {FEWEST} to {most} %", share.text()));
    }
}

/// A bad lot may widen the interval. One in the newest place, and scatter that changes along with the groups, are shown
/// without an aim: no interval that does not know of them can hold the truth.
fn aims(report: &mut Report, kind: &Kind, place: &str, histories: &Histories) {
    let most = match kind.lots {
        Lots::Alike | Lots::Uneven => MOST,
        Lots::BadAnywhere => 100.0,
        Lots::BadNewest | Lots::Growing => return,
    };
    if kind.groups < ENOUGH_GROUPS {
        return;
    }
    hold(report, &format!("slope, {place}"), &histories.slope_inside, most);
}

fn trends(report: &mut Report, tries: usize) {
    report.heading("trend: slope");
    report.line("Share of histories whose true slope lies inside the 95 % interval.");
    report.line("Slope: in standard errors of a least-squares slope. Width: interval over that of least squares, mean.\n");
    let mut kinds = Vec::new();
    for groups in [5, 6, 7, 8, 12, 20, 40] {
        kinds.extend(Lots::ALL.map(|lots| Kind { groups, lots, strength: CLEAR }));
        kinds.extend([2.5, 0.0].map(|strength| Kind { groups, lots: Lots::Alike, strength }));
    }
    kinds.push(Kind { groups: 80, lots: Lots::Alike, strength: CLEAR });
    let tried = parallel(&kinds, |index, kind| try_kind(index, *kind, tries));
    let mut rows = Vec::new();
    for (kind, histories) in kinds.iter().zip(&tried) {
        let place = format!("{} groups, {}, slope {}", kind.groups, kind.lots.label(), kind.strength);
        aims(report, kind, &place, histories);
        rows.push(vec![
            place,
            histories.slope_inside.text(),
            histories.least_squares_inside.text(),
            format!("{:.2}", histories.width_ratio),
            histories.trends.text(),
        ]);
    }
    let header = ["histories", "slope inside %", "least squares %", "width", "without 0 %"];
    report.table(&header, &rows);
}

/// A population of mean 0 and standard deviation 1 against limits in standard deviations.
#[derive(Clone, Copy)]
struct Population {
    units: usize,
    min: f64,
    max: Option<f64>,
}

#[derive(Default, Clone, Copy)]
struct Bounds {
    ppk: Share,
    share: Share,
}

fn try_population(index: usize, population: Population, tries: usize) -> Bounds {
    let limit = Limit { min: Some(population.min), max: population.max };
    let below = |z: f64| 0.5 * erfc(-z / std::f64::consts::SQRT_2);
    let true_share = population.max.map_or(1.0, below) - below(population.min);
    let true_ppk = population.max.unwrap_or(f64::INFINITY).min(-population.min) / 3.0;
    let mut bounds = Bounds::default();
    for repeat in 0..tries {
        let mut random = Random::of(MODE, 1_000 + index, repeat);
        let values: Vec<f64> = (0..population.units).map(|_| random.normal()).collect();
        let units = Moments::of(&values).expect("there are units");
        let capability = Capability::of(&units, &limit).expect("units differ");
        bounds.ppk.count(capability.low <= true_ppk);
        bounds.share.count(share_within(&units, &limit).is_some_and(|share| share <= true_share));
    }
    bounds
}

fn populations(report: &mut Report, tries: usize) {
    report.heading("trend: capability and tolerance");
    report.line("Share of samples whose lower 95 % bound, of Ppk and of the share within limits, lies below the truth.\n");
    let limits = [(-3.0, None), (-4.0, None), (-6.0, None), (-4.0, Some(4.0)), (-3.0, Some(5.0))];
    let mut list = Vec::new();
    for units in [5, 10, 30, 100] {
        list.extend(limits.iter().map(|&(min, max)| Population { units, min, max }));
    }
    let tried = parallel(&list, |index, population| try_population(index, *population, tries));
    let mut rows = Vec::new();
    for (population, bounds) in list.iter().zip(&tried) {
        let max = population.max.map_or_else(String::new, |max| format!(" and +{max}"));
        let place = format!("{} units, limits at {}{max} sd", population.units, population.min);
        let most = if population.max.is_some() { 100.0 } else { MOST };
        hold(report, &format!("Ppk, {place}"), &bounds.ppk, most);
        hold(report, &format!("share, {place}"), &bounds.share, most);
        rows.push(vec![place, bounds.ppk.text(), bounds.share.text()]);
    }
    report.table(&["samples", "Ppk bound below %", "share bound below %"], &rows);
}

/// The mode.
pub fn run(share: usize) -> Report {
    let mut report = Report::default();
    let tries = TRIES.div_ceil(share);
    trends(&mut report, tries);
    populations(&mut report, tries);
    report
}
