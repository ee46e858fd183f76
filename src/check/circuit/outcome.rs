//! What a run says of the circuit of its spec.

use crate::measurand::Measurand;
use serde::Serialize;
use serde::ser::{SerializeMap, Serializer};

/// A part of a unit.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct PartOutcome {
    /// Its name in the netlist.
    pub part: String,
    /// Its unit: `ohm`, `F`, `H`; empty where the netlist does not tell it, as of a parameter.
    pub unit: &'static str,
    /// Its nominal value in that unit.
    pub nominal: f64,
    /// Its value; `None` where the measurement says nothing of it.
    pub value: Option<f64>,
    /// Expanded uncertainty of the value.
    pub uncertainty: Option<f64>,
    /// Share of the tolerance that the measurement took away, 0 to 1.
    pub informed: f64,
}

/// How a part moved.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct PartChange {
    /// Its name in the netlist.
    pub part: String,
    /// Change as a share of its value; `None` where the measurement says nothing of it.
    pub change: Option<f64>,
    /// Expanded uncertainty of the change.
    pub uncertainty: Option<f64>,
    /// Share of what a moved part may move by that the measurement took away, 0 to 1.
    pub informed: f64,
}

/// Two parts of which only the product or the ratio is known.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct Together {
    /// Both.
    pub parts: [String; 2],
    /// `product` or `ratio`.
    pub known: &'static str,
    /// Expanded relative uncertainty of that.
    pub uncertainty: f64,
}

/// A cause with its probability.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct CauseOutcome {
    /// The part that moved alone; `nothing`, `several`.
    pub part: String,
    /// By how much, as a share of its value; `None` unless it is one part.
    pub change: Option<f64>,
    /// Expanded uncertainty of the change.
    pub uncertainty: Option<f64>,
    /// Probability, 0 to 1.
    pub probability: f64,
}

/// What moved since the accepted result.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct PartsSince {
    /// Whose result: a serial, or `mean of 3 units`.
    pub of: String,
    /// The movements of the parts.
    pub parts: Vec<PartChange>,
    /// Changes of margins that are more than their uncertainty.
    pub changes: usize,
    /// How many of them the most probable cause explains; `None` where that is no part.
    pub explained: Option<usize>,
}

/// What the data say of the parts, for those who put units together: a quadratic of the logarithms of the parts over nominal, each
/// counted in the standard deviation of its tolerance.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct Information {
    /// Standard deviation of the logarithm of each part, from its tolerance.
    pub scales: Vec<f64>,
    /// The matrix, lower triangle row by row.
    pub precision: Vec<f64>,
    /// The vector.
    pub pull: Vec<f64>,
}

/// How a corner's margins answer to the parts: change per +1 % of each part, in the order of the parts.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct Answers {
    /// The corner.
    pub corner: String,
    /// The margins.
    pub margins: Vec<(Measurand, Vec<f64>)>,
}

/// What a run says of the circuit.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct CircuitOutcome {
    /// The parts that the spec varies, in its order.
    pub parts: Vec<PartOutcome>,
    /// Pairs that the measurement does not tell apart.
    pub together: Vec<Together>,
    /// What moved, the most probable first: since the accepted result where there is one, else beyond the tolerances.
    pub causes: Vec<CauseOutcome>,
    /// What moved since the accepted result; `None` without one.
    pub since: Option<PartsSince>,
    /// The largest deviation that parts inside their tolerances leave, as a share of 1 + |T|.
    pub unexplained: Option<f64>,
    /// Standard deviation of what the netlist is off by, neper and rad; 0: no more than noise.
    pub discrepancy: f64,
    /// How the margins answer to the parts.
    pub answers: Vec<Answers>,
    /// For those who put units together.
    pub information: Option<Information>,
}

impl Serialize for CircuitOutcome {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let pairs: Vec<&[String; 2]> = self.together.iter().map(|pair| &pair.parts).collect();
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("parts", &self.parts)?;
        map.serialize_entry("not_separable", &pairs)?;
        map.serialize_entry("together", &self.together)?;
        map.serialize_entry("causes", &self.causes)?;
        map.serialize_entry("change", &self.since)?;
        map.serialize_entry("unexplained", &self.unexplained)?;
        map.serialize_entry("discrepancy", &self.discrepancy)?;
        map.serialize_entry("sensitivity", &Sensitivity(self))?;
        map.serialize_entry("information", &self.information)?;
        map.end()
    }
}

/// `{"24V-3A": {"phase_margin_deg": {"Cout": 0.12, ...}, ...}, ...}`
struct Sensitivity<'a>(&'a CircuitOutcome);

impl Serialize for Sensitivity<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_map(self.0.answers.iter().map(|own| (&own.corner, OfCorner(&self.0.parts, own))))
    }
}

struct OfCorner<'a>(&'a [PartOutcome], &'a Answers);

impl Serialize for OfCorner<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let Self(parts, answers) = self;
        serializer
            .collect_map(answers.margins.iter().map(|(own, values)| (own.key(), OfMargin(parts, values))))
    }
}

struct OfMargin<'a>(&'a [PartOutcome], &'a [f64]);

impl Serialize for OfMargin<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_map(self.0.iter().map(|part| &part.part).zip(self.1))
    }
}
