//! How much a mean goes along with the one before: a few correlations, each weighed by how well it explains the groups.
//!
//! Means of lots may go along with the lot before. Each of [`CORRELATIONS`] is weighed by its prior and by how well it explains
//! the groups so far; the groups that follow have a say in it as well, at most [`LOOKAHEAD`]: an old signal may fade once many
//! groups show that such means wander.

use super::change_likelihood::{Chain, Mean, Split};

/// Correlations of a mean with the one before, and how probable each is beforehand. Chosen by simulation: more weight on the upper
/// ones holds false alarms of correlated means lower, and sees steps later.
const CORRELATIONS: [(f64, f64); 3] = [(0.0, 0.94), (0.5, 0.03), (0.8, 0.03)];
/// ln of the largest factor by which later groups change the odds of a correlation: 5.
const LOOKAHEAD: f64 = 1.609;
/// Newest groups that a change is looked for in. A step of one sigma is seen long before it is that old.
const WINDOW: usize = 50;
/// From this probability on the means are said to be correlated.
const SHOWN: f64 = 0.5;

pub(super) const COUNT: usize = CORRELATIONS.len();

/// ln of a sum of exponentials.
pub(super) fn ln_sum(terms: impl Iterator<Item = f64> + Clone) -> f64 {
    let most = terms.clone().fold(f64::NEG_INFINITY, f64::max);
    if most == f64::NEG_INFINITY {
        most
    } else {
        most + terms.map(|term| (term - most).exp()).sum::<f64>().ln()
    }
}

/// ln of the likelihoods under one correlation: without a change, and added up over the places of one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Evidence {
    pub(super) none: f64,
    pub(super) change: f64,
    places: f64,
}

impl Evidence {
    /// Of the correlation, a change as likely as none.
    pub(super) fn both(&self) -> f64 {
        let change = self.change - self.places.max(1.0).ln();
        ln_sum([self.none, change].into_iter()) - std::f64::consts::LN_2
    }
}

/// What all groups, to the newest one, say of the correlation.
pub(super) struct Foresight {
    /// For each monitored group: the evidence up to it.
    pub(super) upto: Vec<[Evidence; COUNT]>,
}

impl Foresight {
    pub(super) fn of(groups: &[Mean], setup: usize, floor: f64) -> Self {
        let mut live = Live::new(floor);
        let mut upto = Vec::with_capacity(groups.len());
        for (index, mean) in groups.iter().enumerate() {
            live.push(*mean);
            if index >= setup {
                upto.push(live.evidence(setup));
            }
        }
        Self { upto }
    }

    /// ln of the weight of each correlation at a monitored group: its prior, and what the groups after it say.
    pub(super) fn weights(&self, index: usize) -> [f64; COUNT] {
        let mut weights = CORRELATIONS.map(|(_, prior)| prior.ln());
        let Some((now, end)) = self.upto.get(index).zip(self.upto.last()) else { return weights };
        let later: Vec<f64> = now.iter().zip(end).map(|(now, end)| end.both() - now.both()).collect();
        let base = later.first().copied().unwrap_or(0.0);
        for (weight, later) in weights.iter_mut().zip(later) {
            *weight += (later - base).clamp(-LOOKAHEAD, LOOKAHEAD);
        }
        weights
    }
}

/// The groups that are learnt from.
#[derive(Debug, Clone)]
pub(super) struct Live {
    pub(super) chains: [Chain; COUNT],
    pub(super) floor: f64,
}

impl Live {
    pub(super) fn new(floor: f64) -> Self {
        Self { chains: CORRELATIONS.map(|(correlation, _)| Chain::new(correlation)), floor }
    }

    pub(super) fn push(&mut self, mean: Mean) {
        self.chains.iter_mut().for_each(|chain| chain.push(mean));
    }

    pub(super) fn truncate(&mut self, count: usize) {
        self.chains.iter_mut().for_each(|chain| chain.truncate(count));
    }

    pub(super) fn len(&self) -> usize {
        self.chains.first().map_or(0, Chain::len)
    }

    pub(super) fn places(&self, setup: usize) -> std::ops::Range<usize> {
        setup.max(self.len().saturating_sub(WINDOW))..self.len()
    }

    pub(super) fn evidence(&self, setup: usize) -> [Evidence; COUNT] {
        std::array::from_fn(|index| {
            let places = self.places(setup);
            let Some(chain) = self.chains.get(index) else {
                return Evidence { none: 0.0, change: 0.0, places: 1.0 };
            };
            let none = chain.none(self.floor);
            let likelihoods: Vec<f64> = places
                .clone()
                .filter_map(|place| Some(chain.split(place, none, self.floor)?.ln_likelihood))
                .collect();
            Evidence { none, change: ln_sum(likelihoods.iter().copied()), places: places.len() as f64 }
        })
    }

    /// The likeliest change in some places, over all correlations.
    pub(super) fn likeliest(&self, places: std::ops::Range<usize>, weights: &[f64; COUNT]) -> Option<Split> {
        let chains = self.chains.iter().zip(weights);
        let splits = chains.flat_map(|(chain, weight)| {
            let none = chain.none(self.floor);
            let splits = places.clone().filter_map(move |place| chain.split(place, none, self.floor));
            splits.map(move |split| (split.ln_likelihood + weight, split))
        });
        splits.max_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, split)| split)
    }

    /// Correlation of a mean with the one before, over all groups that are learnt from; `None` where none is shown.
    pub(super) fn correlation(&self, setup: usize) -> Option<f64> {
        let weights: Vec<f64> = CORRELATIONS
            .iter()
            .zip(self.evidence(setup))
            .map(|((_, prior), own)| prior.ln() + own.both())
            .collect();
        let all = ln_sum(weights.iter().copied());
        let shares = CORRELATIONS.iter().zip(&weights).map(|((rho, _), weight)| (*rho, (weight - all).exp()));
        let above: f64 = shares.clone().filter(|(rho, _)| *rho > 0.0).map(|(_, share)| share).sum();
        (above > SHOWN).then(|| shares.map(|(rho, share)| rho * share).sum::<f64>() / above)
    }
}
