//! A chart that keeps learning: has the level changed at some group since the setup?
//!
//! Centre and spread are not taken from the setup groups alone but, at each group, from all of them that are in control: the
//! change-point model with unknown mean and variance (D. M. Hawkins, P. Qiu and C. W. Kang, J. Quality Technology 35, 2003;
//! from memory). Instead of the largest two-sample statistic over the places where the level may have changed, the odds of a
//! change are added up over the places (Shiryaev and Roberts; M. Pollak, Annals of Statistics 13, 1985; from memory): that sees a
//! step of two sigma right after eight setup groups in 46 instead of 36 of 100 histories within five groups. Level and spread
//! are integrated out; the size of the change is normal with the variance of one group (unit information: R. E. Kass and
//! L. Wasserman, J. American Statistical Association 90, 1995; from memory).
//!
//! Means of lots may go along with the lot before. Each of [`CORRELATIONS`] is weighed by its prior and by how well it explains
//! the groups so far; the groups that follow have a say in it as well, at most [`LOOKAHEAD`]: an old signal may fade once many
//! groups show that such means wander.

use super::limits::{chance, ln_limit};

/// Correlations of a mean with the one before, and how probable each is beforehand. Chosen by simulation: more weight on the upper
/// ones holds false alarms of correlated means lower, and sees steps later.
const CORRELATIONS: [(f64, f64); 3] = [(0.0, 0.94), (0.5, 0.03), (0.8, 0.03)];
/// ln of the largest factor by which later groups change the odds of a correlation: 5.
const LOOKAHEAD: f64 = 1.609;
/// Newest groups that a change is looked for in. A step of one sigma is seen long before it is that old.
pub(super) const WINDOW: usize = 50;
/// Variance of the size of a change, in that of a group.
const SIZE: f64 = 1.0;
/// Share of sigma that the newest group must lie off by, to the side of the change, to signal: as the allowance of sums.
const OFF: f64 = 0.5;
/// Standard deviations beyond which no limit is drawn.
const FARTHEST: f64 = 20.0;
/// From this probability on the means are said to be correlated.
const SHOWN: f64 = 0.5;

/// A group as this chart takes it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mean {
    /// Mean of the group.
    pub value: f64,
    /// Variance expected of it, as a multiple of that of a usual group; above 0.
    pub variance: f64,
}

/// What the chart came to at one monitored group.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Learnt {
    /// Chance that a chart in control comes as far within [`super::HORIZON`] groups.
    pub chance: f64,
    /// Whether it signals at the rate asked for.
    pub is_signal: bool,
    /// Where the level most likely changed: place among the monitored groups.
    pub since: usize,
    /// Level before, in the quantity's unit.
    pub before: f64,
    /// Level since then.
    pub level: f64,
    /// Spread of a usual group's mean about both.
    pub sigma: f64,
    /// Monitored groups that it has learnt from, this one included.
    learnt: usize,
    ln_odds: f64,
    split: Split,
}

/// The chart over the monitored groups.
#[derive(Debug, Clone, PartialEq)]
pub struct ChangePointRun {
    /// A step for each monitored group.
    pub steps: Vec<Learnt>,
    /// Correlation of a mean with the one before; `None` where none is shown.
    pub correlation: Option<f64>,
    setup: usize,
}

impl ChangePointRun {
    /// Between which two values the level since the change may lie at a rate of false alarms, of the step's group.
    #[must_use]
    pub fn lines(&self, step: &Learnt, target: f64) -> [f64; 2] {
        let more = ln_limit(self.setup, step.learnt, target) - step.ln_odds;
        let (size, far) = ((step.level - step.before).abs(), FARTHEST * step.sigma);
        let half = match step.split.size_for(more) {
            Some(half) => (half * step.sigma).min(far.max(1.05 * size)),
            None => far.max(1.05 * size),
        };
        [step.before - half, step.before + half]
    }
}

/// Runs the chart over groups, of which the first `setup` set it up. `floor`: least standard deviation that a usual group's mean can
/// have, in the unit of the values, above 0. `target`: chance of any signal within [`super::HORIZON`] groups in control.
/// `None` with fewer than 2 setup groups or none after them.
#[must_use]
pub fn changepoint(groups: &[Mean], setup: usize, floor: f64, target: f64) -> Option<ChangePointRun> {
    let first = groups.get(..setup).filter(|first| first.len() > 1 && groups.len() > setup)?;
    let center = first.iter().map(|mean| mean.value).sum::<f64>() / setup as f64;
    let spread = first.iter().map(|mean| (mean.value - center).powi(2)).sum::<f64>() / (setup - 1) as f64;
    let scale = spread.sqrt().max(floor);
    let scaled: Vec<Mean> = groups
        .iter()
        .map(|mean| Mean { value: (mean.value - center) / scale, variance: mean.variance })
        .collect();
    let foresight = Foresight::of(&scaled, setup, floor / scale);
    let mut watch = Watch {
        live: Live::new(floor / scale),
        setup,
        target,
        origin: Vec::new(),
        open: None,
        is_whole: true,
    };
    scaled.iter().take(setup).enumerate().for_each(|(index, mean)| watch.learn(index, *mean));
    let rest = scaled.iter().enumerate().skip(setup);
    let steps = rest.map(|(index, mean)| {
        let step = watch.step(index, *mean, &scaled, &foresight);
        Learnt {
            before: center + scale * step.before,
            level: center + scale * step.level,
            sigma: scale * step.sigma,
            ..step
        }
    });
    let steps = steps.collect();
    Some(ChangePointRun { steps, correlation: watch.correlation(), setup })
}

const COUNT: usize = CORRELATIONS.len();

/// ln of a sum of exponentials.
fn ln_sum(terms: impl Iterator<Item = f64> + Clone) -> f64 {
    let most = terms.clone().fold(f64::NEG_INFINITY, f64::max);
    if most == f64::NEG_INFINITY {
        most
    } else {
        most + terms.map(|term| (term - most).exp()).sum::<f64>().ln()
    }
}

/// ln of the likelihoods under one correlation: without a change, and added up over the places of one.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Evidence {
    none: f64,
    change: f64,
    places: f64,
}

impl Evidence {
    /// Of the correlation, a change as likely as none.
    fn both(&self) -> f64 {
        let change = self.change - self.places.max(1.0).ln();
        ln_sum([self.none, change].into_iter()) - std::f64::consts::LN_2
    }
}

/// What all groups, to the newest one, say of the correlation.
struct Foresight {
    /// For each monitored group: the evidence up to it.
    upto: Vec<[Evidence; COUNT]>,
}

impl Foresight {
    fn of(groups: &[Mean], setup: usize, floor: f64) -> Self {
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
    fn weights(&self, index: usize) -> [f64; COUNT] {
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

/// Means under one correlation, whitened, with running sums: any place of a change costs the same.
#[derive(Debug, Clone)]
struct Chain {
    correlation: f64,
    /// What each mean tells of the level, and itself.
    rows: Vec<Row>,
    /// ... and of a level that begins at it.
    sums: Vec<Sums>,
}

#[derive(Debug, Clone, Copy)]
struct Row {
    level: f64,
    value: f64,
    jump: f64,
    root: f64,
    mean: f64,
}

#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    level: f64,
    cross: f64,
    value: f64,
}

/// A change at one place.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Split {
    ln_likelihood: f64,
    place: usize,
    before: f64,
    size: f64,
    /// Residual sum of squares about both levels.
    rest: f64,
    /// What is known of the size, in groups.
    known: f64,
    count: usize,
}

impl Split {
    fn sigma(&self) -> f64 {
        (self.rest / (self.count.max(3) - 2) as f64).sqrt()
    }

    fn shrunk(&self) -> f64 {
        SIZE * self.known / (1.0 + SIZE * self.known)
    }

    fn squares(&self) -> f64 {
        self.known * self.size * self.size
    }

    /// ln of how much better a change here explains the means than none.
    fn ln_odds(&self) -> f64 {
        let (squares, shrunk) = (self.squares(), self.shrunk());
        let fit = (self.rest + squares) / (self.rest + squares * (1.0 - shrunk));
        0.5 * (self.count as f64 - 1.0) * fit.ln() - 0.5 * (1.0 + SIZE * self.known).ln()
    }

    /// The size, in sigma, whose odds are larger by a factor, given as its logarithm; `None` where none is.
    fn size_for(&self, ln_more: f64) -> Option<f64> {
        let (squares, shrunk) = (self.squares(), self.shrunk());
        let power = 0.5 * (self.count as f64 - 1.0);
        let own = power * ((self.rest + squares) / (self.rest + squares * (1.0 - shrunk))).ln();
        let ratio = ((own + ln_more) / power).exp();
        let below = 1.0 - ratio * (1.0 - shrunk);
        let squares = self.rest * (ratio - 1.0).max(0.0) / below;
        (below > 0.0).then(|| (squares / self.known).sqrt() / self.sigma())
    }
}

impl Chain {
    fn push(&mut self, mean: Mean) {
        let root = 1.0 / mean.variance.sqrt();
        let scale = 1.0 / (1.0 - self.correlation * self.correlation).sqrt();
        let row = match self.rows.last() {
            None => Row { level: root, value: root * mean.value, jump: root, root, mean: mean.value },
            Some(before) => Row {
                level: scale * (root - self.correlation * before.root),
                value: scale * (root * mean.value - self.correlation * before.root * before.mean),
                jump: scale * root,
                root,
                mean: mean.value,
            },
        };
        let sums = self.sums.last().copied().unwrap_or_default();
        self.sums.push(Sums {
            level: sums.level + row.level * row.level,
            cross: sums.cross + row.level * row.value,
            value: sums.value + row.value * row.value,
        });
        self.rows.push(row);
    }

    /// ln of the likelihood for a residual sum of squares, level and spread integrated out.
    fn ln_likelihood(&self, all: &Sums, squares: f64, floor: f64) -> f64 {
        let more = self.rows.len() as f64 - 1.0;
        let spread = -0.5 * more * (1.0 - self.correlation * self.correlation).ln();
        spread - 0.5 * all.level.ln() - 0.5 * more * squares.max(more * floor * floor).ln()
    }

    fn none(&self, floor: f64) -> f64 {
        let all = self.sums.last().copied().unwrap_or_default();
        self.ln_likelihood(&all, all.value - all.cross * all.cross / all.level, floor)
    }

    /// With a change at a place, 1 or later. `none`: the likelihood without one.
    fn split(&self, place: usize, none: f64, floor: f64) -> Option<Split> {
        let (row, upto, all) = (self.rows.get(place)?, self.sums.get(place)?, self.sums.last()?);
        let after = Sums { level: all.level - upto.level, cross: all.cross - upto.cross, value: 0.0 };
        let own = row.jump * row.jump + after.level;
        let shared = row.jump * row.level + after.level;
        let cross = row.jump * row.value + after.cross;
        let known = own - shared * shared / all.level;
        let told = cross - shared * all.cross / all.level;
        let squares = all.value - all.cross * all.cross / all.level;
        let size = told / known;
        let count = self.rows.len();
        let least = (count as f64 - 1.0) * floor * floor;
        let rest = (squares - told * size).max(least);
        let before = (all.cross - shared * size) / all.level;
        let split = Split { ln_likelihood: none, place, before, size, rest, known, count };
        Some(Split { ln_likelihood: none + split.ln_odds(), ..split })
    }
}

/// The groups that are learnt from.
#[derive(Debug, Clone)]
struct Live {
    chains: [Chain; COUNT],
    floor: f64,
}

impl Live {
    fn new(floor: f64) -> Self {
        let chains =
            CORRELATIONS.map(|(correlation, _)| Chain { correlation, rows: Vec::new(), sums: Vec::new() });
        Self { chains, floor }
    }

    fn push(&mut self, mean: Mean) {
        self.chains.iter_mut().for_each(|chain| chain.push(mean));
    }

    fn truncate(&mut self, count: usize) {
        for chain in &mut self.chains {
            chain.rows.truncate(count);
            chain.sums.truncate(count);
        }
    }

    fn len(&self) -> usize {
        self.chains.first().map_or(0, |chain| chain.rows.len())
    }

    fn places(&self, setup: usize) -> std::ops::Range<usize> {
        setup.max(self.len().saturating_sub(WINDOW))..self.len()
    }

    fn evidence(&self, setup: usize) -> [Evidence; COUNT] {
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
    fn likeliest(&self, places: std::ops::Range<usize>, weights: &[f64; COUNT]) -> Option<Split> {
        let chains = self.chains.iter().zip(weights);
        let splits = chains.flat_map(|(chain, weight)| {
            let none = chain.none(self.floor);
            let splits = places.clone().filter_map(move |place| chain.split(place, none, self.floor));
            splits.map(move |split| (split.ln_likelihood + weight, split))
        });
        splits.max_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, split)| split)
    }
}

/// A deviation that lasts.
#[derive(Debug, Clone, Copy)]
struct Open {
    /// Where it began, among the live groups.
    place: usize,
    /// The newest live group that signalled.
    last: usize,
}

struct Watch {
    live: Live,
    setup: usize,
    target: f64,
    /// Which groups are live.
    origin: Vec<usize>,
    open: Option<Open>,
    /// Whether no group was left out yet.
    is_whole: bool,
}

impl Watch {
    fn learn(&mut self, index: usize, mean: Mean) {
        self.live.push(mean);
        self.origin.push(index);
    }

    fn step(&mut self, index: usize, mean: Mean, groups: &[Mean], foresight: &Foresight) -> Learnt {
        self.learn(index, mean);
        let monitored = index - self.setup;
        let weights = foresight.weights(monitored);
        let places = match self.open {
            Some(open) => open.place..open.place + 1,
            None => self.live.places(self.setup),
        };
        let split = self.live.likeliest(places, &weights).unwrap_or(NOTHING);
        let ln_odds = self.ln_odds(&split, monitored, &weights, foresight);
        let learnt = self.live.len() - self.setup;
        let chance = chance(self.setup, learnt, ln_odds);
        let allowed = OFF * split.sigma();
        let off = |mean: &Mean| (mean.value - split.before) * split.size.signum();
        let is_signal = chance <= self.target && off(&mean) > allowed * mean.variance.sqrt();
        let since = self.origin.get(split.place).map_or(monitored, |group| group - self.setup);
        if is_signal {
            let last = self.live.len() - 1;
            self.open = Some(Open { place: self.open.map_or(split.place, |open| open.place), last });
        } else if index
            .checked_sub(1)
            .and_then(|before| groups.get(before))
            .is_none_or(|before| off(&mean) + off(before) <= 2.0 * allowed)
        {
            self.close(groups);
        }
        let (before, level, sigma) = (split.before, split.before + split.size, split.sigma());
        Learnt { chance, is_signal, since, before, level, sigma, learnt, ln_odds, split }
    }

    fn ln_odds(&self, split: &Split, monitored: usize, weights: &[f64; COUNT], foresight: &Foresight) -> f64 {
        if self.open.is_some() {
            let floor = self.live.floor;
            let at = |chain: &Chain| {
                chain.split(split.place, chain.none(floor), floor).map(|split| split.ln_likelihood)
            };
            let chains = self.live.chains.iter().zip(weights);
            return ln_sum(chains.clone().filter_map(|(chain, weight)| Some(at(chain)? + weight)))
                - ln_sum(chains.map(|(chain, weight)| chain.none(floor) + weight));
        }
        // As long as all groups are learnt from, it was found already.
        let found = foresight.upto.get(monitored).filter(|_| self.is_whole).copied();
        let evidence = found.unwrap_or_else(|| self.live.evidence(self.setup));
        let all = evidence.iter().zip(weights);
        ln_sum(all.clone().map(|(own, weight)| own.change + weight))
            - ln_sum(all.map(|(own, weight)| own.none + weight))
    }

    /// Correlation of a mean with the one before, of the groups in control; `None` where none is shown.
    fn correlation(&self) -> Option<f64> {
        let mut calm = self.live.clone();
        calm.truncate(self.open.map_or(calm.len(), |open| open.place));
        let weights: Vec<f64> = CORRELATIONS
            .iter()
            .zip(calm.evidence(self.setup))
            .map(|((_, prior), own)| prior.ln() + own.both())
            .collect();
        let all = ln_sum(weights.iter().copied());
        let shares = CORRELATIONS.iter().zip(&weights).map(|((rho, _), weight)| (*rho, (weight - all).exp()));
        let above: f64 = shares.clone().filter(|(rho, _)| *rho > 0.0).map(|(_, share)| share).sum();
        (above > SHOWN).then(|| shares.map(|(rho, share)| rho * share).sum::<f64>() / above)
    }

    /// A deviation that is over is not learnt from; what came after it is.
    fn close(&mut self, groups: &[Mean]) {
        let Some(Open { place, last }) = self.open.take() else { return };
        let later: Vec<usize> = self.origin.iter().skip(last + 1).copied().collect();
        self.live.truncate(place);
        self.origin.truncate(place);
        self.is_whole = false;
        for index in later {
            if let Some(mean) = groups.get(index) {
                self.learn(index, *mean);
            }
        }
    }
}

/// What no place gives.
const NOTHING: Split =
    Split { ln_likelihood: 0.0, place: 0, before: 0.0, size: 0.0, rest: 1.0, known: 1.0, count: 3 };

#[cfg(test)]
mod tests {
    use super::super::{FALSE_ALARMS, HORIZON};
    use super::*;
    use rand_distr::{Distribution, StandardNormal};
    use rand_pcg::{Pcg64, rand_core::SeedableRng};

    fn alike(values: &[f64]) -> Vec<Mean> {
        values.iter().map(|value| Mean { value: *value, variance: 1.0 }).collect()
    }

    fn normal(random: &mut Pcg64, count: usize) -> Vec<f64> {
        (0..count).map(|_| StandardNormal.sample(random)).collect()
    }

    fn chain(correlation: f64, means: &[Mean]) -> Chain {
        let mut chain = Chain { correlation, rows: Vec::new(), sums: Vec::new() };
        means.iter().for_each(|mean| chain.push(*mean));
        chain
    }

    /// Without correlation it is the two-sample comparison of any textbook: difference of the means, sum of squares about both.
    #[test]
    fn a_split_is_two_samples() {
        let values = [3.0, 5.0, 4.0, 6.0, 9.0, 11.0, 10.5];
        let chain = chain(0.0, &alike(&values));
        let split = chain.split(4, chain.none(0.0), 0.0).unwrap();
        let [before, after] = [&values[..4], &values[4..]].map(|part| {
            let mean = part.iter().sum::<f64>() / part.len() as f64;
            (mean, part.iter().map(|value| (value - mean).powi(2)).sum::<f64>())
        });
        assert!((split.before - before.0).abs() < 1e-12 && (split.size - (after.0 - before.0)).abs() < 1e-12);
        assert!((split.rest - before.1 - after.1).abs() < 1e-9);
        assert!((split.known - 4.0 * 3.0 / 7.0).abs() < 1e-12);
        let all = values.iter().sum::<f64>() / 7.0;
        let total: f64 = values.iter().map(|value| (value - all).powi(2)).sum();
        assert!((split.rest + split.squares() - total).abs() < 1e-9);
    }

    /// Generalised least squares with the inverse of the correlation matrix of AR(1) written out, which is tridiagonal (any
    /// textbook of time series): 1 at both ends, 1 + rho^2 between, -rho beside, all over 1 - rho^2.
    #[test]
    fn whitening_is_generalised_least_squares() {
        let (rho, place) = (0.6, 3);
        let means: Vec<Mean> = [(1.0, 1.0), (2.5, 2.0), (0.5, 0.5), (4.0, 1.5), (5.5, 1.0), (3.0, 0.8)]
            .map(|(value, variance)| Mean { value, variance })
            .to_vec();
        let root: Vec<f64> = means.iter().map(|mean| mean.variance.sqrt().recip()).collect();
        let level = root.clone();
        let jump: Vec<f64> = (0..6).map(|k| if k < place { 0.0 } else { root[k] }).collect();
        let value: Vec<f64> = (0..6).map(|k| root[k] * means[k].value).collect();
        let form = |a: &[f64], b: &[f64]| {
            let mut sum = 0.0;
            for k in 0..6 {
                let own = if k == 0 || k == 5 { 1.0 } else { 1.0 + rho * rho };
                sum += own * a[k] * b[k];
                if k > 0 {
                    sum -= rho * (a[k] * b[k - 1] + a[k - 1] * b[k]);
                }
            }
            sum / (1.0 - rho * rho)
        };
        let (ll, lj, jj) = (form(&level, &level), form(&level, &jump), form(&jump, &jump));
        let (lv, jv, vv) = (form(&level, &value), form(&jump, &value), form(&value, &value));
        let determinant = ll * jj - lj * lj;
        let (before, size) = ((jj * lv - lj * jv) / determinant, (ll * jv - lj * lv) / determinant);
        let rest = vv - before * lv - size * jv;
        let chain = chain(rho, &means);
        let split = chain.split(place, chain.none(0.0), 0.0).unwrap();
        for (own, wanted) in [(split.before, before), (split.size, size), (split.rest, rest)] {
            assert!((own - wanted).abs() < 1e-9, "{own} {wanted}");
        }
        assert!((split.known - determinant / ll).abs() < 1e-9);
    }

    /// The odds added up grow by one a group in control, on average (Pollak 1985, from memory).
    #[test]
    fn odds_in_control_grow_by_one_a_group() {
        let mut random = Pcg64::seed_from_u64(5);
        for more in [1, 3, 6] {
            let tries = 20_000;
            let sum: f64 = (0..tries)
                .map(|_| {
                    let chain = chain(0.0, &alike(&normal(&mut random, 8 + more)));
                    let none = chain.none(0.0);
                    let odds = (8..8 + more)
                        .map(|k| (chain.split(k, none, 0.0).unwrap().ln_likelihood - none).exp());
                    odds.sum::<f64>()
                })
                .sum();
            let mean = sum / f64::from(tries);
            println!("{more}: {mean}");
            assert!((mean / more as f64 - 1.0).abs() < 0.06, "{more}: {mean}");
        }
    }

    #[test]
    fn false_alarms_come_out_as_asked_over_twenty_groups_and_over_two_hundred() {
        let mut random = Pcg64::seed_from_u64(11);
        let tries = 1500;
        let mut counts = [0; 2];
        for _ in 0..tries {
            let run = changepoint(&alike(&normal(&mut random, 208)), 8, 1e-9, FALSE_ALARMS).unwrap();
            let first = run.steps.iter().position(|step| step.is_signal).unwrap_or(usize::MAX);
            counts[0] += usize::from(first < HORIZON);
            counts[1] += usize::from(first < 10 * HORIZON);
        }
        let [short, long] = counts.map(|count| f64::from(u32::try_from(count).unwrap()) / f64::from(tries));
        println!("{short} {long}");
        // Held over twenty: 5 %; the same hazard over ten times as many: 1 - 0.95^10 = 40 %.
        assert!((0.03..0.07).contains(&short), "{short}");
        assert!((0.25..0.45).contains(&long), "{long}");
    }

    #[test]
    fn false_alarms_come_out_as_asked_of_few_setup_groups_and_of_many() {
        let mut random = Pcg64::seed_from_u64(13);
        for setup in [2, 3, 6, 25, 100] {
            let tries = 2000;
            let hits = (0..tries).filter(|_| {
                let run =
                    changepoint(&alike(&normal(&mut random, setup + HORIZON)), setup, 1e-9, FALSE_ALARMS);
                run.unwrap().steps.iter().any(|step| step.is_signal)
            });
            let share = hits.count() as f64 / f64::from(tries);
            println!("{setup}: {share}");
            // Two groups give hardly a spread; what later groups say of the correlation has the more to say then.
            let most = if setup == 2 { 0.09 } else { 0.075 };
            assert!((0.03..most).contains(&share), "{setup}: {share}");
        }
    }

    #[test]
    fn a_step_is_found_where_it_began_and_a_bad_setup_group_is_none() {
        let calm = [0.2, -0.4, 0.9, -1.1, 0.3, 0.6, -0.7, 0.1, -0.2, 0.5, -0.3, 0.8];
        let stepped: Vec<f64> = calm
            .iter()
            .chain(&calm)
            .enumerate()
            .map(|(k, value)| value + if k < 14 { 0.0 } else { 4.0 })
            .collect();
        let run = changepoint(&alike(&stepped), 8, 1e-9, FALSE_ALARMS).unwrap();
        let first = run.steps.iter().position(|step| step.is_signal).unwrap();
        assert!((6..9).contains(&first) && run.steps[first].since == 6, "{first} {:?}", run.steps[first]);
        // What is out of control is not learnt from: the level before stays, and so do the signals.
        let last = run.steps.last().unwrap();
        assert_eq!(run.correlation, None, "a step is no wandering");
        assert!(last.is_signal && last.before.abs() < 0.3 && (last.level - 4.0).abs() < 0.6, "{last:?}");
        let mut bad = calm.to_vec();
        bad[3] = 40.0;
        let run = changepoint(&alike(&bad), 8, 1e-9, FALSE_ALARMS).unwrap();
        assert!(run.steps.iter().all(|step| !step.is_signal));
    }

    /// One bad lot signals, and the groups after it do not.
    #[test]
    fn a_bad_lot_signals_alone() {
        let calm = [0.2, -0.4, 0.9, -1.1, 0.3, 0.6, -0.7, 0.1, -0.2, 0.5, -0.3, 0.8];
        let mut values: Vec<f64> = calm.iter().chain(&calm).copied().collect();
        values[15] += 9.0;
        let run = changepoint(&alike(&values), 8, 1e-9, FALSE_ALARMS).unwrap();
        let signals: Vec<usize> = (0..run.steps.len()).filter(|k| run.steps[*k].is_signal).collect();
        assert_eq!(signals, [7]);
        assert!(run.steps.last().unwrap().sigma < 1.0);
    }

    /// The limits are drawn where the odds pass theirs.
    #[test]
    fn the_level_is_beyond_its_lines_where_the_odds_are_beyond_their_limit() {
        let mut random = Pcg64::seed_from_u64(3);
        let (mut beyond, mut within) = (0, 0);
        for _ in 0..300 {
            let mut values = normal(&mut random, 20);
            values.iter_mut().skip(14).for_each(|value| *value += 2.5);
            let run = changepoint(&alike(&values), 8, 1e-9, FALSE_ALARMS).unwrap();
            for step in &run.steps {
                let [low, high] = run.lines(step, FALSE_ALARMS);
                let is_beyond = !(low..=high).contains(&step.level);
                assert_eq!(is_beyond, step.chance < FALSE_ALARMS, "{step:?} {low} {high}");
                *(if is_beyond { &mut beyond } else { &mut within }) += 1;
            }
        }
        assert!(beyond > 300 && within > 300, "{beyond} {within}");
    }

    /// AR(1) of 0.8 in control: means that wander are seen to do so.
    #[test]
    fn means_that_wander_are_told_and_signal_seldom() {
        let mut random = Pcg64::seed_from_u64(7);
        let (mut told, mut signals) = (0, 0);
        for _ in 0..400 {
            let mut before = 0.0;
            let values: Vec<f64> = normal(&mut random, 28)
                .into_iter()
                .enumerate()
                .map(|(k, value)| {
                    before = if k == 0 { value } else { 0.8 * before + 0.6 * value };
                    before
                })
                .collect();
            let run = changepoint(&alike(&values), 8, 1e-9, FALSE_ALARMS).unwrap();
            told += usize::from(run.correlation.is_some());
            signals += usize::from(run.steps.iter().any(|step| step.is_signal));
        }
        println!("told {told}, signals {signals} of 400");
        assert!(told > 120 && signals < 80, "{told} {signals}");
    }
}
