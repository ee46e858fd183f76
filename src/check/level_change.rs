//! What was seen to change with the level, value by value.
//!
//! **Why is the change with the level extrapolated in proportion?** Where the gain falls with the level it is the slowest law that
//! is common, so it bounds the others. Where it surely rises, as with a dead zone, what is left falls as the inverse of the level, and
//! more than the change in proportion is left. A level below the judged one that shows no change bounds it as well; the smaller bound counts.
//!
//! **Why does a change count where it hardly moves the value?** A drift between two sweeps and a change with the level
//! cancel somewhere along the curve, and there the pair shows nothing. They do not cancel half a decade away, nor in gain
//! and phase alike.

use crate::analysed::Analysed;
use crate::curve::{Span, wrap};
use crate::linearity::Difference;
use crate::margins::{Located, Sensitivity};
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
    /// The part of both that is judged.
    pub span: Span,
    /// How far the two levels are apart.
    pub law: LevelChange,
    /// Whether the two levels differ as a whole by more than noise.
    pub changes: bool,
    /// The next weaker level than the judged one.
    pub weaker: Option<Weaker<'a>>,
}

/// A change of the loop is one complex number along the curve. That it hardly moves a value, since gain and phase move it to opposite sides
/// or since two changes (with the level, and a drift between the sweeps) cancel there, is an accident of this pair of levels, which does
/// not hold down to no level at all. This share of what the change about the place could do to the value counts at least (a choice; the
/// simulated bench, `examples/simulate`, mode `bench-coverage`, shows what it covers).
const CANCELLED: f64 = 0.25;

/// The weaker neighbour's word counts up to this many times that of the stronger one: where it is drowned it tells nothing.
const MOST_BELOW: f64 = 3.0;

/// Standard deviations of its noise beyond which a gain surely rises with the level: one in 700.
const RISES: f64 = 3.0;

/// A change of the curve: ln of the magnitude, angle, and the standard uncertainties of both from noise.
type Shift = (f64, f64, [f64; 2]);

impl<'a> Stronger<'a> {
    /// Of the judged and the confirming level, each with its dB, inside the part that is judged; `difference` is filled.
    #[must_use]
    pub fn new(
        judged: (f64, &Analysed),
        confirming: (f64, &'a Analysed),
        span: Span,
        difference: &'a mut Difference,
    ) -> Self {
        let ((weak_db, weak), (strong_db, strong)) = (judged, confirming);
        let on_one_grid = weak.raw.frequency_hz() == strong.raw.frequency_hz();
        if on_one_grid {
            difference.take(weak, strong);
        }
        let difference = Some(&*difference).filter(|difference| on_one_grid && difference.is_known());
        Self {
            sweep: strong,
            difference,
            span,
            changes: difference.is_some_and(Difference::shows_change),
            law: LevelChange { step_db: strong_db - weak_db },
            weaker: None,
        }
    }

    /// Change of a value that was found on `judged`, to first order, and its standard uncertainty from noise.
    #[must_use]
    pub fn change(&self, judged: &Analysed, located: &Located) -> (f64, f64) {
        let moved = self.moved(judged, located);
        (moved.change, moved.noise)
    }

    fn moved(&self, judged: &Analysed, located: &Located) -> Moved {
        let x = located.point.ln_f;
        let rounding = rounding(judged, self.sweep);
        let Some(difference) = self.difference else {
            return of_value(located, shift(judged, self.sweep, x), rounding);
        };
        let moved = of_value(located, difference.at(x), rounding);
        let most = part(difference.about(x, self.span), length(located));
        Moved { most: moved.most.max(most), ..moved }
    }

    /// Standard uncertainty of ln of the magnitude at a place from its change with the level, neper; one digit of the files is no change.
    #[must_use]
    pub fn gain_uncertainty(&self, judged: &Analysed, ln_f: f64) -> f64 {
        let point = judged.curve.at(ln_f);
        let sensitivity = Sensitivity { ln_gain: 1.0, phase: 0.0 };
        let located = Located { value: point.ln_mag, point, sensitivity };
        let moved = self.moved(judged, &located);
        let noise = moved.noise.hypot(rounding(judged, self.sweep));
        self.drawn(judged, &located, moved.size(), Moved { noise, ..moved })
    }

    /// Standard uncertainty of a value from its change with the level. Each neighbouring level tells of it.
    #[must_use]
    pub fn uncertainty(&self, judged: &Analysed, located: &Located) -> f64 {
        let moved = self.moved(judged, located);
        let size = moved.size();
        // Noise may as well have hidden some of a change that is there.
        let (size, noise) = if self.changes { (size.hypot(moved.noise), 0.0) } else { (size, moved.noise) };
        self.drawn(judged, located, size, Moved { noise, ..moved })
    }

    /// A change of a size drawn to no level, with its noise taken off.
    fn drawn(&self, judged: &Analysed, located: &Located, size: f64, moved: Moved) -> f64 {
        let noise = moved.noise;
        let above = if moved.rises {
            self.law.uncertainty_rising(size, noise)
        } else {
            self.law.uncertainty(size, noise)
        };
        // Both neighbours tell of one error, each with its noise: the mean of their squares.
        self.weaker.map_or(above, |weaker| {
            let shift = shift(weaker.sweep, judged, located.point.ln_f);
            let moved = of_value(located, shift, rounding(weaker.sweep, judged));
            let below = weaker.law.uncertainty_above(moved.size().hypot(moved.noise));
            (0.5 * (above * above + below.min(MOST_BELOW * above).powi(2))).sqrt()
        })
    }
}

/// A change of the curve as a change of a value, in the value's unit.
struct Moved {
    change: f64,
    /// What a change of that size can do to the value, whatever its direction.
    most: f64,
    /// Standard uncertainty of the change from noise.
    noise: f64,
    /// Whether the gain surely rises with the level there.
    rises: bool,
}

impl Moved {
    /// The change, or the share of what it could do that counts at least.
    fn size(&self) -> f64 {
        self.change.abs().max(CANCELLED * self.most)
    }
}

/// What a change of nothing does, even where the value has no finite sensitivity.
fn part(size: f64, sensitivity: f64) -> f64 {
    if size == 0.0 { 0.0 } else { size * sensitivity }
}

/// How much a value answers to a change of the curve in the worst direction.
fn length(located: &Located) -> f64 {
    located.sensitivity.ln_gain.hypot(located.sensitivity.phase)
}

/// Strong less weak at a place.
fn shift(weak: &Analysed, strong: &Analysed, x: f64) -> Shift {
    let (from, to) = (weak.curve.at(x), strong.curve.at(x));
    let (a, b) = (weak.noise.at(&weak.curve, x), strong.noise.at(&strong.curve, x));
    let noise = [a.ln_mag.hypot(b.ln_mag), a.angle.hypot(b.angle)];
    (to.ln_mag - from.ln_mag, wrap(to.angle - from.angle), noise)
}

/// What the rounding of both files makes of the difference of their gains, neper: step / sqrt 12 of each (rectangular, JCGM 100:2008, F.2.2.1).
fn rounding(weak: &Analysed, strong: &Analysed) -> f64 {
    weak.steps[0].hypot(strong.steps[0]) / 12f64.sqrt()
}

/// A change of the curve as a change of a value; `rounding` as of [`rounding`].
fn of_value(located: &Located, (ln_mag, angle, noise): Shift, rounding: f64) -> Moved {
    let (g, p) = (located.sensitivity.ln_gain, located.sensitivity.phase);
    Moved {
        change: part(ln_mag, g) + part(angle, p),
        most: part(ln_mag.hypot(angle), length(located)),
        noise: part(noise[0], g).hypot(part(noise[1], p)),
        rises: ln_mag > RISES * noise[0].hypot(rounding),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::curve::Point;

    /// Gain and phase of one change that move a value to opposite sides count by what they could do.
    #[test]
    fn parts_that_cancel_are_remembered() {
        let point = Point { ln_f: 9.0, ln_mag: 0.0, angle: 1.0, mag_slope: -1.0, angle_slope: -0.5 };
        let sensitivity = Sensitivity { ln_gain: 2.0, phase: 1.0 };
        let moved = of_value(&Located { value: 1.0, point, sensitivity }, (0.01, -0.02, [0.001, 0.001]), 0.0);
        assert!(moved.change.abs() < 1e-15 && (moved.most - (0.0005f64 * 5.0).sqrt()).abs() < 1e-15);
        assert!((moved.noise - 0.001 * 5f64.sqrt()).abs() < 1e-15);
        assert!(moved.rises);
        for ln_mag in [-0.01, 0.002] {
            let located = Located { value: 1.0, point, sensitivity };
            assert!(!of_value(&located, (ln_mag, -0.02, [0.001, 0.001]), 0.0).rises, "{ln_mag}");
        }
        // One digit of 0.1 dB, 0.0115 neper, in both files.
        let one_digit = (0.0115, 0.0, [1e-5, 1e-5]);
        assert!(
            !of_value(&Located { value: 1.0, point, sensitivity }, one_digit, 0.0115 / 6f64.sqrt()).rises
        );
    }
}
