//! The page of drift.

use super::hostile::hostile;
use super::{is_self_contained, links_lead_somewhere, parse};
use loopgauge::check::{Limit, Unit, Verdict};
use loopgauge::drift::{
    Ability, ChartPoint, ChartRun, FalseAlarms, GroupHead, GroupStats, JointMovement, Kind, Moved, Movement,
    ProductDrift, Range, Reach, ReferenceSeries, Retested, RuleOutcome, SeriesOutcome, Signal, Since, Slope,
    Weights,
};
use loopgauge::report::html::write_drift_html;
use loopgauge::spec::{Chart, DriftAxis};

/// A series that falls by 0.5 deg a group, with everything that a series can carry.
fn falling(name: &str) -> SeriesOutcome {
    let mean = |i: usize| 55.0 - 0.5 * i as f64;
    let group = |i| GroupStats {
        units: 12,
        bounds: u64::from(i == 3),
        mean: Some(mean(i)),
        sd: Some(0.8),
        min: Some(mean(i) - 1.5),
        max: Some(mean(i) + 1.7),
        uncertainty: Some(0.6),
        chain: Some(0.5),
    };
    let point = |group| ChartPoint { group, statistic: mean(group) + 0.4, low: 52.0, high: 56.5, sigma: 0.4 };
    let slope = Slope { per_group: -0.5, low: -0.62, high: -0.38, level: mean(9), least_squares: -0.51 };
    SeriesOutcome {
        corner: name.to_owned(),
        quantity: "phase_margin_deg".to_owned(),
        unit: Unit::Deg,
        limit: Limit { min: Some(50.0), max: None },
        verdict: Verdict::Fail,
        groups: (0..10).map(group).collect(),
        chart: Some(ChartRun {
            kind: Chart::Ewma,
            setup: 5,
            center: 54.1,
            sigma: 0.4,
            widening: 1.2,
            correlation: None,
            points: (5..10).map(point).collect(),
        }),
        signals: vec![Signal {
            group: 8,
            rule: "ewma",
            message: name.to_owned(),
            explained_by_station: true,
            wanders: false,
        }],
        movement: Some(Movement {
            kind: Kind::Step,
            probability: Weights { none: 0.01, step: 0.95, ramp: 0.04 },
            perhaps: None,
            wanders: 0.0,
            since: Some(Since { group: 6, low: 5, high: 6 }),
            size: Range { value: -1.2, low: -1.8, high: -0.6 },
            slope: Range::default(),
            level: Range::default(),
            threshold: None,
            relevant: true,
            towards_limit: true,
            share_eaten: 0.3,
            earlier: Vec::new(),
            left_out: Vec::new(),
            correlation: None,
            together_with: vec![name.to_owned()],
        }),
        trend: Some(slope),
        forecast: Some(Reach {
            limit: Limit { min: Some(50.0), max: None },
            in_groups: 1.2,
            low: Some(0.8),
            high: None,
        }),
        capability: Some(Ability {
            ppk: 0.9,
            low: 0.7,
            units: 120,
            share: Some(0.99),
            lots: None,
            taken_out: false,
        }),
        references: vec![ReferenceSeries {
            serial: name.to_owned(),
            station: None,
            records: 4,
            mean: 54.0,
            sd: Some(0.1),
            trend: Some(slope),
            moved: None,
        }],
        rules: vec![RuleOutcome { rule: "chart", verdict: Verdict::Fail, message: name.to_owned() }],
        message: name.to_owned(),
    }
}

fn history(name: &str) -> ProductDrift {
    let head = |i: usize| GroupHead {
        label: format!("2026-W{:02}", 10 + i) + name,
        units: 12,
        records: 13,
        revisions: vec![name.to_owned()],
        firmwares: vec![None, Some(name.to_owned())],
        stations: vec![Some(name.to_owned())],
    };
    let mut seconds = falling(name);
    seconds.unit = Unit::S;
    for group in &mut seconds.groups {
        for value in [&mut group.mean, &mut group.sd, &mut group.min, &mut group.max, &mut group.uncertainty]
        {
            *value = value.map(|v| v * 1e-6);
        }
    }
    (seconds.chart, seconds.trend, seconds.forecast, seconds.limit) =
        (None, None, None, Limit { min: Some(5e-6), max: None });
    let mut empty = falling(name);
    empty.groups.iter_mut().for_each(|group| group.mean = None);
    ProductDrift {
        product: name.to_owned(),
        over: DriftAxis::Build,
        groups: (0..10).map(head).collect(),
        verdict: Some(Verdict::Fail),
        series: vec![falling(name), seconds, empty],
        movements: vec![JointMovement {
            kind: Kind::Step,
            probability: 0.97,
            since: Since { group: 6, low: 5, high: 6 },
            series: vec![Moved {
                series: 0,
                corner: name.to_owned(),
                quantity: "phase_margin_deg".to_owned(),
                unit: Unit::Deg,
                size: Range { value: -1.2, low: -1.5, high: -0.9 },
                relevant: true,
                share_eaten: 0.4,
            }],
            corners: vec![name.to_owned()],
            quantities: vec!["phase_margin_deg".to_owned()],
            relevant: true,
            share_eaten: 0.4,
            nearest: None,
            parts: None,
            together_with: vec![name.to_owned()],
            message: name.to_owned(),
        }],
        retested: vec![Retested {
            serial: name.to_owned(),
            group: name.to_owned(),
            verdicts: vec![Verdict::Fail, Verdict::Pass],
        }],
        false_alarms: Some(FalseAlarms { charts: 2, one_chart: 0.02, any_chart: 0.04, is_held: true }),
        notes: vec![name.to_owned()],
    }
}

#[test]
fn the_page_of_drift_is_well_formed_self_contained_and_complete() {
    for name in [hostile().as_str(), "24V-3A"] {
        let mut bytes = Vec::new();
        write_drift_html(&mut bytes, &[history(name), history(&format!("{name} b"))]).unwrap();
        let page = String::from_utf8(bytes).unwrap();
        std::fs::write(std::path::Path::new(env!("CARGO_TARGET_TMPDIR")).join("drift.html"), &page).unwrap();
        assert!(!page.contains("NaN") && !page.contains("inf\""));
        let page = parse(&page);
        is_self_contained(&page);
        links_lead_somewhere(&page);
        assert_eq!(page.named("article").len(), 6);
        assert_eq!(page.of_class("plots").len(), 4);
        for words in [
            "53.5 deg ± 0.6 deg",
            "limit",
            "trend: falls by 0.50 deg per group",
            "in about 1.2 groups",
            "Ppk 0.90",
            "since 2026-W16",
            "Movements",
            "To do: ",
        ] {
            assert!(page.text.contains(words), "{words}");
        }
    }
}
