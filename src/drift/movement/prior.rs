//! What is held probable before a value is seen. The numbers marked so were chosen on simulated histories of one seed and are shown on
//! another (`examples/simulate`, mode `movement`).

/// Fewest groups with a value that a movement is looked for in.
pub const FEWEST_GROUPS: usize = 5;
/// Most groups that are looked at: of more, the newest. What moved before them is history.
pub const MOST_GROUPS: usize = 300;

/// That nothing moved. Half: without a reason for either, as much as that something did (convention, no source).
pub(super) const NONE: f64 = 0.5;
/// That the level stepped, and that it moves from group to group: shared equally.
pub(super) const STEP: f64 = 0.25;
/// See [`STEP`].
pub(super) const RAMP: f64 = 0.25;

/// That one more change lies before, somewhere; chosen by simulation.
pub(super) const EARLIER: f64 = 0.3;
/// The same at a group that another station measured than the one before: stations differ.
pub(super) const EARLIER_AT_STATION: f64 = 1.0;
/// Odds that another station is off by a size of its own, beside what moved: stations differ; chosen by simulation.
pub(super) const OFFSET: f64 = 2.0;
/// Share of the earlier part that is a level; the others are lines.
pub(super) const LEVEL: f64 = 0.5;
/// Factor on all that follows a line: that a ramp has ended. Chosen by simulation: an ended ramp and one that goes on are hard to tell
/// apart at first.
pub(super) const ENDED: f64 = 0.04;

/// Standing alone beyond a step, a group is so much less probably its beginning than a bad lot; chosen by simulation.
pub(super) const SINGLE: f64 = 0.03;
/// That a group is a bad lot (G. E. P. Box and G. C. Tiao, Biometrika 55, 1968, take shares of a few percent; from memory).
pub(super) const BAD_LOT: f64 = 0.02;
/// What a bad lot's own level costs: as much as a spread so many times that of the others. Above the 3 to 5 of Box and Tiao, as a lot
/// that is slightly off does no harm.
pub(super) const BAD_LOT_SPREAD: f64 = 8.0;
/// Bad lots that are looked for.
pub(super) const MOST_BAD_LOTS: usize = 2;

/// Correlation from group to group: values and their probabilities, spread over what lots show, because a few dozen groups tell little
/// of it. Chosen by simulation.
pub(super) const CORRELATIONS: [(f64, f64); 5] =
    [(0.0, 0.5), (0.3, 0.1), (0.5, 0.12), (0.75, 0.16), (0.92, 0.12)];
/// Factor on a movement of means that go along with the one before, where it is told what happened: such means wander by themselves, and
/// a movement must stand out of that. Intervals do without it: they are to hold a movement that is not told. Chosen by simulation.
pub(super) const WANDERING: f64 = 0.2;
/// Probability from which on the correlation is named.
pub(super) const CORRELATION_SHOWN: f64 = 0.9;

/// Probability of a kind from which on slope and forecast (a ramp) and size (a step or a ramp) are those of that kind alone. What is left
/// is told by `probability`.
pub(super) const KIND_ALONE: f64 = 0.8;
/// Least probability of a ramp in intervals of slope and forecast: means of a few dozen groups exclude no slow ramp.
pub(super) const LEAST_RAMP: f64 = 0.06;
/// Least probability of a ramp for a forecast.
pub(super) const LEAST_FORECAST: f64 = 0.1;
/// Share, of the explanations of a kind, of those with earlier changes or of those without from which on the size is theirs alone.
pub(super) const PAST_ALONE: f64 = 0.9;
