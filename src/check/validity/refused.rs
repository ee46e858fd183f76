//! A check that finds the measurement wrong.

use crate::check::outcome::CheckOutcome;
use crate::decision::Verdict;

/// The outcome of such a check, with what to do.
pub(super) fn invalid(check: &str, message: String, remedy: &str) -> CheckOutcome {
    CheckOutcome { remedy: Some(remedy.to_owned()), ..CheckOutcome::bare(check, Verdict::Invalid, message) }
}
