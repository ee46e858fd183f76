use super::test_loops::{Buck, NAMES, TOLERANCES, Unit, drawn, normal};
use super::*;
use crate::uncertainty::Chain;
use rand_pcg::Pcg64;
use rand_pcg::rand_core::SeedableRng;

const CHAIN_OF_A_BENCH: Chain =
    Chain { gain_np: 0.0115, phase_rad: 0.0087, delay_s: 2e-9, impedance_ratio: 0.0 };

fn fitted(corners: &[CornerPoints]) -> (Fitted, Prior) {
    let prior = Prior::new(&TOLERANCES, &CHAIN_OF_A_BENCH);
    let mut bench = Workbench { model: &mut Buck::new(), corners, prior: &prior };
    (fit(&mut bench, &[], &|_| 1.0).unwrap(), prior)
}

#[test]
fn parts_of_a_unit_are_found_within_their_uncertainties() {
    const UNITS: u64 = 300;
    let mut inside = [0usize; 5];
    let mut informed = [0.0; 5];
    for seed in 0..UNITS {
        let mut random = Pcg64::seed_from_u64(seed);
        let noise = 0.001 * 20f64.powf(normal(&mut random).abs().min(1.0));
        let unit = drawn(&mut random, noise);
        let (found, prior) = fitted(&unit.sweeps(101, seed + 1_000));
        let (parts, _) = estimates(&found, &prior).unwrap();
        for (i, part) in parts.iter().enumerate() {
            inside[i] += usize::from((part.ratio.ln() - unit.changes[i]).abs() < 2.0 * part.u);
            informed[i] += part.informed / UNITS as f64;
        }
    }
    println!("{NAMES:?} {inside:?} {informed:?}");
    for count in inside {
        assert!(count as f64 > 0.92 * UNITS as f64, "{inside:?}");
    }
}

/// What the netlist leaves out goes into the uncertainty: here a pole at twenty times the crossover.
#[test]
fn what_the_netlist_leaves_out_widens_the_uncertainty() {
    let unit = Unit { changes: [0.1, -0.2, 0.05, 0.03, 0.0], chain: [0.0; 3], noise: 0.001 };
    let good = unit.sweeps(201, 5);
    let mut poor = good.clone();
    for point in poor.iter_mut().flat_map(|corner| &mut corner.points) {
        let pole = num_complex::Complex64::new(1.0, point.hz / 400e3);
        point.ln_mag -= pole.norm().ln();
        point.phase -= pole.arg();
    }
    let ((exact, prior), (off, _)) = (fitted(&good), fitted(&poor));
    assert_eq!(exact.discrepancy, 0.0);
    assert!(off.discrepancy > 0.01, "{}", off.discrepancy);
    let (parts, _) = estimates(&off, &prior).unwrap();
    let (sure, _) = estimates(&exact, &prior).unwrap();
    for (i, (part, sure)) in parts.iter().zip(&sure).enumerate() {
        println!(
            "{} {} {} {} {}",
            NAMES[i],
            part.ratio.ln() - unit.changes[i],
            part.u,
            sure.ratio.ln() - unit.changes[i],
            sure.u
        );
        assert!(part.u > sure.u);
        assert!((part.ratio.ln() - unit.changes[i]).abs() < 3.0 * part.u, "{} {part:?}", NAMES[i]);
    }
}

/// In a filter's resonance only the product of inductor and capacitor shows.
#[test]
fn what_only_their_product_shows_is_said_to_be_inseparable() {
    let unit = Unit { changes: [0.0; 5], chain: [0.0; 3], noise: 0.003 };
    let (found, prior) = fitted(&unit.sweeps(101, 3));
    let (parts, pairs) = estimates(&found, &prior).unwrap();
    println!("{parts:?} {pairs:?}");
}
