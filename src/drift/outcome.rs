//! What the history of a product came to. The one result type: every report is written from it and nobody downstream
//! computes again.

use super::movement::{JointMovement, Kind, Movement, Range, Since};
use super::{GroupStats, Lots, Reach};
use crate::check::Unit;
use crate::decision::{Limit, Verdict};
use crate::spec::{Chart, DriftAxis};

/// A group of units: a build, a revision, a firmware or a day.
#[derive(Debug, Clone, PartialEq, Eq)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct GroupHead {
    /// Its label, text as recorded; a day is `2026-04-02`, UTC.
    pub label: String,
    /// Units that count.
    pub units: u64,
    /// Records of them, those that newer ones took the place of included.
    pub records: u64,
    /// Revisions among its units, in natural order.
    pub revisions: Vec<String>,
    /// Firmware versions among its units, in natural order; `None` is a unit without one.
    pub firmwares: Vec<Option<String>>,
    /// Stations that measured it, in natural order; `None` is a run that names none.
    pub stations: Vec<Option<String>>,
}

/// A unit that was measured again in a group after a result that was not good, until one was.
#[derive(Debug, Clone, PartialEq, Eq)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct Retested {
    /// Serial number.
    pub serial: String,
    /// Label of the group.
    pub group: String,
    /// Verdicts of its records, oldest first.
    pub verdicts: Vec<Verdict>,
}

/// A group beyond what the chart allows.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct Signal {
    /// Place of the group in [`ProductDrift::groups`].
    pub group: usize,
    /// The rule, kebab-case: `individuals`, `two-of-three`, `four-of-five`, `eight-in-a-row`, `ewma`, `cusum`, `changepoint`.
    pub rule: &'static str,
    /// What was seen, one sentence.
    pub message: String,
    /// Whether the shift is no larger than what another station's chain may make of the same units: no drift is shown then.
    pub explained_by_station: bool,
    /// Whether it is more likely that nothing moved and the means go along with the group before: such means wander as far by themselves.
    pub wanders: bool,
}

/// One monitored group on the chart, in the unit of the quantity.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct ChartPoint {
    /// Place of the group in [`ProductDrift::groups`].
    pub group: usize,
    /// What the chart draws: the mean, the weighted average, the centre plus the larger of the two sums, or the level since the
    /// likeliest change.
    pub statistic: f64,
    /// Lower limit of it at this group.
    pub low: f64,
    /// Upper limit.
    pub high: f64,
    /// Spread expected of this group's mean.
    pub sigma: f64,
}

/// The control chart of a series.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct ChartRun {
    /// Which chart.
    pub kind: Chart,
    /// Groups that set centre and spread.
    pub setup: usize,
    /// Centre line: mean of the setup groups' means.
    pub center: f64,
    /// Spread of the group means: mean moving range of the setup groups over d2.
    pub sigma: f64,
    /// Factor on all limits, at the newest group, that allows for a centre and spread taken from so few groups, at least 1; 1 for
    /// the change-point chart, whose limits allow for it themselves.
    pub widening: f64,
    /// Correlation of a mean with the one before, where the chart found one and allows for it.
    pub correlation: Option<f64>,
    /// The monitored groups.
    pub points: Vec<ChartPoint>,
}

/// Present slope of a series.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct Slope {
    /// Change from group to group.
    pub per_group: f64,
    /// Two-sided 95 % confidence interval.
    pub low: f64,
    /// Its upper end.
    pub high: f64,
    /// Level at the newest group.
    pub level: f64,
    /// Least-squares slope beside it, for information: far from it where a lot is bad or a movement began late.
    pub least_squares: f64,
}

/// How well the population lies inside its limits.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct Ability {
    /// Ppk.
    pub ppk: f64,
    /// Its one-sided lower 95 % confidence bound.
    pub low: f64,
    /// Units it is taken from.
    pub units: u64,
    /// With 95 % confidence at least this share of the population meets the limit, supposing a normal one.
    pub share: Option<f64>,
    /// Scatter of the groups and of the units inside them; `None` where groups scatter no more than their units do.
    pub lots: Option<Lots>,
    /// Whether a movement is taken out of it: all units as they would be at the newest level.
    pub taken_out: bool,
}

/// What one station made of one reference unit over time.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct ReferenceSeries {
    /// Serial number of the reference unit.
    pub serial: String,
    /// Station; `None` when the runs name none.
    pub station: Option<String>,
    /// Records with a value.
    pub records: u64,
    /// Mean.
    pub mean: f64,
    /// Standard deviation; `None` of one record.
    pub sd: Option<f64>,
    /// Change from record to record with its 95 % interval; `None` of too few.
    pub trend: Option<Slope>,
    /// What the values did, records that go along with the one before allowed for; `None` of too few.
    pub moved: Option<ReferenceMove>,
}

/// What the values of a reference unit did.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ReferenceMove {
    /// The most probable explanation.
    pub kind: Kind,
    /// Probability that anything moved.
    pub probability: f64,
    /// The first record that moved, counted from 1; `None` where nothing did.
    pub since: Option<u64>,
    /// Change up to the newest record.
    pub size: Range,
}

/// Probability from which on a reference unit is told to have moved: of still ones, records in a row correlated by 0.5, 7 of 300 reach it by
/// simulation, where 48 have a movement as the likeliest.
const SURELY: f64 = 0.9;

impl ReferenceSeries {
    /// Whether the station surely moves: by a step or a ramp, or where records are too few to weigh those, by a trend.
    #[must_use]
    pub fn moves(&self) -> bool {
        match self.moved {
            Some(moved) => moved.kind != Kind::None && moved.probability >= SURELY,
            None => self.trend.is_some_and(|slope| slope.low > 0.0 || slope.high < 0.0),
        }
    }
}

/// One rule that was held against a series.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct RuleOutcome {
    /// `chart`, `forecast` or `capability`.
    pub rule: &'static str,
    /// Its verdict.
    pub verdict: Verdict,
    /// What was seen and what was wanted, one sentence.
    pub message: String,
}

/// One quantity at one corner over all groups.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct SeriesOutcome {
    /// Corner.
    pub corner: String,
    /// Quantity as results name it: `phase_margin_deg`, `gain@120Hz`.
    pub quantity: String,
    /// Unit.
    pub unit: Unit,
    /// Limit of the newest record.
    pub limit: Limit,
    /// Worst of the rules; [`Verdict::NotJudged`] when the spec asks for none or there is not enough to judge.
    pub verdict: Verdict,
    /// As many as [`ProductDrift::groups`].
    pub groups: Vec<GroupStats>,
    /// The chart; `None` while there are no more groups than the setup takes.
    pub chart: Option<ChartRun>,
    /// Groups beyond the chart's limits, in order.
    pub signals: Vec<Signal>,
    /// What it did; `None` of too few groups.
    pub movement: Option<Movement>,
    /// Its present slope; `None` of too few groups.
    pub trend: Option<Slope>,
    /// Forecast; `None` when no limit lies ahead.
    pub forecast: Option<Reach>,
    /// Capability; `None` of fewer than two units or of units all alike.
    pub capability: Option<Ability>,
    /// Reference units.
    pub references: Vec<ReferenceSeries>,
    /// Every rule that the spec asks for.
    pub rules: Vec<RuleOutcome>,
    /// The sentence of the worst rule, or why nothing is judged.
    pub message: String,
}

/// How often the charts of a product sound without a cause.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct FalseAlarms {
    /// Charts that watch.
    pub charts: usize,
    /// Probability that one chart, while the others stay, sounds within twenty groups without a cause, at most.
    pub one_chart: f64,
    /// Probability that any of them does: an upper bound where corners go together.
    pub any_chart: f64,
    /// Whether that probability is held, be it the usual one or one that was asked for.
    pub is_held: bool,
}

/// The history of a product, judged.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct ProductDrift {
    /// Product.
    pub product: String,
    /// What the groups are.
    pub over: DriftAxis,
    /// The groups, by their earliest time, then in natural order.
    pub groups: Vec<GroupHead>,
    /// Worst of the series; `None` when none is judged.
    pub verdict: Option<Verdict>,
    /// Every measured quantity that has a limit, in the order of the newest record's spec.
    pub series: Vec<SeriesOutcome>,
    /// What moved: series that move together are one, the worst first by the share of the distance to its limit that it ate.
    pub movements: Vec<JointMovement>,
    /// Units measured again until they passed.
    pub retested: Vec<Retested>,
    /// How often the charts sound without a cause; `None` when no chart watches.
    pub false_alarms: Option<FalseAlarms>,
    /// What was left out and why, one sentence each.
    pub notes: Vec<String>,
}

impl DriftAxis {
    /// Its name in specs and results.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Build => "build",
            Self::Revision => "revision",
            Self::Firmware => "firmware",
            Self::Taken => "taken",
        }
    }
}

impl SeriesOutcome {
    /// The movement and where it began; `None` where nothing moved.
    #[must_use]
    pub fn moved(&self) -> Option<(&Movement, Since)> {
        let movement = self.movement.as_ref()?;
        Some((movement, movement.since?))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_station_moves_where_its_reference_surely_does() {
        let size = Range { value: 0.5, low: 0.4, high: 0.6 };
        let slope = |low: f64| Slope { per_group: 0.1, low, high: 0.2, level: 1.0, least_squares: 0.1 };
        let unit = |moved: Option<(Kind, f64)>, trend: Option<Slope>| ReferenceSeries {
            serial: "RG-REF1".to_owned(),
            station: None,
            records: 20,
            mean: 1.0,
            sd: Some(0.1),
            trend,
            moved: moved.map(|(kind, probability)| ReferenceMove {
                kind,
                probability,
                since: Some(17),
                size,
            }),
        };
        assert!(unit(Some((Kind::Step, 0.95)), None).moves() && unit(Some((Kind::Ramp, 0.9)), None).moves());
        // A trend that may as well be records that go along with the one before is none.
        assert!(!unit(Some((Kind::Step, 0.85)), Some(slope(0.05))).moves());
        assert!(!unit(Some((Kind::None, 0.95)), Some(slope(0.05))).moves());
        // Too few records to weigh a step: the trend alone.
        assert!(unit(None, Some(slope(0.05))).moves() && !unit(None, Some(slope(-0.05))).moves());
        assert!(!unit(None, None).moves());
    }
}
