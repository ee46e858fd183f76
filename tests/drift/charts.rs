//! Centre, spread and signals of the charts, against numbers computed here.

use super::line::{
    DRIFT, STILL, close, drifted, number, of_groups, only, room, rule, singles, unit, with_chain,
};
use crate::tool::{list, text};
use loopgauge::check::RunOutcome;
use loopgauge::spec::{Chart, Drift};
use serde_json::Value;

/// 8 still groups, then 8 that stand `shift` deg lower.
fn shifted(shift: f64) -> Vec<f64> {
    let still = [STILL, STILL].concat();
    still.iter().copied().chain(still.iter().map(|margin| margin - shift)).collect()
}

/// Mean of the means, and their mean moving range over 2 / sqrt(pi), the mean range of two standard normal values.
fn centre_and_spread(means: &[f64]) -> [f64; 2] {
    let ranges: f64 = means.windows(2).map(|pair| (pair[1] - pair[0]).abs()).sum();
    let d2 = 2.0 / std::f64::consts::PI.sqrt();
    [means.iter().sum::<f64>() / means.len() as f64, ranges / (means.len() - 1) as f64 / d2]
}

fn signals(series: &Value) -> Vec<(String, String)> {
    let all = list(&series["signals"]).iter();
    all.map(|signal| (text(&signal["group"]).to_owned(), text(&signal["rule"]).to_owned())).collect()
}

#[test]
fn with_no_more_groups_than_setup_the_chart_says_nothing() {
    let wild = [56.0, 40.0, 70.0, 56.0];
    let result = drifted(&room(&DRIFT, &singles(&wild)), 0);
    let series = only(&result);
    assert_eq!(
        (&series["center"], &series["sigma"], &series["chart"]),
        (&Value::Null, &Value::Null, &Value::Null)
    );
    assert_eq!((signals(series).len(), rule(series, "chart").0), (0, "not_judged"));
    let one_more = drifted(&room(&DRIFT, &singles(&[56.0, 40.0, 70.0, 56.0, 56.0])), 0);
    let series = only(&one_more);
    // (16 + 30 + 14) / 3 = 20 over 2 / sqrt(pi): 17.7245, by hand.
    close(&series["center"], 55.5);
    close(&series["sigma"], 10.0 * std::f64::consts::PI.sqrt());
    assert_eq!(rule(series, "chart").0, "pass");
}

/// Two units a group: the group means 54, 56, 55, 57 come from units 2 deg apart.
#[test]
fn centre_and_spread_are_those_of_the_group_means() {
    let means = [54.0, 56.0, 55.0, 57.0, 55.5, 55.0];
    let runs: Vec<RunOutcome> = means
        .iter()
        .enumerate()
        .flat_map(|(k, mean)| {
            let build = format!("W{k}");
            [unit(&format!("A{k}"), &build, k, mean - 1.0), unit(&format!("B{k}"), &build, k, mean + 1.0)]
        })
        .collect();
    let result = drifted(&room(&DRIFT, &runs), 0);
    let [center, sigma] = centre_and_spread(&means[..4]);
    assert!((center - 55.5).abs() < 1e-12 && (sigma - 1.477_045).abs() < 1e-5);
    close(&only(&result)["center"], center);
    close(&only(&result)["sigma"], sigma);
}

#[test]
fn groups_without_a_value_are_no_setup() {
    let mut runs = singles(&[56.0, 56.2, 55.8, 56.0, 56.1]);
    runs[1].corners[0].measured = None;
    let result = drifted(&room(&DRIFT, &runs), 0);
    assert_eq!(only(&result)["center"], Value::Null, "four groups with values are no more than the setup");
    runs.push(unit("RG-00099", "W99", 99, 56.0));
    let result = drifted(&room(&DRIFT, &runs), 0);
    let [center, sigma] = centre_and_spread(&[56.0, 55.8, 56.0, 56.1]);
    close(&only(&result)["center"], center);
    close(&only(&result)["sigma"], sigma);
}

/// What each chart draws, by its textbook formula: the mean; z = 0.3 x + 0.7 z from the centre on (NIST/SEMATECH e-Handbook,
/// 6.3.2.4); the larger of the two sums beyond half a sigma (6.3.2.3).
#[test]
fn each_kind_draws_its_statistic() {
    let margins = shifted(0.15);
    let [center, sigma] = centre_and_spread(&margins[..8]);
    let watched = &margins[8..];
    let ewma = |z: &mut f64, x: &f64| {
        *z = 0.3 * x + 0.7 * *z;
        Some(*z)
    };
    let cusum = |sums: &mut [f64; 2], x: &f64| {
        let deviation = x - center;
        *sums = [(sums[0] + deviation - 0.5 * sigma).max(0.0), (sums[1] - deviation - 0.5 * sigma).max(0.0)];
        Some(center + if sums[0] >= sums[1] { sums[0] } else { -sums[1] })
    };
    for (chart, name, wanted) in [
        (Chart::Individuals, "individuals", watched.to_vec()),
        (Chart::Ewma, "ewma", watched.iter().scan(center, ewma).collect::<Vec<f64>>()),
        (Chart::Cusum, "cusum", watched.iter().scan([0.0; 2], cusum).collect()),
    ] {
        let drift = Drift { chart: Some(chart), setup: Some(8), ..DRIFT };
        let result = drifted(&room(&drift, &singles(&margins)), 0);
        let series = only(&result);
        close(&series["center"], center);
        close(&series["sigma"], sigma);
        assert_eq!((&series["chart"]["kind"], &series["chart"]["setup"]), (&name.into(), &8.into()));
        assert!(number(&series["chart"]["widening"]) > 1.0, "{name}");
        let points = list(&series["chart"]["points"]);
        assert_eq!((points.len(), &points[0]["group"], wanted.len()), (8, &"W09".into(), 8));
        for (point, wanted) in points.iter().zip(wanted) {
            assert!((number(&point["statistic"]) - wanted).abs() < 1e-9, "{name}: {point}, wanted {wanted}");
            let (low, high) = (number(&point["low"]), number(&point["high"]));
            assert!(
                low < center && center < high && (low + high - 2.0 * center).abs() < 1e-9,
                "{name}: {point}"
            );
        }
    }
}

#[test]
fn each_kind_finds_a_step_after_the_setup_and_none_before() {
    for (chart, name) in [
        (Chart::ChangePoint, "changepoint"),
        (Chart::Individuals, "individuals"),
        (Chart::Ewma, "ewma"),
        (Chart::Cusum, "cusum"),
    ] {
        let drift = Drift { chart: Some(chart), setup: Some(8), ..DRIFT };
        // Up is away from the only limit: found, and no fail.
        for (shift, status, verdict) in [(3.0, 1, "fail"), (-3.0, 0, "pass")] {
            let room = room(&drift, &singles(&shifted(shift)));
            let result = drifted(&room, status);
            let series = only(&result);
            assert_eq!((&series["verdict"], rule(series, "chart").0), (&verdict.into(), verdict));
            let signals = signals(series);
            assert!(signals.iter().any(|(_, rule)| rule == name), "{name}: {signals:?}");
            assert!(signals.iter().all(|(group, _)| group.as_str() >= "W09"), "{signals:?}");
            assert!(rule(series, "chart").1.contains(if shift > 0.0 { "below" } else { "above" }));
            room.run("drift --history h.db").ends(status);
        }
        let calm = drifted(&room(&drift, &singles(&shifted(0.0))), 0);
        assert_eq!((signals(only(&calm)).len(), rule(only(&calm), "chart").0), (0, "pass"), "{name}");
    }
}

/// The only group far away is a setup group.
#[test]
fn a_bad_setup_group_is_no_signal() {
    let mut margins = shifted(0.0);
    margins[3] = 40.0;
    for chart in [Chart::ChangePoint, Chart::Individuals, Chart::Ewma, Chart::Cusum] {
        let drift = Drift { chart: Some(chart), setup: Some(8), ..DRIFT };
        let result = drifted(&room(&drift, &singles(&margins)), 0);
        assert_eq!(signals(only(&result)), [], "{chart:?}");
    }
}

#[test]
fn no_chart_in_the_spec_is_none() {
    let drift = Drift { chart: None, setup: None, over: None, ..DRIFT };
    let result = drifted(&room(&drift, &singles(&shifted(3.0))), 0);
    let series = only(&result);
    assert_eq!((signals(series).len(), list(&series["rules"]).len()), (0, 0));
    assert_eq!((&series["over"], of_groups(series, "group").len()), (&"build".into(), 16));
}

/// Means that are all alike have no spread: what rounding makes of them is no drift, a real step still is.
#[test]
fn equal_means_are_still() {
    for margin in [52.3, 1.0 / 3.0 + 50.0] {
        let result = drifted(&room(&DRIFT, &singles(&[margin; 12])), 0);
        let sigma = number(&only(&result)["sigma"]);
        // The rounding of what stands in sweep files.
        assert!(sigma > 0.0 && sigma < 2e-5 * margin, "{sigma}");
        assert_eq!(signals(only(&result)), []);
        // Three units whose sum rounds.
        let triples: Vec<RunOutcome> = (0..12)
            .flat_map(|k| (0..3 - k % 2).map(move |u| unit(&format!("{k}-{u}"), &format!("W{k}"), k, margin)))
            .collect();
        assert_eq!(signals(only(&drifted(&room(&DRIFT, &triples), 0))), []);
        let step: Vec<f64> = (0..12).map(|k| if k < 6 { margin } else { margin + 0.5 }).collect();
        assert!(!signals(only(&drifted(&room(&DRIFT, &singles(&step)), 0))).is_empty());
    }
}

/// Stations of 8 setup groups and of 8 that stand 1 deg lower, each with a chain of 1.2 deg.
fn moved(before: Option<&str>, after: Option<&str>, shift: f64) -> Vec<RunOutcome> {
    let mut runs = singles(&shifted(shift));
    for (k, run) in runs.iter_mut().enumerate() {
        with_chain(run, if k < 8 { before } else { after }, 1.2);
    }
    runs
}

/// Chains of two stations are independent, 1.2 sqrt(2) = 1.7 deg together; that of one station is the same error in all runs.
#[test]
fn another_stations_accuracy_is_not_mistaken_for_drift() {
    let drift = Drift { setup: Some(8), ..DRIFT };
    let (one, two) = (Some("bench-1"), Some("bench-2"));
    for (before, after, shift, verdict) in [
        (one, two, 1.0, "undecided"),
        (one, one, 1.0, "fail"),
        (one, two, 3.0, "fail"),
        // Nobody knows whether it was the same one.
        (None, None, 1.0, "undecided"),
        (one, None, 1.0, "undecided"),
    ] {
        let room = room(&drift, &moved(before, after, shift));
        let status = i32::from(verdict == "fail");
        let result = drifted(&room, status);
        let series = only(&result);
        assert_eq!(rule(series, "chart").0, verdict, "{before:?} to {after:?}: {}", rule(series, "chart").1);
        assert_eq!(series["verdict"], verdict);
        assert!(!signals(series).is_empty());
        let explained = list(&series["signals"]).iter().filter(|s| s["explained_by_station"] == true).count();
        assert_eq!(explained > 0, verdict == "undecided");
        let told = room.run("drift --history h.db").ends(status);
        let words = told.out().split_whitespace().collect::<Vec<_>>().join(" ");
        let why = if after.is_some() {
            "other stations measured there than before"
        } else {
            "no station is named there"
        };
        assert_eq!(words.contains(why), verdict == "undecided", "{words}");
    }
}

/// Eight corners: what moves in one of them alone must be rarer than what moves in all of them.
#[test]
fn charts_that_move_together_are_held_as_one() {
    let drift = Drift { setup: Some(8), chart: Some(Chart::ChangePoint), ..DRIFT };
    // Four standard deviations of the still groups, in the newest group but one and in the newest.
    let mut margins = shifted(0.0);
    margins.truncate(12);
    margins.extend([55.35, 55.25]);
    let corners = |moves: &dyn Fn(usize) -> bool| {
        let mut runs = singles(&margins);
        let still = singles(&shifted(0.0));
        for (run, still) in runs.iter_mut().zip(&still) {
            let own = [run.corners[0].clone(), still.corners[0].clone()];
            run.corners = (0..8)
                .map(|k| {
                    let mut corner = own[usize::from(!moves(k))].clone();
                    corner.corner = format!("{k}V-3A");
                    corner
                })
                .collect();
        }
        runs
    };
    let moved = |result: &Value| list(&result["series"]).iter().filter(|s| !signals(s).is_empty()).count();
    let all = drifted(&room(&drift, &corners(&|_| true)), 1);
    let one = drifted(&room(&drift, &corners(&|k| k == 0)), 0);
    let alone = drifted(&room(&drift, &singles(&margins)), 1);
    assert_eq!([moved(&all), moved(&one), moved(&alone)], [8, 0, 1]);
}

#[test]
fn false_alarms_of_all_charts_together_can_be_held() {
    let drift = Drift { setup: Some(8), ..DRIFT };
    let mut runs = singles(&shifted(0.0));
    for run in &mut runs {
        let mut second = run.corners[0].clone();
        second.corner = "10V-3A".to_owned();
        run.corners.push(second);
    }
    let room = room(&drift, &runs);
    let plain = drifted(&room, 0);
    let held = room.run("drift --history h.db --json - --false-alarms 1").ends(0).json();
    let alarms = &held["products"][0]["false_alarms"];
    assert_eq!((&alarms["charts"], &alarms["is_held"]), (&2.into(), &true.into()));
    // 1 - sqrt(1 - 0.01) each, were they independent.
    close(&alarms["one_chart"], 1.0 - 0.99_f64.sqrt());
    close(&alarms["any_chart"], 0.01);
    // The usual rate, shared by the charts that move alone.
    let usual = &plain["products"][0]["false_alarms"];
    assert_eq!(usual["is_held"], true);
    close(&usual["any_chart"], 0.05);
    close(&usual["one_chart"], 0.025);
    let widening = |result: &Value| number(&result["series"][0]["chart"]["widening"]);
    assert!(widening(&held) > widening(&plain), "{} {}", widening(&held), widening(&plain));
    let note = list(&held["products"][0]["notes"]).iter().map(text).find(|note| note.contains("widened"));
    assert!(note.is_some_and(|note| note.ends_with("at most 1.0 %")), "{note:?}");
    assert!(
        room.run("drift --history h.db --false-alarms 1").ends(0).out().contains("limits are widened so")
    );
    for wrong in ["0", "100", "-1", "many", "nan"] {
        room.run(&format!("drift --history h.db --false-alarms={wrong}")).ends(2);
    }
}
