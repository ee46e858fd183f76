//! The movement as it is told: values and intervals from all explanations, held against the limit.

use super::bad_lots::{Piece, Weighed, weigh};
use super::hypotheses::Explanation;
use super::mixture::{Part, crossing, quantile, together};
use super::outcome::{Earlier, Kind, Movement, Range, Since, Weights};
use super::prior::{
    CORRELATION_SHOWN, FEWEST_GROUPS, KIND_ALONE, LEAST_FORECAST, LEAST_RAMP, MOST_GROUPS, PAST_ALONE,
};
use super::weights::Observation;
use crate::decision::{Limit, meets};
use crate::drift::Reach;

/// Shares below the ends of a two-sided 95 % interval.
const LOW: f64 = 0.025;
const HIGH: f64 = 0.975;
/// The same for the size of a movement. Which explanations there are, and how probable they are, is itself not known exactly: with the tails as
/// they are the interval held 87 to 95 % of the sizes of small and of repeated movements. Chosen by simulation.
const SIZE_TAIL: f64 = 0.015;
/// Probability of wandering means from which on a signal is theirs.
const WANDERS: f64 = 0.5;
/// A movement signals where nothing moved is at most so many times as probable as a signal without a cause may be. Odds of c come about with
/// a chance of about c where nothing moves (Ville 1939, for proper priors; from memory), and by simulation with much less at one look;
/// over many looks it is held by no table.
const SIGNAL: f64 = 2.0;
/// A probability below this is none: beside it numbers overflow.
const NEARLY_NEVER: f64 = 1e-100;
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
        let threshold = relevant.or(way.nearest.map(|distance| RELEVANT_SHARE * distance.abs()));
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
        let ramps = || self.leaned().filter(|(_, e)| e.kind == Kind::Ramp);
        let mean: f64 = ramps().map(|(weight, e)| weight * e.size / e.span).sum();
        let (bound, sign, reaches) = if mean < 0.0 {
            (limit.min?, 1.0, Limit { max: None, ..*limit })
        } else {
            (limit.max?, -1.0, Limit { min: None, ..*limit })
        };
        if mean == 0.0 || self.plain.ramp < LEAST_FORECAST {
            return None;
        }
        let bound = bound - self.weighed.middle;
        // Whether the level lies beyond the bound so many groups ahead.
        let reached = |(weight, e): (f64, &Explanation), ahead: f64| {
            let ahead = if e.kind == Kind::Ramp { ahead / e.span } else { 0.0 };
            let below = |level: f64, level_variance: f64, covariance: f64| {
                let variance = level_variance + ahead * (2.0 * covariance + ahead * e.size_variance);
                let location = sign * (level + ahead * e.size - bound);
                let scale = variance.max(0.0).sqrt();
                Part { weight, location, scale, freedom: e.freedom }.below(0.0)
            };
            let now = below(e.level, e.level_variance, e.covariance);
            let before = e.beside.map_or(now, |b| below(b.level, b.level_variance, b.covariance));
            weight * 0.5 * (now + before)
        };
        let by = |ahead: f64| self.leaned().map(|part| reached(part, ahead)).sum::<f64>();
        let ramps_by = |ahead: f64| ramps().map(|part| reached(part, ahead)).sum::<f64>();
        let when = |rises: &dyn Fn(f64) -> f64, share: f64| {
            if rises(0.0) >= share {
                return Some(0.0);
            }
            let even = |log: f64| rises(log.exp_m1());
            let last = NEVER.ln_1p();
            (rises(NEVER) >= share).then(|| crossing(even, share, 0.0, last, 1e-9).exp_m1())
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::decision::Limit;

    const FREE: Limit = Limit { min: Some(-100.0), max: None };

    fn observations(values: &[f64]) -> Vec<Observation> {
        let all = values.iter().enumerate();
        all.map(|(place, &mean)| Observation { place, mean, units: 5, sd: Some(1.5), new_station: false })
            .collect()
    }

    fn told(values: &[f64], limit: &Limit) -> Told {
        movement(&observations(values), limit, None).unwrap()
    }

    /// Standard normal values, the same each time.
    fn noise(count: usize, seed: u64) -> Vec<f64> {
        use rand_distr::{Distribution, StandardNormal};
        use rand_pcg::{Pcg64, rand_core::SeedableRng};
        let mut random = Pcg64::seed_from_u64(seed);
        (0..count).map(|_| StandardNormal.sample(&mut random)).collect()
    }

    fn with(seed: u64, level: impl Fn(usize) -> f64) -> Vec<f64> {
        noise(24, seed).iter().enumerate().map(|(k, value)| value + level(k)).collect()
    }

    /// Means of a calm product of which each goes along with the one before (AR(1)) wander as far as movements do. They are seldom called
    /// moved, and where they look so it is said that these groups do not tell.
    #[test]
    fn means_that_wander_are_seldom_called_moved() {
        for (correlation, most) in [(0.5_f64, 60), (0.8, 100)] {
            let (mut moved, mut open) = (0, 0);
            for seed in 0..400 {
                let mut last = 0.0;
                let values: Vec<f64> = noise(24, 7000 + seed)
                    .into_iter()
                    .enumerate()
                    .map(|(k, fresh)| {
                        let share = if k == 0 { 1.0 } else { (1.0 - correlation * correlation).sqrt() };
                        last = correlation * last + share * fresh;
                        last
                    })
                    .collect();
                let of = |(place, mean): (usize, &f64)| Observation {
                    place,
                    mean: *mean,
                    units: 5,
                    sd: Some(1e-3),
                    new_station: false,
                };
                let series: Vec<Observation> = values.iter().enumerate().map(of).collect();
                let found = movement(&series, &FREE, None).unwrap().movement;
                moved += usize::from(found.kind != Kind::None);
                open += usize::from(found.perhaps.is_some());
                assert!(found.kind == Kind::None || found.perhaps.is_none(), "{found:?}");
            }
            println!("{correlation}: {moved} moved, {open} open of 400");
            assert!(moved < most && open > 10, "{correlation}: {moved} {open}");
        }
    }

    /// Another station is off by 1.2 standard deviations of a mean, and nobody knows which of the two is right.
    #[test]
    fn a_forecast_holds_the_truth_whatever_another_station_makes_of_it() {
        let (mut held, mut slopes, tries) = (0, 0, 400);
        for seed in 0..tries {
            let off = if seed % 2 == 0 { 1.2 } else { -1.2 };
            let at = 6 + (seed % 12) as usize;
            let values = with(9000 + seed, |k| {
                (if k >= at { off } else { 0.0 }) - 0.3 * (k + 1).saturating_sub(8) as f64
            });
            let mut series = observations(&values);
            series[at].new_station = true;
            // The product stands at -4.8 in the newest group.
            let found = movement(&series, &Limit { min: Some(-7.8), max: None }, None).unwrap();
            let ahead = found.forecast;
            held += usize::from(ahead.is_some_and(|ahead| {
                ahead.low.is_some_and(|low| low <= 10.0) && ahead.high.is_none_or(|high| high >= 10.0)
            }));
            let slope = found.movement.slope;
            slopes += usize::from(slope.low <= -0.3 && slope.high >= -0.3);
        }
        println!("{held} forecasts, {slopes} slopes of {tries}");
        assert!(held * 100 > 92 * tries as usize && slopes * 100 > 92 * tries as usize, "{held} {slopes}");
    }

    /// Nothing overflows where one explanation is the only one by hundreds of orders of magnitude: long histories whose newest groups
    /// lie thousands of standard deviations off.
    #[test]
    fn what_is_beyond_all_doubt_is_told() {
        for (newest, size) in [(1, 8e2), (2, 8e2), (2, 1e6), (40, 1e5), (150, -1e7)] {
            let values: Vec<f64> = noise(300, 5)
                .iter()
                .enumerate()
                .map(|(k, v)| 50.0 + v + if k + newest >= 300 { size } else { 0.0 })
                .collect();
            let told = told(&values, &Limit { min: Some(10.0), max: Some(2e3) });
            let moved = told.movement;
            let sum = moved.probability.none + moved.probability.step + moved.probability.ramp;
            assert!((sum - 1.0).abs() < 1e-6, "{moved:?}");
            for range in [moved.size, moved.slope, moved.level] {
                assert!(range.low <= range.value && range.value <= range.high, "{newest} {size}: {moved:?}");
            }
            assert!(newest < 3 || moved.kind == Kind::Step, "{newest} {size}: {moved:?}");
        }
    }

    /// Annual flow of the Nile at Aswan, 1871 to 1970, 1e8 m3: one step after 1898 (G. W. Cobb, *The problem of the Nile*, Biometrika 65,
    /// 1978; values from memory). Means before and after 1098 and 850: any table of them.
    #[test]
    fn the_nile_stepped_in_1899() {
        let flow = [
            1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180,
            799, 958, 1140, 1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833,
            701, 916, 692, 1020, 1050, 969, 831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845,
            864, 862, 698, 845, 744, 796, 1040, 759, 781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649,
            846, 812, 742, 801, 1040, 860, 874, 848, 890, 744, 749, 838, 1050, 918, 986, 797, 923, 975, 815,
            1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740,
        ];
        let values: Vec<f64> = flow.iter().map(|value| f64::from(*value)).collect();
        let moved = told(&values, &Limit { min: Some(400.0), max: None }).movement;
        assert_eq!(moved.kind, Kind::Step, "{moved:?}");
        let since = moved.since.unwrap();
        assert_eq!(1871 + since.group, 1899, "{moved:?}");
        assert!(moved.probability.step > 0.8 && since.low >= 24 && since.high <= 30, "{moved:?}");
        assert!(moved.size.low < -248.0 && moved.size.high > -248.0 && moved.size.high < -150.0, "{moved:?}");
    }

    /// Only the unit changes: what is told follows it.
    #[test]
    fn a_shift_changes_nothing_and_a_scale_scales() {
        for seed in 0..4 {
            let values = with(seed, |k| -0.4 * k.saturating_sub(9) as f64);
            let plain = told(&values, &Limit { min: Some(-15.0), max: None });
            let scaled: Vec<Observation> = observations(&values)
                .into_iter()
                .map(|o| Observation { mean: 1e-6 * (o.mean + 40.0), sd: o.sd.map(|sd| 1e-6 * sd), ..o })
                .collect();
            let limit = Limit { min: Some(25e-6), max: None };
            let other = movement(&scaled, &limit, None).unwrap();
            let (a, b) = (&plain.movement, &other.movement);
            assert_eq!((a.kind, a.since, a.relevant), (b.kind, b.since, b.relevant));
            let pairs = [
                (a.probability.ramp, b.probability.ramp),
                (a.size.low, 1e6 * b.size.low),
                (a.slope.high, 1e6 * b.slope.high),
                (a.level.value + 40.0, 1e6 * b.level.value),
                (plain.forecast.unwrap().in_groups, other.forecast.unwrap().in_groups),
            ];
            for (a, b) in pairs {
                assert!((a - b).abs() < 1e-3 * a.abs().max(1.0), "{a} {b}");
            }
        }
    }

    #[test]
    fn a_step_seen_backwards_is_the_opposite_step() {
        let values = with(3, |k| if k < 14 { 0.0 } else { 5.0 });
        let mut backwards = values.clone();
        backwards.reverse();
        let (a, b) = (told(&values, &FREE).movement, told(&backwards, &FREE).movement);
        assert_eq!((a.kind, b.kind), (Kind::Step, Kind::Step));
        assert_eq!(a.since.unwrap().group, 24 - b.since.unwrap().group);
        assert!((a.size.value + b.size.value).abs() < 0.3, "{} {}", a.size.value, b.size.value);
    }

    #[test]
    fn probabilities_add_up_and_values_lie_in_their_intervals() {
        for seed in 0..20 {
            let values = with(seed, |k| -0.2 * k.saturating_sub(seed as usize) as f64);
            let told = told(&values, &Limit { min: Some(-8.0), max: None });
            let moved = told.movement;
            let Weights { none, step, ramp } = moved.probability;
            assert!((none + step + ramp - 1.0).abs() < 1e-9, "{moved:?}");
            for range in [moved.size, moved.slope, moved.level] {
                assert!(range.low <= range.value && range.value <= range.high, "{moved:?}");
            }
            if let Some(since) = moved.since {
                assert!(
                    since.low <= since.group && since.group <= since.high && since.high < 24,
                    "{moved:?}"
                );
            }
            assert_eq!(moved.kind == Kind::None, moved.since.is_none());
            if let Some(Reach { in_groups, low, high, .. }) = told.forecast {
                assert!(low.is_none_or(|low| low <= in_groups), "{moved:?}");
                assert!(high.is_none_or(|high| high >= in_groups), "{moved:?}");
            }
        }
    }

    /// One bad lot, wherever it is, the newest included, makes neither a step nor a ramp; it is named.
    #[test]
    fn one_bad_lot_is_no_movement() {
        for place in 0..24 {
            for size in [12.0, -60.0] {
                let values = with(5, |k| if k == place { size } else { 0.0 });
                let moved = told(&values, &FREE).movement;
                assert_eq!(moved.kind, Kind::None, "{size} at {place}: {moved:?}");
                assert_eq!(moved.left_out, [place], "{size} at {place}: {moved:?}");
                // Of the newest group alone it stays open whether the level is there.
                assert!(place == 23 || moved.level.value.abs() < 1.0, "{moved:?}");
            }
        }
        let two = with(5, |k| if k >= 22 { 12.0 } else { 0.0 });
        let moved = told(&two, &FREE).movement;
        assert_eq!((moved.kind, moved.since.unwrap().group), (Kind::Step, 22), "two groups are a step");
    }

    /// A step up, later a creep: the creep counts, the step is told.
    #[test]
    fn of_several_changes_the_newest_counts() {
        let values = with(2, |k| {
            let step = if k < 6 { 0.0 } else { 9.0 };
            step - 0.8 * k.saturating_sub(13) as f64
        });
        let told = told(&values, &Limit { min: Some(-4.0), max: None });
        let moved = told.movement;
        assert_eq!(moved.kind, Kind::Ramp, "{moved:?}");
        assert!(moved.slope.low < -0.8 && moved.slope.high > -0.8, "{moved:?}");
        assert_eq!(moved.earlier.len(), 1, "{moved:?}");
        assert_eq!((moved.earlier[0].kind, moved.earlier[0].since), (Kind::Step, 6));
        assert!((moved.earlier[0].size - 9.0).abs() < 1.5, "{moved:?}");
        // From 9 - 7.2 = 1.8 down to -4.
        let ahead = told.forecast.unwrap();
        assert!(ahead.low.unwrap() < 7.25 && ahead.high.is_none_or(|high| high > 7.25), "{ahead:?}");
    }

    /// A ramp that has ended is not the present slope.
    #[test]
    fn what_has_levelled_does_not_move() {
        let values = with(4, |k| -1.5 * k.clamp(6, 14) as f64);
        let moved = told(&values, &FREE).movement;
        assert_ne!(moved.kind, Kind::Ramp, "{moved:?}");
        assert!(moved.slope.low <= 0.0 && moved.slope.high >= 0.0, "{moved:?}");
    }

    #[test]
    fn the_way_to_the_limit_and_what_matters() {
        let values = with(1, |k| if k < 12 { 50.0 } else { 46.0 });
        let towards = told(&values, &Limit { min: Some(40.0), max: None }).movement;
        assert!(towards.towards_limit && towards.relevant, "{towards:?}");
        assert!((towards.share_eaten - 0.4).abs() < 0.1, "{towards:?}");
        assert!((towards.threshold.unwrap() - 1.0).abs() < 0.1, "{towards:?}");
        let away = told(&values, &Limit { min: None, max: Some(60.0) }).movement;
        assert!(!away.towards_limit && !away.relevant && away.share_eaten < 0.0, "{away:?}");
        let small =
            movement(&observations(&values), &Limit { min: Some(40.0), max: None }, Some(9.0)).unwrap();
        assert!(small.movement.towards_limit && !small.movement.relevant);
        let limit = Limit { min: Some(40.0), max: None };
        assert!(small.movement.is_harmless(-4.0, 50.0, &limit) && !towards.is_harmless(-4.0, 50.0, &limit));
        assert!(
            !small.movement.is_harmless(-9.5, 50.0, &limit),
            "a lot that is off by more is no small thing"
        );
    }

    #[test]
    fn few_groups_constant_ones_and_thousands() {
        assert_eq!(movement(&observations(&[1.0; 4]), &FREE, None), None);
        let constant = told(&[52.0; 9], &FREE).movement;
        assert_eq!(constant.kind, Kind::None, "{constant:?}");
        assert_eq!(told(&[0.0; 9], &FREE).movement.kind, Kind::None);
        let made_up = told(&[5.0, 5.0, 5.0, 5.0, 6.0, 6.0, 6.0], &FREE).movement;
        assert_eq!((made_up.kind, made_up.since.unwrap().group), (Kind::Step, 4), "{made_up:?}");
        let long: Vec<f64> =
            noise(2_000, 8).iter().enumerate().map(|(k, v)| v + if k < 1_900 { 0.0 } else { 4.0 }).collect();
        let moved = told(&long, &FREE).movement;
        assert_eq!(moved.kind, Kind::Step);
        assert!(moved.since.unwrap().group.abs_diff(1_900) <= 1, "{moved:?}");
    }

    /// Lots that follow each other closely: no trend is shown where none is, and the correlation is told.
    #[test]
    fn correlated_lots_show_no_trend() {
        let mut shown = 0;
        let mut named = 0;
        for seed in 0..60 {
            let mut last = 0.0;
            let values: Vec<f64> = noise(40, 900 + seed)
                .iter()
                .map(|value| {
                    last = 0.8 * last + 0.6 * value;
                    last
                })
                .collect();
            let moved = told(&values, &FREE).movement;
            shown += usize::from(moved.slope.excludes_zero());
            named += usize::from(moved.correlation.is_some_and(|r| r > 0.3));
        }
        // 5 % and three standard errors; blind would be none named.
        assert!(shown <= 8 && named >= 20, "{shown} {named}");
    }
}
