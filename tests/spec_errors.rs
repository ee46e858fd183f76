//! Broken specs and runs: the right line, key and words, and nothing besides.

#![allow(
    clippy::expect_used,
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test fails by panicking"
)]

#[path = "spec_errors/circuits.rs"]
mod circuits;
#[path = "spec_errors/extends.rs"]
mod extends;
#[path = "spec_errors/helps.rs"]
mod helps;
#[path = "spec_errors/mutations.rs"]
mod mutations;
#[path = "spec_errors/runs.rs"]
mod runs;

use loopgauge::diagnostic::{Diagnostic, Severity};
use loopgauge::run;
use loopgauge::spec::{LoadedSpec, check_part, load};

const SPEC: &str = r#"spec: 1
product: river-gauge-5v
critical_point: +1
switching_frequency: 600 kHz
band: {from: 100 Hz, to: 200 kHz}
density: 15
accuracy: {gain: 0.1 dB, phase: 0.5 deg, delay: 2 ns}
decision: {rule: guarded, coverage: 2}
injection_point: {impedance_ratio: 0.001}
limits:
  crossover: {min: 8 kHz, max: 30 kHz}
  crossings: {max: 1}
  phase_margin: {min: 50 deg}
  stability_margin: {min: 0.5}
  gain:
    - {at: 120 Hz, min: 30 dB}
    - {from: 150 kHz, to: 200 kHz, max: -8 dB}
linearity: {crossover: 2 %, phase_margin: 2 deg}
regression: {crossover: {shift: 10 %}, phase_margin: {drop: 3 deg}}
drift: {over: build, setup: 8, chart: ewma, capability: {min: 1.33}, forecast: {groups: 6}}
corners:
  - name: "{input}-{load}"
    conditions: {input: [10 V, 24 V], load: [0.5 A, 3 A]}
  - name: cold-start
    conditions: {input: 24 V, load: 3 A, ambient: -30 degC}
    limits: {phase_margin: {min: 45 deg}}
waivers:
  - {corner: cold-start, check: crossover, reason: "ECO 17 pending", until: 2027-03-31}
conditions_tolerance: 2 %
"#;

const RUN: &str = r#"run: 1
product: river-gauge-5v
serial: RG-00042
revision: C
taken: 2026-04-02T09:15:00Z
sweeps:
  - {file: a.csv, corner: 24V-3A, level: -26 dBm, actual: {input: 23.9 V, load: 3.02 A}}
  - {file: b.csv, corner: 24V-3A, level: -23 dBm}
  - {file: c.csv, corner: cold-start, level: {profile: gentle, offset: 0 dB}}
  - {file: d.csv, corner: cold-start, level: {profile: gentle, offset: 3 dB}}
"#;

fn files<'a>(list: &'a [(&'a str, &'a str)]) -> impl Fn(&str) -> Result<Vec<u8>, String> + 'a {
    move |path| {
        let found = list.iter().find(|(name, _)| *name == path);
        found.map(|(_, text)| text.as_bytes().to_vec()).ok_or_else(|| "no such file".to_owned())
    }
}

fn spec(text: &str) -> Result<LoadedSpec, Vec<Diagnostic>> {
    load("s.yaml", &files(&[("s.yaml", text)]))
}

fn errors_of_run(text: &str, names: &[&str]) -> Vec<Diagnostic> {
    let spec = spec(SPEC).expect("the sample spec is sound");
    let names: Vec<String> = names.iter().map(|name| (*name).to_owned()).collect();
    match run::parse(text.as_bytes(), "r/run.yaml", "r") {
        Ok(raw) => raw.resolve(&spec, &names).err().unwrap_or_default(),
        Err(errors) => errors,
    }
}

/// One line for each error: `line key: message`.
fn told(errors: &[Diagnostic]) -> Vec<String> {
    let line = |d: &Diagnostic| {
        let place = d.place.as_ref().expect("every error has a place");
        assert!(
            d.help.is_some() || matches!(d.code, "more-errors" | "unreadable-file" | "wrong-shape"),
            "help for {}",
            d.code
        );
        assert!(d.code.bytes().all(|b| b.is_ascii_lowercase() || b == b'-'), "{}", d.code);
        let number = place.line.map_or_else(|| "-".to_owned(), |line| line.to_string());
        format!("{number} {}: {}", place.key.as_deref().unwrap_or("-"), d.message)
    };
    errors.iter().filter(|d| d.severity == Severity::Error).map(line).collect()
}

/// What replaces what, then the start of the only error (line, key) and a piece of its message.
type Case = (&'static str, &'static str, &'static str, &'static str);

fn check(cases: &[Case], sound: &str, read: impl Fn(&str) -> Vec<Diagnostic>) {
    let mut wrong = Vec::new();
    for (from, to, place, piece) in cases {
        assert_eq!(sound.matches(from).count(), 1, "`{from}` must stand once in the sample");
        let told = told(&read(&sound.replace(from, to)));
        if told.len() != 1 || !told[0].starts_with(&format!("{place}: ")) || !told[0].contains(piece) {
            wrong.push(format!("{from} -> {to}\n  wanted {place}: …{piece}…\n  got {told:#?}"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

fn check_spec(cases: &[Case]) {
    check(cases, SPEC, |text| spec(text).err().unwrap_or_default());
}

#[test]
fn the_samples_are_sound() {
    let loaded = spec(SPEC).expect("sound");
    assert_eq!(loaded.warnings, []);
    let names: Vec<&str> = loaded.spec.corners.iter().map(|corner| corner.name.as_str()).collect();
    assert_eq!(names, ["10V-0.5A", "10V-3A", "24V-0.5A", "24V-3A", "cold-start"]);
    assert_eq!(told(&errors_of_run(RUN, &[])), [""; 0]);
}

#[test]
fn top_level_of_a_spec() {
    check_spec(&[
        ("spec: 1\n", "", "1 -", "the key `spec` is missing"),
        ("spec: 1", "spec: 2", "1 spec", "format version `2`"),
        ("spec: 1", "spec: {a: 1}", "1 spec", "this is a map"),
        ("product: river-gauge-5v\n", "", "1 -", "the key `product` is missing"),
        ("product: river-gauge-5v", "product: a/b", "2 product", "`a/b` is not a product name"),
        ("product: river-gauge-5v", "product: ..", "2 product", "is not a product name"),
        ("product: river-gauge-5v", "product:", "2 product", "no value"),
        ("critical_point: +1\n", "", "1 -", "`critical_point` is missing"),
        ("critical_point: +1", "critical_point: 0", "3 critical_point", "neither `+1` nor `-1`"),
        ("critical_point: +1", "critical_point: \"+-1\"", "3 critical_point", "neither"),
        ("density: 15", "open_loop_poles: -1", "6 open_loop_poles", "whole number"),
        ("density: 15", "open_loop_poles: 1.5", "6 open_loop_poles", "`1.5` is not a whole number"),
        ("density: 15", "density: 0", "6 density", "`0` is not above 0"),
        ("density: 15", "density: 15 dB", "6 density", "has the unit `dB`"),
        ("density: 15", "density: many", "6 density", "does not start with a number"),
        ("density: 15", "desnity: 15", "6 desnity", "unknown key `desnity`"),
        (
            "switching_frequency: 600 kHz",
            "switching_frequency: 600",
            "4 switching_frequency",
            "`600` has no unit",
        ),
        ("gain: 0.1 dB, phase", "gain: -0.1 dB, phase", "7 accuracy.gain", "below 0"),
        (
            "phase: 0.5 deg, delay",
            "phase: 0.5 dB, delay",
            "7 accuracy.phase",
            "unit `dB`; an angle such as `50 deg`",
        ),
        ("delay: 2 ns", "delays: 2 ns", "7 accuracy.delays", "unknown key"),
        ("rule: guarded", "rule: guard", "8 decision.rule", "`guard` is not one of"),
        ("coverage: 2", "coverage: 0", "8 decision.coverage", "not above 0"),
        ("impedance_ratio: 0.001", "impedance_ratio: 1", "9 injection_point.impedance_ratio", "not below 1"),
        ("{impedance_ratio: 0.001}", "{}", "9 injection_point", "`impedance_ratio` is missing"),
        ("{impedance_ratio: 0.001}", "[0.001]", "9 injection_point", "this is a list, a map"),
        ("conditions_tolerance: 2 %", "conditions_tolerance: 0 %", "29 conditions_tolerance", "not above 0"),
        ("over: build", "over: serial", "20 drift.over", "not one of"),
        ("setup: 8", "setup: 1", "20 drift.setup", "whole number from 2"),
        ("chart: ewma", "chart: EWMA", "20 drift.chart", "not one of"),
    ]);
}

#[test]
fn limits_and_bands() {
    check_spec(&[
        ("from: 100 Hz", "from: 100", "5 band.from", "`100` has no unit"),
        ("from: 100 Hz", "from: 0 Hz", "5 band.from", "not above 0"),
        ("from: 100 Hz", "from: 300 kHz", "5 band.to", "`from` 300 kHz is not below `to` 200 kHz"),
        ("{from: 100 Hz, to: 200 kHz}", "{from: 100 Hz}", "5 band", "`to` is missing"),
        ("max: 30 kHz", "max: 3 kHz", "11 limits.crossover.max", "`min` 8 kHz is above `max` 3 kHz"),
        ("max: 30 kHz", "max: 30 khz", "11 limits.crossover.max", "the unit `khz`"),
        ("min: 8 kHz", "min: -8 kHz", "11 limits.crossover.min", "not above 0"),
        ("min: 8 kHz", "min: 1e999 Hz", "11 limits.crossover.min", "too large"),
        ("{min: 8 kHz, max: 30 kHz}", "{}", "11 limits.crossover", "neither `min` nor `max`"),
        ("{min: 8 kHz, max: 30 kHz}", "8 kHz", "11 limits.crossover", "a single text, a map"),
        ("{min: 8 kHz, max: 30 kHz}", "", "11 limits.crossover", "no value"),
        ("{max: 1}", "{max: 1.5}", "12 limits.crossings.max", "not a whole number"),
        ("{max: 1}", "{maximum: 1, min: 0}", "12 limits.crossings.maximum", "unknown key"),
        ("phase_margin: {min: 50 deg}", "phase_margn: {min: 50 deg}", "13 limits.phase_margn", "unknown key"),
        ("{min: 0.5}", "{min: 0.5 dB}", "14 limits.stability_margin.min", "has the unit `dB`"),
        ("{min: 0.5}", "{min: .5}", "14 limits.stability_margin.min", "does not start with a number"),
        ("at: 120 Hz, min", "min", "16 limits.gain[1]", "neither `at` nor"),
        ("at: 120 Hz", "at: 120 Hz, to: 1 kHz", "16 limits.gain[1].at", "exclude each other"),
        ("{at: 120 Hz, min: 30 dB}", "{at: 120 Hz}", "16 limits.gain[1]", "neither `min` nor `max`"),
        ("from: 150 kHz, ", "", "17 limits.gain[2]", "`from` is missing"),
        (
            "{from: 150 kHz, to: 200 kHz, max: -8 dB}",
            "{at: 120  Hz, max: 9 dB}",
            "17 limits.gain[2]",
            "`gain@120Hz`",
        ),
        ("max: -8 dB", "max: -8", "17 limits.gain[2].max", "no unit"),
    ]);
}

#[test]
fn linearity_and_regression() {
    check_spec(&[
        (
            "linearity: {crossover: 2 %, phase_margin: 2 deg}\n",
            "",
            "20 -",
            "`linearity` is missing for the corner",
        ),
        ("{crossover: 2 %, phase_margin: 2 deg}", "{step: 3 dB}", "18 linearity", "no tolerance"),
        ("{crossover: 2 %, phase_margin: 2 deg}", "{waived: \"\"}", "18 linearity.waived", "reason is empty"),
        ("{crossover: 2 %, phase", "{step: 0 dB, phase", "18 linearity.step", "not above 0"),
        ("{crossover: 2 %, phase", "{crossover: 2, phase", "18 linearity.crossover", "no unit"),
        (
            "{crossover: 2 %, phase",
            "{waived: one level, phase",
            "18 linearity.phase_margin",
            "exclude each other",
        ),
        ("{crossover: 2 %, phase", "{band: [10, 0.1], phase", "18 linearity.band", "not below"),
        ("{crossover: 2 %, phase", "{band: [1], phase", "18 linearity.band", "1 items"),
        ("{crossover: 2 %, phase", "{band: [1, x], phase", "18 linearity.band[2]", "not start with a number"),
        ("{shift: 10 %}", "{shift: 0 %}", "19 regression.crossover.shift", "not above 0"),
        ("{drop: 3 deg}", "3 deg", "19 regression.phase_margin", "a single text, a map"),
    ]);
}

#[test]
fn corners_and_waivers() {
    check_spec(&[
        ("\"{input}-{load}\"", "\"{inptu}-{load}\"", "22 corners[1].name", "`{inptu}` names no condition"),
        ("\"{input}-{load}\"", "\"{input}\"", "22 corners[1].name", "a second corner is named `10V`"),
        ("\"{input}-{load}\"", "\"{input-load\"", "22 corners[1].name", "not closed"),
        ("input: [10 V, 24 V]", "input: [10, 24 V]", "23 corners[1].conditions.input[1]", "`10` has no unit"),
        ("input: [10 V, 24 V]", "input: []", "23 corners[1].conditions.input", "list of conditions is empty"),
        ("[0.5 A, 3 A]", "[0.5 A, 3 amps]", "23 corners[1].conditions.load[2]", "the unit `amps`"),
        ("    limits: {phase", "    waivers: {phase", "26 corners[2].waivers", "unknown key"),
        (
            "{min: 45 deg}",
            "{max: 45 deg}",
            "26 corners[2].limits.phase_margin.max",
            "`min` 50 deg is above `max` 45 deg",
        ),
        ("corner: cold-start", "corner: cold-strat", "28 waivers[1].corner", "no corner `cold-strat`"),
        ("check: crossover", "check: gain_margin", "28 waivers[1].check", "no check `gain_margin`"),
        ("\"ECO 17 pending\"", "\" \"", "28 waivers[1].reason", "reason is empty"),
        ("\"ECO 17 pending\"", "~", "28 waivers[1].reason", "reason is empty"),
        ("2027-03-31", "2027-02-30", "28 waivers[1].until", "no day"),
        ("2027-03-31", "31.3.2027", "28 waivers[1].until", "YYYY-MM-DD"),
    ]);
    let double = SPEC.replace(
        "waivers:\n",
        "waivers:\n  - {corner: cold-start, check: crossover, reason: x, until: 2027-01-01}\n",
    );
    assert_eq!(
        told(&spec(&double).unwrap_err()),
        ["29 waivers[2]: a second waiver for `crossover` of the corner `cold-start`"]
    );
}

#[test]
fn corners_that_collide_or_judge_nothing() {
    let text = SPEC
        .replace("  - name: cold-start", "  - name: \"24V-3A\"")
        .replace("corner: cold-start", "corner: 24V-3A");
    assert_eq!(told(&spec(&text).unwrap_err()), ["24 corners[2].name: a second corner is named `24V-3A`"]);
    let text = SPEC
        .replace("  - name: cold-start", "  - name: 24V-0_5A")
        .replace("corner: cold-start", "corner: 24V-3A");
    let told_ = told(&spec(&text).unwrap_err());
    assert!(told_[0].starts_with("24 corners[2].name: the corners `24V-0.5A` and `24V-0_5A`"), "{told_:?}");

    let head = "spec: 1\nproduct: p\ncritical_point: -1\nlinearity: {gain: 1 dB}\n";
    let nothing =
        format!("{head}corners: [{{name: a}}, {{name: b, limits: {{phase_margin: {{min: 5 deg}}}}}}]\n");
    let told_ = told(&spec(&nothing).unwrap_err());
    assert_eq!(told_, ["5 corners[1].name: no limit holds at this corner, so nothing would be judged"]);
    let regression = format!("{head}corners: [{{name: a, regression: {{phase_margin: {{drop: 5 deg}}}}}}]\n");
    assert!(told(&spec(&regression).unwrap_err())[0].contains("the spec has no limit"));
    let empty = format!("{head}limits: {{phase_margin: {{min: 5 deg}}}}\ncorners: []\n");
    assert_eq!(told(&spec(&empty).unwrap_err()), ["6 corners: the spec has no corner"]);
    let many = format!(
        "{head}limits: {{phase_margin: {{min: 5 deg}}}}\ncorners:\n  - name: \"{{a}}{{b}}{{c}}\"\n    conditions: {{{}}}\n",
        ["a", "b", "c"].map(|n| format!("{n}: [{}]", vec!["1 V"; 1000].join(", "))).join(", ")
    );
    assert!(
        told(&spec(&many).unwrap_err())[0]
            .starts_with("6 corners: the conditions multiply out to 1000000000")
    );
}

#[test]
fn all_errors_of_a_file_at_once() {
    let text = SPEC
        .replace("product: river-gauge-5v", "product: river gauge")
        .replace("to: 200 kHz}", "to: 200 khz}")
        .replace("{max: 1}", "{}")
        .replace("check: crossover", "chekc: crossover")
        .replace("density: 15", "density: 15\ndensity: 16");
    let told = told(&spec(&text).unwrap_err());
    let starts =
        ["2 product: ", "5 band.to: ", "7 -: the key `density`", "13 limits.crossings: ", "29 waivers[1]: "];
    assert_eq!(told.len(), 6, "{told:#?}");
    for (told, start) in told.iter().zip(starts) {
        assert!(told.starts_with(start), "{told} / {start}");
    }
    let flood: String = (0..500).map(|i| format!("k{i}: 1\n")).collect();
    let errors = spec(&format!("{SPEC}{flood}")).unwrap_err();
    assert_eq!(errors.len(), 101);
    assert!(errors[100].message.contains("400 more"));
}

#[test]
fn places_have_columns_and_excerpts() {
    let errors = spec(&SPEC.replace("max: 30 kHz", "max: 30 khz")).unwrap_err();
    let place = errors[0].place.clone().unwrap();
    assert_eq!((&*place.file, place.line, place.column), ("s.yaml", Some(11), Some(32)));
    let excerpt = errors[0].excerpt.clone().unwrap();
    assert_eq!(excerpt.text, "  crossover: {min: 8 kHz, max: 30 khz}");
    assert_eq!(&excerpt.text[excerpt.mark], "30 khz");
}

#[test]
fn warnings() {
    let text = SPEC
        .replace("switching_frequency: 600 kHz", "switching_frequency: 100 kHz")
        .replace("at: 120 Hz", "at: 50 Hz");
    let loaded = spec(&text).expect("warnings are no errors");
    let told: Vec<_> =
        loaded.warnings.iter().map(|d| (d.code, d.place.as_ref().unwrap().line.unwrap())).collect();
    assert_eq!(
        told,
        [("band-past-half-switching", 5), ("crossover-past-fifth-switching", 11), ("gain-outside-band", 16)]
    );
}

#[test]
fn the_demo_files_are_sound() {
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
    let read = |path: &str| std::fs::read(root.join(path)).map_err(|error| error.to_string());
    let mut specs = std::collections::HashMap::new();
    for entry in std::fs::read_dir(root.join("specs")).expect("specs") {
        let name = entry.expect("entry").file_name().into_string().expect("name");
        let path = format!("specs/{name}");
        if !name.ends_with(".yaml") {
            continue;
        }
        if name == "common.yaml" {
            assert_eq!(check_part(&path, &read), Ok(vec![]));
        } else {
            let loaded = load(&path, &read).unwrap_or_else(|errors| panic!("{path}: {:#?}", told(&errors)));
            assert_eq!(loaded.extends, ["specs/common.yaml"]);
            specs.insert(loaded.spec.product.clone(), loaded);
        }
    }
    let mut runs = 0;
    let mut folders = vec![root.join("demo-data")];
    while let Some(folder) = folders.pop() {
        let entries: Vec<_> =
            std::fs::read_dir(&folder).expect("folder").map(|entry| entry.expect("entry")).collect();
        folders.extend(entries.iter().filter(|e| e.path().is_dir()).map(std::fs::DirEntry::path));
        let names: Vec<String> = entries.iter().filter_map(|e| e.file_name().into_string().ok()).collect();
        if !names.iter().any(|name| name == "run.yaml") {
            continue;
        }
        let bytes = std::fs::read(folder.join("run.yaml")).expect("run");
        let raw =
            run::parse(&bytes, "run.yaml", ".").unwrap_or_else(|e| panic!("{folder:?}: {:#?}", told(&e)));
        let spec = specs.get(raw.product()).expect("the run's product has a spec");
        let run = raw.resolve(spec, &names).unwrap_or_else(|e| panic!("{folder:?}: {:#?}", told(&e)));
        assert_eq!(run.corners().len(), spec.spec.corners.len());
        runs += 1;
    }
    assert!(runs > 10, "{runs}");
}
