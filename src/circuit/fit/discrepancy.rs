//! How far the netlist itself is off, from what the fit leaves.
//!
//! Means of what is left over quarters of decades have the variance of their noise plus that of the discrepancy, d². Where their squares
//! sum to no more than noise allows, d is zero; else it is what makes them sum to their degrees of freedom (the method of moments for a
//! random effect: R. DerSimonian and N. Laird, Controlled Clinical Trials 7, 1986, solved exactly as by R. C. Paule and J. Mandel, J. Res.
//! NBS 87, 1982: both from memory).
//!
//! Such errors are no noise: what a netlist leaves out grows over a decade and leans on the parts all the way. Where d is not zero, the fit
//! is therefore made again without each half decade of gain and of phase in turn, and what that moves the parts by is added to their
//! uncertainty (the jackknife over groups: B. Efron and R. J. Tibshirani, An Introduction to the Bootstrap, 11: from memory).
//!
//! What the netlist leaves out at one corner it mostly leaves out at all: corners together know d no better than one. So the variance that the
//! fit works with is d² times the number of corners.

use super::gather::Gathered;
use super::quadratic::Quadratic;
use nalgebra::{DMatrix, DVector};

/// Standard deviations of the sum of squares that noise alone is allowed: passed by chance once in 15 fits, which then are a little too careful. What it lets pass is taken for certainty.
const ALLOWED: f64 = 1.5;
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

/// What the data say, less sure by what leaving out one block after the other moves the unknowns by. `data` and `blocks` are around one
/// point, `priors` what is known besides.
pub(crate) fn jackknifed(data: &Quadratic, priors: &Quadratic, blocks: &[Quadratic]) -> Option<Quadratic> {
    let n = data.len();
    let without = |block: &Quadratic| {
        let mut rest = data.clone();
        rest.add(priors);
        rest.precision -= &block.precision;
        rest.pull -= &block.pull;
        rest.top()
    };
    let tops: Vec<DVector<f64>> = blocks.iter().map(without).collect::<Option<_>>()?;
    let count = tops.len() as f64;
    let mean = tops.iter().fold(DVector::zeros(n), |sum, top| sum + top / count);
    // x as the data have it is x as it is, and a share of each of these.
    let shares = tops.iter().map(|top| (top - &mean) * ((count - 1.0) / count).sqrt());
    let mut map = DMatrix::identity(n, n + tops.len());
    for (i, share) in shares.enumerate() {
        map.set_column(n + i, &share);
    }
    let mut whole = data.through(&map);
    (n..n + tops.len()).for_each(|unknown| whole.hold(unknown, 1.0));
    whole.of_first(n)
}
