//! What was seen to change from the judged level to the one that confirms it, value by value.

use crate::analysed::Analysed;
use crate::curve::wrap;
use crate::linearity::Difference;
use crate::margins::Located;
use crate::uncertainty::{Chain, LevelChange};

/// What the uncertainty of a value is made from beside its own sweep.
#[derive(Debug, Clone, Copy)]
pub struct Errors<'a> {
    /// The measuring chain.
    pub chain: &'a Chain,
    /// What a stronger level shows; `None` where there is only one.
    pub level: Option<Stronger<'a>>,
}

impl<'a> Errors<'a> {
    /// The measuring chain alone.
    #[must_use]
    pub fn of_chain(chain: &'a Chain) -> Self {
        Self { chain, level: None }
    }
}

/// The level that confirms the judged one.
#[derive(Debug, Clone, Copy)]
pub struct Stronger<'a> {
    /// Its sweep.
    pub sweep: &'a Analysed,
    /// Its difference to the judged sweep, where both have the same frequencies.
    pub difference: Option<&'a Difference>,
    /// How far the two levels are apart.
    pub law: LevelChange,
}

impl<'a> Stronger<'a> {
    /// Of the judged and the confirming level, each with its dB; `difference` is filled.
    #[must_use]
    pub fn new(
        judged: (f64, &Analysed),
        confirming: (f64, &'a Analysed),
        difference: &'a mut Difference,
    ) -> Self {
        let ((weak_db, weak), (strong_db, strong)) = (judged, confirming);
        let on_one_grid = weak.raw.frequency_hz() == strong.raw.frequency_hz();
        if on_one_grid {
            difference.take(&weak.raw, &strong.raw);
        }
        Self {
            sweep: strong,
            difference: Some(&*difference).filter(|difference| on_one_grid && difference.is_known()),
            law: LevelChange { step_db: strong_db - weak_db },
        }
    }

    /// Change of a value that was found on `judged`, to first order, and its standard uncertainty from noise.
    #[must_use]
    pub fn change(&self, judged: &Analysed, located: &Located) -> (f64, f64) {
        let x = located.point.ln_f;
        let (ln_mag, angle, noise) = match self.difference {
            Some(difference) => difference.at(x),
            None => {
                let (weak, strong) = (judged.curve.at(x), self.sweep.curve.at(x));
                let noises = [judged.noise.at(&judged.curve, x), self.sweep.noise.at(&self.sweep.curve, x)];
                let noise =
                    [noises[0].ln_mag.hypot(noises[1].ln_mag), noises[0].angle.hypot(noises[1].angle)];
                (strong.ln_mag - weak.ln_mag, wrap(strong.angle - weak.angle), noise)
            }
        };
        let (g, p) = (located.sensitivity.ln_gain, located.sensitivity.phase);
        let part = |size: f64, sensitivity: f64| if size == 0.0 { 0.0 } else { size * sensitivity };
        (part(ln_mag, g) + part(angle, p), part(noise[0], g).hypot(part(noise[1], p)))
    }

    /// Standard uncertainty of a value from its change with the level.
    #[must_use]
    pub fn uncertainty(&self, judged: &Analysed, located: &Located) -> f64 {
        let (change, noise) = self.change(judged, located);
        self.law.uncertainty(change, noise)
    }
}
