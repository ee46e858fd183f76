//! Uncertainty by simulation, where the law of propagation does not hold.
//!
//! That law takes a value to answer to errors of the curve along a straight line. It does not where the curve bends within
//! the reach of its own noise, where the distance to the critical point is flat over many samples (the smallest of several
//! noisy distances is smaller than each of them), or where one crossing is about to take over from another. There the errors
//! are drawn, the curve is disturbed by them, and the value is read from it again (JCGM 101:2008, 7).
//!
//! The draws are seeded from the sweep's own numbers: the same sweep gives the same uncertainty, on any machine and in any
//! order.

use crate::analysed::Analysed;
use crate::curve::{Curve, Span};
use crate::margins::Crossings;
use crate::noise::Columns;
use crate::uncertainty::Chain;
use rand_distr::{Distribution, StandardNormal, Uniform};
use rand_pcg::Pcg64;
use rand_pcg::rand_core::SeedableRng;
use statrs::function::erf::erf;
use std::f64::consts::{PI, SQRT_2, TAU};
use std::ops::Range;

/// Trials. The ends of the interval come from the outer 2.3 % of them, which leaves some 3 % of its width open.
const TRIALS: usize = 2_000;
/// Share of trials without the value above which no interval can be given: the outer part beyond one end.
const LOST: f64 = 0.0228;
/// So many of all trials.
const MOST_LOST: usize = (LOST * TRIALS as f64) as usize;

/// Memory of a simulation.
#[derive(Debug, Default)]
pub struct Trials {
    curve: Curve,
    crossings: Crossings,
    draws: Columns,
    nominal: Vec<Nominal>,
    values: Vec<[f64; 2]>,
}

/// How a value is read from a disturbed curve.
pub type Read<'a> = dyn Fn(&Curve, &Crossings, Span) -> Option<f64> + 'a;

/// A value whose uncertainty is to be simulated.
pub struct Request<'a> {
    /// The part of the sweep that matters: `read` is given this part alone.
    pub span: Span,
    /// The value as it was read.
    pub value: f64,
    /// How it is read.
    pub read: Box<Read<'a>>,
}

/// A sample before it is disturbed.
#[derive(Debug, Clone, Copy)]
struct Nominal {
    ln_mag: f64,
    angle: f64,
    /// 2 pi f, rad/s.
    omega: f64,
    /// One over the curve: real and imaginary part.
    inverse: [f64; 2],
}

impl Trials {
    /// Half width of the interval about `value` that holds as much of the simulated values as `coverage` standard deviations of
    /// a normal distribution do; the larger of the two sides. `None` when too many trials have no such value, or the delay leaves
    /// the phase open by more than half a turn between two samples.
    ///
    /// `span` is the part of the sweep that matters: `read` is given this part alone.
    pub fn half_width(
        &mut self,
        sweep: &Analysed,
        chain: &Chain,
        span: Span,
        value: f64,
        coverage: f64,
        read: &Read<'_>,
    ) -> Option<f64> {
        let request = Request { span, value, read: Box::new(read) };
        self.half_widths(sweep, chain, coverage, &[request]).pop().flatten()
    }

    /// The same of several values, in their order. What parts of the sweep have in common is disturbed once.
    pub fn half_widths(
        &mut self,
        sweep: &Analysed,
        chain: &Chain,
        coverage: f64,
        requests: &[Request<'_>],
    ) -> Vec<Option<f64>> {
        let mut results: Vec<Vec<f64>> = requests.iter().map(|_| Vec::new()).collect();
        for span in united(requests.iter().map(|request| request.span)) {
            let inside = |request: &Request<'_>| request.span.from >= span.from && request.span.to <= span.to;
            let wanted = requests.iter().zip(&mut results).filter(|(request, _)| inside(request));
            self.simulate(sweep, chain, span, &mut wanted.collect::<Vec<_>>());
        }
        let half =
            |(request, results): (&Request<'_>, &mut Vec<f64>)| interval(request.value, coverage, results);
        requests.iter().zip(&mut results).map(half).collect()
    }

    /// Adds what each of `wanted`, all inside of `span`, reads in each trial; nothing where no trial can be made.
    fn simulate(
        &mut self,
        sweep: &Analysed,
        chain: &Chain,
        span: Span,
        wanted: &mut [(&Request<'_>, &mut Vec<f64>)],
    ) {
        let Ok(unit) = Uniform::new_inclusive(-1.0, 1.0) else { return };
        let mut random = Pcg64::seed_from_u64(seed(&sweep.raw, span));
        let curve = &sweep.curve;
        let first = curve.ln_f().partition_point(|x| *x < span.from).saturating_sub(2);
        let last = (curve.ln_f().partition_point(|x| *x <= span.to) + 2).min(curve.len());
        let step_hz = |pair: &[f64]| pair.last().zip(pair.first()).map_or(0.0, |(b, a)| b - a);
        let part = curve.frequency_hz().get(first..last).unwrap_or(&[]);
        let widest_hz = part.windows(2).map(step_hz).fold(0.0, f64::max);
        if TAU * chain.delay_s * widest_hz > PI {
            // The delay may turn the curve by more than half a turn from sample to sample: nothing tells which way it goes.
            return;
        }
        self.take_part(curve, first..last);
        let spans: Vec<Option<Span>> =
            wanted.iter().map(|(request, _)| self.curve.clip(request.span)).collect();
        for trial in 0..TRIALS {
            // What too many trials have lost has no interval, whatever the others show.
            let is_open = |results: &[f64]| trial - results.len() <= MOST_LOST;
            if !wanted.iter().any(|(_, results)| is_open(results)) {
                break;
            }
            self.disturb(sweep, chain, first..last, &unit, &mut random);
            let open = wanted.iter_mut().zip(&spans).filter(|((_, results), _)| is_open(results));
            for ((request, results), span) in open {
                let value = span.and_then(|span| (request.read)(&self.curve, &self.crossings, span));
                results.extend(value.filter(|v| v.is_finite()));
            }
        }
    }

    /// One trial: the part of the curve with errors drawn for it, and its crossings.
    fn disturb(
        &mut self,
        sweep: &Analysed,
        chain: &Chain,
        part: Range<usize>,
        unit: &Uniform<f64>,
        random: &mut Pcg64,
    ) {
        let mut even = || unit.sample(random);
        let (gain, phase, delay) = (chain.gain_np * even(), chain.phase_rad * even(), chain.delay_s * even());
        let mut normal = || -> f64 { StandardNormal.sample(random) };
        let ratio = [(); 2].map(|()| 0.5 * chain.impedance_ratio * normal());
        // Only samples that a window of the part can reach need a draw.
        let reach = part.start.saturating_sub(REACH)..(part.end + REACH + 1).min(sweep.curve.len());
        self.draws.resize(reach.len());
        self.draws.pairs_mut().for_each(|(a, p)| (*a, *p) = (normal(), normal()));
        correlate(&mut self.draws, sweep.noise.correlation());
        sweep.noise.disturb(part, reach.start, &mut self.draws, &mut self.values);
        for (error, nominal) in self.values.iter_mut().zip(&self.nominal) {
            let loading = loading(nominal.inverse, ratio);
            *error = [
                nominal.ln_mag + error[0] + gain + loading[0],
                nominal.angle + error[1] + phase + nominal.omega * delay + loading[1],
            ];
        }
        self.curve.set(&self.values);
        self.crossings.find(&self.curve);
    }

    /// What is the same in all trials.
    fn take_part(&mut self, curve: &Curve, part: Range<usize>) {
        let (hz, ln_mag) = (curve.frequency_hz().get(part.clone()), curve.ln_mag().get(part.clone()));
        let angle = curve.angle().get(part.clone());
        let columns = hz.unwrap_or(&[]).iter().zip(ln_mag.unwrap_or(&[])).zip(angle.unwrap_or(&[]));
        self.nominal.clear();
        self.nominal.extend(columns.map(|((hz, &ln_mag), &angle)| {
            let size = (-ln_mag).exp();
            let inverse = [size * angle.cos(), -size * angle.sin()];
            Nominal { ln_mag, angle, omega: TAU * hz, inverse }
        }));
        self.curve.take_part(curve, part);
    }
}

/// Spans, with those that overlap made one.
fn united(spans: impl Iterator<Item = Span>) -> Vec<Span> {
    let mut spans: Vec<Span> = spans.collect();
    spans.sort_by(|a, b| a.from.total_cmp(&b.from));
    let mut united: Vec<Span> = Vec::new();
    for span in spans {
        match united.last_mut() {
            Some(last) if span.from <= last.to => last.to = last.to.max(span.to),
            _ => united.push(span),
        }
    }
    united
}

/// Half width of the interval about `value`, the larger side; `None` when too many trials have no value.
fn interval(value: f64, coverage: f64, results: &mut [f64]) -> Option<f64> {
    let lost = (TRIALS - results.len().min(TRIALS)) as f64 / TRIALS as f64;
    if lost > LOST {
        return None;
    }
    results.sort_by(f64::total_cmp);
    let outer = 0.5 * (1.0 - erf(coverage / SQRT_2));
    let at = |share: f64| {
        let place = (share * results.len() as f64).round() as usize;
        results.get(place.min(results.len().saturating_sub(1))).copied()
    };
    Some((value - at(outer)?).max(at(1.0 - outer)? - value).max(0.0))
}

/// Gives neighbouring draws the correlation `r`, and keeps their variance.
fn correlate(draws: &mut Columns, r: f64) {
    if r == 0.0 {
        return;
    }
    let fresh = (1.0 - r * r).sqrt();
    let mut before: Option<(f64, f64)> = None;
    for (gain, phase) in draws.pairs_mut() {
        if let Some((a, p)) = before {
            (*gain, *phase) = (r * a + fresh * *gain, r * p + fresh * *phase);
        }
        before = Some((*gain, *phase));
    }
}

/// Samples beyond the part that a window may reach.
const REACH: usize = crate::noise::LONGEST_WINDOW;

/// Error of ln T that the impedance ratio r makes: ln of 1 + (1 + 1/T) r in the textbook convention, whose T is minus the
/// curve (R. D. Middlebrook 1975, as in [`crate::uncertainty`]). `inverse` is one over the curve.
fn loading(inverse: [f64; 2], r: [f64; 2]) -> [f64; 2] {
    if r == [0.0; 2] {
        return [0.0; 2];
    }
    let w = [1.0 - inverse[0], -inverse[1]];
    let [re, im] = [1.0 + w[0] * r[0] - w[1] * r[1], w[0] * r[1] + w[1] * r[0]];
    [re.hypot(im).ln(), im.atan2(re)]
}

/// A number from the samples and the place.
fn seed(raw: &Curve, span: Span) -> u64 {
    let place = [span.from, span.to];
    let numbers = raw.ln_mag().iter().chain(raw.angle()).chain(&place);
    numbers.fold(0xcbf2_9ce4_8422_2325, |hash: u64, number| {
        (hash ^ number.to_bits()).wrapping_mul(0x0000_0100_0000_01b3).rotate_left(23)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::margins::{phase_margin, stability_margin};
    use crate::noise::simulated_noise::{grid, line, sweep};

    fn margin(curve: &Curve, crossings: &Crossings, span: Span) -> Option<f64> {
        Some(stability_margin(curve, crossings, span).value)
    }

    fn phase(_: &Curve, crossings: &Crossings, span: Span) -> Option<f64> {
        Some(phase_margin(crossings, span)?.value)
    }

    /// A line about 0 dB, flat enough that a hundred samples are as close to the critical point as the closest.
    fn flat(seed: u64) -> (Analysed, Span) {
        let own = sweep(&grid(400), &|x| [0.02 * line(x)[0], 0.6 + 0.02 * x], &|_| [0.03; 2], seed);
        let span = Span { from: 200f64.ln(), to: 5e3_f64.ln() };
        (own, span)
    }

    fn request(own: &Analysed, span: Span, read: &'static Read<'static>) -> Request<'static> {
        Request { span, value: read(&own.curve, &own.crossings, span).unwrap(), read: Box::new(read) }
    }

    #[test]
    fn values_simulated_together_are_those_simulated_alone() {
        let (own, span) = flat(1);
        let part = Span { to: 9e3_f64.ln(), ..span };
        let far = Span { from: 20e3_f64.ln(), to: 30e3_f64.ln() };
        let chain = Chain { gain_np: 0.01, ..Chain::default() };
        let all = || [(span, &margin as &Read<'static>), (span, &phase), (far, &margin)];
        let mut trials = Trials::default();
        let alone = all().map(|(span, read)| {
            let request = request(&own, span, read);
            trials.half_widths(&own, &chain, 2.0, &[request])[0].unwrap()
        });
        let requests = all().map(|(span, read)| request(&own, span, read));
        let together = trials.half_widths(&own, &chain, 2.0, &requests);
        assert_eq!(together, alone.map(Some));
        // Beside a longer part other numbers are drawn: within what 2 000 trials leave open.
        let requests = [request(&own, part, &margin), request(&own, span, &phase)];
        let beside = trials.half_widths(&own, &chain, 2.0, &requests)[1].unwrap();
        assert!((beside / alone[1] - 1.0).abs() < 0.1, "{beside} {}", alone[1]);
    }

    #[test]
    fn parts_that_overlap_are_one() {
        let span = |from: f64, to: f64| Span { from, to };
        let found = united([span(5.0, 6.0), span(1.0, 3.0), span(2.0, 2.5), span(2.9, 4.0)].into_iter());
        assert_eq!(found, [span(1.0, 4.0), span(5.0, 6.0)]);
    }

    /// Part of a rectangular distribution's half-width that holds 95.45 % of it.
    const RECTANGULAR: f64 = 0.9545;
    /// Standard errors of an interval's end from 2 000 trials are 3 % of a normal distribution's width.
    const OPEN: f64 = 0.1;

    /// 20 dB a decade down through 0 dB at 1 kHz, the phase turning by `turn` rad per ln f there.
    fn straight(turn: f64, noise: f64) -> Analysed {
        sweep(&grid(40), &|x| [-x, 0.8 + turn * x], &|_| [noise; 2], 3)
    }

    fn half(own: &Analysed, chain: Chain, read: &'static Read<'static>) -> Option<f64> {
        let span = Span { from: 300f64.ln(), to: 3e3_f64.ln() };
        let value = read(&own.curve, &own.crossings, span)?;
        Trials::default().half_width(own, &chain, span, value, 2.0, read)
    }

    fn close(found: Option<f64>, exact: f64) {
        assert!((found.unwrap() / exact - 1.0).abs() < OPEN, "{found:?} {exact}");
    }

    fn crossover(_: &Curve, crossings: &Crossings, span: Span) -> Option<f64> {
        Some(crate::margins::crossover(crossings, span)?.value.ln())
    }

    /// On a straight line each source of the chain moves crossover and phase margin by a closed form: gain by its offset and what the phase
    /// turns over that, phase by its offset, a delay by 2 pi f times as much.
    #[test]
    fn each_source_makes_the_interval_of_its_closed_form() {
        let own = straight(-0.5, 0.0);
        let gain = Chain { gain_np: 0.05, ..Chain::default() };
        close(half(&own, gain, &crossover), RECTANGULAR * 0.05);
        close(half(&own, gain, &phase), RECTANGULAR * 0.05 * 0.5);
        let turned = Chain { phase_rad: 0.03, ..Chain::default() };
        close(half(&own, turned, &phase), RECTANGULAR * 0.03);
        assert!(half(&own, turned, &crossover).unwrap() < 1e-9);
        let late = Chain { delay_s: 5e-6, ..Chain::default() };
        close(half(&own, late, &phase), RECTANGULAR * 5e-6 * TAU * 1e3);
        // |1 - exp(-j 0.8)| = 2 sin 0.4 at the crossover; where the phase does not turn the gain's part does not count.
        let loaded = Chain { impedance_ratio: 0.02, ..Chain::default() };
        close(half(&straight(0.0, 0.0), loaded, &phase), 2.0 * 0.01 * 2.0 * 0.4_f64.sin());
        close(half(&own, loaded, &crossover), 2.0 * 0.01 * 2.0 * 0.4_f64.sin());
    }

    /// Noise as the law of propagation has it, which holds on a straight line.
    #[test]
    fn noise_makes_the_interval_of_the_law_of_propagation() {
        for noise in [0.003, 0.02] {
            let own = straight(-0.5, noise);
            let at = crate::margins::crossover(&own.crossings, own.curve.span()).unwrap();
            close(half(&own, Chain::default(), &crossover), 2.0 * own.noise_of(&at) / at.value);
            let at = phase_margin(&own.crossings, own.curve.span()).unwrap();
            close(half(&own, Chain::default(), &phase), 2.0 * own.noise_of(&at));
        }
    }

    /// Points 40 a decade at 3 kHz lie 171 Hz apart: half a turn is 2.9 ms.
    #[test]
    fn a_delay_of_half_a_turn_between_points_leaves_the_phase_open() {
        let own = straight(-0.5, 0.0);
        assert!(half(&own, Chain { delay_s: 4e-3, ..Chain::default() }, &phase).is_none());
        assert!(half(&own, Chain { delay_s: 2e-3, ..Chain::default() }, &phase).is_some());
    }

    #[test]
    fn an_interval_is_its_larger_side_and_needs_nearly_all_trials() {
        let results = |count: usize| (0..count).map(|k| k as f64 / TRIALS as f64).rev().collect::<Vec<_>>();
        // 2.275 % are outside of each end.
        close(interval(0.5, 2.0, &mut results(TRIALS)), 0.477);
        close(interval(0.3, 2.0, &mut results(TRIALS)), 0.677);
        close(interval(0.9, 2.0, &mut results(TRIALS)), 0.877);
        close(interval(0.5, 1.0, &mut results(TRIALS)), 0.341);
        assert_eq!(interval(2.0, 2.0, &mut vec![2.0; TRIALS]), Some(0.0));
        assert!(interval(0.5, 2.0, &mut results(TRIALS - MOST_LOST)).is_some());
        assert_eq!(interval(0.5, 2.0, &mut results(TRIALS - MOST_LOST - 1)), None);
        assert_eq!(interval(0.5, 2.0, &mut []), None);
    }

    /// Where the value is there in some trials only, no interval is given.
    #[test]
    fn a_value_that_trials_lose_has_no_interval() {
        let below = |crossings: &Crossings, span: Span, most: f64| {
            crate::margins::crossover(crossings, span).map(|at| at.value).filter(|hz| *hz < most)
        };
        let own = straight(-0.5, 0.0);
        let chain = Chain { gain_np: 0.05, ..Chain::default() };
        let span = Span { from: 300f64.ln(), to: 3e3_f64.ln() };
        let simulated = |most: f64| {
            let read = move |_: &Curve, crossings: &Crossings, span: Span| below(crossings, span, most);
            Trials::default().half_width(&own, &chain, span, 1e3, 2.0, &read)
        };
        // 1 kHz plus 5 %: beyond 1.049 lies 1 in 50 of them, beyond 1.045 1 in 17.
        assert!(simulated(1.1e3).is_some() && simulated(1.049e3).is_some());
        assert_eq!(simulated(1.045e3), None);
        assert_eq!(simulated(0.9e3), None);
    }

    #[test]
    fn neighbouring_draws_have_the_correlation_asked_for() {
        let of = |r: f64| {
            let mut random = Pcg64::seed_from_u64(5);
            let mut draws = Columns::default();
            draws.resize(20_000);
            let mut normal = || -> f64 { StandardNormal.sample(&mut random) };
            draws.pairs_mut().for_each(|(a, p)| (*a, *p) = (normal(), normal()));
            correlate(&mut draws, r);
            let all: Vec<[f64; 2]> = draws.pairs_mut().map(|(a, p)| [*a, *p]).collect();
            let product = |lag: usize, part: usize, other: usize| {
                let sum: f64 = all.iter().zip(&all[lag..]).map(|(a, b)| a[part] * b[other]).sum();
                sum / all.len() as f64
            };
            [
                product(0, 0, 0),
                product(0, 1, 1),
                product(1, 0, 0),
                product(1, 1, 1),
                product(2, 0, 0),
                product(1, 0, 1),
            ]
        };
        // 20 000 draws tell a variance to 1 %.
        for (r, exact) in [(0.0, [1.0, 1.0, 0.0, 0.0, 0.0, 0.0]), (0.6, [1.0, 1.0, 0.6, 0.6, 0.36, 0.0])] {
            for (found, exact) in of(r).into_iter().zip(exact) {
                assert!((found - exact).abs() < 0.04, "{r}: {found} {exact}");
            }
        }
    }

    /// 1 + T' = (1 + T)(1 + r) of the textbook's T, which is minus the curve, for any r.
    #[test]
    fn a_loaded_loop_is_what_the_closed_form_says() {
        use num_complex::Complex64;
        let t = Complex64::from_polar(1.7, 2.5);
        let inverse = (-t).inv();
        for r in [Complex64::new(0.1, -0.05), Complex64::new(-0.3, 0.2)] {
            let exact = ((1.0 + t) * (1.0 + r) - 1.0) / t;
            let [gain, phase] = loading([inverse.re, inverse.im], [r.re, r.im]);
            assert!((gain - exact.norm().ln()).abs() < 1e-12 && (phase - exact.arg()).abs() < 1e-12);
        }
    }

    #[test]
    fn other_samples_and_other_places_draw_other_numbers() {
        let (own, other) = (straight(-0.5, 0.001), straight(-0.4, 0.001));
        let span = own.curve.span();
        let part = Span { from: span.from + 0.1, ..span };
        assert_eq!(seed(&own.raw, span), seed(&own.raw, span));
        assert_ne!(seed(&own.raw, span), seed(&other.raw, span));
        assert_ne!(seed(&own.raw, span), seed(&own.raw, part));
    }
}
