//! From a value with uncertainty and a limit to a verdict.

mod decide;
mod limit;
mod verdict;

pub use decide::{Decision, decide, meets};
pub use limit::Limit;
pub use verdict::Verdict;
