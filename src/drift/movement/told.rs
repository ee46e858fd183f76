//! The movement as it is told: values and intervals from all explanations, held against the limit.

use super::bad_lots::{Piece, Weighed, weigh};
use super::explain::Explanation;
use super::mixture::{Part, crossing, quantile, together};
use super::outcome::{Earlier, Kind, Movement, Range, Since, Weights};
use super::prior::{CORRELATION_SHOWN, FEWEST_GROUPS, LEAST_FORECAST, LEAST_RAMP, MOST_GROUPS, RAMP_ALONE};
use super::spread::Observation;
use crate::decision::{Limit, meets};
use crate::drift::Reach;

/// Shares below the ends of a two-sided 95 % interval.
const LOW: f64 = 0.025;
const HIGH: f64 = 0.975;
/// Groups ahead that count as never.
const NEVER: f64 = 1e5;
/// Smallest movement worth an action where nobody says it, as a share of the distance from the level before to the nearest limit.
const RELEVANT_SHARE: f64 = 0.1;
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
    probability: Weights,
    kind: Kind,
}

/// Mean and 95 % interval.
fn range(parts: &[Part]) -> Range {
    let (low, high) = (quantile(parts, LOW), quantile(parts, HIGH));
    let value: f64 = parts.iter().map(|part| part.weight * part.location).sum();
    let high = high.max(low);
    Range { value: value.clamp(low, high), low, high }
}

impl<'a> Teller<'a> {
    fn new(weighed: &'a Weighed, observations: &'a [Observation]) -> Self {
        let sum = |kind| weighed.explanations.iter().filter(|e| e.kind == kind).map(|e| e.weight).sum();
        let probability = Weights { none: sum(Kind::None), step: sum(Kind::Step), ramp: sum(Kind::Ramp) };
        Self { weighed, observations, probability, kind: probability.kind() }
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

    /// Factors on the weights of ramps and of the others, where the present slope is asked for.
    fn leaning(&self) -> (f64, f64) {
        let ramp = self.probability.ramp;
        if ramp >= RAMP_ALONE {
            (1.0 / ramp, 0.0)
        } else if ramp > 0.0 && ramp < LEAST_RAMP {
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
        let size = range(&self.parts(|e| (e.size, e.size_variance)));
        let slope = self.slope();
        let numbers = [level.value, level.low, level.high, size.low, size.high, slope.low, slope.high];
        if numbers.iter().any(|number| !number.is_finite()) {
            return None;
        }
        let way = Way::new(level.value - size.value, size.value, limit);
        let threshold = relevant.or(way.nearest.map(|distance| RELEVANT_SHARE * distance.abs()));
        let shown_small = threshold.is_some_and(|least| size.low.abs().max(size.high.abs()) < least);
        let moved = self.kind != Kind::None;
        Some(Movement {
            kind: self.kind,
            probability: self.probability,
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
        let moved = |e: &Explanation| e.kind != Kind::None;
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
        let Some(best) = best.filter(|_| after > 0.5 * self.probability.of(self.kind)) else {
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
        let ramps = || self.leaned().filter(|(_, e)| e.kind == Kind::Ramp);
        let mean: f64 = ramps().map(|(weight, e)| weight * e.size / e.span).sum();
        let (bound, sign, reaches) = if mean < 0.0 {
            (limit.min?, 1.0, Limit { max: None, ..*limit })
        } else {
            (limit.max?, -1.0, Limit { min: None, ..*limit })
        };
        if mean == 0.0 || self.probability.ramp < LEAST_FORECAST {
            return None;
        }
        let bound = bound - self.weighed.middle;
        // Whether the level lies beyond the bound so many groups ahead.
        let reached = |(weight, e): (f64, &Explanation), ahead: f64| {
            let ahead = if e.kind == Kind::Ramp { ahead / e.span } else { 0.0 };
            let variance = e.level_variance + ahead * (2.0 * e.covariance + ahead * e.size_variance);
            let distance = sign * (e.level + ahead * e.size - bound);
            let part =
                Part { weight, location: distance, scale: variance.max(0.0).sqrt(), freedom: e.freedom };
            weight * part.below(0.0)
        };
        let by = |ahead: f64| self.leaned().map(|part| reached(part, ahead)).sum::<f64>();
        let ramps_by = |ahead: f64| ramps().map(|part| reached(part, ahead)).sum::<f64>();
        let when = |rises: &dyn Fn(f64) -> f64, share: f64| {
            if rises(0.0) >= share {
                return Some(0.0);
            }
            let even = |log: f64| rises(log.exp_m1());
            let last = NEVER.ln_1p();
            (rises(NEVER) >= share).then(|| crossing(even, share, 0.0, last, 1e-5).exp_m1())
        };
        let in_groups = when(&ramps_by, 0.5 * ramps_by(NEVER))?;
        let low = when(&by, LOW).map(|low| low.min(in_groups));
        let high = when(&by, HIGH).map(|high| high.max(in_groups));
        Some(Reach { limit: reaches, in_groups, low, high })
    }
}

/// Where a change leads.
struct Way {
    towards: bool,
    share: f64,
    /// Distance from the level before to the nearest limit.
    nearest: Option<f64>,
}

impl Way {
    fn new(before: f64, size: f64, limit: &Limit) -> Self {
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
}

impl Movement {
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
