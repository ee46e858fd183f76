//! From movements counted in the standard deviations of the tolerances to what is told of the parts: of one unit and of a fleet alike.

use super::outcome::{CauseOutcome, PartChange};
use crate::circuit::causes::{Cause, FAR, Hypothesis};
use crate::circuit::fit::Quadratic;

/// Share of what may be that a measurement must have taken away to be told as a result: what is left is then the measurement's
/// rather than the tolerance's.
pub(super) const TELLS: f64 = 0.1;

/// The parts that are told of.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Told<'a> {
    /// Their names.
    pub names: &'a [String],
    /// Standard deviation of the logarithm of each, from its tolerance.
    pub scales: &'a [f64],
    /// Coverage factor of what is told.
    pub coverage: f64,
}

impl Told<'_> {
    fn name(&self, part: usize) -> String {
        self.names.get(part).cloned().unwrap_or_default()
    }

    /// A movement and its expanded uncertainty, as shares of the value.
    fn share(&self, part: usize, x: f64, u: f64) -> (f64, f64) {
        let scale = self.scales.get(part).copied().unwrap_or(0.0);
        ((scale * x).exp_m1(), self.coverage * scale * u * (scale * x).exp())
    }

    /// The causes, in their order.
    pub(crate) fn causes(&self, causes: &[Cause]) -> Vec<CauseOutcome> {
        let cause = |own: &Cause| {
            let (part, movement) = match own.hypothesis {
                Hypothesis::Nothing => ("nothing".to_owned(), None),
                Hypothesis::Several => ("several".to_owned(), None),
                Hypothesis::Part(part) => {
                    (self.name(part), own.movement.map(|(x, u)| self.share(part, x, u)))
                }
            };
            CauseOutcome {
                part,
                change: movement.map(|(change, _)| change),
                uncertainty: movement.map(|(_, u)| u),
                probability: own.probability,
            }
        };
        causes.iter().map(cause).collect()
    }

    /// How each part moved if all of them may have; `u` adds to the uncertainty of a part's movement what the data do not hold.
    pub(crate) fn changes(
        &self,
        data: &Quadratic,
        u: &dyn Fn(usize, f64, f64) -> f64,
    ) -> Option<Vec<PartChange>> {
        let mut known = data.clone();
        (0..known.len()).for_each(|part| known.hold(part, FAR));
        let (top, covariance) = known.peak()?;
        let own = |(i, x): (usize, &f64)| {
            let sd = covariance.get((i, i)).copied().unwrap_or(0.0).max(0.0).sqrt();
            // Of the widest movement that is weighed.
            let informed = (1.0 - sd / FAR).clamp(0.0, 1.0);
            let (change, uncertainty) = self.share(i, *x, u(i, *x, sd));
            let tells = informed >= TELLS;
            PartChange {
                part: self.name(i),
                change: tells.then_some(change),
                uncertainty: tells.then_some(uncertainty),
                informed,
            }
        };
        Some(top.iter().enumerate().map(own).collect())
    }
}
