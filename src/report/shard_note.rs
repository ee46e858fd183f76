//! Which part of the runs a JSON result is of.

use serde::{Deserialize, Serialize};

/// What a result says of the part that it is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct ShardNote {
    /// Which part, from 1.
    pub number: usize,
    /// Of how many.
    pub of: usize,
    /// Runs found, those of all parts.
    pub runs_found: usize,
    /// Runs of this part that could not be read.
    pub unreadable: u64,
    /// Whether a run was judged and nothing of any was asked for.
    pub nothing_met: bool,
    /// Whether an input could not be read or an output not be written.
    pub has_errors: bool,
}
