//! Histories to try the reports on. Also compiled into the integration tests.

#![allow(dead_code, missing_docs, reason = "each user takes what it needs")]

use loopgauge::check::{Limit, Unit, Verdict};
use loopgauge::drift::{
    Ability, ChartPoint, ChartRun, FalseAlarms, GroupHead, GroupStats, Kind, Movement, ProductDrift, Range,
    Reach, ReferenceSeries, Retested, RuleOutcome, SeriesOutcome, Signal, Since, Slope, Weights,
};
use loopgauge::spec::{Chart, DriftAxis};

/// Text made to leave its place: an escape, a direction mark, the end mark of a section, line ends.
pub const HOSTILE: &str = "W\u{1b}[31m\u{202e}]]>\n\r\n<&\"'\u{7}\u{9b}";

/// Five groups set the chart up.
const SETUP: usize = 5;

/// `units` units about `mean`.
pub fn group(units: u64, mean: f64, sd: f64) -> GroupStats {
    GroupStats {
        units,
        bounds: 0,
        mean: Some(mean),
        sd: (units > 1).then_some(sd),
        min: Some(mean - 1.6 * sd),
        max: Some(mean + 1.7 * sd),
        uncertainty: Some(0.17),
        chain: Some(0.15),
    }
}

/// A deviation between -1 and 1 that looks like none in particular, the same each time.
fn wobble(place: usize) -> f64 {
    (place as f64 * 2.399).sin()
}

fn heads(count: usize) -> Vec<GroupHead> {
    (0..count)
        .map(|place| GroupHead {
            label: format!("2026-W{:02}", place + 1),
            units: 12,
            records: if place == 3 { 15 } else { 12 },
            revisions: vec![if place < 9 { "B" } else { "C" }.to_owned()],
            firmwares: vec![Some("2.3.1".to_owned())],
            stations: vec![Some(if place % 2 == 0 { "bench-1" } else { "bench-3" }.to_owned())],
        })
        .collect()
}

/// A series with these means; nothing seen in it.
fn series(corner: &str, quantity: &str, unit: Unit, limit: Limit, means: &[f64], sd: f64) -> SeriesOutcome {
    SeriesOutcome {
        corner: corner.to_owned(),
        quantity: quantity.to_owned(),
        unit,
        limit,
        verdict: Verdict::Pass,
        groups: means.iter().map(|mean| group(12, *mean, sd)).collect(),
        chart: None,
        signals: Vec::new(),
        movement: None,
        trend: None,
        forecast: None,
        capability: None,
        references: Vec::new(),
        rules: Vec::new(),
        message: String::new(),
    }
}

/// The same under an ewma chart (weight 0.25), whose limits are a plain figure: the reports do not compute them.
fn watched(mut series: SeriesOutcome, sigma: f64) -> SeriesOutcome {
    let means: Vec<f64> = series.groups.iter().filter_map(|group| group.mean).collect();
    let center = means.iter().take(SETUP).sum::<f64>() / SETUP as f64;
    let mut weighted = center;
    let points = means.iter().enumerate().skip(SETUP).map(|(place, mean)| {
        weighted += 0.25 * (mean - weighted);
        let (low, high) = (center - 1.5 * sigma, center + 1.5 * sigma);
        ChartPoint { group: place, statistic: weighted, low, high, sigma }
    });
    series.chart = Some(ChartRun {
        kind: Chart::Ewma,
        setup: SETUP,
        center,
        sigma,
        widening: 1.31,
        correlation: None,
        points: points.collect(),
    });
    series
}

/// The groups that the chart draws below its lower limit.
fn below(series: &SeriesOutcome) -> Vec<Signal> {
    let points = series.chart.iter().flat_map(|chart| &chart.points);
    points
        .filter(|point| point.statistic < point.low)
        .map(|point| Signal {
            group: point.group,
            rule: "ewma",
            message: "the weighted mean lies below its lower limit".to_owned(),
            explained_by_station: false,
            wanders: false,
        })
        .collect()
}

fn rule(rule: &'static str, verdict: Verdict, message: &str) -> RuleOutcome {
    RuleOutcome { rule, verdict, message: message.to_owned() }
}

/// All rules passed.
fn passing(mut series: SeriesOutcome, sigma: f64) -> SeriesOutcome {
    series = watched(series, sigma);
    series.trend = Some(Slope {
        per_group: 0.002 * sigma,
        low: -0.1 * sigma,
        high: 0.11 * sigma,
        level: 0.0,
        least_squares: 0.0,
    });
    series.capability =
        Some(Ability { ppk: 1.71, low: 1.58, units: 168, share: Some(0.9999), lots: None, taken_out: false });
    series.rules = vec![
        rule("chart", Verdict::Pass, "no group lies beyond the limits"),
        rule("forecast", Verdict::Pass, "no trend leads to a limit"),
        rule("capability", Verdict::Pass, "Ppk 1.71, at least 1.58, wanted at least 1.33"),
    ];
    series.message = "no group lies beyond the limits".to_owned();
    series
}

pub const fn min(min: f64) -> Limit {
    Limit { min: Some(min), max: None }
}

/// A phase margin that creeps down since a new revision.
fn failing(count: usize) -> SeriesOutcome {
    let means: Vec<f64> = (0..count)
        .map(|place| {
            let step = if place >= 9 { 0.55 + 0.16 * (place - 8) as f64 } else { 0.0 };
            53.4 + 0.3 * wobble(place) - step
        })
        .collect();
    let mut fail = watched(series("24V-3A", "phase_margin_deg", Unit::Deg, min(50.0), &means, 0.8), 0.29);
    fail.verdict = Verdict::Fail;
    fail.signals = below(&fail);
    fail.trend = Some(Slope { per_group: -0.11, low: -0.17, high: -0.06, level: 52.0, least_squares: -0.19 });
    fail.forecast = Some(Reach { limit: min(50.0), in_groups: 9.1, low: Some(5.4), high: Some(15.8) });
    fail.capability = Some(Ability {
        ppk: 0.87,
        low: 0.78,
        units: 168,
        share: Some(0.98127),
        lots: None,
        taken_out: false,
    });
    fail.movement = Some(Movement {
        kind: Kind::Step,
        probability: Weights { none: 0.0, step: 0.97, ramp: 0.03 },
        perhaps: None,
        wanders: 0.0,
        since: Some(Since { group: 9, low: 8, high: 9 }),
        size: Range { value: -0.82, low: -1.15, high: -0.49 },
        slope: Range::default(),
        level: Range { value: 52.0, low: 51.8, high: 52.2 },
        threshold: Some(0.34),
        relevant: true,
        towards_limit: true,
        share_eaten: 0.24,
        earlier: Vec::new(),
        left_out: Vec::new(),
        correlation: None,
        together_with: vec!["revision B to C".to_owned()],
    });
    fail.references = vec![ReferenceSeries {
        serial: "RG-REF1".to_owned(),
        station: Some("bench-1".to_owned()),
        records: 14,
        mean: 54.02,
        sd: Some(0.06),
        trend: Some(Slope { per_group: 0.001, low: -0.006, high: 0.008, level: 54.0, least_squares: 0.0 }),
        moved: None,
    }];
    fail.rules = vec![
        rule(
            "chart",
            Verdict::Fail,
            "phase margin lies below what the first 5 groups let expect since 2026-W12",
        ),
        rule("forecast", Verdict::Undecided, "phase margin may reach 50 deg within 6 groups"),
        rule("capability", Verdict::Fail, "Ppk 0.87, at least 0.78, wanted at least 1.33"),
    ];
    fail.message = fail.rules[0].message.clone();
    fail
}

fn product(groups: usize, series: Vec<SeriesOutcome>) -> ProductDrift {
    ProductDrift {
        product: "river-gauge-5v".to_owned(),
        over: DriftAxis::Build,
        groups: heads(groups),
        verdict: Verdict::worst(series.iter().map(|series| series.verdict)),
        false_alarms: None,
        series,
        movements: Vec::new(),
        retested: Vec::new(),
        notes: Vec::new(),
    }
}

/// Series that pass, at two corners.
fn quiet(count: usize) -> Vec<SeriesOutcome> {
    let means = |level: f64, spread: f64| -> Vec<f64> {
        (0..count).map(|place| level + spread * wobble(place + 3)).collect()
    };
    let window = Limit { min: Some(8e3), max: Some(30e3) };
    let crossover = series("24V-3A", "crossover_hz", Unit::Hz, window, &means(9310.4, 60.0), 110.0);
    let delay = series("24V-3A", "delay_margin_s", Unit::S, min(2e-6), &means(1.61e-5, 2e-7), 3e-7);
    let margin = series("10V-0.5A", "gain_margin_db", Unit::Db, min(10.0), &means(12.6, 0.1), 0.2);
    let gain = series("10V-0.5A", "gain@120Hz", Unit::Db, min(30.0), &means(34.2, 0.1), 0.3);
    let mut series =
        vec![passing(crossover, 60.0), passing(delay, 2e-7), passing(margin, 0.1), passing(gain, 0.1)];
    series[2].forecast = Some(Reach { limit: min(10.0), in_groups: 240.0, low: Some(31.2), high: None });
    series
}

/// A history in which everything passes.
pub fn calm() -> ProductDrift {
    ProductDrift {
        false_alarms: Some(FalseAlarms { charts: 4, one_chart: 0.05, any_chart: 0.1855, is_held: false }),
        ..product(14, quiet(14))
    }
}

/// A history with a phase margin that creeps.
pub fn creeping() -> ProductDrift {
    let mut series = vec![failing(14)];
    series.extend(quiet(14));
    ProductDrift {
        false_alarms: Some(FalseAlarms { charts: 5, one_chart: 0.05, any_chart: 0.2263, is_held: false }),
        movements: Vec::new(),
        retested: vec![Retested {
            serial: "RG-00042".to_owned(),
            group: "2026-W04".to_owned(),
            verdicts: vec![Verdict::Fail, Verdict::Invalid, Verdict::Pass],
        }],
        notes: vec!["2 runs without a build were left out".to_owned()],
        ..product(14, series)
    }
}

/// Forty groups, with a bad lot among the old ones.
pub fn long() -> ProductDrift {
    let mut long = failing(40);
    long.groups[8] = group(12, 51.2, 0.8);
    for place in 9..40 {
        long.groups[place] = group(12, 53.4 + 0.3 * wobble(place), 0.8);
    }
    long = watched(long, 0.29);
    long.signals = below(&long);
    (long.trend, long.forecast, long.movement) = (None, None, None);
    long.rules = vec![
        rule(
            "chart",
            Verdict::Fail,
            "phase margin lies below what the first 5 groups let expect at 2026-W09",
        ),
        rule("forecast", Verdict::Pass, "no trend leads to a limit"),
        rule("capability", Verdict::Fail, "Ppk 0.87, at least 0.78, wanted at least 1.33"),
    ];
    long.message = long.rules[0].message.clone();
    product(40, vec![long])
}

/// Fewer groups than the setup takes; a group without a value, one with lower bounds, one unit alone.
pub fn short() -> ProductDrift {
    let mut few = series("24V-3A", "gain_margin_db", Unit::Db, min(10.0), &[12.6, 12.4, 12.5], 0.2);
    few.verdict = Verdict::NotJudged;
    few.groups[0] = group(1, 12.6, 0.0);
    few.groups[1] = GroupStats {
        units: 0,
        bounds: 12,
        mean: None,
        sd: None,
        min: None,
        max: None,
        uncertainty: None,
        chain: None,
    };
    few.message = "not judged: 3 groups, the chart takes 5 to set up".to_owned();
    few.rules = vec![rule("chart", Verdict::NotJudged, &few.message.clone())];
    let mut bare = series("24V-3A", "phase_margin_deg", Unit::Deg, min(50.0), &[53.1, 53.4, 53.0], 0.7);
    bare.verdict = Verdict::NotJudged;
    bare.message = "not judged: the spec asks for no rule".to_owned();
    product(3, vec![few, bare])
}

/// The creeping history with hostile text wherever text of the data stands.
pub fn hostile() -> ProductDrift {
    let mut product = creeping();
    let text = || HOSTILE.to_owned();
    product.product.push_str(HOSTILE);
    for (place, group) in product.groups.iter_mut().enumerate() {
        group.label = format!("{HOSTILE}{place}");
        group.revisions = vec![text()];
        group.firmwares = vec![Some(text()), None];
        group.stations = vec![Some(text()), None];
    }
    for series in &mut product.series {
        series.corner.push_str(HOSTILE);
        series.message = text();
        series.rules.iter_mut().for_each(|rule| rule.message = text());
        series.signals.iter_mut().for_each(|signal| signal.message = text());
        series.movement.iter_mut().for_each(|movement| movement.together_with = vec![text()]);
        for unit in &mut series.references {
            (unit.serial, unit.station) = (text(), Some(text()));
        }
    }
    for unit in &mut product.retested {
        (unit.serial, unit.group) = (text(), text());
    }
    product.notes = vec![text()];
    product
}
