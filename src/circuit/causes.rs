//! Which part moved: "nothing", one part alone, "several", each with its probability.
//!
//! Each hypothesis says how far each part may have moved: one that stayed by little, one that moved by much. What data say of the movements is
//! a quadratic ([`Quadratic`]), and how probable a hypothesis makes the data is the integral of its exponential times that prior
//! (A. Gelman et al., Bayesian Data Analysis, 7.4; D. J. C. MacKay, Information Theory, Inference, and Learning Algorithms, 28: both from
//! memory). A hypothesis with more freedom spreads its probability wider, so a second part is not named unless the data ask for it.
//! "Several" stands for every pair of parts, and for all of them.
//!
//! **Why not name the part that moved most?** Parts that the loop gain hardly tells apart share a movement between them whichever it was.
//! Weighed this way each of them explains it alone, and both are listed.

use crate::circuit::fit::Quadratic;
use nalgebra::DVector;

/// Probabilities before anything is measured: half for nothing, a twentieth for several, the rest evenly for each part alone. A choice: parts that
/// moved are why one looks, most boards are as they were, and two parts seldom move at once.
const BEFORE: [f64; 3] = [0.5, 0.45, 0.05];
/// How far a part that moved is taken to have moved: three tolerances, rms, in the standard deviation of a tolerance. With 1 to 5
/// tolerances all within two of that, the choice between 2 and 4 changes the logarithm of a probability by 0.3.
pub(crate) const FAR: f64 = 5.2;

/// What may have happened.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Hypothesis {
    /// No part moved.
    Nothing,
    /// One part alone did.
    Part(usize),
    /// Several did.
    Several,
}

/// A hypothesis weighed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cause {
    /// What happened.
    pub hypothesis: Hypothesis,
    /// Its probability, 0 to 1.
    pub probability: f64,
    /// Of one part: how far it moved if it did alone, and the standard uncertainty of that, in the unknown's unit.
    pub movement: Option<(f64, f64)>,
}

/// Weighs the hypotheses. `data` says what is known of the movements of the parts, counted in the standard deviations of their tolerances;
/// `stayed` is how far a part that did not move may be off, in the same. The most probable comes first; `None` where the data say nothing
/// that can be weighed.
#[must_use]
pub fn weigh(data: &Quadratic, stayed: &[f64]) -> Option<Vec<Cause>> {
    let parts = data.len();
    let evidence = |moved: &dyn Fn(usize) -> bool| {
        let mut sum = data.clone();
        for (i, stayed) in stayed.iter().enumerate() {
            sum.hold(i, if moved(i) { stayed.hypot(FAR) } else { *stayed });
        }
        let (top, covariance) = sum.peak()?;
        Some((sum.evidence()?, top, covariance))
    };
    let [nothing, one, several] = BEFORE.map(f64::ln);
    let each = one - (parts.max(1) as f64).ln();
    let mut found = vec![(Hypothesis::Nothing, nothing + evidence(&|_| false)?.0, None)];
    for part in 0..parts {
        let (ln, top, covariance) = evidence(&|i| i == part)?;
        let movement = top.get(part).copied().zip(covariance.get((part, part)).map(|v| v.max(0.0).sqrt()));
        found.push((Hypothesis::Part(part), each + ln, movement));
    }
    if parts > 1 {
        let pairs = (0..parts).flat_map(|i| (0..i).map(move |j| (i, j)));
        let mut many: Vec<f64> =
            pairs.map(|(i, j)| Some(evidence(&|k| k == i || k == j)?.0)).collect::<Option<_>>()?;
        if parts > 2 {
            many.push(evidence(&|_| true)?.0);
        }
        found.push((Hypothesis::Several, several + ln_mean(&many), None));
    }
    let most = found.iter().map(|(_, ln, _)| *ln).fold(f64::NEG_INFINITY, f64::max);
    let sum: f64 = found.iter().map(|(_, ln, _)| (ln - most).exp()).sum();
    let mut causes: Vec<Cause> = found
        .into_iter()
        .map(|(hypothesis, ln, movement)| Cause {
            hypothesis,
            probability: (ln - most).exp() / sum,
            movement,
        })
        .collect();
    causes.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    Some(causes)
}

/// The most probable movements when one hypothesis holds; parts that stayed by their small share.
#[must_use]
pub fn movements(data: &Quadratic, stayed: &[f64], hypothesis: Hypothesis) -> Option<DVector<f64>> {
    let mut sum = data.clone();
    for (i, stayed) in stayed.iter().enumerate() {
        let moved = match hypothesis {
            Hypothesis::Nothing => false,
            Hypothesis::Part(part) => part == i,
            Hypothesis::Several => true,
        };
        sum.hold(i, if moved { stayed.hypot(FAR) } else { *stayed });
    }
    sum.top()
}

fn ln_mean(values: &[f64]) -> f64 {
    let most = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    most + (values.iter().map(|value| (value - most).exp()).sum::<f64>() / values.len() as f64).ln()
}
