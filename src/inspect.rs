//! What one sweep shows by itself, without a spec.

use crate::analysed::Analysed;
use crate::check::{CheckOutcome, Errors, Limit, MeasuredSet, Quantities, Unit, Verdict, would_be};
use crate::coverage::undersampled;
use crate::curve::db;
use crate::margins::{Direction, crossover, phase_margin_of};
use crate::measurand::Measurand;
use crate::monte_carlo::Trials;
use crate::sanity::{Kernel, Subject, Usable, refusal, spike_text, usable};
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
        let limits = WouldBe { product: spec.product.clone(), corner: corner.name.clone(), checks };
        Self { limits: Some(limits), ..self }
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
    let span = sweep.curve.span();
    let subject =
        Subject { sweep: &sweep, second: None, span, begins_late: false, open_loop_poles: 0, critical_point };
    let found = usable(&subject);
    let part = found.clone().unwrap_or_else(|_| Usable::whole(span));
    let quantities =
        Quantities::of(&sweep, &part, &Errors::of_chain(&Chain::default()), COVERAGE, &mut Trials::default());
    let measured = quantities.report(COVERAGE);
    let mut findings = Vec::new();
    if let Some(refusal) = refusal(&subject, &found, &mut Kernel::default()) {
        findings.push(format!("{}; {}", refusal.message, refusal.remedy));
    }
    findings.extend(part.spoiled.iter().map(|spoiled| spoiled.finding(part.span)));
    findings.extend(sweep.noise.spikes().iter().map(spike_text));
    findings.extend(undersampled(&sweep, span).map(|place| place.text()));
    if quantities.estimate(Measurand::GainMargin).is_some_and(|margin| margin.at_least) {
        findings.push(
            "no phase crossover below 0 dB in the sweep: the gain margin is a lower bound, supposing that the gain goes on \
             falling"
                .to_owned(),
        );
    }
    Inspected {
        file: file.to_owned(),
        points: samples.len(),
        band_hz: [
            samples.frequency_hz().first().copied().unwrap_or(0.0),
            samples.frequency_hz().last().copied().unwrap_or(0.0),
        ],
        crossovers: sweep
            .crossings
            .gain
            .iter()
            .map(|crossing| Crossover {
                frequency_hz: crossing.point.hz(),
                phase_margin_deg: phase_margin_of(crossing).value.to_degrees(),
                direction: match crossing.direction {
                    Direction::Rising => Way::Rising,
                    Direction::Falling | Direction::Touching => Way::Falling,
                },
            })
            .collect(),
        phase_crossovers: sweep
            .crossings
            .phase
            .iter()
            .map(|crossing| PhaseCrossover {
                frequency_hz: crossing.point.hz(),
                gain_margin_db: -db(crossing.point.ln_mag),
            })
            .collect(),
        measured,
        noise_percent: noise_percent(&sweep),
        findings,
        limits: None,
    }
}
