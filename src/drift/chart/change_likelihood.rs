//! The likelihood of a change at one place of a row of means, level and spread integrated out, the means whitened.

/// Variance of the size of a change, in that of a group.
const SIZE: f64 = 1.0;

/// A group as this chart takes it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mean {
    /// Mean of the group.
    pub value: f64,
    /// Variance expected of it, as a multiple of that of a usual group; above 0.
    pub variance: f64,
}

/// Means under one correlation, whitened, with running sums: any place of a change costs the same.
#[derive(Debug, Clone)]
pub(super) struct Chain {
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
pub(super) struct Split {
    pub(super) ln_likelihood: f64,
    pub(super) place: usize,
    pub(super) before: f64,
    pub(super) size: f64,
    /// Residual sum of squares about both levels.
    pub(super) rest: f64,
    /// What is known of the size, in groups.
    pub(super) known: f64,
    pub(super) count: usize,
}

impl Split {
    pub(super) fn sigma(&self) -> f64 {
        (self.rest / (self.count.max(3) - 2) as f64).sqrt()
    }

    fn shrunk(&self) -> f64 {
        SIZE * self.known / (1.0 + SIZE * self.known)
    }

    pub(super) fn squares(&self) -> f64 {
        self.known * self.size * self.size
    }

    /// ln of how much better a change here explains the means than none.
    pub(super) fn ln_odds(&self) -> f64 {
        let (squares, shrunk) = (self.squares(), self.shrunk());
        let fit = (self.rest + squares) / (self.rest + squares * (1.0 - shrunk));
        0.5 * (self.count as f64 - 1.0) * fit.ln() - 0.5 * (1.0 + SIZE * self.known).ln()
    }

    /// The size, in sigma, whose odds are larger by a factor, given as its logarithm; `None` where none is.
    pub(super) fn size_for(&self, ln_more: f64) -> Option<f64> {
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
    pub(super) const fn new(correlation: f64) -> Self {
        Self { correlation, rows: Vec::new(), sums: Vec::new() }
    }

    pub(super) fn len(&self) -> usize {
        self.rows.len()
    }

    pub(super) fn truncate(&mut self, count: usize) {
        self.rows.truncate(count);
        self.sums.truncate(count);
    }

    pub(super) fn push(&mut self, mean: Mean) {
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

    pub(super) fn none(&self, floor: f64) -> f64 {
        let all = self.sums.last().copied().unwrap_or_default();
        self.ln_likelihood(&all, all.value - all.cross * all.cross / all.level, floor)
    }

    /// With a change at a place, 1 or later. `none`: the likelihood without one.
    pub(super) fn split(&self, place: usize, none: f64, floor: f64) -> Option<Split> {
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

/// What no place gives.
pub(super) const NOTHING: Split =
    Split { ln_likelihood: 0.0, place: 0, before: 0.0, size: 0.0, rest: 1.0, known: 1.0, count: 3 };

#[cfg(test)]
mod tests {
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
        let mut chain = Chain::new(correlation);
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
}
