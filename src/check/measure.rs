//! The measured quantities of one sweep, with their standard uncertainties.

use super::outcome::{Measured, MeasuredSet};
use crate::analysed::Analysed;
use crate::curve::{Curve, Span};
use crate::margins::{
    GainMargin, Located, crossover, delay_margin, gain_margin, gain_reduction_margin, phase_margin,
    stability_margin,
};
use crate::uncertainty::{Budget, Chain};

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
    /// What each source contributes to the standard uncertainty.
    pub budget: Budget,
}

impl Estimate {
    /// From a located value on its sweep, scaled to its reported unit.
    #[must_use]
    pub fn new(located: &Located, scale: f64, chain: &Chain, sweep: &Analysed) -> Self {
        let ln_f = located.point.ln_f;
        let interpolation = sweep.curve.interpolation_error(ln_f);
        let noise = sweep.noise.at(&sweep.curve, ln_f);
        let budget = chain.budget(located, interpolation, noise).scaled(scale);
        // Noise that nobody can estimate leaves the uncertainty open.
        let u = budget.combined().filter(|_| sweep.noise.is_known());
        Self { value: located.value * scale, u, at_hz: located.point.hz(), at_least: false, budget }
    }

    fn report(&self, coverage: f64) -> Measured {
        Measured {
            value: self.value,
            uncertainty: self.u.map(|u| u * coverage),
            at_hz: self.at_hz,
            at_least: None,
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
}

impl Quantities {
    /// Measures a sweep inside a span.
    #[must_use]
    pub fn of(sweep: &Analysed, span: Span, chain: &Chain) -> Self {
        let Analysed { curve, crossings, .. } = sweep;
        let estimate = |located: Located, scale: f64| Estimate::new(&located, scale, chain, sweep);
        let gain_margin = match gain_margin(curve, crossings, span) {
            GainMargin::At(located) => Some(estimate(located, 1.0)),
            GainMargin::AtLeast(located) => Some(Estimate { at_least: true, ..estimate(located, 1.0) }),
            GainMargin::Unbounded => None,
        };
        let degrees = 1f64.to_degrees();
        Self {
            crossover: crossover(crossings, span).map(|l| estimate(l, 1.0)),
            phase_margin: phase_margin(crossings, span).map(|l| estimate(l, degrees)),
            gain_margin,
            gain_reduction_margin: gain_reduction_margin(crossings, span).map(|l| estimate(l, 1.0)),
            stability_margin: estimate(stability_margin(curve, crossings, span), 1.0),
            delay_margin: delay_margin(crossings, span).map(|l| estimate(l, 1.0)),
            crossings: crossings.gain_in(span).count(),
        }
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
            stability_margin: Some(self.stability_margin.report(coverage)),
            delay_margin_s: report(self.delay_margin),
            crossings: self.crossings,
        }
    }
}

/// The judged part of a sweep: the band as far as the sweep covers it, or the whole sweep without a band.
#[must_use]
pub fn judged_span(curve: &Curve, band: Option<Span>) -> Option<Span> {
    band.map_or_else(|| Some(curve.span()), |band| curve.clip(band))
}
