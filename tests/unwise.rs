//! What `lint` warns of: the right place and code, and silence about what is fine.

#![cfg(all(feature = "cli", unix))]
#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "a test fails by panicking")]

mod tool;

use loopgauge::quantity::calendar::day;
use loopgauge::spec::{load, unwise};
use tool::{Room, list, text};

const SPEC: &str = r#"spec: 1
product: river-gauge-9v
critical_point: +1
band: {from: 100 Hz, to: 200 kHz}
density: 15
accuracy: {gain: 0.1 dB, phase: 0.5 deg}
limits:
  crossover: {min: 8 kHz, max: 30 kHz}
  phase_margin: {min: 45 deg}
  gain_margin: {min: 6 dB}
  stability_margin: {min: 0.5}
linearity: {crossover: 2 %, phase_margin: 2 deg}
regression: {phase_margin: {drop: 3 deg}, stability_margin: {drop: 0.05}}
corners:
  - name: "{input}"
    conditions: {input: [10 V, 24 V]}
  - name: cold
    conditions: {input: 24 V}
    limits: {phase_margin: {min: 46 deg}}
waivers:
  - {corner: cold, check: crossover, reason: "ECO 17 pending", until: 2027-03-31}
"#;

/// `code line:column` of each warning on a day.
fn told(spec: &str, today: &str) -> Vec<String> {
    let files = |_: &str| Ok(spec.as_bytes().to_vec());
    let loaded = load("s.yaml", &files).unwrap();
    let found = unwise(&loaded, day(today).unwrap());
    found
        .iter()
        .map(|warning| {
            assert!(warning.help.is_some());
            let place = warning.place.as_ref().unwrap();
            format!("{} {}:{}", warning.code, place.line.unwrap(), place.column.unwrap())
        })
        .collect()
}

const DAY: &str = "2026-11-25";

#[test]
fn what_is_fine_is_not_warned_of() {
    assert_eq!(told(SPEC, DAY), [""; 0]);
}

/// One change at a time, and all that is said of it.
#[test]
fn each_warning_has_its_code_and_place() {
    for (from, to, wanted) in [
        ("accuracy: {gain: 0.1 dB, phase: 0.5 deg}\n", "", &["no-accuracy 1:1"][..]),
        ("gain: 0.1 dB, phase: 0.5 deg", "phase: 0.5 deg", &["no-accuracy 6:1"]),
        ("gain: 0.1 dB, phase: 0.5 deg", "gain: 0.1 dB, phase: 0 deg", &[]),
        ("phase_margin: {min: 45 deg}", "phase_margin: {min: 44.9 deg}", &["limit-below-practice 9:23"]),
        ("phase_margin: {min: 46 deg}", "phase_margin: {min: 30 deg}", &["limit-below-practice 19:34"]),
        ("gain_margin: {min: 6 dB}", "gain_margin: {min: 5.9 dB}", &["limit-below-practice 10:22"]),
        ("stability_margin: {min: 0.5}", "stability_margin: {min: 0.49}", &["limit-below-practice 11:27"]),
        ("phase_margin: {min: 45 deg}", "phase_margin: {max: 90 deg}", &[]),
        (
            "linearity: {crossover: 2 %, phase_margin: 2 deg}",
            "linearity: {waived: x}",
            &["linearity-waived 12:21"],
        ),
        ("    limits: {phase", "    linearity: {waived: x}\n    limits: {phase", &["linearity-waived 19:25"]),
        ("density: 15\n", "", &["no-density 1:1"]),
        ("density: 15", "density: 8", &["density-low 5:10"]),
        // An exacting limit needs more: 3 points within twice the distance of 0.2 at 20 dB per decade, 17.3.
        (
            "stability_margin: {min: 0.5}",
            "stability_margin: {min: 0.2}",
            &["density-low 5:10", "limit-below-practice 11:27"],
        ),
        ("    limits: {phase", "    density: 5\n    limits: {phase", &["density-low 19:14"]),
        ("band: {from: 100 Hz, to: 200 kHz}\n", "", &["no-band 1:1"]),
        // From 30 kHz the gain falls by 6 dB until 59.9 kHz at 20 dB per decade.
        ("to: 200 kHz", "to: 60 kHz", &[]),
        ("to: 200 kHz", "to: 59 kHz", &["band-short 4:26"]),
        ("max: 30 kHz", "max: 150 kHz", &["band-short 4:26"]),
        ("{min: 8 kHz, max: 30 kHz}", "{min: 8 kHz}", &[]),
        ("  gain_margin: {min: 6 dB}\n", "", &[]),
    ] {
        assert_eq!(SPEC.matches(from).count(), 1, "{from}");
        assert_eq!(told(&SPEC.replace(from, to), DAY), wanted, "{from} -> {to}");
    }
}

#[test]
fn waivers_are_spoken_of_a_month_before_their_end_and_after_it() {
    for (today, wanted) in [
        ("2027-02-28", None),
        ("2027-03-01", Some("waiver-ends 21:71")),
        ("2027-03-31", Some("waiver-ends 21:71")),
        ("2027-04-01", Some("waiver-ended 21:71")),
        ("9999-12-31", Some("waiver-ended 21:71")),
    ] {
        assert_eq!(told(SPEC, today), wanted.into_iter().collect::<Vec<_>>(), "{today}");
    }
}

/// The needed density falls with the fourth root of what is held: at 15 points per decade a cubic leaves 0.0020 of the stability
/// margin of smooth loops open, so a drop of 0.05 needs 15 (0.0020 / (0.05 / 3))^(1/4) = 8.8 points.
#[test]
fn the_density_needed_is_told() {
    let spec = SPEC.replace("density: 15", "density: 3");
    let files = |_: &str| Ok(spec.as_bytes().to_vec());
    let found = unwise(&load("s.yaml", &files).unwrap(), day(DAY).unwrap());
    assert_eq!(found.len(), 1);
    assert_eq!(found[0].message, "3 points per decade are too few: `regression.stability_margin` needs 9");
    let enough = SPEC.replace("density: 15", "density: 9");
    assert_eq!(told(&enough, DAY), [""; 0]);
}

/// With `extends` a finding stands in the file that has the key.
#[test]
fn places_follow_extends() {
    let base = "density: 4\nlimits: {gain_margin: {min: 3 dB}}\n";
    let top =
        SPEC.replace("density: 15\n", "extends: base.yaml\n").replace("  gain_margin: {min: 6 dB}\n", "");
    let top = top.replace("accuracy: {gain: 0.1 dB, phase: 0.5 deg}\n", "");
    let files = |path: &str| Ok(if path == "base.yaml" { base } else { &top }.as_bytes().to_vec());
    let found = unwise(&load("s.yaml", &files).unwrap(), day(DAY).unwrap());
    let places: Vec<String> = found
        .iter()
        .map(|w| w.place.as_ref().unwrap())
        .map(|p| format!("{}:{}:{}", p.file, p.line.unwrap(), p.column.unwrap()))
        .collect();
    assert_eq!(places, ["s.yaml:1:1", "base.yaml:1:10", "base.yaml:2:29"]);
}

#[test]
fn runs_show_corners_that_nobody_collects_and_labels_that_drift_needs() {
    let room = Room::demo();
    let unit = "demo-data/rev-c/RG-00021/river-gauge-5v";
    room.write("run/run.yaml", room.read(&format!("{unit}/run.yaml")).replace("build: 2026-W22\n", ""));
    let run = room.read("run/run.yaml");
    let kept: Vec<&str> =
        run.lines().filter(|line| !line.contains("32v-") && !line.contains("10v-0.5a")).collect();
    room.write("run/run.yaml", format!("{}\n", kept.join("\n")));
    for line in kept.iter().filter_map(|line| line.split_once("{file: ")?.1.split_once(',')) {
        std::fs::copy(room.path(&format!("{unit}/{}", line.0)), room.path(&format!("run/{}", line.0)))
            .unwrap();
    }
    let found = room.run("lint run --format json").ends(0).json();
    let told: Vec<(&str, &str, &str)> = list(&found["findings"])
        .iter()
        .map(|f| (text(&f["code"]), text(&f["file"]), text(&f["message"])))
        .collect();
    assert_eq!(
        told,
        [
            (
                "no-drift-label",
                "run/run.yaml",
                "has no `build`, which the spec tracks drift over: the run is left out of drift"
            ),
            (
                "corner-uncollected",
                "specs/river-gauge-5v.yaml",
                "no run given here has a sweep for the corner `10V-0.5A` and 2 more"
            ),
        ]
    );
    // Another run has them.
    let both = room.run(&format!("lint run {unit} --format json")).ends(0).json();
    assert_eq!(list(&both["findings"]).len(), 1);
}

#[test]
fn findings_as_json_have_what_an_editor_needs() {
    let room = Room::empty();
    let spec = SPEC.replace("min: 45 deg", "min: 45").replace("density", "densty");
    room.write("specs/river-gauge-9v.yaml", spec);
    let ran = room.run("lint specs --format json").ends(2);
    assert_eq!(ran.stderr, "");
    let found = ran.json();
    assert_eq!(found["format"], 1);
    let first = &list(&found["findings"])[0];
    for (key, wanted) in [
        ("severity", "error"),
        ("file", "specs/river-gauge-9v.yaml"),
        ("code", "unknown-key"),
        ("key", "densty"),
        ("message", "unknown key `densty`"),
    ] {
        assert_eq!(first[key], wanted, "{first}");
    }
    for (key, wanted) in [("line", 5), ("column", 1), ("end_line", 5), ("end_column", 7)] {
        assert_eq!(first[key], wanted, "{key} {first}");
    }
    assert!(text(&first["help"]).contains("did you mean `density`?"));
    // The same with --json, beside the text.
    let beside = room.run("lint specs --json found.json").ends(2);
    assert!(beside.stderr.contains("densty"));
    assert_eq!(room.read("found.json"), ran.out());
}
