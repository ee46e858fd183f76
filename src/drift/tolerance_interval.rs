//! Statistical tolerance: which share of a normal population meets a limit, and the bound that most of it meets, with
//! confidence.
//!
//! One-sided factor k (ISO 16269-6; NIST/SEMATECH *e-Handbook of Statistical Methods*, 7.2.6.3): mean - k sd lies below
//! a share p of the population with confidence 1 - alpha when k sqrt(n) is the 1 - alpha quantile of the non-central t
//! with n - 1 degrees of freedom and non-centrality z(p) sqrt(n). Read the other way, the distance of the mean from a
//! limit in standard deviations is k, and the share follows from the non-centrality.
//!
//! The distribution function is the mean of Phi(t u - delta) over u = sqrt(chi²/nu) (N. L. Johnson and B. L. Welch
//! 1940; from memory). Over ln u the integrand is smooth and dies off at both ends, where the trapezoidal rule
//! converges exponentially (any numerical handbook, e.g. NIST *Digital Library of Mathematical Functions*, 3.5(i)).

use super::Lots;
use super::least_squares::Moments;
use crate::decision::Limit;
use statrs::function::erf::{erfc, erfc_inv};
use std::f64::consts::SQRT_2;

/// Confidence of every statement to a reader.
const CONFIDENCE: f64 = 0.95;
/// Share of the population that a bound is given for.
const CONTENT: f64 = 0.95;
/// Standard deviations beyond which less lies than rounding leaves of 1.
const FARTHEST: f64 = 9.0;

/// With 95 % confidence, the share of the population, 0 to 1, that meets the limits, at least. Two limits: each side
/// with 97.5 % confidence (Bonferroni), the shares beyond them added. `None` without a limit, of fewer than 2 units,
/// and when all units are alike to rounding.
///
/// ```
/// use loopgauge::decision::Limit;
/// use loopgauge::drift::{Moments, share_within};
///
/// let units = Moments::of(&[52.1, 53.4, 52.8, 51.9, 52.6, 53.1]).ok_or("no units")?;
/// let share = share_within(&units, &Limit { min: Some(50.0), max: None }).ok_or("no spread")?;
/// assert!((share - 0.9821).abs() < 1e-4);
/// # Ok::<(), &'static str>(())
/// ```
#[must_use]
pub fn share_within(units: &Moments, limit: &Limit) -> Option<f64> {
    let sd = units.sd.filter(|_| !units.all_alike())?;
    let count = units.count as f64;
    share_of(units.mean, sd, count, count - 1.0, limit)
}

/// The same where units of one group are alike ([`Lots`]): the mean is known as from fewer independent units, and the spread is that
/// of lots and units with its own degrees of freedom.
#[must_use]
pub fn share_within_lots(units: &Moments, lots: Option<&Lots>, limit: &Limit) -> Option<f64> {
    let Some(lots) = lots.filter(|_| !units.all_alike()) else { return share_within(units, limit) };
    share_of(units.mean, lots.total, lots.independent, lots.freedom, limit)
}

fn share_of(mean: f64, sd: f64, units: f64, freedom: f64, limit: &Limit) -> Option<f64> {
    let sides = [limit.min.map(|min| mean - min), limit.max.map(|max| max - mean)];
    let count = sides.iter().flatten().count();
    if count == 0 {
        return None;
    }
    let confidence = 1.0 - (1.0 - CONFIDENCE) / count as f64;
    let mut beyond = 0.0;
    for distance in sides.into_iter().flatten() {
        beyond += share_beyond(units, freedom, distance / sd, confidence)?;
    }
    Some((1.0 - beyond).max(0.0))
}

/// Value above which, with 95 % confidence, 95 % of the population lie. `None` of fewer than 2 units.
#[must_use]
pub fn bound_below(units: &Moments) -> Option<f64> {
    Some(units.mean - tolerance_factor(units.count, CONTENT, CONFIDENCE)? * units.sd?)
}

/// Value below which, with 95 % confidence, 95 % of the population lie. `None` of fewer than 2 units.
#[must_use]
pub fn bound_above(units: &Moments) -> Option<f64> {
    Some(units.mean + tolerance_factor(units.count, CONTENT, CONFIDENCE)? * units.sd?)
}

/// One-sided tolerance factor k for a share `content` of the population, with `confidence`, from `units` units. `None`
/// of fewer than 2 units, and for shares outside (0, 1).
///
/// ```
/// let k = loopgauge::drift::tolerance_factor(10, 0.95, 0.95).ok_or("no such share")?;
/// assert!((k - 2.9110).abs() < 1e-4);
/// # Ok::<(), &'static str>(())
/// ```
#[must_use]
pub fn tolerance_factor(units: usize, content: f64, confidence: f64) -> Option<f64> {
    let inside = |share: f64| share > 0.0 && share < 1.0;
    if units < 2 || !inside(content) || !inside(confidence) {
        return None;
    }
    let (freedom, root) = (units as f64 - 1.0, (units as f64).sqrt());
    let delta = quantile(content) * root;
    let t = solve(delta, (f64::NEG_INFINITY, f64::INFINITY), |t| {
        let at = NoncentralT { freedom, delta, t }.sums();
        (at.below - confidence, at.by_t)
    })?;
    Some(t / root)
}

/// Share of the population beyond a limit that lies `k` standard deviations from the mean, at most, with `confidence`. The mean is
/// known as from `units` independent ones, the spread with `freedom` degrees.
fn share_beyond(units: f64, freedom: f64, k: f64, confidence: f64) -> Option<f64> {
    let root = units.sqrt();
    let t = k * root;
    // The larger the non-centrality, the less lies below t: the search runs over its negative.
    let excess = |negative: f64| {
        let at = NoncentralT { freedom, delta: -negative, t }.sums();
        (at.below - confidence, at.by_delta)
    };
    let farthest = FARTHEST * root;
    if excess(-farthest).0 >= 0.0 {
        return Some(0.0);
    }
    if excess(farthest).0 <= 0.0 {
        return Some(1.0);
    }
    // The normal approximation of the factor is near enough to begin with.
    let spread = (1.0 / units + k * k / (2.0 * freedom)).sqrt();
    let start = root * (quantile(confidence) * spread - k).clamp(-FARTHEST, FARTHEST);
    Some(normal(solve(start, (-farthest, farthest), excess)? / root))
}

/// Standard normal distribution function.
fn normal(z: f64) -> f64 {
    0.5 * erfc(-z / SQRT_2)
}

/// Standard normal quantile, of a probability in (0, 1).
fn quantile(probability: f64) -> f64 {
    -SQRT_2 * erfc_inv(2.0 * probability)
}

/// Non-central t: `freedom` degrees of freedom, non-centrality `delta`, at `t`.
struct NoncentralT {
    freedom: f64,
    delta: f64,
    t: f64,
}

/// Probability below t, its density (derivative by t), and its fall with the non-centrality.
struct Sums {
    below: f64,
    by_t: f64,
    by_delta: f64,
}

/// ln of the weights at which the sum ends, relative to the largest: far below rounding.
const NEGLIGIBLE: f64 = -40.0;

impl NoncentralT {
    fn sums(&self) -> Sums {
        // The weight over w = ln u is u^nu exp(-nu u² / 2), about 1 / sqrt(2 nu) wide; Phi rises over about 1 / delta.
        // Half of the narrower width leaves an error of exp(-2 pi² 4) for a normal curve. Both die off for complex w
        // too within pi / 4 of the real line: with a step of 1/8 at most that leaves exp(-4 pi²).
        let step = 0.5 / (2.0 * self.freedom + self.delta * self.delta + 16.0).sqrt();
        let ln_weight = |w: f64| self.freedom * (w - 0.5 * ((2.0 * w).exp() - 1.0));
        let (mut total, mut below, mut by_t, mut by_delta) = (0.0, 0.0, 0.0, 0.0);
        for direction in [-step, step] {
            // The middle belongs to the way down.
            let first = usize::from(direction > 0.0);
            let places = (first..).map(|k| k as f64 * direction);
            for (u, weight) in places.map(|w| (w.exp(), ln_weight(w))).take_while(|(_, ln)| *ln > NEGLIGIBLE)
            {
                let weight = weight.exp();
                let z = self.t * u - self.delta;
                let density = weight * (-0.5 * z * z).exp() / (SQRT_2 * std::f64::consts::PI.sqrt());
                total += weight;
                below += weight * normal(z);
                by_t += density * u;
                by_delta += density;
            }
        }
        Sums { below: below / total, by_t: by_t / total, by_delta: by_delta / total }
    }
}

/// Relative step at which Newton's method has settled: its next step would be far smaller, and erfc itself is good to 1e-10.
const SETTLED: f64 = 1e-10;

/// Root inside a bracket, which may be open, of a rising function that gives its value and slope: Newton's steps, or
/// half the bracket where they leave it. `None` when there is no root.
fn solve(start: f64, bracket: (f64, f64), f: impl Fn(f64) -> (f64, f64)) -> Option<f64> {
    let ((mut low, mut high), mut x, mut reach) = (bracket, start, 1.0 + 0.1 * start.abs());
    // Newton needs some five steps, halving a bracket to the last bit 60; doubling the reach brackets what exists long
    // before.
    for _ in 0..200 {
        let (value, slope) = f(x);
        let newton = x - value / slope;
        if (newton - x).abs() <= SETTLED * x.abs().max(1.0) {
            return Some(newton);
        }
        if value > 0.0 {
            high = x;
        } else {
            low = x;
        }
        x = if newton > low && newton < high && (newton - x).abs() <= reach {
            newton
        } else if high.is_infinite() {
            x + reach
        } else if low.is_infinite() {
            x - reach
        } else {
            0.5 * (low + high)
        };
        reach *= 2.0;
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative error of the library's erfc, found by comparison with the C library's.
    const ERFC: f64 = 1.1e-10;

    /// t with delta 0 is Student's; with 1 degree of freedom Cauchy's, with 2 a closed form (any handbook).
    #[test]
    fn without_non_centrality_it_is_students_t() {
        for t in [-3.0, -0.5, 0.0, 1.0, 12.7062] {
            let below = |freedom: f64| NoncentralT { freedom, delta: 0.0, t }.sums().below;
            let cauchy = 0.5 + t.atan() / std::f64::consts::PI;
            assert!((below(1.0) - cauchy).abs() < ERFC, "{t}: {} {cauchy}", below(1.0));
            let two = 0.5 + 0.5 * t / (2.0 + t * t).sqrt();
            assert!((below(2.0) - two).abs() < ERFC, "{t}");
        }
    }

    /// At t = 0 only the normal numerator counts: Phi(-delta), whatever the degrees of freedom.
    #[test]
    fn at_zero_it_is_normal() {
        for freedom in [1.0, 7.0, 500.0] {
            for delta in [-2.0, 0.5, 6.0] {
                let below = NoncentralT { freedom, delta, t: 0.0 }.sums().below;
                assert!((below - normal(-delta)).abs() < 1e-14);
            }
        }
    }

    #[test]
    fn share_and_factor_are_inverse() {
        for units in [2, 3, 5, 12, 100, 3000] {
            for content in [0.3, 0.9, 0.999_9] {
                let k = tolerance_factor(units, content, 0.95).unwrap();
                let beyond = share_beyond(units as f64, units as f64 - 1.0, k, 0.95).unwrap();
                assert!((beyond / (1.0 - content) - 1.0).abs() < 1e-8, "{units} {content}: {beyond}");
            }
        }
    }

    #[test]
    fn far_from_a_limit_nearly_all_meet_it() {
        let limit = |min, max| Limit { min, max };
        let units = Moments::of(&[52.1, 53.4, 52.8, 51.9, 52.6, 53.1]).unwrap();
        let share = |min, max| share_within(&units, &limit(min, max)).unwrap();
        assert!(share(Some(-1e6), None) > 1.0 - 1e-12);
        assert!(share(Some(1e6), None) < 1e-12);
        assert!(share(Some(50.0), Some(60.0)) < share(Some(50.0), None));
        assert_eq!(share(Some(60.0), Some(40.0)), 0.0);
        assert_eq!(share_within(&units, &limit(None, None)), None);
        assert_eq!(share_within(&Moments::of(&[52.0; 4]).unwrap(), &limit(Some(50.0), None)), None);
    }

    #[test]
    fn bounds_lie_on_both_sides_alike() {
        let units = Moments::of(&[1.0, 2.0, 3.0, 4.0, 5.0]).unwrap();
        // Factor 4.2027 for 5 units: ISO 16269-6 (recomputed).
        let half = 4.2027 * 2.5f64.sqrt();
        assert!((bound_below(&units).unwrap() - (3.0 - half)).abs() < 1e-4);
        assert!((bound_above(&units).unwrap() - (3.0 + half)).abs() < 1e-4);
        assert_eq!(bound_below(&Moments::of(&[1.0]).unwrap()), None);
    }
}
