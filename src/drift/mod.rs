//! Drift of a quantity over groups of units: builds, revisions, firmware versions or days.
//!
//! | file | what |
//! | --- | --- |
//! | `chart/` | control charts of the group means, with limits that allow for few setup groups |
//! | `step` | where a shift of the mean began |
//! | `line`, `trend` | straight lines through group means: least squares, and one that a bad lot does not pull |
//! | `forecast` | how many groups until a limit is reached |
//! | `capability`, `tolerance` | how much of the population meets the limits |
//! | `outcome` | the result types |

mod capability;
mod chart;
mod forecast;
mod line;
mod outcome;
mod step;
mod tolerance;
mod trend;

pub use outcome::{
    Ability, ChartPoint, ChartRun, FalseAlarms, GroupHead, GroupStats, ProductDrift, Reach, ReferenceSeries,
    Retested, RuleOutcome, SeriesOutcome, Signal, Slope, StepFound,
};
