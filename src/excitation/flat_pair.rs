//! One pair of constant levels, a step apart, for the whole band: what a source without a level over frequency can set.

use super::point::{NoiseAt, SurveyPoint};
use crate::spec::Tolerances;

/// Slack of levels, dB.
const SLACK_DB: f64 = 1e-6;

/// One pair of levels for the whole band, or what stands against it.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
#[non_exhaustive]
pub enum FlatPair {
    /// Weak and strong level, dBm: neither changes anything anywhere, and their noise leaves them comparable.
    Does([f64; 2]),
    /// At some frequency no level is shown to leave the result unchanged.
    #[default]
    NotShown,
    /// What is strong enough for the dead zone at one frequency changes the result at another.
    Crossed {
        /// Weakest level that the dead zone asks for, dBm, and where, Hz.
        least: (f64, f64),
        /// Strongest unchanged level, dBm, and where, Hz.
        most: (f64, f64),
    },
    /// The levels would do, but for noise.
    Noisy {
        /// Weak and strong level, dBm.
        pair: [f64; 2],
        /// Lowest and highest frequency, Hz, where the expanded noise of their difference is above a tolerance.
        range_hz: [f64; 2],
    },
}

/// The strongest flat pair. `measured` is the noise of each point's levels up to the strongest unchanged one, with their dBm.
pub(super) fn flat_pair(
    points: &[SurveyPoint],
    dbm: &[f64],
    measured: &[Vec<(f64, NoiseAt)>],
    tolerances: &Tolerances,
) -> FlatPair {
    let level = |i: usize| dbm.get(i).copied();
    let strongest: Option<Vec<(f64, f64)>> =
        points.iter().map(|p| Some((level(p.strongest?)?, p.frequency_hz))).collect();
    let Some(most) = strongest.and_then(|all| all.into_iter().min_by(|a, b| a.0.total_cmp(&b.0))) else {
        return FlatPair::NotShown;
    };
    let pair = [most.0 - tolerances.step.db(), most.0];
    let dead =
        points.iter().filter(|p| p.weakest > 0).filter_map(|p| Some((level(p.weakest)?, p.frequency_hz)));
    let least = dead.max_by(|a, b| a.0.total_cmp(&b.0));
    if let Some(least) = least.filter(|least| least.0 > pair[0] + SLACK_DB) {
        return FlatPair::Crossed { least, most };
    }
    let mut noisy = points
        .iter()
        .zip(measured)
        .filter(|(_, measured)| !is_comparable(measured, pair, tolerances))
        .map(|(point, _)| point.frequency_hz);
    match noisy.next() {
        Some(first) => FlatPair::Noisy { pair, range_hz: [first, noisy.next_back().unwrap_or(first)] },
        None => FlatPair::Does(pair),
    }
}

/// Whether the expanded noise of the difference of both levels stays inside the tolerances: else a pair confirms nothing.
fn is_comparable(measured: &[(f64, NoiseAt)], pair: [f64; 2], tolerances: &Tolerances) -> bool {
    let at = |dbm: f64| {
        let nearest = measured.iter().min_by(|a, b| (a.0 - dbm).abs().total_cmp(&(b.0 - dbm).abs()));
        nearest.map(|(own, noise)| noise.lowered(own - dbm))
    };
    let (Some(weak), Some(strong)) = (at(pair[0]), at(pair[1])) else { return false };
    tolerances.gain.is_none_or(|t| weak.gain_db.hypot(strong.gain_db) <= t.db())
        && tolerances.phase.is_none_or(|t| weak.phase_deg.hypot(strong.phase_deg) <= t.deg())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::{Decibel, Degrees};

    const DBM: [f64; 4] = [-30.0, -27.0, -24.0, -21.0];

    /// Points with the strongest and the weakest unchanged level, and the noise of the gain at -30 dBm, dB.
    fn found(points: &[(Option<usize>, usize, f64)]) -> FlatPair {
        let tolerances = Tolerances {
            step: Decibel::new(3.0).unwrap(),
            crossover: None,
            phase_margin: None,
            gain: Decibel::new(1.0),
            phase: Degrees::new(5.0),
            band: (0.1, 10.0),
        };
        let mut hz = 0.0;
        let shown: Vec<SurveyPoint> = points
            .iter()
            .map(|&(strongest, weakest, _)| {
                hz += 100.0;
                SurveyPoint {
                    frequency_hz: hz,
                    strongest,
                    weakest,
                    breaks: None,
                    level_dbm: None,
                    noise: None,
                    noise_at_strongest: None,
                }
            })
            .collect();
        let noise = |db: f64| vec![(-30.0, NoiseAt { gain_db: db, phase_deg: 0.0 })];
        let measured: Vec<_> = points.iter().map(|&(.., db)| noise(db)).collect();
        flat_pair(&shown, &DBM, &measured, &tolerances)
    }

    #[test]
    fn the_weakest_place_sets_the_pair() {
        assert_eq!(
            found(&[(Some(3), 0, 0.1), (Some(1), 0, 0.1), (Some(2), 0, 0.1)]),
            FlatPair::Does([-30.0, -27.0])
        );
        assert_eq!(found(&[(Some(3), 2, 0.1), (Some(3), 0, 0.1)]), FlatPair::Does([-24.0, -21.0]));
    }

    #[test]
    fn what_stands_against_it_is_told_with_its_place() {
        assert_eq!(found(&[]), FlatPair::NotShown);
        assert_eq!(found(&[(Some(3), 0, 0.1), (None, 0, 0.1)]), FlatPair::NotShown);
        assert_eq!(
            found(&[(Some(3), 2, 0.1), (Some(2), 0, 0.1)]),
            FlatPair::Crossed { least: (-24.0, 100.0), most: (-24.0, 200.0) }
        );
        // 0.9 dB at -30 dBm is 0.45 dB at -24 dBm and 0.32 dB at -21 dBm; 2 dB are 1 dB and 0.7 dB.
        assert_eq!(found(&[(Some(3), 0, 0.9)]), FlatPair::Does([-24.0, -21.0]));
        assert_eq!(
            found(&[(Some(3), 0, 0.1), (Some(3), 0, 2.0), (Some(3), 0, 0.1), (Some(3), 0, 2.0)]),
            FlatPair::Noisy { pair: [-24.0, -21.0], range_hz: [200.0, 400.0] }
        );
    }
}
