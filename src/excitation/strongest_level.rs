//! The strongest level at one frequency that leaves the result as the weaker ones have it.
//!
//! Going up from the weakest level, a level is unchanged when it agrees with a weaker one at least a step below and
//! differs from none. Distortion grows with the level: where one level is changed, all stronger ones count as changed,
//! even if they look alike by chance.
//!
//! One thing turns this round: a dead zone (or backlash) lets the gain fall at *small* levels, while saturation lets it
//! fall at large ones (describing functions: A. Gelb and W. E. Vander Velde, Multiple-Input Describing Functions and
//! Nonlinear System Design, 1968, from memory). When the weakest levels have less gain than a plateau of at least three
//! stronger ones, more than they are themselves, which agree with each other over at least two steps, the weakest are
//! the odd ones: some level of the plateau differs from one of them. More gain at the weakest levels is saturation all
//! above, and nothing is shown to be unchanged.

use super::level_pair::{Cause, Difference, Reading, Shift, relate};
use crate::linearity::{Relation, STEP_SLACK_DB};
use crate::spec::Tolerances;

/// Levels of a plateau, at least, before weaker levels are held to be the odd ones.
const PLATEAU: usize = 3;

/// The weakest level that is changed, and why.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Break {
    /// Index of the level.
    pub level: usize,
    /// Index of the weaker level that it differs from.
    pub against: usize,
    /// What changed.
    pub cause: Cause,
}

/// What the levels show at one frequency.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Standing {
    /// The strongest unchanged level; `None`: none is shown to be.
    pub(super) strongest: Option<usize>,
    /// The weakest level that agrees with it: above 0 only where weaker ones lie in a dead zone.
    pub(super) weakest: usize,
    /// The first changed level above; `None` where no level is.
    pub(super) breaks: Option<Break>,
}

impl Standing {
    /// Whether weak levels are held to be the odd ones.
    pub(super) const fn is_above_dead_zone(&self) -> bool {
        self.strongest.is_some() && self.weakest > 0
    }
}

/// All levels at one frequency.
pub(super) struct Levels<'a> {
    /// The levels, rising, dBm.
    pub(super) dbm: &'a [f64],
    /// One for each; a level without a reading says nothing.
    pub(super) readings: &'a [Option<Reading>],
    /// Smoothed differences of pairs, where they are needed, at [`pair_index`].
    pub(super) differences: &'a [Option<Difference>],
    /// The frequency, ln(f/Hz).
    pub(super) ln_f: f64,
    /// The tolerances.
    pub(super) tolerances: &'a Tolerances,
}

/// Place of a pair in a list of all pairs.
pub(super) fn pair_index(weak: usize, strong: usize) -> usize {
    strong * strong.saturating_sub(1) / 2 + weak
}

/// What each level is to the weaker ones, asked once a frequency: for each the strongest weaker level that matters, so that going up from
/// any base is a comparison of indices.
struct Pairs(Vec<Weaker>);

/// The strongest weaker levels of one level, by what they are to it.
#[derive(Debug, Clone, Copy, Default)]
struct Weaker {
    differs: Option<usize>,
    /// Agrees, and lies a step below or more.
    agrees: Option<usize>,
    /// Does not agree.
    unlike: Option<usize>,
}

impl Pairs {
    fn of(levels: &Levels<'_>) -> Self {
        let weaker = |strong: usize| {
            (0..strong).fold(Weaker::default(), |mut found, weak| {
                match levels.relate(weak, strong).0 {
                    Relation::Agrees if levels.is_apart(weak, strong, 1.0) => found.agrees = Some(weak),
                    Relation::Agrees => {}
                    Relation::Differs => (found.differs, found.unlike) = (Some(weak), Some(weak)),
                    Relation::Unclear => found.unlike = Some(weak),
                }
                found
            })
        };
        Self((0..levels.dbm.len()).map(weaker).collect())
    }

    /// Goes up from a level that is taken as unchanged, to the first one that is changed: the strongest unchanged level, and the changed one.
    fn climb(&self, base: usize) -> (Option<usize>, Option<usize>) {
        let mut strongest = None;
        for (strong, weaker) in self.0.iter().enumerate().skip(base + 1) {
            if weaker.differs.is_some_and(|weak| weak >= base) {
                return (strongest, Some(strong));
            }
            if weaker.agrees.is_some_and(|weak| weak >= base) {
                strongest = Some(strong);
            }
        }
        (strongest, None)
    }

    /// Whether all levels from `base` to `top` agree with each other.
    fn all_agree(&self, base: usize, top: usize) -> bool {
        self.0.iter().take(top + 1).skip(base).all(|weaker| weaker.unlike.is_none_or(|weak| weak < base))
    }
}

/// Judges all levels at one frequency.
pub(super) fn standing(levels: &Levels<'_>) -> Standing {
    let pairs = Pairs::of(levels);
    let from = |base: usize| {
        let (strongest, changed) = pairs.climb(base);
        let breaks = changed.and_then(|level| levels.why_changed(base, level));
        Standing { strongest, weakest: base, breaks }
    };
    let from_weakest = from(0);
    let Some(changed) = from_weakest.breaks.map(|found| found.level) else { return from_weakest };
    let is_above_dead_zone = |base: usize| {
        pairs.climb(base).0.is_some_and(|top| {
            changed <= top
                && top + 1 - base >= PLATEAU
                && top + 1 - base > base
                && levels.is_apart(base, top, 2.0)
                && pairs.all_agree(base, top)
                && levels.have_less_gain(base)
        })
    };
    (1..levels.dbm.len()).find(|base| is_above_dead_zone(*base)).map_or(from_weakest, from)
}

impl Levels<'_> {
    /// What a level reads, where it says something.
    pub(super) fn reading(&self, i: usize) -> Option<&Reading> {
        self.readings.get(i)?.as_ref().filter(|reading| !reading.is_drowned)
    }

    /// What two levels are to each other.
    pub(super) fn relate(&self, weak: usize, strong: usize) -> (Relation, Option<Cause>) {
        let unclear = (Relation::Unclear, None);
        let (Some(a), Some(b)) = (self.reading(weak), self.reading(strong)) else { return unclear };
        let found = relate(&Shift::between(a, b), self.tolerances);
        match self.differences.get(pair_index(weak, strong)) {
            Some(Some(difference)) if found == unclear => {
                let smoothed = relate(&difference.at(self.ln_f), self.tolerances);
                if smoothed.0 == Relation::Agrees { smoothed } else { found }
            }
            _ => found,
        }
    }

    /// Whether two levels are so many steps apart.
    fn is_apart(&self, weak: usize, strong: usize, steps: f64) -> bool {
        let level = |i: usize| self.dbm.get(i).copied();
        let wanted = steps * self.tolerances.step.db() - STEP_SLACK_DB - 1e-9;
        level(weak).zip(level(strong)).is_some_and(|(a, b)| b - a >= wanted)
    }

    /// Of the levels from `base` on the one that a changed level differs from most.
    fn why_changed(&self, base: usize, level: usize) -> Option<Break> {
        let differs = (base..level).filter_map(|weak| Some((weak, self.relate(weak, level).1?)));
        let (against, cause) = differs.max_by(|a, b| a.1.size().total_cmp(&b.1.size()))?;
        Some(Break { level, against, cause })
    }

    /// Whether all levels below `base` that say something have less gain than it, and one does.
    fn have_less_gain(&self, base: usize) -> bool {
        let Some(own) = self.reading(base) else { return false };
        let mut weaker = (0..base).filter_map(|i| self.reading(i)).peekable();
        weaker.peek().is_some() && weaker.all(|weaker| weaker.ln_mag < own.ln_mag)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::Decibel;

    /// Levels 3 dB apart with these gains, dB, and this expanded noise of a difference, dB; 1 dB is tolerated.
    fn shown(gains_db: &[f64], noise_db: f64) -> (Option<usize>, usize, Option<usize>) {
        shown_at(&(0..gains_db.len()).map(|i| 3.0 * i as f64 - 30.0).collect::<Vec<_>>(), gains_db, noise_db)
    }

    fn shown_at(dbm: &[f64], gains_db: &[f64], noise_db: f64) -> (Option<usize>, usize, Option<usize>) {
        let neper = std::f64::consts::LN_10 / 20.0;
        let readings: Vec<Option<Reading>> = gains_db
            .iter()
            .map(|gain| {
                let u_ln_mag = noise_db * neper / 2.0 / 2f64.sqrt();
                gain.is_finite().then_some(Reading {
                    ln_mag: gain * neper,
                    angle: 0.0,
                    u_ln_mag,
                    u_angle: 0.0,
                    is_drowned: false,
                })
            })
            .collect();
        let tolerances = Tolerances {
            step: Decibel::new(3.0).unwrap(),
            crossover: None,
            phase_margin: None,
            gain: Decibel::new(1.0),
            phase: None,
            band: (0.1, 10.0),
        };
        let levels =
            Levels { dbm, readings: &readings, differences: &[], ln_f: 0.0, tolerances: &tolerances };
        let standing = standing(&levels);
        (standing.strongest, standing.weakest, standing.breaks.map(|b| b.level))
    }

    #[test]
    fn every_pair_has_its_place() {
        let places: Vec<usize> = (0..5).flat_map(|j| (0..j).map(move |i| pair_index(i, j))).collect();
        assert_eq!(places, (0..10).collect::<Vec<_>>());
    }

    const UNREAD: f64 = f64::NAN;

    #[test]
    fn the_strongest_level_below_the_first_change_is_found() {
        assert_eq!(shown(&[0.0, 0.1, 0.0, 0.1], 0.0), (Some(3), 0, None));
        assert_eq!(shown(&[0.0, 0.1, -0.3, -2.0], 0.0), (Some(2), 0, Some(3)));
        // Each step is small, the sum is not.
        assert_eq!(shown(&[0.0, -0.6, -1.2, -1.8], 0.0), (Some(1), 0, Some(2)));
        // Stronger than a changed level is changed, whatever it looks like.
        assert_eq!(shown(&[0.0, 0.0, -2.0, 0.0], 0.0), (Some(1), 0, Some(2)));
        assert_eq!(shown(&[0.0, -2.0, -4.0, -6.0], 0.0), (None, 0, Some(1)));
        assert_eq!(shown(&[0.0], 0.0), (None, 0, None));
    }

    #[test]
    fn levels_closer_than_a_step_show_nothing() {
        assert_eq!(shown_at(&[-30.0, -28.0], &[0.0, 0.0], 0.0), (None, 0, None));
        assert_eq!(shown_at(&[-30.0, -28.0, -27.1], &[0.0, 0.0, 0.0], 0.0), (Some(2), 0, None));
        // But they contradict.
        assert_eq!(shown_at(&[-30.0, -29.0, -26.0], &[0.0, 2.0, 2.0], 0.0), (None, 0, Some(1)));
    }

    #[test]
    fn noise_and_missing_readings_show_nothing() {
        assert_eq!(shown(&[0.0, 0.0, 0.0], 1.1), (None, 0, None));
        assert_eq!(shown(&[UNREAD, 0.0, 0.0], 0.0), (Some(2), 0, None));
        assert_eq!(shown(&[0.0, UNREAD, 0.0, -2.0], 0.0), (Some(2), 0, Some(3)));
        assert_eq!(shown(&[0.0, 0.0, UNREAD], 0.0), (Some(1), 0, None));
    }

    #[test]
    fn a_dead_zone_is_told_from_saturation_by_the_side_it_lies_on() {
        assert_eq!(shown(&[-6.0, 0.0, 0.1, 0.0], 0.0), (Some(3), 1, None));
        assert_eq!(shown(&[-9.0, -4.0, 0.0, 0.1, 0.0, -3.0], 0.0), (Some(4), 2, Some(5)));
        // A plateau of two levels, or one no larger than what lies below it, is not enough.
        assert_eq!(shown(&[-6.0, 0.0, 0.1], 0.0), (None, 0, Some(1)));
        assert_eq!(shown(&[-9.0, -6.0, -3.0, 0.0, 0.0, 0.0], 0.0), (None, 0, Some(1)));
        // A dead zone comes softly: each step is small, and the plateau is what does not change any more.
        assert_eq!(shown(&[-3.0, -1.7, -0.9, -0.3, 0.0, 0.1, 0.0], 0.0), (Some(6), 2, None));
        // What changes far above is no dead zone below, and a level that says nothing is none.
        assert_eq!(shown(&[-0.1, 0.0, 0.1, 0.0, 0.1, -3.0], 0.0), (Some(4), 0, Some(5)));
        assert_eq!(shown(&[UNREAD, -6.0, 0.0, 0.1, 0.0], 0.0), (Some(4), 2, None));
        // More gain at the weakest level: all above are clamped alike.
        assert_eq!(shown(&[6.0, 0.0, 0.1, 0.0], 0.0), (None, 0, Some(1)));
    }
}
