//! Whether a stronger injection changes the result.
//!
//! A loop gain is a small-signal quantity: raising the injection must change nothing (common practice, no source). The
//! comparison of two levels gives the change of the crossover and of the phase margin, and the largest deviation of the
//! curve over the linearity band.

use crate::analysed::Analysed;
use crate::curve::{Curve, Span, db, wrap};
use crate::margins::{crossover, phase_margin};
use crate::spec::Tolerances;

/// A deviation and where it was found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Deviation {
    /// Size, in the unit of the quantity, with sign (strong less weak).
    pub value: f64,
    /// Frequency, Hz.
    pub at_hz: f64,
}

/// What changes from a weaker to a stronger level. `None` is what could not be compared.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Comparison {
    /// Relative change of the crossover frequency.
    pub crossover: Option<f64>,
    /// Change of the phase margin, deg.
    pub phase_margin_deg: Option<f64>,
    /// Largest deviation of the gain, dB.
    pub gain_db: Option<Deviation>,
    /// Largest deviation of the phase, deg.
    pub phase_deg: Option<Deviation>,
    /// Lowest frequency at which gain or phase leaves its tolerance, Hz.
    pub breaks_at_hz: Option<f64>,
    /// One of the two has a crossover and the other has none.
    pub crossover_lost: bool,
    /// Every sample that both have is the same to the last digit.
    pub identical: bool,
    /// Samples compared.
    pub compared: usize,
}

/// Compares two levels inside `span` (the judged band as far as the sweeps cover it).
#[must_use]
pub fn compare(weak: &Analysed, strong: &Analysed, span: Span, tolerances: &Tolerances) -> Comparison {
    let f = crossover(&weak.crossings, span);
    let g = crossover(&strong.crossings, span);
    let mut comparison = Comparison { crossover_lost: f.is_some() != g.is_some(), ..Comparison::default() };
    let mut band = span;
    if let (Some(f), Some(g)) = (f, g) {
        comparison.crossover = Some(g.value / f.value - 1.0);
        let (low, high) = tolerances.band;
        band =
            Span { from: span.from.max(f.point.ln_f + low.ln()), to: span.to.min(f.point.ln_f + high.ln()) };
    }
    if let (Some(a), Some(b)) = (phase_margin(&weak.crossings, span), phase_margin(&strong.crossings, span))
        && !comparison.crossover_lost
        && comparison.crossover.is_some()
    {
        comparison.phase_margin_deg = Some(wrap(b.value - a.value).to_degrees());
    }
    compare_curves(&weak.curve, &strong.curve, band, tolerances, &mut comparison);
    comparison
}

fn compare_curves(
    weak: &Curve,
    strong: &Curve,
    band: Span,
    tolerances: &Tolerances,
    comparison: &mut Comparison,
) {
    let same_grid = weak.frequency_hz() == strong.frequency_hz();
    let gain_limit = tolerances.gain.map_or(f64::INFINITY, |t| t.ln());
    let phase_limit = tolerances.phase.map_or(f64::INFINITY, |t| t.rad());
    let reach = strong.span();
    let (mut gain, mut phase) = ((0.0_f64, 0.0_f64), (0.0_f64, 0.0_f64));
    let (mut identical, mut compared) = (true, 0_usize);
    let first = weak.ln_f().partition_point(|&x| x < band.from - 1e-12);
    let samples = weak.ln_f().iter().zip(weak.ln_mag()).zip(weak.angle());
    for (i, ((&x, &a), &p)) in samples.enumerate().skip(first) {
        if !band.holds(x) {
            break;
        }
        let (b, q) = if same_grid {
            (strong.ln_mag().get(i).copied().unwrap_or(a), strong.angle().get(i).copied().unwrap_or(p))
        } else if reach.holds(x) {
            let point = strong.at(x);
            (point.ln_mag, point.angle)
        } else {
            continue;
        };
        compared += 1;
        let (da, dp) = (b - a, wrap(q - p));
        // On another grid the interpolation at a shared sample leaves rounding behind.
        identical &= da.abs() < 1e-12 && dp.abs() < 1e-12;
        if da.abs() > gain.0.abs() {
            gain = (da, x);
        }
        if dp.abs() > phase.0.abs() {
            phase = (dp, x);
        }
        if comparison.breaks_at_hz.is_none() && (da.abs() > gain_limit || dp.abs() > phase_limit) {
            comparison.breaks_at_hz = Some(x.exp());
        }
    }
    comparison.compared = compared;
    if compared == 0 {
        return;
    }
    comparison.identical = identical;
    comparison.gain_db = Some(Deviation { value: db(gain.0), at_hz: gain.1.exp() });
    comparison.phase_deg = Some(Deviation { value: phase.0.to_degrees(), at_hz: phase.1.exp() });
}

impl Comparison {
    /// Whether the two levels agree inside every tolerance given. What was not comparable does not agree.
    #[must_use]
    pub fn agrees(&self, tolerances: &Tolerances) -> bool {
        let inside = |value: Option<f64>, tolerance: Option<f64>| match (value, tolerance) {
            (_, None) => true,
            (Some(value), Some(tolerance)) => value.abs() <= tolerance,
            (None, Some(_)) => false,
        };
        if self.crossover_lost || self.compared == 0 {
            return false;
        }
        let no_crossover = self.crossover.is_none();
        let curves = inside(self.gain_db.map(|d| d.value), tolerances.gain.map(|t| t.db()))
            && inside(self.phase_deg.map(|d| d.value), tolerances.phase.map(|t| t.deg()));
        if no_crossover {
            // Two tolerances need a crossover; something must be left to compare.
            return curves && (tolerances.gain.is_some() || tolerances.phase.is_some());
        }
        curves
            && inside(self.crossover, tolerances.crossover.map(|t| t.ratio()))
            && inside(self.phase_margin_deg, tolerances.phase_margin.map(|t| t.deg()))
    }
}

/// Slack of the step between two levels, dB: a source's own rounding.
const STEP_SLACK_DB: f64 = 0.1;

/// What the levels of a corner came to.
#[derive(Debug, Clone, PartialEq)]
pub struct Selection {
    /// The strongest confirmed level and the one that confirms it, as indices of the levels.
    pub confirmed: Option<(usize, usize)>,
    /// The comparison that tells most: of the confirmed pair, else of the weakest pair that was tried.
    pub told_by: Option<(usize, usize, Comparison)>,
    /// A weaker level that contradicts the confirmed pair next above it, where that is why nothing is confirmed.
    pub contradicted: bool,
}

/// Finds the strongest confirmed level.
///
/// `levels_db` rises; `is_copy` marks levels whose numbers are those of another sweep, which confirm nothing;
/// `compare` compares two levels by their indices, the weaker one first.
pub fn select(
    levels_db: &[f64],
    is_copy: &[bool],
    tolerances: &Tolerances,
    mut compare: impl FnMut(usize, usize) -> Comparison,
) -> Selection {
    let mut told_by = None;
    let mut contradicted = false;
    let partner = |i: usize| {
        let base = levels_db.get(i)?;
        // A part in 1e9 for the rounding of units such as Vpp.
        let least = base + tolerances.step.db() - STEP_SLACK_DB - 1e-9;
        levels_db.iter().skip(i + 1).position(|&db| db >= least).map(|offset| i + 1 + offset)
    };
    for i in (0..levels_db.len()).rev() {
        let Some(j) = partner(i) else { continue };
        let comparison = compare(i, j);
        let copied = comparison.identical || is_copy.get(j).copied().unwrap_or(false);
        if copied || !comparison.agrees(tolerances) {
            told_by = Some((i, j, comparison));
            continue;
        }
        let denied = (0..i).rev().find_map(|k| {
            let weaker = compare(k, i);
            (!weaker.agrees(tolerances)).then_some((k, i, weaker))
        });
        match denied {
            None => {
                return Selection {
                    confirmed: Some((i, j)),
                    told_by: Some((i, j, comparison)),
                    contradicted: false,
                };
            }
            Some(pair) => {
                told_by = Some(pair);
                contradicted = true;
            }
        }
    }
    Selection { confirmed: None, told_by, contradicted }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::{Decibel, Degrees, Ratio};
    use crate::spec::CriticalPoint;
    use crate::sweep::Samples;

    fn tolerances() -> Tolerances {
        Tolerances {
            step: Decibel::new(3.0).unwrap(),
            crossover: Ratio::new(0.02),
            phase_margin: Degrees::new(2.0),
            gain: Decibel::new(1.0),
            phase: Degrees::new(5.0),
            band: (0.1, 10.0),
        }
    }

    /// An integrator with a lag, crossing near 1 kHz; `gain` and `turn_deg` distort it.
    fn sweep(gain: f64, turn_deg: f64, offset: f64) -> Analysed {
        let mut samples = Samples::default();
        for k in 0..=120 {
            let hz = 10.0 * 10f64.powf((f64::from(k) + offset) / 30.0);
            samples.frequency_hz.push(hz);
            samples.ln_magnitude.push((gain * 1e3 / hz / (hz / 2e4).hypot(1.0)).ln());
            samples.phase_rad.push((90.0 - turn_deg - (hz / 2e4).atan().to_degrees()).to_radians());
        }
        Analysed::of(&samples, CriticalPoint::PlusOne)
    }

    fn between(weak: &Analysed, strong: &Analysed) -> Comparison {
        let span = strong.curve.clip(weak.curve.span()).unwrap();
        compare(weak, strong, span, &tolerances())
    }

    #[test]
    fn changes_are_measured_on_equal_and_on_other_grids() {
        for offset in [0.0, 0.4] {
            let c = between(&sweep(1.0, 0.0, 0.0), &sweep(1.05, 1.0, offset));
            assert!((c.crossover.unwrap() - 0.05).abs() < 1e-3, "{c:?}");
            assert!((c.gain_db.unwrap().value - 20.0 * 1.05f64.log10()).abs() < 1e-4);
            assert!((c.phase_deg.unwrap().value + 1.0).abs() < 1e-4);
            assert!(!c.agrees(&tolerances()) && !c.identical);
        }
        let same = between(&sweep(1.0, 0.0, 0.0), &sweep(1.0, 0.0, 0.0));
        assert!(same.identical && same.agrees(&tolerances()));
        assert!(between(&sweep(1.0, 0.0, 0.0), &sweep(1.001, 0.1, 0.4)).agrees(&tolerances()));
    }

    #[test]
    fn a_crossover_that_only_one_has_is_no_agreement() {
        let c = between(&sweep(1.0, 0.0, 0.0), &sweep(1e-6, 0.0, 0.0));
        assert!(c.crossover_lost && !c.agrees(&tolerances()));
        let neither = between(&sweep(1e-6, 0.0, 0.0), &sweep(1.001e-6, 0.0, 0.0));
        assert!(neither.crossover.is_none() && neither.agrees(&tolerances()));
        let only_crossover = Tolerances { gain: None, phase: None, ..tolerances() };
        assert!(!neither.agrees(&only_crossover), "nothing is left to compare");
    }

    /// Levels by their true change of gain: equal numbers agree, others do not.
    fn choose(levels_db: &[f64], truth: &[u8], copies: &[bool]) -> Option<(usize, usize)> {
        let compare = |a: usize, b: usize| Comparison {
            crossover: Some(if truth[a] == truth[b] { 0.0 } else { 0.1 }),
            phase_margin_deg: Some(0.0),
            gain_db: Some(Deviation { value: 0.01, at_hz: 1e3 }),
            phase_deg: Some(Deviation { value: 0.01, at_hz: 1e3 }),
            compared: 10,
            ..Comparison::default()
        };
        select(levels_db, copies, &tolerances(), compare).confirmed
    }

    #[test]
    fn the_strongest_confirmed_level_is_chosen() {
        let no = [false; 5];
        assert_eq!(choose(&[-26.0, -23.0], &[0, 0], &no), Some((0, 1)));
        assert_eq!(choose(&[-26.0, -23.0, -20.0, -17.0], &[0, 0, 0, 1], &no), Some((1, 2)));
        assert_eq!(choose(&[-26.0, -23.0, -20.0], &[0, 1, 2], &no), None);
        // Two strong levels that clamp alike are contradicted by the weaker ones.
        assert_eq!(choose(&[-26.0, -23.0, -20.0, -17.0], &[0, 0, 1, 1], &no), Some((0, 1)));
        assert_eq!(choose(&[-26.0, -20.0, -17.0], &[0, 1, 1], &no), None);
        // 2.9 dB are 3 dB with the slack of a source; 2 dB are no step, the next level counts.
        assert_eq!(choose(&[-26.0, -23.1], &[0, 0], &no), Some((0, 1)));
        assert_eq!(choose(&[-26.0, -24.0], &[0, 0], &no), None);
        assert_eq!(choose(&[-26.0, -24.0, -22.0], &[0, 1, 0], &no), Some((0, 2)));
        assert_eq!(choose(&[-26.0], &[0], &no), None);
        assert_eq!(choose(&[], &[], &no), None);
    }

    #[test]
    fn a_copy_confirms_nothing() {
        assert_eq!(choose(&[-26.0, -23.0], &[0, 0], &[false, true]), None);
        assert_eq!(choose(&[-26.0, -23.0, -20.0], &[0, 0, 0], &[false, true, false]), Some((1, 2)));
    }
}
