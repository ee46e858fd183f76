//! What the levels of a corner came to.

use super::survey::Survey;
use crate::spec::Tolerances;

/// A level that was tried.
#[derive(Debug, Clone, PartialEq)]
pub struct TriedLevel {
    /// As the run writes it: `-26 dBm`, `20 mVpp`.
    pub level: String,
    /// The same, dB relative to 1 mW into 50 ohm.
    pub dbm: f64,
    /// Its sweeps.
    pub files: Vec<String>,
}

/// What the levels of a corner came to.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct LevelsOutcome {
    /// The run's folder as reached.
    pub run: String,
    /// The corner.
    pub corner: String,
    /// What two levels are held against; `step` is kept below the strongest unchanged level.
    pub tolerances: Tolerances,
    /// The levels compared, weakest first.
    pub levels: Vec<TriedLevel>,
    /// What they show.
    pub survey: Survey,
    /// The same in sentences.
    pub findings: Vec<String>,
}

impl LevelsOutcome {
    /// The strongest unchanged level at a point, dBm.
    #[must_use]
    pub fn dbm(&self, level: Option<usize>) -> Option<f64> {
        self.levels.get(level?).map(|level| level.dbm)
    }
}
