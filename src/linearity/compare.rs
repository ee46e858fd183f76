//! Two levels compared: their crossovers, phase margins and curves.

use super::copy::is_copy;
use super::level_difference::{Change, Comparison, Deviation, Relation};
use crate::analysed::Analysed;
use crate::curve::{Curve, Span, db, wrap};
use crate::margins::{Located, Sensitivity, crossover, phase_margin};
use crate::noise::{Noise, Smoother};
use crate::spec::Tolerances;

/// Coverage factor of the noise of a difference.
const COVERAGE: f64 = 2.0;
/// Standard deviations beyond which a difference as a whole is no chance.
const SURELY: f64 = 4.0;
/// Distance to each side, ln f, over which a change with the level is taken as one: half a decade (a choice).
const ABOUT: f64 = 0.5 * std::f64::consts::LN_10;
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
    pub fn take(&mut self, weak: &Analysed, strong: &Analysed) {
        self.raw.difference(&weak.raw, &strong.raw);
        let noises = [&weak.noise, &strong.noise];
        self.smoother.smooth_difference(&self.raw, noises, &mut self.noise, &mut self.curve);
    }

    /// Whether there were enough samples to tell its noise.
    #[must_use]
    pub fn is_known(&self) -> bool {
        self.noise.is_known()
    }

    /// The smoothed difference at a place: ln of the magnitude, angle, and the standard uncertainties of both from noise.
    #[must_use]
    pub fn at(&self, ln_f: f64) -> (f64, f64, [f64; 2]) {
        let (point, noise) = (self.curve.at(ln_f), self.noise.at(&self.curve, ln_f));
        (point.ln_mag, point.angle, [noise.ln_mag, noise.angle])
    }

    /// Size of the difference about a place, neper and rad taken as one complex number: rms of the smoothed difference over half a decade to
    /// each side inside `span`, with what noise makes of it on average taken off.
    #[must_use]
    pub fn about(&self, ln_f: f64, span: Span) -> f64 {
        let [gain_share, phase_share] = self.noise.shares();
        let per_fit = gain_share.powi(2) + phase_share.powi(2);
        let x = self.curve.ln_f();
        let near = x.partition_point(|x| *x < ln_f - ABOUT || *x < span.from && !span.holds(*x))
            ..x.partition_point(|x| *x <= ln_f + ABOUT && (*x <= span.to || span.holds(*x)));
        let columns = (
            self.curve.ln_mag().get(near.clone()),
            self.curve.angle().get(near.clone()),
            self.noise.fit().get(near),
        );
        let (Some(gain), Some(phase), Some(fit)) = columns else { return 0.0 };
        let (mut sum, mut count) = (0.0, 0.0);
        for ((gain, phase), fit) in gain.iter().zip(phase).zip(fit) {
            sum += gain * gain + phase * phase - per_fit * fit * fit;
            count += 1.0;
        }
        if count > 0.0 { f64::max(sum / count, 0.0).sqrt() } else { 0.0 }
    }

    /// Whether the levels differ as a whole by more than noise: the mean square of the smoothed difference in its own standard
    /// uncertainties, 1 on average where nothing changes, against its scatter. The fits at all samples together have as many independent
    /// values, for gain and phase each, as the sum of their variances per variance of a sample.
    #[must_use]
    pub fn shows_change(&self) -> bool {
        let [gain_share, phase_share] = self.noise.shares();
        let columns = self.curve.ln_mag().iter().zip(self.curve.angle());
        let sigmas = self.noise.fit().iter().zip(self.noise.sigma());
        let (mut count, mut squares, mut independent) = (0.0, 0.0, 0.0);
        for ((gain, phase), (fit, sigma)) in columns.zip(sigmas) {
            if *fit > 0.0 && *sigma > 0.0 {
                count += 1.0;
                squares +=
                    0.5 * ((gain / (gain_share * fit)).powi(2) + (phase / (phase_share * fit)).powi(2));
                independent += (fit / sigma).powi(2).min(1.0);
            }
        }
        let scatter = 1.0 / f64::max(independent, 1.0).sqrt();
        independent > 0.0 && squares / count - 1.0 > SURELY * scatter
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
    // Asked for at every sample: the grids are compared once.
    let same_curve_grid = weak.curve.frequency_hz() == strong.curve.frequency_hz();
    let fits = |i: usize| hidden_in_curves(weak, strong, i, same_curve_grid);
    let clean = clean_part(&weak.curve, band, f, tolerances, fits);
    comparison.clean_hz = clean.map(hertz);
    comparison.range_hz = Some(hertz(clean.unwrap_or(band)));
    compare_curves(weak, strong, clean.unwrap_or(band), tolerances, &mut comparison);
    let same_grid = weak.raw.frequency_hz() == strong.raw.frequency_hz();
    if !same_grid || comparison.identical || comparison.relation(tolerances) == Relation::Agrees {
        return comparison;
    }
    difference.take(weak, strong);
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
    let fits = |i: usize| {
        let fit = COVERAGE * noise.fit().get(i).copied().unwrap_or(0.0);
        [fit * gain_share, fit * phase_share]
    };
    let clean = clean_part(curve, band, f, tolerances, fits);
    comparison.clean_hz = clean.map(hertz);
    comparison.range_hz = Some(hertz(clean.unwrap_or(band)));
    let band = clean.unwrap_or(band);
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

/// Least distance from the crossover to each side, in ln f, over which the curves must be comparable: a factor of 1.5 (common practice, no
/// source).
const AROUND: f64 = 0.405;

/// The part of the band about the crossover in which noise hides no more than the tolerances; `None` where that is all of it, or where it does
/// not even hold the crossover's neighbourhood, so that nothing can be left out. `hidden` is the expanded noise of the difference at
/// a sample, neper and rad.
fn clean_part(
    curve: &Curve,
    band: Span,
    crossover: Option<Located>,
    tolerances: &Tolerances,
    hidden: impl Fn(usize) -> [f64; 2],
) -> Option<Span> {
    let centre = crossover?.point.ln_f;
    let gain = tolerances.gain.map_or(f64::INFINITY, |t| t.ln());
    let phase = tolerances.phase.map_or(f64::INFINITY, |t| t.rad());
    let x = curve.ln_f();
    let is_clean = |i: &usize| {
        let [a, p] = hidden(*i);
        a <= gain && p <= phase
    };
    let inside = |i: &usize| x.get(*i).is_some_and(|x| band.holds(*x));
    let middle = curve.interval(centre);
    let last = (middle + 1..x.len()).take_while(inside).take_while(is_clean).last();
    let first = (0..=middle).rev().take_while(inside).take_while(is_clean).last();
    let at = |i: Option<usize>| i.and_then(|i| x.get(i)).copied();
    let part = Span { from: at(first)?, to: at(last)? };
    let holds = part.from <= (centre - AROUND).max(band.from + AROUND)
        && part.to >= (centre + AROUND).min(band.to - AROUND);
    let beyond = |i: Option<usize>, next: Option<usize>| i != next && next.as_ref().is_some_and(inside);
    let is_less = beyond(first, first.and_then(|i| i.checked_sub(1))) || beyond(last, last.map(|i| i + 1));
    (holds && is_less).then_some(part)
}

fn hertz(span: Span) -> (f64, f64) {
    (span.from.exp(), span.to.exp())
}

/// Expanded noise of the difference of two curves at a sample of the weak one, neper and rad.
fn hidden_in_curves(weak: &Analysed, strong: &Analysed, i: usize, same_grid: bool) -> [f64; 2] {
    let at = |noise: &Noise, i: usize| noise.fit().get(i).copied().unwrap_or(0.0);
    let place = weak.curve.ln_f().get(i).copied().unwrap_or(0.0);
    let (own, other) = (at(&weak.noise, i), if same_grid { i } else { strong.curve.interval(place) });
    let other = at(&strong.noise, other);
    let ([a, p], [b, q]) = (weak.noise.shares(), strong.noise.shares());
    let length = |a: f64, b: f64| COVERAGE * (a * a + b * b).sqrt();
    [length(own * a, other * b), length(own * p, other * q)]
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
            (at(strong.curve.ln_mag(), a), at(strong.curve.angle(), p), at(strong.noise.fit(), 0.0))
        } else if reach.holds(x) {
            let point = strong.curve.at(x);
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
    comparison.identical = seen.count > 0 && is_copy(weak, strong);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::noise::simulated_noise::{grid, line, sweep};

    /// Two levels of one line, with noise of `sigma`, the stronger one changed by `change` over x = ln(f / 1 kHz).
    fn levels(sigma: f64, change: impl Fn(f64) -> [f64; 2], seed: u64) -> [Analysed; 2] {
        let weak = sweep(&grid(50), &|x| line(x), &|_| [sigma; 2], 2 * seed);
        let strong = |x: f64| {
            let ([a, p], [b, q]) = (line(x), change(x));
            [a + b, p + q]
        };
        [weak, sweep(&grid(50), &strong, &|_| [sigma; 2], 2 * seed + 1)]
    }

    fn difference(sigma: f64, change: impl Fn(f64) -> [f64; 2], seed: u64) -> Difference {
        let [weak, strong] = levels(sigma, change, seed);
        let mut difference = Difference::default();
        difference.take(&weak, &strong);
        difference
    }

    fn around(from_hz: f64, to_hz: f64) -> Span {
        Span { from: from_hz.ln(), to: to_hz.ln() }
    }

    const WHOLE: Span = Span { from: 0.0, to: 20.0 };

    #[test]
    fn the_size_of_a_difference_is_its_rms_near_the_place() {
        let own = difference(0.0, |_| [0.03, -0.04], 1);
        let (gain, phase, _) = own.at(1e3_f64.ln());
        assert!((gain - 0.03).abs() < 1e-9 && (phase + 0.04).abs() < 1e-9);
        assert!((own.about(1e3_f64.ln(), WHOLE) - 0.05).abs() < 1e-9);
        // Above 3 kHz alone: half a decade (1.15 in ln f) to each side of 2 kHz reaches from 632 Hz to 6.32 kHz, 51 samples of which 17 lie above.
        let own = difference(0.0, |x| if x > 3f64.ln() { [0.05, 0.0] } else { [0.0; 2] }, 1);
        let at = 2e3_f64.ln();
        let exact = 0.05 * (17.0_f64 / 50.0).sqrt();
        assert!((own.about(at, WHOLE) / exact - 1.0).abs() < 0.05, "{} {exact}", own.about(at, WHOLE));
        // No further than the span, both ends of it in.
        assert!(own.about(at, around(632.0, 2.9e3)) < 1e-9);
        assert!((own.about(at, around(3.1e3, 9e3)) - 0.05).abs() < 1e-9);
        assert_eq!(own.about(at, around(9e4, 1e5)), 0.0);
    }

    /// Noise makes a difference of its own, which is taken off: what is left is small against it in the mean, and a change beside it is
    /// read as large as it is.
    #[test]
    fn noise_is_taken_off_the_size_of_a_difference() {
        let at = 1e3_f64.ln();
        let mean = |change: f64| {
            let of = |seed: u64| difference(0.02, |_| [change, 0.0], seed).about(at, WHOLE).powi(2);
            ((0..40).map(of).sum::<f64>() / 40.0).sqrt()
        };
        let (still, moved) = (mean(0.0), mean(0.02));
        let alone = 2f64.sqrt() * 0.02;
        assert!(still < 0.3 * alone, "{still}");
        assert!((moved / 0.02 - 1.0).abs() < 0.2, "{moved}");
    }

    /// By its rule, 3 or more standard deviations: nothing changed is told in a few of 100 at most, what is changed as a whole in nearly all.
    #[test]
    fn a_change_as_a_whole_shows_beyond_the_noise() {
        let shown = |change: [f64; 2]| {
            (0..100).filter(|seed| difference(0.01, |_| change, *seed).shows_change()).count()
        };
        let still = shown([0.0; 2]);
        assert!(still <= 5, "{still}");
        for change in [[0.009, 0.0], [0.0, 0.009], [-0.009, 0.0]] {
            assert!(shown(change) >= 95, "{change:?}: {}", shown(change));
        }
        assert!(!difference(0.0, |_| [0.0; 2], 1).shows_change());
    }

    /// A level with noise of 1 % and one with 3 %: what hides is twice their root of squares, in shares of gain and phase.
    #[test]
    fn noise_of_both_levels_hides_a_change() {
        let of = |sigma: [f64; 2], hz: &[f64], seed: u64| sweep(hz, &|x| line(x), &|_| sigma, seed);
        let weak = of([0.01, 0.02], &grid(50), 1);
        for (per_decade, same_grid) in [(50, true), (40, false)] {
            let strong = of([0.03, 0.01], &grid(per_decade), 2);
            let i = 103;
            let k = strong.curve.interval(weak.curve.ln_f()[i]);
            let [gain, phase] = hidden_in_curves(&weak, &strong, i, same_grid);
            let (own, other) = (weak.noise.fit()[i], strong.noise.fit()[k]);
            let ([a, p], [b, q]) = (weak.noise.shares(), strong.noise.shares());
            assert!((gain / (2.0 * (own * a).hypot(other * b)) - 1.0).abs() < 1e-12);
            assert!((phase / (2.0 * (own * p).hypot(other * q)) - 1.0).abs() < 1e-12);
            assert!(gain > 0.0 && phase > 0.0);
        }
    }

    /// Samples 50 a decade from 10 Hz on, the crossover at sample 100 (1 kHz), noise beyond the tolerance at those that are named.
    #[test]
    fn the_clean_part_reaches_to_where_noise_hides_the_tolerance() {
        let [own, _] = levels(0.0, |_| [0.0; 2], 1);
        let tolerances = Tolerances {
            step: crate::quantity::Decibel::new(3.0).unwrap(),
            crossover: crate::quantity::Ratio::new(0.02),
            phase_margin: crate::quantity::Degrees::new(2.0),
            gain: crate::quantity::Decibel::new(1.0),
            phase: crate::quantity::Degrees::new(5.0),
            band: (0.1, 10.0),
        };
        let band = around(99.9, 1.001e4);
        let part = |is_loud: &dyn Fn(usize) -> bool, hidden: [f64; 2]| {
            let crossover = crossover(&own.crossings, own.curve.span());
            let hidden = |i: usize| if is_loud(i) { hidden } else { [0.0; 2] };
            let part = clean_part(&own.curve, band, crossover, &tolerances, hidden)?;
            let index = |ln_f: f64| (50.0 * (ln_f - 10f64.ln()) / 10f64.ln()).round() as usize;
            Some((index(part.from), index(part.to)))
        };
        let (loud, quiet) = ([0.2, 0.0], [0.11, 0.08]);
        assert_eq!(part(&|i| i < 70, loud), Some((70, 150)));
        assert_eq!(part(&|i| i > 130, [0.0, 0.1]), Some((50, 130)));
        assert_eq!(part(&|i| !(70..=130).contains(&i), loud), Some((70, 130)));
        // One loud sample ends it.
        assert_eq!(part(&|i| i == 80, loud), Some((81, 150)));
        // All of it is clean: outside of the band nothing is asked, and below the tolerance nothing hides.
        assert_eq!(part(&|i| !(50..=150).contains(&i), loud), None);
        assert_eq!(part(&|_| true, quiet), None);
        // A factor of 1.5 to each side of the crossover is the least: 8.8 samples.
        assert_eq!(part(&|i| i < 91, loud), Some((91, 150)));
        assert_eq!(part(&|i| i < 92, loud), None);
        assert_eq!(part(&|i| i > 109, loud), Some((50, 109)));
        assert_eq!(part(&|i| i > 108, loud), None);
        assert_eq!(part(&|_| true, loud), None);
    }

    #[test]
    fn the_worst_is_what_is_left_beyond_its_noise() {
        let mut worst = Worst::default();
        for (value, noise, hz) in [(0.1, 0.2, 10.0), (-0.5, 0.1, 20.0), (0.6, 0.3, 30.0), (0.3, 0.0, 40.0)] {
            worst.see(Change { value, noise }, f64::ln(hz));
        }
        let told = worst.deviation(2.0);
        assert_eq!((told.change.value, told.change.noise, told.most_noise.0), (-1.0, 0.2, 0.6));
        assert!((told.at_hz - 20.0).abs() < 1e-9 && (told.most_noise.1 - 30.0).abs() < 1e-9);
    }

    #[test]
    fn the_first_place_beyond_a_tolerance_is_kept() {
        let breaks_at = |places: &[(f64, f64, f64)]| {
            let none = Worst::default;
            let (gain, phase) = (none(), none());
            let mut seen = Seen { gain_limit: 0.1, phase_limit: 0.2, gain, phase, breaks_at: None, count: 0 };
            for (k, (gain, phase, noise)) in places.iter().enumerate() {
                let change = |value| Change { value, noise: *noise };
                seen.see(change(*gain), change(*phase), k as f64);
            }
            seen.breaks_at
        };
        assert_eq!(breaks_at(&[(0.1, 0.2, 0.0), (0.05, -0.1, 0.0)]), None);
        assert_eq!(
            breaks_at(&[(0.0, 0.0, 0.0), (0.15, 0.0, 0.06), (-0.15, 0.0, 0.0), (0.3, 0.3, 0.0)]),
            Some(2.0)
        );
        assert_eq!(breaks_at(&[(0.0, 0.19, 0.0), (0.05, 0.21, 0.0)]), Some(1.0));
    }
}
