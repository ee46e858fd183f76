//! Which record counts in which group.

use super::line::{DRIFT, close, drifted, judged, noon, of_groups, only, room, tell, unit, with_margin};
use crate::tool::{Room, list, text};
use loopgauge::check::{RunOutcome, Verdict};
use loopgauge::measurand::Measurand;
use loopgauge::spec::{Drift, DriftAxis};
use serde_json::{Value, json};

fn labels(result: &Value) -> Vec<String> {
    list(&result["products"][0]["groups"]).iter().map(|group| text(&group["group"]).to_owned()).collect()
}

#[test]
fn groups_stand_by_their_earliest_time_then_in_natural_order() {
    let mut late = unit("RG-00009", "W3", 9, 54.0);
    late.taken = None;
    let mut last = unit("RG-00010", "W1", 9, 54.0);
    last.taken = None;
    let runs = [
        unit("RG-00001", "W14", 5, 54.0),
        unit("RG-00002", "W9", 5, 54.0),
        unit("RG-00003", "W10", 5, 54.0),
        // Its first unit came after those, its second before.
        unit("RG-00004", "W99", 7, 54.0),
        unit("RG-00005", "W99", 2, 54.0),
        late,
        last,
        unit("RG-00006", "W2", 4, 54.0),
    ];
    let result = drifted(&room(&DRIFT, &runs), 0);
    assert_eq!(labels(&result), ["W99", "W2", "W9", "W10", "W14", "W3", "W1"]);
    assert_eq!(
        of_groups(only(&result), "group"),
        list(&json!(["W99", "W2", "W9", "W10", "W14", "W3", "W1"]))
    );
}

/// 11:30 at +13:00 is the day before, UTC.
#[test]
fn groups_are_builds_revisions_firmwares_or_days() {
    let mut runs = [
        unit("RG-00001", "W1", 0, 54.0),
        unit("RG-00002", "W1", 1, 55.0),
        unit("RG-00003", "W2", 2, 56.0),
        unit("RG-00004", "W2", 3, 57.0),
    ];
    for (run, (revision, firmware)) in
        runs.iter_mut().zip([("B", Some("2.9")), ("C", Some("2.10")), ("B", None), ("C", Some("2.10"))])
    {
        run.revision = revision.to_owned();
        run.firmware = firmware.map(str::to_owned);
    }
    runs[0].taken = Some("2026-01-02T11:30:00+13:00".to_owned());
    runs[3].build = None;
    runs[2].taken = None;
    for (axis, name, wanted, note) in [
        (DriftAxis::Build, "build", &[("W1", 54.5), ("W2", 56.0)][..], Some("1 record has no `build`")),
        (DriftAxis::Revision, "revision", &[("B", 55.0), ("C", 56.0)][..], None),
        (
            DriftAxis::Firmware,
            "firmware",
            &[("2.9", 54.0), ("2.10", 56.0)][..],
            Some("1 record has no `firmware`"),
        ),
        (
            DriftAxis::Taken,
            "taken",
            &[("2026-01-01", 54.0), ("2026-01-02", 55.0), ("2026-01-04", 57.0)][..],
            Some("1 record has no `taken`"),
        ),
    ] {
        let room = room(&Drift { over: Some(axis), ..DRIFT }, &runs);
        let result = drifted(&room, 0);
        let series = only(&result);
        assert_eq!(result["products"][0]["over"], name);
        assert_eq!(labels(&result), wanted.iter().map(|(label, _)| *label).collect::<Vec<_>>(), "{name}");
        for (mean, (_, wanted)) in of_groups(series, "mean").iter().zip(wanted) {
            close(mean, *wanted);
        }
        let all = list(&result["products"][0]["notes"]).iter();
        let notes: Vec<&Value> = all.filter(|note| !text(note).contains("order of recording")).collect();
        assert_eq!(notes.len(), usize::from(note.is_some()), "{notes:?}");
        if let Some(note) = note {
            assert!(text(notes[0]).contains(note), "{notes:?}");
            let told = room.run("drift --history h.db").ends(0);
            assert!(told.out().contains(note), "{}", told.out());
        }
    }
}

/// Mean 54, standard deviation sqrt((1 + 0 + 1) / 2) = 1 of 53, 54, 55, by hand.
#[test]
fn mean_and_spread_of_a_group() {
    let runs: Vec<RunOutcome> = [("A", 53.0), ("B", 54.0), ("C", 55.0), ("D", 54.5)]
        .iter()
        .enumerate()
        .map(|(k, (serial, margin))| unit(serial, if k < 3 { "W1" } else { "W2" }, k, *margin))
        .collect();
    let result = drifted(&room(&DRIFT, &runs), 0);
    let group = &only(&result)["groups"][0];
    assert_eq!(group["units"], 3);
    for (key, wanted) in [("mean", 54.0), ("sd", 1.0), ("min", 53.0), ("max", 55.0)] {
        close(&group[key], wanted);
    }
    let single = &only(&result)["groups"][1];
    assert_eq!((&single["units"], &single["sd"]), (&json!(1), &Value::Null));
    close(&single["mean"], 54.5);
}

/// A negative margin is that of a rising crossover: its magnitude is held against the limit.
#[test]
fn the_margins_magnitude_counts() {
    let result = drifted(&room(&DRIFT, &[unit("A", "W1", 0, -54.0), unit("B", "W1", 1, 56.0)]), 0);
    close(&only(&result)["groups"][0]["mean"], 55.0);
}

#[test]
fn of_several_records_the_newest_counts() {
    let mut rework = unit("A", "W1", 3, 57.0);
    rework.taken = Some(noon(3));
    let runs = [
        // The same run recorded again: the second record counts.
        unit("A", "W1", 0, 51.0),
        unit("A", "W1", 0, 52.0),
        // Measured later, though recorded before the next one.
        rework,
        unit("A", "W1", 1, 53.0),
        unit("B", "W1", 0, 59.0),
        // In another group it is another value.
        unit("A", "W2", 4, 58.0),
    ];
    let room = room(&DRIFT, &runs);
    let result = drifted(&room, 0);
    let series = only(&result);
    assert_eq!(of_groups(series, "units"), [2, 1]);
    close(&series["groups"][0]["mean"], 58.0);
    close(&series["groups"][1]["mean"], 58.0);
    let groups = list(&result["products"][0]["groups"]);
    assert_eq!((&groups[0]["units"], &groups[0]["records"]), (&json!(2), &json!(5)));
    assert_eq!(result["products"][0]["retested"], json!([]), "all of them passed");
    assert!(room.run("drift --history h.db").ends(0).out().contains("3 units in 6 records"));
}

#[test]
fn a_unit_tested_until_it_passes_is_named() {
    let runs = [
        judged(unit("RG-00007", "W1", 0, 49.0), Verdict::Fail),
        judged(unit("RG-00007", "W1", 1, 49.5), Verdict::Undecided),
        unit("RG-00007", "W1", 2, 50.5),
        // Passed first, then failed: that is no passing by trying.
        unit("RG-00008", "W1", 3, 54.0),
        judged(unit("RG-00008", "W1", 4, 49.0), Verdict::Fail),
        unit("RG-00009", "W1", 5, 54.0),
    ];
    let room = room(&DRIFT, &runs);
    let result = drifted(&room, 0);
    assert_eq!(
        result["products"][0]["retested"],
        json!([{"serial": "RG-00007", "group": "W1", "verdicts": ["fail", "undecided", "pass"]}])
    );
    close(&only(&result)["groups"][0]["mean"], (50.5 + 49.0 + 54.0) / 3.0);
    let text = room.run("drift --history h.db").ends(0);
    assert!(text.out().contains("RG-00007 in W1 (fail, undecided, pass)"), "{}", text.out());
}

#[test]
fn bounds_stay_out_and_are_counted() {
    let mut runs: Vec<RunOutcome> = [54.0, 55.0, 80.0, 90.0]
        .iter()
        .enumerate()
        .map(|(k, m)| unit(&format!("{k}"), "W1", k, *m))
        .collect();
    for run in &mut runs[2..] {
        run.corners[0].measured.as_mut().unwrap().values.get_mut(Measurand::PhaseMargin).unwrap().at_least =
            Some(true);
    }
    let mut alone = runs[3].clone();
    alone.build = Some("W2".to_owned());
    runs.push(alone);
    let result = drifted(&room(&DRIFT, &runs), 0);
    let [first, second] = list(&only(&result)["groups"]) else { panic!("{result}") };
    close(&first["mean"], 54.5);
    close(&first["max"], 55.0);
    assert_eq!((&first["units"], &first["bounds"]), (&json!(2), &json!(2)));
    assert_eq!((&second["units"], &second["bounds"]), (&json!(0), &json!(1)));
    assert_eq!((&second["mean"], &second["sd"], &second["min"]), (&Value::Null, &Value::Null, &Value::Null));
}

#[test]
fn only_what_was_measured_gives_a_value() {
    let mut runs: Vec<RunOutcome> = [
        (Verdict::Fail, 40.0),
        (Verdict::Undecided, 50.0),
        (Verdict::Waived, 45.0),
        (Verdict::Pass, 57.0),
        (Verdict::Invalid, 99.0),
        (Verdict::Missing, 99.0),
    ]
    .iter()
    .enumerate()
    .map(|(k, (verdict, margin))| judged(unit(&format!("{k}"), "W1", k, *margin), *verdict))
    .collect();
    runs[4].corners[0].measured = None;
    runs[5].corners[0].measured = None;
    runs[5].corners[0].judged = None;
    runs.rotate_left(4);
    let result = drifted(&room(&DRIFT, &runs), 0);
    close(&only(&result)["groups"][0]["mean"], 48.0);
    assert_eq!(
        (&only(&result)["groups"][0]["units"], &result["products"][0]["groups"][0]["units"]),
        (&json!(4), &json!(6))
    );
}

#[test]
fn references_watch_and_do_not_count() {
    let mut runs = vec![unit("A", "W1", 0, 54.0)];
    for k in 0..8 {
        for (station, margin) in [("bench-1", 60.0), ("bench-2", 60.0 + 0.25 * k as f64)] {
            let mut reference = unit("RG-REF1", "W1", k, margin);
            (reference.is_reference, reference.station) = (true, Some(station.to_owned()));
            runs.push(reference);
        }
    }
    let result = drifted(&room(&DRIFT, &runs), 0);
    let series = only(&result);
    assert_eq!(
        (&series["groups"][0]["units"], result["products"][0]["groups"][0]["units"].as_u64()),
        (&json!(1), Some(1))
    );
    close(&series["groups"][0]["mean"], 54.0);
    let [still, moving] = list(&series["references"]) else { panic!("{series}") };
    assert_eq!(
        (&still["station"], &still["records"], &moving["station"]),
        (&json!("bench-1"), &json!(8), &json!("bench-2"))
    );
    close(&still["mean"], 60.0);
    close(&still["trend"]["per_record"], 0.0);
    close(&moving["mean"], 60.0 + 0.25 * 3.5);
    close(&moving["trend"]["per_record"], 0.25);
}

#[test]
fn marked_records_do_not_count_until_they_are_unmarked() {
    let room = room(&DRIFT, &[unit("A", "W1", 0, 54.0), unit("A", "W1", 1, 60.0), unit("B", "W1", 1, 58.0)]);
    let mean = |room: &Room| only(&drifted(room, 0))["groups"][0]["mean"].clone();
    close(&mean(&room), 59.0);
    let marked =
        super::keep::with(&room, &["history", "mark", "h.db", "2", "--reason", "probe was broken"]).ends(0);
    assert_eq!(marked.out(), "1 record marked: they stay and do not count\n");
    close(&mean(&room), 56.0);
    super::keep::with(&room, &["history", "unmark", "h.db", "2", "--reason", "it was not"]).ends(0);
    close(&mean(&room), 59.0);
    super::keep::with(&room, &["history", "mark", "h.db", "1", "2", "3", "--reason", "all"]).ends(0);
    let result = drifted(&room, 0);
    assert_eq!((&result["verdict"], &result["series"]), (&Value::Null, &json!([])));
}

#[test]
fn the_newest_records_limits_and_settings_count() {
    let room = room(&DRIFT, &[unit("A", "W1", 0, 54.0), unit("B", "W2", 1, 55.0)]);
    assert_eq!(only(&drifted(&room, 0))["limit"]["min"], 50.0);
    let mut stricter = unit("C", "W3", 2, 56.0);
    stricter.corners[0].checks[0].limit = Some(loopgauge::check::Limit { min: Some(53.0), max: Some(70.0) });
    // Recorded last, though measured first.
    stricter.taken = Some("2025-12-01T00:00:00Z".to_owned());
    tell(&room, &Drift { over: Some(DriftAxis::Revision), capability_min: Some(1.0), ..DRIFT }, &[stricter]);
    let result = drifted(&room, 1);
    let series = only(&result);
    assert_eq!(series["limit"], json!({"min": 53.0, "max": 70.0}));
    assert_eq!(series["over"], "revision");
    // Mean 55, standard deviation 1, nearer limit 2 away: 2/3 by hand.
    close(&series["capability"]["ppk"], 2.0 / 3.0);
    super::keep::with(&room, &["history", "mark", "h.db", "3", "--reason", "trial"]).ends(0);
    let result = drifted(&room, 0);
    assert_eq!((&only(&result)["limit"]["min"], &only(&result)["over"]), (&json!(50.0), &json!("build")));
}

#[test]
fn one_record_is_told_and_judged_by_nothing() {
    let drift = Drift { capability_min: Some(1.33), forecast_groups: Some(6), ..DRIFT };
    let room = room(&drift, &[unit("A", "W1", 0, 40.0)]);
    let result = drifted(&room, 0);
    let series = only(&result);
    for key in ["center", "sigma", "trend", "forecast", "capability", "step"] {
        assert_eq!(series[key], Value::Null, "{key}");
    }
    assert_eq!(series["verdict"], "not_judged");
    room.run("drift --history h.db").ends(0);
}

/// All in one group of one unit: of each unit one value counts.
#[test]
fn thousands_of_records_of_one_unit_are_one_value() {
    let mut runs: Vec<RunOutcome> = vec![unit("A", "W1", 0, 54.0); 3000];
    with_margin(&mut runs[2999], 57.0);
    let result = drifted(&room(&DRIFT, &runs), 0);
    assert_eq!(
        (&only(&result)["groups"][0]["units"], &result["products"][0]["groups"][0]["records"]),
        (&json!(1), &json!(3000))
    );
    close(&only(&result)["groups"][0]["mean"], 57.0);
}

#[test]
fn without_times_the_labels_order_the_groups() {
    let mut runs = super::line::singles(&[54.0; 12]);
    runs.reverse();
    for (k, run) in runs.iter_mut().enumerate() {
        run.taken = None;
        run.build = Some(format!("W{}", 12 - k));
    }
    let result = drifted(&room(&DRIFT, &runs), 0);
    assert_eq!(labels(&result), (1..=12).map(|k| format!("W{k}")).collect::<Vec<_>>());
}
