use super::test_loops::{Buck, NAMES, TOLERANCES, Unit, normal};
use super::*;
use crate::circuit::causes::{Hypothesis, weigh};
use crate::uncertainty::Chain;
use rand_distr::{Distribution, Uniform};
use rand_pcg::Pcg64;
use rand_pcg::rand_core::SeedableRng;

const CHAIN_OF_A_BENCH: Chain =
    Chain { gain_np: 0.0115, phase_rad: 0.0087, delay_s: 2e-9, impedance_ratio: 0.0 };

fn fitted(corners: &[CornerPoints]) -> (Fitted, Prior) {
    let prior = Prior::new(&TOLERANCES, &CHAIN_OF_A_BENCH);
    let mut bench = Workbench { model: &mut Buck::new(), corners, prior: &prior };
    (fit(&mut bench, &[], &|_| 1.0).unwrap(), prior)
}

/// A unit with parts inside their tolerances and a chain inside its accuracy.
fn drawn(random: &mut Pcg64, noise: f64) -> Unit {
    let mut within = |half: f64| Uniform::new_inclusive(-half, half).unwrap().sample(random);
    let changes = std::array::from_fn(|i| within(TOLERANCES[i]).ln_1p());
    let chain = [within(0.0115), within(0.0087), within(2e-9)];
    Unit { changes, chain, noise }
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

#[test]
fn one_part_that_moved_is_named() {
    let mut table = Vec::new();
    for seed in 0..100u64 {
        let mut random = Pcg64::seed_from_u64(seed);
        let unit = drawn(&mut random, 0.003);
        let moved = (seed % 5) as usize;
        let mut later = drawn(&mut random, 0.003);
        later.changes = unit.changes;
        let by = TOLERANCES[moved] * (1.0 + 4.0 * (seed as f64 / 100.0));
        later.changes[moved] += by.ln_1p();
        let (then, _) = fitted(&unit.sweeps(101, seed + 1_000));
        let (now, _) = fitted(&later.sweeps(101, seed + 2_000));
        let data = change_between(&then, &now, false).unwrap();
        let causes = weigh(&data, &[0.17; 5]).unwrap();
        table.push((moved, by, causes[0].hypothesis, causes[0].probability));
    }
    let sure: Vec<_> =
        table.iter().filter(|row| row.3 > 0.95 && matches!(row.2, Hypothesis::Part(_))).collect();
    let right = sure.iter().filter(|row| row.2 == Hypothesis::Part(row.0)).count();
    println!("{table:?}\n{} sure, {right} right {:?}", sure.len(), NAMES);
    assert!(right as f64 >= 0.95 * sure.len() as f64);
}
