//! When a limit is reached at the present pace.

use super::hypotheses::Explanation;
use super::mixture::{HIGH, LOW, Part, crossing};
use super::outcome::Kind;
use crate::decision::Limit;
use crate::drift::Reach;

/// Groups ahead that count as never.
const NEVER: f64 = 1e5;

/// When a limit is reached at the present pace, from explanations with their weights; `None` when the ramp leads away from every limit.
/// `middle`: what levels are counted from, in the quantity's unit.
pub(super) fn forecast(weighed: &[(f64, &Explanation)], middle: f64, limit: &Limit) -> Option<Reach> {
    let all = || weighed.iter().copied();
    let ramps = || all().filter(|(_, e)| e.kind == Kind::Ramp);
    let mean: f64 = ramps().map(|(weight, e)| weight * e.size / e.span).sum();
    let (bound, sign, reaches) = if mean < 0.0 {
        (limit.min?, 1.0, Limit { max: None, ..*limit })
    } else {
        (limit.max?, -1.0, Limit { min: None, ..*limit })
    };
    if mean == 0.0 {
        return None;
    }
    let bound = bound - middle;
    // Whether the level lies beyond the bound so many groups ahead.
    let reached = |(weight, e): (f64, &Explanation), ahead: f64| {
        let ahead = if e.kind == Kind::Ramp { ahead / e.span } else { 0.0 };
        let below = |level: f64, level_variance: f64, covariance: f64| {
            let variance = level_variance + ahead * (2.0 * covariance + ahead * e.size_variance);
            let location = sign * (level + ahead * e.size - bound);
            let scale = variance.max(0.0).sqrt();
            Part { weight, location, scale, freedom: e.freedom }.below(0.0)
        };
        let now = below(e.level, e.level_variance, e.covariance);
        let before = e.beside.map_or(now, |b| below(b.level, b.level_variance, b.covariance));
        weight * 0.5 * (now + before)
    };
    let by = |ahead: f64| all().map(|part| reached(part, ahead)).sum::<f64>();
    let ramps_by = |ahead: f64| ramps().map(|part| reached(part, ahead)).sum::<f64>();
    let when = |rises: &dyn Fn(f64) -> f64, share: f64| {
        if rises(0.0) >= share {
            return Some(0.0);
        }
        let even = |log: f64| rises(log.exp_m1());
        let last = NEVER.ln_1p();
        (rises(NEVER) >= share).then(|| crossing(even, share, 0.0, last, 1e-9).exp_m1())
    };
    let in_groups = when(&ramps_by, 0.5 * ramps_by(NEVER))?;
    let low = when(&by, LOW).map(|low| low.min(in_groups));
    let high = when(&by, HIGH).map(|high| high.max(in_groups));
    Some(Reach { limit: reaches, in_groups, low, high })
}
