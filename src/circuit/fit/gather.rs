//! From samples and the slopes of the circuit to what they say of its parts.

use super::{CHAIN, CornerPoints, LoopModel, LoopPoint, Quadratic};
use crate::curve::wrap;
use num_complex::Complex64;
use std::collections::BTreeMap;
use std::f64::consts::TAU;

/// Widths of unknowns: what they are counted in.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Scales {
    /// Standard deviation of the logarithm of each part, from its tolerance; above 0.
    pub parts: Vec<f64>,
    /// Standard deviations of gain, neper, phase, rad, and delay, s, of the chain; 0: exact.
    pub chain: [f64; CHAIN],
}

impl Scales {
    pub(crate) fn len(&self) -> usize {
        self.parts.len() + CHAIN
    }

    /// Logarithms of parts over nominal, from unknowns counted in their scales.
    pub(crate) fn changes(&self, unknowns: &[f64]) -> Vec<f64> {
        self.parts.iter().zip(unknowns).map(|(scale, x)| scale * x).collect()
    }
}

/// Samples of one quarter of a decade of one corner, of gain or of phase.
#[derive(Debug, Clone)]
pub(crate) struct Bin {
    /// Number of its quarter of a decade, and whether it is of the phase.
    place: (i64, bool),
    /// Sum of the weights.
    weight: f64,
    /// Sum of weighted residuals.
    residual: f64,
    /// Sum of weighted squares of residuals.
    square: f64,
    /// Sum of weighted rows.
    row: Vec<f64>,
    /// Sum of weighted products of rows: lower triangle, row by row.
    products: Vec<f64>,
    /// Sum of weighted products of row and residual.
    pulls: Vec<f64>,
}

impl Bin {
    fn new(n: usize, place: (i64, bool)) -> Self {
        Self {
            place,
            weight: 0.0,
            residual: 0.0,
            square: 0.0,
            row: vec![0.0; n],
            products: vec![0.0; n * (n + 1) / 2],
            pulls: vec![0.0; n],
        }
    }

    fn add(&mut self, row: &[f64], residual: f64, weight: f64) {
        self.weight += weight;
        self.residual += weight * residual;
        self.square += weight * residual * residual;
        let mut products = self.products.iter_mut();
        for (i, own) in row.iter().enumerate() {
            let weighted = weight * own;
            // The row first: what ends a zip must not take a product with it.
            for (other, sum) in row.iter().take(i + 1).zip(products.by_ref()) {
                *sum += weighted * other;
            }
        }
        for ((sum, pull), own) in self.row.iter_mut().zip(&mut self.pulls).zip(row) {
            *sum += weight * own;
            *pull += weight * own * residual;
        }
    }

    /// Mean of what is left of the residuals after a step of the unknowns, and its variance from noise.
    pub(crate) fn left(&self, step: &[f64]) -> Option<(f64, f64)> {
        let taken: f64 = self.row.iter().zip(step).map(|(row, step)| row * step).sum();
        (self.weight > 0.0).then(|| ((self.residual - taken) / self.weight, 1.0 / self.weight))
    }

    /// Adds what it says of steps of the unknowns, with an error of its own of a variance that all its samples share.
    fn add_to(&self, sum: &mut Quadratic, variance: f64) {
        let n = self.row.len();
        let shared = if variance > 0.0 { 1.0 / (self.weight + 1.0 / variance) } else { 0.0 };
        let mut products = self.products.iter();
        for (i, own) in self.row.iter().enumerate() {
            for (j, (other, product)) in self.row.iter().take(i + 1).zip(products.by_ref()).enumerate() {
                let value = product - shared * own * other;
                for place in [(i, j), (j, i)].into_iter().take(if i == j { 1 } else { 2 }) {
                    if let Some(entry) = sum.precision.get_mut(place) {
                        *entry += value;
                    }
                }
            }
        }
        for i in 0..n {
            let (pull, row) = (self.pulls.get(i), self.row.get(i));
            if let (Some(entry), Some(pull), Some(row)) = (sum.pull.get_mut(i), pull, row) {
                *entry += pull - shared * self.residual * row;
            }
        }
        sum.constant -= 0.5 * (self.square - shared * self.residual * self.residual);
        if variance > 0.0 {
            sum.constant -= 0.5 * (1.0 + variance * self.weight).ln();
        }
    }
}

/// What samples say around a point.
#[derive(Debug, Clone)]
pub(crate) struct Gathered {
    n: usize,
    pub(crate) bins: Vec<Bin>,
}

impl Gathered {
    /// As a quadratic of steps of the parts from where it was gathered, and of the chain's errors, all counted in their scales. Constants of
    /// the samples alone are left out.
    pub(crate) fn quadratic(&self, discrepancy: f64) -> Quadratic {
        let mut sum = Quadratic::nothing(self.n);
        self.bins.iter().for_each(|bin| bin.add_to(&mut sum, discrepancy * discrepancy));
        sum
    }

    /// The same of each block alone: half a decade of gain or of phase at all corners.
    pub(crate) fn blocks(&self, discrepancy: f64) -> Vec<Quadratic> {
        let mut blocks: BTreeMap<(i64, bool), Quadratic> = BTreeMap::new();
        for bin in &self.bins {
            let (quarter, is_phase) = bin.place;
            let block = blocks.entry((quarter.div_euclid(2), is_phase));
            bin.add_to(block.or_insert_with(|| Quadratic::nothing(self.n)), discrepancy * discrepancy);
        }
        blocks.into_values().collect()
    }
}

/// Widths of bins, ln f: a quarter of a decade, over which what a netlist leaves out hardly changes.
const BIN: f64 = 0.25 * std::f64::consts::LN_10;

/// Gathers what samples say around values of the parts, unknowns counted in their scales; the chain's errors are taken as zero. `None`
/// where the circuit has no solution.
pub(crate) fn gather(
    model: &mut dyn LoopModel,
    corners: &[CornerPoints],
    scales: &Scales,
    at: &[f64],
) -> Option<Gathered> {
    if !model.set(&scales.changes(at)) {
        return None;
    }
    let (n, parts) = (scales.len(), scales.parts.len());
    let mut slopes = vec![Complex64::default(); parts];
    let (mut gain, mut phase) = (vec![0.0; n], vec![0.0; n]);
    let mut bins = Vec::new();
    for corner in corners {
        let mut number = None;
        for point in &corner.points {
            let own = (point.hz.ln() / BIN).floor() as i64;
            if number != Some(own) {
                number = Some(own);
                bins.push([Bin::new(n, (own, false)), Bin::new(n, (own, true))]);
            }
            let Some([gains, phases]) = bins.last_mut() else { continue };
            let [ln_mag, angle] = residual(model, corner.corner, point, &mut slopes)?;
            rows(&slopes, scales, point.hz, &mut gain, &mut phase);
            let [gain_sigma, phase_sigma] = point.sigma;
            gains.add(&gain, ln_mag, gain_sigma.powi(-2));
            phases.add(&phase, angle, phase_sigma.powi(-2));
        }
    }
    Some(Gathered { n, bins: bins.into_iter().flatten().collect() })
}

/// Measured less circuit: ln of the magnitude and phase.
pub(crate) fn residual(
    model: &mut dyn LoopModel,
    corner: usize,
    point: &LoopPoint,
    slopes: &mut [Complex64],
) -> Option<[f64; 2]> {
    let gain = model.at(corner, point.hz, slopes)?;
    let found = [point.ln_mag - gain.norm().ln(), wrap(point.phase - gain.arg())];
    found.iter().all(|x| x.is_finite()).then_some(found)
}

fn rows(slopes: &[Complex64], scales: &Scales, hz: f64, gain: &mut [f64], phase: &mut [f64]) {
    let parts = slopes.iter().zip(&scales.parts);
    for ((gain, phase), (slope, scale)) in gain.iter_mut().zip(phase.iter_mut()).zip(parts) {
        (*gain, *phase) = (scale * slope.re, scale * slope.im);
    }
    let [of_gain, of_phase, of_delay] = scales.chain;
    let from = slopes.len();
    if let Some(chain) = gain.get_mut(from..) {
        chain.copy_from_slice(&[of_gain, 0.0, 0.0]);
    }
    if let Some(chain) = phase.get_mut(from..) {
        chain.copy_from_slice(&[0.0, of_phase, of_delay * TAU * hz]);
    }
}
