//! The movement as it is told: values and intervals from all explanations, held against the limit.

use super::bad_lots::{Piece, Weighed, weigh};
use super::forecast::forecast;
use super::hypotheses::Explanation;
use super::mixture::{HIGH, LOW, Part, quantile, together};
use super::outcome::{Earlier, Kind, Movement, Range, Since, Weights};
use super::prior::{
    CORRELATION_SHOWN, FEWEST_GROUPS, KIND_ALONE, LEAST_FORECAST, LEAST_RAMP, MOST_GROUPS, PAST_ALONE,
};
use super::relevance::Way;
use super::weights::Observation;
use crate::decision::Limit;
use crate::drift::Reach;

/// Share beyond each end of the interval of a size, smaller than [`LOW`]: which explanations there are, and how probable they are,
/// is itself not known exactly. With [`LOW`] the interval held 87 to 95 % of the sizes of small and of repeated movements. Chosen by
/// simulation.
const SIZE_TAIL: f64 = 0.015;
/// A probability below this is none: beside it numbers overflow.
const NEARLY_NEVER: f64 = 1e-100;
/// A change of the level at the end of a line is told above so many standard deviations of the level.
const JUMP: f64 = 2.0;

/// A movement and where it leads.
#[derive(Debug, Clone, PartialEq)]
pub struct Told {
    /// What the series did.
    pub movement: Movement,
    /// When a limit is reached at the present pace; `None` when the ramp leads away from every limit, or when a ramp is improbable.
    pub forecast: Option<Reach>,
}

/// What a series did, from its group means in order. `relevant`: smallest size worth an action, in the quantity's unit. `None` of fewer
/// than [`FEWEST_GROUPS`] groups; of more than [`MOST_GROUPS`] the newest count.
///
/// ```
/// use loopgauge::decision::Limit;
/// use loopgauge::drift::movement::{Kind, Observation, movement};
///
/// let means = [54.1, 53.9, 54.0, 54.2, 53.9, 54.1, 53.5, 53.2, 52.7, 52.4, 52.0, 51.4];
/// let groups = means.iter().enumerate();
/// let series: Vec<Observation> =
///     groups.map(|(place, &mean)| Observation { place, mean, units: 5, sd: Some(0.3), new_station: false }).collect();
/// let told = movement(&series, &Limit { min: Some(50.0), max: None }, None).ok_or("too few groups")?;
/// assert_eq!(told.movement.kind, Kind::Ramp);
/// let ahead = told.forecast.ok_or("leads to the limit")?;
/// assert!(ahead.in_groups > 2.0 && ahead.in_groups < 6.0);
/// # Ok::<(), &'static str>(())
/// ```
#[must_use]
pub fn movement(observations: &[Observation], limit: &Limit, relevant: Option<f64>) -> Option<Told> {
    let observations = observations.get(observations.len().saturating_sub(MOST_GROUPS)..)?;
    if observations.len() < FEWEST_GROUPS || observations.iter().any(|o| !o.mean.is_finite()) {
        return None;
    }
    let weighed = weigh(observations);
    let teller = Teller::new(&weighed, observations);
    let forecast = teller.forecast(limit);
    Some(Told { movement: teller.movement(limit, relevant)?, forecast })
}

struct Teller<'a> {
    weighed: &'a Weighed,
    observations: &'a [Observation],
    /// What is told.
    probability: Weights,
    kind: Kind,
    /// What intervals go by.
    plain: Weights,
}

/// Mean and 95 % interval.
fn range(parts: &[Part]) -> Range {
    range_without(parts, LOW)
}

/// Mean, and what is left without a tail of so much on each side.
fn range_without(parts: &[Part], tail: f64) -> Range {
    let (low, high) = (quantile(parts, tail), quantile(parts, 1.0 - tail));
    let value: f64 = parts.iter().map(|part| part.weight * part.location).sum();
    // Not a number where nothing is known; whoever tells of it leaves it out.
    Range { value: value.max(low).min(high), low, high: high.max(low) }
}

impl<'a> Teller<'a> {
    fn new(weighed: &'a Weighed, observations: &'a [Observation]) -> Self {
        let sum = |kind, weight: &dyn Fn(&Explanation) -> f64| {
            weighed.explanations.iter().filter(|e| e.kind == kind).map(weight).sum()
        };
        let weights = |weight: &dyn Fn(&Explanation) -> f64| Weights {
            none: sum(Kind::None, weight),
            step: sum(Kind::Step, weight),
            ramp: sum(Kind::Ramp, weight),
        };
        let probability = weights(&|e| e.told);
        Self { weighed, observations, probability, kind: probability.kind(), plain: weights(&|e| e.weight) }
    }

    fn all(&self) -> &[Explanation] {
        &self.weighed.explanations
    }

    fn place(&self, observation: usize) -> usize {
        self.observations.get(observation).map_or(0, |o| o.place)
    }

    fn parts(&self, part: impl Fn(&Explanation) -> (f64, f64)) -> Vec<Part> {
        let of = |e: &Explanation| {
            let (location, variance) = part(e);
            Part { weight: e.weight, location, scale: variance.max(0.0).sqrt(), freedom: e.freedom }
        };
        together(self.all().iter().map(of))
    }

    /// Whether the explanations of the told kind count alone, and which of them: those with earlier changes and those without speak of
    /// different movements, and the more probable ones count alone if they are so by far.
    fn alone(&self) -> (bool, Option<bool>) {
        let own = |earlier: bool| {
            let of = move |e: &Explanation| e.kind == self.kind && (e.from > 0) == earlier;
            self.all().iter().filter(|e| of(e)).map(|e| e.weight).sum::<f64>()
        };
        let (plain, after) = (own(false), own(true));
        let (most, earlier) = if after > plain { (after, true) } else { (plain, false) };
        let kind_alone = self.kind != Kind::None && plain + after >= KIND_ALONE;
        let past_alone = kind_alone && most >= PAST_ALONE * (plain + after);
        (kind_alone, past_alone.then_some(earlier))
    }

    fn sizes(&self) -> Vec<Part> {
        let (kind_alone, past) = self.alone();
        let counts = |e: &Explanation| {
            (!kind_alone || e.kind == self.kind) && past.is_none_or(|earlier| (e.from > 0) == earlier)
        };
        let all: f64 = self.all().iter().filter(|e| counts(e)).map(|e| e.weight).sum();
        let part = |e: &Explanation| Part {
            weight: e.weight / all,
            location: e.size,
            scale: e.size_variance.sqrt(),
            freedom: e.freedom,
        };
        together(self.all().iter().filter(|e| counts(e)).map(part))
    }

    /// Factors on the weights of ramps and of the others, where the present slope is asked for.
    fn leaning(&self) -> (f64, f64) {
        let ramp = self.plain.ramp;
        if ramp >= KIND_ALONE {
            (1.0 / ramp, 0.0)
        } else if (NEARLY_NEVER..LEAST_RAMP).contains(&ramp) {
            (LEAST_RAMP / ramp, (1.0 - LEAST_RAMP) / (1.0 - ramp))
        } else {
            (1.0, 1.0)
        }
    }

    /// Explanations with the weights that slope and forecast go by.
    fn leaned(&self) -> impl Iterator<Item = (f64, &Explanation)> {
        let (ramps, others) = self.leaning();
        let factor = move |e: &Explanation| if e.kind == Kind::Ramp { ramps } else { others };
        self.all().iter().map(move |e| (e.weight * factor(e), e)).filter(|(weight, _)| *weight > 0.0)
    }

    fn slope(&self) -> Range {
        let part = |(weight, e): (f64, &Explanation)| {
            let (location, scale) = match e.kind {
                Kind::Ramp => (e.size / e.span, e.size_variance.sqrt() / e.span),
                Kind::None | Kind::Step => (0.0, 0.0),
            };
            Part { weight, location, scale, freedom: e.freedom }
        };
        range(&together(self.leaned().map(part)))
    }

    fn movement(&self, limit: &Limit, relevant: Option<f64>) -> Option<Movement> {
        let about_middle = range(&self.parts(|e| (e.level, e.level_variance)));
        let middle = self.weighed.middle;
        let level = Range {
            value: about_middle.value + middle,
            low: about_middle.low + middle,
            high: about_middle.high + middle,
        };
        let size = range_without(&self.sizes(), SIZE_TAIL);
        let slope = self.slope();
        let numbers = [level.value, level.low, level.high, size.low, size.high, slope.low, slope.high];
        if numbers.iter().any(|number| !number.is_finite()) {
            return None;
        }
        let way = Way::new(level.value - size.value, size.value, limit);
        let threshold = relevant.or_else(|| way.threshold());
        let shown_small = threshold.is_some_and(|least| size.low.abs().max(size.high.abs()) < least);
        let moved = self.kind != Kind::None;
        Some(Movement {
            kind: self.kind,
            probability: self.probability,
            perhaps: Some(self.plain.kind()).filter(|kind| self.kind == Kind::None && *kind != Kind::None),
            wanders: self.all().iter().filter(|e| e.wanders()).map(|e| e.told).sum(),
            since: self.since(),
            size,
            slope,
            level,
            threshold,
            relevant: moved && way.towards && !shown_small,
            towards_limit: moved && way.towards,
            share_eaten: if moved { way.share } else { 0.0 },
            earlier: self.earlier(),
            left_out: self.left_out(),
            correlation: self.correlation(),
            together_with: Vec::new(),
        })
    }

    fn since(&self) -> Option<Since> {
        // A ramp over all groups has begun before them: its first group is the first that is known.
        let first = |e: &Explanation| if e.kind == Kind::Ramp && e.since == 1 { 0 } else { e.since };
        let places =
            |of: &dyn Fn(&Explanation) -> bool, place: &dyn Fn(&Explanation) -> usize, share: f64| {
                let mut list: Vec<(usize, f64)> =
                    self.all().iter().filter(|e| of(e)).map(|e| (place(e), e.weight)).collect();
                list.sort_by_key(|(place, _)| *place);
                let wanted = share * list.iter().map(|(_, weight)| weight).sum::<f64>();
                let mut sum = 0.0;
                let found = list.iter().find(|(_, weight)| {
                    sum += weight;
                    sum >= wanted
                });
                found.or(list.last()).map(|(place, _)| *place)
            };
        let (_, past) = self.alone();
        let moved =
            |e: &Explanation| e.kind != Kind::None && past.is_none_or(|earlier| (e.from > 0) == earlier);
        let own = |e: &Explanation| e.kind == self.kind;
        if self.kind == Kind::None {
            return None;
        }
        let group = places(&own, &first, 0.5)?;
        let low = places(&moved, &first, LOW)?.min(group);
        let high = places(&moved, &|e| e.since, HIGH)?.max(group);
        Some(Since { group: self.place(group), low: self.place(low), high: self.place(high) })
    }

    /// The changes that the most probable explanation stands on.
    fn earlier(&self) -> Vec<Earlier> {
        let own = || self.all().iter().filter(|e| e.kind == self.kind);
        let after: f64 = own().filter(|e| e.from > 0).map(|e| e.weight).sum();
        let best = own().filter(|e| e.from > 0).max_by(|a, b| a.weight.total_cmp(&b.weight));
        let Some(best) = best.filter(|_| after > 0.5 * self.plain.of(self.kind)) else {
            return Vec::new();
        };
        let pieces = self.weighed.past_of(best);
        let present = Piece {
            from: best.from,
            is_line: false,
            first: best.level - best.size,
            last: best.level - best.size,
        };
        let mut told = Vec::new();
        let mut before: Option<Piece> = None;
        for piece in pieces.into_iter().chain([present]) {
            let since = self.place(piece.from);
            let jump = before.map_or(0.0, |before| piece.first - before.last);
            let is_after_line = before.is_some_and(|before| before.is_line);
            let is_jump = !is_after_line || jump.abs() > JUMP * best.level_variance.sqrt();
            if before.is_some() && !piece.is_line && is_jump {
                told.push(Earlier { kind: Kind::Step, since, size: jump });
            }
            if piece.is_line {
                told.push(Earlier { kind: Kind::Ramp, since, size: piece.last - piece.first + jump });
            }
            before = Some(piece);
        }
        told
    }

    fn left_out(&self) -> Vec<usize> {
        let in_set = |set: usize, k: usize| self.weighed.sets.get(set).is_some_and(|set| set.contains(&k));
        let probability =
            |k: usize| self.all().iter().filter(|e| in_set(e.set, k)).map(|e| e.weight).sum::<f64>();
        (0..self.observations.len()).filter(|k| probability(*k) > 0.5).map(|k| self.place(k)).collect()
    }

    fn correlation(&self) -> Option<f64> {
        let correlated = || self.all().iter().filter(|e| e.correlation > 0.0);
        let probability: f64 = correlated().map(|e| e.weight).sum();
        let sum: f64 = correlated().map(|e| e.weight * e.correlation).sum();
        (probability >= CORRELATION_SHOWN).then(|| sum / probability)
    }

    fn forecast(&self, limit: &Limit) -> Option<Reach> {
        if self.plain.ramp < LEAST_FORECAST {
            return None;
        }
        let leaned: Vec<(f64, &Explanation)> = self.leaned().collect();
        forecast(&leaned, self.weighed.middle, limit)
    }
}

#[cfg(test)]
mod tests;
