//! The measured quantities of one sweep, with their standard uncertainties.

use super::hidden_crossing::{hidden_by_chain, hidden_by_points};
use super::level_change::Errors;
use super::outcome::{Measured, MeasuredSet};
use super::propagation_validity::Law;
use crate::analysed::{Analysed, Sharp};
use crate::curve::{Curve, Point, Span, db, wrap};
use crate::margins::{Crossing, Crossings, Direction, Line, Located, Method, Place};
use crate::measurand::{Measurand, PerMeasurand, Unwelcome};
use crate::monte_carlo::{Request, Trials};
use crate::quantity::Unit;
use crate::sanity::Usable;
use crate::uncertainty::Budget;
use std::f64::consts::FRAC_PI_2;

/// A value in its reported unit, with its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct Estimate {
    /// The value.
    pub value: f64,
    /// Standard uncertainty; `None` where it is not known.
    pub u: Option<f64>,
    /// Frequency it was found at, Hz.
    pub at_hz: f64,
    /// Whether the value is a lower bound.
    pub at_least: bool,
    /// Whether it is one because the measuring chain may hide a phase crossover there.
    pub by_chain: bool,
    /// What each source contributes to the standard uncertainty, by the law of propagation.
    pub budget: Budget,
    /// Whether the uncertainty was simulated, because that law fails here.
    pub simulated: bool,
    /// Where the distance between the points leaves most open, Hz, if that is elsewhere.
    pub sparse_at_hz: Option<f64>,
}

impl Estimate {
    /// From a located value on its sweep, scaled to its reported unit.
    #[must_use]
    pub fn new(located: &Located, scale: f64, errors: &Errors<'_>, sweep: &Analysed) -> Self {
        let ln_f = located.point.ln_f;
        let mut interpolation =
            sweep.curve.interpolation_error_beside(ln_f, |k| sweep.noise.own_of_sample(k));
        if let Some(sharp) = sweep.sharp_at(ln_f) {
            interpolation = interpolation.max(sharp.open);
        }
        let noise = sweep.noise.at(&sweep.curve, ln_f);
        let level = errors.level.map_or(0.0, |stronger| stronger.uncertainty(sweep, located));
        let rounding = sweep.rounding_at(ln_f);
        let budget =
            Budget { level, ..errors.chain.budget(located, interpolation, noise, rounding) }.scaled(scale);
        // Noise that nobody can estimate leaves the uncertainty open.
        let u = budget.combined().filter(|_| sweep.noise.is_known());
        Self {
            value: located.value * scale,
            u,
            at_hz: located.point.hz(),
            at_least: false,
            by_chain: false,
            budget,
            simulated: false,
            sparse_at_hz: None,
        }
    }

    /// Worse values that there may be between two points, with their places: the distance between the points leaves that much open.
    pub(crate) fn reach(&mut self, unwelcome: Unwelcome, between: impl Iterator<Item = (f64, f64)>) {
        let far = |value: f64| (value - self.value).abs();
        let worse = between.filter(|(value, _)| unwelcome.is_worse(*value, self.value));
        let Some((worst, ln_f)) = worse.max_by(|a, b| far(a.0).total_cmp(&far(b.0))) else { return };
        let open = far(worst) / 3f64.sqrt();
        if open > self.budget.density {
            self.budget.density = open;
            self.u = self.u.and_then(|_| self.budget.combined());
            self.sparse_at_hz = Some(ln_f.exp());
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

/// Everything that is measured on a sweep.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Quantities {
    /// What exists, in the units of the measurands; of a gain margin a bound is marked, a phase margin has its sign.
    estimates: PerMeasurand<Estimate>,
    /// Why a worst value is not known: an estimate beside it is the worst in the part that was judged.
    open: PerMeasurand<Open>,
    /// Number of crossovers.
    pub crossings: usize,
}

/// Why a worst value is not known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Open {
    /// What was left out above the judged part may hold a worse one.
    Above,
    /// What a step or a gap left out below it may.
    Below,
    /// At this frequency, Hz, the points leave room for a crossing between them.
    Between {
        /// The frequency, Hz.
        at_hz: f64,
    },
}

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
        let (span, law) = (usable.span, Law { sweep, chain: errors.chain, span: usable.span });
        let mut bench = Bench { sweep, span, errors, coverage, law, asked: Vec::new(), requests: Vec::new() };
        let mut estimates = PerMeasurand::of(|measurand| bench.measure(measurand));
        let (gain_margin, no_gain_margin) = bounded(estimates.get(Measurand::GainMargin), sweep, usable);
        estimates = estimates.with(Measurand::GainMargin, gain_margin);
        let hidden = |measurand| hidden(measurand, estimates.get(measurand)?.value, usable);
        let open = PerMeasurand::of(hidden).with(Measurand::GainMargin, no_gain_margin);
        // Parts that are to be simulated overlap: all were asked for first.
        let halves = trials.half_widths(sweep, errors.chain, coverage, &bench.requests);
        for ((measurand, scale), half) in bench.asked.into_iter().zip(halves) {
            if let Some(estimate) = estimates.get_mut(measurand) {
                // What interpolation, rounding and change with the level leave open is not drawn.
                let Budget { density, rounding, level, .. } = estimate.budget;
                let more = density.hypot(rounding).hypot(level);
                estimate.u = half.map(|half| (half * scale / coverage).hypot(more));
                estimate.simulated = true;
            }
        }
        Self { estimates, open, crossings: sweep.crossings.gain_in(span).count() }
    }

    /// What there is of a measurand, `None` also where it is not known.
    #[must_use]
    pub fn estimate(&self, measurand: Measurand) -> Option<Estimate> {
        self.estimates.get(measurand).filter(|_| self.open(measurand).is_none())
    }

    /// Why the worst value of a measurand is not known, where one would be expected.
    #[must_use]
    pub fn open(&self, measurand: Measurand) -> Option<Open> {
        self.open.get(measurand)
    }

    /// As the results report them, with expanded uncertainties.
    #[must_use]
    pub fn report(&self, coverage: f64) -> MeasuredSet {
        let report = |measurand| {
            let estimate = self.estimate(measurand)?;
            let at_least = (measurand == Measurand::GainMargin).then_some(estimate.at_least);
            Some(Measured { at_least, ..estimate.report(coverage) })
        };
        MeasuredSet { values: PerMeasurand::of(report), crossings: self.crossings }
    }
}

/// One sweep, and what its quantities are measured with. Each of them is an estimate by the law of propagation; where that fails in a
/// part of the sweep, its uncertainty is simulated there.
struct Bench<'a, 'e> {
    sweep: &'a Analysed,
    span: Span,
    errors: &'a Errors<'e>,
    coverage: f64,
    law: Law<'a>,
    /// What is to be simulated, each with its scale; side by side with the requests.
    asked: Vec<(Measurand, f64)>,
    requests: Vec<Request<'static>>,
}

impl Bench<'_, '_> {
    fn measure(&mut self, measurand: Measurand) -> Option<Estimate> {
        let Method { scale, read, place } = Method::of(measurand);
        let Analysed { curve, crossings, .. } = self.sweep;
        let (mut located, mut at_least) = read(curve, crossings, self.span)?.parts();
        let mut by_chain = false;
        if measurand == Measurand::GainMargin
            && let Some(nearer) = hidden_by_chain(self.sweep, self.errors.chain, self.span, located.value)
        {
            (located, at_least, by_chain) = (nearer, true, true);
        }
        let mut own = Estimate { at_least, by_chain, ..self.estimate(&located, scale) };
        if at_least {
            return Some(own);
        }
        if let Place::SmallestCrossing(line, of) = place {
            let inside = line.crossings(crossings).iter().filter(|c| self.span.holds(c.point.ln_f));
            own.cover(inside.filter_map(of).map(|other| self.estimate(&other, scale)), self.coverage);
        }
        self.between_points(&mut own, measurand, place, scale);
        let (u, noise) = (own.u.map(|u| u / scale), own.budget.noise / scale);
        let part = self.law.fails(place, &located, measurand.unwelcome(), u, noise);
        if let Some(span) = part.filter(|_| self.sweep.noise.is_known()) {
            self.asked.push((measurand, scale));
            self.requests.push(request(measurand, span, located.value));
        }
        Some(own)
    }

    /// What a resonance between two points makes of a worst value, or of a smallest gain at the ray.
    fn between_points(&self, own: &mut Estimate, measurand: Measurand, place: Place, scale: f64) {
        let value = |sharp: &Sharp| match place {
            Place::Worst(everywhere) => Some((everywhere.value)(sharp.ln_mag, sharp.angle) * scale),
            Place::SmallestCrossing(Line::Phase, of) => {
                let curve = self.sweep.curve.at(sharp.ln_f);
                let crosses = (wrap(sharp.angle) > 0.0) != (wrap(curve.angle) > 0.0);
                let point = Point { ln_mag: sharp.ln_mag, angle: 0.0, ..curve };
                let is_near = wrap(sharp.angle).abs() < FRAC_PI_2;
                let crossing = Crossing { point, direction: Direction::Touching };
                (crosses && is_near).then(|| of(&crossing)).flatten().map(|located| located.value * scale)
            }
            _ => None,
        };
        let between = self.sweep.sharp_in(self.span);
        own.reach(measurand.unwelcome(), between.filter_map(|sharp| Some((value(sharp)?, sharp.ln_f))));
    }

    fn estimate(&self, located: &Located, scale: f64) -> Estimate {
        Estimate::new(located, scale, self.errors, self.sweep)
    }
}

/// What a simulation is asked: a value, which is not scaled yet, in a part of the sweep.
fn request(measurand: Measurand, span: Span, value: f64) -> Request<'static> {
    let read = Method::of(measurand).read;
    let is_angle = measurand.unit() == Unit::Deg;
    let again = move |curve: &Curve, crossings: &Crossings, span| {
        let own = read(curve, crossings, span)?.exact()?.value;
        Some(if is_angle { value + wrap(own - value) } else { own })
    };
    Request { span, value, read: Box::new(again) }
}

/// Whether what was left out above or below the judged part may hold a worse value.
fn hidden(measurand: Measurand, value: f64, usable: &Usable) -> Option<Open> {
    let Method { scale, place: Place::Worst(everywhere), .. } = Method::of(measurand) else { return None };
    let is_worse =
        |bound: Option<f64>| bound.is_none_or(|bound| measurand.unwelcome().is_worse(scale * bound, value));
    let above = usable.above.filter(|above| is_worse((everywhere.below)(*above))).map(|_| Open::Above);
    let below = usable.below.filter(|below| is_worse((everywhere.beyond)(*below))).map(|_| Open::Below);
    above.or(below)
}

/// A gain margin with what was left out above, and what the points leave open.
fn bounded(found: Option<Estimate>, sweep: &Analysed, usable: &Usable) -> (Option<Estimate>, Option<Open>) {
    let above = usable.above.map(|above| -db(above));
    match (found, above) {
        (Some(found), Some(above)) if found.value > above => {
            // No gain above reaches beyond that; where it is above 0 dB, or not known, there is no bound.
            let bound = Estimate { value: above, at_least: true, by_chain: false, ..found };
            if above > 0.0 { (Some(bound), None) } else { (None, Some(Open::Above)) }
        }
        (Some(found), _) if found.at_least => match hidden_by_points(sweep, usable.span) {
            Some(ln_f) => (None, Some(Open::Between { at_hz: ln_f.exp() })),
            None => (Some(found), None),
        },
        (found, _) => (found, None),
    }
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
        Estimate {
            value,
            u: Some(u),
            at_hz: 1e3,
            at_least: false,
            by_chain: false,
            budget,
            simulated: false,
            sparse_at_hz: None,
        }
    }

    /// A margin of 0.8 whose curve may come down to 0.5 between two points: the half-width of a rectangular distribution (JCGM 100:2008, 4.3.7).
    /// What is better, or less than what is open already, changes nothing.
    #[test]
    fn a_worse_value_between_two_points_is_reached() {
        let between = [(0.9, 8.0), (0.5, 7.0), (0.7, 6.0)];
        let mut own = estimate(0.8, 0.01);
        own.reach(Unwelcome::Drop, between.into_iter());
        assert!((own.u.unwrap() - 0.3 / 3f64.sqrt()).abs() < 1e-12);
        assert_eq!(own.sparse_at_hz, Some(7f64.exp()));
        let mut wide = estimate(0.8, 0.2);
        wide.reach(Unwelcome::Drop, between.into_iter());
        assert_eq!(wide, estimate(0.8, 0.2));
        own.reach(Unwelcome::Drop, std::iter::empty());
        assert!((own.budget.density - 0.3 / 3f64.sqrt()).abs() < 1e-12);
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

    /// Where the gain stays above 3, the distance from the critical point is 2 or more; a margin of 0.8 is surely the smallest, one of 2.5
    /// may not be.
    #[test]
    fn what_was_left_out_below_may_be_worse_where_its_gain_is_not_far_above_0_db() {
        let span = Span { from: 5.0, to: 10.0 };
        let usable = |below: Option<f64>| Usable { below, ..Usable::whole(span) };
        let open = |value: f64, below: Option<f64>| hidden(Measurand::StabilityMargin, value, &usable(below));
        assert_eq!((open(0.8, None), open(0.8, Some(3f64.ln()))), (None, None));
        assert_eq!(open(2.5, Some(3f64.ln())), Some(Open::Below));
        assert_eq!(open(0.8, Some(1.7_f64.ln())), Some(Open::Below));
        assert_eq!(open(0.8, Some(f64::NEG_INFINITY)), Some(Open::Below));
        assert_eq!(hidden(Measurand::PhaseMargin, 60.0, &usable(Some(0.1))), None);
    }
}
