//! A value with its uncertainty against its limit, as a small scale. The same stands beside it as text.

use crate::check::{CheckOutcome, Limit};
use maud::{Markup, html};

/// Width of the scale in its units, which are pixels.
const WIDTH: f64 = 190.0;
/// Room at each end, as a share of what is shown.
const ROOM: f64 = 0.18;

/// The scale of a check; nothing without a value and a limit.
pub(crate) fn gauge(check: &CheckOutcome, is_bound: bool) -> Option<Markup> {
    let (value, limit) = (check.held()?, check.limit?);
    let scale = Scale::new(value, check.uncertainty.unwrap_or(0.0), &limit)?;
    let (low, high) = (limit.min.map_or(0.0, |m| scale.at(m)), limit.max.map_or(WIDTH, |m| scale.at(m)));
    let at = scale.at(value);
    let (from, to) = (scale.at(value - scale.uncertainty), scale.at(value + scale.uncertainty));
    let px = |x: f64| super::plot_panel::round(x.clamp(0.0, WIDTH));
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

#[cfg(test)]
mod tests {
    use super::*;

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
}
