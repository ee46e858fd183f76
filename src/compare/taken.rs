//! A run as it is compared, and what one side alone has.

use crate::baseline::AcceptedUnit;
use crate::uncertainty::Chain;
use serde::Serialize;

/// A run as it is compared.
#[derive(Debug, Clone, PartialEq)]
pub struct Taken {
    /// Its folder, as reached.
    pub run: String,
    /// What was measured on the unit, as accepting it would keep it.
    pub unit: AcceptedUnit,
    /// Corners that gave no values, with the reason.
    pub without: Vec<(String, String)>,
    /// The measuring chain as declared.
    pub chain: Chain,
}

/// Which side something is on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub enum OneSide {
    /// The first.
    A,
    /// The second.
    B,
}

impl OneSide {
    /// Its name in results.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::A => "A",
            Self::B => "B",
        }
    }
}

/// Something that has nothing to be compared with.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[non_exhaustive]
pub struct Alone {
    /// The side that has values.
    pub side: OneSide,
    /// The run, as reached.
    pub run: String,
    /// The corner; `None`: the whole unit.
    pub corner: Option<String>,
    /// Why the other side has nothing there.
    pub why: String,
}
