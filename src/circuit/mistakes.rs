//! Which mistake at the bench a refused sweep fits: the circuit knows what it should have been.
//!
//! Each mistake turns a loop gain into something else that is known exactly, so it can be taken back, and what then stands there is held
//! against the circuit, its parts inside their tolerances.

use super::fit::{CornerPoints, LoopModel, LoopPoint, Prior, Workbench, fit};
use crate::circuit::deviation::deviations;
use std::f64::consts::{LN_10, PI};

/// A mistake at the bench.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mistake {
    /// The probes of the two sides were swapped: 1/T.
    Swapped,
    /// The sign of the other convention: -T.
    Sign,
    /// Swapped, and the other sign: -1/T.
    SwappedAndSign,
    /// The output side shows ten times too little: a probe's attenuation set on the input side alone.
    TenTooLow,
    /// Ten times too much.
    TenTooHigh,
    /// The phase counted the other way: the conjugate.
    PhaseReversed,
}

impl Mistake {
    /// All of them, the simplest first.
    pub const ALL: [Self; 6] = [
        Self::Swapped,
        Self::Sign,
        Self::TenTooLow,
        Self::TenTooHigh,
        Self::PhaseReversed,
        Self::SwappedAndSign,
    ];

    /// The sample as it would be without the mistake.
    fn taken_back(self, point: LoopPoint) -> LoopPoint {
        let LoopPoint { ln_mag, phase, .. } = point;
        let (ln_mag, phase) = match self {
            Self::Swapped => (-ln_mag, -phase),
            Self::Sign => (ln_mag, phase + PI),
            Self::SwappedAndSign => (-ln_mag, PI - phase),
            Self::TenTooLow => (ln_mag + LN_10, phase),
            Self::TenTooHigh => (ln_mag - LN_10, phase),
            Self::PhaseReversed => (ln_mag, -phase),
        };
        LoopPoint { ln_mag, phase, ..point }
    }

    /// What happened, as it stands after "the circuit fits this sweep if": `the probes were swapped`.
    #[must_use]
    pub const fn text(self) -> &'static str {
        match self {
            Self::Swapped => "input and output side were swapped",
            Self::Sign => "its sign is that of the other critical point",
            Self::SwappedAndSign => {
                "input and output side were swapped and its sign is that of the other critical point"
            }
            Self::TenTooLow => "the output side is ten times too small (the attenuation of a probe)",
            Self::TenTooHigh => "the output side is ten times too large (the attenuation of a probe)",
            Self::PhaseReversed => "its phase is counted the other way",
        }
    }
}

/// A mistake that a sweep fits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Explained {
    /// The mistake.
    pub mistake: Mistake,
    /// Root mean square of what is left with it, as a share of 1 + |T|.
    pub left: f64,
    /// The same of the sweep as it stands.
    pub as_it_stands: f64,
}

/// Samples a corner that are looked at.
const SPARSE: usize = 60;
/// Standard deviation that every sample is given at least: a netlist is no better than that, and a mistake is far larger.
const COARSE: f64 = 0.03;
/// Deviation, rms share of 1 + |T|, up to which a sweep fits.
const FITS: f64 = 0.1;
/// How many times better it must fit than as it stands, and than with any other mistake.
const CLEARLY: f64 = 3.0;

/// The mistake that explains a corner's sweep, where one does and clearly.
pub fn explain(
    model: &mut dyn LoopModel,
    corner: &CornerPoints,
    prior: &Prior,
    tolerances: &[f64],
) -> Option<Explained> {
    let sparse = corner.sparse(SPARSE).coarse(COARSE);
    let as_it_stands = left(model, &sparse, prior, tolerances)?;
    let with = |mistake: Mistake, model: &mut dyn LoopModel| {
        let points = sparse.points.iter().map(|point| mistake.taken_back(*point)).collect();
        left(model, &CornerPoints { corner: sparse.corner, points }, prior, tolerances)
    };
    let mut found: Vec<(Mistake, f64)> =
        Mistake::ALL.into_iter().filter_map(|mistake| Some((mistake, with(mistake, model)?))).collect();
    found.sort_by(|a, b| a.1.total_cmp(&b.1));
    let (mistake, left) = *found.first()?;
    let next = found.get(1).map_or(f64::INFINITY, |(_, left)| *left);
    let is_clear = left < FITS && CLEARLY * left < as_it_stands.min(next);
    is_clear.then_some(Explained { mistake, left, as_it_stands })
}

/// Root mean square deviation after the parts did what they may.
fn left(model: &mut dyn LoopModel, corner: &CornerPoints, prior: &Prior, tolerances: &[f64]) -> Option<f64> {
    let corners = std::slice::from_ref(corner);
    let fitted = fit(&mut Workbench { model: &mut *model, corners, prior }, &[], &|_| 1.0)?;
    let at = super::deviation::inside_tolerances(&fitted, prior, tolerances);
    model.set(&prior.changes(at.as_slice())).then_some(())?;
    let found = deviations(model, corner, prior.chain(at.as_slice()));
    let mean = found.iter().map(|own| own.value * own.value).sum::<f64>() / found.len() as f64;
    mean.is_finite().then(|| mean.sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::circuit::fit::test_loops::{Buck, TOLERANCES, Unit};
    use crate::uncertainty::Chain;

    #[test]
    fn each_mistake_is_named_and_a_good_or_strange_sweep_is_not() {
        let unit = Unit { changes: [0.1, -0.3, 0.1, 0.05, 0.0], chain: [0.01, 0.0, 0.0], noise: 0.01 };
        let prior = Prior::new(&TOLERANCES, &Chain::default());
        let sweeps = unit.sweeps(101, 9);
        let found = |corner: &CornerPoints| explain(&mut Buck::new(), corner, &prior, &TOLERANCES);
        for sweep in &sweeps {
            assert_eq!(found(sweep), None);
            for mistake in Mistake::ALL {
                // Each of them taken back once more is the mistake itself, but the two that scale.
                let made = match mistake {
                    Mistake::TenTooLow => Mistake::TenTooHigh,
                    Mistake::TenTooHigh => Mistake::TenTooLow,
                    own => own,
                };
                let points = sweep.points.iter().map(|point| made.taken_back(*point)).collect();
                let wrong = CornerPoints { corner: sweep.corner, points };
                let explained = found(&wrong).unwrap();
                assert_eq!(explained.mistake, mistake);
                assert!(explained.left < 0.03, "{explained:?}");
            }
            let strange = |point: &LoopPoint| LoopPoint { ln_mag: 0.3 * point.ln_mag, ..*point };
            let points = sweep.points.iter().map(strange).collect();
            assert_eq!(found(&CornerPoints { corner: sweep.corner, points }), None);
        }
    }
}
