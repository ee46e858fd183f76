//! Histories of a product judged as `drift` judges them: false alarms of one chart and of all of them, and how soon a step is seen
//! that comes so many groups after the setup.

use super::histories::{Scene, Units, judged, judged_near, population};
use super::noise::Random;
use super::table::{CELL, Report, Share};
use super::work::parallel;
use loopgauge::check::Verdict;
use loopgauge::drift::chart::{FALSE_ALARMS, HORIZON, Parameters, Point, Setup, run_chart, widening};
use loopgauge::drift::{Population, Running, Series, Stations};
use loopgauge::spec::Chart;

/// The modes' parts, which must not share random numbers; apart from those of other modes by the seed.
const PART: u64 = 9 << 8;
const SETUP: usize = 8;
const SERIES: usize = 2_000;
/// Groups within which a step is to be seen.
const SOON: usize = 5;
/// Groups between the setup and a step.
const AFTER: [usize; 4] = [0, 4, 8, 12];
/// A step, in standard deviations of a group's mean.
const STEP: f64 = 2.0;
const CHARTS: [(Chart, &str); 4] = [
    (Chart::ChangePoint, "changepoint"),
    (Chart::Ewma, "ewma"),
    (Chart::Cusum, "cusum"),
    (Chart::Individuals, "individuals"),
];

fn scenes() -> Vec<Scene> {
    let scene = |units, lots, unit, correlation| Scene { units, lots, unit, correlation };
    vec![
        scene(Units::Each(1), 0.0, 1.0, 0.0),
        scene(Units::Each(5), 0.0, 1.0, 0.0),
        scene(Units::Each(5), 1.0, 1.0, 0.0),
        scene(Units::Uneven, 0.0, 1.0, 0.0),
        scene(Units::Uneven, 1.0, 1.0, 0.0),
        scene(Units::Each(5), 1.0, 1.0, 0.3),
        scene(Units::Each(5), 1.0, 1.0, 0.5),
        scene(Units::Each(5), 1.0, 1.0, 0.8),
    ]
}

/// The mode.
pub fn run(share: usize, seed: u64) -> Report {
    let mut report = Report::default();
    let part = |index: u64| seed << 32 | PART | index;
    alone(&mut report, share, part(0));
    verdicts(&mut report, share, part(2));
    products(&mut report, share, part(1));
    report
}

/// Places, among the monitored groups, of a series' signals.
fn signals(chart: Chart, factor: f64, population: &Population, series: Series) -> Vec<usize> {
    if chart == Chart::ChangePoint {
        let product = judged(chart, population, vec![series]);
        let found = product.series.iter().flat_map(|series| &series.signals);
        // What more likely wanders than moved is undecided, and no alarm.
        return found.filter(|signal| !signal.wanders).map(|signal| signal.group - SETUP).collect();
    }
    // The same as `drift` does, with the limits found once for all histories.
    let (first, rest) = series.groups.split_at(SETUP);
    let means: Vec<f64> = first.iter().filter_map(|group| group.mean).collect();
    let setup = Setup::new(&means).expect("eight groups");
    let freedom: f64 = first.iter().map(|group| group.units as f64 - 1.0).sum();
    let squares: f64 =
        first.iter().filter_map(|group| Some(group.sd?.powi(2) * (group.units as f64 - 1.0))).sum();
    let within = if freedom > 0.0 { (squares / freedom).sqrt() } else { 0.0 };
    let usual = SETUP as f64 / first.iter().map(|group| 1.0 / group.units as f64).sum::<f64>();
    let points = rest.iter().map(|group| Point {
        value: group.mean.unwrap_or(0.0),
        sigma: setup
            .sigma_of_group(within, group.units as usize, usual)
            .max(within / (group.units as f64).sqrt()),
    });
    let run = run_chart(chart, &setup, &points.collect::<Vec<_>>(), &Parameters::default(), factor);
    run.signals.iter().map(|signal| signal.index).collect()
}

#[derive(Default, Clone, Copy)]
struct Counts {
    calm: [Share; 2],
    seen: [Share; 4],
}

fn alone(report: &mut Report, share: usize, part: u64) {
    report.heading("learning: one chart, 8 setup groups, %");
    let scenes = scenes();
    let series = (SERIES / share).max(20);
    let cells: Vec<(usize, (Chart, &str))> =
        (0..scenes.len()).flat_map(|scene| CHARTS.map(|chart| (scene, chart))).collect();
    let [short, long] = [SETUP + HORIZON, SETUP + 10 * HORIZON].map(population);
    let counts = parallel(&cells, |_, (index, (chart, _))| {
        let scene = &scenes[*index];
        let factor = widening(*chart, SETUP, FALSE_ALARMS, &Parameters::default()).factor;
        let mut counts = Counts::default();
        for repeat in 0..series {
            // The charts see the same series.
            let mut random = Random::of(part, *index, repeat);
            let calm = scene.draw(SETUP + HORIZON, |_| 50.0, &mut random);
            counts.calm[0].count(!signals(*chart, factor, &short, calm).is_empty());
            if repeat % 4 == 0 {
                let calm = scene.draw(SETUP + 10 * HORIZON, |_| 50.0, &mut random);
                counts.calm[1].count(!signals(*chart, factor, &long, calm).is_empty());
            }
            for (after, seen) in AFTER.into_iter().zip(&mut counts.seen) {
                let level = |group| if group < SETUP + after { 50.0 } else { 50.0 + STEP * scene.sigma() };
                let history = scene.draw(SETUP + HORIZON, level, &mut random);
                let found = signals(*chart, factor, &short, history);
                if found.first().is_none_or(|first| *first >= after) {
                    seen.count(found.first().is_some_and(|first| *first < after + SOON));
                }
            }
        }
        counts
    });
    let mut table = Vec::new();
    let mut soon = Share::default();
    for ((index, (chart, name)), counts) in cells.iter().zip(&counts) {
        let scene = &scenes[*index];
        let mut row = vec![scene.name(), (*name).to_owned()];
        row.extend(counts.calm.iter().chain(&counts.seen).map(Share::text));
        table.push(row);
        if *chart != Chart::ChangePoint || scene.correlation > 0.0 {
            continue;
        }
        let percent = 100.0 * FALSE_ALARMS;
        if counts.calm[0].is_above(1.2 * percent, CELL) {
            report.miss(format!("learning, {}: {} % false alarms", scene.name(), counts.calm[0].text()));
        }
        if scene.units == Units::Each(1) {
            counts.seen.iter().for_each(|share| soon.add(*share));
        }
    }
    let header = ["history", "chart", "calm 20", "calm 200", "step at 1", "at 5", "at 9", "at 13"];
    report.table(&header, &table);
    report.line("\nCalm: histories with a signal within 20 and 200 groups. Step: a step of two sigma, so many groups after the setup, with a");
    report.line("signal within five groups, of the histories without one before; 15 groups and fewer follow the step.");
    if soon.is_below(55.0, CELL) {
        report.miss(format!("learning: a step of two sigma is seen within five groups in {} %", soon.text()));
    }
}

/// What a series does after the setup, told by its name and by what it falls by, in sigma, so many groups after it began.
type Fall = (&'static str, fn(f64) -> f64);
const FALLS: [Fall; 4] = [
    ("calm", |_| 0.0),
    ("step of 2", |_| 2.0),
    ("creep of 0.1 a group", |groups| 0.1 * groups),
    ("creep of 0.2 a group", |groups| 0.2 * groups),
];
/// Groups after the setup before it falls, and those that are watched then.
const CALM: usize = 4;
const WATCHED: usize = 28;

/// Groups from the fall to the first fail of the rule, judged at each new group as a line judges it; `None` where it fails before.
fn delay(
    fall: fn(f64) -> f64,
    chart_alone: bool,
    populations: &[Population],
    random: &mut Random,
) -> Option<usize> {
    let scene = Scene { units: Units::Each(1), lots: 0.0, unit: 1.0, correlation: 0.0 };
    let level = |group: usize| {
        let since = (group + 1).saturating_sub(SETUP + CALM);
        50.0 - if since > 0 { fall(since as f64) } else { 0.0 }
    };
    let whole = scene.draw(SETUP + CALM + WATCHED, level, random);
    for (monitored, population) in populations.iter().enumerate() {
        let upto = whole.groups.get(..SETUP + monitored + 1)?.to_vec();
        let product = judged_near(population, vec![Series { groups: upto, ..whole.clone() }]);
        let series = product.series.first()?;
        let newest = SETUP + monitored;
        let signals = series.signals.iter().any(|signal| signal.group == newest);
        let fails = series.rules.first().is_some_and(|rule| rule.verdict == Verdict::Fail);
        if if chart_alone { signals } else { fails } {
            return (monitored + 1).checked_sub(CALM).filter(|groups| *groups > 0);
        }
    }
    Some(usize::MAX)
}

/// How soon the rule of the chart fails, by the chart's signals alone and by the movement beside them.
fn verdicts(report: &mut Report, share: usize, part: u64) {
    report.heading(
        "learning: the verdict at each new group, one unit each, 8 setup groups, a limit 8 sigma away",
    );
    let populations: Vec<Population> =
        (1..=CALM + WATCHED).map(|monitored| population(SETUP + monitored)).collect();
    let cells: Vec<(Fall, bool)> = FALLS.into_iter().flat_map(|fall| [(fall, true), (fall, false)]).collect();
    let series = (SERIES / 4 / share).max(20);
    let delays = parallel(&cells, |index, ((_, fall), chart_alone)| {
        let of = |repeat| delay(*fall, *chart_alone, &populations, &mut Random::of(part, index / 2, repeat));
        let mut delays: Vec<usize> = (0..series).filter_map(of).collect();
        delays.sort_unstable();
        delays
    });
    let mut table = Vec::new();
    for (((name, _), chart_alone), delays) in cells.iter().zip(&delays) {
        let within = |groups: usize| {
            let mut share = Share::default();
            delays.iter().for_each(|delay| share.count(*delay <= groups));
            share.text()
        };
        let middle = delays.get(delays.len() / 2).filter(|delay| **delay < usize::MAX);
        table.push(vec![
            (*name).to_owned(),
            if *chart_alone { "signals of the chart" } else { "verdict" }.to_owned(),
            within(SOON),
            within(2 * SOON),
            within(HORIZON),
            middle.map_or_else(|| "never".to_owned(), ToString::to_string),
        ]);
    }
    report.table(&["history", "by", "within 5", "within 10", "within 20", "median"], &table);
    report.line("\nGroups since the fall, which begins five groups after the setup. Calm: since then as well, of the histories that do not fail before.\n");
}

/// Charts of a product, and the correlation of their means.
const PRODUCTS: [(usize, f64); 5] = [(1, 0.0), (16, 0.0), (16, 0.7), (200, 0.0), (200, 0.7)];

/// Series whose group means have a part in common.
fn together(
    count: usize,
    shared: f64,
    groups: usize,
    moved: impl Fn(usize, usize) -> f64,
    random: &mut Random,
) -> Vec<Series> {
    let common: Vec<f64> = (0..groups).map(|_| random.normal()).collect();
    let series = (0..count).map(|index| {
        let mut all = Running::default();
        let groups = common.iter().enumerate().map(|(group, common)| {
            let own = shared.sqrt() * common + (1.0 - shared).sqrt() * random.normal();
            let mut one = Running::default();
            one.add(50.0 + own + moved(index, group));
            all.join(&one);
            super::histories::stats(&one)
        });
        let groups = groups.collect();
        Series { groups, all, references: Vec::new(), stations: Stations::default() }
    });
    series.collect()
}

fn products(report: &mut Report, share: usize, part: u64) {
    report.heading("learning: charts of a product, 8 setup groups, one unit each, changepoint, %");
    let population = population(SETUP + HORIZON);
    let rows = parallel(&PRODUCTS, |index, (count, shared)| {
        let products = (SERIES / (1 + count / 40) / share).max(10);
        let mut shares = [Share::default(); 4];
        let step = |group: usize| if group < SETUP + 8 { 0.0 } else { STEP };
        for repeat in 0..products {
            let mut random = Random::of(part, index, repeat);
            let calm = together(*count, *shared, SETUP + HORIZON, |_, _| 0.0, &mut random);
            let product = judged(Chart::ChangePoint, &population, calm);
            shares[0].count(
                product.series.iter().any(|series| series.signals.iter().any(|signal| !signal.wanders)),
            );
            let soon = |series: &loopgauge::drift::SeriesOutcome| {
                let signals = series.signals.iter().filter(|signal| !signal.wanders);
                let groups = signals.map(|signal| signal.group - SETUP);
                groups.clone().any(|group| (8..8 + SOON).contains(&group))
            };
            let all = together(*count, *shared, SETUP + HORIZON, |_, group| step(group), &mut random);
            let product = judged(Chart::ChangePoint, &population, all);
            shares[1].count(product.series.iter().any(soon));
            product.series.iter().for_each(|series| shares[2].count(soon(series)));
            let one = |index, group| if index == 0 { step(group) } else { 0.0 };
            let one = together(*count, *shared, SETUP + HORIZON, one, &mut random);
            shares[3].count(judged(Chart::ChangePoint, &population, one).series.first().is_some_and(soon));
        }
        shares
    });
    let mut table = Vec::new();
    for ((count, shared), shares) in PRODUCTS.iter().zip(&rows) {
        let mut row = vec![count.to_string(), shared.to_string()];
        row.extend(shares.iter().map(Share::text));
        table.push(row);
        if shares[0].is_above(120.0 * FALSE_ALARMS, CELL) {
            report.miss(format!(
                "learning, {count} charts, correlation {shared}: {} % calm products sound",
                shares[0].text()
            ));
        }
    }
    let header =
        ["charts", "correlation", "any, calm", "any, all step", "each, all step", "the one that steps"];
    report.table(&header, &table);
    report.line("\nA step of two sigma nine groups after the setup, seen within five groups.");
}
