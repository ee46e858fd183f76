//! The resolved spec: what a product must show, corner by corner, nothing optional left that has a default.

use crate::circuit::Netlist;
use crate::measurand::{Measurand, PerMeasurand};
use crate::quantity::{Condition, Decibel, Degrees, Hertz, Ratio, Seconds};
use crate::sweep::Reading;
use std::sync::Arc;

/// Where the loop gain must never be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CriticalPoint {
    /// +1: the sweep is taken around the closed loop, the summing node's inversion is inside the measured path.
    PlusOne,
    /// −1: the textbook convention, forward gain times feedback gain.
    MinusOne,
}

/// A lower and an upper bound, either may be open. Never both open, never min above max.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Window<T> {
    /// Smallest allowed value.
    pub min: Option<T>,
    /// Largest allowed value.
    pub max: Option<T>,
}

/// Frequency range, `from` below `to`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// Lower end.
    pub from: Hertz,
    /// Upper end.
    pub to: Hertz,
}

/// Accuracy of the measuring chain: half-widths of rectangular distributions, 0 when not declared.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Accuracy {
    /// Gain offset common to a run.
    pub gain: Decibel,
    /// Phase offset common to a run.
    pub phase: Degrees,
    /// Difference of the probes' delays.
    pub delay: Seconds,
}

/// How a value with uncertainty is held against a limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rule {
    /// The whole interval value ± expanded uncertainty must meet the limit.
    Guarded,
    /// The value alone decides.
    Simple,
}

/// Decision rule and coverage factor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DecisionRule {
    /// The rule.
    pub rule: Rule,
    /// Coverage factor of the expanded uncertainty, above 0.
    pub coverage: f64,
}

/// Where a gain limit holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum GainAt {
    /// At one frequency.
    Frequency(Hertz),
    /// Over a band, at its worst point.
    Band(Band),
}

/// A limit on the loop's gain at a frequency or over a band.
#[derive(Debug, Clone, PartialEq)]
pub struct GainLimit {
    /// Name of its check: `gain@120Hz`, `gain@150kHz-200kHz`, values as written, without blanks.
    pub check: String,
    /// Where.
    pub at: GainAt,
    /// What, dB.
    pub window: Window<Decibel>,
}

/// Name of the check against the circuit.
pub const CIRCUIT_CHECK: &str = "circuit";

/// The limits of a corner. A limit that is `None` is not judged.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Limits {
    /// Of what is measured, in the unit of the measurand.
    pub windows: PerMeasurand<Window<f64>>,
    /// Number of crossovers in the band.
    pub crossings: Option<Window<u32>>,
    /// Gain at frequencies and over bands, in the spec's order.
    pub gain: Vec<GainLimit>,
    /// Largest deviation from the circuit that no parts inside their tolerances explain, as a share of 1 + |T|.
    pub unexplained: Option<f64>,
}

impl Limits {
    /// The smallest allowed value of a measurand, in its unit.
    #[must_use]
    pub fn least(&self, measurand: Measurand) -> Option<f64> {
        self.windows.get(measurand)?.min
    }

    /// Names of the checks that the limits give, in the order of the checks.
    pub fn checks(&self) -> impl Iterator<Item = &str> {
        let singles = Measurand::ALL.into_iter().flat_map(|measurand| {
            let own = self.windows.get(measurand).map(|_| measurand.name());
            let count = self.crossings.filter(|_| measurand == Measurand::Crossover).map(|_| "crossings");
            [own, count].into_iter().flatten()
        });
        let circuit = self.unexplained.map(|_| CIRCUIT_CHECK);
        singles.chain(self.gain.iter().map(|gain| gain.check.as_str())).chain(circuit)
    }
}

/// Tolerances of the comparison of two levels; at least one is given.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tolerances {
    /// A sweep at least this much stronger must give the same result.
    pub step: Decibel,
    /// Relative change of the crossover frequency.
    pub crossover: Option<Ratio>,
    /// Change of the phase margin.
    pub phase_margin: Option<Degrees>,
    /// Largest deviation of the gain inside the linearity band.
    pub gain: Option<Decibel>,
    /// Largest deviation of the phase inside the linearity band.
    pub phase: Option<Degrees>,
    /// The linearity band, times the crossover frequency: lower and upper factor.
    pub band: (f64, f64),
}

/// What linearity a corner must show.
#[derive(Debug, Clone, PartialEq)]
pub enum Linearity {
    /// Two levels must agree.
    Required(Tolerances),
    /// Not asked for, with the reason; the weakest level is judged.
    Waived(String),
}

/// Allowed change against the accepted baseline: `phase_margin: {drop: 3 deg}`. `None` is not judged.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Regression {
    /// The largest change that is allowed, in the unit of the measurand; of a crossover its share, up and down.
    pub changes: PerMeasurand<f64>,
}

impl Regression {
    /// Names of the declared comparisons, in the order of the checks.
    #[must_use]
    pub fn names(&self) -> Vec<&'static str> {
        self.changes.iter().map(|(measurand, _)| measurand.name()).collect()
    }
}

/// One operating condition that must be verified, with everything that holds there.
#[derive(Debug, Clone, PartialEq)]
pub struct Corner {
    /// Unique name in the spec.
    pub name: String,
    /// Its conditions, in the spec's order.
    pub conditions: Vec<(String, Condition)>,
    /// Every judged sweep must cover it; `None`: the whole sweep is judged.
    pub band: Option<Band>,
    /// Points per decade, at least, anywhere in the band.
    pub density: Option<f64>,
    /// The limits.
    pub limits: Limits,
    /// The linearity asked for.
    pub linearity: Linearity,
    /// The comparison with the baseline.
    pub regression: Regression,
    /// Waivers of this corner.
    pub waivers: Vec<Waiver>,
}

impl Corner {
    /// Names of all checks of the corner, in the order of every output.
    #[must_use]
    pub fn checks(&self) -> Vec<String> {
        let always = ["collected", "coverage", "sanity", "linearity"].into_iter();
        let limits = always.chain(self.limits.checks()).map(str::to_owned);
        limits.chain(self.regression.names().into_iter().map(|name| format!("regression.{name}"))).collect()
    }
}

/// A waiver of one check of one corner.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Waiver {
    /// Name of the check.
    pub check: String,
    /// Why.
    pub reason: String,
    /// Last day in force, UTC.
    pub until: time::Date,
}

/// Axis that drift is tracked along.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DriftAxis {
    /// Build label.
    Build,
    /// Board revision.
    Revision,
    /// Firmware.
    Firmware,
    /// Time.
    Taken,
}

/// Kind of control chart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Chart {
    /// Individuals with moving range.
    Individuals,
    /// Exponentially weighted moving average.
    Ewma,
    /// Tabular cumulative sum.
    Cusum,
    /// A change of the level at any group since the setup, level and spread unknown, learnt from every group in control.
    ChangePoint,
}

/// How drift over the recorded history is judged; each part is optional.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Drift {
    /// The axis.
    pub over: Option<DriftAxis>,
    /// Groups that set the centre line and the spread.
    pub setup: Option<u32>,
    /// The chart.
    pub chart: Option<Chart>,
    /// Ppk, at least, held at its lower bound.
    pub capability_min: Option<f64>,
    /// The trend must not reach a limit within so many groups.
    pub forecast_groups: Option<u32>,
    /// The smallest movements worth an action.
    pub relevant: Option<Relevant>,
}

/// The smallest movement of each quantity that is worth an action. `None`: the spec does not say.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Relevant {
    /// Of what is measured, in the unit of the measurand: `phase_margin: 1 deg`; of a crossover its share of the centre.
    pub movements: PerMeasurand<f64>,
    /// `gain: 0.5 dB`, of every limit of the gain.
    pub gain: Option<Decibel>,
}

impl Drift {
    /// The smallest movement worth an action that the spec names for a quantity, as results name it (`phase_margin_deg`,
    /// `gain@120Hz`), in the quantity's unit. `centre`: the level that a relative one is taken of.
    ///
    /// ```
    /// use loopgauge::measurand::{Measurand, PerMeasurand};
    /// use loopgauge::spec::{Drift, Relevant};
    ///
    /// let movements = PerMeasurand::default().with(Measurand::Crossover, Some(0.02));
    /// let drift = Drift { relevant: Some(Relevant { movements, gain: None }), ..Drift::default() };
    /// assert_eq!(drift.relevant_for("crossover_hz", 10_000.0), Some(200.0));
    /// assert_eq!(drift.relevant_for("phase_margin_deg", 52.0), None);
    /// ```
    #[must_use]
    pub fn relevant_for(&self, quantity: &str, centre: f64) -> Option<f64> {
        let relevant = self.relevant?;
        let Some(measurand) = Measurand::of_key(quantity) else {
            return relevant.gain.filter(|_| quantity.starts_with("gain@")).map(Decibel::db);
        };
        let own = relevant.movements.get(measurand)?;
        Some(if measurand.is_relative() { own * centre.abs() } else { own })
    }
}

/// The circuit behind the loop.
#[derive(Debug, Clone)]
pub struct Circuit {
    /// The netlist with everything that it includes.
    pub netlist: Arc<Netlist>,
    /// The file that it came from, as reached.
    pub netlist_file: String,
    /// The voltage source between the two sides: its + node is the output side, its - node the input side.
    pub injection: String,
    /// Parameters of the netlist and the conditions that they are set from, in the spec's order.
    pub parameters: Vec<(String, String)>,
    /// Parts and parameters that vary from unit to unit, with the half-width of their tolerance as a ratio between 0 and 1, in the
    /// spec's order; the rest is taken as known.
    pub vary: Vec<(String, f64)>,
    /// Largest deviation that no parts inside their tolerances explain, as a share of 1 + |T|; `None`: not judged.
    pub unexplained: Option<f64>,
}

impl PartialEq for Circuit {
    fn eq(&self, other: &Self) -> bool {
        let key =
            |own: &Self| (own.injection.clone(), own.parameters.clone(), own.vary.clone(), own.unexplained);
        // A netlist is that of its file as it was read.
        Arc::ptr_eq(&self.netlist, &other.netlist)
            && self.netlist_file == other.netlist_file
            && key(self) == key(other)
    }
}

/// A resolved spec.
#[derive(Debug, Clone, PartialEq)]
pub struct Spec {
    /// The file it came from, as reached.
    pub file: String,
    /// Product.
    pub product: String,
    /// Title for people.
    pub title: Option<String>,
    /// The critical point.
    pub critical_point: CriticalPoint,
    /// Right-half-plane poles of the open loop.
    pub open_loop_poles: u32,
    /// Switching frequency.
    pub switching_frequency: Option<Hertz>,
    /// Accuracy of the measuring chain.
    pub accuracy: Accuracy,
    /// Decision rule.
    pub decision: DecisionRule,
    /// |Z looking back| / |Z looking forward| at the injection point, at most; 0 when not declared.
    pub impedance_ratio: f64,
    /// How far `actual` conditions may lie from the corner's; `None`: not judged.
    pub conditions_tolerance: Option<Ratio>,
    /// Layout of the sweep files.
    pub reading: Reading,
    /// Drift.
    pub drift: Option<Drift>,
    /// The circuit behind the loop.
    pub circuit: Option<Circuit>,
    /// Corners, in the spec's order, at least one.
    pub corners: Vec<Corner>,
}
