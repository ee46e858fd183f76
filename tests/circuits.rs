//! The solver of netlists against ngspice, and the ready subcircuits of `specs/circuits` against published formulas.
//!
//! The circuits, what ngspice makes of them and the script that records it stand in `circuits/`. Nothing here needs ngspice.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test that cannot read its own circuits must stop"
)]

#[path = "../examples/make-demo/control.rs"]
mod control;
#[path = "circuits/formulas.rs"]
mod formulas;
#[expect(dead_code, reason = "of a reading only the loop gain is asked for")]
#[path = "../examples/make-demo/measure.rs"]
mod measure;
#[path = "circuits/netlists.rs"]
mod netlists;
#[path = "circuits/nominal.rs"]
mod noise;
#[expect(dead_code, reason = "of the demo's plans only the corners are asked for")]
#[path = "../examples/make-demo/plan.rs"]
mod plan;
#[expect(dead_code, reason = "of revisions and firmware only the newest have netlists")]
#[path = "../examples/make-demo/products.rs"]
mod products;
#[path = "circuits/rails.rs"]
mod rails;
#[path = "../examples/make-demo/stage.rs"]
mod stage;

use netlists::{Recorded, opened, recorded, whole_circuits};
use std::collections::BTreeSet;

/// What the two may differ by, in magnitude as a part of it and in phase in degrees: rounding, and nothing else.
const MAGNITUDE: f64 = 1e-9;
const DEGREES: f64 = 1e-7;

#[test]
fn loop_gains_are_those_of_ngspice() {
    println!("{:42} points  magnitude   phase, deg", "");
    let all = recorded();
    for Recorded { name, netlist, parameters, points } in &all {
        let mut solver = opened(netlist, parameters).solver();
        let (mut magnitude, mut degrees) = (0.0_f64, 0.0_f64);
        for (hz, simulated) in points {
            let ratio = solver.loop_gain(*hz).unwrap() / simulated;
            magnitude = magnitude.max((ratio.norm() - 1.0).abs());
            degrees = degrees.max(ratio.arg().to_degrees().abs());
        }
        println!("{name:42} {:6}  {magnitude:9.1e}  {degrees:9.1e}", points.len());
        assert!(points.len() >= 50, "{name}: {} points", points.len());
        assert!(magnitude < MAGNITUDE, "{name}: magnitude {magnitude:e}");
        assert!(degrees < DEGREES, "{name}: {degrees:e} deg");
    }
}

#[test]
fn every_circuit_is_recorded() {
    let recorded: BTreeSet<String> =
        recorded().into_iter().filter(|one| one.parameters.is_empty()).map(|one| one.name).collect();
    let circuits = whole_circuits();
    assert_eq!(recorded, circuits);
    assert!(circuits.len() >= 14, "{circuits:?}");
}
