//! A value with its uncertainty against its limit, as a small scale. The same stands beside it as text.

use super::path::whole;
use crate::check::{CheckOutcome, Limit};
use maud::{Markup, html};

/// Width of the scale in its units, which are pixels.
const WIDTH: f64 = 190.0;
/// Room at each end, as a share of what is shown.
const ROOM: f64 = 0.18;

/// The scale of a check; nothing without a value and a limit.
pub fn gauge(check: &CheckOutcome, is_bound: bool) -> Option<Markup> {
    let (value, limit) = (check.value?, check.limit?);
    // The limit of the phase margin holds for its size.
    let value = if check.check == "phase_margin" { value.abs() } else { value };
    let scale = Scale::new(value, check.uncertainty.unwrap_or(0.0), &limit)?;
    let (low, high) = (limit.min.map_or(0.0, |m| scale.at(m)), limit.max.map_or(WIDTH, |m| scale.at(m)));
    let at = scale.at(value);
    let (from, to) = (scale.at(value - scale.uncertainty), scale.at(value + scale.uncertainty));
    let px = |x: f64| super::strip::round(x.clamp(0.0, WIDTH));
    Some(html! {
        svg.gauge width="190" height="24" viewBox="0 0 190 24" aria-hidden="true" {
            path.bank d="M0 19H190" {}
            path.allowed d=(format!("M{} 19H{}", px(low), px(high))) {}
            @for bound in [limit.min, limit.max].into_iter().flatten() {
                path.post d=(format!("M{} 8V23", px(scale.at(bound)))) {}
            }
            @if is_bound { path.reach d=(format!("M{} 11H{WIDTH}", px(at))) {} }
            @if scale.uncertainty > 0.0 {
                path.reach d=(format!("M{0} 11H{1}M{0} 7v8M{1} 7v8", px(from), px(to))) {}
            }
            circle.value cx=(px(at)) cy="11" r="4.2" {}
        }
    })
}

struct Scale {
    low: f64,
    high: f64,
    uncertainty: f64,
}

impl Scale {
    fn new(value: f64, uncertainty: f64, limit: &Limit) -> Option<Self> {
        let shown = [Some(value - uncertainty), Some(value + uncertainty), limit.min, limit.max];
        let low = shown.iter().flatten().copied().reduce(f64::min)?;
        let high = shown.iter().flatten().copied().reduce(f64::max)?;
        // Equal ends still need a width.
        let width = (high - low).max(1e-3 * high.abs().max(low.abs())).max(f64::MIN_POSITIVE);
        Some(Self { low: low - ROOM * width, high: high + ROOM * width, uncertainty })
    }

    fn at(&self, value: f64) -> f64 {
        WIDTH * (value - self.low) / (self.high - self.low)
    }
}

/// How near a check's value is to its nearest limit, relative to that limit: 0 on it, negative beyond it. `None` without a value
/// or a limit, for a limit of 0, and for the count of crossings.
#[must_use]
pub fn headroom(check: &CheckOutcome) -> Option<f64> {
    let (value, limit) = (check.value?, check.limit?);
    // A count sits on its limit in every good loop, which says nothing.
    if check.check == "crossings" {
        return None;
    }
    let value = if check.check == "phase_margin" { value.abs() } else { value };
    let below = limit.min.map(|min| (value - min, min));
    let above = limit.max.map(|max| (max - value, max));
    let relative = |(room, bound): (f64, f64)| (bound != 0.0).then(|| room / bound.abs());
    [below, above].into_iter().flatten().filter_map(relative).reduce(f64::min)
}

/// In thousandths, so that it can be kept small.
#[must_use]
pub fn thousandths(headroom: f64) -> i32 {
    whole(1000.0 * headroom)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::check::{Unit, Verdict};
    use crate::report::sample::judged;

    fn limit(min: Option<f64>, max: Option<f64>) -> Limit {
        Limit { min, max }
    }

    #[test]
    fn the_scale_holds_value_uncertainty_and_limits() {
        let scale = Scale::new(44.1, 0.7, &limit(Some(50.0), None)).unwrap();
        for value in [43.4, 44.1, 44.8, 50.0] {
            assert!((0.0..=WIDTH).contains(&scale.at(value)));
        }
        let flat = Scale::new(1.0, 0.0, &limit(None, Some(1.0))).unwrap();
        assert!(flat.at(1.0).is_finite());
        assert!(Scale::new(0.0, 0.0, &limit(Some(0.0), None)).unwrap().at(0.0).is_finite());
    }

    #[test]
    fn headroom_is_that_of_the_nearer_limit() {
        let of = |check: &str, value, min, max| {
            headroom(&judged(check, Verdict::Pass, value, None, Unit::Deg, limit(min, max)))
        };
        assert_eq!(of("phase_margin", -60.0, Some(50.0), None), Some(0.2));
        assert_eq!(of("crossover", 28.0, Some(8.0), Some(32.0)), Some(0.125));
        assert_eq!(of("gain@1Hz", -9.0, None, Some(-8.0)), Some(0.125));
        assert_eq!(of("gain@1Hz", 1.0, None, Some(0.0)), None);
        assert_eq!(of("crossings", 1.0, None, Some(1.0)), None);
    }
}
