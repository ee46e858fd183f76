//! All explanations of a series, weighed: over correlations from group to group, and with and without bad lots.
//!
//! The groups that stand out from what is explained, or from their neighbours, and the newest one, which no later group can speak for,
//! are tried as bad lots; the most probable of them is kept and the next one looked for beside it, as long as it helps.

use super::hypotheses::{Explanation, Given, explain};
use super::outcome::Kind;
use super::prior::{BAD_LOT, CORRELATIONS, MOST_BAD_LOTS};
use super::regression_rows::{Mean, Rows};
use super::segmentation::{Past, pasts};
use super::weights::{Observation, from_neighbours, median, weights};

/// Groups up to which an earlier change is looked for at every place; of more, at the likeliest.
const ALL_PLACES: usize = 40;
/// How many those are.
const LIKELIEST: usize = 16;
/// Relative rounding of what stands in sweep files, five digits (common practice, no source).
const FILE_ROUNDING: f64 = 1e-5;
/// An explanation so much less probable than the best of its kind says next to nothing.
const NEGLIGIBLE: f64 = 3e-3;
/// Changes of station, at most, where the newest may be off beside what moved.
const MOST_STATIONS: usize = 2;
/// Neighbours on each side that a group is compared with.
const NEIGHBOURS: usize = 2;

/// Explanations of a series, their weights adding up to 1, and what they were found with.
#[derive(Debug)]
pub(super) struct Weighed {
    pub(super) explanations: Vec<Explanation>,
    /// Sets of bad lots, each a list of observations.
    pub(super) sets: Vec<Vec<usize>>,
    /// Middle of the series, which levels count from.
    pub(super) middle: f64,
    search: Search,
}

#[derive(Debug)]
struct Search {
    means: Vec<Mean>,
    at_station: Vec<bool>,
    places: Vec<usize>,
    rounding: f64,
}

pub(super) fn weigh(observations: &[Observation]) -> Weighed {
    let mut values: Vec<f64> = observations.iter().map(|o| o.mean).collect();
    let middle = median(&mut values);
    let newest = observations.last().map_or(0, |o| o.place) as f64;
    let means: Vec<Mean> = observations
        .iter()
        .zip(weights(observations))
        .map(|(o, weight)| Mean { x: o.place as f64 - newest, y: o.mean - middle, weight })
        .collect();
    let rounding = (FILE_ROUNDING * middle.abs()).powi(2).max(f64::MIN_POSITIVE);
    let at_station = observations.iter().map(|o| o.new_station).collect();
    let places = (2..means.len().saturating_sub(2)).collect();
    let mut search = Search { means, at_station, places, rounding };
    search.narrow();
    let (mut explanations, mut sets) = (Vec::new(), vec![Vec::new()]);
    search.all(&[], 0, &mut explanations);
    let mut kept: Vec<Explanation> = explanations.clone();
    let mut best = total(&kept);
    for _ in 0..MOST_BAD_LOTS {
        let base = sets.get(kept.first().map_or(0, |e| e.set)).cloned().unwrap_or_default();
        let mut found: Option<(f64, Vec<Explanation>)> = None;
        for bad in search.candidates(&base, &kept) {
            let set: Vec<usize> = base.iter().copied().chain([bad]).collect();
            let mut tried = Vec::new();
            search.all(&set, sets.len(), &mut tried);
            sets.push(set);
            explanations.extend_from_slice(&tried);
            let sum = total(&tried);
            if found.as_ref().is_none_or(|(old, _)| sum > *old) {
                found = Some((sum, tried));
            }
        }
        let Some((sum, tried)) = found else { break };
        kept = tried;
        // A second bad lot is looked for only beside a first that is at least about as probable as none.
        if sum < best - 1.0 {
            break;
        }
        best = best.max(sum);
    }
    normalize(&mut explanations);
    Weighed { explanations, sets, middle, search }
}

/// Logarithm of the sum of weights.
fn total(explanations: &[Explanation]) -> f64 {
    sum(explanations.iter().map(|e| e.log_weight))
}

/// Logarithm of a sum of what logarithms are given of.
fn sum(logs: impl Iterator<Item = f64> + Clone) -> f64 {
    let most = logs.clone().fold(f64::NEG_INFINITY, f64::max);
    most + logs.map(|log| (log - most).exp()).sum::<f64>().ln()
}

/// Sets the weights, and drops the explanations that are least probable among those of their kind.
fn normalize(explanations: &mut Vec<Explanation>) {
    explanations.retain(|e| e.log_weight.is_finite());
    let (all, all_told) = (total(explanations), sum(explanations.iter().map(Explanation::log_told)));
    for explanation in explanations.iter_mut() {
        explanation.weight = (explanation.log_weight - all).exp();
        explanation.told = (explanation.log_told() - all_told).exp();
    }
    let mut kept: Vec<Explanation> = Vec::new();
    for kind in [Kind::None, Kind::Step, Kind::Ramp] {
        let of = || explanations.iter().filter(|e| e.kind == kind);
        let (all, all_told): (f64, f64) = (of().map(|e| e.weight).sum(), of().map(|e| e.told).sum());
        let best = of().map(|e| e.weight).fold(0.0, f64::max);
        let from = kept.len();
        // A kind beside which the others are certain has no weight at all.
        kept.extend(of().filter(|e| e.weight > 0.0 && e.weight >= NEGLIGIBLE * best).copied());
        let left: f64 = kept.iter().skip(from).map(|e| e.weight).sum();
        let left_told: f64 = kept.iter().skip(from).map(|e| e.told).sum();
        for explanation in kept.iter_mut().skip(from) {
            explanation.weight *= all / left;
            explanation.told *= all_told / left_told;
        }
    }
    *explanations = kept;
}

impl Search {
    fn rows(&self, set: &[usize], correlation: f64) -> Rows {
        let mut is_bad = vec![false; self.means.len()];
        for k in set {
            if let Some(slot) = is_bad.get_mut(*k) {
                *slot = true;
            }
        }
        Rows::new(&self.means, &is_bad, correlation)
    }

    /// First group of the newest station, where stations have not changed so often that an offset from one group on says little.
    fn station(&self) -> Option<usize> {
        let changes = || self.at_station.iter().enumerate().filter(|(_, is_new)| **is_new);
        let newest = changes().next_back().map(|(group, _)| group)?;
        (changes().count() <= MOST_STATIONS && newest + 2 <= self.means.len()).then_some(newest)
    }

    /// Variance of a row, as far as neighbours tell.
    fn variance(&self, set: &[usize], correlation: f64) -> f64 {
        let kept: Vec<&Mean> =
            self.means.iter().enumerate().filter(|(k, _)| !set.contains(k)).map(|(_, mean)| mean).collect();
        let values: Vec<f64> = kept.iter().map(|mean| mean.y).collect();
        let expected: Vec<f64> = kept.iter().map(|mean| mean.weight.powi(-2)).collect();
        (from_neighbours(&values, &expected) / (1.0 - correlation)).max(self.rounding)
    }

    fn pasts(&self, rows: &Rows, set: &[usize], correlation: f64) -> Vec<Past> {
        pasts(rows, &self.places, self.variance(set, correlation), &self.at_station)
    }

    /// Of many places keeps those of the most probable explanations without correlation and bad lots, and where their pasts are cut.
    fn narrow(&mut self) {
        if self.means.len() <= ALL_PLACES {
            return;
        }
        let rows = self.rows(&[], 0.0);
        let pasts = self.pasts(&rows, &[], 0.0);
        let mut explanations = Vec::new();
        explain(&rows, &pasts, &self.given(0, &[], 0.0, 0.0), &mut explanations);
        explanations.sort_by(|a, b| b.log_weight.total_cmp(&a.log_weight));
        let mut places: Vec<usize> = Vec::new();
        for explanation in &explanations {
            if places.len() >= LIKELIEST {
                break;
            }
            let mut end = explanation.from;
            while end > 0 && !places.contains(&end) {
                places.push(end);
                end = pasts.iter().find(|past| past.end == end).map_or(0, |past| past.start);
            }
        }
        places.sort_unstable();
        self.places = places;
    }

    fn given(&self, number: usize, set: &[usize], correlation: f64, prior: f64) -> Given {
        Given {
            correlation,
            set: number,
            bad_lots: set.len() as f64,
            prior,
            rounding: self.rounding,
            station: self.station(),
        }
    }

    fn all(&self, set: &[usize], number: usize, into: &mut Vec<Explanation>) {
        let odds = (BAD_LOT / (1.0 - BAD_LOT)).ln() * set.len() as f64;
        for (correlation, probability) in CORRELATIONS {
            let rows = self.rows(set, correlation);
            let pasts = self.pasts(&rows, set, correlation);
            let given = self.given(number, set, correlation, odds + probability.ln());
            explain(&rows, &pasts, &given, into);
        }
    }

    /// The group farthest from what is explained, the one farthest from its neighbours, and the newest.
    fn candidates(&self, set: &[usize], explanations: &[Explanation]) -> Vec<usize> {
        let fitted = self.fitted(explanations);
        let groups = || self.means.iter().enumerate().filter(|(k, _)| !set.contains(k));
        let farthest = |distance: &dyn Fn(usize, &Mean) -> f64| {
            groups()
                .map(|(k, mean)| (k, distance(k, mean)))
                .max_by(|(_, a), (_, b)| a.total_cmp(b))
                .map(|(k, _)| k)
        };
        let from_fit =
            |k: usize, mean: &Mean| (mean.y - fitted.get(k).copied().unwrap_or_default()).abs() * mean.weight;
        let from_neighbours = |k: usize, mean: &Mean| {
            let near = k.saturating_sub(NEIGHBOURS)..=k + NEIGHBOURS;
            let mut values: Vec<f64> = groups()
                .filter(|(other, _)| *other != k && near.contains(other))
                .map(|(_, other)| other.y)
                .collect();
            (mean.y - median(&mut values)).abs() * mean.weight
        };
        let newest = self.means.len().checked_sub(1).filter(|newest| !set.contains(newest));
        let mut found = Vec::new();
        for group in [farthest(&from_fit), farthest(&from_neighbours), newest].into_iter().flatten() {
            if !found.contains(&group) {
                found.push(group);
            }
        }
        found
    }

    /// The level of each group, averaged over explanations.
    fn fitted(&self, explanations: &[Explanation]) -> Vec<f64> {
        let most = explanations.iter().map(|e| e.log_weight).fold(f64::NEG_INFINITY, f64::max);
        let mut levels = vec![0.0; self.means.len()];
        let mut weights = 0.0;
        for explanation in explanations.iter().filter(|e| e.log_weight >= most + NEGLIGIBLE.ln()) {
            let weight = (explanation.log_weight - most).exp();
            weights += weight;
            for (group, (level, mean)) in levels.iter_mut().zip(&self.means).enumerate() {
                // What lies before the earlier changes is explained by them.
                let fitted = if group < explanation.from { mean.y } else { explanation.at(group, mean.x) };
                *level += weight * fitted;
            }
        }
        levels.iter_mut().for_each(|level| *level /= weights);
        levels
    }
}

/// One piece of the most probable past: first group, first group after it, its level at both ends.
#[derive(Debug, Clone, Copy)]
pub(super) struct Piece {
    pub(super) from: usize,
    pub(super) is_line: bool,
    pub(super) first: f64,
    pub(super) last: f64,
}

impl Weighed {
    /// The pieces of the past that an explanation stands on, oldest first; levels count from the middle.
    pub(super) fn past_of(&self, explanation: &Explanation) -> Vec<Piece> {
        let none = Vec::new();
        let set = self.sets.get(explanation.set).unwrap_or(&none);
        let rows = self.search.rows(set, explanation.correlation);
        let pasts = self.search.pasts(&rows, set, explanation.correlation);
        let (mut end, mut pieces) = (explanation.from, Vec::new());
        while let Some(past) = pasts.iter().find(|past| past.end == end && end > 0) {
            let sums = rows.part(past.start, end);
            let level = sums.by / sums.bb;
            let (first, last) = match sums.about_line().filter(|_| past.is_line) {
                Some((_, slope, at_0)) => (at_0 + slope * rows.x(past.start), at_0 + slope * rows.x(end - 1)),
                None => (level, level),
            };
            pieces.push(Piece { from: past.start, is_line: past.is_line, first, last });
            end = past.start;
        }
        pieces.reverse();
        pieces
    }
}
