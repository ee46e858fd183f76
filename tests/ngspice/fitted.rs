//! Parts fitted to the simulated sweeps, by the program, against the parts that were simulated.
//!
//! The netlist is `fitted.cir`: the averaged switch and the modulator of `specs/circuits` about the very filter and controller that
//! were simulated, with every part put 10 to 15 % off, so that the fit has to find it.

use super::{LEVELS_DBM, SPEC, averaged, checkout, list, recorded, sweep, switched, text};
use crate::tool::Room;
use num_complex::Complex64;
use serde_json::Value;
use std::fs;

/// A part: its name in the netlist, its card in `board.lib` up to the value, the value simulated, the one that the fit starts from, and
/// the tolerance, which holds the first.
struct Part {
    name: &'static str,
    card: &'static str,
    simulated: &'static str,
    start: &'static str,
    tolerance: &'static str,
}

const fn part(
    name: &'static str,
    card: &'static str,
    simulated: &'static str,
    start: &'static str,
    tolerance: &'static str,
) -> Part {
    Part { name, card, simulated, start, tolerance }
}

/// The divider and the load stay as they are: they set the scale of all impedances in the controller and in the filter. So does the
/// resistance of the inductor: with it free the filter's impedances scale together, but for what the load tells by its damping.
const PARTS: [Part; 8] = [
    part("Xf.L1", "L1 sw a ", "22u", "25u", "20 %"),
    part("Xf.Cout", "Cout out b ", "100u", "88u", "20 %"),
    part("Xf.Resr", "Resr b 0 ", "5m", "5.6m", "30 %"),
    part("Xc.Rlead", "Rlead fb c ", "820", "920", "20 %"),
    part("Xc.Clead", "Clead c inv ", "3.9n", "4.4n", "20 %"),
    part("Xc.Rlag", "Rlag inv d ", "2.7k", "2.4k", "20 %"),
    part("Xc.Clag", "Clag d ctrl ", "27n", "30n", "20 %"),
    part("Xc.Chigh", "Chigh inv ctrl ", "1.5n", "1.7n", "20 %"),
];

/// `3.9n`, by the scale letters of SPICE.
fn value(text: &str) -> f64 {
    let scales = [('n', 1e-9), ('u', 1e-6), ('m', 1e-3), ('k', 1e3)];
    let found = scales.iter().find_map(|(letter, scale)| Some((text.strip_suffix(*letter)?, *scale)));
    let (digits, scale) = found.unwrap_or((text, 1.0));
    digits.parse::<f64>().unwrap() * scale
}

/// A room with the spec of the other tests, the circuit added, and what else is changed in it.
fn room(change: impl FnOnce(String) -> String) -> Room {
    let read = |name: &str| fs::read_to_string(checkout().join(name)).unwrap();
    let mut board = read("tests/ngspice/board.lib");
    for part in &PARTS {
        let (simulated, start) =
            (format!("{}{}", part.card, part.simulated), format!("{}{}", part.card, part.start));
        assert_eq!(board.matches(&simulated).count(), 1, "{simulated}");
        board = board.replace(&simulated, &start);
    }
    let vary: Vec<String> = PARTS.iter().map(|part| format!("{}: {}", part.name, part.tolerance)).collect();
    let circuit = format!(
        "circuit:\n  netlist: fitted.cir\n  injection: Vinj\n  vary: {{{}}}\n  limits: {{unexplained: 0.02}}\ncorners:",
        vary.join(", ")
    );
    let room = Room::empty();
    room.write("specs/river-gauge-5v.yaml", change(SPEC.replace("corners:", &circuit)));
    room.write("specs/fitted.cir", read("tests/ngspice/fitted.cir"));
    room.write("specs/board.lib", board);
    room.write("specs/circuits/averaged-switch.cir", read("specs/circuits/averaged-switch.cir"));
    room
}

/// A part as found: the value simulated; value and expanded uncertainty.
struct Found {
    name: &'static str,
    simulated: f64,
    known: Option<(f64, f64)>,
}

impl Found {
    /// How far off the value is, as a share of the simulated one, and the same in its uncertainty.
    fn off(&self) -> Option<(f64, f64)> {
        let (value, u) = self.known?;
        Some((value / self.simulated - 1.0, (value - self.simulated) / u))
    }
}

/// Judges the run of a room; gives its parts, and prints them.
fn parts(room: &Room, what: &str) -> (Vec<Found>, Value) {
    let ran = room.run("check run --json -");
    let result = ran.json();
    assert_eq!(list(&result["errors"]).len(), 0, "{}", result["errors"]);
    let run = result["runs"][0].clone();
    let circuit = &run["circuit"];
    println!("{what}: discrepancy {}, unexplained {}", circuit["discrepancy"], circuit["unexplained"]);
    let found = list(&circuit["parts"]).iter().zip(&PARTS).map(|(own, part)| {
        assert_eq!(text(&own["part"]), part.name);
        let start = own["nominal"].as_f64().unwrap();
        assert!((start / value(part.start) - 1.0).abs() < 1e-12);
        let known = own["value"].as_f64().zip(own["uncertainty"].as_f64());
        let found = Found { name: part.name, simulated: value(part.simulated), known };
        match found.known.zip(found.off()) {
            Some(((value, u), (share, in_u))) => println!(
                "  {:9} {:9.3e}, found {value:.5e} ± {u:.1e}: off {:+.4} %, {in_u:+.2} U; informed {:.3}",
                part.name,
                found.simulated,
                100.0 * share,
                own["informed"].as_f64().unwrap()
            ),
            None => println!("  {:9} {:9.3e}, not told", part.name, found.simulated),
        }
        found
    });
    let found: Vec<Found> = found.collect();
    assert_eq!(found.len(), PARTS.len(), "{circuit}");
    (found, run)
}

const RUN: &str = "run: 1\nproduct: river-gauge-5v\nserial: RG-SIM\nrevision: C\n";

/// Largest deviation on the small-signal sweep, as a share: it has neither noise nor switches, and eight digits.
const EXACT: f64 = 1e-4;

#[test]
fn the_parts_of_the_small_signal_sweep_are_found() {
    let room = room(|spec| {
        let spec = spec.replace("accuracy: {gain: 0.02 dB, phase: 0.02 deg}\n", "");
        let (head, tail) = spec.split_once("linearity:").unwrap();
        let (_, circuit) = tail.split_once("circuit:").unwrap();
        format!("{head}linearity: {{waived: \"one small-signal sweep\"}}\ncircuit:{circuit}")
    });
    room.write("run/run.yaml", format!("{RUN}sweeps:\n  - {{file: a.csv, corner: 24V-3A}}\n"));
    room.write("run/a.csv", recorded("averaged.csv"));
    for part in parts(&room, "averaged").0 {
        let (share, in_u) = part.off().unwrap_or_else(|| panic!("{} is not told", part.name));
        assert!(share.abs() < EXACT, "{}: off {share:e}", part.name);
        assert!(in_u.abs() <= 1.0, "{}: off {in_u} U", part.name);
    }
}

/// What is done about the modulator's sampling, which the averaged netlist lacks: up to 0.06 dB and 0.2 deg in the band
/// (`sampling_explains_what_switches_change`).
#[derive(Debug, Clone, Copy, PartialEq)]
enum Sampling {
    /// Nothing: the spec takes the modulator's gain as exact and the chain's as known to 0.02 dB.
    Ignored,
    /// The ramp varies by 1 %: nobody knows a modulator's gain better.
    GainIsFree,
    /// It is taken out of the sweeps, by its formula.
    TakenOut,
}

/// The recorded sweeps with switches, at these levels.
fn switching(levels_dbm: &[i32], sampling: Sampling) -> Room {
    let room = room(|spec| match sampling {
        Sampling::GainIsFree => spec.replace("20 %}", "20 %, RAMP: 1 %}"),
        Sampling::Ignored | Sampling::TakenOut => spec,
    });
    room.write("run/run.yaml", format!("{RUN}pattern: \"{{corner}}_{{level}}.csv\"\n"));
    for dbm in levels_dbm {
        let mut rows = String::from("frequency_hz,real,imag\n");
        for (hz, simulated) in sweep(&format!("switching_{dbm}dBm.csv")) {
            let factor = match sampling {
                Sampling::TakenOut => averaged(hz) / switched(hz),
                Sampling::Ignored | Sampling::GainIsFree => Complex64::new(1.0, 0.0),
            };
            let around = -simulated * factor;
            rows.push_str(&format!("{hz},{},{}\n", around.re, around.im));
        }
        room.write(&format!("run/24V-3A_{dbm}dBm.csv"), rows);
    }
    room
}

/// How far off a part may be, in its expanded uncertainty, and why where that is more than 1.
fn bound(sampling: Sampling, judged: &str) -> f64 {
    match (sampling, judged) {
        // Sampling turns the modulator's gain, and that is told as Rlag and Clag: with the gain free, or sampling taken out, they
        // are within 0.5 U.
        (Sampling::Ignored, _) => 1.6,
        // Rlead and Chigh, whose poles at 50 and 41 kHz nearly stand in for each other: a part of that is sampling, for without it
        // they are within 1 U.
        (Sampling::GainIsFree, "6 dBm") => 1.25,
        // What is then left is what the simulation is off from the formula: its time step and, above 0 dBm, its level, 0.007 dB and 0.009 deg
        // at most. It is smooth, so that the noise seen between neighbours does not count it; and no sum of squares shows it, for parts take
        // it up. The uncertainty is a fifth of that of the other sweeps here, and too small.
        (Sampling::TakenOut, "3 dBm") => 2.0,
        _ => 1.0,
    }
}

#[test]
fn the_parts_of_the_switching_sweeps_are_found_or_sampling_is_the_reason() {
    let runs: [(&[i32], &str); 4] = [
        (&[-3, 0], "-3 dBm"),
        (&LEVELS_DBM[2..], "6 dBm"),
        (&LEVELS_DBM, "6 dBm"),
        (&[-3, 0, 3, 6, 12, 15], "3 dBm"),
    ];
    for (levels, judged) in runs {
        for sampling in [Sampling::Ignored, Sampling::GainIsFree, Sampling::TakenOut] {
            let (found, run) =
                parts(&switching(levels, sampling), &format!("{levels:?}, sampling {sampling:?}"));
            let corner = &run["corners"][0];
            assert_eq!(corner["judged"]["level"], judged);
            let check = list(&corner["checks"]).iter().find(|check| check["check"] == "circuit").unwrap();
            assert_eq!(check["verdict"], "pass", "{check}");
            // No part is 14 % off what the fit begins with any more, and none is said to be beyond its tolerance.
            assert_eq!(run["findings"], Value::Null, "{run:#}");
            let bound = bound(sampling, judged);
            for part in &found {
                let (share, in_u) = part.off().unwrap_or_else(|| panic!("{} is not told", part.name));
                assert!(in_u.abs() <= bound, "{levels:?}, {sampling:?}: {} off {in_u} U", part.name);
                let of_filter = ["Xf.L1", "Xf.Cout"].contains(&part.name);
                assert!(!of_filter || share.abs() < 2e-3, "{}: off {share:e}", part.name);
            }
        }
    }
}
