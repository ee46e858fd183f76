//! `drift --spec`: a recorded history judged by a spec of today.

use super::line::{DRIFT, drifted, only, room, rule, singles};
use loopgauge::spec::Drift;
use serde_json::json;

/// A spec whose `drift` is laid over what is recorded already.
const SPEC: &str = "spec: 1\nproduct: river-gauge-5v\ncritical_point: +1\nband: {from: 100 Hz, to: 200 kHz}\ndensity: 15\n\
    linearity: {waived: \"one level\"}\nlimits: {phase_margin: {min: 40 deg}}\ncorners: [{name: 24V-3A}]\n";

#[test]
fn a_history_is_judged_by_another_spec_without_recording_again() {
    let margins: Vec<f64> =
        (0..16).map(|k| 56.0 + [0.0, 0.2, -0.2, 0.1][k % 4] - if k < 10 { 0.0 } else { 3.0 }).collect();
    let room = room(&Drift { chart: None, over: None, setup: None, ..DRIFT }, &singles(&margins));
    assert_eq!(only(&drifted(&room, 0))["verdict"], "not_judged");
    room.write(
        "s.yaml",
        format!("{SPEC}drift: {{setup: 8, chart: changepoint, capability: {{min: 1.33}}}}\n"),
    );
    let before = std::fs::read(room.path("h.db")).unwrap();
    let result = room.run("drift --history h.db --spec s.yaml --json -").ends(1).json();
    let series = only(&result);
    assert_eq!((&series["limit"]["min"], rule(series, "chart").0), (&json!(40.0), "fail"));
    assert!(rule(series, "chart").1.contains("since W11"), "{}", rule(series, "chart").1);
    assert_ne!(rule(series, "capability").0, "not_judged");
    assert_eq!(std::fs::read(room.path("h.db")).unwrap(), before, "nothing is recorded");
}

#[test]
fn a_spec_that_cannot_judge_the_history_is_refused_with_what_to_do() {
    let room = room(&DRIFT, &singles(&[56.0; 4]));
    room.write("bare.yaml", SPEC);
    room.write(
        "other.yaml",
        format!("{}drift: {{chart: ewma}}\n", SPEC.replace("river-gauge-5v", "tide-gauge-5v")),
    );
    room.write("good.yaml", format!("{SPEC}drift: {{chart: ewma}}\n"));
    for (arguments, words) in [
        ("--spec bare.yaml", "the spec has no `drift`"),
        ("--spec bare.yaml", "add a block such as `drift: {over: build, chart: changepoint"),
        ("--spec other.yaml", "no product `tide-gauge-5v`"),
        ("--spec none.yaml", "none.yaml"),
        ("--spec .", "names a folder"),
        ("--spec good.yaml --product tide-gauge-5v", "--product asks for `tide-gauge-5v`"),
    ] {
        let told = room.run(&format!("drift --history h.db {arguments}")).ends(2).stderr;
        let told = told.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(told.contains(words), "{arguments}: {told}");
    }
}
