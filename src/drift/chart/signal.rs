//! Signals of a chart.

use std::fmt;

/// What signalled.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Rule {
    /// A single mean beyond 3 sigma.
    Individuals,
    /// Two of three means beyond 2 sigma on one side.
    TwoOfThree,
    /// Four of five means beyond 1 sigma on one side.
    FourOfFive,
    /// Eight means in a row on one side.
    EightInARow,
    /// The moving average beyond its limit.
    Ewma,
    /// A cumulative sum beyond its decision interval.
    Cusum,
    /// The odds that the level has changed beyond their limit.
    ChangePoint,
}

impl Rule {
    /// Name in results.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Individuals => "individuals",
            Self::TwoOfThree => "two-of-three",
            Self::FourOfFive => "four-of-five",
            Self::EightInARow => "eight-in-a-row",
            Self::Ewma => "ewma",
            Self::Cusum => "cusum",
            Self::ChangePoint => "changepoint",
        }
    }
}

impl fmt::Display for Rule {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// Side of the centre line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Side {
    /// Above.
    High,
    /// Below.
    Low,
}

impl Side {
    /// Both, the upper first.
    pub const BOTH: [Self; 2] = [Self::High, Self::Low];

    /// 1 or -1: what turns a deviation to this side into a positive one.
    #[must_use]
    pub const fn sign(self) -> f64 {
        match self {
            Self::High => 1.0,
            Self::Low => -1.0,
        }
    }

    /// Name in results.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::High => "high",
            Self::Low => "low",
        }
    }
}

/// A rule met at a group.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct Signal {
    /// The group, by its place among the points.
    pub index: usize,
    /// What signalled.
    pub rule: Rule,
    /// To which side.
    pub side: Side,
    /// Where it may have begun, at most `index`: the first of the means that a run rule counts; for the average the first group since
    /// it was on the other side of the centre line; for a sum the first group since it was zero.
    pub since: usize,
    /// What is beyond, in the quantity's unit: the group's mean, the average there, or the sum.
    pub value: f64,
    /// What it is beyond, in the same unit, for this group: a limit line, or the decision interval.
    pub limit: f64,
}

/// Signals of one lasting deviation: one side, group after group.
#[derive(Debug, Clone, PartialEq)]
pub struct Spell {
    /// To which side.
    pub side: Side,
    /// Where it may have begun, the earliest that its signals say.
    pub since: usize,
    /// First and last group with a signal.
    pub first: usize,
    /// Last group with a signal.
    pub last: usize,
    /// Rules that signalled in it, each once, in the order they did.
    pub rules: Vec<Rule>,
}

impl Spell {
    /// Puts signals, ordered by group, together: those to one side whose group follows the last one's, or whose beginning
    /// lies no later than it.
    pub(super) fn of(signals: &[Signal]) -> Vec<Self> {
        let mut spells: Vec<Self> = Vec::new();
        for signal in signals {
            let open = spells.iter_mut().rev().find(|spell| spell.side == signal.side);
            match open {
                Some(spell) if signal.index <= spell.last + 1 || signal.since <= spell.last => {
                    spell.last = signal.index;
                    spell.since = spell.since.min(signal.since);
                    if !spell.rules.contains(&signal.rule) {
                        spell.rules.push(signal.rule);
                    }
                }
                _ => spells.push(Self {
                    side: signal.side,
                    since: signal.since,
                    first: signal.index,
                    last: signal.index,
                    rules: vec![signal.rule],
                }),
            }
        }
        spells
    }
}
