//! The netlists of the demo's rails against the formulas that the demo is made from.

use super::netlists::{opened, varied};
use super::noise::Noise;
use super::products::{Board, Condition, Firmware, Product, Revision};
use num_complex::Complex64;
use std::f64::consts::TAU;

/// Parts are given with six digits.
const ROUNDED: f64 = 5e-6;

/// Points of a comparison.
const POINTS: i32 = 300;

const RAILS: [Product; 4] = [Product::Rail5V, Product::Rail3V3, Product::Rail12V, Product::Rail1V8];

fn netlist(product: Product) -> String {
    format!("specs/circuits/{}.cir", product.name())
}

fn parameters(condition: Condition) -> [(String, f64); 3] {
    let Condition { input_volt, load_ampere, ambient_celsius } = condition;
    [("VIN", input_volt), ("ILOAD", load_ampere), ("TEMP", ambient_celsius)]
        .map(|(name, value)| (name.to_owned(), value))
}

#[test]
fn netlists_of_the_rails_are_the_formulas_of_the_demo() {
    let board = Board { serial: "", revision: Revision::C, firmware: Firmware::V231, trim: 1.0 };
    for product in RAILS {
        for corner in product.corners() {
            let condition = corner.condition;
            let bench = product.bench(&board, condition);
            let mut solver = opened(&netlist(product), &parameters(condition)).solver();
            let (from_hz, to_hz) = product.sweep_hz();
            let mut worst = 0.0_f64;
            for k in 0..=POINTS {
                let hz = from_hz * (to_hz / from_hz).powf(f64::from(k) / f64::from(POINTS));
                // A nanovolt: the modulator does not clamp.
                let formula = bench.read(hz, 1e-9, &mut Noise).loop_gain();
                worst = worst.max((solver.loop_gain(hz).unwrap() / formula - 1.0).norm());
            }
            println!("{} {}: {worst:.1e}", product.name(), corner.name);
            assert!(worst < ROUNDED, "{} {}: {worst:e}", product.name(), corner.name);
        }
    }
}

/// Parts that the netlists' heads name as those that spread.
const PARTS: [&str; 13] =
    ["RAMP", "COMPUTE", "L1", "Rl", "Cout", "Resr", "Cceramic", "Rtop", "Rc", "Cc", "Cp", "Rlead", "Clead"];

/// The ramp divides the loop gain, the computation delays it: closed forms. The others: central differences, whose own error is
/// of the second order in their step.
#[test]
fn slopes_of_the_parts_of_the_rails_are_what_the_loop_gain_does() {
    const STEP: f64 = 1e-4;
    const COMPUTATION_S: f64 = 0.35e-6;
    let vary = PARTS.map(str::to_owned);
    for product in RAILS {
        for corner in product.corners() {
            let mut solver = varied(&netlist(product), &parameters(corner.condition), &vary).solver();
            for hz in [300.0, 3e3, 30e3, 150e3] {
                let mut slopes = [Complex64::ZERO; PARTS.len()];
                solver.set(&[]).unwrap();
                solver.with_slopes(hz, &mut slopes).unwrap();
                assert!((slopes[0] + 1.0).norm() < 1e-9, "{}", slopes[0]);
                let delay = Complex64::new(0.0, -TAU * hz * COMPUTATION_S);
                assert!((slopes[1] - delay).norm() < 1e-9, "{}, {delay}", slopes[1]);
                for (k, part) in PARTS.iter().enumerate() {
                    let mut at = |change: f64| {
                        let mut changes = [0.0; PARTS.len()];
                        changes[k] = change;
                        solver.set(&changes).unwrap();
                        solver.loop_gain(hz).unwrap()
                    };
                    let difference = (at(STEP) / at(-STEP)).ln() / (2.0 * STEP);
                    let off = (slopes[k] - difference).norm();
                    assert!(off < 1e-6, "{} {} {part} at {hz} Hz: {off:e}", product.name(), corner.name);
                }
            }
        }
    }
}
