//! The results of `compare`, of runs and of builds, and of `inspect --with`.

use super::shapes::{
    Any, CROSSOVERS, Count, Flag, Keys, List, Maybe, Measured, Number, OF_CHECK, PHASE_CROSSOVERS, Shape,
    Text, Tuple, Word,
};
use super::tool::{demo, gauge, list};
use serde_json::Value;
use std::fs;

const SAID: Shape = Word(&["common", "within_uncertainty", "differs", "unlike"]);
const SIDE: Shape = Word(&["A", "B"]);
const EFFECT: Shape = Keys(&[
    ("value", Number),
    ("uncertainty", Number),
    ("spread", Maybe(&Number)),
    ("range", Tuple(2, &Number)),
    ("said", SAID),
]);
const REMAINS: Shape = Keys(&[("value", Number), ("at_hz", Number), ("corner", Text)]);
const DEVIATION: Shape = Keys(&[("value", Number), ("at_hz", Number)]);
const COMPARED: Shape = Keys(&[
    ("format", Count),
    ("a", Text),
    ("b", Text),
    (
        "products",
        List(&Keys(&[
            ("product", Text),
            ("coverage", Number),
            (
                "corners",
                List(&Keys(&[
                    ("corner", Text),
                    ("serials", Tuple(2, &Text)),
                    ("runs", Tuple(2, &Text)),
                    ("same_station", Flag),
                    (
                        "changes",
                        List(&Keys(&[
                            ("quantity", Text),
                            ("a", Number),
                            ("b", Number),
                            ("change", Maybe(&Number)),
                            ("uncertainty", Maybe(&Number)),
                        ])),
                    ),
                    ("only", List(&Text)),
                    ("gain_db", Maybe(&DEVIATION)),
                    ("phase_deg", Maybe(&DEVIATION)),
                ])),
            ),
            (
                "common",
                Maybe(&Keys(&[
                    ("corners", Count),
                    ("gain_db", Maybe(&EFFECT)),
                    ("delay_s", Maybe(&EFFECT)),
                    ("resonance", Maybe(&Keys(&[("at_hz", Number), ("by", Number)]))),
                    ("remaining_gain_db", Maybe(&REMAINS)),
                    ("remaining_phase_deg", Maybe(&REMAINS)),
                ])),
            ),
            ("alone", List(&Keys(&[("side", SIDE), ("run", Text), ("corner", Maybe(&Text)), ("why", Text)]))),
        ])),
    ),
]);
const UNIT: Shape = Word(&["Hz", "deg", "dB", "s", ""]);
const GROUP_MEAN: Shape =
    Keys(&[("units", Count), ("mean", Maybe(&Number)), ("spread", Maybe(&Number)), ("bounds", Count)]);
const BUILDS: Shape = Keys(&[
    ("format", Count),
    ("over", Word(&["build", "revision", "firmware"])),
    ("a", Text),
    ("b", Text),
    (
        "products",
        List(&Keys(&[
            ("product", Text),
            ("coverage", Number),
            ("units", Tuple(2, &Count)),
            ("in_both", Count),
            (
                "common",
                List(&Keys(&[
                    ("quantity", Text),
                    ("unit", UNIT),
                    ("corners", Count),
                    ("change", Number),
                    ("uncertainty", Maybe(&Number)),
                    ("range", Tuple(2, &Number)),
                    ("said", SAID),
                ])),
            ),
            (
                "differences",
                List(&Keys(&[
                    ("corner", Text),
                    ("quantity", Text),
                    ("unit", UNIT),
                    ("a", GROUP_MEAN),
                    ("b", GROUP_MEAN),
                    ("change", Maybe(&Number)),
                    ("uncertainty", Maybe(&Number)),
                    ("is_towards_limit", Maybe(&Flag)),
                ])),
            ),
            ("alone", List(&Keys(&[("side", SIDE), ("corner", Text)]))),
        ])),
    ),
]);
const LIMITS: Shape = Keys(&[
    ("product", Text),
    ("corner", Text),
    (
        "checks",
        List(&Keys(&[
            ("check", Text),
            ("would_be", OF_CHECK),
            ("value", Maybe(&Number)),
            ("uncertainty", Maybe(&Number)),
            ("unit", Maybe(&UNIT)),
            ("limit", Maybe(&Any(&[("min", Number), ("max", Number)]))),
            ("message", Text),
        ])),
    ),
]);
const WITH: Shape = Keys(&[
    ("changes", List(&Text)),
    ("crossovers", CROSSOVERS),
    ("phase_crossovers", PHASE_CROSSOVERS),
    ("measured", Measured(&[])),
    ("findings", List(&Text)),
    ("limits?", LIMITS),
]);

#[test]
fn the_result_of_compare_has_its_shape() {
    // One corner that one side alone has, and resonances, bounds and refused corners of the demo.
    for (a, b) in [("rev-b", "rev-c"), ("rev-a", "rev-b"), ("rev-c/RG-00021", "rev-c/RG-00022")] {
        let ran = demo(&format!("compare demo-data/{a} demo-data/{b} --json -"));
        let result = ran.json();
        COMPARED.check(&result, "result");
        assert_eq!((&result["format"], list(&result["products"]).is_empty()), (&Value::from(1), false));
    }
}

#[test]
fn the_result_of_comparing_builds_has_its_shape() {
    let room = gauge::room();
    gauge::add_run(&room, "runs/next", "RG-00043", [12.5e3, 14e3, 15e3]);
    room.edit("runs/next/run.yaml", "2026-W14", "2026-W18");
    room.run("check runs --record line.db").ends(0);
    let result = room.run("compare --history line.db 2026-W14 2026-W18 --json -").ends(0).json();
    BUILDS.check(&result, "result");
    assert!(list(&result["products"][0]["differences"]).len() > 10);
    assert!(fs::metadata(room.path("line.db")).is_ok());
}

#[test]
fn what_a_change_would_do_has_its_shape() {
    let sweep = "demo-data/rev-c/RG-00021/river-gauge-5v/24v-3a.csv";
    let plain = demo(&format!("inspect {sweep} --critical-point +1 --with gain:3dB --json -")).ends(0).json();
    WITH.check(&plain["sweeps"][0]["with"], "with");
    assert!(plain["sweeps"][0]["with"].get("limits").is_none());
    let spec = "--spec specs/river-gauge-5v.yaml --corner 24V-3A";
    let held = demo(&format!("inspect {sweep} {spec} --with delay:1us --json -")).ends(0).json();
    WITH.check(&held["sweeps"][0]["with"], "with");
    LIMITS.check(&held["sweeps"][0]["limits"], "limits");
    assert!(!list(&held["sweeps"][0]["with"]["limits"]["checks"]).is_empty());
}
