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

/// The divider and the load stay as they are: they set the scale of all impedances in the controller and in the filter.
const PARTS: [Part; 9] = [
    part("Xf.L1", "L1 sw a ", "22u", "25u", "20 %"),
    part("Xf.Rw", "Rw a out ", "30m", "26.5m", "30 %"),
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

/// A part as found: value simulated, value and expanded uncertainty, share of the tolerance taken away.
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
    assert_eq!(found.len(), PARTS.len());
    (found, run)
}

const RUN: &str = "run: 1\nproduct: river-gauge-5v\nserial: RG-SIM\nrevision: C\n";

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
    let (found, run) = parts(&room, "averaged");
    println!("{:#}", run["circuit"]);
    for part in found {
        let (share, in_u) = part.off().unwrap_or_else(|| panic!("{} is not told", part.name));
        assert!(share.abs() < 1e-3, "{}: off {share:e}", part.name);
        assert!(in_u.abs() <= 1.0, "{}: off {in_u} U", part.name);
    }
}

/// The recorded sweeps with switches, at these levels; each point times a factor.
fn switching(levels_dbm: &[i32], factor: impl Fn(f64) -> Complex64) -> Room {
    let room = room(|spec| spec);
    room.write("run/run.yaml", format!("{RUN}pattern: \"{{corner}}_{{level}}.csv\"\n"));
    for dbm in levels_dbm {
        let mut rows = String::from("frequency_hz,real,imag\n");
        for (hz, textbook) in sweep(&format!("switching_{dbm}dBm.csv")) {
            let around = -textbook * factor(hz);
            rows.push_str(&format!("{hz},{},{}\n", around.re, around.im));
        }
        room.write(&format!("run/24V-3A_{dbm}dBm.csv"), rows);
    }
    room
}

/// The levels of the other tests of which one is judged.
fn gentle() -> [&'static [i32]; 4] {
    [&[-3, 0], &LEVELS_DBM[2..], &LEVELS_DBM, &[-3, 0, 3, 6, 12, 15]]
}

#[test]
fn the_parts_of_the_switching_sweeps_are_found() {
    for levels in gentle() {
        for (what, room) in [
            ("as recorded", switching(levels, |_| Complex64::new(1.0, 0.0))),
            ("sampling taken out", switching(levels, |hz| averaged(hz) / switched(hz))),
        ] {
            let (found, run) = parts(&room, &format!("{levels:?}, {what}"));
            println!("{} {}", run["corners"][0]["judged"]["level"], run["findings"]);
            drop(found);
        }
    }
}
