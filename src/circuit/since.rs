//! What moved since another measurement: of the unit itself, or of others.
//!
//! The change of the curve is fitted, not the two curves one by one:
//!
//! ln T(now) - ln T(then) = ln T(circuit; u + m) - ln T(circuit; u) + errors of the chain
//!
//! with u the parts as the earlier sweeps show them and m their movements. What the netlist leaves out stands in both sweeps and falls out.
//! u counts in the second order only, so that it is taken as known: where a part does not act by its logarithm (a delay), a large movement is told
//! from a start that has an uncertainty, which is added to the movement's.

use super::causes::{Cause, Hypothesis, weigh};
use super::fit::{CornerPoints, Fitted, LoopModel, LoopPoint, Prior, Quadratic, Workbench, alone, fit};
use super::unit::{Subject, UnitFit};
use crate::uncertainty::Chain;
use num_complex::Complex64;

/// A corner measured then and now, at the same frequencies.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct CornerChange {
    /// As it was; its standard deviations are those of then.
    pub then: CornerPoints,
    /// As it is; its standard deviations are those of now.
    pub now: CornerPoints,
}

/// Whose earlier measurement it is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Earlier {
    /// The unit's own.
    Own {
        /// Whether both were measured with one chain, whose errors then fall out.
        same_chain: bool,
    },
    /// The mean of so many other units.
    Others(usize),
}

/// What moved.
#[derive(Debug, Clone)]
pub struct Movements {
    /// The hypotheses, the most probable first.
    pub causes: Vec<Cause>,
    /// The fit of the movements, counted in the standard deviations of the tolerances.
    pub fitted: Fitted,
    /// What was known before.
    pub prior: Prior,
    /// Logarithms of the parts over nominal as they were.
    pub before: Vec<f64>,
    /// Standard uncertainties of these.
    pub before_u: Vec<f64>,
    /// How far a part that stayed may be off.
    pub stayed: Vec<f64>,
    /// What the data say of the movements.
    pub data: Quadratic,
}

/// How far a part that stayed may be off between two measurements of one unit, as a share of its tolerance: temperature of the room,
/// ageing of a day. A choice; below what anybody would call a part that moved.
pub(super) const STAYED: f64 = 0.1;

impl Movements {
    /// Fits the movements of the parts and weighs what may have caused them. `None` where the circuit has no solution, or there is nothing to
    /// go by.
    #[must_use]
    pub fn of(subject: &mut Subject<'_>, corners: &[CornerChange], earlier: Earlier) -> Option<Self> {
        let then: Vec<CornerPoints> = corners.iter().map(|corner| corner.then.clone()).collect();
        let before = UnitFit::of(subject, &then)?;
        let before_u = before.parts.iter().map(|part| part.u).collect();
        let before = before.prior.changes(before.fitted.unknowns.as_slice());
        let chain = match earlier {
            Earlier::Own { same_chain: true } => Chain::default(),
            Earlier::Own { same_chain: false } => twice(subject.chain, 1.0),
            Earlier::Others(units) => twice(subject.chain, 1.0 / units.max(1) as f64),
        };
        let stayed = match earlier {
            Earlier::Own { .. } => STAYED * 3f64.sqrt(),
            Earlier::Others(units) => (1.0 + 1.0 / units.max(1) as f64).sqrt(),
        };
        let stayed = vec![stayed; subject.tolerances.len()];
        let prior = Prior::new(subject.tolerances, &chain);
        let now: Vec<CornerPoints> = corners.iter().map(both).collect();
        let mut since = Since::new(subject.model, &before, corners)?;
        // A part that moved may have moved far: its tolerance does not hold it back.
        let wide = |_: usize| super::causes::FAR;
        let fitted = fit(&mut Workbench { model: &mut since, corners: &now, prior: &prior }, &[], &wide)?;
        let data = alone(&fitted)?;
        let causes = weigh(&data, &stayed)?;
        let mut found = Self { causes, fitted, prior, before, before_u, stayed, data };
        let told = |cause: &Cause| match (cause.hypothesis, cause.movement) {
            (Hypothesis::Part(part), Some((x, u))) => {
                Cause { movement: Some((x, found.u(part, x, u))), ..*cause }
            }
            _ => *cause,
        };
        found.causes = found.causes.iter().map(told).collect();
        Some(found)
    }

    /// Standard uncertainty of a movement with that of its start, from one without it; all in the standard deviations of the tolerances. At
    /// most the share of the value that moved is counted from the start.
    #[must_use]
    pub fn u(&self, part: usize, x: f64, u: f64) -> f64 {
        let scale = self.prior.parts().get(part).copied().unwrap_or(1.0);
        let start = self.before_u.get(part).copied().unwrap_or(0.0) / scale;
        u.hypot(start * -(-(scale * x).abs()).exp_m1())
    }
}

/// The errors of two chains that know nothing of each other; of the second `share` of the variance is left.
fn twice(chain: &Chain, share: f64) -> Chain {
    let more = (1.0 + share).sqrt();
    Chain {
        gain_np: more * chain.gain_np,
        phase_rad: more * chain.phase_rad,
        delay_s: more * chain.delay_s,
        impedance_ratio: chain.impedance_ratio,
    }
}

/// The samples of now with the noise of both.
fn both(corner: &CornerChange) -> CornerPoints {
    let joined = corner.now.points.iter().zip(&corner.then.points).map(|(now, then)| LoopPoint {
        sigma: std::array::from_fn(|i| {
            now.sigma.get(i).copied().unwrap_or(0.0).hypot(then.sigma.get(i).copied().unwrap_or(0.0))
        }),
        ..*now
    });
    CornerPoints { corner: corner.now.corner, points: joined.collect() }
}

/// A circuit whose parts are counted from how they were, and whose loop gain then is what was measured then.
struct Since<'a> {
    circuit: &'a mut dyn LoopModel,
    before: &'a [f64],
    /// By corner: frequency and measured over circuit.
    factors: Vec<(usize, Vec<(f64, Complex64)>)>,
}

impl<'a> Since<'a> {
    fn new(circuit: &'a mut dyn LoopModel, before: &'a [f64], corners: &[CornerChange]) -> Option<Self> {
        circuit.set(before).then_some(())?;
        let mut factors = Vec::with_capacity(corners.len());
        for CornerChange { then, .. } in corners {
            let mut own = Vec::with_capacity(then.points.len());
            for point in &then.points {
                let measured = Complex64::from_polar(point.ln_mag.exp(), point.phase);
                own.push((point.hz, measured / circuit.at(then.corner, point.hz, &mut [])?));
            }
            factors.push((then.corner, own));
        }
        Some(Self { circuit, before, factors })
    }
}

impl LoopModel for Since<'_> {
    fn parts(&self) -> usize {
        self.circuit.parts()
    }

    fn set(&mut self, changes: &[f64]) -> bool {
        let moved: Vec<f64> =
            self.before.iter().zip(changes).map(|(before, change)| before + change).collect();
        self.circuit.set(&moved)
    }

    fn at(&mut self, corner: usize, hz: f64, slopes: &mut [Complex64]) -> Option<Complex64> {
        let (_, own) = self.factors.iter().find(|(own, _)| *own == corner)?;
        let place = own.binary_search_by(|(own, _)| own.total_cmp(&hz)).ok()?;
        let (_, factor) = own.get(place)?;
        Some(self.circuit.at(corner, hz, slopes)? * factor)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::circuit::fit::test_loops::{Buck, NAMES, TOLERANCES, Unit, drawn};
    use rand_pcg::Pcg64;
    use rand_pcg::rand_core::SeedableRng;

    const BENCH: Chain = Chain { gain_np: 0.0115, phase_rad: 0.0087, delay_s: 2e-9, impedance_ratio: 0.0 };

    fn moved(then: &Unit, now: &Unit, seed: u64, netlist_off: bool, earlier: Earlier) -> Movements {
        let sweeps = |unit: &Unit, seed| {
            let mut corners = unit.sweeps(61, seed);
            for point in corners.iter_mut().flat_map(|corner| &mut corner.points).filter(|_| netlist_off) {
                let pole = Complex64::new(1.0, point.hz / 400e3);
                point.ln_mag -= pole.norm().ln();
                point.phase -= pole.arg();
            }
            corners
        };
        let pairs = sweeps(then, 2 * seed).into_iter().zip(sweeps(now, 2 * seed + 1));
        let corners: Vec<CornerChange> = pairs.map(|(then, now)| CornerChange { then, now }).collect();
        let mut model = Buck::new();
        let mut subject = Subject { model: &mut model, tolerances: &TOLERANCES, chain: &BENCH };
        Movements::of(&mut subject, &corners, earlier).unwrap()
    }

    const OWN: Earlier = Earlier::Own { same_chain: false };

    /// 1 to 5 tolerances, either way as far as that goes, on a netlist that is exact and on one that lacks a pole.
    #[test]
    fn the_part_that_moved_is_named() {
        for netlist_off in [false, true] {
            let mut table = Vec::new();
            for seed in 0..200u64 {
                let mut random = Pcg64::seed_from_u64(seed);
                let (then, mut now) = (drawn(&mut random, 0.005), drawn(&mut random, 0.005));
                now.changes = then.changes;
                let part = (seed % 5) as usize;
                let by = TOLERANCES[part] * (1.0 + 4.0 * (seed as f64 / 200.0));
                now.changes[part] += if seed % 2 == 0 || by > 0.8 { by.ln_1p() } else { (-by).ln_1p() };
                let causes = moved(&then, &now, seed, netlist_off, OWN).causes;
                table.push((part, causes[0]));
            }
            let is_sure =
                |cause: &Cause| cause.probability > 0.95 && matches!(cause.hypothesis, Hypothesis::Part(_));
            let sure = table.iter().filter(|(_, cause)| is_sure(cause));
            let (all, right) = sure.fold((0, 0), |(all, right), (part, cause)| {
                (all + 1, right + usize::from(cause.hypothesis == Hypothesis::Part(*part)))
            });
            println!("{netlist_off} {all} sure, {right} right of 200 {NAMES:?}");
            assert!(right as f64 >= 0.95 * f64::from(all));
            // What the netlist leaves out stays in part: it acts on a change in proportion to that.
            assert!(all > 120, "{all}");
        }
    }

    #[test]
    fn its_size_is_within_its_uncertainty_and_nothing_is_said_of_a_unit_that_stayed() {
        let then = Unit { changes: [0.05, -0.2, 0.1, 0.0, 0.0], chain: [0.01, 0.0, 0.0], noise: 0.003 };
        let mut now = Unit { changes: then.changes, chain: [-0.005, 0.003, 0.0], noise: 0.003 };
        let same = moved(&then, &now, 7, false, OWN).causes[0];
        assert_eq!(same.hypothesis, Hypothesis::Nothing);
        now.changes[0] += (-0.2_f64).ln_1p();
        let found = moved(&then, &now, 7, false, OWN);
        let top = found.causes[0];
        assert_eq!(top.hypothesis, Hypothesis::Part(0));
        assert!(top.probability > 0.95, "{top:?}");
        let (x, u) = top.movement.unwrap();
        let scale = found.prior.parts()[0];
        assert!((scale * x - (-0.2_f64).ln_1p()).abs() < 3.0 * scale * u && scale * u < 0.02);
    }

    /// Other boards have other parts: what is inside the tolerances is nobody's movement.
    #[test]
    fn beside_other_units_a_part_inside_its_tolerance_did_not_move() {
        let mut quiet = 0;
        for seed in 0..40 {
            let mut random = Pcg64::seed_from_u64(seed);
            let (then, now) = (drawn(&mut random, 0.005), drawn(&mut random, 0.005));
            let top = moved(&then, &now, seed, false, Earlier::Others(1)).causes[0];
            quiet += usize::from(top.hypothesis == Hypothesis::Nothing);
        }
        assert!(quiet >= 38, "{quiet}");
    }
}
