//! Verdicts and how they roll up.

use serde::{Serialize, Serializer};
use std::fmt;

/// Verdict of a check, a corner, a run or a whole result.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Verdict {
    /// The requirement is shown to be met.
    Pass,
    /// Shown not to be met.
    Fail,
    /// The limit lies inside the value's expanded uncertainty.
    Undecided,
    /// The measurement cannot carry a verdict.
    Invalid,
    /// Declared, and nothing was collected.
    Missing,
    /// A waiver in force covers it.
    Waived,
    /// Hangs on an invalid or missing check; does not count in the worst-of.
    NotJudged,
}

impl Verdict {
    /// All verdicts, worst first.
    pub const ALL: [Self; 7] = [
        Self::Invalid,
        Self::Missing,
        Self::Fail,
        Self::Undecided,
        Self::Waived,
        Self::Pass,
        Self::NotJudged,
    ];

    /// The word used in every output.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Pass => "pass",
            Self::Fail => "fail",
            Self::Undecided => "undecided",
            Self::Invalid => "invalid",
            Self::Missing => "missing",
            Self::Waived => "waived",
            Self::NotJudged => "not_judged",
        }
    }

    /// Rank in the worst-of: invalid = missing > fail > undecided > waived > pass; `None` does not count.
    const fn rank(self) -> Option<u8> {
        match self {
            Self::Invalid | Self::Missing => Some(4),
            Self::Fail => Some(3),
            Self::Undecided => Some(2),
            Self::Waived => Some(1),
            Self::Pass => Some(0),
            Self::NotJudged => None,
        }
    }

    /// Whether it leaves the exit status at 0.
    #[must_use]
    pub const fn is_good(self) -> bool {
        matches!(self, Self::Pass | Self::Waived)
    }

    /// The worst of several, the first of equals; `None` when none counts.
    #[must_use]
    pub fn worst(verdicts: impl IntoIterator<Item = Self>) -> Option<Self> {
        verdicts
            .into_iter()
            .filter(|v| v.rank().is_some())
            .reduce(|worst, v| if v.rank() > worst.rank() { v } else { worst })
    }
}

impl fmt::Display for Verdict {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

impl Serialize for Verdict {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.word())
    }
}

#[cfg(test)]
mod tests {
    use super::Verdict::{Fail, Invalid, Missing, NotJudged, Pass, Undecided, Waived};
    use super::*;

    #[test]
    fn the_worst_counts() {
        assert_eq!(Verdict::worst([Pass, Waived]), Some(Waived));
        assert_eq!(Verdict::worst([Undecided, Fail, Waived]), Some(Fail));
        assert_eq!(Verdict::worst([Fail, Missing, Invalid]), Some(Missing));
        assert_eq!(Verdict::worst([NotJudged, Pass]), Some(Pass));
        assert_eq!(Verdict::worst([NotJudged]), None);
    }

    #[test]
    fn a_word_is_padded_as_a_column_asks() {
        assert_eq!(format!("{Pass:>6}|{Fail:<6}|"), "  pass|fail  |");
    }
}
