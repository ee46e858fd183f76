//! Whether a stronger injection changes the result.
//!
//! A loop gain is a small-signal quantity: raising the injection must change nothing (common practice, no source). The
//! comparison of two levels gives the change of the crossover and of the phase margin, and the largest deviation of the
//! curve over the linearity band. The errors of the measuring chain are the same in both and cancel; the noise of both does
//! not, so every change carries its expanded noise (coverage factor 2):
//!
//! | change less its noise | noise | the pair |
//! | --- | --- | --- |
//! | beyond the tolerance | any | differs |
//! | inside | inside the tolerance | agrees |
//! | inside | beyond the tolerance | tells nothing |

use crate::analysed::Analysed;
use crate::curve::{Curve, Span, db, wrap};
use crate::margins::{Located, Sensitivity, crossover, phase_margin};
use crate::noise::{Noise, Smoother};
use crate::spec::Tolerances;

/// A change with its expanded noise, in the unit of the quantity.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Change {
    /// Size, with sign (strong less weak).
    pub value: f64,
    /// Expanded noise of it, coverage factor 2.
    pub noise: f64,
}

/// A deviation of the curve and where it was found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Deviation {
    /// The change; of all samples the one whose size less its noise is largest.
    pub change: Change,
    /// Frequency, Hz.
    pub at_hz: f64,
    /// Largest noise at any sample compared, in the unit of the quantity, and its frequency, Hz.
    pub most_noise: (f64, f64),
}

/// Coverage factor of the noise of a difference.
const COVERAGE: f64 = 2.0;

/// What two levels are to each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Relation {
    /// Inside every tolerance.
    Agrees,
    /// Beyond a tolerance by more than the noise.
    Differs,
    /// The noise alone exceeds a tolerance, or nothing could be compared.
    Unclear,
}

/// What changes from a weaker to a stronger level. `None` is what could not be compared.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Comparison {
    /// Relative change of the crossover frequency.
    pub crossover: Option<Change>,
    /// Change of the phase margin, deg.
    pub phase_margin_deg: Option<Change>,
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

/// The difference of two levels as a curve of its own. What both have in common has gone from it, so it is far smoother than
/// either, and its noise can be averaged over far more samples. Memory is reused.
#[derive(Debug, Clone)]
pub struct Difference {
    smoother: Smoother,
    raw: Curve,
    curve: Curve,
    noise: Noise,
}

impl Default for Difference {
    fn default() -> Self {
        Self {
            smoother: Smoother::for_differences(),
            raw: Curve::new(),
            curve: Curve::new(),
            noise: Noise::default(),
        }
    }
}

impl Difference {
    /// Strong less weak, on the samples that both have.
    fn take(&mut self, weak: &Curve, strong: &Curve) {
        self.raw.difference(weak, strong);
        self.smoother.smooth(&self.raw, None, &mut self.noise, &mut self.curve);
    }

    /// How far a value that was found on the weak curve moves to the strong one, to first order.
    fn change(&self, located: &Located) -> Change {
        let Sensitivity { ln_gain, phase } = located.sensitivity;
        let (point, noise) =
            (self.curve.at(located.point.ln_f), self.noise.at(&self.curve, located.point.ln_f));
        Change {
            value: ln_gain * point.ln_mag + phase * point.angle,
            noise: COVERAGE * (ln_gain * noise.ln_mag).hypot(phase * noise.angle),
        }
    }
}

/// Compares two levels inside `span` (the judged band as far as the sweeps cover it).
///
/// First each level's own smoothed curve is used. Where those do not agree, the difference of the two is smoothed itself,
/// which decides.
#[must_use]
pub fn compare(
    weak: &Analysed,
    strong: &Analysed,
    span: Span,
    tolerances: &Tolerances,
    difference: &mut Difference,
) -> Comparison {
    let f = crossover(&weak.crossings, span);
    let g = crossover(&strong.crossings, span);
    let mut comparison = Comparison { crossover_lost: f.is_some() != g.is_some(), ..Comparison::default() };
    let mut band = span;
    if let (Some(f), Some(g)) = (f, g) {
        comparison.crossover =
            Some(Change { value: g.value / f.value - 1.0, noise: both(weak, strong, &f, &g) / f.value });
        let (low, high) = tolerances.band;
        band =
            Span { from: span.from.max(f.point.ln_f + low.ln()), to: span.to.min(f.point.ln_f + high.ln()) };
    }
    let margins = phase_margin(&weak.crossings, span)
        .zip(phase_margin(&strong.crossings, span))
        .filter(|_| comparison.crossover.is_some());
    if let Some((a, b)) = margins {
        let noise = both(weak, strong, &a, &b).to_degrees();
        comparison.phase_margin_deg = Some(Change { value: wrap(b.value - a.value).to_degrees(), noise });
    }
    compare_curves(weak, strong, band, tolerances, &mut comparison);
    let same_grid = weak.raw.frequency_hz() == strong.raw.frequency_hz();
    if !same_grid || comparison.identical || comparison.relation(tolerances) == Relation::Agrees {
        return comparison;
    }
    difference.take(&weak.raw, &strong.raw);
    let small = |change: &Change| change.value.abs() < FIRST_ORDER;
    if let (Some(f), Some(known)) = (f, comparison.crossover.filter(small)) {
        let Change { value, noise } = difference.change(&f);
        let change = Change { value: value / f.value, noise: noise / f.value };
        comparison.crossover = Some(if small(&change) { change } else { known });
        if let (Some((a, _)), Some(known)) = (margins, comparison.phase_margin_deg) {
            let Change { value, noise } = difference.change(&a);
            let change = Change { value: value.to_degrees(), noise: noise.to_degrees() };
            let near = (change.value - known.value).abs() <= known.noise + change.noise;
            comparison.phase_margin_deg = Some(if near { change } else { known });
        }
    }
    let Difference { curve, noise, .. } = &*difference;
    let [gain_share, phase_share] = noise.shares();
    let mut seen = Seen::new(tolerances);
    for (i, &x) in curve.ln_f().iter().enumerate().filter(|(_, x)| band.holds(**x)) {
        let at = |values: &[f64]| values.get(i).copied().unwrap_or(0.0);
        let fit = COVERAGE * at(noise.fit());
        let change = |value, share| Change { value, noise: fit * share };
        seen.see(change(at(curve.ln_mag()), gain_share), change(at(curve.angle()), phase_share), x);
    }
    seen.report(&mut comparison);
    comparison
}

/// Relative change of the crossover up to which its first-order value is used: the second-order part is below 5 % of it.
const FIRST_ORDER: f64 = 0.1;

/// Expanded noise of the difference of a value read from two sweeps.
fn both(weak: &Analysed, strong: &Analysed, a: &Located, b: &Located) -> f64 {
    COVERAGE * weak.noise_of(a).hypot(strong.noise_of(b))
}

/// The worst deviation of one part of the curve, on the way.
#[derive(Default)]
struct Worst {
    any: bool,
    beyond: f64,
    change: Change,
    x: f64,
    most_noise: (f64, f64),
}

impl Worst {
    fn see(&mut self, change: Change, x: f64) {
        let beyond = change.value.abs() - change.noise;
        if !self.any || beyond > self.beyond {
            *self = Self { any: true, beyond, change, x, ..*self };
        }
        if change.noise >= self.most_noise.0 {
            self.most_noise = (change.noise, x);
        }
    }

    fn deviation(&self, unit: f64) -> Deviation {
        Deviation {
            change: Change { value: self.change.value * unit, noise: self.change.noise * unit },
            at_hz: self.x.exp(),
            most_noise: (self.most_noise.0 * unit, self.most_noise.1.exp()),
        }
    }
}

/// What was seen of the curve, sample by sample.
struct Seen {
    gain_limit: f64,
    phase_limit: f64,
    gain: Worst,
    phase: Worst,
    breaks_at: Option<f64>,
    count: usize,
}

impl Seen {
    fn new(tolerances: &Tolerances) -> Self {
        Self {
            gain_limit: tolerances.gain.map_or(f64::INFINITY, |t| t.ln()),
            phase_limit: tolerances.phase.map_or(f64::INFINITY, |t| t.rad()),
            gain: Worst::default(),
            phase: Worst::default(),
            breaks_at: None,
            count: 0,
        }
    }

    fn see(&mut self, gain: Change, phase: Change, x: f64) {
        self.count += 1;
        self.gain.see(gain, x);
        self.phase.see(phase, x);
        let beyond = |change: Change, limit: f64| change.value.abs() - change.noise > limit;
        if self.breaks_at.is_none() && (beyond(gain, self.gain_limit) || beyond(phase, self.phase_limit)) {
            self.breaks_at = Some(x);
        }
    }

    fn report(&self, comparison: &mut Comparison) {
        comparison.compared = self.count;
        if self.count == 0 {
            return;
        }
        comparison.gain_db = Some(self.gain.deviation(db(1.0)));
        comparison.phase_deg = Some(self.phase.deviation(1f64.to_degrees()));
        comparison.breaks_at_hz = self.breaks_at.map(f64::exp);
    }
}

fn compare_curves(
    weak: &Analysed,
    strong: &Analysed,
    band: Span,
    tolerances: &Tolerances,
    comparison: &mut Comparison,
) {
    let same_grid = weak.curve.frequency_hz() == strong.curve.frequency_hz();
    let reach = strong.curve.span();
    let mut seen = Seen::new(tolerances);
    let mut identical = true;
    let ([own_gain, own_phase], [other_gain, other_phase]) = (weak.noise.shares(), strong.noise.shares());
    let first = weak.curve.ln_f().partition_point(|&x| x < band.from - 1e-12);
    let samples = weak.curve.ln_f().iter().zip(weak.curve.ln_mag()).zip(weak.curve.angle());
    for (i, ((&x, &a), &p)) in samples.enumerate().skip(first) {
        if !band.holds(x) {
            break;
        }
        let own = weak.noise.fit().get(i).copied().unwrap_or(0.0);
        let (b, q, other) = if same_grid {
            let at = |values: &[f64], or: f64| values.get(i).copied().unwrap_or(or);
            identical &= same_sample(&weak.raw, &strong.raw, i);
            (at(strong.curve.ln_mag(), a), at(strong.curve.angle(), p), at(strong.noise.fit(), 0.0))
        } else if reach.holds(x) {
            let point = strong.curve.at(x);
            let raw = strong.raw.at(x);
            // On another grid the interpolation at a shared sample leaves rounding behind.
            let off = (raw.ln_mag - weak.raw.ln_mag().get(i).unwrap_or(&a)).abs();
            identical &= off < 1e-12;
            let near = strong.noise.fit().get(strong.curve.interval(x)).copied().unwrap_or(0.0);
            (point.ln_mag, point.angle, near)
        } else {
            continue;
        };
        let change = |value, own, other| Change { value, noise: COVERAGE * f64::hypot(own, other) };
        let gain = change(b - a, own * own_gain, other * other_gain);
        seen.see(gain, change(wrap(q - p), own * own_phase, other * other_phase), x);
    }
    seen.report(comparison);
    comparison.identical = identical && seen.count > 0;
}

/// Whether both sweeps have the same numbers at a sample.
fn same_sample(weak: &Curve, strong: &Curve, i: usize) -> bool {
    let differs = |a: Option<&f64>, b: Option<&f64>| a.zip(b).is_none_or(|(a, b)| (a - b).abs() >= 1e-12);
    let phase = weak.angle().get(i).zip(strong.angle().get(i));
    !differs(weak.ln_mag().get(i), strong.ln_mag().get(i))
        && phase.is_some_and(|(p, q)| wrap(q - p).abs() < 1e-12)
}

impl Comparison {
    /// What the two levels are to each other under the tolerances given. Without a crossover in either, the tolerances that
    /// need one are left out.
    #[must_use]
    pub fn relation(&self, tolerances: &Tolerances) -> Relation {
        if self.crossover_lost {
            return Relation::Differs;
        }
        if self.compared == 0 {
            return Relation::Unclear;
        }
        let curve = |deviation: Option<Deviation>, tolerance: Option<f64>| {
            let Some(tolerance) = tolerance else { return Relation::Agrees };
            deviation.map_or(Relation::Unclear, |d| {
                let most = Change { noise: d.most_noise.0, ..d.change };
                match related(d.change, tolerance) {
                    Relation::Differs => Relation::Differs,
                    _ if most.noise > tolerance => Relation::Unclear,
                    _ => Relation::Agrees,
                }
            })
        };
        let value = |change: Option<Change>, tolerance: Option<f64>| {
            let Some(tolerance) = tolerance else { return Relation::Agrees };
            change.map_or(Relation::Unclear, |change| related(change, tolerance))
        };
        let mut relations = [
            curve(self.gain_db, tolerances.gain.map(|t| t.db())),
            curve(self.phase_deg, tolerances.phase.map(|t| t.deg())),
            Relation::Agrees,
            Relation::Agrees,
        ];
        if self.crossover.is_none() {
            // Something must be left to compare.
            if tolerances.gain.is_none() && tolerances.phase.is_none() {
                return Relation::Unclear;
            }
        } else {
            relations[2] = value(self.crossover, tolerances.crossover.map(|t| t.ratio()));
            relations[3] = value(self.phase_margin_deg, tolerances.phase_margin.map(|t| t.deg()));
        }
        if relations.contains(&Relation::Differs) {
            Relation::Differs
        } else if relations.contains(&Relation::Unclear) {
            Relation::Unclear
        } else {
            Relation::Agrees
        }
    }

    /// Whether the two levels agree inside every tolerance given. What was not comparable does not agree.
    #[must_use]
    pub fn agrees(&self, tolerances: &Tolerances) -> bool {
        self.relation(tolerances) == Relation::Agrees
    }
}

fn related(change: Change, tolerance: f64) -> Relation {
    if change.value.abs() - change.noise > tolerance {
        Relation::Differs
    } else if change.noise > tolerance {
        Relation::Unclear
    } else {
        Relation::Agrees
    }
}

/// Slack of the step between two levels, dB: a source's own rounding.
pub(crate) const STEP_SLACK_DB: f64 = 0.1;

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
            (weaker.relation(tolerances) == Relation::Differs).then_some((k, i, weaker))
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
        compare(weak, strong, span, &tolerances(), &mut Difference::default())
    }

    #[test]
    fn changes_are_measured_on_equal_and_on_other_grids() {
        for offset in [0.0, 0.4] {
            let c = between(&sweep(1.0, 0.0, 0.0), &sweep(1.05, 1.0, offset));
            // To first order in the difference.
            assert!((c.crossover.unwrap().value - 0.05).abs() < 2e-3, "{c:?}");
            assert!((c.gain_db.unwrap().change.value - 20.0 * 1.05f64.log10()).abs() < 1e-4);
            assert!((c.phase_deg.unwrap().change.value + 1.0).abs() < 1e-4);
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
        let change = |value: f64| Change { value, noise: 0.0 };
        let compare = |a: usize, b: usize| Comparison {
            crossover: Some(change(if truth[a] == truth[b] { 0.0 } else { 0.1 })),
            phase_margin_deg: Some(change(0.0)),
            gain_db: Some(Deviation { change: change(0.01), at_hz: 1e3, most_noise: (0.0, 1e3) }),
            phase_deg: Some(Deviation { change: change(0.01), at_hz: 1e3, most_noise: (0.0, 1e3) }),
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

    use crate::noise::drawn;

    /// Change and expanded noise, as parts of the tolerance, and what follows.
    const RULES: [(f64, f64, Relation); 7] = [
        (0.0, 0.0, Relation::Agrees),
        (1.0, 0.0, Relation::Agrees),
        (1.01, 0.0, Relation::Differs),
        (1.5, 0.6, Relation::Agrees),
        (-1.7, 0.6, Relation::Differs),
        (0.1, 1.1, Relation::Unclear),
        (-2.5, 1.4, Relation::Differs),
    ];

    #[test]
    fn noise_decides_what_a_change_tells() {
        let t = tolerances();
        let still = Change::default();
        let flat = Deviation { change: still, at_hz: 1e3, most_noise: (0.0, 1e3) };
        let quiet = Comparison {
            crossover: Some(still),
            phase_margin_deg: Some(still),
            gain_db: Some(flat),
            phase_deg: Some(flat),
            compared: 10,
            ..Comparison::default()
        };
        assert_eq!(quiet.relation(&t), Relation::Agrees);
        for (value, noise, relation) in RULES {
            let change = |tolerance: f64| Change { value: value * tolerance, noise: noise * tolerance };
            let deviation = |tolerance: f64| {
                let change = change(tolerance);
                Some(Deviation { change, at_hz: 1e3, most_noise: (change.noise, 1e3) })
            };
            for one in [
                Comparison { crossover: Some(change(0.02)), ..quiet },
                Comparison { phase_margin_deg: Some(change(2.0)), ..quiet },
                Comparison { gain_db: deviation(1.0), ..quiet },
                Comparison { phase_deg: deviation(5.0), ..quiet },
            ] {
                assert_eq!(one.relation(&t), relation, "{value} {noise}: {one:?}");
            }
            // One that differs outweighs one that tells nothing.
            let both = Comparison {
                gain_db: deviation(1.0),
                crossover: Some(Change { value: 0.0, noise: 0.03 }),
                ..quiet
            };
            let expected = if relation == Relation::Differs { relation } else { Relation::Unclear };
            assert_eq!(both.relation(&t), expected);
        }
        // The noise anywhere in the band counts, not only where the deviation is largest.
        let loud = Deviation { most_noise: (1.2, 10.0), ..flat };
        assert_eq!(Comparison { gain_db: Some(loud), ..quiet }.relation(&t), Relation::Unclear);
        assert_eq!(Comparison { compared: 0, ..quiet }.relation(&t), Relation::Unclear);
    }

    /// Pairs of noisy sweeps, the stronger one with `gain` and turned by `degrees`: how many agree, differ, are unclear.
    fn pairs(sigma: f64, gain: f64, degrees: f64) -> [usize; 3] {
        let hz = drawn::grid(50);
        let mut counts = [0; 3];
        let mut difference = Difference::default();
        for seed in 0..40 {
            let shape = |x: f64| drawn::line(x);
            let other = |x: f64| {
                let [a, p] = drawn::line(x);
                [a + gain.ln(), p + degrees.to_radians()]
            };
            let weak = drawn::sweep(&hz, &shape, &|_| [sigma; 2], 2 * seed);
            let strong = drawn::sweep(&hz, &other, &|_| [sigma; 2], 2 * seed + 1);
            let t = tolerances();
            let c = compare(&weak, &strong, weak.curve.span(), &t, &mut difference);
            assert!(!c.identical);
            counts[match c.relation(&t) {
                Relation::Agrees => 0,
                Relation::Differs => 1,
                Relation::Unclear => 2,
            }] += 1;
        }
        counts
    }

    #[test]
    fn noisy_pairs_agree_differ_or_tell_nothing() {
        // Of one loop: all agree.
        assert_eq!(pairs(0.003, 1.0, 0.0), [40, 0, 0]);
        assert_eq!(pairs(0.01, 1.0, 0.0), [40, 0, 0]);
        // A crossover that moves by 5 % and a phase that turns by 4 deg leave 2 % and 2 deg.
        assert_eq!(pairs(0.003, 1.05, 0.0), [0, 40, 0]);
        assert_eq!(pairs(0.003, 1.0, 4.0), [0, 40, 0]);
        // Noise beyond the tolerances: nothing is confirmed, and nothing is blamed on the loop.
        let [agree, differ, unclear] = pairs(0.1, 1.0, 0.0);
        assert!(agree == 0 && differ <= 2 && unclear >= 38, "{agree} {differ} {unclear}");
    }
}
