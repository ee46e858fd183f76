//! What a check, a corner and a run came to. The one result type: every output is written from it and nothing
//! downstream computes a margin again.

use super::circuit::{CircuitOutcome, CornerLoop};
use super::compared::Compared;
use super::plot_data::CornerPlot;
use crate::baseline::Points;
use crate::decision::{Limit, Verdict};
use crate::measurand::{Measurand, PerMeasurand};
use crate::provenance::Provenance;
use crate::quantity::Unit;
use crate::run::Bench;
use crate::uncertainty::Budget;
use serde::Serialize;
use serde::ser::{SerializeMap, Serializer};

/// A measured value with its expanded uncertainty.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct Measured {
    /// The value, in the unit that its key names.
    pub value: f64,
    /// Expanded uncertainty at the coverage factor asked for; `None` when it is not known.
    pub uncertainty: Option<f64>,
    /// Frequency it was found at, Hz.
    pub at_hz: f64,
    /// Whether the value is a lower bound (gain margin without a phase crossover in the sweep).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub at_least: Option<bool>,
    /// What each source contributes to the expanded uncertainty.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub budget: Option<Budget>,
    /// Whether the uncertainty was simulated because the law of propagation fails; the budget is what that law says.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub simulated: bool,
}

/// Everything measured at a corner. `None` is what does not exist. As JSON a map by [`Measurand::key`].
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct MeasuredSet {
    /// The values, each in the unit of its measurand.
    pub values: PerMeasurand<Measured>,
    /// Number of crossovers in the band.
    pub crossings: usize,
}

impl MeasuredSet {
    /// One value, in the unit of the measurand.
    #[must_use]
    pub fn get(&self, measurand: Measurand) -> Option<Measured> {
        self.values.get(measurand)
    }
}

impl Serialize for MeasuredSet {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(Some(Measurand::ALL.len() + 1))?;
        for measurand in Measurand::ALL {
            map.serialize_entry(measurand.key(), &self.get(measurand))?;
        }
        map.serialize_entry("crossings", &self.crossings)?;
        map.end()
    }
}

/// One judged check.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct CheckOutcome {
    /// Name of the check: `phase_margin`, `gain@120Hz`, `regression.crossover`.
    pub check: String,
    /// Verdict.
    pub verdict: Verdict,
    /// The value held against the limit; `None` when there is none.
    pub value: Option<f64>,
    /// Its expanded uncertainty.
    pub uncertainty: Option<f64>,
    /// Its unit; `None` for checks without a value.
    pub unit: Option<Unit>,
    /// The limit.
    pub limit: Option<Limit>,
    /// Probability that the true value meets the limit (JCGM 106:2012, clause 7).
    pub conformity: Option<f64>,
    /// Frequency the value was found at, Hz.
    pub at_hz: Option<f64>,
    /// Range of the sweep that the check stands on, Hz; `None` where there is none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub range_hz: Option<[f64; 2]>,
    /// What a change was counted from; only for comparisons with a baseline.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub accepted: Option<Against>,
    /// What was seen and what was wanted, one sentence, no line break.
    pub message: String,
    /// The value with its uncertainty as the message writes it; `None` for checks without a value.
    #[serde(skip)]
    pub value_text: Option<String>,
    /// What to do at the bench, when it is not a pass.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub remedy: Option<String>,
}

impl CheckOutcome {
    /// A check without a value.
    #[must_use]
    pub fn bare(check: &str, verdict: Verdict, message: impl Into<String>) -> Self {
        Self {
            check: check.to_owned(),
            verdict,
            value: None,
            uncertainty: None,
            unit: None,
            limit: None,
            conformity: None,
            at_hz: None,
            accepted: None,
            message: message.into(),
            value_text: None,
            remedy: None,
            range_hz: None,
        }
    }

    /// The same, held against a limit.
    #[must_use]
    pub fn against(self, unit: Unit, limit: Limit) -> Self {
        Self { unit: Some(unit), limit: Some(limit), ..self }
    }

    /// The same, with what to do at the bench.
    #[must_use]
    pub fn to_do(self, remedy: impl Into<String>) -> Self {
        Self { remedy: Some(remedy.into()), ..self }
    }

    /// The value as it is held against the limit: of a phase margin the size counts, whose sign tells rising from falling
    /// crossovers.
    #[must_use]
    pub fn held(&self) -> Option<f64> {
        self.value.map(|value| if self.check == "phase_margin" { value.abs() } else { value })
    }
}

/// What a change is counted from.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct Against {
    /// The accepted value, or the mean of the accepted units, in the unit of the quantity (Hz for a crossover).
    pub value: f64,
    /// How many units it is the mean of.
    pub units: usize,
    /// Standard deviation of those units, same unit; `None` with one.
    pub spread: Option<f64>,
    /// Whose it is: a serial, or `mean of 3 units`.
    pub of: String,
}

/// The sweeps that carried the verdict.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct Judged {
    /// Files of the judged level, as the run names them.
    pub files: Vec<String>,
    /// The level: `-26 dBm`, `gentle +3 dB`; `None` when the run does not say.
    pub level: Option<String>,
    /// Files of the level that confirms it.
    pub confirmed_by: Vec<String>,
}

/// One corner of a run.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct CornerOutcome {
    /// Name of the corner.
    pub corner: String,
    /// Declared conditions, in the spec's order, as written.
    pub conditions: Vec<(String, String)>,
    /// Worst of the checks.
    pub verdict: Verdict,
    /// The sweeps that were judged; `None` when none was.
    pub judged: Option<Judged>,
    /// What was measured; `None` when nothing could be judged.
    pub measured: Option<MeasuredSet>,
    /// Every check of the spec, in the order of the spec.
    pub checks: Vec<CheckOutcome>,
    /// Observations that change no verdict, one sentence each.
    pub findings: Vec<String>,
    /// The accepted curve that it was compared with; `None` when it was not.
    pub regression: Option<Compared>,
    /// The judged curve and values as a baseline keeps them; only where they were asked for.
    pub keepsake: Option<Box<Keepsake>>,
    /// What its plots are drawn from; only where it was asked for and something was collected.
    pub plot: Option<Box<CornerPlot>>,
    /// What the fit of the circuit takes from it; gone once that is done.
    pub circuit: Option<Box<CornerLoop>>,
}

/// What accepting a corner keeps of it.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct Keepsake {
    /// The values that exist, with standard uncertainties.
    pub values: Vec<(Measurand, crate::baseline::AcceptedValue)>,
    /// The judged curve, thinned.
    pub curve: Points,
}

/// One run.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct RunOutcome {
    /// The run's folder as reached from the command line, with `/`.
    pub run: String,
    /// The run file as reached, with `/`.
    pub run_file: String,
    /// The spec file as reached, with `/`.
    pub spec_file: String,
    /// Product.
    pub product: String,
    /// Serial number.
    pub serial: String,
    /// Board revision.
    pub revision: String,
    /// Firmware.
    pub firmware: Option<String>,
    /// Build label.
    pub build: Option<String>,
    /// When the sweeps were taken, RFC 3339, as written.
    pub taken: Option<String>,
    /// Station.
    pub station: Option<String>,
    /// Whether the unit is a reference, measured again and again to watch the station.
    pub is_reference: bool,
    /// What the spec calls the product.
    pub title: Option<String>,
    /// Who measured it, and with what.
    pub bench: Bench,
    /// Observations on the run as a whole that change no verdict, one sentence each.
    pub findings: Vec<String>,
    /// Coverage factor of every uncertainty in this run.
    pub coverage: f64,
    /// Worst of the corners.
    pub verdict: Verdict,
    /// The corners, in the spec's order.
    pub corners: Vec<CornerOutcome>,
    /// What it says of the circuit of its spec; `None` without one.
    pub circuit: Option<Box<CircuitOutcome>>,
    /// What the verdict rests on; only where it was asked for.
    pub provenance: Option<Provenance>,
}

impl CornerOutcome {
    /// Whether the check's value is a lower bound: a gain margin without a phase crossover in the sweep.
    #[must_use]
    pub fn is_bound(&self, check: &CheckOutcome) -> bool {
        let gain_margin = self.measured.and_then(|measured| measured.get(Measurand::GainMargin));
        check.check == "gain_margin" && gain_margin.is_some_and(|margin| margin.at_least == Some(true))
    }
}
