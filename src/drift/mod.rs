//! Drift of a quantity over groups of units: builds, revisions, firmware versions or days.
//!
//! | file | what |
//! | --- | --- |
//! | `population` | which record counts in which group |
//! | `recording_order` | where the times of records and the order of recording disagree |
//! | `series`, `running` | the values of one quantity at one corner, gathered by group; sums that join |
//! | `stations` | what stations differ by, and what that leaves open of a difference between groups |
//! | `chart/` | control charts of the group means, with limits that allow for few setup groups |
//! | `least_squares`, `trend` | straight lines through group means: least squares, and one that a bad lot does not pull |
//! | `movement/` | what a series did: nothing, a step or a ramp, since when and how far |
//! | `forecast_rule`, `chart_rule` | the rules of the forecast and of the chart |
//! | `unit_spread` | whether the spread from unit to unit changed where the chart signals |
//! | `newest_level` | units and lots with what moved taken out |
//! | `movements` | series that move together: one cause, one entry |
//! | `parts` | which part of the circuit a movement comes from |
//! | `variance_components`, `capability`, `tolerance_interval` | scatter of lots and units, and how much of the population meets the limits |
//! | `control_charts`, `rules`, `judge_product` | the rules that a spec asks for, held against the series of a product |
//! | `two_groups`, `mean_difference` | two groups side by side, corner by corner and over all corners; the difference of their means |
//! | `facts` | settings, and what the rules of one series are judged by |
//! | `group_values` | values of a group, scatter of lots, when a limit is met |
//! | `outcome` | the result types |

mod capability;
pub mod chart;
mod chart_rule;
mod coincidence;
mod control_charts;
mod facts;
mod forecast_rule;
mod group_values;
mod judge_product;
mod least_squares;
mod mean_difference;
pub mod movement;
mod movements;
mod natural_order;
mod newest_level;
mod outcome;
mod parts;
mod population;
mod recording_order;
mod rules;
mod running;
mod series;
mod series_index;
mod stations;
mod tolerance_interval;
mod trend;
mod two_groups;
mod unit_spread;
mod variance_components;
mod wording;

pub use capability::Capability;
pub use facts::{SETUP_GROUPS, SeriesKey, Settings};
pub use group_values::{GroupStats, Lots, Reach};
pub use judge_product::judge;
pub use least_squares::{Line, Moments, student};
pub use mean_difference::GroupMean;
pub use movement::{Earlier, JointMovement, Kind, Moved, Movement, PartsMoved, Range, Since, Weights};
pub use natural_order::natural;
pub use outcome::{
    Ability, ChartPoint, ChartRun, FalseAlarms, GroupHead, ProductDrift, ReferenceMove, ReferenceSeries,
    Retested, RuleOutcome, SeriesOutcome, Signal, Slope,
};
pub use parts::{UnitParts, parts_moved};
pub use population::{Population, PopulationBuilder, RecordHead};
pub use recording_order::{OutOfOrder, Recorded};
pub use running::Running;
pub use series::{RecordValue, Series, SeriesBuilder};
pub use stations::Stations;
pub use tolerance_interval::{bound_above, bound_below, share_within, share_within_lots, tolerance_factor};
pub use trend::{FEWEST_GROUPS, LeastSquares, MOST_GROUPS, Trend};
pub use two_groups::{GroupChange, GroupCommon, OneSided, TwoGroups, TwoGroupsBuilder};
pub use wording::{bounds_left_out, newest_is_hidden, quantity_title};
