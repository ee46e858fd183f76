//! Scatter of lots and of units inside them: what the units of a history tell of their population, when units of one group are
//! alike.
//!
//! One-way analysis of variance with unweighted means, for groups of unequal size: the variance S of the group means holds that of
//! the lots and w/h of the units, with h the harmonic mean of the group sizes; the total variance is S + (1 - 1/h) w, and its degrees
//! of freedom are those of F. E. Satterthwaite, Biometrics Bulletin 2, 1946 (R. K. Burdick and F. A. Graybill, *Confidence Intervals
//! on Variance Components*, 1992; both from memory). The error of the mean over all units comes from the lots as well.
//!
//! Lots may go along with the lot before: then their mean is less certain, their spread larger than it looks, and both stand on
//! fewer lots than there are. Three correlations are weighed by how well they explain the group means; the weights beforehand are
//! chosen by simulation (`simulate lots`).

use super::{GroupStats, Lots};

/// Correlations of a lot with the one before, and how probable each is beforehand.
const CORRELATIONS: [(f64, f64); 3] = [(0.0, 0.6), (0.5, 0.2), (0.8, 0.2)];

/// Sizes, means and sums of squares of the groups that have a mean.
struct Groups {
    sizes: Vec<f64>,
    means: Vec<f64>,
    squares: f64,
}

impl Groups {
    fn of(groups: &[GroupStats]) -> Self {
        let mut own = Self { sizes: Vec::new(), means: Vec::new(), squares: 0.0 };
        for group in groups {
            let Some(mean) = group.mean else { continue };
            let size = group.units as f64;
            own.sizes.push(size);
            own.means.push(mean);
            own.squares += group.sd.map_or(0.0, |sd| sd * sd * (size - 1.0));
        }
        own
    }

    /// Variance of the means.
    fn spread(&self) -> f64 {
        let count = self.means.len() as f64;
        let mean = self.means.iter().sum::<f64>() / count;
        self.means.iter().map(|own| (own - mean).powi(2)).sum::<f64>() / (count - 1.0)
    }
}

impl Lots {
    /// Of groups in the order of time. `None` where lots show no variance beyond that of their units, or where it cannot be told:
    /// fewer than two groups, or one unit each.
    ///
    /// ```
    /// use loopgauge::drift::{GroupStats, Lots};
    ///
    /// let group = |units, mean, sd| GroupStats { units, mean: Some(mean), sd: Some(sd), ..GroupStats::default() };
    /// let lots = Lots::of(&[group(4, 51.0, 0.2), group(4, 53.0, 0.2), group(4, 51.5, 0.2), group(4, 52.7, 0.2)]).ok_or("no lots")?;
    /// assert!(lots.between > 0.9 && (lots.within - 0.2).abs() < 1e-12);
    /// assert!(lots.independent < 5.0, "16 units of four lots are worth no more than the lots");
    /// # Ok::<(), &'static str>(())
    /// ```
    #[must_use]
    pub fn of(groups: &[GroupStats]) -> Option<Self> {
        let groups = Groups::of(groups);
        let (count, units) = (groups.sizes.len() as f64, groups.sizes.iter().sum::<f64>());
        if count < 2.0 || units <= count {
            return None;
        }
        let within = groups.squares / (units - count);
        let usual = count / groups.sizes.iter().map(|size| size.recip()).sum::<f64>();
        let spread = groups.spread();
        if spread <= within / usual {
            return None;
        }
        let effect = Effect::of(&groups.means);
        let means = spread / effect.seen;
        let inside = (1.0 - 1.0 / usual) * within;
        let total = means + inside;
        let freedom = total * total
            / (means * means * effect.repeats / (count - 1.0) + inside * inside / (units - count));
        let lots = means - within / usual;
        let shares = groups.sizes.iter().map(|size| (size / units).powi(2)).sum::<f64>();
        let error = lots * effect.mean * shares + within / units;
        let found = Self {
            between: lots.sqrt(),
            within: within.sqrt(),
            total: total.sqrt(),
            freedom,
            independent: total / error,
        };
        (found.total > 0.0 && found.freedom.is_finite() && found.independent.is_finite()).then_some(found)
    }
}

/// What correlation from lot to lot does, averaged over how large it may be.
struct Effect {
    /// Factor on the variance of the lots' mean.
    mean: f64,
    /// Share of the lots' variance that is seen about their mean.
    seen: f64,
    /// Factor by which the lots stand for fewer independent ones.
    repeats: f64,
}

impl Effect {
    fn of(means: &[f64]) -> Self {
        let likelihoods = CORRELATIONS.map(|(rho, prior)| prior.ln() + ln_likelihood(means, rho));
        let most = likelihoods.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let weights = likelihoods.map(|own| (own - most).exp());
        let all: f64 = weights.iter().sum();
        let (mut effect, mut unseen) = (Self { mean: 0.0, seen: 1.0, repeats: 0.0 }, 0.0);
        for ((rho, _), weight) in CORRELATIONS.into_iter().zip(weights) {
            let (mean, repeats) = sums(means.len(), rho);
            let share = weight / all;
            effect.mean += share * mean;
            effect.repeats += share * repeats;
            unseen += share / (1.0 - (mean - 1.0) / (means.len() as f64 - 1.0));
        }
        Self { seen: 1.0 / unseen, ..effect }
    }
}

/// 1 + 2 sum (1 - j/n) rho^j, and the same with rho^(2 j): by how much the variance of the mean of n values of AR(1), and that of
/// their spread, are larger (any textbook of time series).
fn sums(count: usize, rho: f64) -> (f64, f64) {
    let n = count as f64;
    let (mut mean, mut repeats, mut power) = (1.0, 1.0, 1.0);
    for lag in 1..count {
        power *= rho;
        if power < f64::EPSILON {
            break;
        }
        let share = 2.0 * (1.0 - lag as f64 / n);
        mean += share * power;
        repeats += share * power * power;
    }
    (mean, repeats)
}

/// ln of the likelihood of values of AR(1), their level and spread integrated out.
fn ln_likelihood(values: &[f64], rho: f64) -> f64 {
    let innovation = 1.0 - rho * rho;
    let more = values.len() as f64 - 1.0;
    let center = values.iter().sum::<f64>() / values.len() as f64;
    let (mut level, mut cross, mut square) = (0.0, 0.0, 0.0);
    let mut before = None;
    for value in values.iter().map(|value| value - center) {
        let (one, own) = match before {
            None => (1.0, value),
            Some(before) => ((1.0 - rho) / innovation.sqrt(), (value - rho * before) / innovation.sqrt()),
        };
        level += one * one;
        cross += one * own;
        square += own * own;
        before = Some(value);
    }
    let rest = (square - cross * cross / level).max(f64::MIN_POSITIVE);
    -0.5 * more * innovation.ln() - 0.5 * level.ln() - 0.5 * more * rest.ln()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn groups(all: &[(u64, f64, f64)]) -> Vec<GroupStats> {
        let group = |(units, mean, sd): &(u64, f64, f64)| GroupStats {
            units: *units,
            mean: Some(*mean),
            sd: (*units > 1).then_some(*sd),
            ..GroupStats::default()
        };
        all.iter().map(group).collect()
    }

    /// Two lots of two: means 50 and 54, units 1 apart inside each. S = 8, w = 0.5, total 8 + 0.25, lots 8 - 0.25, by hand.
    #[test]
    fn components_by_hand() {
        let sd = 0.5_f64.sqrt();
        let lots = Lots::of(&groups(&[(2, 50.0, sd), (2, 54.0, sd)])).unwrap();
        // Two means show no correlation: what is left is the weight beforehand, which only widens.
        assert!((lots.within - sd).abs() < 1e-12);
        assert!(lots.between >= 7.75_f64.sqrt() && lots.total >= 8.25_f64.sqrt(), "{lots:?}");
        assert!(lots.freedom < 1.2 && lots.independent < 2.2, "{lots:?}");
    }

    #[test]
    fn without_variance_of_lots_there_are_none() {
        assert_eq!(Lots::of(&groups(&[(4, 50.0, 1.0), (4, 50.1, 1.0), (4, 49.9, 1.0)])), None);
        assert_eq!(Lots::of(&groups(&[(1, 50.0, 0.0), (1, 55.0, 0.0), (1, 49.0, 0.0)])), None);
        assert_eq!(Lots::of(&groups(&[(9, 50.0, 1.0)])), None);
        assert_eq!(Lots::of(&[]), None);
    }

    /// The variance of a mean of AR(1): (1 + rho)/(1 - rho) of that of independent values, for many of them.
    #[test]
    fn correlated_lots_count_for_fewer() {
        let (mean, repeats) = sums(100_000, 0.5);
        assert!((mean - 3.0).abs() < 1e-3 && (repeats - 5.0 / 3.0).abs() < 1e-3);
        let wander: Vec<f64> = (0..24).map(|k| (f64::from(k) / 5.0).sin()).collect();
        let jitter: Vec<f64> = (0..24).map(|k| if k % 2 == 0 { 0.5 } else { -0.6 }).collect();
        assert!(Effect::of(&wander).mean > 4.0 && Effect::of(&jitter).mean < 1.1);
    }

    #[test]
    fn another_offset_or_scale_is_the_same_finding() {
        let all = [(3, 50.0, 0.3), (8, 51.2, 0.4), (2, 49.1, 0.2), (5, 50.6, 0.5)];
        let moved = all.map(|(units, mean, sd)| (units, 1000.0 + 2.0 * mean, 2.0 * sd));
        let (own, other) = (Lots::of(&groups(&all)).unwrap(), Lots::of(&groups(&moved)).unwrap());
        assert!(
            (other.total / own.total - 2.0).abs() < 1e-9 && (other.freedom / own.freedom - 1.0).abs() < 1e-9
        );
        assert!((other.independent / own.independent - 1.0).abs() < 1e-9);
    }
}
