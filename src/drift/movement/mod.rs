//! What moved in a series: nothing, a step, or a ramp, weighed against each other by how well each explains all group means.
//!
//! | file | what |
//! | --- | --- |
//! | `prior` | what is held probable before a value is seen, and where that comes from |
//! | `weights` | how the means of groups of unequal size are weighted |
//! | `regression_rows` | the means, freed of their correlation, with running sums: each explanation costs the same few operations |
//! | `segmentation` | the most probable course of what lies before the newest change |
//! | `hypotheses` | every explanation with its probability and what it says of level and size |
//! | `station` | the offset of another station beside what moved |
//! | `bad_lots` | the explanations with and without the groups that stand out |
//! | `mixture` | values and intervals from all explanations |
//! | `forecast` | when a limit is reached at the present pace |
//! | `relevance` | the way to the limit; which movements matter |
//! | `summary` | the movement as it is told |
//! | `outcome` | the result types |
//!
//! The level, the size and the spread are integrated out in closed form: flat prior on the level, Jeffreys' on the spread, and on
//! each size one that holds as much information as one observation, centred at its estimate (R. E. Kass and L. Wasserman, J. American
//! Statistical Association 90, 1995; A. E. Raftery, Sociological Methodology 25, 1995; from memory). With n means and residual
//! squares S the probability of an explanation is proportional to S^(-(n - 1)/2), times (1 + n)^(-1/2) for each size it has.
//! Given the explanation, level and size have Student's t distribution (any textbook, e.g. A. Gelman and others, *Bayesian Data
//! Analysis*, chapter 14; from memory). How often the intervals hold the truth is found by simulation (`examples/simulate`, mode
//! `movement`).
//!
//! **Why three explanations instead of a line?** A line through eight good builds and a creep is too flat, and its
//! interval does not know it. Weighed against each other, none, step and ramp say what happened, since when, and how
//! sure that is. Of references, records are few and in a row: there a median of slopes is enough, which one bad
//! record does not pull.

mod bad_lots;
mod forecast;
mod hypotheses;
mod mixture;
mod outcome;
mod prior;
mod regression_rows;
mod relevance;
mod segmentation;
mod station;
mod summary;
mod weights;

pub use outcome::{Earlier, JointMovement, Kind, Moved, Movement, PartsMoved, Range, Since, Weights};
pub use prior::{FEWEST_GROUPS, MOST_GROUPS};
pub use summary::{Told, movement};
pub use weights::Observation;
