//! The accepted baseline, through the built program: what is accepted, what a change comes to, what is refused.

#![cfg(all(feature = "cli", unix))]
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test that cannot run its own program must stop"
)]

mod common;
#[path = "baseline/compare.rs"]
mod compare;
#[path = "baseline/curves.rs"]
mod curves;
#[path = "baseline/files.rs"]
mod files;
#[path = "baseline/gate.rs"]
mod gate;
#[path = "baseline/short.rs"]
mod short;
mod tool;
#[path = "baseline/units.rs"]
mod units;
#[path = "baseline/walk.rs"]
mod walk;

use serde_json::Value;
use tool::gauge::{FILES, GOOD, RUN, add_spec, gain, grid};
use tool::{Ran, Room, list, text};

/// Ways in which the product's loop changes.
#[derive(Clone, Copy, Default)]
pub struct Change {
    /// Phase that the loop loses at its crossover, deg: a delay.
    lost_deg: f64,
    /// Gain that it wins, dB.
    won_db: f64,
}

/// Where that loop crosses 0 dB, Hz: f² (1 + (f / 80 kHz)²) is the square of the integrator's own crossover (by hand).
pub fn true_crossover(crossover_hz: f64) -> f64 {
    let pole = 80e3_f64;
    pole * (0.5 * ((1.0 + 4.0 * (crossover_hz / pole).powi(2)).sqrt() - 1.0)).sqrt()
}

/// A sweep of a changed loop. The dither, below 0.001 dB, keeps two sweeps from being copies of each other.
pub fn sweep(crossover_hz: f64, change: Change, dither: u32) -> String {
    let mut text = String::from("frequency_hz,gain_db,phase_deg\n");
    for (k, hz) in grid().into_iter().enumerate() {
        let gain = gain(hz, crossover_hz);
        let noise = 1e-3 * ((k as f64 + 1.0) * f64::from(dither + 1) * 0.618_034).fract();
        text.push_str(&format!(
            "{hz:.3},{:.5},{:.4}\n",
            20.0 * gain.norm().log10() + noise + change.won_db,
            gain.arg().to_degrees() - change.lost_deg * hz / true_crossover(crossover_hz)
        ));
    }
    text
}

/// Writes a run whose three corners (`10V-3A`, `24V-3A`, `cold`) have changed.
pub fn add(room: &Room, folder: &str, serial: &str, station: Option<&str>, changes: [Change; 3]) {
    let station = station.map_or(String::new(), |name| format!("station: {name}\n"));
    let run = RUN.replace("RG-00042", serial).replace("station: bench-3\n", &station);
    room.write(&format!("{folder}/run.yaml"), run);
    for (k, ((file, hz), change)) in FILES.into_iter().zip(GOOD).zip(changes).enumerate() {
        let k = k as u32;
        room.write(&format!("{folder}/{file}.csv"), sweep(hz, change, 2 * k));
        room.write(&format!("{folder}/{file}-check.csv"), sweep(hz, change, 2 * k + 1));
    }
}

/// All corners lose so much phase, deg.
pub fn lost(lost_deg: f64) -> [Change; 3] {
    [Change { lost_deg, ..Change::default() }; 3]
}

/// A room with the product's spec and one accepted run `runs/good` of RG-00042 on bench-3.
pub fn accepted() -> Room {
    let room = Room::empty();
    add_spec(&room);
    add(&room, "runs/good", "RG-00042", Some("bench-3"), lost(0.0));
    room.run("accept runs/good --baseline base").ends(0);
    room
}

/// The file of the accepted run in that room.
pub const FILE: &str = "base/gauge/RG-00042.yaml";

/// Checks one run against the baseline; the run in JSON.
pub fn checked(room: &Room, run: &str, status: i32) -> Value {
    let result = room.run(&format!("check {run} --baseline base --json -")).ends(status).json();
    result["runs"][0].clone()
}

/// A check of a run in JSON.
#[track_caller]
pub fn check<'a>(run: &'a Value, corner: &str, name: &str) -> &'a Value {
    let corner = list(&run["corners"]).iter().find(|own| own["corner"] == corner).unwrap();
    list(&corner["checks"]).iter().find(|own| own["check"] == name).unwrap()
}

/// Verdicts of the comparisons, as `corner/name verdict`, other than pass.
pub fn not_passed(run: &Value) -> Vec<String> {
    tool::verdicts(run)
        .into_iter()
        .filter(|(name, verdict)| name.contains("/regression.") && verdict != "pass")
        .map(|(name, verdict)| format!("{} {verdict}", name.replace("regression.", "")))
        .collect()
}

/// What was noticed at a corner about its curve.
pub fn deviation<'a>(run: &'a Value, corner: &str) -> Option<&'a str> {
    let corner = list(&run["corners"]).iter().find(|own| own["corner"] == corner).unwrap();
    list(&corner["findings"]).iter().map(text).find(|finding| finding.starts_with("largest deviation"))
}

/// The part of standard error about a finding.
pub fn says(ran: &Ran, words: &str) -> bool {
    ran.stderr.contains(words)
}
