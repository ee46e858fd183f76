//! Sweeps of a regulator simulated in ngspice: the program's margins against those of the simulator and of the circuit's
//! formulas, and its verdicts on injections from gentle to far too strong.
//!
//! The circuits, the recorded sweeps and the script that makes both stand in `ngspice/`. Nothing here needs ngspice.

#![cfg(all(feature = "cli", unix))]
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test that cannot run its own program must stop"
)]

#[path = "ngspice/fitted.rs"]
mod fitted;
mod tool;

use num_complex::Complex64;
use serde_json::Value;
use std::collections::BTreeMap;
use std::f64::consts::{PI, TAU};
use std::fs;
use tool::{Room, checkout, demo, list, text, verdicts};

/// Levels of the recorded sweeps with switches, dBm.
const LEVELS_DBM: [i32; 8] = [-3, 0, 3, 6, 9, 12, 15, 18];
const SWITCHING_HZ: f64 = 200e3;

// ---- The circuit's formulas, from the values in ngspice/board.lib.

/// What the formulas give at one frequency.
struct Blocks {
    /// Textbook loop gain with nothing but its own load at the output.
    unloaded: Complex64,
    /// Impedance looking back over impedance looking forward, at the injection.
    ratio: Complex64,
}

fn blocks(hz: f64) -> Blocks {
    let s = Complex64::new(0.0, TAU * hz);
    let one = Complex64::new(1.0, 0.0);
    // Output filter: inductor and switch against capacitor and load. Modulator: 24 V over a sawtooth of 2 V.
    let series = 30e-3 + s * 22e-6;
    let shunt = one / (one / (5e-3 + one / (s * 100e-6)) + 1.0 / 1.666_666_666_7);
    let power = 24.0 / 2.0 * shunt / (shunt + series);
    let back = one / (one / shunt + one / series);
    // Compensation around an amplifier of gain 1e5, with the divider's lower part at its input.
    let y_in = 1.0 / 12e3 + one / (820.0 + one / (s * 3.9e-9));
    let y_feedback = s * 1.5e-9 + one / (2.7e3 + one / (s * 27e-9));
    let amplifier = 1e5;
    let controller = y_in / (y_feedback + (y_in + y_feedback + 1.0 / 4e3) / amplifier);
    // The amplifier's input is not quite ground.
    let forward = (one - controller / amplifier) / y_in;
    Blocks { unloaded: power * controller, ratio: back / forward }
}

/// The loop gain as it is: the output loaded by the divider. Textbook sign.
fn opened(hz: f64) -> Complex64 {
    let Blocks { unloaded, ratio } = blocks(hz);
    unloaded / (1.0 + ratio)
}

/// What an injected voltage shows: T (1 + r) + r (Middlebrook, "Measurement of loop gain in feedback systems", 1975, from
/// memory), with T the loaded loop gain.
fn averaged(hz: f64) -> Complex64 {
    let Blocks { unloaded, ratio } = blocks(hz);
    unloaded + ratio
}

/// Sidebands on each side that the modulator folds back. The loop gain falls with their square, and the far ends of the two
/// sums below nearly cancel: what is left out is less than 1e-5.
const SIDEBANDS: i32 = 100;

/// What an injected voltage shows with switches. The modulator samples the control voltage where the switch turns off, so
/// it hears the sidebands f + k fs that it makes itself (sampled-data models of regulators: Brown and Middlebrook, 1981,
/// from memory), and the ripple on the control voltage turns the slope that it compares with the sawtooth's. Worked out
/// here: T becomes T(s) / (1 + sum T(s + j k ws) + sum T(j k ws) (exp(j 2 pi k D) - 1)), sums over k other than 0.
fn switched(hz: f64) -> Complex64 {
    let duty = (5.0 + 3.0 * 30e-3) / 24.0;
    let Blocks { unloaded, ratio } = blocks(hz);
    let folded: Complex64 = (-SIDEBANDS..=SIDEBANDS)
        .filter(|&k| k != 0)
        .map(|k| {
            let k = f64::from(k);
            let turn = Complex64::from_polar(1.0, TAU * k * duty);
            blocks(hz + k * SWITCHING_HZ).unloaded + blocks(k * SWITCHING_HZ).unloaded * (turn - 1.0)
        })
        .sum();
    unloaded / (1.0 + folded) + ratio
}

/// Where a function that rises or falls through 0 between the two does so.
fn root(function: impl Fn(f64) -> f64, mut low: f64, mut high: f64) -> f64 {
    let at_low = function(low);
    assert!(at_low * function(high) < 0.0, "no change of sign between {low} and {high}");
    for _ in 0..60 {
        let middle = (low * high).sqrt();
        if function(middle) * at_low > 0.0 { low = middle } else { high = middle }
    }
    low
}

/// The margins of a formula, by the names of the results.
fn margins(gain: fn(f64) -> Complex64) -> BTreeMap<&'static str, f64> {
    let crossover = root(|hz| gain(hz).norm().ln(), 5e3, 20e3);
    let phase_margin = 180.0 + gain(crossover).arg().to_degrees();
    let phase_crossover = root(|hz| gain(hz).im, 40e3, 55e3);
    // In steps of 5 Hz; the minimum is flat, so that they miss it by less than 1e-7.
    let distance = |k: i32| (1.0 + gain(13e3 + 5.0 * f64::from(k))).norm();
    BTreeMap::from([
        ("crossover_hz", crossover),
        ("phase_margin_deg", phase_margin),
        ("gain_margin_db", -db(gain(phase_crossover))),
        ("stability_margin", (0..800).map(distance).fold(f64::INFINITY, f64::min)),
        ("delay_margin_s", phase_margin / 360.0 / crossover),
    ])
}

fn db(gain: Complex64) -> f64 {
    20.0 * gain.norm().log10()
}

// ---- What is recorded.

fn recorded(name: &str) -> String {
    fs::read_to_string(checkout().join("tests/ngspice/recorded").join(name)).unwrap()
}

/// Frequency in Hz and loop gain of a recorded sweep, in the textbook's sign.
fn sweep(name: &str) -> Vec<(f64, Complex64)> {
    let text = recorded(name);
    let mut lines = text.lines().filter(|line| !line.starts_with('#'));
    assert_eq!(lines.next(), Some("frequency_hz,input_real,input_imag,output_real,output_imag"));
    lines
        .map(|line| {
            let row: Vec<f64> = line.split(',').map(|number| number.parse().unwrap()).collect();
            let [hz, a, b, c, d] = row[..] else { panic!("{line}") };
            (hz, -Complex64::new(c, d) / Complex64::new(a, b))
        })
        .collect()
}

/// What ngspice measured itself on a dense sweep of this circuit.
fn measures(circuit: &str) -> BTreeMap<String, f64> {
    let text = recorded("measures.csv");
    let rows = text.lines().filter_map(|line| line.strip_prefix(circuit)?.strip_prefix(','));
    rows.map(|row| {
        let (name, value) = row.split_once(',').unwrap();
        (name.to_owned(), value.parse().unwrap())
    })
    .collect()
}

/// What the program shows of a recorded sweep.
fn inspected(name: &str) -> Value {
    let ran = demo(&format!("inspect tests/ngspice/recorded/{name} --critical-point +1 --json -")).ends(0);
    ran.json()["sweeps"][0].clone()
}

/// Value and expanded uncertainty.
#[track_caller]
fn measured(result: &Value, name: &str) -> (f64, f64) {
    let number = |key: &str| {
        result[name][key].as_f64().unwrap_or_else(|| panic!("no {key} of {name}: {}", result[name]))
    };
    (number("value"), number("uncertainty"))
}

// ---- The simulator against the formulas: that both describe the same circuit.

#[test]
fn the_small_signal_sweeps_are_the_formulas() {
    for (name, gain) in [("opened.csv", opened as fn(f64) -> Complex64), ("averaged.csv", averaged)] {
        let points = sweep(name);
        assert_eq!(points.len(), 76, "25 points per decade over three decades");
        for (hz, simulated) in points {
            let off = (simulated / gain(hz) - 1.0).norm();
            // Eight digits are recorded.
            assert!(off < 2e-7, "{name} at {hz} Hz: {off:e}");
        }
    }
}

/// The switching loop differs from the averaged one by what sampling does, and by nothing else: what is left over is
/// the time step, 0.007 dB and 0.009 deg when it was recorded.
#[test]
fn sampling_explains_what_switches_change() {
    println!("      Hz   less the averaged loop    less the sampled one");
    for dbm in [-3, 0, 3] {
        for (hz, simulated) in sweep(&format!("switching_{dbm}dBm.csv")) {
            let (plain, sampled) = (simulated / averaged(hz), simulated / switched(hz));
            let degrees = [plain, sampled].map(|ratio| ratio.arg() * 180.0 / PI);
            println!(
                "{hz:8.0}  {:8.4} dB {:7.4} deg  {:8.4} dB {:7.4} deg",
                db(plain),
                degrees[0],
                db(sampled),
                degrees[1]
            );
            assert!((0.015..0.06).contains(&db(plain)), "{dbm} dBm, {hz} Hz: {} dB", db(plain));
            assert!((0.0..0.2).contains(&degrees[0]), "{dbm} dBm, {hz} Hz: {} deg", degrees[0]);
            assert!(db(sampled).abs() < 0.01, "{dbm} dBm, {hz} Hz: {} dB", db(sampled));
            assert!(degrees[1].abs() < 0.015, "{dbm} dBm, {hz} Hz: {} deg", degrees[1]);
        }
    }
}

// ---- The program against both.

/// What a measure of ngspice may be off itself, as a part of the value: linear interpolation between points a thousandth
/// of a decade apart is 7e-7, seven digits are printed.
const MEASURE_OFF: f64 = 2e-6;
/// What 25 points per decade may leave, as a part of the value. The cubic through four of them misses this curve by less
/// than 5e-6 where a margin stands.
const GRID_OFF: f64 = 1e-5;

#[test]
fn margins_are_those_of_the_simulator_and_of_the_formulas() {
    for (circuit, gain) in [("averaged", averaged as fn(f64) -> Complex64), ("opened", opened)] {
        let result = inspected(&format!("{circuit}.csv"));
        let simulated = measures(circuit);
        for (name, exact) in margins(gain) {
            let (value, uncertainty) = measured(&result, name);
            println!(
                "{circuit} {name}: {value} ± {uncertainty}, exact {exact}, ngspice {:?}",
                simulated.get(name)
            );
            assert!((value - exact).abs() <= uncertainty, "{name}: {value} ± {uncertainty}, exact {exact}");
            assert!((value / exact - 1.0).abs() < GRID_OFF, "{name}: {value}, exact {exact}");
            assert!(uncertainty < 1e-4 * value, "{name}: ± {uncertainty} says nothing");
            // The delay margin is no measure of the simulator: it is made of two others.
            let Some(&simulated) = simulated.get(name) else {
                assert_eq!(name, "delay_margin_s");
                continue;
            };
            let off = (value - simulated).abs();
            assert!(off <= uncertainty + MEASURE_OFF * value, "{name}: {value}, ngspice {simulated}");
            assert!(off <= (GRID_OFF + MEASURE_OFF) * value, "{name}: {value}, ngspice {simulated}");
        }
        let gain_margin = &result["gain_margin_db"];
        let there = gain_margin["at_hz"].as_f64().unwrap();
        assert!((there / simulated["phase_crossover_hz"] - 1.0).abs() < GRID_OFF + MEASURE_OFF, "{there}");
        assert_eq!(gain_margin["at_least"], false);
        assert_eq!(list(&result["crossovers"]).len(), 1);
        assert_eq!(list(&result["phase_crossovers"]).len(), 1);
        assert_eq!(result["gain_reduction_margin_db"], Value::Null);
    }
}

// ---- Verdicts.

/// Bound of the impedance ratio in the band; the test below holds it.
const IMPEDANCE_RATIO: f64 = 0.0002;

/// Every limit lies well on the safe side of the loop's own margins. The accuracy is that of the simulation's time step,
/// with slack.
const SPEC: &str = "spec: 1
product: river-gauge-5v
title: 5 V rail of the river-gauge telemetry board, simulated
critical_point: +1
band: {from: 510 Hz, to: 58 kHz}
switching_frequency: 200 kHz
density: 14
accuracy: {gain: 0.02 dB, phase: 0.02 deg}
injection_point: {impedance_ratio: 0.0002}
limits:
  crossover: {min: 9.5 kHz, max: 11.5 kHz}
  crossings: {max: 1}
  phase_margin: {min: 43 deg}
  gain_margin: {min: 19 dB}
  stability_margin: {min: 0.6}
  delay_margin: {min: 10 us}
  gain:
    - {at: 1 kHz, min: 16 dB}
    - {from: 40 kHz, to: 58 kHz, max: -16 dB}
linearity:
  step: 3 dB
  crossover: 2 %
  phase_margin: 2 deg
  gain: 1 dB
  phase: 5 deg
  band: [0.1, 10]
corners:
  - {name: 24V-3A, conditions: {input: 24 V, load: 3 A}}
";

/// Judges a run of the recorded sweeps at these levels; gives the exit status and the run's result.
fn judged(levels_dbm: &[i32]) -> (Option<i32>, Value) {
    let room = Room::empty();
    room.write("specs/river-gauge-5v.yaml", SPEC);
    let mut run = String::from(
        "run: 1\nproduct: river-gauge-5v\nserial: RG-SIM\nrevision: C\npattern: \"{corner}_{level}.csv\"\n",
    );
    run.push_str("notes: simulated\n");
    room.write("run/run.yaml", run);
    for dbm in levels_dbm {
        room.write(&format!("run/24V-3A_{dbm}dBm.csv"), recorded(&format!("switching_{dbm}dBm.csv")));
    }
    let ran = room.run("check run --json -");
    let result = ran.json();
    assert_eq!(list(&result["runs"]).len(), 1, "{result}");
    (ran.status, result["runs"][0].clone())
}

fn check<'a>(run: &'a Value, name: &str) -> &'a Value {
    let checks = list(&run["corners"][0]["checks"]);
    checks.iter().find(|check| check["check"] == name).unwrap_or_else(|| panic!("no {name}"))
}

/// The loop's own margins, by the formula with sampling, lie inside what is judged.
#[track_caller]
fn assert_true_margins(run: &Value) {
    let result = &run["corners"][0]["measured"];
    for (name, exact) in margins(switched) {
        let (value, uncertainty) = measured(result, name);
        println!("{name}: {value} ± {uncertainty}, exact {exact}");
        assert!((value - exact).abs() <= uncertainty, "{name}: {value} ± {uncertainty}, exact {exact}");
    }
}

#[test]
fn the_impedance_ratio_covers_what_the_injection_changes() {
    let band = (0..=400).map(|k| 100.0 * 1000f64.powf(f64::from(k) / 400.0));
    let worst = band.map(|hz| blocks(hz).ratio.norm()).fold(0.0, f64::max);
    assert!((0.5 * IMPEDANCE_RATIO..IMPEDANCE_RATIO).contains(&worst), "{worst}");

    // The injected sweep, judged with nothing declared but that ratio, against the loop opened without injection.
    let room = Room::empty();
    let spec = SPEC.replace("accuracy: {gain: 0.02 dB, phase: 0.02 deg}\n", "");
    let (head, tail) = spec.split_once("linearity:").unwrap();
    let (_, corners) = tail.split_once("corners:").unwrap();
    let spec = format!("{head}linearity: {{waived: \"one small-signal sweep\"}}\ncorners:{corners}");
    room.write("specs/river-gauge-5v.yaml", spec);
    room.write(
        "run/run.yaml",
        "run: 1\nproduct: river-gauge-5v\nserial: RG-SIM\nrevision: C\nsweeps:\n  - {file: a.csv, corner: 24V-3A}\n",
    );
    room.write("run/a.csv", recorded("averaged.csv"));
    let ran = room.run("check run --json -").ends(0);
    let result = &ran.json()["runs"][0]["corners"][0]["measured"];
    let mut shifted = 0;
    let (injected, opened) = (margins(averaged), margins(opened));
    for (name, exact) in &opened {
        let (value, uncertainty) = measured(result, name);
        println!("{name}: injected {value} ± {uncertainty}, opened {exact}");
        assert!((value - exact).abs() <= uncertainty, "{name}: {value} ± {uncertainty}, opened {exact}");
        shifted += usize::from((injected[name] - exact).abs() > 0.1 * uncertainty);
    }
    // Else nothing was shown: some of the margins must have moved by a good part of it.
    assert!(shifted >= 2, "{shifted}");
}

#[test]
fn a_gentle_pair_passes_with_the_true_margins() {
    let (status, run) = judged(&[-3, 0]);
    assert_eq!(status, Some(0), "{run:#}");
    assert_eq!(run["verdict"], "pass");
    for (name, verdict) in verdicts(&run) {
        assert_eq!(verdict, "pass", "{name}");
    }
    assert_eq!(run["corners"][0]["judged"]["level"], "-3 dBm");
    assert_true_margins(&run);
}

#[test]
fn levels_that_saturate_the_modulator_carry_no_verdict() {
    for levels in [&[12, 15, 18][..], &[12, 15], &[15, 18]] {
        let (status, run) = judged(levels);
        assert_eq!(status, Some(1), "{run:#}");
        assert_eq!(run["verdict"], "invalid");
        for (name, verdict) in verdicts(&run) {
            let expected = match name.as_str() {
                "24V-3A/collected" | "24V-3A/coverage" | "24V-3A/sanity" => continue,
                "24V-3A/linearity" => "invalid",
                _ => "not_judged",
            };
            assert_eq!(verdict, expected, "{levels:?}: {name}");
        }
        let message = text(&check(&run, "linearity")["message"]);
        assert!(message.contains("dBm"), "{message}");
    }
}

/// What linearity keeps out: the strongest sweep by itself looks like a sound loop, with more margin than the true one.
#[test]
fn a_saturated_sweep_alone_would_flatter() {
    let result = inspected("switching_18dBm.csv");
    let exact = margins(switched);
    assert!(measured(&result, "crossover_hz").0 < 0.9 * exact["crossover_hz"]);
    assert!(measured(&result, "gain_margin_db").0 > exact["gain_margin_db"] + 5.0);
    assert!(measured(&result, "phase_margin_deg").0 > exact["phase_margin_deg"] + 1.0);
    assert!(measured(&result, "stability_margin").0 > exact["stability_margin"] + 0.03);
}

#[test]
fn of_many_levels_the_strongest_that_is_confirmed_is_judged() {
    // 9 dBm confirms 6 dBm (0.5 dB apart at most) and is itself 1.5 dB from 12 dBm.
    let (status, run) = judged(&LEVELS_DBM[2..]);
    assert_eq!(status, Some(0), "{run:#}");
    assert_eq!(run["verdict"], "pass");
    assert_eq!(run["corners"][0]["judged"]["level"], "6 dBm");
    assert_true_margins(&run);

    // All eight tell the same; without the levels that confirm, the next pair below is taken.
    assert_eq!(judged(&LEVELS_DBM).1["corners"][0]["judged"]["level"], "6 dBm");
    let (status, run) = judged(&[-3, 0, 3, 6, 12, 15]);
    assert_eq!((status, &run["corners"][0]["judged"]["level"]), (Some(0), &Value::from("3 dBm")));
}
