//! Whether a movement matters: the way to the limit, what is worth an action, what speaks for a cause.

use super::outcome::{Kind, Movement};
use crate::decision::{Limit, meets};

/// Smallest movement worth an action where nobody says it, as a share of the distance from the level before to the nearest limit.
const RELEVANT_SHARE: f64 = 0.1;
/// Probability of wandering means from which on a signal is theirs.
const WANDERS: f64 = 0.5;
/// A movement signals where nothing moved is at most so many times as probable as a signal without a cause may be. Odds of c come about with
/// a chance of about c where nothing moves (Ville 1939, for proper priors; from memory), and by simulation with much less at one look;
/// over many looks it is held by no table.
const SIGNAL: f64 = 2.0;

/// Where a change leads.
pub(super) struct Way {
    /// Whether a limit lies ahead.
    pub(super) towards: bool,
    /// What it eats of the distance to the limit ahead; negative where it leads away from every limit.
    pub(super) share: f64,
    /// Distance from the level before to the nearest limit.
    nearest: Option<f64>,
}

impl Way {
    pub(super) fn new(before: f64, size: f64, limit: &Limit) -> Self {
        let below = limit.min.map(|min| before - min);
        let above = limit.max.map(|max| max - before);
        let nearest = [below, above].into_iter().flatten().min_by(f64::total_cmp);
        let ahead = if size < 0.0 { below } else { above };
        let eaten = |distance: f64| if distance > 0.0 { size.abs() / distance } else { 1.0 };
        Self {
            towards: ahead.is_some() && size != 0.0,
            share: ahead.map_or_else(|| nearest.map_or(0.0, |distance| -eaten(distance)), eaten),
            nearest,
        }
    }

    /// Smallest movement worth an action where nobody says it.
    pub(super) fn threshold(&self) -> Option<f64> {
        self.nearest.map(|distance| RELEVANT_SHARE * distance.abs())
    }
}

impl Movement {
    /// Whether a chart's signal at a group is rather that of means that go along with the group before. A bad lot is none of these.
    #[must_use]
    pub fn explains(&self, group: usize) -> bool {
        self.wanders > WANDERS && !self.left_out.contains(&group)
    }

    /// Whether it signals by itself, where a signal without a cause may have that chance: nothing is known to have moved with at most
    /// `SIGNAL` times its probability.
    #[must_use]
    pub fn signals(&self, chance: f64) -> bool {
        self.kind != Kind::None && self.relevant && self.probability.none <= SIGNAL * chance
    }

    /// Whether a group that lies so far from the centre is shown to do no harm: it, and all that moved, lie to sides without a limit or are
    /// shown to be smaller than what is worth an action.
    #[must_use]
    pub fn is_harmless(&self, deviation: f64, center: f64, limit: &Limit) -> bool {
        let Some(least) = self.threshold else { return false };
        let fine = |low: f64, high: f64| {
            (limit.min.is_none() || low > -least) && (limit.max.is_none() || high < least)
        };
        // What moved in all since the centre was set, earlier changes included.
        let (low, high) = (self.level.low - center, self.level.high - center);
        meets(self.level.value, limit)
            && fine(deviation, deviation)
            && fine(self.size.low, self.size.high)
            && (fine(low, high) || (self.kind == Kind::None && self.earlier.is_empty()))
    }
}
