//! What a product is judged with, and what the rules of one series are judged by.

use super::movement::Movement;
use super::stations::Stations;
use super::{Capability, ChartRun, GroupStats, Lots, Reach, Signal};
use crate::check::Unit;
use crate::decision::Limit;
use crate::spec::{Chart, Drift, DriftAxis};

/// Groups that set the centre line where a spec asks for a chart and does not say how many.
pub const SETUP_GROUPS: u32 = 8;

/// What a series is and what it is held against.
#[derive(Debug, Clone, PartialEq)]
pub struct SeriesKey {
    /// Corner.
    pub corner: String,
    /// Quantity as results name it.
    pub quantity: String,
    /// Unit.
    pub unit: Unit,
    /// Limit of the newest record.
    pub limit: Limit,
}

/// What a product's history is judged with.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Settings {
    /// What the newest record's spec says.
    pub drift: Option<Drift>,
    /// Probability, in (0, 1), that any chart of the product sounds within twenty groups without a cause, each chart held at the same
    /// share of it. `None`: [`super::chart::FALSE_ALARMS`], the charts of a group judged together.
    pub family_rate: Option<f64>,
}

impl Settings {
    /// What the groups are: builds where the spec does not say.
    #[must_use]
    pub fn over(&self) -> DriftAxis {
        self.drift.and_then(|drift| drift.over).unwrap_or(DriftAxis::Build)
    }

    /// The chart that is judged; `None` where the spec asks for none.
    #[must_use]
    pub fn chart(&self) -> Option<Chart> {
        self.drift.and_then(|drift| drift.chart)
    }

    /// Groups that set centre and spread.
    #[must_use]
    pub fn setup(&self) -> usize {
        self.drift.and_then(|drift| drift.setup).unwrap_or(SETUP_GROUPS) as usize
    }
}

/// A group with a mean: its place among the groups, and what was gathered.
pub(super) type Filled<'a> = (usize, f64, &'a GroupStats);

/// What the rules of one series are judged by.
pub(super) struct Facts<'a> {
    pub(super) key: &'a SeriesKey,
    /// All groups, those without a value included.
    pub(super) groups: &'a [GroupStats],
    pub(super) filled: &'a [Filled<'a>],
    pub(super) chart: Option<&'a ChartRun>,
    pub(super) signals: &'a [Signal],
    /// Chance of a signal without a cause that the chart is held at in the newest group.
    pub(super) level: f64,
    pub(super) movement: Option<&'a Movement>,
    pub(super) forecast: Option<Reach>,
    pub(super) capability: Option<Capability>,
    pub(super) lots: Option<Lots>,
    pub(super) stations: &'a Stations,
    /// Whether capability is that of where the series stands now.
    pub(super) taken_out: bool,
    pub(super) units: u64,
}
