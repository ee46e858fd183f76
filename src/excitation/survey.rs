//! All frequencies of a corner.

use super::dead_zone::doubtful;
use super::flat_pair::{FlatPair, flat_pair};
use super::level_pair::{Difference, Reading};
use super::noise_limits::{Noisy, noisy};
use super::point::{NoiseAt, SurveyPoint};
use super::profile::profile;
use super::strongest_level::{Levels, Standing, standing};
use super::tried::Tried;
use crate::linearity::Relation;
use crate::noise::Smoother;
use crate::spec::Tolerances;

/// What the levels of a corner show.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Survey {
    /// The grid, rising in frequency.
    pub points: Vec<SurveyPoint>,
    /// Ranges where noise hides more than the tolerances allow.
    pub noisy: Vec<Noisy>,
    /// One pair of constant levels, beside the profile.
    pub flat: FlatPair,
}

/// Fewest points that make a profile.
const FEWEST: usize = 3;

impl Survey {
    /// Points of the profile: frequency, Hz, and level, dBm. Fewer than three make none.
    #[must_use]
    pub fn profile(&self) -> Vec<(f64, f64)> {
        let points: Vec<(f64, f64)> =
            self.points.iter().filter_map(|p| Some((p.frequency_hz, p.level_dbm?))).collect();
        if points.len() < FEWEST { Vec::new() } else { points }
    }
}

/// Compares levels (rising) at frequencies (rising, Hz) under the tolerances of gain and phase, with the tolerances' step as
/// the distance kept from the strongest unchanged level.
#[must_use]
pub fn survey(frequencies_hz: &[f64], tried: &[Tried<'_>], tolerances: &Tolerances) -> Survey {
    let dbm: Vec<f64> = tried.iter().map(|level| level.dbm).collect();
    let ln_f: Vec<f64> = frequencies_hz.iter().map(|hz| hz.ln()).collect();
    let mut readings: Vec<Vec<Option<Reading>>> =
        ln_f.iter().map(|&x| tried.iter().map(|level| Reading::of(level.sweep, x)).collect()).collect();
    let differences = differences(&ln_f, tried, &dbm, &readings, tolerances);
    let standings = standings(&ln_f, tried, &dbm, &mut readings, &differences, tolerances);
    let mut bounds = Vec::with_capacity(ln_f.len());
    let mut points = Vec::with_capacity(ln_f.len());
    let mut measured: Vec<Vec<(f64, NoiseAt)>> = Vec::with_capacity(ln_f.len());
    for ((&frequency_hz, standing), readings) in frequencies_hz.iter().zip(&standings).zip(&readings) {
        let level = |i: usize| dbm.get(i).copied();
        // Where no level is shown to be good but one to be bad, what is given beside it must not lead there from above.
        let below_break = standing.breaks.and_then(|found| level(found.level.saturating_sub(1)));
        bounds.push(standing.strongest.and_then(level).or(below_break));
        let top = standing.strongest.unwrap_or(usize::MAX);
        let noise: Vec<(f64, NoiseAt)> = dbm
            .iter()
            .zip(readings)
            .enumerate()
            .filter(|(i, _)| *i <= top)
            .filter_map(|(_, (dbm, reading))| Some((*dbm, NoiseAt::of(reading.as_ref()?))))
            .collect();
        points.push(SurveyPoint {
            frequency_hz,
            strongest: standing.strongest,
            weakest: standing.weakest,
            breaks: standing.breaks,
            level_dbm: None,
            noise: None,
            noise_at_strongest: noise.last().map(|(_, noise)| *noise),
        });
        measured.push(noise);
    }
    let levels = profile(&ln_f, &bounds, tolerances.step.db()).unwrap_or_default();
    for ((point, level), measured) in points.iter_mut().zip(levels).zip(&measured) {
        if point.strongest.is_none() {
            continue;
        }
        let nearest = measured.iter().min_by(|a, b| (a.0 - level).abs().total_cmp(&(b.0 - level).abs()));
        point.level_dbm = Some(level);
        point.noise = nearest.map(|(dbm, noise)| noise.lowered(dbm - level));
    }
    let noisy = noisy(&points, &dbm, tolerances);
    let flat = flat_pair(&points, &dbm, &measured, tolerances);
    Survey { points, noisy, flat }
}

/// What the levels show at each frequency. Where weak ones only look as if they lay in a dead zone, they say nothing, and the stronger
/// ones are judged without them.
fn standings(
    ln_f: &[f64],
    tried: &[Tried<'_>],
    dbm: &[f64],
    readings: &mut [Vec<Option<Reading>>],
    differences: &[Option<Difference>],
    tolerances: &Tolerances,
) -> Vec<Standing> {
    let at = |ln_f: f64, readings: &[Option<Reading>]| {
        standing(&Levels { dbm, readings, differences, ln_f, tolerances })
    };
    let mut found: Vec<Standing> = ln_f.iter().zip(readings.iter()).map(|(x, own)| at(*x, own)).collect();
    // Each time at least the weakest level is left out.
    for _ in dbm {
        let doubtful = doubtful(&found, ln_f, tried);
        if doubtful.is_empty() {
            break;
        }
        for range in doubtful {
            let points = ln_f.iter().zip(readings.iter_mut()).zip(&mut found);
            for ((x, own), standing) in points.skip(range.start).take(range.len()) {
                own.iter_mut().take(standing.weakest).for_each(|reading| *reading = None);
                *standing = at(*x, own);
            }
        }
    }
    found
}

/// Smoothed differences of the pairs whose own curves say nothing at some frequency, each at its place.
fn differences(
    ln_f: &[f64],
    tried: &[Tried<'_>],
    dbm: &[f64],
    readings: &[Vec<Option<Reading>>],
    tolerances: &Tolerances,
) -> Vec<Option<Difference>> {
    let mut smoother = Smoother::default();
    let is_unclear = |weak: usize, strong: usize| {
        ln_f.iter().zip(readings).any(|(&ln_f, readings)| {
            let levels = Levels { dbm, readings, differences: &[], ln_f, tolerances };
            let both = levels.reading(weak).is_some() && levels.reading(strong).is_some();
            both && levels.relate(weak, strong).0 == Relation::Unclear
        })
    };
    let pairs = tried.iter().enumerate().flat_map(|(j, strong)| {
        tried.iter().take(j).enumerate().map(move |(i, weak)| (i, j, weak.sweep, strong.sweep))
    });
    pairs
        .map(
            |(i, j, weak, strong)| {
                if is_unclear(i, j) { Difference::of(weak, strong, &mut smoother) } else { None }
            },
        )
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::level_pair::Quantity;
    use super::super::noise_limits::Headroom;
    use super::super::profile::SLOPE_DB_PER_DECADE;
    use super::*;
    use crate::analysed::Analysed;
    use crate::quantity::{Decibel, Degrees};
    use crate::spec::CriticalPoint;
    use crate::sweep::Samples;

    const STEP_DB: f64 = 3.0;
    const PER_DECADE: f64 = 30.0;
    const FROM_HZ: f64 = 100.0;
    const TO_HZ: f64 = 100e3;

    fn tolerances() -> Tolerances {
        Tolerances {
            step: Decibel::new(STEP_DB).unwrap(),
            crossover: None,
            phase_margin: None,
            gain: Decibel::new(1.0),
            phase: Degrees::new(5.0),
            band: (0.1, 10.0),
        }
    }

    /// Normal deviates from a linear congruential generator (D. E. Knuth, The Art of Computer Programming, vol. 2, 3.3.4:
    /// MMIX, from memory): sums of twelve uniform ones.
    struct Normal(u64);

    impl Normal {
        fn next(&mut self) -> f64 {
            let mut sum = -6.0;
            for _ in 0..12 {
                self.0 =
                    self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                sum += (self.0 >> 11) as f64 / (1u64 << 53) as f64;
            }
            sum
        }
    }

    /// A loop that crosses at 10 kHz, swept at a level: `factor` is what is left of its gain there, `sigma` its relative
    /// noise.
    fn sweep(factor: impl Fn(f64) -> f64, sigma: impl Fn(f64) -> f64, seed: u64) -> Analysed {
        let (mut samples, mut normal) = (Samples::default(), Normal(seed));
        let count = (PER_DECADE * (TO_HZ / FROM_HZ).log10()).round() as u32;
        for k in 0..=count {
            let hz = FROM_HZ * 10f64.powf(f64::from(k) / PER_DECADE);
            let s = sigma(hz);
            let ln_mag = (factor(hz) * 1e4 / hz / (hz / 8e4).hypot(1.0)).ln() + s * normal.next();
            samples.push(hz, ln_mag, 1.57 - (hz / 8e4).atan() + s * normal.next());
        }
        Analysed::of(&samples, CriticalPoint::PlusOne)
    }

    /// Levels with the gain factor and the relative noise of each: both of (dBm, Hz).
    fn tried_at(
        dbm: &[f64],
        factor: impl Fn(f64, f64) -> f64,
        sigma: impl Fn(f64, f64) -> f64,
        seed: u64,
    ) -> Survey {
        let sweeps: Vec<Analysed> = dbm
            .iter()
            .zip(0..)
            .map(|(&dbm, i)| sweep(|hz| factor(dbm, hz), |hz| sigma(dbm, hz), 1000 * seed + i))
            .collect();
        let tried: Vec<Tried<'_>> =
            dbm.iter().zip(&sweeps).map(|(&dbm, sweep)| Tried { dbm, sweep }).collect();
        survey(sweeps[0].curve.frequency_hz(), &tried, &tolerances())
    }

    const LEVELS: [f64; 9] = [-32.0, -29.0, -26.0, -23.0, -20.0, -17.0, -14.0, -11.0, -8.0];

    /// Receiver's noise: 0.3 % at -32 dBm, and falling with the level.
    fn noise(dbm: f64, _: f64) -> f64 {
        3e-3 * 10f64.powf((-32.0 - dbm) / 20.0)
    }

    /// What the loop bears, dBm: everything tried below 1 kHz, less up to 10 kHz, least above.
    fn bears(hz: f64) -> f64 {
        match hz {
            hz if hz < 1e3 => 99.0,
            hz if hz < 1e4 => -13.5,
            _ => -22.5,
        }
    }

    /// A clamp: what goes beyond is lost. 0.5 dB beyond is inside the tolerance of 1 dB, 3.5 dB are not.
    fn clamp(dbm: f64, hz: f64) -> f64 {
        10f64.powf((bears(hz) - dbm).min(0.0) / 20.0)
    }

    /// Ratio of frequencies about an edge of two regions within which the smoothing mixes them.
    const EDGE: f64 = 1.4;

    fn is_near_an_edge(hz: f64) -> bool {
        [1e3, 1e4].iter().any(|edge: &f64| (hz / edge).ln().abs() < EDGE.ln())
    }

    #[test]
    fn each_region_has_the_strongest_level_it_bears() {
        let found = tried_at(&LEVELS, clamp, noise, 1);
        assert_eq!(found.points.len(), 91);
        let mut seen = 0;
        for point in found.points.iter().filter(|p| !is_near_an_edge(p.frequency_hz)) {
            let hz = point.frequency_hz;
            let (strongest, breaks) = match bears(hz) {
                99.0 => (-8.0, None),
                -13.5 => (-14.0, Some(-11.0)),
                _ => (-23.0, Some(-20.0)),
            };
            // -13.5 bears -14 untouched; -11 loses 2.5 dB. -22.5 bears -23; -20 loses 2.5 dB.
            assert_eq!(point.strongest.map(|i| LEVELS[i]), Some(strongest), "{hz} Hz");
            assert_eq!(point.breaks.map(|b| LEVELS[b.level]), breaks, "{hz} Hz");
            if let Some(found) = point.breaks {
                assert_eq!(found.cause.quantity, Quantity::Gain);
                assert!((found.cause.change + 2.5).abs() < 0.2, "{found:?}");
            }
            seen += 1;
        }
        assert!(seen > 70, "{seen}");
        assert!(found.noisy.is_empty(), "{:?}", found.noisy);
    }

    /// Steepest step of a profile, dB per decade; its levels are rounded to 0.01 dB.
    fn steepest(points: &[(f64, f64)]) -> f64 {
        points
            .windows(2)
            .map(|w| ((w[1].1 - w[0].1).abs() - 0.01) / (w[1].0 / w[0].0).log10())
            .fold(0.0, f64::max)
    }

    #[test]
    fn the_profile_keeps_its_distance_and_its_slope() {
        for seed in 0..5 {
            let found = tried_at(&LEVELS, clamp, noise, seed);
            let profile = found.profile();
            assert_eq!(profile.len(), found.points.len());
            for (point, (hz, level)) in found.points.iter().zip(&profile) {
                assert_eq!(point.frequency_hz, *hz);
                assert!(*level <= LEVELS[point.strongest.unwrap()] - STEP_DB + 1e-9, "{point:?}");
            }
            assert!(steepest(&profile) <= SLOPE_DB_PER_DECADE + 1e-6, "{}", steepest(&profile));
            assert_eq!(profile[0].1, -11.0, "as strong as it may be where nothing is near");
            assert_eq!(profile[90].1, -26.0);
        }
    }

    #[test]
    fn noise_alone_breaks_nothing() {
        let (mut shown, mut all) = (0, 0);
        for seed in 0..20 {
            // From 0.1 % to 40 % at the weakest level.
            let sigma = 1e-3 * 1.37f64.powf(seed as f64);
            let found = tried_at(&LEVELS, |_, _| 1.0, |dbm, hz| sigma / 3e-3 * noise(dbm, hz), seed);
            for point in &found.points {
                assert_eq!(point.breaks, None, "noise of {sigma}: {point:?}");
                all += 1;
                shown += usize::from(point.strongest == Some(8));
            }
        }
        assert!(
            shown > all * 9 / 10,
            "the strong levels agree where the weak ones are noise: {shown} of {all}"
        );
    }

    #[test]
    fn nothing_is_said_where_all_is_noise() {
        let found = tried_at(&LEVELS[..3], |_, _| 1.0, |_, _| 0.5, 3);
        assert!(found.points.iter().all(|p| p.strongest.is_none() && p.breaks.is_none()));
        assert!(found.profile().is_empty());
        assert!(found.noisy.iter().all(|n| n.headroom == Headroom::Untried && n.noise.is_none()));
        let [first, last] = [&found.points[0], &found.points[90]].map(|p| p.frequency_hz);
        assert_eq!((found.noisy[0].range_hz[0], found.noisy.last().unwrap().range_hz[1]), (first, last));
    }

    #[test]
    fn a_dead_zone_makes_the_weak_levels_the_odd_ones() {
        // Below 1 kHz, levels under -27 dBm lose gain: -32 dBm 5 dB, -29 dBm 2 dB.
        let dead = |dbm: f64, hz: f64| {
            if hz < 1e3 { 10f64.powf((dbm + 27.0).min(0.0) / 20.0) } else { 1.0 }
        };
        let found = tried_at(&LEVELS, dead, noise, 2);
        for point in found.points.iter().filter(|p| !is_near_an_edge(p.frequency_hz)) {
            assert_eq!(point.strongest, Some(8), "{point:?}");
            assert_eq!(point.weakest, if point.frequency_hz < 1e3 { 2 } else { 0 }, "{point:?}");
        }
    }

    #[test]
    fn where_even_the_weakest_are_changed_the_neighbours_are_kept_low() {
        // From 1 kHz to 10 kHz gain falls with any level.
        let falling = |dbm: f64, hz: f64| {
            if (1e3..1e4).contains(&hz) { 10f64.powf((-40.0 - dbm) / 20.0) } else { 1.0 }
        };
        let found = tried_at(&LEVELS, falling, noise, 4);
        let inside = |hz: f64| (1e3 * EDGE..1e4 / EDGE).contains(&hz);
        for point in found.points.iter().filter(|p| inside(p.frequency_hz)) {
            assert!(point.strongest.is_none() && point.level_dbm.is_none() && point.breaks.is_some());
        }
        let profile = found.profile();
        for (hz, level) in &profile {
            let away = if *hz < 3e3 { (1e3 / hz).log10() } else { (hz / 1e4).log10() };
            // The last sample that is changed may lie one step away from the edge.
            let away = away.max(0.0) + 1.0 / PER_DECADE;
            assert!(*level <= -35.0 + SLOPE_DB_PER_DECADE * away + 1e-9, "{level} at {hz}");
        }
        assert!(profile.iter().any(|(hz, _)| *hz < 1e3) && profile.iter().any(|(hz, _)| *hz > 1e4));
    }

    #[test]
    fn noise_is_scaled_to_the_profile_and_weighed_against_the_tolerances() {
        // Noise that rises towards low frequency, to 12 % at -32 dBm and 100 Hz: smoothed it is above a third of a dB at the
        // profile's level of -26 dBm.
        let sigma = |dbm: f64, hz: f64| (4e3 / hz).max(1.0) * noise(dbm, hz);
        let held = |dbm: f64, _: f64| 10f64.powf((-22.5 - dbm).min(0.0) / 20.0);
        let found = tried_at(&LEVELS, held, sigma, 5);
        // The profile is 3 dB below the strongest unchanged level, so its noise is larger by as much; single frequencies vary
        // with the width of the local fit.
        let ratios: Vec<f64> = found
            .points
            .iter()
            .filter(|p| p.level_dbm == Some(-26.0))
            .filter_map(|p| Some((p.noise?.gain_db / p.noise_at_strongest?.gain_db).log10() * 20.0))
            .collect();
        let mean = ratios.iter().sum::<f64>() / ratios.len() as f64;
        assert!(ratios.len() > 60 && (mean - STEP_DB).abs() < 1.0, "{mean} dB over {} points", ratios.len());
        let range = found
            .noisy
            .iter()
            .max_by(|a, b| (a.range_hz[1] / a.range_hz[0]).total_cmp(&(b.range_hz[1] / b.range_hz[0])));
        let range = range.unwrap();
        assert!(range.range_hz[1] < 1e3 * EDGE, "{range:?}");
        assert_eq!(range.headroom, Headroom::None, "{range:?}");
        assert!(range.noise.unwrap().gain_db > 1.0 / 3.0);
        // The same noise where nothing breaks: stronger levels may do.
        let free = tried_at(&LEVELS[..3], |_, _| 1.0, sigma, 5);
        assert!(!free.noisy.is_empty() && free.noisy.iter().all(|n| n.headroom == Headroom::Untried));
    }
}
