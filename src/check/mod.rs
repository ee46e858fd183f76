//! From a run and its spec to verdicts.

mod outcome;
mod verdict;

pub use outcome::{CheckOutcome, CornerOutcome, Judged, Limit, Measured, MeasuredSet, RunOutcome, Unit};
pub use verdict::Verdict;
