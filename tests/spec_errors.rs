//! Broken specs and runs: the right line, key and words, and nothing besides.

#![allow(
    clippy::expect_used,
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test fails by panicking"
)]

use loopgauge::diagnostic::{Diagnostic, Severity};
use loopgauge::measurand::Measurand;
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
            d.help.is_some()
                || matches!(d.code, "more-errors" | "yaml-empty" | "unreadable-file" | "wrong-shape"),
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
        ("{crossover: 2 %, phase", "{waived: no, phase", "18 linearity.phase_margin", "exclude each other"),
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
fn broken_runs() {
    check(
        &[
            ("run: 1\n", "", "1 -", "`run` is missing"),
            ("run: 1", "run: 2", "1 run", "format version `2`"),
            ("product: river-gauge-5v\n", "", "1 -", "`product` is missing"),
            ("product: river-gauge-5v", "product: other", "2 product", "the run is of `other`"),
            ("serial: RG-00042\n", "", "1 -", "`serial` is missing"),
            ("serial: RG-00042", "serial: \"\"", "3 serial", "the text is empty"),
            ("serial: RG-00042", "serial: \"a\\nb\"", "3 serial", "line breaks"),
            ("serial: RG-00042", "serial:", "3 serial", "no value"),
            ("revision: C", "revision: [C]", "4 revision", "this is a list"),
            ("revision: C", "revison: C\nrevision: C", "4 revison", "unknown key `revison`"),
            ("2026-04-02T09:15:00Z", "2026-04-02", "5 taken", "a `T` is wanted"),
            ("2026-04-02T09:15:00Z", "2026-02-30T09:15:00Z", "5 taken", "no such day"),
            ("file: a.csv", "file: ../a.csv", "7 sweeps[1].file", "leads out"),
            ("file: a.csv", "file: /a.csv", "7 sweeps[1].file", "absolute"),
            ("file: a.csv", "file: C:/a.csv", "7 sweeps[1].file", "absolute"),
            ("file: a.csv", "file: x\\a.csv", "7 sweeps[1].file", "backslash"),
            ("file: a.csv", "file: \"\"", "7 sweeps[1].file", "empty"),
            ("file: a.csv", "file: ./", "7 sweeps[1].file", "no file"),
            ("file: a.csv", "file: .//b.csv", "8 sweeps[2].file", "two entries, first on line 7"),
            ("file: a.csv, ", "", "7 sweeps[1]", "`file` is missing"),
            ("a.csv, corner: 24V-3A", "a.csv, corner: 24V-4A", "7 sweeps[1].corner", "no corner `24V-4A`"),
            ("level: -26 dBm", "level: -26", "7 sweeps[1].level", "`-26` has no unit"),
            ("level: -26 dBm", "level: -26 dB", "7 sweeps[1].level", "the unit `dB`"),
            ("level: -26 dBm", "level: 0 Vpp", "7 sweeps[1].level", "no finite level above 0"),
            ("level: -26 dBm, ", "", "8 sweeps[2].level", "with and without a level"),
            ("level: -23 dBm", "level: {profile: p, offset: 0 dB}", "8 sweeps[2].level", "plain level"),
            (
                "{profile: gentle, offset: 3 dB}",
                "{profile: rough, offset: 3 dB}",
                "10 sweeps[4].level",
                "two profiles",
            ),
            (
                "{profile: gentle, offset: 3 dB}",
                "{profile: gentle}",
                "10 sweeps[4].level",
                "`offset` is missing",
            ),
            (
                "{profile: gentle, offset: 3 dB}",
                "{profile: gentle, offset: 3}",
                "10 sweeps[4].level.offset",
                "no unit",
            ),
            ("input: 23.9 V", "inptu: 23.9 V", "7 sweeps[1].actual.inptu", "no condition `inptu`"),
            ("input: 23.9 V", "input: 23.9 A", "7 sweeps[1].actual.input", "not of the kind"),
            ("input: 23.9 V", "input: 23.9", "7 sweeps[1].actual.input", "no unit"),
            ("taken: 2026", "pattern: \"{corner}.csv\"\ntaken: 2026", "5 pattern", "exclude each other"),
            ("taken: 2026", "reading: {delimiter: tabs}\ntaken: 2026", "5 reading.delimiter", "not one of"),
        ],
        RUN,
        |text| errors_of_run(text, &[]),
    );
}

#[test]
fn runs_with_patterns() {
    let run = |pattern: &str| {
        let head = RUN.split("sweeps:").next().unwrap();
        format!("{head}pattern: {pattern}\n")
    };
    let names = ["run.yaml", "24V-3A_-26dBm.csv", "24V-3A_-23dBm.csv", "24V-3A_-23dBm_2.csv", "photo.jpg"];
    assert_eq!(told(&errors_of_run(&run("\"{corner}_{level}.csv\""), &names)), [""; 0]);
    let told_ = |pattern, names: &[&str]| told(&errors_of_run(&run(pattern), names)).join("|");
    let wrong = told_("\"{corner}_{level}.csv\"", &["24V-4A_-26dBm.csv"]);
    assert!(
        wrong.starts_with(
            "6 pattern: the file `24V-4A_-26dBm.csv` fits the pattern, but s.yaml has no corner"
        ),
        "{wrong}"
    );
    assert!(told_("\"{corner}_{level}.csv\"", &["24V-3A_-26dbm.csv"]).contains("`-26dbm` is no level"));
    assert!(told_("\"{corner}_{level}.txt\"", &names).contains("no file in the run's folder fits"));
    assert!(told_("\"{level}.csv\"", &names).contains("has no `{corner}`"));
    assert!(told_("\"{corner}_{levle}.csv\"", &names).contains("`{levle}` is not known"));
    assert!(told_("[a]", &names).contains("this is a list"));
}

#[test]
fn extends() {
    let common = "limits:\n  phase_margin: {min: 50 deg}\n  crossover: {min: 8 kHz, max: 3 kHz}\nlinearity: {waived: \"no second level\"}\n";
    let top = "extends: ../common.yaml\nspec: 1\nproduct: p\ncritical_point: -1\ncorners: [{name: a}]\n";
    let list = [("specs/a/p.yaml", top), ("specs/a/../common.yaml", common)];
    // A finding about a merged spec names the file that it stands in.
    let errors = load("specs/a/p.yaml", &files(&list)).unwrap_err();
    assert_eq!(told(&errors), ["3 limits.crossover.max: `min` 8 kHz is above `max` 3 kHz"]);
    assert_eq!(&*errors[0].place.as_ref().unwrap().file, "specs/a/../common.yaml");
    // This file's keys win, maps merge, and tolerances drive a waived linearity out.
    let mended = format!("{top}limits: {{crossover: {{max: 30 kHz}}}}\nlinearity: {{gain: 1 dB}}\n");
    let list = [("specs/a/p.yaml", mended.as_str()), ("specs/a/../common.yaml", common)];
    let loaded = load("specs/a/p.yaml", &files(&list)).expect("sound");
    assert_eq!(loaded.extends, ["specs/a/../common.yaml"]);
    let corner = &loaded.spec.corners[0];
    let crossover = corner.limits.windows.get(Measurand::Crossover).unwrap();
    assert_eq!((crossover.min, crossover.max), (Some(8e3), Some(30e3)));
    assert!(matches!(corner.linearity, loopgauge::spec::Linearity::Required(_)));
    // An override that contradicts what it extends is told where it stands.
    let worse = format!("{top}limits: {{crossover: {{min: 5 kHz}}}}\n");
    let list = [("specs/a/p.yaml", worse.as_str()), ("specs/a/../common.yaml", common)];
    let errors = load("specs/a/p.yaml", &files(&list)).unwrap_err();
    assert_eq!(told(&errors), ["6 limits.crossover.min: `min` 5 kHz is above `max` 3 kHz"]);
    assert_eq!(&*errors[0].place.as_ref().unwrap().file, "specs/a/p.yaml");
    // The part alone.
    let list = [("c.yaml", common)];
    assert_eq!(told(&check_part("c.yaml", &files(&list)).unwrap_err()).len(), 1);
    let list = [("c.yaml", "limits: {phase_margin: {min: 50 deg}}\nband: {from: 10 Hz}\n")];
    assert_eq!(check_part("c.yaml", &files(&list)), Ok(vec![]));
}

#[test]
fn extends_that_lead_nowhere() {
    let list = [("a.yaml", "spec: 1\nextends: b.yaml\n"), ("b.yaml", "extends: ./a.yaml\n")];
    let errors = load("a.yaml", &files(&list)).unwrap_err();
    assert_eq!(
        told(&errors),
        ["1 extends: files extend each other in a circle: a.yaml -> b.yaml -> ./a.yaml"]
    );
    assert_eq!(&*errors[0].place.as_ref().unwrap().file, "b.yaml");
    let missing = [("a.yaml", "spec: 1\nextends: b.yaml\n")];
    let errors = load("a.yaml", &files(&missing)).unwrap_err();
    assert_eq!(told(&errors), ["2 extends: `b.yaml` cannot be read: no such file"]);
    assert!(load("x.yaml", &files(&missing)).unwrap_err()[0].message.contains("no such file"));
    for (text, piece) in
        [("extends: /b.yaml", "relative path"), ("extends: [b.yaml]", "a list"), ("extends:", "no value")]
    {
        let list = [("a.yaml", text)];
        let told = told(&load("a.yaml", &files(&list)).unwrap_err());
        assert!(told.len() == 1 && told[0].contains(piece), "{told:?}");
    }
    let endless = |path: &str| Ok(format!("extends: x{path}\n").into_bytes());
    let errors = load("a.yaml", &endless).unwrap_err();
    assert!(errors[0].message.contains("more than 32 files"));
    let versions = [("a.yaml", "extends: b.yaml\nspec: 1\n"), ("b.yaml", "spec: 7\n")];
    assert!(told(&load("a.yaml", &files(&versions)).unwrap_err()).iter().any(|t| t.contains("version `7`")));
}

#[test]
fn corners_lay_over_the_spec() {
    let text = SPEC.replace("    limits: {phase_margin: {min: 45 deg}}", "    limits: {crossover: {max: 20 kHz}, gain: [{at: 1 kHz, min: 1 dB}]}\n    linearity: {waived: cold}\n    band: {to: 100 kHz}");
    let loaded = spec(&text).expect("sound");
    let [.., cold] = loaded.spec.corners.as_slice() else { panic!() };
    let crossover = cold.limits.windows.get(Measurand::Crossover).unwrap();
    assert_eq!((crossover.min, crossover.max), (Some(8e3), Some(20e3)));
    assert_eq!(cold.limits.gain.iter().map(|gain| gain.check.as_str()).collect::<Vec<_>>(), ["gain@1kHz"]);
    assert_eq!(cold.linearity, loopgauge::spec::Linearity::Waived("cold".to_owned()));
    assert_eq!((cold.band.unwrap().from.hz(), cold.band.unwrap().to.hz()), (100.0, 1e5));
    assert_eq!(
        cold.checks(),
        [
            "collected",
            "coverage",
            "sanity",
            "linearity",
            "crossover",
            "crossings",
            "phase_margin",
            "stability_margin",
            "gain@1kHz",
            "regression.crossover",
            "regression.phase_margin"
        ]
    );
    assert_eq!(loaded.spec.corners[0].limits.gain[1].check, "gain@150kHz-200kHz");
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
fn the_run_lays_its_reading_over_the_specs() {
    let spec_text = format!("{SPEC}reading: {{delimiter: \";\", comment: \"!\"}}\n");
    let spec = spec(&spec_text).expect("sound");
    let text = RUN.replace(
        "taken: 2026",
        "reading: {comment: \"%\", columns: {frequency: {column: 2, unit: kHz}}}\ntaken: 2026",
    );
    let run = run::parse(text.as_bytes(), "r/run.yaml", "r").unwrap().resolve(&spec, &[]).unwrap();
    assert_eq!((run.reading.delimiter, run.reading.comment.as_str()), (';', "%"));
    assert_eq!(run.reading.columns.frequency.unwrap().unit.0, 1000.0);
    let text = RUN.replace("taken: 2026", "reading: {decimal: \",\"}\ntaken: 2026");
    run::parse(text.as_bytes(), "r/run.yaml", "r")
        .unwrap()
        .resolve(&spec, &[])
        .expect("the delimiter comes from the spec");
    let text = RUN.replace("taken: 2026", "reading: {decimal: \";\"}\ntaken: 2026");
    assert!(run::parse(text.as_bytes(), "r/run.yaml", "r").unwrap().resolve(&spec, &[]).is_err());
}

/// Mutations tried; a longer hunt sets `MUTATIONS`.
fn mutations() -> usize {
    std::env::var("MUTATIONS").ok().and_then(|n| n.parse().ok()).unwrap_or(600)
}

#[test]
fn mutated_files_are_read_or_refused_with_reasons() {
    const PIECES: [&str; 40] = [
        "[", "]", "{", "}", ":", ": ", "- ", "? ", ",", "#", " #", "&a ", "*a", "!", "!!str ", "|\n", ">-\n",
        "'", "\"", "\\", "\n", "\t", "\r", "~", "<<: ", "%", "---\n", "...\n", "µ", "\u{2028}", "0", "-1",
        "1e999", " dB", "{input}", "{", "\u{85}", "  ", "- - ", "null",
    ];
    let sound = spec(SPEC).expect("sound");
    let names = ["24V-3A_-26dBm.csv".to_owned()];
    // A plain linear congruential sequence (Knuth, TAOCP vol. 2, 3.3.4): a failure must repeat itself.
    let mut state = 20_260_402_u64;
    let mut random = move |below: usize| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) as usize % below.max(1)
    };
    let mut mutate = |text: &str| {
        let mut chars: Vec<char> = text.chars().collect();
        for _ in 0..=random(3) {
            let at = random(chars.len());
            match random(3) {
                0 => drop(chars.drain(at..(at + 1 + random(9)).min(chars.len()))),
                1 => drop(chars.splice(at..at, PIECES[random(PIECES.len())].chars())),
                _ => drop(chars.splice(at..(at + 1).min(chars.len()), PIECES[random(PIECES.len())].chars())),
            }
        }
        chars.into_iter().collect::<String>()
    };
    for _ in 0..mutations() {
        let text = mutate(SPEC);
        if let Err(errors) = spec(&text) {
            assert!(!told(&errors).is_empty() && errors.iter().all(|d| d.code != "unreadable"), "{text}");
        }
        let text = mutate(RUN);
        match run::parse(text.as_bytes(), "r/run.yaml", "r").map(|raw| raw.resolve(&sound, &names)) {
            Ok(Ok(run)) => assert!(!run.serial.is_empty(), "{text}"),
            Ok(Err(errors)) | Err(errors) => {
                assert!(!told(&errors).is_empty() && errors.iter().all(|d| d.code != "unreadable"), "{text}");
            }
        }
    }
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

/// A loop of one pole, and a spec with its circuit.
const NETLIST: &str = "a loop of one pole
.param VIN=12 RSENSE=1
.include parts.inc
E1 a 0 in 0 {VIN}
R1 a out 1k
C1 out 0 1u
R2 out 0 {1meg*RSENSE}
Vinj out in AC 1
Rin in 0 1g
";

const CIRCUIT: &str = "circuit:
  netlist: circuits/loop.cir
  injection: Vinj
  parameters: {VIN: input}
  vary: {R1: 5 %, c1: 20 %, RSENSE: 1 %}
  limits: {unexplained: 0.05}
";

/// What reading a spec whose circuit is this one finds, the spec's own lines first.
fn with_circuit(circuit: &str, netlist: &str) -> Result<LoadedSpec, Vec<Diagnostic>> {
    let text = format!("{circuit}{SPEC}");
    let list = [
        ("specs/s.yaml", text.as_str()),
        ("specs/circuits/loop.cir", netlist),
        ("specs/circuits/parts.inc", "* none\n"),
        ("specs/loop.csv", "frequency_hz,gain_db\n"),
        ("specs/common.yaml", CIRCUIT),
    ];
    load("specs/s.yaml", &files(&list))
}

#[test]
fn the_circuit_of_a_spec() {
    let loaded = with_circuit(CIRCUIT, NETLIST).unwrap_or_else(|errors| panic!("{:#?}", told(&errors)));
    let circuit = loaded.spec.circuit.as_ref().expect("a circuit");
    assert_eq!(circuit.netlist_file, "specs/circuits/loop.cir");
    assert_eq!(circuit.vary, [("R1".to_owned(), 0.05), ("c1".to_owned(), 0.2), ("RSENSE".to_owned(), 0.01)]);
    assert_eq!(circuit.unexplained, Some(0.05));
    let reached: Vec<&str> = loaded.netlists.iter().map(|file| file.file.as_str()).collect();
    assert_eq!(reached, ["specs/circuits/loop.cir", "specs/circuits/parts.inc"]);
    // A corner's conditions are the numbers of the netlist: far below the pole the gain is VIN.
    let models = circuit.models(&loaded.spec).expect("a model a corner");
    let gains: Vec<f64> =
        models.iter().map(|model| model.solver().loop_gain(1e-3).expect("a gain").norm().round()).collect();
    assert_eq!(gains, [10.0, 10.0, 24.0, 24.0, 24.0]);
    // What the netlist says is part of what a verdict rests on.
    let other = with_circuit(CIRCUIT, &NETLIST.replace("1k", "2k")).expect("sound");
    assert_ne!(loaded.resolved.sha256, other.resolved.sha256);
    assert!(
        loaded.resolved.text.contains("\"netlists\": {\"circuits/loop.cir\": \""),
        "{}",
        loaded.resolved.text
    );
}

#[test]
fn a_circuit_that_is_extended_merges_and_its_netlist_stays_where_it_is() {
    let loaded = with_circuit("extends: common.yaml\ncircuit: {vary: {R1: 10 %}}\n", NETLIST).expect("sound");
    let circuit = loaded.spec.circuit.as_ref().expect("a circuit");
    assert_eq!((circuit.vary[0].1, circuit.vary.len()), (0.1, 3));
    let part = |text: &'static str| check_part("p.yaml", &files(&[("p.yaml", text)]));
    assert_eq!(part("circuit: {vary: {R1: 10 %}, parameters: {VIN: input}}\n"), Ok(vec![]));
    let wrong = part("circuit: {vary: {R1: 10}}\n").unwrap_err();
    assert!(told(&wrong)[0].starts_with("1 circuit.vary.R1: `10` has no unit"), "{:?}", told(&wrong));
}

#[test]
fn circuits_that_are_wrong() {
    check(
        &[
            ("  netlist: circuits/loop.cir\n", "", "1 circuit", "the key `netlist` is missing"),
            ("  injection: Vinj\n", "", "1 circuit", "the key `injection` is missing"),
            (
                "circuits/loop.cir",
                "circuits/lop.cir",
                "2 circuit.netlist",
                "`circuits/lop.cir` cannot be read: no such file",
            ),
            ("circuits/loop.cir", "/circuits/loop.cir", "2 circuit.netlist", "not a relative path"),
            ("circuits/loop.cir", "loop.csv", "2 circuit.netlist", "does not end as that of a netlist does"),
            ("circuits/loop.cir", "[loop.cir]", "2 circuit.netlist", "this is a list"),
            ("injection: Vinj", "injection: Vnj", "3 circuit.injection", "Vnj"),
            ("injection: Vinj", "injection: \"\"", "3 circuit.injection", "the text is empty"),
            ("VIN: input", "VNI: input", "4 circuit.parameters.VNI", "VNI"),
            ("VIN: input", "VIN: inptu", "4 circuit.parameters.VIN", "no corner has a condition `inptu`"),
            ("VIN: input", "VIN: input, vin: load", "4 circuit.parameters.vin", "a second time"),
            ("VIN: input", "RSENSE: load", "4 circuit.parameters.RSENSE", "varies by itself"),
            ("VIN: input", "VIN: [input]", "4 circuit.parameters.VIN", "this is a list"),
            ("{VIN: input}", "VIN", "4 circuit.parameters", "a map such as"),
            ("R1: 5 %", "R11: 5 %", "5 circuit.vary.R11", "R11"),
            ("R1: 5 %", "R1: 5", "5 circuit.vary.R1", "`5` has no unit"),
            ("R1: 5 %", "R1: 0 %", "5 circuit.vary.R1", "not above 0"),
            ("R1: 5 %", "R1: 100 %", "5 circuit.vary.R1", "above 99 %"),
            ("R1: 5 %", "C1: 5 %", "5 circuit.vary.c1", "a second time"),
            ("unexplained: 0.05", "unexplained: 5 %", "6 circuit.limits.unexplained", "has the unit `%`"),
            ("unexplained: 0.05", "unexplained: 1.5", "6 circuit.limits.unexplained", "above 1"),
            ("limits: {", "limit: {", "6 circuit.limit", "unknown key `limit`"),
        ],
        CIRCUIT,
        |text| with_circuit(text, NETLIST).err().unwrap_or_default(),
    );
    // A condition that is no number of the netlist's units.
    for (value, piece) in [("[a, b]", "is `a`"), ("[10 %, 20 %]", "is `10 %`")] {
        let spec = SPEC.replace("input: [10 V, 24 V]", &format!("input: {value}"));
        let text = format!("{CIRCUIT}{spec}");
        let list = [
            ("specs/s.yaml", text.as_str()),
            ("specs/circuits/loop.cir", NETLIST),
            ("specs/circuits/parts.inc", ""),
        ];
        let found = told(&load("specs/s.yaml", &files(&list)).unwrap_err());
        assert!(
            found.len() == 1 && found[0].starts_with("4 circuit.parameters.VIN") && found[0].contains(piece),
            "{found:?}"
        );
    }
}

#[test]
fn what_is_wrong_in_a_netlist_stands_in_it() {
    for (from, to, file, line) in [
        ("R1 a out 1k", "R1 a out 1kk*", "specs/circuits/loop.cir", 5),
        ("C1 out 0 1u", "D1 out 0 diode", "specs/circuits/loop.cir", 6),
        ("parts.inc", "part.inc", "specs/circuits/loop.cir", 3),
        ("parts.inc", "/etc/hosts", "specs/circuits/loop.cir", 3),
        ("parts.inc", "../loop.csv", "specs/circuits/loop.cir", 3),
    ] {
        let errors = with_circuit(CIRCUIT, &NETLIST.replace(from, to)).unwrap_err();
        let place = errors[0].place.clone().expect("a place");
        assert_eq!((&*place.file, place.line), (file, Some(line)), "{to}: {:#?}", told(&errors));
    }
    // What has no solution is told at the key, with the corner.
    let errors = with_circuit(CIRCUIT, &NETLIST.replace("Rin in 0 1g", "E2 a 0 in 0 2")).unwrap_err();
    let found = told(&errors);
    assert!(found[0].starts_with("2 circuit.netlist: ") && found[0].contains("10V-0.5A"), "{found:#?}");
}
