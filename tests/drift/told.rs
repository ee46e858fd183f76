//! What is said beside a verdict, so that nobody looks in the wrong place: gaps, intervals, spread, bounds, clocks, references.

use super::line::{DRIFT, drifted, judged, noon, number, only, room, rule, singles, unit};
use crate::tool::{Room, list, text};
use loopgauge::check::{RunOutcome, Verdict};
use loopgauge::measurand::Measurand;
use loopgauge::spec::{Chart, Drift};
use serde_json::{Value, json};

/// The text of `drift`, its lines joined.
fn told(room: &Room) -> String {
    let ran = room.run("drift --history h.db -v");
    ran.out().split_whitespace().collect::<Vec<_>>().join(" ")
}

fn notes(result: &Value) -> String {
    list(&result["products"][0]["notes"]).iter().map(text).collect::<Vec<_>>().join("\n")
}

fn wobble(k: usize) -> f64 {
    (k as f64 * 2.4).sin()
}

/// Builds of several units each, a day apart; `margin` of build and unit.
fn builds(count: usize, units: usize, margin: impl Fn(usize, usize) -> f64) -> Vec<RunOutcome> {
    (0..count * units)
        .map(|k| {
            let (build, one) = (k / units, k % units);
            unit(&format!("RG-{k:05}"), &format!("W{:02}", build + 1), build, margin(build, one))
        })
        .collect()
}

#[test]
fn groups_without_a_time_stand_where_they_were_recorded() {
    let mut runs = singles(&[56.0; 12]);
    runs[..4].iter_mut().for_each(|run| run.taken = None);
    let result = drifted(&room(&DRIFT, &runs), 0);
    let labels = list(&result["products"][0]["groups"]).iter().map(|group| text(&group["group"]));
    assert_eq!(labels.collect::<Vec<_>>(), (1..=12).map(|k| format!("W{k:02}")).collect::<Vec<_>>());
    assert!(
        notes(&result).contains("4 groups have no `taken` and stand where their first records do"),
        "{}",
        notes(&result)
    );
    assert_eq!(notes(&drifted(&room(&DRIFT, &singles(&[56.0; 12])), 0)), "");
}

/// Measured, then measured again with the clock at 2000: the first one counts, and nobody is said to have passed by trying.
#[test]
fn a_clock_that_was_set_back_is_told() {
    let mut again = judged(unit("RG-2", "W1", 6, 40.0), Verdict::Fail);
    again.taken = Some("2000-01-01T00:03:00Z".to_owned());
    let history = room(&DRIFT, &[unit("RG-1", "W1", 4, 54.0), unit("RG-2", "W1", 5, 54.0), again.clone()]);
    // What comes in with one import says nothing of the order.
    assert_eq!(list(&drifted(&history, 0)["products"][0]["retested"]).len(), 1);
    let connection = rusqlite::Connection::open(history.path("h.db")).unwrap();
    connection.execute("UPDATE record SET recorded = '2099-01-01T00:00:00.000Z' WHERE id = 3", []).unwrap();
    drop(connection);
    let result = drifted(&history, 0);
    assert_eq!(result["products"][0]["retested"], json!([]));
    let said = notes(&result);
    let taken = noon(5);
    for words in ["RG-2 in W1: record 2", &taken, "record 3", "2000-01-01T00:03:00Z", "history mark"] {
        assert!(said.contains(words), "{words}: {said}");
    }
    assert!(!told(&history).contains("measured again until"), "{}", told(&history));
    // With its clock right the second one counts, and nothing is to be said.
    again.taken = Some(noon(6));
    let right = drifted(&room(&DRIFT, &[unit("RG-2", "W1", 5, 54.0), again]), 0);
    assert_eq!((number(&only(&right)["groups"][0]["mean"]), notes(&right)), (40.0, String::new()));
}

const WATCHED: Drift = Drift { chart: Some(Chart::ChangePoint), ..DRIFT };

/// Five units a build whose mean falls by 3 deg at the eleventh; their spread is five times as large from there on, or the same.
#[test]
fn a_spread_that_changed_is_said_beside_the_signal() {
    let history = |wide: f64| {
        let unit = |one: usize| [-1.0, -0.5, 0.0, 0.5, 1.0][one];
        let margin = |build: usize, one: usize| {
            let (level, spread) = if build < 10 { (58.0, 0.3) } else { (55.0, 0.3 * wide) };
            level + 0.1 * wobble(build) + spread * unit(one)
        };
        drifted(&room(&WATCHED, &builds(18, 5, margin)), 1)
    };
    let (wide, same) = (history(5.0), history(1.0));
    let message = rule(only(&wide), "chart").1;
    assert!(
        message.contains("since W11 the units of a group scatter by 1.19 deg, 0.237 deg before"),
        "{message}"
    );
    assert!(!rule(only(&same), "chart").1.contains("scatter by"), "{}", rule(only(&same), "chart").1);
}

/// Of the units of the newest build one has a lower bound only: of two it is half, of three it is less.
#[test]
fn what_bounds_hide_does_not_pass_the_chart() {
    let chart = |units: usize| {
        let mut runs =
            builds(10, units, |build, one| 58.0 + 0.2 * wobble(build) + 0.3 * wobble(7 * one + build));
        let bound = &mut runs[9 * units].corners[0];
        bound.measured.as_mut().unwrap().values.get_mut(Measurand::PhaseMargin).unwrap().at_least =
            Some(true);
        let result = drifted(&room(&WATCHED, &runs), 0);
        let (verdict, message) = rule(only(&result), "chart");
        (verdict.to_owned(), message.to_owned())
    };
    let (verdict, message) = chart(2);
    assert_eq!(verdict, "undecided", "{message}");
    assert!(
        message.ends_with(
            "1 of 20 units, in 1 of 10 groups, has a lower bound only and is left out; W10 has too many of them to tell where it stands"
        ),
        "{message}"
    );
    let (verdict, message) = chart(3);
    assert_eq!(verdict, "pass", "{message}");
    assert!(
        message.ends_with("1 of 30 units, in 1 of 10 groups, has a lower bound only and is left out"),
        "{message}"
    );
}
