//! Two levels at one frequency.
//!
//! The difference of the two smoothed curves is held against the tolerance of gain and of phase; the errors of the
//! measuring chain are the same in both and cancel, the noise of both does not. Where that says nothing, for noise, the
//! difference of the two sweeps, smoothed itself, may show that they agree.
//!
//! | size of the difference | expanded noise of it (factor 2) | the pair |
//! | --- | --- | --- |
//! | beyond tolerance and noise together, and beyond three times the noise | any | differs |
//! | inside tolerance and noise together | inside the tolerance | agrees |
//! | else | | says nothing |
//!
//! Three times the noise, six standard uncertainties, decide only where the noise is above half of a tolerance. A sweep has
//! hundreds of frequencies and a corner dozens of pairs, and the noise itself is known to a fifth or so: with less, some
//! frequency of a good corner would differ by chance.

use crate::analysed::Analysed;
use crate::curve::{Curve, db, wrap};
use crate::linearity::Relation;
use crate::noise::{Noise, Smoother};
use crate::spec::Tolerances;

/// Coverage factor of the noise.
pub(super) const COVERAGE: f64 = 2.0;

/// Expanded noise that a difference must exceed so many times to be one.
const SURE: f64 = 3.0;

/// Noise of a sample, relative, beyond which it says nothing: the logarithm of 1 + e is no longer e, and the phase may have
/// slipped by a turn.
const DROWNED: f64 = 0.3;

/// What may change from level to level.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Quantity {
    /// The gain, dB.
    Gain,
    /// The phase, deg.
    Phase,
}

/// Why two levels differ.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cause {
    /// What changed.
    pub quantity: Quantity,
    /// By how much (strong less weak), dB or deg.
    pub change: f64,
    /// Allowed, dB or deg.
    pub tolerance: f64,
}

impl Cause {
    /// Size over the tolerance.
    pub(super) fn size(&self) -> f64 {
        self.change.abs() / self.tolerance
    }
}

/// One level at one frequency: neper and rad, with standard uncertainties from noise.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Reading {
    pub(super) ln_mag: f64,
    pub(super) angle: f64,
    pub(super) u_ln_mag: f64,
    pub(super) u_angle: f64,
    /// Whether its samples are no more than noise.
    pub(super) is_drowned: bool,
}

impl Reading {
    /// `None` outside of the sweep, and where its noise is not known.
    pub(super) fn of(sweep: &Analysed, ln_f: f64) -> Option<Self> {
        if !sweep.noise.is_known() || !sweep.curve.span().holds(ln_f) {
            return None;
        }
        let sigma = sweep.noise.sigma();
        let i = sweep.curve.interval(ln_f);
        let is_drowned = [i, i + 1].iter().any(|&i| sigma.get(i).is_some_and(|s| *s > DROWNED));
        let point = sweep.curve.at(ln_f);
        let noise = sweep.noise.at(&sweep.curve, ln_f);
        Some(Self {
            ln_mag: point.ln_mag,
            angle: point.angle,
            u_ln_mag: noise.ln_mag,
            u_angle: noise.angle,
            is_drowned,
        })
    }
}

/// How far a stronger level lies from a weaker one at a frequency, neper and rad, with standard uncertainties from noise.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Shift {
    ln_mag: f64,
    angle: f64,
    u_ln_mag: f64,
    u_angle: f64,
}

impl Shift {
    pub(super) fn between(weak: &Reading, strong: &Reading) -> Self {
        Self {
            ln_mag: strong.ln_mag - weak.ln_mag,
            angle: wrap(strong.angle - weak.angle),
            u_ln_mag: weak.u_ln_mag.hypot(strong.u_ln_mag),
            u_angle: weak.u_angle.hypot(strong.u_angle),
        }
    }
}

/// The difference of two sweeps on one grid, smoothed itself: what both have in common has gone from it, so it bends less
/// than either and its noise is averaged over more samples.
#[derive(Debug, Clone, Default)]
pub(super) struct Difference {
    curve: Curve,
    noise: Noise,
}

impl Difference {
    /// `None` when the two have other frequencies, or too few samples to know the noise.
    pub(super) fn of(weak: &Analysed, strong: &Analysed, smoother: &mut Smoother) -> Option<Self> {
        let (a, b) = (&weak.raw, &strong.raw);
        if a.frequency_hz() != b.frequency_hz() {
            return None;
        }
        let (mut raw, mut difference) = (Curve::new(), Self::default());
        raw.difference(a, b);
        smoother.smooth(&raw, None, &[], &mut difference.noise, &mut difference.curve);
        difference.noise.is_known().then_some(difference)
    }

    pub(super) fn at(&self, ln_f: f64) -> Shift {
        let point = self.curve.at(ln_f);
        let noise = self.noise.at(&self.curve, ln_f);
        Shift { ln_mag: point.ln_mag, angle: point.angle, u_ln_mag: noise.ln_mag, u_angle: noise.angle }
    }
}

/// What a stronger level is to a weaker one; with the cause when they differ.
pub(super) fn relate(shift: &Shift, tolerances: &Tolerances) -> (Relation, Option<Cause>) {
    let gain = tolerances.gain.map(|tolerance| {
        let (quantity, change) = (Quantity::Gain, db(shift.ln_mag));
        let cause = Cause { quantity, change, tolerance: tolerance.db() };
        (related(&cause, db(COVERAGE * shift.u_ln_mag)), cause)
    });
    let phase = tolerances.phase.map(|tolerance| {
        let (quantity, change) = (Quantity::Phase, shift.angle.to_degrees());
        let cause = Cause { quantity, change, tolerance: tolerance.deg() };
        (related(&cause, (COVERAGE * shift.u_angle).to_degrees()), cause)
    });
    let found = || [gain, phase].into_iter().flatten();
    let differs = found().filter(|(relation, _)| *relation == Relation::Differs).map(|(_, cause)| cause);
    if let Some(cause) = differs.max_by(|a, b| a.size().total_cmp(&b.size())) {
        return (Relation::Differs, Some(cause));
    }
    let agrees = found().all(|(relation, _)| relation == Relation::Agrees) && found().next().is_some();
    (if agrees { Relation::Agrees } else { Relation::Unclear }, None)
}

fn related(cause: &Cause, noise: f64) -> Relation {
    let change = cause.change.abs();
    if change > cause.tolerance + noise && change > SURE * noise {
        Relation::Differs
    } else if change <= cause.tolerance + noise && noise <= cause.tolerance {
        Relation::Agrees
    } else {
        Relation::Unclear
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::{Decibel, Degrees};

    fn tolerances(gain: Option<f64>, phase: Option<f64>) -> Tolerances {
        Tolerances {
            step: Decibel::new(3.0).unwrap(),
            crossover: None,
            phase_margin: None,
            gain: gain.and_then(Decibel::new),
            phase: phase.and_then(Degrees::new),
            band: (0.1, 10.0),
        }
    }

    /// Gain and expanded noise of the difference, both in dB; 3 deg apart.
    fn relation(change_db: f64, noise_db: f64, tolerances: &Tolerances) -> Relation {
        let neper = std::f64::consts::LN_10 / 20.0;
        let reading = |ln_mag: f64, angle: f64| Reading {
            ln_mag,
            angle,
            u_ln_mag: noise_db * neper / COVERAGE / 2f64.sqrt(),
            u_angle: 0.0,
            is_drowned: false,
        };
        // Half a turn and more lies between the two unwrapped phases: only the remainder counts.
        let turn = 3f64.to_radians() + 2.0 * std::f64::consts::TAU;
        relate(&Shift::between(&reading(0.0, 0.0), &reading(change_db * neper, turn)), tolerances).0
    }

    #[test]
    fn a_pair_agrees_differs_or_says_nothing() {
        let gain = tolerances(Some(1.0), None);
        for (change, noise, expected) in [
            (0.9, 0.0, Relation::Agrees),
            (-1.1, 0.0, Relation::Differs),
            (1.4, 0.5, Relation::Agrees),
            (-1.6, 0.5, Relation::Differs),
            (0.0, 1.1, Relation::Unclear),
            (1.9, 0.8, Relation::Unclear),
            (2.5, 0.8, Relation::Differs),
            (3.2, 1.1, Relation::Unclear),
            (3.4, 1.1, Relation::Differs),
        ] {
            assert_eq!(relation(change, noise, &gain), expected, "{change} dB with {noise} dB of noise");
        }
        assert_eq!(relation(0.0, 0.0, &tolerances(Some(1.0), Some(2.9))), Relation::Differs);
        assert_eq!(relation(0.0, 0.0, &tolerances(None, Some(3.1))), Relation::Agrees);
        assert_eq!(relation(0.0, 0.0, &tolerances(None, None)), Relation::Unclear);
    }
}
