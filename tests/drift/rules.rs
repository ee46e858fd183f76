//! Trend, forecast, capability and step, by hand.

use super::line::{DRIFT, close, drifted, number, only, room, rule, singles, tell};
use crate::tool::{Room, list, text};
use loopgauge::check::Limit;
use loopgauge::measurand::{Measurand, PerMeasurand};
use loopgauge::spec::{Drift, Relevant};
use serde_json::{Value, json};

const RULES: Drift = Drift { chart: None, ..DRIFT };

/// Asks the same history for another rule: the newest run is recorded again with it.
fn asked(room: &Room, drift: &Drift, margins: &[f64], status: i32) -> Value {
    tell(room, drift, &singles(margins)[margins.len() - 1..]);
    drifted(room, status)
}

/// 60, 59.5, …, 55.5: the line stands at 55.5 deg in the newest group and reaches 50 deg 11 groups later.
#[test]
fn a_straight_line_is_forecast_exactly() {
    let margins: Vec<f64> = (0..10).map(|k| 60.0 - 0.5 * f64::from(k)).collect();
    let room = room(&Drift { forecast_groups: Some(11), ..RULES }, &singles(&margins));
    let result = drifted(&room, 1);
    let series = only(&result);
    // What is read from sweep files is rounded to five digits.
    let near =
        |value: &Value, wanted: f64| assert!((number(value) - wanted).abs() < 0.02, "{value} {wanted}");
    for key in ["per_group", "low", "high"] {
        near(&series["trend"][key], -0.5);
    }
    assert_eq!(series["forecast"]["reaches"]["min"], 50.0);
    for key in ["in_groups", "low", "high"] {
        near(&series["forecast"][key], 11.0);
    }
    assert_eq!(rule(series, "forecast").0, "fail", "11 is at most 11");
    let later = asked(&room, &Drift { forecast_groups: Some(10), ..RULES }, &margins, 0);
    assert_eq!(rule(only(&later), "forecast").0, "pass");
    // Without the rule the numbers stay and nothing is judged.
    let unasked = asked(&room, &RULES, &margins, 0);
    near(&only(&unasked)["forecast"]["in_groups"], 11.0);
    assert_eq!(only(&unasked)["verdict"], "not_judged");
}

/// Median of the 45 slopes between 10 means (Theil 1950, Sen 1968).
fn median_slope(means: &[f64]) -> f64 {
    let mut slopes: Vec<f64> = (0..means.len())
        .flat_map(|i| (i + 1..means.len()).map(move |j| (means[j] - means[i]) / (j - i) as f64))
        .collect();
    slopes.sort_by(f64::total_cmp);
    0.5 * (slopes[(slopes.len() - 1) / 2] + slopes[slopes.len() / 2])
}

/// Scatter about a line of -0.5 deg per group.
const SCATTERED: [f64; 10] = [60.3, 59.1, 59.4, 58.2, 58.3, 57.2, 57.4, 56.3, 56.2, 55.6];

#[test]
fn the_forecast_counts_from_the_newest_group_and_is_undecided_in_between() {
    let room = room(&Drift { forecast_groups: Some(1), ..RULES }, &singles(&SCATTERED));
    let result = drifted(&room, 0);
    let series = only(&result);
    assert_eq!(rule(series, "forecast").0, "pass");
    let (trend, forecast) = (&series["trend"], &series["forecast"]);
    let slope = number(&trend["per_group"]);
    assert!((slope - median_slope(&SCATTERED)).abs() < 0.05, "{trend}");
    assert!(number(&trend["low"]) < -0.5 && -0.5 < number(&trend["high"]) && number(&trend["high"]) < 0.0);
    let (in_groups, low, high) =
        (number(&forecast["in_groups"]), number(&forecast["low"]), number(&forecast["high"]));
    // The line at the newest group over the slope.
    assert!((in_groups - (number(&trend["level"]) - 50.0) / -slope).abs() < 0.5, "{forecast}");
    assert!((number(&trend["level"]) - SCATTERED[9]).abs() < 0.6 && low < in_groups && in_groups < high);
    for (groups, verdict) in [
        (low.floor(), "pass"),
        (low.ceil(), "undecided"),
        (in_groups.floor(), "undecided"),
        (in_groups.ceil(), "fail"),
        (high.ceil(), "fail"),
    ] {
        let drift = Drift { forecast_groups: Some(groups as u32), ..RULES };
        let result = asked(&room, &drift, &SCATTERED, i32::from(verdict == "fail"));
        assert_eq!(rule(only(&result), "forecast").0, verdict, "{groups} groups, {forecast}");
    }
}

#[test]
fn away_from_every_limit_there_is_no_forecast() {
    let rising: Vec<f64> = SCATTERED.iter().rev().copied().collect();
    let drift = Drift { forecast_groups: Some(1000), ..RULES };
    let result = drifted(&room(&drift, &singles(&rising)), 0);
    let series = only(&result);
    assert_eq!((&series["forecast"], rule(series, "forecast").0), (&Value::Null, "pass"));
    assert!(number(&series["trend"]["low"]) > 0.0);
    // With an upper limit it leads somewhere.
    let mut runs = singles(&rising);
    for run in &mut runs {
        run.corners[0].checks[0].limit = Some(Limit { min: Some(50.0), max: Some(65.0) });
    }
    let result = drifted(&room(&drift, &runs), 1);
    let forecast = &only(&result)["forecast"];
    assert_eq!((&forecast["reaches"]["max"], forecast["reaches"].get("min")), (&json!(65.0), None));
    let level = number(&only(&result)["trend"]["level"]);
    let about = (65.0 - level) / median_slope(&rising);
    assert!((number(&forecast["in_groups"]) - about).abs() < 1.5, "{forecast} {about}");
}

#[test]
fn scatter_without_a_trend_forecasts_nothing_surely() {
    let still = [56.0, 55.0, 57.0, 56.0, 55.5, 56.5, 55.0, 57.0, 56.0, 55.9];
    let result = drifted(&room(&Drift { forecast_groups: Some(1000), ..RULES }, &singles(&still)), 0);
    let series = only(&result);
    assert!(number(&series["trend"]["low"]) < 0.0 && number(&series["trend"]["high"]) > 0.0);
    assert_eq!(rule(series, "forecast").0, "pass");
    let forecast = &series["forecast"];
    assert!(forecast.is_null() || forecast["high"].is_null(), "{forecast}");
}

#[test]
fn a_line_beyond_the_limit_has_reached_it() {
    let margins: Vec<f64> = (0..10).map(|k| 53.0 - 0.5 * f64::from(k)).collect();
    let result = drifted(&room(&Drift { forecast_groups: Some(1), ..RULES }, &singles(&margins)), 1);
    assert_eq!(
        (&only(&result)["forecast"]["in_groups"], &only(&result)["forecast"]["low"]),
        (&json!(0.0), &json!(0.0))
    );
}

/// Ppk = (mean - 50) / (3 s), s with n - 1 over all units of all groups; its bound by Bissell's formula with the 95 % point of
/// the normal distribution, 1.644854 (from memory).
#[test]
fn capability_over_all_units() {
    let margins = [54.0, 55.0, 56.0, 57.0, 58.0, 54.5, 57.5, 56.0];
    let n = margins.len() as f64;
    let mean = margins.iter().sum::<f64>() / n;
    let sd = (margins.iter().map(|m| (m - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
    let ppk = (mean - 50.0) / (3.0 * sd);
    let low = ppk - 1.644_854 * (1.0 / (9.0 * n) + ppk * ppk / (2.0 * (n - 1.0))).sqrt();
    let room = room(&RULES, &singles(&margins));
    for (min, verdict) in
        [(ppk + 0.01, "fail"), (ppk - 0.01, "undecided"), (low + 0.01, "undecided"), (low - 0.01, "pass")]
    {
        let drift = Drift { capability_min: Some(min), ..RULES };
        let result = asked(&room, &drift, &margins, i32::from(verdict == "fail"));
        let series = only(&result);
        close(&series["capability"]["ppk"], ppk);
        assert!((number(&series["capability"]["low"]) - low).abs() < 1e-5, "{} {low}", series["capability"]);
        assert_eq!((rule(series, "capability").0, &series["verdict"]), (verdict, &json!(verdict)), "{min}");
        assert_eq!(result["verdict"], verdict);
    }
}

#[test]
fn equal_units_tell_no_capability() {
    let result = drifted(&room(&Drift { capability_min: Some(1.33), ..RULES }, &singles(&[54.0; 6])), 0);
    assert_eq!(
        (&only(&result)["capability"], rule(only(&result), "capability").0),
        (&Value::Null, "not_judged")
    );
}

/// What `drift --store` found last stands in the view `movements`, as in the JSON result.
#[test]
fn movements_are_stored_for_sql() {
    let wobble = [0.0, 0.2, -0.2, 0.1, -0.1, 0.05];
    let margins = |step: f64| -> Vec<f64> {
        (0..18).map(|k| if k < 10 { 56.0 } else { 56.0 - step } + wobble[k % wobble.len()]).collect()
    };
    let sql = "SELECT kind, since, unit, size, size_low, size_high, probability, is_relevant, stored_at FROM movements";
    let room = room(&RULES, &singles(&margins(2.0)));
    let stored = |room: &Room| -> Vec<(String, String, String, [f64; 4], bool, String)> {
        let connection = rusqlite::Connection::open(room.path("h.db")).unwrap();
        let mut statement = connection.prepare(sql).unwrap();
        let row = |row: &rusqlite::Row<'_>| {
            let numbers = [row.get(3)?, row.get(4)?, row.get(5)?, row.get(6)?];
            Ok((row.get(0)?, row.get(1)?, row.get(2)?, numbers, row.get(7)?, row.get(8)?))
        };
        statement.query_map([], row).unwrap().map(Result::unwrap).collect()
    };
    assert_eq!(stored(&room), [], "nothing was stored");
    let result = room.run("drift --history h.db --store --json -").ends(0).json();
    let moved = &only(&result)["movement"];
    // A second time takes the place of the first.
    room.run("drift --history h.db --store").ends(0);
    let [row] = &stored(&room)[..] else { panic!("one series moved") };
    assert_eq!((row.0.as_str(), row.1.as_str(), row.2.as_str()), ("step", "W11", "deg"));
    for (key, own) in ["value", "low", "high"].into_iter().zip(row.3) {
        close(&moved["size"][key], own);
    }
    assert!(row.3[3] > 0.9 && row.4 == (moved["relevant"] == true) && row.5.ends_with('Z'), "{row:?}");
    // Without the option nothing is written.
    room.run("drift --history h.db").ends(0);
    assert_eq!(stored(&room).len(), 1);
}

#[test]
fn a_step_is_told_with_what_changed_there() {
    let wobble = [0.0, 0.2, -0.2, 0.1, -0.1, 0.05];
    let margins: Vec<f64> =
        (0..18).map(|k| if k < 10 { 56.0 } else { 54.0 } + wobble[k % wobble.len()]).collect();
    let mut runs = singles(&margins);
    for run in &mut runs[10..] {
        run.revision = "D".to_owned();
        run.firmware = Some("2.4.0".to_owned());
    }
    let room = room(&RULES, &runs);
    let result = drifted(&room, 0);
    let moved = &only(&result)["movement"];
    assert_eq!((&moved["kind"], &moved["since"]["group"]), (&json!("step"), &json!("W11")));
    let [low, high] = ["low", "high"].map(|key| number(&moved["size"][key]));
    assert!(low < -2.0 && high > -2.0 && high - low < 0.8, "{moved}");
    assert!(number(&moved["probability"]["step"]) > 0.9, "{moved}");
    assert_eq!(moved["together_with"], json!(["revision C to D", "firmware 2.3.1 to 2.4.0"]));
    let told = room.run("drift --history h.db").ends(0);
    assert!(told.out().contains("W11"), "{}", told.out());
}

/// The spec says what is worth an action: a step of 2 deg is, unless 3 deg are asked for.
#[test]
fn what_is_relevant_is_what_the_spec_says() {
    let wobble = [0.0, 0.2, -0.2, 0.1, -0.1, 0.05];
    let margins: Vec<f64> =
        (0..18).map(|k| if k < 10 { 56.0 } else { 54.0 } + wobble[k % wobble.len()]).collect();
    for (least, status, verdict) in [(None, 1, "fail"), (Some(1.5), 1, "fail"), (Some(3.0), 0, "pass")] {
        let movements = PerMeasurand::default().with(Measurand::PhaseMargin, least);
        let relevant = least.map(|_| Relevant { movements, gain: None });
        let drift = Drift { setup: Some(8), relevant, ..DRIFT };
        let result = drifted(&room(&drift, &singles(&margins)), status);
        let series = only(&result);
        assert_eq!(rule(series, "chart").0, verdict, "{least:?}: {}", rule(series, "chart").1);
        assert_eq!(series["movement"]["relevant"], verdict == "fail", "{}", series["movement"]);
    }
}

/// Every measured quantity that has a limit; one with a limit and no value too.
#[test]
fn every_quantity_with_a_limit_is_a_series() {
    let mut runs = singles(&[56.0, 56.1]);
    for run in &mut runs {
        let mut corner = crate::make_line::sample::corner("24V-3A", &[("input", "24 V")]);
        let gain = |name, value, limit| {
            crate::make_line::sample::judged(
                name,
                loopgauge::check::Verdict::Pass,
                value,
                Some(0.1),
                loopgauge::check::Unit::Db,
                limit,
            )
        };
        corner.checks.push(gain("gain@120Hz", 41.25, Limit { min: Some(30.0), max: None }));
        corner.checks.push(gain("gain@150kHz-200kHz", -12.0, Limit { min: None, max: Some(-8.0) }));
        corner.checks.push(gain("gain_reduction_margin", 9.0, Limit { min: Some(6.0), max: None }));
        corner.checks.push(gain("regression.gain_margin", 0.0, Limit { min: Some(-1.0), max: None }));
        run.corners = vec![corner];
    }
    let result = drifted(&room(&RULES, &runs), 0);
    let names: Vec<(&str, &str)> =
        list(&result["series"]).iter().map(|s| (text(&s["quantity"]), text(&s["unit"]))).collect();
    // The spec limits no stability margin; a count of crossings is no measured quantity with a trend.
    assert_eq!(
        names,
        [
            ("crossover_hz", "Hz"),
            ("phase_margin_deg", "deg"),
            ("gain_margin_db", "dB"),
            ("delay_margin_s", "s"),
            ("gain@120Hz", "dB"),
            ("gain@150kHz-200kHz", "dB"),
            ("gain_reduction_margin_db", "dB"),
        ]
    );
    close(&result["series"][4]["groups"][0]["mean"], 41.25);
    assert_eq!(result["series"][5]["limit"]["max"], -8.0);
    assert_eq!(result["series"][6]["groups"][0]["mean"], Value::Null);
}
