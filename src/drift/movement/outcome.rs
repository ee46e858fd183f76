//! What is told of a movement.

use crate::check::{CauseOutcome, Unit};
use crate::drift::Reach;

/// What a series did.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Kind {
    /// It stayed where it was.
    None,
    /// Its level changed from one group to the next, and stayed there.
    Step,
    /// It moves from group to group.
    Ramp,
}

impl Kind {
    /// Name in results: `none`, `step`, `ramp`.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::None => "none",
            Self::Step => "step",
            Self::Ramp => "ramp",
        }
    }
}

/// Probabilities of the explanations; they add up to 1.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Weights {
    /// Of [`Kind::None`].
    pub none: f64,
    /// Of [`Kind::Step`].
    pub step: f64,
    /// Of [`Kind::Ramp`].
    pub ramp: f64,
}

impl Weights {
    /// That of one kind.
    #[must_use]
    pub const fn of(&self, kind: Kind) -> f64 {
        match kind {
            Kind::None => self.none,
            Kind::Step => self.step,
            Kind::Ramp => self.ramp,
        }
    }

    /// The most probable kind; of equal ones the plainer.
    #[must_use]
    pub fn kind(&self) -> Kind {
        let more = |a: Kind, b: Kind| if self.of(b) > self.of(a) { b } else { a };
        more(more(Kind::None, Kind::Step), Kind::Ramp)
    }
}

/// A value with its two-sided 95 % interval, which holds it.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Range {
    /// The value.
    pub value: f64,
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

impl Range {
    /// Whether the interval lies on one side of 0.
    #[must_use]
    pub fn excludes_zero(&self) -> bool {
        self.low > 0.0 || self.high < 0.0
    }
}

/// The first group that moved, with its 95 % interval: places in [`crate::drift::ProductDrift::groups`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Since {
    /// The group.
    pub group: usize,
    /// The earliest that it may be.
    pub low: usize,
    /// The latest.
    pub high: usize,
}

/// An older change that is over: told, and not used for the forecast.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Earlier {
    /// What it was.
    pub kind: Kind,
    /// The first group that moved, a place in [`crate::drift::ProductDrift::groups`].
    pub since: usize,
    /// Change of the level in all, in the unit of the quantity.
    pub size: f64,
}

/// The newest movement of a series, in the unit of the quantity.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct Movement {
    /// The most probable explanation.
    pub kind: Kind,
    /// How probable each is.
    pub probability: Weights,
    /// Where nothing is told to have moved: what may have, were it not that means which go along with the group before wander as far by
    /// themselves, and these groups do not tell which.
    pub perhaps: Option<Kind>,
    /// Probability that nothing moved and means go along with the group before: part of that of [`Kind::None`].
    pub wanders: f64,
    /// The first group that moved; `None` where nothing did.
    pub since: Option<Since>,
    /// Change of the level up to the newest group with a value. Averaged over the explanations, those without a movement included.
    pub size: Range,
    /// Present change from group to group, averaged likewise: exactly 0 without a ramp.
    pub slope: Range,
    /// Level at the newest group with a value.
    pub level: Range,
    /// Smallest size worth an action.
    pub threshold: Option<f64>,
    /// Whether it moved by that much or more: `false` where the 95 % interval of the size is shown to lie within it, where nothing moved and
    /// where it leads away from every limit.
    pub relevant: bool,
    /// Whether it led towards a limit.
    pub towards_limit: bool,
    /// What it ate of the distance from the level before it to the limit that it leads to; negative where it leads away from every limit.
    pub share_eaten: f64,
    /// Older changes that are over, oldest first.
    pub earlier: Vec<Earlier>,
    /// Groups taken for bad lots, places in [`crate::drift::ProductDrift::groups`].
    pub left_out: Vec<usize>,
    /// Correlation from group to group, where it is shown.
    pub correlation: Option<f64>,
    /// What else changed at the first group that moved: `revision B to C`, `station bench-1 to bench-3`.
    pub together_with: Vec<String>,
}

/// A series in a movement of several.
#[derive(Debug, Clone, PartialEq)]
pub struct Moved {
    /// Place in [`crate::drift::ProductDrift::series`].
    pub series: usize,
    /// Corner.
    pub corner: String,
    /// Quantity as results name it.
    pub quantity: String,
    /// Unit of the size.
    pub unit: Unit,
    /// Change up to the newest group.
    pub size: Range,
    /// Whether it is worth an action.
    pub relevant: bool,
    /// What it ate of the distance to its limit.
    pub share_eaten: f64,
}

/// Which part of the circuit a movement comes from.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct PartsMoved {
    /// The causes, the most probable first.
    pub causes: Vec<CauseOutcome>,
    /// The movements of the parts, and how many of the series they explain.
    pub since: crate::check::PartsSince,
}

/// Series of a product that moved together: one cause, one entry.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct JointMovement {
    /// What all of them did.
    pub kind: Kind,
    /// How certain: the largest probability of that kind among its series.
    pub probability: f64,
    /// The first group that moved, from all of them together.
    pub since: Since,
    /// Its series, the one that ate most of its distance first.
    pub series: Vec<Moved>,
    /// Corners, each once, in the order of the series of the product.
    pub corners: Vec<String>,
    /// Quantities, likewise.
    pub quantities: Vec<String>,
    /// Whether any of them is worth an action.
    pub relevant: bool,
    /// What the worst of them ate of the distance to its limit.
    pub share_eaten: f64,
    /// When the first of them reaches a limit, and which: a place in [`crate::drift::ProductDrift::series`].
    pub nearest: Option<(usize, Reach)>,
    /// What else changed at the first group that moved.
    pub together_with: Vec<String>,
    /// Which part of the circuit moved; `None` where records say nothing of parts.
    pub parts: Option<PartsMoved>,
    /// One sentence.
    pub message: String,
}
