//! Ppk: the distance of the mean from the nearer limit in three standard deviations, over all units.
//!
//! Ppk as Cpk in NIST/SEMATECH *e-Handbook of Statistical Methods*, 6.1.6, with the standard deviation of all units of
//! all groups (n - 1). Its lower bound: A. F. Bissell, *How reliable is your capability index?*, Applied Statistics 39,
//! 1990 (from memory): Ppk - z sqrt(1 / (9 n) + Ppk² / (2 (n - 1))). Both take the units as normally distributed.
//!
//! That takes the units as independent. Where groups scatter more than their units ([`Lots`]), the bound is that of the population of
//! lots and units: n independent units that would tell the mean as well, and the degrees of freedom of the total spread.

use super::Lots;
use super::least_squares::Moments;
use crate::decision::{Limit, Verdict};
use statrs::function::erf::erfc_inv;

/// Probability below the lower bound.
const TAIL: f64 = 0.05;

/// Capability against limits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Capability {
    /// Ppk; negative when the mean lies beyond a limit.
    pub ppk: f64,
    /// Lower one-sided 95 % confidence bound of it.
    pub low: f64,
}

impl Capability {
    /// Of all units against one or two limits. `None` without a limit, of fewer than 2 units, and when all units are
    /// alike to rounding: then nothing is known of the spread, and any number would claim to know it.
    ///
    /// ```
    /// use loopgauge::decision::Limit;
    /// use loopgauge::drift::{Capability, Moments};
    ///
    /// let units = Moments::of(&[52.1, 53.4, 52.8, 51.9, 52.6, 53.1]).ok_or("no units")?;
    /// let capability = Capability::of(&units, &Limit { min: Some(50.0), max: None }).ok_or("no spread")?;
    /// assert!((capability.ppk - 1.535).abs() < 1e-3 && (capability.low - 0.706).abs() < 1e-3);
    /// # Ok::<(), &'static str>(())
    /// ```
    #[must_use]
    pub fn of(units: &Moments, limit: &Limit) -> Option<Self> {
        let sd = units.sd.filter(|_| !units.all_alike())?;
        let sides = [limit.min.map(|min| units.mean - min), limit.max.map(|max| max - units.mean)];
        let nearer = sides.into_iter().flatten().min_by(f64::total_cmp)?;
        let ppk = nearer / (3.0 * sd);
        let z = std::f64::consts::SQRT_2 * erfc_inv(2.0 * TAIL);
        let low = ppk - z * bissell_error(ppk, units.count);
        low.is_finite().then_some(Self { ppk, low })
    }

    /// The same where units of one group are alike: only `low` differs.
    #[must_use]
    pub fn of_lots(units: &Moments, lots: Option<&Lots>, limit: &Limit) -> Option<Self> {
        let own = Self::of(units, limit)?;
        let Some((lots, sd)) = lots.zip(units.sd) else { return Some(own) };
        let ppk = own.ppk * sd / lots.total;
        let z = std::f64::consts::SQRT_2 * erfc_inv(2.0 * TAIL);
        let low = ppk - z * error(ppk, lots.independent, lots.freedom);
        low.is_finite().then_some(Self { low: low.min(own.ppk), ..own })
    }

    /// The verdict when Ppk must be at least `min`: fails below it, is undecided when only the lower bound is.
    #[must_use]
    pub fn verdict(&self, min: f64) -> Verdict {
        if self.ppk < min {
            Verdict::Fail
        } else if self.low < min {
            Verdict::Undecided
        } else {
            Verdict::Pass
        }
    }
}

/// Standard error of Ppk, of 2 units or more.
fn bissell_error(ppk: f64, count: usize) -> f64 {
    let n = count as f64;
    error(ppk, n, n - 1.0)
}

/// Standard error of Ppk with a mean known as from `units` independent units and a spread of so many degrees of freedom.
fn error(ppk: f64, units: f64, freedom: f64) -> f64 {
    (1.0 / (9.0 * units) + ppk * ppk / (2.0 * freedom)).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Intervals of Bissell 1990 for Cpk 2/3 at 95 % (figures recomputed from his formula, from memory).
    #[test]
    fn bissells_intervals() {
        for (count, low, high) in [(30, 0.45771, 0.87563), (100, 0.55313, 0.78021)] {
            let half = 1.959_963_984_5 * bissell_error(2.0 / 3.0, count);
            assert!((2.0 / 3.0 - half - low).abs() < 6e-6 && (2.0 / 3.0 + half - high).abs() < 6e-6);
        }
    }

    #[test]
    fn without_spread_or_limit_there_is_none() {
        let limit = Limit { min: Some(50.0), max: None };
        let of = |values: &[f64], limit: &Limit| Capability::of(&Moments::of(values).unwrap(), limit);
        assert_eq!(of(&[52.0], &limit), None);
        assert_eq!(of(&[52.3, 52.3, 52.3], &limit), None);
        assert_eq!(of(&[52.0, 53.0], &Limit { min: None, max: None }), None);
        assert!(of(&[48.0, 49.0], &limit).unwrap().ppk < 0.0);
    }

    #[test]
    fn units_of_one_lot_are_not_independent() {
        let limit = Limit { min: Some(50.0), max: None };
        let units = Moments { count: 96, mean: 53.0, sd: Some(0.8), min: 50.5, max: 55.0 };
        let plain = Capability::of(&units, &limit).unwrap();
        assert_eq!(Capability::of_lots(&units, None, &limit), Some(plain));
        // Worth as many as there are, it is the same bound.
        let alike = Lots { between: 0.1, within: 0.79, total: 0.8, freedom: 95.0, independent: 96.0 };
        let same = Capability::of_lots(&units, Some(&alike), &limit).unwrap();
        assert!((same.low - plain.low).abs() < 1e-12 && same.ppk == plain.ppk);
        let lots = Lots { between: 0.76, within: 0.25, freedom: 13.0, independent: 13.0, ..alike };
        let low = Capability::of_lots(&units, Some(&lots), &limit).unwrap().low;
        // 1.25 - 1.6449 sqrt(1/117 + 1.5625/26), by hand.
        assert!((low - (1.25 - 1.644_854 * (1.0 / 117.0 + 1.5625 / 26.0_f64).sqrt())).abs() < 1e-5, "{low}");
    }

    #[test]
    fn verdicts_by_value_and_bound() {
        let verdict = |ppk, low| Capability { ppk, low }.verdict(1.33);
        assert_eq!(verdict(1.32, 1.0), Verdict::Fail);
        assert_eq!(verdict(1.33, 1.32), Verdict::Undecided);
        assert_eq!(verdict(1.5, 1.33), Verdict::Pass);
    }
}
