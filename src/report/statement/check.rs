//! A check: what was seen, what was wanted, how near the two are.

use crate::check::{CheckOutcome, CornerOutcome, Limit, Unit, limit_text, value_against, value_text};
use crate::measurand::Measurand;

/// A check, and whether its value is a lower bound.
#[derive(Debug, Clone, Copy)]
pub(in crate::report) struct CheckStatement<'a> {
    check: &'a CheckOutcome,
    is_bound: bool,
}

/// No limit.
const NONE: Limit = Limit { min: None, max: None };

impl<'a> CheckStatement<'a> {
    pub(in crate::report) fn of(corner: &CornerOutcome, check: &'a CheckOutcome) -> Self {
        Self { check, is_bound: corner.is_bound(check) }
    }

    /// Whether the value is a lower bound.
    pub(in crate::report) const fn is_bound(&self) -> bool {
        self.is_bound
    }

    fn unit(&self) -> Unit {
        self.check.unit.unwrap_or(Unit::One)
    }

    /// What the check is called in words: `phase margin`.
    pub(in crate::report) fn name(&self) -> String {
        self.check.check.replace('_', " ")
    }

    /// The message; where it begins with the check's name in words, without it.
    pub(in crate::report) fn message_beside_name(&self) -> &'a str {
        let message = &self.check.message;
        message.strip_prefix(&format!("{} ", self.name())).unwrap_or(message)
    }

    /// The value with its uncertainty as the message writes it.
    pub(in crate::report) fn seen(&self) -> Option<String> {
        self.check.value_text.clone().or_else(|| self.value(self.check.uncertainty))
    }

    /// The value with this uncertainty, in the unit of the result, rounded on its side of the limit.
    pub(in crate::report) fn value(&self, uncertainty: Option<f64>) -> Option<String> {
        let limit = self.check.limit.unwrap_or(NONE);
        Some(value_against(self.check.value?, uncertainty, self.unit(), self.is_bound, &limit))
    }

    /// `phase margin 44.31 deg ± 0.62 deg, limit at least 50 deg`
    pub(in crate::report) fn against_limit(&self) -> String {
        let (seen, limit) = (self.seen().unwrap_or_default(), self.limit().unwrap_or_default());
        format!("{} {seen}, limit {limit}", self.name())
    }

    /// The expanded uncertainty.
    pub(in crate::report) fn uncertainty(&self) -> Option<String> {
        Some(value_text(self.check.uncertainty?, None, self.unit(), false))
    }

    /// The limit, in the unit of the result.
    pub(in crate::report) fn limit(&self) -> Option<String> {
        Some(limit_text(&self.check.limit?, self.unit()))
    }

    /// The limit as the spec writes it: a change that is relative in percent.
    pub(in crate::report) fn wanted(&self) -> Option<String> {
        if !self.quantity().is_some_and(Measurand::is_relative) {
            return self.limit();
        }
        let limit = self.check.limit?;
        let percent = |bound: Option<f64>| bound.map(|bound| 100.0 * bound);
        let limit = Limit { min: percent(limit.min), max: percent(limit.max) };
        Some(format!("{} %", limit_text(&limit, Unit::One)))
    }

    /// `47.3 deg (RG-00042)`: what a change was counted from; `with_spread`: and how far the units lie apart.
    pub(in crate::report) fn accepted(&self, with_spread: bool) -> Option<String> {
        let against = self.check.accepted.as_ref()?;
        let unit = self.quantity().map_or_else(|| self.unit(), Measurand::unit);
        let value = value_text(against.value, against.spread.filter(|_| with_spread), unit, false);
        Some(format!("{value} ({})", against.of))
    }

    /// The quantity that a comparison with a baseline is about.
    fn quantity(&self) -> Option<Measurand> {
        let name = self.check.check.strip_prefix("regression.")?;
        Measurand::named(name)
    }

    /// The name of the quantity that a comparison is about.
    pub(in crate::report) fn compared(&self) -> &'a str {
        self.check.check.strip_prefix("regression.").unwrap_or(&self.check.check)
    }

    /// Whether a comparison is worth telling: it is no pass, or the change is more than its uncertainty.
    pub(in crate::report) fn has_changed(&self) -> bool {
        let check = self.check;
        let is_seen = check.value.is_some_and(|value| check.uncertainty.is_some_and(|u| value.abs() > u));
        check.verdict != crate::check::Verdict::Pass || is_seen
    }

    /// How far the value lies beyond its limit, as a share of the limit; `None` without a value or with a limit of 0.
    pub(in crate::report) fn excess(&self) -> Option<f64> {
        let value = self.check.value?;
        self.of_bounds(|min| (min - value) / min.abs(), |max| (value - max) / max.abs())
            .max_by(f64::total_cmp)
            .map(|share| share.max(0.0))
    }

    /// Which share of the allowed change is used up; 0 for a change to the better where only the worse is limited.
    pub(in crate::report) fn used(&self) -> Option<f64> {
        let value = self.check.value?;
        let shares = self.of_bounds(|min| value / min, |max| value / max);
        shares.max_by(f64::total_cmp).map(|share| share.max(0.0))
    }

    /// How near the value is to its nearest limit, relative to that limit: 0 on it, negative beyond it. `None` without a value
    /// or a limit, for a limit of 0, and for the count of crossings.
    pub(in crate::report) fn headroom(&self) -> Option<f64> {
        // A count sits on its limit in every good loop, which says nothing.
        let value = self.check.held().filter(|_| self.check.check != "crossings")?;
        self.of_bounds(|min| (value - min) / min.abs(), |max| (max - value) / max.abs()).reduce(f64::min)
    }

    /// What is told of each bound but 0, where it is a number.
    fn of_bounds(
        &self,
        of_min: impl Fn(f64) -> f64,
        of_max: impl Fn(f64) -> f64,
    ) -> impl Iterator<Item = f64> {
        let Limit { min, max } = self.check.limit.unwrap_or(NONE);
        let share = |bound: Option<f64>, of: &dyn Fn(f64) -> f64| bound.filter(|b| *b != 0.0).map(of);
        [share(min, &of_min), share(max, &of_max)].into_iter().flatten().filter(|share| share.is_finite())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::check::Verdict;
    use crate::report::sample::{self, judged};

    #[test]
    fn headroom_is_that_of_the_nearer_limit() {
        let run = sample::run();
        let of = |check: &str, value, min, max| {
            let check = judged(check, Verdict::Pass, value, None, Unit::Deg, Limit { min, max });
            CheckStatement::of(&run.corners[0], &check).headroom()
        };
        assert_eq!(of("phase_margin", -60.0, Some(50.0), None), Some(0.2));
        assert_eq!(of("crossover", 28.0, Some(8.0), Some(32.0)), Some(0.125));
        assert_eq!(of("gain@1Hz", -9.0, None, Some(-8.0)), Some(0.125));
        assert_eq!(of("gain@1Hz", 1.0, None, Some(0.0)), None);
        assert_eq!(of("crossings", 1.0, None, Some(1.0)), None);
    }

    #[test]
    fn a_relative_change_is_told_in_percent() {
        let run = sample::run();
        let limit = Limit { min: Some(-0.1), max: Some(0.1) };
        let check = judged("regression.crossover", Verdict::Pass, 0.02, Some(0.01), Unit::One, limit);
        let statement = CheckStatement::of(&run.corners[0], &check);
        assert_eq!(statement.limit().unwrap(), "-0.1 to 0.1");
        assert_eq!(statement.wanted().unwrap(), "-10 to 10 %");
        assert_eq!((statement.compared(), statement.has_changed()), ("crossover", true));
        assert!((statement.used().unwrap() - 0.2).abs() < 1e-12);
    }
}
