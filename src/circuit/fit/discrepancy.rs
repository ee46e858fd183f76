//! How far the netlist itself is off, from what the fit leaves.
//!
//! Means of what is left over quarters of decades have the variance of their noise plus that of the discrepancy, d². Where their squares
//! sum to no more than noise allows, d is zero; else it is what makes them sum to their degrees of freedom (the method of moments for a
//! random effect: R. DerSimonian and N. Laird, Controlled Clinical Trials 7, 1986, solved exactly as by R. C. Paule and J. Mandel, J. Res.
//! NBS 87, 1982: both from memory).
//!
//! What the netlist leaves out at one corner it mostly leaves out at all: corners together know d no better than one. So the variance that the
//! fit works with is d² times the number of corners.

use super::gather::Gathered;

/// Standard deviations of the sum of squares that noise alone is allowed: passed by chance once in 700 fits.
const ALLOWED: f64 = 3.0;
/// Halvings of the interval that the root lies in.
const HALVINGS: usize = 60;
/// Largest discrepancy, neper and rad: a factor of e.
const MOST: f64 = 1.0;

/// Standard deviation of the discrepancy, neper and rad. `step`: from where it was gathered to where the fit ended. `decided`: how many
/// unknowns the data decided.
pub(crate) fn discrepancy(gathered: &Gathered, step: &[f64], decided: f64) -> f64 {
    let means: Vec<(f64, f64)> = gathered.bins.iter().filter_map(|bin| bin.left(step)).collect();
    let freedom = means.len() as f64 - decided;
    if freedom < 1.0 {
        return 0.0;
    }
    let sum = |d: f64| means.iter().map(|(mean, variance)| mean * mean / (variance + d * d)).sum::<f64>();
    if sum(0.0) <= freedom + ALLOWED * (2.0 * freedom).sqrt() {
        return 0.0;
    }
    let (mut low, mut high) = (0.0, MOST);
    for _ in 0..HALVINGS {
        let middle = 0.5 * (low + high);
        if sum(middle) > freedom { low = middle } else { high = middle }
    }
    high
}
