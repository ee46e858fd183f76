//! Two levels compared: their crossovers, phase margins and curves.

use super::level_difference::{Change, Comparison, Deviation, Relation};
use crate::analysed::Analysed;
use crate::curve::{Curve, Span, db, wrap};
use crate::margins::{Located, Sensitivity, crossover, phase_margin};
use crate::noise::{Noise, Smoother, is_coarse};
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
    comparison.identical = seen.count > 0 && holds_the_numbers(&weak.raw, &strong.raw);
}

/// Rounding that is left of equal numbers, neper and rad.
const ROUNDING: f64 = 1e-12;

/// Whether a sweep is a copy of another one: both have the same numbers wherever both have any, and not in the compared part alone. A
/// quiet loop that is rounded to a few digits may well have the same numbers over a decade.
fn holds_the_numbers(weak: &Curve, strong: &Curve) -> bool {
    let same_grid = weak.frequency_hz() == strong.frequency_hz();
    let reach = strong.span();
    let samples = weak.ln_f().iter().zip(weak.ln_mag()).zip(weak.angle());
    let mut common = samples.enumerate().filter(|(_, ((x, _), _))| same_grid || reach.holds(**x));
    let is_same = |(i, ((x, a), p)): (usize, ((&f64, &f64), &f64))| {
        let own = || Some((*strong.ln_mag().get(i)?, *strong.angle().get(i)?));
        // On another grid the interpolation at a shared sample leaves rounding behind.
        let there = || Some(strong.at(*x)).map(|point| (point.ln_mag, point.angle));
        let other = if same_grid { own() } else { there() };
        other.is_some_and(|(b, q)| (b - a).abs() < ROUNDING && wrap(q - p).abs() < ROUNDING)
    };
    common.all(is_same) && !is_coarse(weak.ln_mag(), weak.angle())
}
