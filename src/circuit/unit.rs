//! All that the sweeps of a unit say of its circuit: the fit, what is left, what moved.

use super::causes::{self, Cause, Hypothesis, weigh};
use super::deviation::{Deviation, deviations, inside_tolerances};
use super::fit::{
    CornerPoints, Fitted, Inseparable, LoopModel, Part, Prior, Workbench, alone, estimates, fit,
};
use crate::uncertainty::Chain;

/// What a fit has to go by.
pub struct Subject<'a> {
    /// The circuit.
    pub model: &'a mut dyn LoopModel,
    /// Half-width of the tolerance of each varied part, as a ratio, above 0 and below 1.
    pub tolerances: &'a [f64],
    /// The chain that the sweeps were taken with.
    pub chain: &'a Chain,
}

/// What the sweeps of a unit say of its parts.
#[derive(Debug, Clone)]
pub struct UnitFit {
    /// The fit.
    pub fitted: Fitted,
    /// What was known before.
    pub prior: Prior,
    /// The parts, as `vary` lists them.
    pub parts: Vec<Part>,
    /// Pairs that cannot be told apart.
    pub inseparable: Vec<Inseparable>,
}

/// A part that moved this many prior standard deviations is fitted once more with its movement allowed for: the tolerance holds it back.
const FAR: f64 = 2.0;
impl UnitFit {
    /// Fits the parts of a unit. `None` where the circuit has no solution, or there is no sample.
    #[must_use]
    pub fn of(subject: &mut Subject<'_>, corners: &[CornerPoints]) -> Option<Self> {
        let prior = Prior::new(subject.tolerances, subject.chain);
        let mut bench = Workbench { model: subject.model, corners, prior: &prior };
        let mut fitted = fit(&mut bench, &[], &|_| 1.0)?;
        // A part beyond its tolerance: around where it is, not around where the tolerance would have it.
        let far = fitted.unknowns.iter().take(subject.tolerances.len()).any(|x| x.abs() > FAR);
        if far
            && let Some(top) = weigh(&alone(&fitted)?, &vec![1.0; subject.tolerances.len()])
            && let Some(Cause { hypothesis: Hypothesis::Part(part), .. }) = top.first()
        {
            let start = fitted.unknowns.clone();
            let held = |i: usize| if i == *part { causes::FAR } else { 1.0 };
            fitted = fit(&mut bench, start.as_slice(), &held).unwrap_or(fitted);
        }
        let (parts, inseparable) = estimates(&fitted, &prior)?;
        Some(Self { fitted, prior, parts, inseparable })
    }

    /// Which part is beyond its tolerance: nothing, one, several.
    #[must_use]
    pub fn beyond_tolerance(&self) -> Option<Vec<Cause>> {
        weigh(&alone(&self.fitted)?, &vec![1.0; self.parts.len()])
    }

    /// What parts inside their tolerances leave unexplained at each corner.
    pub fn unexplained(&self, subject: &mut Subject<'_>, corners: &[CornerPoints]) -> Vec<Vec<Deviation>> {
        let at = inside_tolerances(&self.fitted, &self.prior, subject.tolerances);
        if !subject.model.set(&self.prior.changes(at.as_slice())) {
            return Vec::new();
        }
        let chain = self.prior.chain(at.as_slice());
        corners.iter().map(|corner| deviations(subject.model, corner, chain)).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::circuit::fit::test_loops::{Buck, TOLERANCES, Unit};

    const CHAIN_OF_A_BENCH: Chain =
        Chain { gain_np: 0.0115, phase_rad: 0.0087, delay_s: 2e-9, impedance_ratio: 0.0 };

    fn judged(unit: &Unit, seed: u64) -> (UnitFit, Vec<Vec<Deviation>>) {
        let corners = unit.sweeps(201, seed);
        let mut model = Buck::new();
        let mut subject = Subject { model: &mut model, tolerances: &TOLERANCES, chain: &CHAIN_OF_A_BENCH };
        let found = UnitFit::of(&mut subject, &corners).unwrap();
        let left = found.unexplained(&mut subject, &corners);
        (found, left)
    }

    fn largest(left: &[Vec<Deviation>]) -> f64 {
        left.iter().flatten().map(|own| own.value).fold(0.0, f64::max)
    }

    #[test]
    fn parts_inside_their_tolerances_leave_nothing_unexplained() {
        let unit =
            Unit { changes: [0.15, -0.4, 0.1, -0.08, 0.005], chain: [0.01, -0.005, 1e-9], noise: 0.005 };
        let (found, left) = judged(&unit, 3);
        assert!(largest(&left) < 0.02, "{}", largest(&left));
        assert_eq!(found.beyond_tolerance().unwrap()[0].hypothesis, Hypothesis::Nothing);
    }

    /// A capacitor of half its value: no part inside its tolerance explains that, and it is named.
    #[test]
    fn a_part_far_beyond_its_tolerance_is_named_and_leaves_something_unexplained() {
        let unit = Unit { changes: [0.05, -0.2, 0.1, -0.7, 0.0], chain: [0.0; 3], noise: 0.005 };
        let (found, left) = judged(&unit, 4);
        assert!(largest(&left) > 0.1, "{}", largest(&left));
        let top = found.beyond_tolerance().unwrap()[0];
        assert_eq!(top.hypothesis, Hypothesis::Part(3));
        let (x, u) = top.movement.unwrap();
        let change = found.prior.parts()[3];
        assert!((change * x + 0.7).abs() < 3.0 * change * u, "{} {}", change * x, change * u);
    }
}
