//! Which part moved in a fleet: units before and after, each with parts of its own.
//!
//! What the sweeps of a unit say of its parts is a quadratic. A unit's parts scatter about the mean of its side, part by part; integrated
//! over them, each quadratic says something of that mean (a random-effects model: A. Gelman et al., Bayesian Data Analysis, 5.4: from
//! memory), and the difference of both means is weighed as the movement of one unit is. The scatter is found from the units themselves by
//! expectation and maximisation (A. P. Dempster, N. M. Laird and D. B. Rubin, J. Royal Stat. Soc. B 39, 1977: from memory).
//!
//! A direction that no sweep shows stays open: units do not vote on it with their nominal values.

use super::causes::{Cause, weigh};
use super::fit::Quadratic;
use super::since::STAYED;
use nalgebra::{DMatrix, DVector};

/// What moved in a fleet, counted in the standard deviations of the tolerances.
#[derive(Debug, Clone)]
pub struct FleetMovements {
    /// The hypotheses, the most probable first.
    pub causes: Vec<Cause>,
    /// What the data say of the movements of the means.
    pub data: Quadratic,
    /// How far the mean of a part that stayed may be off.
    pub stayed: Vec<f64>,
}

/// Rounds of finding the scatter: it is no more than a weight, and settles within some of them.
const ROUNDS: usize = 12;
/// Smallest scatter, in the standard deviation of a tolerance.
const LEAST: f64 = 0.05;

impl FleetMovements {
    /// Weighs what moved between units before and after, each told by the quadratic of its own parts. `None` where a side has no unit.
    #[must_use]
    pub fn of(before: &[Quadratic], after: &[Quadratic]) -> Option<Self> {
        let parts = before.first()?.len();
        let is_alike = |unit: &Quadratic| unit.len() == parts;
        if parts == 0 || after.is_empty() || !before.iter().chain(after).all(is_alike) {
            return None;
        }
        let mut scatter = DVector::repeat(parts, 1.0);
        for _ in 0..ROUNDS {
            let mut sum = DVector::zeros(parts);
            for side in [before, after] {
                let mean = centre(side, &scatter)?;
                for unit in side {
                    sum += about(unit, &scatter, &mean)?;
                }
            }
            scatter = (sum / (before.len() + after.len()) as f64).map(|v| v.max(LEAST * LEAST));
        }
        // The unknowns: the movement of the mean, and the mean before.
        let one = DMatrix::<f64>::identity(parts, parts);
        let mut of_after = DMatrix::zeros(parts, 2 * parts);
        of_after.view_mut((0, 0), (parts, parts)).copy_from(&one);
        of_after.view_mut((0, parts), (parts, parts)).copy_from(&one);
        let mut of_before = DMatrix::zeros(parts, 2 * parts);
        of_before.view_mut((0, parts), (parts, parts)).copy_from(&one);
        let mut both = mean_of(after, &scatter)?.through(&of_after);
        both.add(&mean_of(before, &scatter)?.through(&of_before));
        (parts..2 * parts).for_each(|unknown| both.hold(unknown, 1.0));
        let data = both.of_first(parts)?;
        let stayed = vec![STAYED * 3f64.sqrt(); parts];
        Some(Self { causes: weigh(&data, &stayed)?, data, stayed })
    }
}

/// What units of one side say of their mean.
fn mean_of(units: &[Quadratic], scatter: &DVector<f64>) -> Option<Quadratic> {
    let mut sum = Quadratic::nothing(scatter.len());
    let tight = DMatrix::from_diagonal(&scatter.map(|v| 1.0 / v));
    for unit in units {
        let factor = (&unit.precision + &tight).cholesky()?;
        let kept = &tight * factor.solve(&tight);
        sum.precision += &tight - kept;
        sum.pull += &tight * factor.solve(&unit.pull);
    }
    // Exactly symmetrical, whatever was rounded.
    sum.precision = 0.5 * (&sum.precision + sum.precision.transpose());
    Some(sum)
}

/// The most probable mean of a side; parts are within their tolerances.
fn centre(units: &[Quadratic], scatter: &DVector<f64>) -> Option<DVector<f64>> {
    let mut mean = mean_of(units, scatter)?;
    (0..mean.len()).for_each(|part| mean.hold(part, 1.0));
    mean.top()
}

/// Expected squares of a unit's parts about the mean.
fn about(unit: &Quadratic, scatter: &DVector<f64>, mean: &DVector<f64>) -> Option<DVector<f64>> {
    let tight = DMatrix::from_diagonal(&scatter.map(|v| 1.0 / v));
    let factor = (&unit.precision + &tight).cholesky()?;
    let own = factor.solve(&(&unit.pull + &tight * mean)) - mean;
    Some(own.map(|x| x * x) + factor.inverse().diagonal())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::circuit::causes::Hypothesis;
    use crate::circuit::fit::test_loops::{Buck, TOLERANCES, drawn};
    use crate::circuit::fit::{Prior, Workbench, alone, fit};
    use crate::uncertainty::Chain;
    use rand_pcg::Pcg64;
    use rand_pcg::rand_core::SeedableRng;

    const BENCH: Chain = Chain { gain_np: 0.0115, phase_rad: 0.0087, delay_s: 2e-9, impedance_ratio: 0.0 };

    fn units(count: u64, seed: u64, part: usize, by: f64) -> Vec<Quadratic> {
        let prior = Prior::new(&TOLERANCES, &BENCH);
        (0..count)
            .map(|k| {
                let mut unit = drawn(&mut Pcg64::seed_from_u64(seed + k), 0.005);
                // Parts of a lot are alike.
                unit.changes = unit.changes.map(|change| 0.3 * change);
                unit.changes[part] += by.ln_1p();
                let sweeps = unit.sweeps(61, seed + 1_000 + k);
                let mut bench = Workbench { model: &mut Buck::new(), corners: &sweeps, prior: &prior };
                alone(&fit(&mut bench, &[], &|_| 1.0).unwrap()).unwrap()
            })
            .collect()
    }

    #[test]
    fn a_part_of_another_lot_is_named() {
        let before = units(20, 100, 0, 0.0);
        let same = FleetMovements::of(&before, &units(20, 300, 0, 0.0)).unwrap();
        assert_eq!(same.causes[0].hypothesis, Hypothesis::Nothing, "{:?}", same.causes);
        for (part, by) in [(0, -0.2), (1, 0.6), (2, -0.15), (3, 0.12)] {
            let found = FleetMovements::of(&before, &units(20, 500, part, by)).unwrap();
            let top = found.causes[0];
            assert_eq!(top.hypothesis, Hypothesis::Part(part), "{:?}", found.causes);
            assert!(top.probability > 0.9, "{top:?}");
            let (x, u) = top.movement.unwrap();
            let scale = TOLERANCES[part] / 3f64.sqrt();
            assert!((scale * x - by.ln_1p()).abs() < 3.0 * scale * u, "{} {}", scale * x, scale * u);
        }
    }
}
