//! What was seen to change with the level, value by value.

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
    /// What other levels show; `None` where there is only one.
    pub level: Option<Stronger<'a>>,
}

impl<'a> Errors<'a> {
    /// The measuring chain alone.
    #[must_use]
    pub fn of_chain(chain: &'a Chain) -> Self {
        Self { chain, level: None }
    }
}

/// The next weaker level, where there is one: what has not changed up to the judged level is not off there.
#[derive(Debug, Clone, Copy)]
pub struct Weaker<'a> {
    /// Its sweep.
    pub sweep: &'a Analysed,
    /// How far the judged level lies above it.
    pub law: LevelChange,
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
    /// The next weaker level than the judged one.
    pub weaker: Option<Weaker<'a>>,
}

/// A change of the curve: ln of the magnitude, angle, and the standard uncertainties of both from noise.
type Shift = (f64, f64, [f64; 2]);

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
            weaker: None,
        }
    }

    /// Change of a value that was found on `judged`, to first order, and its standard uncertainty from noise.
    #[must_use]
    pub fn change(&self, judged: &Analysed, located: &Located) -> (f64, f64) {
        let x = located.point.ln_f;
        let shift =
            self.difference.map_or_else(|| shift(judged, self.sweep, x), |difference| difference.at(x));
        of_value(located, shift)
    }

    /// Standard uncertainty of a value from its change with the level. Each neighbouring level bounds it; the smaller bound counts.
    #[must_use]
    pub fn uncertainty(&self, judged: &Analysed, located: &Located) -> f64 {
        let (change, noise) = self.change(judged, located);
        let above = self.law.uncertainty(change, noise);
        let below = self.weaker.map_or(f64::INFINITY, |weaker| {
            let (change, noise) = of_value(located, shift(weaker.sweep, judged, located.point.ln_f));
            weaker.law.uncertainty_above(change.hypot(noise))
        });
        above.min(below)
    }
}

/// Strong less weak at a place.
fn shift(weak: &Analysed, strong: &Analysed, x: f64) -> Shift {
    let (from, to) = (weak.curve.at(x), strong.curve.at(x));
    let (a, b) = (weak.noise.at(&weak.curve, x), strong.noise.at(&strong.curve, x));
    let noise = [a.ln_mag.hypot(b.ln_mag), a.angle.hypot(b.angle)];
    (to.ln_mag - from.ln_mag, wrap(to.angle - from.angle), noise)
}

/// A change of the curve as a change of a value, and its noise.
fn of_value(located: &Located, (ln_mag, angle, noise): Shift) -> (f64, f64) {
    let (g, p) = (located.sensitivity.ln_gain, located.sensitivity.phase);
    let part = |size: f64, sensitivity: f64| if size == 0.0 { 0.0 } else { size * sensitivity };
    (part(ln_mag, g) + part(angle, p), part(noise[0], g).hypot(part(noise[1], p)))
}
