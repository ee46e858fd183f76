//! Control charts of group means.
//!
//! | file | what |
//! | --- | --- |
//! | `setup` | centre and spread from the first groups |
//! | `parameters` | the charts' constants, with their sources |
//! | `monitoring` | a chart over the monitored groups: what is drawn, and what is signalled |
//! | `changepoint`, `limits` | the chart that learns from all groups in control, and its limits |
//! | `change_likelihood`, `correlation` | for it: how likely a change at a place is; how much a mean goes along with the one before |
//! | `individuals`, `ewma`, `cusum` | the charts that stand on the setup groups, and what points reach in each, for `widening` |
//! | `signal` | a signal, and signals of one lasting cause together |
//! | `widening` | how much wider the limits must be when centre and spread come from few groups |

mod change_likelihood;
mod changepoint;
mod correlation;
mod cusum;
mod ewma;
mod individuals;
mod limits;
mod monitoring;
mod parameters;
mod plot;
mod setup;
mod signal;
mod widening;

pub use change_likelihood::Mean;
pub use changepoint::{ChangePointRun, Learnt, changepoint};
pub use monitoring::{ChartRun, run_chart, run_widened};
pub use parameters::{Cusum, Ewma, FALSE_ALARMS, HORIZON, Individuals, LEAST_TARGET, Parameters};
pub use plot::{Plot, PlotLine, PlotSums, Point};
pub use setup::{D2, Setup};
pub use signal::{Rule, Side, Signal, Spell};
pub use widening::{Rung, Widening, ladder, least_target, widening};
