//! Control charts of group means: run lengths against exact ones, false alarms where centre and spread come from few groups, and
//! how soon a step or a slope is seen.

use super::noise::Random;
use super::table::{CELL, Report, Share};
use super::work::parallel;
use loopgauge::drift::chart::{
    Cusum, Ewma, FALSE_ALARMS, HORIZON, Individuals, Parameters, Point, Setup, run_chart, widening,
};
use loopgauge::spec::Chart;

const MODE: u64 = 7;
const CHARTS: [(Chart, &str); 3] =
    [(Chart::Individuals, "individuals"), (Chart::Ewma, "ewma"), (Chart::Cusum, "cusum")];

/// The modes' parts, which must not share random numbers.
const RUN_LENGTHS: u64 = MODE << 8;
const ALARMS: u64 = RUN_LENGTHS + 1;
const DELAYS: u64 = RUN_LENGTHS + 2;

/// Series of each cell.
const RUNS: usize = 10_000;
const ALARM_SERIES: usize = 20_000;
const DELAY_SERIES: usize = 4_000;
/// Groups that a delay is counted over.
const CAP: usize = 60;

/// The mode.
pub fn run(share: usize) -> Report {
    let mut report = Report::default();
    run_lengths(&mut report, share);
    false_alarms(&mut report, share);
    delays(&mut report, share);
    report
}

/// A chart with known centre and spread, its shifts in sigma and the mean run lengths.
struct Design {
    name: &'static str,
    kind: Chart,
    parameters: Parameters,
    exact: &'static [(f64, f64)],
}

/// Run rules: exact Markov chain (the row without a shift agrees with C. W. Champ and W. H. Woodall, Technometrics 1987, from
/// memory). Sums and averages: by the same method.
fn designs() -> Vec<Design> {
    let rules = |two_of_three, four_of_five, in_a_row| Parameters {
        individuals: Individuals { two_of_three, four_of_five, in_a_row, ..Individuals::default() },
        ..Parameters::default()
    };
    let ewma = |weight, limit| Parameters {
        ewma: Ewma { weight, limit, steady_state: true },
        ..Parameters::default()
    };
    let cusum =
        |interval| Parameters { cusum: Cusum { interval, ..Cusum::default() }, ..Parameters::default() };
    let (two, four, row) = (Some(2.0), Some(1.0), Some(8));
    let design = |name, kind, parameters, exact| Design { name, kind, parameters, exact };
    let individuals = Chart::Individuals;
    vec![
        design(
            "individuals, 3 sigma alone",
            individuals,
            rules(None, None, None),
            &[(0.0, 370.40), (0.5, 155.22), (1.0, 43.89), (2.0, 6.30)],
        ),
        design(
            "and two of three",
            individuals,
            rules(two, None, None),
            &[(0.0, 225.44), (0.5, 77.72), (1.0, 20.01), (2.0, 3.65)],
        ),
        design(
            "and four of five",
            individuals,
            rules(None, four, None),
            &[(0.0, 166.05), (0.5, 46.18), (1.0, 12.66), (2.0, 3.68)],
        ),
        design(
            "and eight in a row",
            individuals,
            rules(None, None, row),
            &[(0.0, 152.73), (0.5, 44.28), (1.0, 14.58), (2.0, 4.89)],
        ),
        design(
            "individuals, all rules",
            individuals,
            rules(two, four, row),
            &[(0.0, 91.75), (0.5, 27.33), (1.0, 9.22), (2.0, 3.13)],
        ),
        design("cusum, interval 5", Chart::Cusum, cusum(5.0), &[(0.0, 465.44), (1.0, 10.376), (2.0, 4.009)]),
        design("cusum, interval 4", Chart::Cusum, cusum(4.0), &[(0.0, 167.68), (1.0, 8.383), (2.0, 3.343)]),
        design("ewma 0.3, steady", Chart::Ewma, ewma(0.3, 3.0), &[(0.0, 465.6), (1.0, 11.70), (2.0, 3.51)]),
        design("ewma 0.2, steady", Chart::Ewma, ewma(0.2, 2.962), &[(0.0, 499.7), (1.0, 10.54), (2.0, 3.74)]),
    ]
}

const KNOWN: Setup = Setup { center: 0.0, sigma: 1.0, groups: 0 };

/// Groups until the first signal.
fn run_length(design: &Design, shift: f64, random: &mut Random) -> f64 {
    let mut points = Vec::new();
    let mut length = 64;
    loop {
        points.resize_with(length, || Point { value: shift + random.normal(), sigma: 1.0 });
        let chart = run_chart(design.kind, &KNOWN, &points, &design.parameters, 1.0);
        if let Some(signal) = chart.first() {
            return (signal.index + 1) as f64;
        }
        length *= 2;
    }
}

fn run_lengths(report: &mut Report, share: usize) {
    report.heading("charts: mean run length, centre and spread known");
    let designs = designs();
    let cells: Vec<(&Design, f64, f64)> =
        designs.iter().flat_map(|d| d.exact.iter().map(move |(shift, exact)| (d, *shift, *exact))).collect();
    let runs = (RUNS / share).max(2);
    let rows = parallel(&cells, |index, (design, shift, exact)| {
        let lengths: Vec<f64> = (0..runs)
            .map(|run| run_length(design, *shift, &mut Random::of(RUN_LENGTHS, index, run)))
            .collect();
        let mean = lengths.iter().sum::<f64>() / runs as f64;
        let squares = lengths.iter().map(|length| (length - mean).powi(2)).sum::<f64>();
        let error = (squares / (runs - 1) as f64 / runs as f64).sqrt();
        (*design, *shift, *exact, mean, error)
    });
    let mut table = Vec::new();
    for (design, shift, exact, mean, error) in rows {
        let off = (mean - exact) / error;
        table.push(vec![
            design.name.to_owned(),
            shift.to_string(),
            format!("{exact:.2}"),
            format!("{mean:.2}"),
            format!("{error:.2}"),
            format!("{off:+.1}"),
        ]);
        if off.abs() > CELL {
            report.miss(format!(
                "charts, {} at a shift of {shift}: mean run length {mean:.2}, {exact} wanted",
                design.name
            ));
        }
    }
    report.table(&["chart", "shift/sigma", "exact", "mean", "its error", "off/errors"], &table);
}

/// Units of a group, drawn evenly.
fn units(random: &mut Random) -> usize {
    3 + (((random.even() + 1.0) / 2.0 * 10.0) as usize).min(9)
}

/// A group in control: lot effect and units.
struct Group {
    units: usize,
    mean: f64,
    /// Sum of squares about the mean.
    within: f64,
}

impl Group {
    /// Unit-to-unit standard deviation 1.
    fn draw(lots: f64, random: &mut Random) -> Self {
        let units = units(random);
        let lot = lots * random.normal();
        let values: Vec<f64> = (0..units).map(|_| 50.0 + lot + random.normal()).collect();
        let mean = values.iter().sum::<f64>() / units as f64;
        Self { units, mean, within: values.iter().map(|value| (value - mean).powi(2)).sum() }
    }
}

/// One series in control: what a chart starts from, and its points.
fn in_control(setup_groups: usize, lots: f64, random: &mut Random) -> (Setup, Vec<Point>) {
    let groups: Vec<Group> = (0..setup_groups).map(|_| Group::draw(lots, random)).collect();
    let means: Vec<f64> = groups.iter().map(|group| group.mean).collect();
    let setup = Setup::new(&means).expect("two groups and more");
    let degrees: usize = groups.iter().map(|group| group.units - 1).sum();
    let within = (groups.iter().map(|group| group.within).sum::<f64>() / degrees as f64).sqrt();
    let inverse: f64 = groups.iter().map(|group| 1.0 / group.units as f64).sum();
    let setup_units = setup_groups as f64 / inverse;
    let points = (0..HORIZON).map(|_| {
        let group = Group::draw(lots, random);
        Point { value: group.mean, sigma: setup.sigma_of_group(within, group.units, setup_units) }
    });
    (setup, points.collect())
}

const SETUPS: [usize; 2] = [8, 25];
/// Targets: of one series, and of each in a family of fifty.
const TARGETS: [f64; 2] = [FALSE_ALARMS, 0.001];
/// Lot-to-lot standard deviation in unit-to-unit ones.
const LOTS: [f64; 3] = [0.0, 0.5, 2.0];

fn false_alarms(report: &mut Report, share: usize) {
    report.heading("charts: series in control with a signal within 20 groups, %");
    let parameters = Parameters::default();
    let series = (ALARM_SERIES / share).max(1);
    let cells: Vec<(usize, f64, (Chart, &str))> = SETUPS
        .iter()
        .flat_map(|setup| LOTS.iter().map(move |lots| (*setup, *lots)))
        .flat_map(|(setup, lots)| CHARTS.map(|chart| (setup, lots, chart)))
        .collect();
    let counts = parallel(&cells, |index, (setup_groups, lots, (kind, _))| {
        let wide = TARGETS.map(|target| widening(*kind, *setup_groups, target, &parameters).factor);
        let mut shares = [Share::default(); 3];
        for repeat in 0..series {
            // The three charts see the same series.
            let mut random = Random::of(ALARMS, index / CHARTS.len(), repeat);
            let (setup, points) = in_control(*setup_groups, *lots, &mut random);
            for (share, factor) in shares.iter_mut().zip([1.0, wide[0], wide[1]]) {
                let chart = run_chart(*kind, &setup, &points, &parameters, factor);
                share.count(chart.first().is_some());
            }
        }
        (wide, shares)
    });
    let mut table = Vec::new();
    for ((setup_groups, lots, (_, name)), (wide, shares)) in cells.iter().zip(&counts) {
        let mut row = vec![(*name).to_owned(), setup_groups.to_string(), lots.to_string(), shares[0].text()];
        for ((share, target), factor) in shares[1..].iter().zip(TARGETS).zip(wide) {
            let percent = 100.0 * target;
            row.extend([format!("{factor:.3}"), format!("{:.2}", share.percent())]);
            if share.is_above(percent, CELL) || share.is_below(0.5 * percent, CELL) {
                report.miss(format!(
                    "charts, {name} with {setup_groups} setup groups, lots {lots}: {:.2} % false alarms, {percent} % wanted",
                    share.percent()
                ));
            }
        }
        table.push(row);
    }
    let header =
        ["chart", "setup", "lots/units", "not widened", "factor 5 %", "5 %", "factor 0.1 %", "0.1 %"];
    report.table(&header, &table);
}

/// What happens after the setup groups.
#[derive(Clone, Copy)]
enum Change {
    Step(f64),
    Slope(f64),
}

impl Change {
    const ALL: [Self; 6] = [
        Self::Step(0.5),
        Self::Step(1.0),
        Self::Step(2.0),
        Self::Slope(0.05),
        Self::Slope(0.1),
        Self::Slope(0.2),
    ];

    fn at(self, index: usize) -> f64 {
        match self {
            Self::Step(size) => size,
            Self::Slope(size) => size * (index + 1) as f64,
        }
    }

    fn name(self) -> String {
        match self {
            Self::Step(size) => format!("step {size}"),
            Self::Slope(size) => format!("slope {size}"),
        }
    }
}

/// Groups until the first signal, the cap if there is none; `None` setup groups: all is known.
fn delay(kind: Chart, change: Change, setup: Option<usize>, factor: f64, random: &mut Random) -> usize {
    let mut means = (0..setup.unwrap_or(0)).map(|_| random.normal()).collect::<Vec<f64>>();
    let setup = Setup::new(&means).unwrap_or(KNOWN);
    means.clear();
    let points: Vec<Point> = (0..CAP)
        .map(|index| Point { value: change.at(index) + random.normal(), sigma: setup.sigma })
        .collect();
    let chart = run_chart(kind, &setup, &points, &Parameters::default(), factor);
    chart.first().map_or(CAP, |signal| signal.index + 1)
}

fn delays(report: &mut Report, share: usize) {
    report.heading("charts: groups until a signal, median and mean, at most 60 counted");
    let setups = [None, Some(SETUPS[1]), Some(SETUPS[0])];
    let series = (DELAY_SERIES / share).max(1);
    let cells: Vec<(Change, (Chart, &str))> =
        Change::ALL.iter().flat_map(|change| CHARTS.map(|chart| (*change, chart))).collect();
    let rows = parallel(&cells, |index, (change, (kind, name))| {
        let mut row = vec![change.name(), (*name).to_owned()];
        for (k, setup) in setups.iter().enumerate() {
            let factor =
                setup.map_or(1.0, |n| widening(*kind, n, FALSE_ALARMS, &Parameters::default()).factor);
            let mut delays: Vec<usize> = (0..series)
                .map(|repeat| {
                    // The three charts see the same series.
                    let setting = index / CHARTS.len() * setups.len() + k;
                    delay(*kind, *change, *setup, factor, &mut Random::of(DELAYS, setting, repeat))
                })
                .collect();
            delays.sort_unstable();
            let median = delays[delays.len() / 2];
            let more = if median == CAP { ">=" } else { "" };
            row.push(format!("{more}{median}"));
            row.push(format!("{:.1}", delays.iter().sum::<usize>() as f64 / delays.len() as f64));
        }
        row
    });
    report.table(&["change", "chart", "known", "mean", "25 groups", "mean", "8 groups", "mean"], &rows);
    report.line("\nKnown: limits not widened. From 25 and 8 setup groups: widened for 5 % of false alarms.");
}
