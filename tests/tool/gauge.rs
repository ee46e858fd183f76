//! A small project of one product that passes: the ground on which faults are planted.

use super::Room;
use num_complex::Complex64;
use std::f64::consts::TAU;

/// Its spec, with every section that a spec may have.
pub const SPEC: &str = r#"spec: 1
product: gauge
title: one rail of the river gauge
critical_point: +1
open_loop_poles: 0
band: {from: 100 Hz, to: 200 kHz}
switching_frequency: 600 kHz
density: 15
accuracy:
  gain: 0.1 dB
  phase: 0.5 deg
  delay: 2 ns
decision: {rule: guarded, coverage: 2}
injection_point:
  impedance_ratio: 0.001
limits:
  crossover: {min: 8 kHz, max: 30 kHz}
  crossings: {max: 1}
  phase_margin: {min: 50 deg}
  gain_margin: {min: 10 dB}
  stability_margin: {min: 0.5}
  delay_margin: {min: 2 us}
  gain:
    - {at: 120 Hz, min: 30 dB}
    - {from: 150 kHz, to: 200 kHz, max: -8 dB}
linearity:
  step: 3 dB
  crossover: 2 %
  phase_margin: 2 deg
  gain: 1 dB
  phase: 5 deg
  band: [0.1, 10]
regression:
  phase_margin: {drop: 3 deg}
  crossover: {shift: 10 %}
drift:
  over: build
  setup: 8
  chart: ewma
  capability: {min: 1.33}
  forecast: {groups: 6}
corners:
  - name: "{input}-{load}"
    conditions: {input: [10 V, 24 V], load: 3 A}
  - name: cold
    conditions: {input: 12 V, load: 3 A, ambient: -30 degC}
    limits: {phase_margin: {min: 45 deg}}
waivers:
  - {corner: cold, check: crossover, reason: "ECO 17", until: 2099-12-31}
conditions_tolerance: 2 %
"#;

/// A run of it.
pub const RUN: &str = r"run: 1
product: gauge
serial: RG-00042
revision: C
firmware: 2.3.1
build: 2026-W14
taken: 2026-04-02T09:15:00Z
station: bench-3
notes: none
sweeps:
  - {file: a.csv, corner: 10V-3A, level: -26 dBm, actual: {input: 10.1 V, load: 3 A}}
  - {file: a-check.csv, corner: 10V-3A, level: -23 dBm}
  - {file: b.csv, corner: 24V-3A, level: -26 dBm}
  - {file: b-check.csv, corner: 24V-3A, level: -23 dBm}
  - {file: c.csv, corner: cold, level: -26 dBm}
  - {file: c-check.csv, corner: cold, level: -23 dBm}
";

/// Samples per decade, as many as a usual sweep has.
const DENSITY: f64 = 30.0;
/// The sweep's ends, Hz: a little past the band.
const ENDS_HZ: [f64; 2] = [90.0, 220e3];

/// Loop gain around the closed loop, at a frequency in Hz: an integrator that crosses near `crossover_hz`, a pole at 80
/// kHz and a delay of 0.4 us. Its phase margin near 12 kHz is about 80 deg.
pub fn gain(hz: f64, crossover_hz: f64) -> Complex64 {
    let j = Complex64::i();
    let delay = Complex64::from_polar(1.0, -TAU * hz * 0.4e-6);
    -delay / (j * (hz / crossover_hz) * (1.0 + j * (hz / 80e3)))
}

/// Frequencies of a sweep, Hz.
pub fn grid() -> Vec<f64> {
    let count = (DENSITY * (ENDS_HZ[1] / ENDS_HZ[0]).log10()).ceil() as u32;
    (0..=count)
        .map(|k| ENDS_HZ[0] * (ENDS_HZ[1] / ENDS_HZ[0]).powf(f64::from(k) / f64::from(count)))
        .collect()
}

/// A sweep file. The dither, below 0.001 dB, keeps two sweeps from being copies of each other.
pub fn sweep(crossover_hz: f64, dither: u32) -> String {
    let mut text = String::from("frequency_hz,gain_db,phase_deg\n");
    for (k, hz) in grid().into_iter().enumerate() {
        let gain = gain(hz, crossover_hz);
        let noise = 1e-3 * ((k as f64 + 1.0) * f64::from(dither + 1) * 0.618_034).fract();
        text.push_str(&format!(
            "{hz:.3},{:.5},{:.4}\n",
            20.0 * gain.norm().log10() + noise,
            gain.arg().to_degrees()
        ));
    }
    text
}

/// The corner's sweeps in [`RUN`].
pub const FILES: [&str; 3] = ["a", "b", "c"];

/// Writes the spec to `specs/gauge.yaml`.
pub fn add_spec(room: &Room) {
    room.write("specs/gauge.yaml", SPEC);
}

/// Writes a run whose corners cross at these frequencies, Hz.
pub fn add_run(room: &Room, folder: &str, serial: &str, crossovers_hz: [f64; 3]) {
    room.write(&format!("{folder}/run.yaml"), RUN.replace("RG-00042", serial));
    for (k, (file, hz)) in FILES.into_iter().zip(crossovers_hz).enumerate() {
        let k = k as u32;
        room.write(&format!("{folder}/{file}.csv"), sweep(hz, 2 * k));
        room.write(&format!("{folder}/{file}-check.csv"), sweep(hz, 2 * k + 1));
    }
}

/// Crossovers of a run that passes, Hz.
pub const GOOD: [f64; 3] = [12e3, 14e3, 15e3];

/// A spec and one run `runs/good` that passes.
pub fn room() -> Room {
    let room = Room::empty();
    add_spec(&room);
    add_run(&room, "runs/good", "RG-00042", GOOD);
    room
}
