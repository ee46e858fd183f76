//! Ppk: the distance of the mean from the nearer limit in three standard deviations, over all units.
//!
//! Ppk as Cpk in NIST/SEMATECH *e-Handbook of Statistical Methods*, 6.1.6, with the standard deviation of all units of all
//! groups (n - 1). Its lower bound: A. F. Bissell, *How reliable is your capability index?*, Applied Statistics 39, 1990 (from memory):
//! Ppk - z sqrt(1 / (9 n) + Ppk² / (2 (n - 1))). Both take the units as normally distributed.

use super::line::Moments;
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
    /// Of all units against one or two limits. `None` without a limit, of fewer than 2 units, and when all units are alike to
    /// rounding: then nothing is known of the spread, and any number would claim to know it.
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
    (1.0 / (9.0 * n) + ppk * ppk / (2.0 * (n - 1.0))).sqrt()
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
    fn verdicts_by_value_and_bound() {
        let verdict = |ppk, low| Capability { ppk, low }.verdict(1.33);
        assert_eq!(verdict(1.32, 1.0), Verdict::Fail);
        assert_eq!(verdict(1.33, 1.32), Verdict::Undecided);
        assert_eq!(verdict(1.5, 1.33), Verdict::Pass);
    }
}
