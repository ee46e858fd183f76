//! Short sweeps: what is legal to measure is legal to accept and to compare with.

use crate::tool::{Room, list, text};
use std::fmt::Write;

const SPEC: &str = "spec: 1
product: gauge
critical_point: +1
limits: {phase_margin: {min: 10 deg}}
regression: {phase_margin: {drop: 3 deg}, crossover: {shift: 10 %}}
linearity: {waived: \"one level is swept\"}
corners: [{name: only}]
";
const RUN: &str = "run: 1\nproduct: gauge\nserial: RG-1\nrevision: A\nsweeps: [{file: a.csv, corner: only, level: -26 dBm}]\n";

/// An integrator that crosses 0 dB at 1 kHz with a phase margin of 90 deg, at so many frequencies from 100 Hz to 10 kHz.
fn sweep(points: u32) -> String {
    (0..points).fold("frequency_hz,gain_db,phase_deg\n".to_owned(), |mut rows, k| {
        let decades = 2.0 * f64::from(k) / f64::from(points - 1);
        writeln!(rows, "{},{},{}", 100.0 * 10f64.powf(decades), 20.0 - 20.0 * decades, 90.0).unwrap();
        rows
    })
}

#[test]
fn short_sweeps_are_accepted_and_read_again() {
    for points in [3, 4, 5, 7] {
        for band in ["", "band: {from: 100 Hz, to: 10 kHz}\n", "band: {from: 600 Hz, to: 9 kHz}\n"] {
            let room = Room::empty();
            room.write("specs/gauge.yaml", format!("{SPEC}{band}"));
            room.write("run/run.yaml", RUN).write("run/a.csv", sweep(points));
            room.run("accept run --baseline base --anyway short").ends(0);
            let file = "base/gauge/RG-1.yaml";
            let unit = loopgauge::baseline::parse(room.read(file).as_bytes(), &file.into()).unwrap();
            let rows = &unit.corners[0].curve.rows;
            assert!((3..=points as usize).contains(&rows.len()), "{points} {band}: {rows:?}");
            assert!(rows.windows(2).all(|pair| pair[0].hz < pair[1].hz));
            let ran = room.run("check run --baseline base --json -");
            assert!(matches!(ran.status, Some(0 | 1)), "{points} {band}: {}", ran.stderr);
            assert!(!ran.stderr.contains("base/"), "{points} {band}: {}", ran.stderr);
            let result = ran.json();
            for check in list(&result["runs"][0]["corners"][0]["checks"]) {
                if text(&check["check"]).starts_with("regression.") {
                    let verdict = text(&check["verdict"]);
                    assert!(verdict != "invalid" && verdict != "missing", "{points} {band}: {check}");
                }
            }
        }
    }
}

/// Neighbours that seven digits do not tell apart are two rows all the same.
#[test]
fn close_neighbours_are_accepted_and_read_again() {
    let room = Room::empty();
    room.write("specs/gauge.yaml", SPEC).write("run/run.yaml", RUN);
    let head = "frequency_hz,gain_db,phase_deg\n";
    room.write("run/a.csv", format!("{head}100,20,90\n100.00000001,20,90\n1000,0,90\n10000,-20,90\n"));
    room.run("accept run --baseline base --anyway short").ends(0);
    let file = "base/gauge/RG-1.yaml";
    let unit = loopgauge::baseline::parse(room.read(file).as_bytes(), &file.into()).unwrap();
    let hz: Vec<f64> = unit.corners[0].curve.rows.iter().map(|row| row.hz).collect();
    assert_eq!(hz, [100.0, 100.000_000_01, 1000.0, 10_000.0]);
}

#[test]
fn two_rows_are_no_curve() {
    let room = Room::empty();
    room.write("specs/gauge.yaml", SPEC).write("run/run.yaml", RUN).write("run/a.csv", sweep(3));
    room.run("accept run --baseline base --anyway short").ends(0);
    let file = "base/gauge/RG-1.yaml";
    let whole = room.read(file);
    let last = whole.trim_end().rfind('\n').unwrap();
    room.write(file, format!("{}\n", &whole[..last]));
    let ran = room.run("check run --baseline base").ends(2);
    assert!(ran.stderr.contains("the curve has 2 rows, at least 3 are wanted"), "{}", ran.stderr);
}
