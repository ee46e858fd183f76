//! From a run and its spec to verdicts.

mod outcome;
mod verdict;
mod wording;

pub use outcome::{CheckOutcome, CornerOutcome, Judged, Limit, Measured, MeasuredSet, RunOutcome, Unit};
pub use verdict::Verdict;
pub use wording::{frequency_text, limit_text, value_against, value_text};
