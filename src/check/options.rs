//! What is asked for of a run.

use super::outcome::CornerOutcome;
use crate::decision::Verdict;
use crate::spec::{CIRCUIT_CHECK, Corner, Spec};

/// Whether a check of a corner is wanted: (corner, check).
pub type Wanted<'a> = dyn Fn(&str, &str) -> bool + Sync + 'a;

/// What is asked for.
#[non_exhaustive]
pub struct Options<'a> {
    /// Today, UTC: waivers end.
    pub today: time::Date,
    /// Which checks are wanted. `None`: all.
    pub only: Option<&'a Wanted<'a>>,
    /// Whether to keep what accepting the run would store.
    pub keep: bool,
    /// Whether corners shall carry what their plots are drawn from.
    pub plots: bool,
    /// Whether listed sweeps may not be there yet: their corners are judged from what is there, and are `missing` all the same.
    pub so_far: bool,
}

/// Code of the problem with a file that is not there.
pub const NOT_THERE: &str = "file-missing";

impl Options<'_> {
    /// All checks, and nothing kept beside the verdicts; `today` is UTC.
    #[must_use]
    pub const fn new(today: time::Date) -> Self {
        Self { today, only: None, keep: false, plots: false, so_far: false }
    }

    /// Whether the circuit is to be fitted: to the corners of an excerpt only where their check against it is asked for.
    pub(super) fn wants_circuit(&self, spec: &Spec) -> bool {
        self.only.is_none_or(|only| spec.corners.iter().any(|corner| only(&corner.name, CIRCUIT_CHECK)))
    }

    /// Whether any check of the corner is wanted: one that is not wanted is not even read.
    pub(super) fn meets(&self, corner: &Corner) -> bool {
        self.only.is_none_or(|only| corner.checks().iter().any(|check| only(&corner.name, check)))
    }
}

/// The checks that stay for every corner that `only` meets.
const VALIDITY: [&str; 4] = ["collected", "coverage", "sanity", "linearity"];

/// Keeps what `only` meets.
pub(super) fn select(mut corner: CornerOutcome, options: &Options<'_>) -> Option<CornerOutcome> {
    let Some(only) = options.only else { return Some(corner) };
    if !corner.checks.iter().any(|c| only(&corner.corner, &c.check)) {
        return None;
    }
    let name = corner.corner.clone();
    corner.checks.retain(|c| VALIDITY.contains(&c.check.as_str()) || only(&name, &c.check));
    corner.verdict = Verdict::worst(corner.checks.iter().map(|c| c.verdict)).unwrap_or(Verdict::NotJudged);
    Some(corner)
}
