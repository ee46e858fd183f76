//! The change of a value against accepted ones, with the uncertainty of both sides.
//!
//! A value answers to the offsets of the chain's gain, phase and delay with contributions c of known sign; all else that makes
//! its uncertainty (noise, density, impedance ratio) is its own. On one station the offsets are one error, so their contributions
//! subtract (JCGM 100:2008, 5.2.2, correlation 1); else they are independent. For two values on one station that is
//! u² = u1² + u2² − 2 Σ c1 c2 = own1² + own2² + Σ (c1 − c2)², and the second form loses no digits.
//!
//! Against the mean of n units the mean's own part is their scatter over the root of n, at least what their own parts
//! make of it. Student's factor for its n − 1 degrees of freedom follows from the effective degrees of freedom of the
//! whole (Welch and Satterthwaite: JCGM 100:2008, G.4.1).
//!
//! **Why may two bounds of a gain margin pass?** They are one thing read twice, the gain at the top of the band.
//! Undecided for good would make people remove the check.

use super::AcceptedValue;
use crate::measurand::Measurand;
use crate::spec::Accuracy;
use statrs::distribution::{ContinuousCDF, StudentsT};
use statrs::function::erf::erf;

/// Where something was measured: the name of the station, and how accurate its chain was declared to be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Station<'a> {
    /// Its name, where it is known.
    pub name: Option<&'a str>,
    /// Its accuracy.
    pub accuracy: Accuracy,
}

impl Station<'_> {
    /// Whether two sweeps share the errors of one chain: the same known station, declared alike.
    #[must_use]
    pub fn is_shared_with(&self, other: &Self) -> bool {
        self.name.is_some() && self == other
    }
}

/// A value and where it was measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Side<'a> {
    /// The value.
    pub value: &'a AcceptedValue,
    /// The station.
    pub station: Station<'a>,
}

/// A change: the value now less the accepted one, in the quantity's unit, or as a bare ratio to the accepted one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Change {
    /// The change; negative is a loss.
    pub value: f64,
    /// Its standard uncertainty, Student's factor included; `None` where one of the values has none.
    pub u: Option<f64>,
    /// What `value` counts from: the accepted value or the mean of the accepted units, by size.
    pub accepted: f64,
    /// How many units that is the mean of.
    pub units: usize,
    /// Standard deviation of the accepted units, in the quantity's unit; `None` with one.
    pub spread: Option<f64>,
    /// Half-width of the 95 % prediction interval of one more unit about the mean, as `value` is told; `None` with one.
    pub prediction: Option<f64>,
    /// Share of the variance that the chains bring: [0, 1].
    pub from_chains: f64,
    /// Share of the variance that the scatter of the accepted units brings: [0, 1].
    pub from_spread: f64,
}

/// A value as it is judged: the size, and how it answers.
struct Sized {
    size: f64,
    /// Own variance; `None` where the uncertainty is not known.
    own: Option<f64>,
    common: [f64; 3],
}

impl Sized {
    fn of(measurand: Measurand, value: &AcceptedValue) -> Self {
        // The phase margin keeps its sign and is judged by its magnitude.
        let sign = if measurand == Measurand::PhaseMargin && value.value < 0.0 { -1.0 } else { 1.0 };
        let budget = value.budget;
        let finite = |part: f64| if part.is_finite() { part } else { 0.0 };
        let common = [budget.gain, budget.phase, budget.delay].map(|part| sign * finite(part));
        let of_chain: f64 = common.iter().map(|c| c * c).sum();
        let own: f64 = [budget.noise, budget.density, budget.rounding, budget.level, budget.impedance_ratio]
            .into_iter()
            .map(|part| finite(part).powi(2))
            .sum();
        let whole = of_chain + own;
        let (own, scale) = match value.u {
            None => (None, 1.0),
            Some(u) if value.simulated && u * u < whole => {
                // The simulation says less than the law of propagation: all parts shrink alike.
                (Some(own * u * u / whole), u / whole.sqrt())
            }
            Some(u) if value.simulated => (Some(u * u - of_chain), 1.0),
            Some(_) => (Some(own), 1.0),
        };
        Self { size: sign * value.value, own, common: common.map(|c| c * scale) }
    }
}

/// The change of a value against the mean of accepted ones; `None` without an accepted one, or when a relative change has
/// nothing to refer to. `coverage` is the factor that the uncertainty will be multiplied with.
#[must_use]
pub fn change(measurand: Measurand, now: &Side<'_>, accepted: &[Side<'_>], coverage: f64) -> Option<Change> {
    let own = Sized::of(measurand, now.value);
    let sides: Vec<Sized> = accepted.iter().map(|side| Sized::of(measurand, side.value)).collect();
    let n = sides.len() as f64;
    let mean = sides.iter().map(|side| side.size).sum::<f64>() / n;
    if sides.is_empty() || (measurand.is_relative() && mean <= 0.0) {
        return None;
    }
    // How the change answers to the value now and to the accepted mean.
    let (per_now, per_mean) =
        if measurand.is_relative() { (1.0 / mean, -own.size / (mean * mean)) } else { (1.0, -1.0) };
    let value = if measurand.is_relative() { own.size / mean - 1.0 } else { own.size - mean };
    let spread = (sides.len() > 1)
        .then(|| (sides.iter().map(|side| (side.size - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt());
    let prediction = spread.map(|s| student(0.975, n - 1.0) * s * (1.0 + 1.0 / n).sqrt() * per_now);

    let of_chains = chains_variance((now, &own, per_now), accepted, &sides, per_mean / n);
    let measured: Option<f64> =
        sides.iter().map(|side| side.own).sum::<Option<f64>>().map(|sum| sum / (n * n) * per_mean * per_mean);
    let scatter = spread.map_or(0.0, |s| s * s / n * per_mean * per_mean);
    let u = own.own.zip(measured).map(|(own, measured)| {
        let whole = own * per_now * per_now + of_chains + measured.max(scatter);
        let factor = if scatter > measured {
            // Welch and Satterthwaite: everything else is known well.
            widened(coverage, whole * whole / (scatter * scatter / (n - 1.0)))
        } else {
            1.0
        };
        (whole, whole.sqrt() * factor)
    });
    let share =
        |part: f64| u.filter(|(whole, _)| *whole > 0.0).map_or(0.0, |(whole, _)| (part / whole).min(1.0));
    Some(Change {
        value,
        u: u.map(|(_, u)| u),
        accepted: mean,
        units: sides.len(),
        spread,
        prediction,
        from_chains: share(of_chains),
        from_spread: share(if measured.is_some_and(|m| scatter > m) { scatter } else { 0.0 }),
    })
}

/// Variance that the offsets of the chains bring: what belongs to one station adds before it is squared. `now` comes with how the
/// change answers to it, each accepted side with `per_side`.
fn chains_variance(
    (now, own, per_now): (&Side<'_>, &Sized, f64),
    accepted: &[Side<'_>],
    sides: &[Sized],
    per_side: f64,
) -> f64 {
    let mut chains: Vec<(&Station<'_>, [f64; 3])> = vec![(&now.station, own.common.map(|c| c * per_now))];
    for (side, sized) in accepted.iter().zip(sides) {
        let share = sized.common.map(|c| c * per_side);
        match chains.iter_mut().find(|(station, _)| station.is_shared_with(&side.station)) {
            Some((_, sum)) => sum.iter_mut().zip(share).for_each(|(sum, c)| *sum += c),
            None => chains.push((&side.station, share)),
        }
    }
    chains.iter().flat_map(|(_, sum)| sum).map(|c| c * c).sum()
}

/// Quantile of Student's distribution; infinite degrees of freedom give the normal one's.
pub(super) fn student(probability: f64, dof: f64) -> f64 {
    // Beyond this the distribution is the normal one to five digits, and the library loses some.
    const MANY: f64 = 1e6;
    StudentsT::new(0.0, 1.0, dof.clamp(1.0, MANY)).map_or(f64::MAX, |t| t.inverse_cdf(probability))
}

/// By how much an uncertainty of `dof` effective degrees of freedom is widened so that `coverage` times it covers what it
/// covers of a normal distribution (JCGM 100:2008, G.4.1).
#[must_use]
pub fn widened(coverage: f64, dof: f64) -> f64 {
    // Inside k standard deviations of a normal distribution lies erf(k / sqrt 2); half of the rest lies above.
    let above = 0.5 * (1.0 - erf(coverage * std::f64::consts::FRAC_1_SQRT_2));
    // A coverage so large that nothing is left above asks for no correction that could be told.
    if above < 1e-12 { 1.0 } else { (student(1.0 - above, dof) / coverage).max(1.0) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::{Decibel, Degrees, Seconds};
    use crate::uncertainty::Budget;

    const ACCURACY: Accuracy = Accuracy { gain: Decibel::ZERO, phase: Degrees::ZERO, delay: Seconds::ZERO };

    fn station(name: Option<&str>) -> Station<'_> {
        Station { name, accuracy: ACCURACY }
    }

    fn value(value: f64, gain: f64, phase: f64, noise: f64) -> AcceptedValue {
        let budget = Budget { gain, phase, noise, ..Budget::default() };
        AcceptedValue { value, u: budget.combined(), at_hz: 1e4, at_least: false, simulated: false, budget }
    }

    fn of<'a>(value: &'a AcceptedValue, name: Option<&'a str>) -> Side<'a> {
        Side { value, station: station(name) }
    }

    const PHASE: Measurand = Measurand::PhaseMargin;

    /// JCGM 100:2008, table G.2: t for 95 % and for 95.45 %.
    #[test]
    fn students_quantiles_are_those_of_the_table() {
        for (dof, t95, t9545) in [
            (1.0, 12.71, 13.97),
            (2.0, 4.30, 4.53),
            (5.0, 2.57, 2.65),
            (10.0, 2.23, 2.28),
            (50.0, 2.01, 2.05),
        ] {
            assert!((student(0.975, dof) - t95).abs() < 0.006, "{dof}");
            assert!((2.0 * widened(2.0, dof) - t9545).abs() < 0.006, "{dof}");
        }
        assert!((widened(2.0, 1e9) - 1.0).abs() < 1e-4);
    }

    #[test]
    fn errors_of_one_station_do_not_count_twice() {
        let (now, then) = (value(48.0, -0.1, 0.3, 0.03), value(52.0, -0.06, 0.3, 0.04));
        let u = |a, b| change(PHASE, &of(&now, a), &[of(&then, b)], 2.0).unwrap().u.unwrap();
        let same = u(Some("bench-1"), Some("bench-1"));
        assert!((same - (0.05_f64.powi(2) + 0.04_f64.powi(2)).sqrt()).abs() < 1e-12);
        let apart = (now.u.unwrap().powi(2) + then.u.unwrap().powi(2)).sqrt();
        for (a, b) in [(Some("bench-1"), Some("bench-2")), (None, None), (Some("bench-1"), None)] {
            assert!((u(a, b) - apart).abs() < 1e-12, "{a:?} {b:?}");
        }
        // The same name with a chain declared otherwise is another chain.
        let other = Station {
            accuracy: Accuracy { gain: Decibel::new(0.2).unwrap(), ..ACCURACY },
            name: Some("bench-1"),
        };
        let side = Side { value: &then, station: other };
        assert!(
            (change(PHASE, &of(&now, Some("bench-1")), &[side], 2.0).unwrap().u.unwrap() - apart).abs()
                < 1e-12
        );
    }

    #[test]
    fn sizes_of_negative_phase_margins_are_compared() {
        let (now, then) = (value(-48.0, 0.0, 0.3, 0.0), value(52.0, 0.0, 0.3, 0.0));
        let own = change(PHASE, &of(&now, Some("b")), &[of(&then, Some("b"))], 2.0).unwrap();
        assert_eq!((own.value, own.accepted), (-4.0, 52.0));
        // One error moves the two sizes apart.
        assert!((own.u.unwrap() - 0.6).abs() < 1e-12);
    }

    #[test]
    fn simulated_uncertainties_never_give_less_than_nothing() {
        let mut then = value(52.0, -0.1, 0.3, 0.03);
        for (u, own) in [(0.5, 0.25 - 0.1), (0.1, 0.01 * 0.0009 / 0.1009)] {
            (then.simulated, then.u) = (true, Some(u));
            let sized = Sized::of(PHASE, &then);
            assert!((sized.own.unwrap() - own).abs() < 1e-12, "{u}");
            let whole = sized.own.unwrap() + sized.common.iter().map(|c| c * c).sum::<f64>();
            assert!((whole.sqrt() - u).abs() < 1e-12);
        }
        then.u = None;
        assert_eq!(change(PHASE, &of(&then, None), &[of(&then, None)], 2.0).unwrap().u, None);
    }

    #[test]
    fn a_crossover_changes_by_a_ratio() {
        let (now, then) = (value(9e3, 90.0, 0.0, 9.0), value(1e4, 100.0, 0.0, 10.0));
        let own = change(Measurand::Crossover, &of(&now, Some("b")), &[of(&then, Some("b"))], 2.0).unwrap();
        assert!((own.value + 0.1).abs() < 1e-15);
        // Both answer to the gain alike in proportion, so only the noise is left: 0.9 times root 2 of a thousandth.
        assert!((own.u.unwrap() - 0.9 * 2f64.sqrt() * 1e-3).abs() < 1e-15);
    }

    /// Four units of 51, 52, 52 and 53 deg: mean 52, standard deviation root of 2/3. By hand, with the table of Student's
    /// distribution: t for 95 % and 3 degrees of freedom is 3.18 (JCGM 100:2008, table G.2).
    #[test]
    fn several_units_are_compared_with_their_spread() {
        let units = [51.0, 52.0, 52.0, 53.0].map(|size| value(size, 0.0, 0.2, 0.05));
        let now = value(49.0, 0.0, 0.2, 0.05);
        let sides = units.each_ref().map(|unit| of(unit, Some("b")));
        let own = change(PHASE, &of(&now, Some("b")), &sides, 2.0).unwrap();
        let s = (2.0_f64 / 3.0).sqrt();
        assert_eq!((own.value, own.accepted, own.units), (-3.0, 52.0, 4));
        assert!((own.spread.unwrap() - s).abs() < 1e-12);
        assert!((own.prediction.unwrap() - 3.182 * s * 1.25_f64.sqrt()).abs() < 1e-3);
        // The station's phase cancels; 0.05² + s²/4, effective degrees of freedom 3 (1 + 0.015)².
        let (noise, scatter) = (0.0025, s * s / 4.0);
        let dof = 3.0 * ((noise + scatter) / scatter).powi(2);
        let expected = (noise + scatter).sqrt() * student(0.977_249_868, dof) / 2.0;
        assert!((own.u.unwrap() - expected).abs() < 1e-9);
        // On another station the common phase stays whole: it does not average out.
        let apart = change(PHASE, &of(&now, Some("c")), &sides, 2.0).unwrap();
        assert!((apart.from_chains - 0.08 / (0.08 + noise + scatter)).abs() < 1e-12);
        // Units of unknown stations have errors of their own.
        let unknown = units.each_ref().map(|unit| of(unit, None));
        let unknown = change(PHASE, &of(&now, None), &unknown, 2.0).unwrap();
        assert!((unknown.from_chains - 0.05 / (0.05 + noise + scatter)).abs() < 1e-12);
    }

    /// Units that agree by chance to the last digit still carry their noise.
    #[test]
    fn the_scatter_is_at_least_what_noise_makes() {
        let units = [52.0; 2].map(|size| value(size, 0.0, 0.0, 0.1));
        let sides = units.each_ref().map(|unit| of(unit, None));
        let own = change(PHASE, &of(&units[0], None), &sides, 2.0).unwrap();
        assert!((own.u.unwrap() - (0.01_f64 + 0.005).sqrt()).abs() < 1e-12);
    }
}
