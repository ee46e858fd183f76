//! Drift of a quantity over groups of units: builds, revisions, firmware versions or days.
//!
//! | file | what |
//! | --- | --- |
//! | `population` | which record counts in which group |
//! | `series` | the values of one quantity at one corner, gathered by group |
//! | `chart/` | control charts of the group means, with limits that allow for few setup groups |
//! | `line`, `trend` | straight lines through group means: least squares, and one that a bad lot does not pull |
//! | `movement/` | what a series did: nothing, a step or a ramp, since when and how far |
//! | `ahead`, `charted` | the rules of the forecast and of the chart |
//! | `standing` | units and lots with what moved taken out |
//! | `movements` | series that move together: one cause, one entry |
//! | `lots`, `capability`, `tolerance` | scatter of lots and units, and how much of the population meets the limits |
//! | `watch`, `rules`, `judge` | the rules that a spec asks for, held against the series of a product |
//! | `outcome` | the result types |

mod ahead;
mod capability;
pub mod chart;
mod charted;
mod judge;
mod line;
mod lots;
pub mod movement;
mod movements;
mod natural;
mod outcome;
mod places;
mod population;
mod rules;
mod series;
mod standing;
mod together;
mod tolerance;
mod trend;
mod watch;
mod words;

pub use capability::Capability;
pub use judge::{SETUP_GROUPS, SeriesKey, Settings, judge};
pub use line::{Line, Moments, student};
pub use lots::Lots;
pub use movement::{Earlier, JointMovement, Kind, Moved, Movement, Range, Since, Weights};
pub use natural::natural;
pub use outcome::{
    Ability, ChartPoint, ChartRun, FalseAlarms, GroupHead, GroupStats, ProductDrift, Reach, ReferenceSeries,
    Retested, RuleOutcome, SeriesOutcome, Signal, Slope,
};
pub use population::{Population, PopulationBuilder, RecordHead};
pub use series::{RecordValue, Running, Series, SeriesBuilder};
pub use tolerance::{bound_above, bound_below, share_within, share_within_lots, tolerance_factor};
pub use trend::{FEWEST_GROUPS, LeastSquares, MOST_GROUPS, Trend};
pub use words::quantity_title;
