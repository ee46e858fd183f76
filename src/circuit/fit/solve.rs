//! The most probable parts: steps of Gauss and Newton, shortened where they overshoot.

use super::discrepancy::{discrepancy, jackknifed};
use super::gather::{Gathered, Scales, gather, residual};
use super::{CHAIN, CornerPoints, LoopModel, Quadratic};
use crate::uncertainty::Chain;
use nalgebra::{DMatrix, DVector};
use std::f64::consts::TAU;

/// What is known of the unknowns before.
#[derive(Debug, Clone, PartialEq)]
pub struct Prior {
    scales: Scales,
}

impl Prior {
    /// Parts within their tolerances (half-widths as ratios, above 0 and below 1), the chain within its accuracy.
    #[must_use]
    pub fn new(tolerances: &[f64], chain: &Chain) -> Self {
        let rectangular = |half_width: f64| half_width / 3f64.sqrt();
        Self {
            scales: Scales {
                parts: tolerances.iter().copied().map(rectangular).collect(),
                chain: [chain.gain_np, chain.phase_rad, chain.delay_s].map(rectangular),
            },
        }
    }

    /// Standard deviation of the logarithm of each part.
    #[must_use]
    pub fn parts(&self) -> &[f64] {
        &self.scales.parts
    }

    /// Logarithms of parts over nominal, from unknowns counted in their standard deviations.
    #[must_use]
    pub fn changes(&self, unknowns: &[f64]) -> Vec<f64> {
        self.scales.changes(unknowns)
    }

    /// Errors of the chain, neper, rad and s, from unknowns counted in their standard deviations.
    #[must_use]
    pub fn chain(&self, unknowns: &[f64]) -> [f64; CHAIN] {
        let mut own = unknowns.iter().skip(self.scales.parts.len()).zip(self.scales.chain);
        std::array::from_fn(|_| own.next().map_or(0.0, |(x, scale)| x * scale))
    }
}

/// What a fit came to. Unknowns are counted in their prior standard deviations: parts first, then gain, phase and delay of the chain.
#[derive(Debug, Clone)]
pub struct Fitted {
    /// Logarithms of parts over nominal in prior standard deviations, then the chain's errors in theirs.
    pub unknowns: DVector<f64>,
    /// What the data alone say of parts and chain, counted from nominal; the priors are not in it.
    pub data: Quadratic,
    /// Standard deviation of what the netlist is off by, neper and rad.
    pub discrepancy: f64,
}

impl Fitted {
    /// What is known after: the data and the priors.
    #[must_use]
    pub fn posterior(&self) -> Quadratic {
        let mut sum = self.data.clone();
        (0..sum.len()).for_each(|unknown| sum.hold(unknown, 1.0));
        sum
    }
}

/// What the data alone say of the parts, whatever the errors of the chain.
#[must_use]
pub fn alone(fitted: &Fitted) -> Option<Quadratic> {
    let mut data = fitted.data.clone();
    let parts = data.len().checked_sub(CHAIN)?;
    (parts..data.len()).for_each(|unknown| data.hold(unknown, 1.0));
    data.of_first(parts)
}

/// A circuit and samples of it.
pub struct Workbench<'a> {
    /// The circuit.
    pub model: &'a mut dyn LoopModel,
    /// Samples of the corners that carry a verdict.
    pub corners: &'a [CornerPoints],
    /// What is known before.
    pub prior: &'a Prior,
}

/// Samples a corner that the way to the most probable parts is found on, coarse ones first, then some that weigh as much as all; the last
/// steps take all of them.
const SPARSE: [usize; 2] = [40, 80];
/// Standard deviation that those are given at least: what a netlist is off by must not drive the parts out of their tolerances on the way.
const COARSE: f64 = 0.02;
/// Steps, at most: on few coarse samples, on few that weigh as much as all, and on all.
const STEPS: [usize; 3] = [25, 4, 8];
/// Where a part ends, prior standard deviations: some six tolerances, beyond which it is another part.
const END: f64 = 10.0;
/// A step this short is the last one on few coarse samples, in standard deviations of the priors. It goes without a look at whether it
/// leads uphill: over a twentieth of a tolerance the logarithm of a loop gain is straight.
const SHORT: f64 = 0.1;
/// The same on few samples that weigh as much as all, in standard deviations of what is known after: by some two of them those few and all
/// samples differ anyway.
const NEAR: f64 = 0.5;
/// What is still to go, in standard deviations of what is known after: a twentieth of what the uncertainty tells apart.
const ARRIVED: f64 = 0.05;
/// Halvings of a step that leads uphill.
const HALVINGS: usize = 8;
/// Longest step of an unknown, prior standard deviations: three tolerances, beyond which the straight line is no guide.
const LONGEST: f64 = 5.0;

/// Fits the parts. `held`: the priors of the parts as multiples of their tolerance's (1: as declared; more: a part may have moved).
/// `None` where the circuit has no solution at its nominal values, or there are no samples.
#[must_use]
pub fn fit(bench: &mut Workbench<'_>, start: &[f64], held: &dyn Fn(usize) -> f64) -> Option<Fitted> {
    let n = bench.prior.scales.len();
    let sparse: Vec<CornerPoints> =
        bench.corners.iter().map(|corner| corner.sparse(SPARSE[0]).coarse(COARSE)).collect();
    if sparse.iter().all(|corner| corner.points.is_empty()) {
        return None;
    }
    let mut at = DVector::zeros(n);
    at.iter_mut().zip(start).for_each(|(at, start)| *at = *start);
    let few: Vec<CornerPoints> =
        bench.corners.iter().map(|corner| corner.standing_for_all(SPARSE[1])).collect();
    let (model, prior) = (&mut *bench.model, bench.prior);
    let mut way = Way { model, prior, held, corners: bench.corners, sparse: &sparse, few: &few };
    for _ in 0..STEPS[0] {
        let next = way.downhill(&at)?;
        let moved = (&next - &at).amax();
        at = next;
        if moved < SHORT {
            break;
        }
    }
    for _ in 0..STEPS[1] {
        let step = way.step(&few, &at)?;
        let moved = step.far(&(&step.next - &at));
        at = step.next;
        if moved < NEAR {
            break;
        }
    }
    way.arrive(at)
}

/// The unknowns with a chain without errors, which is where samples are gathered.
fn parts_of(at: &DVector<f64>) -> DVector<f64> {
    let mut parts = at.clone();
    let n = at.len();
    parts.rows_mut(n - CHAIN, CHAIN).fill(0.0);
    parts
}

/// The unknowns with every part inside what is still that part.
fn inside(mut unknowns: DVector<f64>) -> DVector<f64> {
    let parts = unknowns.len().saturating_sub(CHAIN);
    unknowns.iter_mut().take(parts).for_each(|x| *x = x.clamp(-END, END));
    unknowns
}

/// A step, with what it was told by.
struct Step {
    gathered: Gathered,
    spread: f64,
    next: DVector<f64>,
    covariance: DMatrix<f64>,
}

impl Step {
    /// How far some way leads, in the standard deviations of the part that it moves most.
    fn far(&self, way: &DVector<f64>) -> f64 {
        let parts = way.len().saturating_sub(CHAIN);
        let variances = self.covariance.diagonal();
        let each = way.iter().zip(variances.iter()).take(parts);
        each.map(|(way, variance)| way.abs() / variance.sqrt()).fold(0.0, f64::max)
    }
}

/// On the way to the most probable parts.
struct Way<'a> {
    model: &'a mut dyn LoopModel,
    prior: &'a Prior,
    held: &'a dyn Fn(usize) -> f64,
    corners: &'a [CornerPoints],
    /// Few samples of each corner, coarse.
    sparse: &'a [CornerPoints],
    /// Few samples of each corner that weigh as much as all.
    few: &'a [CornerPoints],
}

impl Way<'_> {
    fn gather(&mut self, corners: &[CornerPoints], at: &DVector<f64>) -> Option<Gathered> {
        gather(self.model, corners, &self.prior.scales, at.as_slice())
    }

    fn sd(&self, unknown: usize) -> f64 {
        if unknown < self.prior.scales.parts.len() { (self.held)(unknown) } else { 1.0 }
    }

    /// Data and priors, around where the data were gathered, unknowns counted from nominal.
    fn posterior(&self, gathered: &Gathered, at: &DVector<f64>, spread: f64) -> Quadratic {
        let mut sum = gathered.quadratic(spread).from_origin(&parts_of(at));
        (0..sum.len()).for_each(|unknown| sum.hold(unknown, self.sd(unknown)));
        sum
    }

    /// The priors around a point: unknowns counted as steps from its parts.
    fn priors(&self, at: &DVector<f64>) -> Quadratic {
        let mut sum = Quadratic::nothing(at.len());
        (0..sum.len()).for_each(|unknown| sum.hold(unknown, self.sd(unknown)));
        sum.from_origin(&-parts_of(at))
    }

    /// The next unknowns on few samples: the top of the quadratic, or less far where that leads uphill.
    fn downhill(&mut self, at: &DVector<f64>) -> Option<DVector<f64>> {
        let gathered = self.gather(self.sparse, at)?;
        let mut step = self.posterior(&gathered, at, 0.0).top()? - at;
        let longest = step.rows(0, step.len() - CHAIN).amax();
        if longest < SHORT {
            return Some(inside(at + step));
        }
        if longest > LONGEST {
            step *= LONGEST / longest;
        }
        let data = gathered.quadratic(0.0).from_origin(&parts_of(at));
        let now = self.apart(at) - 2.0 * data.value(at);
        for _ in 0..HALVINGS {
            let next = inside(at + &step);
            if self.misfit(&next) <= now * (1.0 + 1e-9) {
                return Some(next);
            }
            step *= 0.5;
        }
        Some(at.clone())
    }

    /// To the top of what these samples and the priors say around a point.
    fn step(&mut self, corners: &[CornerPoints], at: &DVector<f64>) -> Option<Step> {
        let gathered = self.gather(corners, at)?;
        let spread = self.discrepancy(&gathered, at, corners.len())?;
        let (top, covariance) = self.posterior(&gathered, at, spread).peak()?;
        Some(Step { gathered, spread, next: inside(top), covariance })
    }

    /// The last steps, on all samples: until what is still to go does not matter.
    fn arrive(&mut self, mut at: DVector<f64>) -> Option<Fitted> {
        let mut last = None;
        for _ in 0..STEPS[2] {
            let step = self.step(self.corners, &at)?;
            let rest = &step.covariance * self.bend(&at, &step.next, step.spread)?;
            let next = inside(&step.next + &rest);
            let is_last = step.far(&rest) < ARRIVED;
            last = Some((step.gathered, step.spread, at));
            at = next;
            if is_last {
                break;
            }
        }
        let (gathered, spread, origin) = last?;
        let mut data = gathered.quadratic(spread);
        if spread > 0.0 {
            data = jackknifed(&data, &self.priors(&origin), &gathered.blocks(spread))?;
        }
        let data = data.from_origin(&parts_of(&origin));
        Some(Fitted { unknowns: at, data, discrepancy: spread })
    }

    /// By how much the pull on the unknowns at `next` is more than straight lines at `at` have it. What was measured falls out of it and what is
    /// left is smooth over frequency: few samples tell it.
    fn bend(&mut self, at: &DVector<f64>, next: &DVector<f64>, spread: f64) -> Option<DVector<f64>> {
        if !self.model.set(&self.prior.changes(next.as_slice())) {
            return None;
        }
        let mut there = self.few.to_vec();
        for corner in &mut there {
            for point in &mut corner.points {
                let gain = self.model.at(corner.corner, point.hz, &mut [])?;
                (point.ln_mag, point.phase) = (gain.norm().ln(), gain.arg());
            }
        }
        let told = self.gather(&there, at)?.quadratic(spread);
        Some(told.precision * (parts_of(next) - parts_of(at)) - told.pull)
    }

    /// What the priors add to the misfit.
    fn apart(&self, at: &DVector<f64>) -> f64 {
        at.iter().enumerate().map(|(i, x)| (x / self.sd(i)).powi(2)).sum()
    }

    /// Twice the negative logarithm of the probability on the few samples, without constants; infinite where there is no solution.
    fn misfit(&mut self, at: &DVector<f64>) -> f64 {
        let scales = &self.prior.scales;
        if !self.model.set(&scales.changes(at.as_slice())) {
            return f64::INFINITY;
        }
        let [gain, phase, delay] = self.prior.chain(at.as_slice());
        let mut sum = self.apart(at);
        let mut slopes = [];
        for corner in self.sparse {
            for point in &corner.points {
                let Some([ln_mag, angle]) = residual(self.model, corner.corner, point, &mut slopes) else {
                    return f64::INFINITY;
                };
                let left = [ln_mag - gain, angle - phase - TAU * point.hz * delay];
                sum += left.iter().zip(point.sigma).map(|(left, sigma)| (left / sigma).powi(2)).sum::<f64>();
            }
        }
        sum
    }

    /// What the netlist is off by: of one corner times the root of their number.
    fn discrepancy(&self, gathered: &Gathered, at: &DVector<f64>, corners: usize) -> Option<f64> {
        let data = gathered.quadratic(0.0);
        let (top, covariance) = self.posterior(gathered, at, 0.0).peak()?;
        let step = top - parts_of(at);
        // The trace of data times covariance: of every unknown, the share that the data decided.
        let decided = (data.precision * covariance).trace();
        Some(discrepancy(gathered, step.as_slice(), decided) * (corners as f64).sqrt())
    }
}
