//! Centre line and spread from the setup groups.

use std::f64::consts::FRAC_2_SQRT_PI;

/// Mean range of two standard normal values, 2/sqrt(pi). Handbooks print it as 1.128 (NIST/SEMATECH e-Handbook, 6.3.2.2;
/// ISO 7870-2:2013, from memory).
pub const D2: f64 = FRAC_2_SQRT_PI;

/// Relative rounding of a mean: n values summed and divided are off by some sqrt(n)/2 units of the last place, so this
/// covers groups of a thousand units.
const ROUNDING: f64 = 16.0 * f64::EPSILON;
/// Spread of means that are all 0: no quantity comes near it, and quotients by it and their squares stay finite.
const NOTHING: f64 = 1e-100;

/// What a chart starts from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Setup {
    /// Centre line, in the quantity's unit.
    pub center: f64,
    /// Standard deviation of a group's mean, in the quantity's unit; above 0.
    pub sigma: f64,
    /// Groups that both come from.
    pub groups: usize,
}

impl Setup {
    /// Centre: the mean of the group means. Spread: their mean moving range over [`D2`], which a lasting shift or a slow trend
    /// inside the setup groups inflates little (NIST/SEMATECH e-Handbook, 6.3.2.2; ISO 7870-2:2013, from memory). It is the
    /// spread from group to group: scatter of units and of lots together.
    ///
    /// `None` with fewer than two means, or where a mean is not finite.
    #[must_use]
    pub fn new(means: &[f64]) -> Option<Self> {
        Self::with_d2(means, D2)
    }

    /// The same with a d2 of its own, such as the rounded one of a handbook; above 0.
    #[must_use]
    pub fn with_d2(means: &[f64], d2: f64) -> Option<Self> {
        if means.len() < 2 || means.iter().any(|mean| !mean.is_finite()) {
            return None;
        }
        let count = means.len() as f64;
        let center = means.iter().map(|mean| mean / count).sum();
        let sigma = mean_moving_range(means) / d2;
        let largest = means.iter().fold(0.0_f64, |largest, mean| largest.max(mean.abs()));
        Some(Self { center, sigma: sigma.max(ROUNDING * largest).max(NOTHING), groups: means.len() })
    }

    /// Standard deviation of the mean of a group of another size than the setup groups had: with lot-to-lot scatter L and
    /// unit-to-unit scatter W it is sqrt(L^2 + W^2/n), of which `sigma` holds L and the setup groups' W^2/n. Never below
    /// `sigma`: L is not known so well that a larger group could be held more narrowly.
    ///
    /// `within`: standard deviation from unit to unit inside a group, pooled. `units`: of this group, at least 1.
    /// `setup_units`: harmonic mean of the units of the setup groups.
    #[must_use]
    pub fn sigma_of_group(&self, within: f64, units: usize, setup_units: f64) -> f64 {
        let more = (1.0 / units.max(1) as f64 - 1.0 / setup_units).max(0.0);
        self.sigma.hypot(within * more.sqrt())
    }
}

/// Mean absolute difference of neighbours; 0 with fewer than two.
pub(super) fn mean_moving_range(values: &[f64]) -> f64 {
    let pairs = values.len().saturating_sub(1).max(1) as f64;
    values
        .windows(2)
        .map(|pair| pair.iter().rev().copied().reduce(|b, a| b - a).unwrap_or(0.0).abs() / pairs)
        .sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn identical_means_leave_rounding_noise() {
        let setup = Setup::new(&[52.3; 8]).unwrap();
        assert!(setup.sigma > 0.0 && setup.sigma < 1e-12, "{setup:?}");
        assert!((setup.center - 52.3).abs() < 1e-13);
        assert!(((60.0 - setup.center) / setup.sigma).powi(2).is_finite());
        let zero = Setup::new(&[0.0; 3]).unwrap();
        assert!((1e9 / zero.sigma).powi(2).is_finite());
    }

    #[test]
    fn too_few_or_endless_means_are_none() {
        assert_eq!(Setup::new(&[]), None);
        assert_eq!(Setup::new(&[1.0]), None);
        assert_eq!(Setup::new(&[1.0, f64::NAN]), None);
        assert_eq!(Setup::new(&[1.0, f64::INFINITY, 1.0]), None);
    }

    /// Lots 3, units 4: sqrt(9 + 16/4) for four units, sqrt(9 + 16/1) for one, by hand.
    #[test]
    fn a_smaller_group_scatters_more() {
        let setup = Setup { center: 0.0, sigma: 13f64.sqrt(), groups: 8 };
        assert!((setup.sigma_of_group(4.0, 1, 4.0) - 5.0).abs() < 1e-12);
        assert!((setup.sigma_of_group(4.0, 4, 4.0) - 13f64.sqrt()).abs() < 1e-12);
        assert!((setup.sigma_of_group(4.0, 40, 4.0) - 13f64.sqrt()).abs() < 1e-12);
    }
}
