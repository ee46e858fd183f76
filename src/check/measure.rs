//! The measured quantities of one sweep, with their standard uncertainties.

use super::level_change::Errors;
use super::outcome::{Measured, MeasuredSet};
use super::propagation_validity::{Law, Line};
use crate::analysed::Analysed;
use crate::curve::{Curve, Span, db, wrap};
use crate::margins::{
    Crossing, GainMargin, Located, crossover, delay_margin, delay_margin_of, gain_margin, gain_margins,
    gain_reduction_margin, gain_reduction_margins, phase_margin, phase_margin_of, stability_margin,
};
use crate::monte_carlo::{Read, Request, Trials};
use crate::sanity::Usable;
use crate::uncertainty::Budget;

/// A value in its reported unit, with its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// The value.
    pub value: f64,
    /// Standard uncertainty; `None` where it is not known.
    pub u: Option<f64>,
    /// Frequency it was found at, Hz.
    pub at_hz: f64,
    /// Whether the value is a lower bound.
    pub at_least: bool,
    /// What each source contributes to the standard uncertainty, by the law of propagation.
    pub budget: Budget,
    /// Whether the uncertainty was simulated, because that law fails here.
    pub simulated: bool,
}

impl Estimate {
    /// From a located value on its sweep, scaled to its reported unit.
    #[must_use]
    pub fn new(located: &Located, scale: f64, errors: &Errors<'_>, sweep: &Analysed) -> Self {
        let ln_f = located.point.ln_f;
        let interpolation = sweep.curve.interpolation_error_beside(ln_f, |k| sweep.noise.own_of_sample(k));
        let noise = sweep.noise.at(&sweep.curve, ln_f);
        let level = errors.level.map_or(0.0, |stronger| stronger.uncertainty(sweep, located));
        let budget = Budget { level, ..errors.chain.budget(located, interpolation, noise) }.scaled(scale);
        // Noise that nobody can estimate leaves the uncertainty open.
        let u = budget.combined().filter(|_| sweep.noise.is_known());
        Self {
            value: located.value * scale,
            u,
            at_hz: located.point.hz(),
            at_least: false,
            budget,
            simulated: false,
        }
    }

    /// Of several margins the smallest counts. One that is larger but less certain may be the smallest in truth: the uncertainty then
    /// reaches down to where that one may lie, with its budget.
    fn cover(&mut self, others: impl Iterator<Item = Self>, coverage: f64) {
        for other in others {
            let Some((own_u, other_u)) = self.u.zip(other.u) else { continue };
            let reach = (self.value.abs() - (other.value.abs() - coverage * other_u)) / coverage;
            if reach > own_u && reach > 0.0 && other_u > 0.0 {
                self.u = Some(reach);
                self.budget = other.budget.scaled(reach / other_u);
            }
        }
    }

    fn report(&self, coverage: f64) -> Measured {
        Measured {
            value: self.value,
            uncertainty: self.u.map(|u| u * coverage),
            at_hz: self.at_hz,
            at_least: None,
            budget: Some(self.budget.scaled(coverage)),
            simulated: self.simulated,
        }
    }
}

/// Everything that is measured on a sweep. `None` is what does not exist.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Quantities {
    /// The highest falling crossover, Hz.
    pub crossover: Option<Estimate>,
    /// The phase margin nearest to 0, deg, with its sign.
    pub phase_margin: Option<Estimate>,
    /// Gain margin, dB; a bound is marked. `None`: no bound either.
    pub gain_margin: Option<Estimate>,
    /// Gain reduction margin, dB.
    pub gain_reduction_margin: Option<Estimate>,
    /// Smallest distance to the critical point.
    pub stability_margin: Estimate,
    /// Delay margin, s.
    pub delay_margin: Option<Estimate>,
    /// Number of crossovers.
    pub crossings: usize,
    /// Why there is no gain margin, where one would be expected.
    pub no_gain_margin: Option<Open>,
    /// Why the stability margin is not known: what is given is the smallest distance in the part that was judged.
    pub no_stability_margin: Option<Open>,
}

/// Why a smallest value is not known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Open {
    /// What was left out above the judged part may hold a smaller one.
    Above,
    /// At this frequency, Hz, the points leave room for a crossing between them.
    Between {
        /// The frequency, Hz.
        at_hz: f64,
    },
}

/// Where a simulated uncertainty belongs.
type Slot = fn(&mut Quantities) -> Option<&mut Estimate>;

impl Quantities {
    /// Measures the usable part of a sweep. Where the law of propagation fails, the uncertainty is simulated so that it covers
    /// what `coverage` standard deviations of a normal distribution do.
    #[must_use]
    pub fn of(
        sweep: &Analysed,
        usable: &Usable,
        errors: &Errors<'_>,
        coverage: f64,
        trials: &mut Trials,
    ) -> Self {
        let (chain, span) = (errors.chain, usable.span);
        let Analysed { curve, crossings, .. } = sweep;
        let estimate = |located: &Located, scale: f64| Estimate::new(located, scale, errors, sweep);
        let law = Law { sweep, chain, span };
        let degrees = 1f64.to_degrees();
        // Parts that are to be simulated overlap: all are asked for first.
        let mut simulated: Vec<(Slot, f64)> = Vec::new();
        let mut requests: Vec<Request<'_>> = Vec::new();
        let mut simulate =
            |slot: Slot, part: Option<Span>, value: f64, scale: f64, read: Box<Read<'static>>| {
                if let Some(span) = part.filter(|_| sweep.noise.is_known()) {
                    simulated.push((slot, scale));
                    requests.push(Request { span, value, read });
                }
            };
        let crossover = crossover(crossings, span).map(|located| {
            let own = estimate(&located, 1.0);
            let part = law.fails_at_crossing(Line::Gain, &located, None, None);
            simulate(
                |q| q.crossover.as_mut(),
                part,
                located.value,
                1.0,
                Box::new(move |_, c, span| Some(crate::margins::crossover(c, span)?.value)),
            );
            own
        });
        let phase_margin = phase_margin(crossings, span).map(|located| {
            let mut own = estimate(&located, degrees);
            let others = crossings.gain_in(span).map(phase_margin_of);
            own.cover(others.map(|other| estimate(&other, degrees)), coverage);
            let of = |c: &Crossing| Some(phase_margin_of(c).value);
            let part = law.fails_at_crossing(Line::Gain, &located, own.u.map(|u| u / degrees), Some(&of));
            simulate(
                |q| q.phase_margin.as_mut(),
                part,
                located.value,
                degrees,
                Box::new(move |_, c, span| {
                    let value = crate::margins::phase_margin(c, span)?.value;
                    Some(located.value + wrap(value - located.value))
                }),
            );
            own
        });
        let gain_margin = match gain_margin(curve, crossings, span) {
            GainMargin::At(located) => {
                let mut own = estimate(&located, 1.0);
                own.cover(gain_margins(crossings, span).map(|other| estimate(&other, 1.0)), coverage);
                let of = |c: &Crossing| (c.point.ln_mag < 0.0).then_some(c.point.ln_mag);
                let u = own.u.map(|u| u / db(1.0));
                let part = law.fails_at_crossing(Line::Phase, &located, u, Some(&of));
                simulate(
                    |q| q.gain_margin.as_mut(),
                    part,
                    located.value,
                    1.0,
                    Box::new(move |curve, c, span| match crate::margins::gain_margin(curve, c, span) {
                        GainMargin::At(located) => Some(located.value),
                        _ => None,
                    }),
                );
                Some(own)
            }
            GainMargin::AtLeast(located) => Some(Estimate { at_least: true, ..estimate(&located, 1.0) }),
            GainMargin::Unbounded => None,
        };
        let (gain_margin, no_gain_margin) = bounded(gain_margin, sweep, usable);
        let gain_reduction_margin = gain_reduction_margin(crossings, span).map(|located| {
            let mut own = estimate(&located, 1.0);
            own.cover(gain_reduction_margins(crossings, span).map(|other| estimate(&other, 1.0)), coverage);
            let of = |c: &Crossing| (c.point.ln_mag > 0.0).then_some(c.point.ln_mag);
            let u = own.u.map(|u| u / db(1.0));
            let part = law.fails_at_crossing(Line::Phase, &located, u, Some(&of));
            simulate(
                |q| q.gain_reduction_margin.as_mut(),
                part,
                located.value,
                1.0,
                Box::new(move |_, c, span| Some(crate::margins::gain_reduction_margin(c, span)?.value)),
            );
            own
        });
        let stability_margin = {
            let located = stability_margin(curve, crossings, span);
            let own = estimate(&located, 1.0);
            let part = own.u.and_then(|u| law.fails_at_minimum(&located, own.budget.noise, u));
            simulate(
                |q| Some(&mut q.stability_margin),
                part,
                located.value,
                1.0,
                Box::new(move |curve, c, span| Some(crate::margins::stability_margin(curve, c, span).value)),
            );
            own
        };
        // Where the gain stays below exp(above), the distance to the critical point stays above 1 - exp(above).
        let hidden = usable.above.is_some_and(|above| 1.0 - above.exp() < stability_margin.value);
        let delay_margin = delay_margin(crossings, span).map(|located| {
            let mut own = estimate(&located, 1.0);
            let others = crossings.gain_in(span).map(delay_margin_of);
            own.cover(others.map(|other| estimate(&other, 1.0)), coverage);
            let omega = std::f64::consts::TAU * located.point.hz();
            let of = |c: &Crossing| Some(phase_margin_of(c).value.rem_euclid(std::f64::consts::TAU));
            let u = own.u.map(|u| u * omega);
            let part = law.fails_at_crossing(Line::Gain, &located, u, Some(&of));
            simulate(
                |q| q.delay_margin.as_mut(),
                part,
                located.value,
                1.0,
                Box::new(move |_, c, span| Some(crate::margins::delay_margin(c, span)?.value)),
            );
            own
        });
        let mut all = Self {
            crossover,
            phase_margin,
            gain_margin,
            gain_reduction_margin,
            stability_margin,
            delay_margin,
            crossings: crossings.gain_in(span).count(),
            no_gain_margin,
            no_stability_margin: hidden.then_some(Open::Above),
        };
        let halves = trials.half_widths(sweep, chain, coverage, &requests);
        for ((slot, scale), half) in simulated.into_iter().zip(halves) {
            if let Some(estimate) = slot(&mut all) {
                // What interpolation and change with the level leave open is not drawn.
                let more = estimate.budget.density.hypot(estimate.budget.level);
                estimate.u = half.map(|half| (half * scale / coverage).hypot(more));
                estimate.simulated = true;
            }
        }
        all
    }

    /// As the results report them, with expanded uncertainties.
    #[must_use]
    pub fn report(&self, coverage: f64) -> MeasuredSet {
        let report = |e: Option<Estimate>| e.map(|e| e.report(coverage));
        MeasuredSet {
            crossover_hz: report(self.crossover),
            phase_margin_deg: report(self.phase_margin),
            gain_margin_db: self
                .gain_margin
                .map(|e| Measured { at_least: Some(e.at_least), ..e.report(coverage) }),
            gain_reduction_margin_db: report(self.gain_reduction_margin),
            stability_margin: report(
                Some(self.stability_margin).filter(|_| self.no_stability_margin.is_none()),
            ),
            delay_margin_s: report(self.delay_margin),
            crossings: self.crossings,
        }
    }
}

/// A gain margin with what was left out above, and what the points leave open.
fn bounded(found: Option<Estimate>, sweep: &Analysed, usable: &Usable) -> (Option<Estimate>, Option<Open>) {
    let above = usable.above.map(|above| -db(above));
    match (found, above) {
        (Some(found), Some(above)) if found.value > above => {
            // No gain above reaches beyond that; where it is above 0 dB, or not known, there is no bound.
            let bound = Estimate { value: above, at_least: true, ..found };
            if above > 0.0 { (Some(bound), None) } else { (None, Some(Open::Above)) }
        }
        (Some(found), _) if found.at_least => match room(sweep, usable.span) {
            Some(ln_f) => (None, Some(Open::Between { at_hz: ln_f.exp() })),
            None => (Some(found), None),
        },
        (found, _) => (found, None),
    }
}

/// Standard deviations by which a sample must lie beyond the ray to have crossed it.
const CROSSED: f64 = 3.0;
/// Coverage factor of the noise and of the interpolation's error.
const COVERED: f64 = 2.0;
/// Phase from point to point, rad, beyond which the curve between them is a guess.
const GUESS: f64 = std::f64::consts::FRAC_PI_2;
/// Noise of a sample, rad, from which on such a step may be noise.
const NOISY: f64 = 0.1;

/// A place below 0 dB where the phase may meet the ray although the curve does not: ln f.
fn room(sweep: &Analysed, span: Span) -> Option<f64> {
    let Analysed { curve, raw, noise, .. } = sweep;
    let share = noise.shares()[1];
    let at = |values: &[f64], i: usize| values.get(i).copied().unwrap_or(0.0);
    let off = |angle: f64| wrap(angle).abs();
    for (i, &x) in curve.ln_f().iter().enumerate() {
        if !span.holds(x) || at(curve.ln_mag(), i) >= 0.0 {
            continue;
        }
        let (smooth, own) = (at(curve.angle(), i), at(raw.angle(), i));
        let (fit, sigma) = (share * at(noise.fit(), i), share * at(noise.sigma(), i));
        let beyond = (wrap(own) > 0.0) != (wrap(smooth) > 0.0) && off(own) < GUESS;
        let crossed = beyond && off(own) > CROSSED * sigma;
        let within_noise = fit > 0.0 && off(smooth) < COVERED * fit;
        let between = curve.ln_f().get(i + 1).filter(|next| span.holds(**next)).is_some_and(|next| {
            let middle = 0.5 * (x + next);
            let error = COVERED * curve.interpolation_error(middle).angle;
            let step = (at(raw.angle(), i + 1) - own).abs();
            (step > GUESS && sigma < NOISY) || off(curve.at(middle).angle) < error
        });
        if crossed || within_noise || between {
            return Some(x);
        }
    }
    None
}

/// The judged part of a sweep: the band as far as the sweep covers it, or the whole sweep without a band.
#[must_use]
pub fn judged_span(curve: &Curve, band: Option<Span>) -> Option<Span> {
    band.map_or_else(|| Some(curve.span()), |band| curve.clip(band))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn estimate(value: f64, u: f64) -> Estimate {
        let budget = Budget { density: u, ..Budget::default() };
        Estimate { value, u: Some(u), at_hz: 1e3, at_least: false, budget, simulated: false }
    }

    /// 63.3 deg at one crossover, 66 deg give or take 8 at another: the smaller of both may be 58.
    #[test]
    fn the_smallest_margin_covers_a_less_certain_one_beside_it() {
        let mut own = estimate(63.3, 0.02);
        own.cover([estimate(63.3, 0.02), estimate(-66.0, 4.0), estimate(120.0, 1.0)].into_iter(), 2.0);
        assert!((2.0 * own.u.unwrap() - 5.3).abs() < 1e-9);
        assert!((own.budget.combined().unwrap() - own.u.unwrap()).abs() < 1e-9);
        let mut clear = estimate(50.0, 0.5);
        clear.cover([estimate(66.0, 4.0)].into_iter(), 2.0);
        assert_eq!(clear, estimate(50.0, 0.5));
    }
}
