//! From a run and its spec to verdicts.
//!
//! | file | what |
//! | --- | --- |
//! | `run` | a whole run: reads sweep after sweep, judges corner after corner |
//! | `options` | what is asked for of a run |
//! | `context` | what a corner is judged with |
//! | `alone` | one sweep against the limits of a corner, without a run |
//! | `circuit` | a run against the circuit of its spec |
//! | `corner` | one corner: the checks in their order, what hangs on what |
//! | `levels` | sweeps sorted into levels, repeats averaged |
//! | `validity` | collected, coverage, sanity, linearity |
//! | `level_change` | what was seen to change with the level, value by value |
//! | `measure` | the quantities of one sweep with their uncertainties |
//! | `propagation_validity` | where the law of propagation fails for a value |
//! | `limits` | the limits against what was measured |
//! | `regression` | a corner against its accepted baseline |
//! | `compared` | what a corner was compared with |
//! | `accepted` | what accepting a run stores |
//! | `observations` | findings that change no verdict |
//! | `waivers` | waivers |
//! | `plot_data` | what a corner's plots are drawn from |
//! | `outcome` | the result types |
//! | `unit` | their units |
//! | `unreadable` | a run without a verdict: what could be read of it |
//! | `wording` | how values and limits read |

mod accepted;
mod alone;
mod circuit;
mod compared;
mod context;
mod corner;
mod hidden_crossing;
mod level_change;
mod levels;
mod limits;
mod measure;
mod observations;
mod options;
mod outcome;
mod plot_data;
mod propagation_validity;
mod regression;
mod run;
mod unreadable;
mod validity;
mod waivers;
mod wording;

pub use crate::decision::{Limit, Verdict};
pub use crate::quantity::Unit;
pub use accepted::accept;
pub use alone::would_be;
pub(crate) use circuit::Told;
pub use circuit::{
    Answers, CauseOutcome, CircuitOutcome, CornerLoop, Information, LoopSweep, PartChange, PartOutcome,
    PartsSince, Together, cause_text, change_text, circuit_sentence, moved_text,
};
pub use compared::Compared;
pub use corner::NO_BASELINE;
pub use level_change::{Errors, Stronger, Weaker};
pub(crate) use levels::{Level, SAME_LEVEL_DB, Scratch, files, group, prepare};
pub use limits::list as declared_limits;
pub use measure::{Estimate, Open, Quantities};
pub use options::{NOT_THERE, Options, Wanted};
pub use outcome::{
    Against, CheckOutcome, CornerOutcome, Judged, Keepsake, Measured, MeasuredSet, RunOutcome,
};
pub use plot_data::{Agreement, CornerPlot, GainLine, LevelPlot, PlotPoint, Role, Spread};
pub use run::{ReadSweep, judge_run};
pub use unreadable::{UnreadCorner, UnreadableRun};
pub use wording::{frequency_text, limit_text, range_text, value_against, value_alone, value_text};

use crate::analysed::Analysed;
use crate::linearity::Difference;
use crate::monte_carlo::Trials;
use crate::pieces::Disagreement;
use crate::run::SweepEntry;
use crate::sanity::Kernel;
use crate::sweep::Samples;

/// One sweep of a corner, read.
#[derive(Debug, Clone, Copy)]
pub struct SweepInput<'a> {
    /// What the run says of it.
    pub entry: &'a SweepEntry,
    /// Its samples.
    pub samples: &'a Samples,
    /// Fingerprint of its numbers.
    pub fingerprint: u64,
    /// Where its pieces disagree.
    pub disagreement: Option<Disagreement>,
}

/// Memory that one thread uses from corner to corner and from run to run.
#[derive(Debug, Default)]
pub struct Workspace {
    samples: Vec<Samples>,
    prepared: Vec<Analysed>,
    scratch: Scratch,
    kernel: Kernel,
    difference: Difference,
    trials: Trials,
}

impl Workspace {
    fn reserve(&mut self, levels: usize) {
        if self.prepared.len() < levels {
            self.prepared.resize_with(levels, Analysed::default);
        }
    }
}
