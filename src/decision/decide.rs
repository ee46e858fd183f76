//! A value with uncertainty against a limit.
//!
//! Guarded rule: JCGM 106:2012, 8.3 (from memory), acceptance and rejection both guarded by the expanded uncertainty.
//! Conformity: JCGM 106:2012, clause 7 (from memory), the probability that a normally distributed true value with
//! this mean and standard deviation meets the limit.

use super::{Limit, Verdict};
use crate::spec::{DecisionRule, Rule};
use statrs::function::erf::erfc;

/// What the rule says, and how probable conformity is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Decision {
    /// Pass, fail or undecided.
    pub verdict: Verdict,
    /// Probability in [0, 1] that the true value meets the limit; `None` when the uncertainty is not known.
    pub conformity: Option<f64>,
}

/// Holds `value` with standard uncertainty `u` (same unit; `None`: not known) against a limit.
#[must_use]
pub fn decide(value: f64, u: Option<f64>, limit: &Limit, rule: DecisionRule) -> Decision {
    let conformity = u.map(|u| conformity(value, u, limit));
    let verdict = match (rule.rule, u) {
        (Rule::Simple, _) => {
            if meets(value, limit) {
                Verdict::Pass
            } else {
                Verdict::Fail
            }
        }
        (Rule::Guarded, None) => Verdict::Undecided,
        (Rule::Guarded, Some(u)) => guarded(value, rule.coverage * u, limit),
    };
    Decision { verdict, conformity }
}

/// Whether a bare number lies inside the limit, ends included.
#[must_use]
pub fn meets(value: f64, limit: &Limit) -> bool {
    limit.min.is_none_or(|min| value >= min) && limit.max.is_none_or(|max| value <= max)
}

fn guarded(value: f64, expanded: f64, limit: &Limit) -> Verdict {
    let (low, high) = (value - expanded, value + expanded);
    if meets(low, limit) && meets(high, limit) {
        Verdict::Pass
    } else if limit.min.is_some_and(|min| high < min) || limit.max.is_some_and(|max| low > max) {
        Verdict::Fail
    } else {
        Verdict::Undecided
    }
}

/// Standard normal distribution function.
fn phi(z: f64) -> f64 {
    0.5 * erfc(-z * std::f64::consts::FRAC_1_SQRT_2)
}

fn conformity(value: f64, u: f64, limit: &Limit) -> f64 {
    if u == 0.0 {
        return f64::from(u8::from(meets(value, limit)));
    }
    let below = limit.max.map_or(1.0, |max| phi((max - value) / u));
    let under = limit.min.map_or(0.0, |min| phi((min - value) / u));
    (below - under).clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    const GUARDED: DecisionRule = DecisionRule { rule: Rule::Guarded, coverage: 2.0 };

    fn limit(min: Option<f64>, max: Option<f64>) -> Limit {
        Limit { min, max }
    }

    /// JCGM 106:2012, clause 7: distances in u from one limit, the two worked examples, and both limits at once.
    /// Figures recomputed from the normal distribution; the source's examples from memory.
    #[test]
    fn conformity_probabilities_of_jcgm_106() {
        let above = |d: f64| decide(d, Some(1.0), &limit(Some(0.0), None), GUARDED).conformity.unwrap();
        for (distance, probability) in [
            (-3.0, 0.00135),
            (-2.0, 0.02275),
            (-1.0, 0.15866),
            (0.0, 0.5),
            (1.0, 0.84134),
            (1.645, 0.95001),
            (2.0, 0.97725),
            (3.0, 0.99865),
        ] {
            assert!((above(distance) - probability).abs() < 6e-6, "{distance}");
        }
        let breakdown = decide(-5.47, Some(0.05), &limit(None, Some(-5.40)), GUARDED);
        assert!((breakdown.conformity.unwrap() - 0.91924).abs() < 6e-6);
        assert_eq!(breakdown.verdict, Verdict::Undecided);
        let pressure = decide(507.0, Some(8.6), &limit(Some(490.0), None), GUARDED);
        assert!((pressure.conformity.unwrap() - 0.97596).abs() < 6e-6);
        let both = decide(0.5, Some(0.5), &limit(Some(-1.0), Some(1.0)), GUARDED);
        assert!((both.conformity.unwrap() - 0.83999).abs() < 6e-6);
    }

    #[test]
    fn the_guarded_rule_needs_the_whole_interval() {
        let fifty = limit(Some(50.0), None);
        let verdict = |value, u| decide(value, Some(u), &fifty, GUARDED).verdict;
        assert_eq!(verdict(52.0, 1.0), Verdict::Pass);
        assert_eq!(verdict(51.99, 1.0), Verdict::Undecided);
        assert_eq!(verdict(48.0, 1.0), Verdict::Undecided);
        assert_eq!(verdict(47.99, 1.0), Verdict::Fail);
        assert_eq!(
            decide(80.0, None, &fifty, GUARDED),
            Decision { verdict: Verdict::Undecided, conformity: None }
        );
        let most = limit(None, Some(50.0));
        let verdict = |value| decide(value, Some(1.0), &most, GUARDED).verdict;
        let all = [(48.0, Verdict::Pass), (48.01, Verdict::Undecided), (52.0, Verdict::Undecided)];
        for (value, wanted) in all.into_iter().chain([(52.01, Verdict::Fail), (70.0, Verdict::Fail)]) {
            assert_eq!(verdict(value), wanted, "{value}");
        }
        let narrow = limit(Some(9.9), Some(10.1));
        assert_eq!(decide(10.0, Some(1.0), &narrow, GUARDED).verdict, Verdict::Undecided);
    }

    #[test]
    fn the_simple_rule_looks_at_the_value_alone() {
        let rule = DecisionRule { rule: Rule::Simple, coverage: 2.0 };
        assert_eq!(decide(50.0, Some(9.0), &limit(Some(50.0), None), rule).verdict, Verdict::Pass);
        assert_eq!(decide(49.9, Some(9.0), &limit(Some(50.0), None), rule).verdict, Verdict::Fail);
        assert_eq!(decide(50.0, None, &limit(None, Some(50.0)), rule).verdict, Verdict::Pass);
        assert_eq!(decide(50.1, None, &limit(None, Some(50.0)), rule).verdict, Verdict::Fail);
    }

    #[test]
    fn without_uncertainty_the_answer_is_yes_or_no() {
        let fifty = limit(Some(50.0), None);
        assert_eq!(decide(50.0, Some(0.0), &fifty, GUARDED).conformity, Some(1.0));
        assert_eq!(decide(49.0, Some(0.0), &fifty, GUARDED).conformity, Some(0.0));
    }
}
