//! `levels`: runs with known limits of the excitation, through the built program.

#![cfg(all(feature = "cli", unix))]
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test that cannot run its own program must stop"
)]

mod tool;

use serde_json::Value;
use std::fs;
use tool::{Room, gauge, list, text};

/// Crossover of the loop, Hz.
const CROSSOVER_HZ: f64 = 12e3;
const LEVELS: [f64; 5] = [-32.0, -29.0, -26.0, -23.0, -20.0];

/// Below 2 kHz all levels do, above 20 kHz only those up to -26 dBm, between them up to -23 dBm: what goes beyond is lost,
/// at least 2.5 dB.
fn clamp(dbm: f64, hz: f64) -> f64 {
    let bears = match hz {
        hz if hz < 2e3 => 99.0,
        hz if hz < 20e3 => -22.5,
        _ => -25.5,
    };
    (bears - dbm).min(0.0)
}

/// Smoothing mixes the regions within this ratio of their edges.
const EDGE: f64 = 1.4;

/// A sweep at a level; `change_db` of (dBm, Hz) comes on top of the gain. A ripple of 0.001 dB that is different in every
/// sweep stands for noise.
fn sweep(dbm: f64, change_db: impl Fn(f64, f64) -> f64) -> String {
    let mut rows = String::from("frequency_hz,gain_db,phase_deg\n");
    for (k, hz) in gauge::grid().into_iter().enumerate() {
        let gain = gauge::gain(hz, CROSSOVER_HZ);
        let ripple = 1e-3 * ((k as f64 + 1.0) * (dbm + 99.0) * 0.618_034).fract();
        let db = 20.0 * gain.norm().log10() + change_db(dbm, hz) + ripple;
        rows.push_str(&format!("{hz:.3},{db:.5},{:.4}\n", gain.arg().to_degrees()));
    }
    rows
}

/// Adds a corner swept at these levels to a run in the making.
fn add(room: &Room, run: &mut String, corner: &str, dbm: &[f64], change_db: impl Fn(f64, f64) -> f64) {
    for level in dbm {
        let file = format!("{corner}{level}.csv");
        run.push_str(&format!("  - {{file: {file}, corner: {corner}, level: {level} dBm}}\n"));
        room.write(&format!("run/{file}"), sweep(*level, &change_db));
    }
}

const HEAD: &str = "run: 1\nproduct: gauge\nserial: RG-00042\nrevision: C\nsweeps:\n";

/// A run whose corner 24V-3A was swept at these levels, and the others at one.
fn room(dbm: &[f64], change_db: impl Fn(f64, f64) -> f64) -> Room {
    let room = Room::empty();
    gauge::add_spec(&room);
    let mut run = HEAD.to_owned();
    add(&room, &mut run, "24V-3A", dbm, change_db);
    add(&room, &mut run, "10V-3A", &[-26.5], |_, _| 0.0);
    room.write("run/run.yaml", run);
    room
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("no number: {value}"))
}

fn findings(result: &Value) -> String {
    list(&result["findings"]).iter().map(text).collect::<Vec<_>>().join("\n")
}

#[test]
fn known_limits_are_found_region_by_region() {
    let room = room(&LEVELS, clamp);
    let result = room.run("levels run --json -").ends(0).json();
    assert_eq!(result["format"], 1);
    assert_eq!((text(&result["run"]), text(&result["corner"])), ("run", "24V-3A"));
    let levels: Vec<(&str, f64, &str)> = list(&result["levels"])
        .iter()
        .map(|l| (text(&l["level"]), number(&l["level_dbm"]), text(&l["files"][0])))
        .collect();
    assert_eq!(levels[0], ("-32 dBm", -32.0, "24V-3A-32.csv"));
    assert_eq!(levels.len(), 5);
    let points = list(&result["points"]);
    let (mut seen, mut profile): (usize, Vec<(f64, f64)>) = (0, Vec::new());
    for point in points {
        let hz = number(&point["frequency_hz"]);
        profile.push((hz, number(&point["level_dbm"])));
        assert!(number(&point["level_dbm"]) <= number(&point["strongest_dbm"]) - 3.0, "{point}");
        if [2e3, 20e3].iter().any(|edge: &f64| (hz / edge).ln().abs() < EDGE.ln()) {
            continue;
        }
        seen += 1;
        let (strongest, breaks) = match hz {
            hz if hz < 2e3 => (-20.0, None),
            hz if hz < 20e3 => (-23.0, Some(-20.0)),
            _ => (-26.0, Some(-23.0)),
        };
        assert_eq!(number(&point["strongest_dbm"]), strongest, "{point}");
        assert_eq!(point["breaks_at_dbm"].as_f64(), breaks, "{point}");
    }
    assert!(seen > 80, "{seen} of {}", points.len());
    // The band from end to end, though no sample lies on its ends.
    assert_eq!((profile[0].0, profile.last().unwrap().0), (100.0, 200e3));
    for pair in profile.windows(2) {
        let slope = (pair[1].1 - pair[0].1).abs() / (pair[1].0 / pair[0].0).log10();
        // 20 dB per decade, and 0.01 dB of rounding.
        assert!(slope <= 20.0 + 0.01 / (pair[1].0 / pair[0].0).log10() + 1e-6, "{pair:?}");
    }
    // What bears least sets the flat pair.
    assert_eq!(result["flat_dbm"], serde_json::json!([-29.0, -26.0]));
    let found = findings(&result);
    assert!(
        found.contains("one flat pair of levels does for the whole band: -29 dBm and -26 dBm"),
        "{found}"
    );
    assert!(found.contains("-23 dBm is the first level to change the result, from 2"), "{found}");
    assert!(found.contains("up to -20 dBm, changes the result from 100 Hz to "), "{found}");
}

#[test]
fn the_table_has_two_columns_and_the_same_levels() {
    let room = room(&LEVELS, clamp);
    let csv = room.run("levels run --csv - --json all.json").ends(0);
    let result: Value = serde_json::from_str(&room.read("all.json")).unwrap();
    let mut rows = csv.out().lines();
    assert_eq!(rows.next(), Some("frequency_hz,level_dbm"));
    let rows: Vec<(f64, f64)> = rows
        .map(|row| {
            let (hz, dbm) = row.split_once(',').unwrap();
            (hz.parse().unwrap(), dbm.parse().unwrap())
        })
        .collect();
    let points: Vec<(f64, f64)> = list(&result["points"])
        .iter()
        .map(|p| (number(&p["frequency_hz"]), number(&p["level_dbm"])))
        .collect();
    assert_eq!(rows, points);
    // To a file the same bytes, and the text on standard output.
    let ran = room.run("levels run --csv table.csv").ends(0);
    assert_eq!(room.read("table.csv"), csv.out());
    for words in ["run, 24V-3A", "levels tried: -32 dBm, -29 dBm, -26 dBm, -23 dBm, -20 dBm", "noticed: "] {
        assert!(ran.out().contains(words), "{words}: {}", ran.out());
    }
    assert_eq!(ran.stderr, "");
    assert_eq!(room.run("levels run/run.yaml --csv -").ends(0).stdout, csv.stdout);
}

#[test]
fn the_corner_is_asked_for_where_more_than_one_could_be_meant() {
    let room = Room::empty();
    gauge::add_spec(&room);
    let mut run = HEAD.to_owned();
    add(&room, &mut run, "24V-3A", &LEVELS, clamp);
    add(&room, &mut run, "cold", &[-30.5, -27.5, -24.5], |_, _| 0.0);
    add(&room, &mut run, "10V-3A", &[-26.5], |_, _| 0.0);
    room.write("run/run.yaml", run);
    let ran = room.run("levels run").ends(2);
    assert!(ran.stderr.contains("--corner") && ran.stderr.contains("24V-3A, cold"), "{}", ran.stderr);
    assert!(!ran.stderr.contains("10V-3A") && ran.stdout.is_empty());
    let cold = room.run("levels run --corner cold --json -").ends(0).json();
    assert_eq!(text(&cold["corner"]), "cold");
    assert!(list(&cold["points"]).iter().all(|p| number(&p["strongest_dbm"]) == -24.5));
    assert!(
        list(&cold["points"])
            .iter()
            .all(|p| p["breaks_at_dbm"].is_null() && number(&p["level_dbm"]) == -27.5)
    );
    let ran = room.run("levels run --corner clod").ends(2);
    assert!(ran.stderr.contains("did you mean `cold`?"), "{}", ran.stderr);
    // Swept at one level: nothing to compare, which is no fault of a file.
    let ran = room.run("levels run --corner 10V-3A").ends(1);
    assert!(ran.stderr.contains("one level, -26.5 dBm") && ran.stderr.contains("3 dB"), "{}", ran.stderr);
}

#[test]
fn without_a_level_that_does_there_is_no_profile() {
    // Gain falls with every level, from the weakest on.
    let room = room(&LEVELS, |dbm, _| -40.0 - dbm);
    room.write("table.csv", "old");
    let ran = room.run("levels run --csv table.csv --json all.json").ends(1);
    assert!(ran.stderr.contains("no profile") && ran.stderr.contains("table.csv"), "{}", ran.stderr);
    assert_eq!(room.read("table.csv"), "old");
    let result: Value = serde_json::from_str(&room.read("all.json")).unwrap();
    for point in list(&result["points"]) {
        assert!(point["strongest_dbm"].is_null() && point["level_dbm"].is_null(), "{point}");
        assert_eq!(number(&point["breaks_at_dbm"]), -29.0);
    }
    assert!(findings(&result).contains("sweep this range below -32 dBm"), "{}", findings(&result));
    assert!(room.run("levels run --csv -").ends(1).stdout.is_empty());
}

#[test]
fn a_dead_zone_is_said() {
    // Weak levels lose gain below 1 kHz.
    let room = room(&LEVELS, |dbm, hz| if hz < 1e3 { (dbm + 29.5).min(0.0) } else { 0.0 });
    let result = room.run("levels run --json -").ends(0).json();
    assert!(findings(&result).contains("below -29 dBm the gain falls"), "{}", findings(&result));
    assert!(findings(&result).contains("from 100 Hz to 9"), "{}", findings(&result));
    assert!(
        list(&result["points"])
            .iter()
            .filter(|p| number(&p["frequency_hz"]) < 700.0)
            .all(|p| number(&p["strongest_dbm"]) == -20.0)
    );
    assert_eq!(result["flat_dbm"], serde_json::json!([-23.0, -20.0]));
    // The other way round it is a clamp at all levels but the weakest.
    let clamped = self::room(&LEVELS, |dbm, _| if dbm < -30.0 { 3.0 } else { 0.0 });
    clamped.run("levels run").ends(1);
}

/// A place of a few samples: one place that is lower at the weak levels is no dead zone.
#[test]
fn one_place_alone_is_no_dead_zone() {
    let room =
        room(&LEVELS, |dbm, hz| if (950.0..1050.0).contains(&hz) { (dbm + 26.5).min(0.0) } else { 0.0 });
    let result = room.run("levels run --json -").ends(0).json();
    assert!(!findings(&result).contains("dead zone"), "{}", findings(&result));
    assert!(list(&result["points"]).iter().all(|p| number(&p["strongest_dbm"]) == -20.0));
}

#[test]
fn where_no_flat_pair_does_it_is_said_where() {
    // A dead zone below 1 kHz asks for -26 dBm, and above 20 kHz no more than -29 dBm is borne.
    let levels = [-38.0, -35.0, -32.0, -29.0, -26.0, -23.0, -20.0, -17.0];
    let change = |dbm: f64, hz: f64| match hz {
        hz if hz < 1e3 => (dbm + 29.5).min(0.0),
        hz if hz > 20e3 => (-28.5 - dbm).min(0.0),
        _ => 0.0,
    };
    let result = room(&levels, change).run("levels run --json -").ends(0).json();
    assert!(result["flat_dbm"].is_null());
    let found = findings(&result);
    assert!(found.contains("no flat pair of levels does for the whole band: the dead zone at "), "{found}");
    assert!(found.contains("asks for -29 dBm at least") && found.contains("no more than -29 dBm"), "{found}");
}

#[test]
fn copies_show_nothing() {
    let room = room(&LEVELS, clamp);
    fs::copy(room.path("run/24V-3A-23.csv"), room.path("run/24V-3A-20.csv")).unwrap();
    let result = room.run("levels run --json -").ends(0).json();
    assert!(
        findings(&result).contains("24V-3A-20.csv holds the numbers of another sweep"),
        "{}",
        findings(&result)
    );
    assert_eq!(list(&result["levels"]).len(), 4);
    assert!(list(&result["points"]).iter().all(|p| number(&p["strongest_dbm"]) <= -23.0));
    // The numbers of another corner.
    fs::copy(room.path("run/10V-3A-26.5.csv"), room.path("run/24V-3A-20.csv")).unwrap();
    let result = room.run("levels run --json -").ends(0).json();
    assert!(findings(&result).contains("24V-3A-20.csv holds"), "{}", findings(&result));
}

#[test]
fn repeats_and_units_are_levels_like_any() {
    let room = room(&LEVELS[..4], clamp);
    // 63.2456 mVpp are -20 dBm into 50 ohm; twice.
    room.write("run/a.csv", sweep(-20.0, clamp)).write("run/b.csv", sweep(-19.99, clamp));
    let mut run = room.read("run/run.yaml");
    run.push_str("  - {file: a.csv, corner: 24V-3A, level: 63.2456 mVpp}\n");
    run.push_str("  - {file: b.csv, corner: 24V-3A, level: 63.2456 mVpp}\n");
    room.write("run/run.yaml", run);
    let result = room.run("levels run --json -").ends(0).json();
    let last = list(&result["levels"]).last().unwrap();
    assert_eq!((text(&last["level"]), list(&last["files"]).len()), ("63.2456 mVpp", 2));
    assert!((number(&last["level_dbm"]) + 20.0).abs() < 1e-5, "{last}");
}

#[test]
fn what_cannot_be_compared_is_said_with_its_status() {
    let room = room(&LEVELS, clamp);
    let run = room.read("run/run.yaml");
    // Offsets to a profile.
    let offsets = LEVELS.iter().fold(run.clone(), |run, dbm| {
        let plain = format!("corner: 24V-3A, level: {dbm} dBm");
        run.replace(&plain, &format!("corner: 24V-3A, level: {{profile: gentle, offset: {dbm} dB}}"))
    });
    room.write("run/run.yaml", offsets);
    let ran = room.run("levels run --csv table.csv").ends(1);
    assert!(ran.stderr.contains("profile `gentle`") && !room.path("table.csv").exists(), "{}", ran.stderr);
    room.write("run/run.yaml", &run);
    // A spec that does not say what the curves may do.
    let spec = room.read("specs/gauge.yaml");
    room.write("specs/gauge.yaml", spec.replace("  gain: 1 dB\n  phase: 5 deg\n", ""));
    assert!(room.run("levels run").ends(2).stderr.contains("linearity.gain"));
    room.write("specs/gauge.yaml", spec.replace("  phase: 5 deg\n", ""));
    room.run("levels run").ends(0);
    room.write("specs/gauge.yaml", &spec);
    // Damaged files: of the corner an error, of another one a note.
    let good = room.run("levels run").ends(0);
    room.write("run/10V-3A-26.5.csv", "frequency_hz,gain_db,phase_deg\n1,2\n");
    let ran = room.run("levels run").ends(0);
    assert!(ran.stderr.starts_with("note: run/10V-3A-26.5.csv"), "{}", ran.stderr);
    assert_eq!(ran.stdout, good.stdout);
    room.write("run/24V-3A-20.csv", "frequency_hz,gain_db,phase_deg\n1,2\n");
    let ran = room.run("levels run --json all.json").ends(2);
    assert!(ran.stderr.contains("run/24V-3A-20.csv:2") && !room.path("all.json").exists(), "{}", ran.stderr);
    for arguments in
        ["levels", "levels nowhere", "levels specs", "levels run --specs nowhere", "levels run --level 3"]
    {
        assert!(room.run(arguments).ends(2).stdout.is_empty(), "{arguments}");
    }
}

#[test]
fn one_run_at_a_time() {
    let ran = tool::demo("levels demo-data/rev-c").ends(2);
    assert!(ran.stderr.contains("runs, levels are found for one"), "{}", ran.stderr);
}

#[test]
fn outputs_keep_out_of_each_others_way() {
    let room = room(&LEVELS, clamp);
    for arguments in ["--csv - --json -", "--csv out --json out", "--csv out --json ./out"] {
        let ran = room.run(&format!("levels run {arguments}")).ends(2);
        assert!(ran.stderr.contains("--csv") && ran.stderr.contains("--json"), "{}", ran.stderr);
        assert!(ran.stdout.is_empty() && !room.path("out").exists());
    }
    let plain = room.run("levels run").ends(0);
    for (bad, good) in [("--csv", "--json"), ("--json", "--csv")] {
        let ran = room.run(&format!("levels run {bad} missing/out {good} beside")).ends(2);
        assert!(ran.stderr.contains("missing/out"), "{}", ran.stderr);
        assert_eq!(ran.stdout, plain.stdout);
        fs::remove_file(room.path("beside")).unwrap();
    }
    let coloured = room.run("levels run --color always").ends(0);
    assert!(coloured.out().contains('\x1b') && !plain.out().contains('\x1b'));
    assert_eq!(room.run("levels run").ends(0).stdout, plain.stdout);
    assert_eq!(room.names("."), ["run", "specs"]);
}
