//! What one sweep shows by itself, without a spec.

use crate::alteration::{Alteration, TooFarApart, altered};
use crate::analysed::Analysed;
use crate::check::{CheckOutcome, Errors, Limit, MeasuredSet, Quantities, Unit, Verdict, would_be};
use crate::coverage::undersampled;
use crate::curve::db;
use crate::margins::{Crossing, Direction, crossover, phase_margin_of};
use crate::measurand::Measurand;
use crate::monte_carlo::Trials;
use crate::noise::Smoother;
use crate::sanity::{Closure, Kernel, Refusal, Subject, Usable, closure, refusal, spike_text, usable};
use crate::spec::{Corner, CriticalPoint, Spec};
use crate::sweep::Samples;
use crate::uncertainty::Chain;
use serde::{Serialize, Serializer};

/// Coverage factor of the uncertainties: about 95 % of a normal distribution.
const COVERAGE: f64 = 2.0;

/// What one sweep shows.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct Inspected {
    /// The file as given.
    pub file: String,
    /// Number of points.
    pub points: usize,
    /// Lowest and highest frequency, Hz.
    pub band_hz: [f64; 2],
    /// Every crossover, rising in frequency.
    pub crossovers: Vec<Crossover>,
    /// Every phase crossover, rising in frequency.
    pub phase_crossovers: Vec<PhaseCrossover>,
    /// The highest falling crossover and the margins; in JSON each value has its key here.
    #[serde(flatten, serialize_with = "by_key")]
    pub measured: MeasuredSet,
    /// Scatter of single samples about the smooth curve at the crossover, %; `None` when it is not known.
    pub noise_percent: Option<f64>,
    /// Observations, one sentence each.
    pub findings: Vec<String>,
    /// What the limits of a spec would say; only where they were asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub limits: Option<WouldBe>,
    /// What changes of the loop would make of it; only where they were asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub with: Option<Box<With>>,
}

/// What changes of the loop would make of a sweep: its samples times exact factors, looked at as any sweep is.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct With {
    /// The changes, one made after the other.
    pub changes: Vec<String>,
    /// Every crossover, rising in frequency.
    pub crossovers: Vec<Crossover>,
    /// Every phase crossover, rising in frequency.
    pub phase_crossovers: Vec<PhaseCrossover>,
    /// The highest falling crossover and the margins.
    #[serde(serialize_with = "by_key")]
    pub measured: MeasuredSet,
    /// What is to be said of the changed loop, one sentence each.
    pub findings: Vec<String>,
    /// What the limits of a spec would say; only where they were asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub limits: Option<WouldBe>,
}

/// What the limits of a corner would say of a sweep, if a run had it and a stronger one confirmed it: no verdict.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct WouldBe {
    /// Product of the spec.
    pub product: String,
    /// Name of the corner.
    pub corner: String,
    /// `coverage`, `sanity` and each limit.
    pub checks: Vec<CheckWouldBe>,
}

/// What a check would say.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct CheckWouldBe {
    /// Name of the check.
    pub check: String,
    /// The verdict that it would have.
    pub would_be: Verdict,
    /// The value held against the limit.
    pub value: Option<f64>,
    /// Its expanded uncertainty, at the coverage of the spec.
    pub uncertainty: Option<f64>,
    /// Its unit.
    pub unit: Option<Unit>,
    /// The limit.
    pub limit: Option<Limit>,
    /// What was seen and what is wanted.
    pub message: String,
}

impl Inspected {
    /// The same, held against the limits of a corner of a spec.
    #[must_use]
    pub fn against(self, spec: &Spec, corner: &Corner, samples: &Samples) -> Self {
        Self { limits: Some(limits(spec, corner, samples)), ..self }
    }

    /// The same, with what changes of the loop would make of it; `against` are the limits that the changed loop is held against.
    ///
    /// The factors are exact, so that noise and interpolation alone are in the uncertainties, as before. They act on the loop gain as it was
    /// measured: saturation, sampling and a moved operating point are not in them.
    ///
    /// # Errors
    /// When the samples lie too far apart to carry a delay.
    pub fn with(
        self,
        changes: &[Alteration],
        samples: &Samples,
        critical_point: CriticalPoint,
        against: Option<(&Spec, &Corner)>,
    ) -> Result<Self, TooFarApart> {
        let changed = altered(samples, changes)?;
        let mut sweep = Analysed::default();
        sweep.take(&changed, critical_point);
        // The digits are those of the file.
        sweep.steps = Analysed::of(samples, critical_point).steps;
        sweep.smooth(None, &mut Smoother::default());
        let seen = Seen::of(&sweep, critical_point);
        let with = With {
            changes: changes.iter().map(ToString::to_string).collect(),
            crossovers: crossovers(&sweep),
            phase_crossovers: phase_crossovers(&sweep),
            measured: seen.quantities.report(COVERAGE),
            findings: closing(&seen.subject).into_iter().chain(seen.bound()).collect(),
            limits: against.map(|(spec, corner)| limits(spec, corner, &changed)),
        };
        Ok(Self { with: Some(Box::new(with)), ..self })
    }
}

fn limits(spec: &Spec, corner: &Corner, samples: &Samples) -> WouldBe {
    let told = |check: CheckOutcome| CheckWouldBe {
        check: check.check,
        would_be: check.verdict,
        value: check.value,
        uncertainty: check.uncertainty,
        unit: check.unit,
        limit: check.limit,
        message: check.message,
    };
    let checks = would_be(spec, corner, samples).into_iter().map(told).collect();
    WouldBe { product: spec.product.clone(), corner: corner.name.clone(), checks }
}

/// What keeps a changed loop from closing stably, or from being known to.
fn closing(subject: &Subject<'_>) -> Option<String> {
    let beyond =
        "what crosses beyond it is unknown, so the sweep cannot show that the changed loop would be stable";
    match closure(subject) {
        Closure::Stable => None,
        Closure::Unstable { .. } => Some(
            "the changed loop would not be stable: its curve goes round the critical point. The values beside it are distances of the \
             curve, no margins"
                .to_owned(),
        ),
        Closure::LowEndOpen => Some("what was left out below leaves open whether the changed loop would be stable".to_owned()),
        Closure::Unknown => Some(format!("the gain is above 0 dB at the top of the sweep: {beyond}")),
        Closure::Rising => Some(format!("the gain rises at the end of the sweep: {beyond}")),
    }
}

/// A frequency where the magnitude is 1.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[non_exhaustive]
pub struct Crossover {
    /// The frequency, Hz.
    pub frequency_hz: f64,
    /// The phase margin there, deg, in (-180, 180].
    pub phase_margin_deg: f64,
    /// Which way the magnitude goes.
    pub direction: Way,
}

/// Which way the magnitude goes through 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Way {
    /// From above 1 to below.
    Falling,
    /// From below 1 to above.
    Rising,
}

/// A frequency where the loop gain lies on the ray through the critical point.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[non_exhaustive]
pub struct PhaseCrossover {
    /// The frequency, Hz.
    pub frequency_hz: f64,
    /// Factor by which the gain may rise before the critical point is reached, dB; negative above magnitude 1.
    pub gain_margin_db: f64,
}

/// The number of crossovers is that of their list.
fn by_key<S: Serializer>(measured: &MeasuredSet, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.collect_map(Measurand::ALL.map(|measurand| (measurand.key(), measured.get(measurand))))
}

/// Scatter of single samples at the highest falling crossover, without one in the middle of all, %.
fn noise_percent(sweep: &Analysed) -> Option<f64> {
    let sigma = sweep.noise.sigma();
    let at = crossover(&sweep.crossings, sweep.curve.span()).map(|c| sweep.raw.interval(c.point.ln_f));
    let value = match at {
        Some(i) => sigma.get(i).copied(),
        None => {
            let mut sorted = sigma.to_vec();
            sorted.sort_by(f64::total_cmp);
            sorted.get(sorted.len() / 2).copied()
        }
    };
    // Of a very long sweep the noise of a group is known; that of one of its samples is wanted.
    let single = (sweep.group() as f64).sqrt();
    value.filter(|_| sweep.noise.is_known()).map(|sigma| 100.0 * sigma * single)
}

/// Finds all crossings and margins of a sweep over its whole range.
///
/// Without a spec nothing is known of the measuring chain: the uncertainties hold noise and the interpolation between the
/// samples alone, at coverage factor 2. Findings take the open loop to have no right-half-plane
/// poles.
///
/// ```
/// use loopgauge::{inspect::inspect, measurand::Measurand, spec::CriticalPoint, sweep::{Complex64, Samples}};
///
/// // An integrator that crosses 0 dB at 10 kHz, and a pole at 60 kHz.
/// let hz: Vec<f64> = (0..=120).map(|k| 100.0 * 10f64.powf(f64::from(k) / 40.0)).collect();
/// let gain: Vec<_> = hz.iter().map(|f| Complex64::new(0.0, -1e4 / f) / Complex64::new(1.0, f / 60e3)).collect();
/// let seen = inspect("calculated", &Samples::from_complex(&hz, &gain)?, CriticalPoint::MinusOne);
/// // The pole takes atan(1/6) from 90 deg, a little less as it also lowers the crossover.
/// let margin = seen.measured.get(Measurand::PhaseMargin).unwrap();
/// assert!((margin.value - 80.6).abs() < 0.2 && (margin.at_hz - 9.87e3).abs() < 30.0, "{margin:?}");
/// # Ok::<(), loopgauge::Error>(())
/// ```
#[must_use]
pub fn inspect(file: &str, samples: &Samples, critical_point: CriticalPoint) -> Inspected {
    let sweep = Analysed::of(samples, critical_point);
    let seen = Seen::of(&sweep, critical_point);
    let Seen { subject, found, part, .. } = &seen;
    let mut findings = Vec::new();
    if let Some(refusal) = refusal(subject, found, &mut Kernel::default()) {
        findings.push(format!("{}; {}", refusal.message, refusal.remedy));
    }
    findings.extend(part.spoiled.iter().map(|spoiled| spoiled.finding(part.span)));
    findings.extend(sweep.noise.spikes().iter().map(spike_text));
    findings.extend(undersampled(&sweep, subject.span).map(|place| place.text()));
    findings.extend(seen.bound());
    Inspected {
        file: file.to_owned(),
        points: samples.len(),
        band_hz: [
            samples.frequency_hz().first().copied().unwrap_or(0.0),
            samples.frequency_hz().last().copied().unwrap_or(0.0),
        ],
        crossovers: crossovers(&sweep),
        phase_crossovers: phase_crossovers(&sweep),
        measured: seen.quantities.report(COVERAGE),
        noise_percent: noise_percent(&sweep),
        findings,
        limits: None,
        with: None,
    }
}

/// What is measured on a sweep over its whole range, with what that rests on.
struct Seen<'a> {
    subject: Subject<'a>,
    found: Result<Usable, Refusal>,
    part: Usable,
    quantities: Quantities,
}

impl<'a> Seen<'a> {
    fn of(sweep: &'a Analysed, critical_point: CriticalPoint) -> Self {
        let span = sweep.curve.span();
        // No chain is declared without a spec.
        let chain = Chain::default();
        let subject = Subject {
            sweep,
            second: None,
            span,
            begins_late: false,
            open_loop_poles: 0,
            critical_point,
            chain,
        };
        let found = usable(&subject);
        let part = found.clone().unwrap_or_else(|_| Usable::whole(span));
        let errors = Errors::of_chain(&chain);
        let quantities = Quantities::of(sweep, &part, &errors, COVERAGE, &mut Trials::default());
        Self { subject, found, part, quantities }
    }

    /// What is said of a gain margin that is a bound.
    fn bound(&self) -> Option<String> {
        let margin = self.quantities.estimate(Measurand::GainMargin)?;
        margin.at_least.then(|| {
            "no phase crossover below 0 dB in the sweep: the gain margin is a lower bound, supposing that the gain goes on \
             falling"
                .to_owned()
        })
    }
}

fn crossovers(sweep: &Analysed) -> Vec<Crossover> {
    let told = |crossing: &Crossing| Crossover {
        frequency_hz: crossing.point.hz(),
        phase_margin_deg: phase_margin_of(crossing).value.to_degrees(),
        direction: match crossing.direction {
            Direction::Rising => Way::Rising,
            Direction::Falling | Direction::Touching => Way::Falling,
        },
    };
    sweep.crossings.gain.iter().map(told).collect()
}

fn phase_crossovers(sweep: &Analysed) -> Vec<PhaseCrossover> {
    let told = |crossing: &Crossing| PhaseCrossover {
        frequency_hz: crossing.point.hz(),
        gain_margin_db: -db(crossing.point.ln_mag),
    };
    sweep.crossings.phase.iter().map(told).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::number;
    use std::f64::consts::{FRAC_PI_2, PI, TAU};

    const CROSSOVER: f64 = 10e3;
    const DELAY: f64 = 4e-6;

    /// An integrator with a delay, textbook convention, or around the loop: its phase margin is 90 deg - 360 deg f tau, and it reaches
    /// -180 deg where f tau is a quarter.
    fn integrator(critical_point: CriticalPoint) -> Samples {
        let mut samples = Samples::default();
        for k in 0..=240 {
            let hz = 300.0 * 10f64.powf(f64::from(k) / 80.0);
            let around = if critical_point == CriticalPoint::PlusOne { PI } else { 0.0 };
            samples.push(hz, (CROSSOVER / hz).ln(), around - FRAC_PI_2 - TAU * hz * DELAY);
        }
        samples
    }

    fn with(changes: &[&str], critical_point: CriticalPoint) -> With {
        let samples = integrator(critical_point);
        let changes: Vec<Alteration> = changes.iter().map(|text| text.parse().unwrap()).collect();
        let seen = inspect("integrator", &samples, critical_point);
        *seen.with(&changes, &samples, critical_point, None).unwrap().with.unwrap()
    }

    fn value(with: &With, measurand: Measurand) -> f64 {
        with.measured.get(measurand).unwrap().value
    }

    /// Closed form, by hand.
    #[test]
    fn an_integrator_with_delay_changes_as_its_formula_says() {
        let points = [CriticalPoint::MinusOne, CriticalPoint::PlusOne];
        let cases: [(&[&str], f64, f64); 4] = [
            (&["gain:6 dB"], 6.0, 0.0),
            (&["gain:-20 dB"], -20.0, 0.0),
            (&["delay:3 us"], 0.0, 3e-6),
            (&["gain:2 dB", "delay:1 us", "gain:1 dB"], 3.0, 1e-6),
        ];
        for (changes, gain_db, delay) in cases {
            for point in points {
                let after = with(changes, point);
                let (hz, tau) = (CROSSOVER * 10f64.powf(gain_db / 20.0), DELAY + delay);
                let gain_margin = 20.0 * (0.25 / (tau * hz)).log10();
                let near = |measurand, wanted: f64, slack: f64| {
                    let found = value(&after, measurand);
                    assert!((found - wanted).abs() < slack, "{changes:?} {measurand:?}: {found}, {wanted}");
                };
                near(Measurand::Crossover, hz, 1e-4 * hz);
                near(Measurand::PhaseMargin, 90.0 - 360.0 * hz * tau, 0.01);
                near(Measurand::GainMargin, gain_margin, 0.01);
                assert!(after.findings.is_empty(), "{:?}", after.findings);
            }
        }
    }

    /// The largest phase of a lead is asin((k - 1)/(k + 1)) at the geometric mean of zero and pole, where its gain is the root of k
    /// (textbook: K. Ogata, Modern Control Engineering, the design of lead compensators: from memory).
    #[test]
    fn a_lead_about_the_crossover_gives_its_largest_phase_there() {
        let k: f64 = 4.0;
        let (zero, pole) = (CROSSOVER / k.sqrt(), CROSSOVER * k.sqrt());
        let lead = format!("lead:{} Hz,{} Hz", number(zero, 9), number(pole, 9));
        let lower = format!("gain:{} dB", number(-10.0 * k.log10(), 12));
        let after = with(&[&lead, &lower], CriticalPoint::MinusOne);
        let wanted = 90.0 - 360.0 * CROSSOVER * DELAY + ((k - 1.0) / (k + 1.0)).asin().to_degrees();
        assert!((value(&after, Measurand::Crossover) - CROSSOVER).abs() < 1.0);
        assert!((value(&after, Measurand::PhaseMargin) - wanted).abs() < 0.01);
    }

    #[test]
    fn a_change_that_makes_the_loop_oscillate_is_told() {
        // The gain margin is 15.9 dB.
        let after = with(&["gain:18 dB"], CriticalPoint::PlusOne);
        assert!(after.findings[0].contains("would not be stable"), "{:?}", after.findings);
        assert!(with(&["gain:14 dB"], CriticalPoint::PlusOne).findings.is_empty());
        let beyond = with(&["gain:60 dB"], CriticalPoint::PlusOne);
        assert!(beyond.findings[0].contains("cannot show"), "{:?}", beyond.findings);
    }

    #[test]
    fn no_change_leaves_values_and_uncertainties_as_they_are() {
        let mut samples = Samples::default();
        for k in 0..=240 {
            let hz = 300.0 * 10f64.powf(f64::from(k) / 80.0);
            // Rounded to 0.1 dB and 0.1 deg, with some scatter: noise and digits are in the uncertainty.
            let scatter = (f64::from(k) * 0.618_034).fract() - 0.5;
            let gain_db = (200.0 * (CROSSOVER / hz).log10() + 3.0 * scatter).round() / 10.0;
            let phase_deg = ((-90.0 - 360.0 * hz * DELAY) * 10.0 + 11.0 * scatter).round() / 10.0;
            samples.push(hz, gain_db * std::f64::consts::LN_10 / 20.0, phase_deg.to_radians());
        }
        let before = inspect("rounded", &samples, CriticalPoint::MinusOne);
        let changes: Vec<Alteration> = ["gain:3.33 dB", "gain:-3.33 dB"].map(|c| c.parse().unwrap()).to_vec();
        let seen = before.clone().with(&changes, &samples, CriticalPoint::MinusOne, None).unwrap();
        let after = seen.with.unwrap();
        for (measurand, own) in before.measured.values.iter() {
            let then = after.measured.get(measurand).unwrap();
            assert!((then.value / own.value - 1.0).abs() < 1e-9, "{measurand:?}");
            assert!(
                (then.uncertainty.unwrap() / own.uncertainty.unwrap() - 1.0).abs() < 1e-6,
                "{measurand:?}"
            );
        }
    }
}
