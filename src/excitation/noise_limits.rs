//! Where noise hides more than the tolerances allow, and whether more excitation would help.

use super::point::{NoiseAt, SurveyPoint};
use crate::spec::Tolerances;
use serde::Serialize;

/// Part of a tolerance that the expanded noise may take: added in squares to a difference that fills the tolerance, a
/// third moves it by 5 %.
const SHARE: f64 = 1.0 / 3.0;
/// Level that is worth a word, dB: less than 0.5 dB lowers the noise by less than 6 %.
const WORTH_DB: f64 = 0.5;

/// What stands above the profile.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Headroom {
    /// No level tried was changed here: stronger ones may do.
    Untried,
    /// The profile lies lower than it must here, because it changes slowly: a sweep of this range alone may be stronger.
    Slope,
    /// The next stronger level is changed: only averaging or a narrower receiver bandwidth helps.
    None,
}

/// A range of frequencies where the expanded noise is above a third of a tolerance.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Noisy {
    /// Lowest and highest frequency, Hz.
    pub range_hz: [f64; 2],
    /// Most noise at the profile's level; `None` where there is no profile, because of the noise.
    pub noise: Option<NoiseAt>,
    /// Most noise at the strongest unchanged level; where there is none, at the strongest tried.
    pub noise_at_strongest: Option<NoiseAt>,
    /// Whether more excitation can lower it.
    pub headroom: Headroom,
}

/// Neighbours with the same headroom make one range.
pub(super) fn noisy(points: &[SurveyPoint], dbm: &[f64], tolerances: &Tolerances) -> Vec<Noisy> {
    let mut ranges: Vec<Noisy> = Vec::new();
    let mut before: Option<Headroom> = None;
    for point in points {
        let headroom = is_noisy(point, tolerances).then(|| headroom(point, dbm, tolerances));
        match (ranges.last_mut(), headroom) {
            (_, None) => {}
            (Some(range), Some(same))
                if before == Some(same) && range.noise.is_some() == point.noise.is_some() =>
            {
                range.range_hz[1] = point.frequency_hz;
                range.noise = worst(range.noise, point.noise);
                range.noise_at_strongest = worst(range.noise_at_strongest, point.noise_at_strongest);
            }
            (_, Some(headroom)) => ranges.push(Noisy {
                range_hz: [point.frequency_hz; 2],
                noise: point.noise,
                noise_at_strongest: point.noise_at_strongest,
                headroom,
            }),
        }
        before = headroom;
    }
    ranges
}

fn is_noisy(point: &SurveyPoint, tolerances: &Tolerances) -> bool {
    // Without a profile noise matters only where it is the reason.
    let noise = if point.strongest.is_some() {
        point.noise
    } else {
        point.noise_at_strongest.filter(|_| point.breaks.is_none())
    };
    noise.is_some_and(|noise| {
        tolerances.gain.is_some_and(|t| noise.gain_db > SHARE * t.db())
            || tolerances.phase.is_some_and(|t| noise.phase_deg > SHARE * t.deg())
    })
}

fn headroom(point: &SurveyPoint, dbm: &[f64], tolerances: &Tolerances) -> Headroom {
    if point.breaks.is_none() {
        return Headroom::Untried;
    }
    let strongest = point.strongest.and_then(|i| dbm.get(i));
    let spare = strongest.zip(point.level_dbm).map(|(top, level)| top - tolerances.step.db() - level);
    if spare.is_some_and(|spare| spare >= WORTH_DB) { Headroom::Slope } else { Headroom::None }
}

fn worst(a: Option<NoiseAt>, b: Option<NoiseAt>) -> Option<NoiseAt> {
    [a, b].into_iter().flatten().reduce(NoiseAt::worst)
}
