//! Where a series stands now: its groups with what moved taken out, at the newest level. A movement is no scatter of lots, and capability is
//! that of what is built today.

use super::least_squares::Moments;
use super::movement::{Kind, Movement};
use super::{GroupStats, Lots};

/// Half of a two-sided 95 % interval in standard errors (any table of the normal distribution).
const HALF: f64 = 1.959_964;
/// Largest probability that nothing moved at which what moved is taken out: a guess must not make a better product.
const UNSURE: f64 = 0.1;
/// Fewest groups since it began: of two on their own nobody knows where the series stands.
const SHORTEST: usize = 3;

/// Units and lots as they would be had the series always stood where it stands now.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Standing {
    pub(super) units: Moments,
    /// Scatter of lots that is left, where there is any.
    pub(super) lots: Option<Lots>,
    /// The same with the level known as the movement tells it, and a spread of so many degrees of freedom.
    pub(super) known: Lots,
}

/// What moved in a group since, up to the newest: the newest level less that of the group.
fn moved(movement: &Movement, group: usize, newest: usize) -> f64 {
    let change = |kind: Kind, since: usize, end: usize, size: f64| match kind {
        Kind::None => 0.0,
        Kind::Step => {
            if group < since {
                size
            } else {
                0.0
            }
        }
        Kind::Ramp => {
            let span = (end + 1).saturating_sub(since).max(1) as f64;
            size * (end.saturating_sub(group) as f64 / span).min(1.0)
        }
    };
    let since = movement.since.map_or(newest, |since| since.group);
    let ends = movement.earlier.iter().skip(1).map(|later| later.since).chain([since]);
    let earlier = movement.earlier.iter().zip(ends);
    let before: f64 =
        earlier.map(|(own, end)| change(own.kind, own.since, end.saturating_sub(1), own.size)).sum();
    before + change(movement.kind, since, newest, movement.size.value)
}

/// `None` where nothing surely moved, or of units that tell no spread.
pub(super) fn standing(movement: &Movement, groups: &[GroupStats], units: &Moments) -> Option<Standing> {
    let newest = groups.iter().rposition(|group| group.mean.is_some())?;
    if movement.kind == Kind::None
        || movement.probability.none > UNSURE
        || units.sd.is_none()
        || units.all_alike()
    {
        return None;
    }
    if movement.since.is_none_or(|since| newest + 1 < since.group + SHORTEST) {
        return None;
    }
    let taken_out: Vec<GroupStats> = groups
        .iter()
        .enumerate()
        .map(|(place, group)| GroupStats {
            mean: group.mean.map(|mean| mean + moved(movement, place, newest)),
            ..*group
        })
        .collect();
    let level = movement.level.value;
    let squares: f64 = taken_out
        .iter()
        .filter_map(|group| {
            let size = group.units as f64;
            Some(size * (group.mean? - level).powi(2) + group.sd.map_or(0.0, |sd| sd * sd * (size - 1.0)))
        })
        .sum();
    let count =
        taken_out.iter().filter(|group| group.mean.is_some()).map(|group| group.units).sum::<u64>() as f64;
    // Level and size are taken from the same groups.
    let freedom = count - 2.0 - movement.earlier.len() as f64;
    if freedom < 1.0 || squares <= 0.0 {
        return None;
    }
    let sd = (squares / freedom).sqrt();
    let lots = Lots::of(&taken_out);
    let error = 0.5 * (movement.level.high - movement.level.low) / HALF;
    let plain = Lots { between: 0.0, within: sd, total: sd, freedom, independent: count };
    let known = lots.unwrap_or(plain);
    let independent = (known.total / error).powi(2).min(known.independent);
    Some(Standing {
        units: Moments { mean: level, sd: Some(sd), ..*units },
        lots: lots.map(|lots| Lots { independent, ..lots }),
        known: Lots { independent, ..known },
    })
}

#[cfg(test)]
mod tests {
    use super::super::movement::{Observation, movement};
    use super::*;
    use crate::decision::Limit;
    use crate::drift::{Capability, Running};

    const LIMIT: Limit = Limit { min: Some(50.0), max: None };

    /// Eight units a group, their standard deviation 0.4, lots that hardly differ.
    fn history(level: impl Fn(usize) -> f64) -> (Vec<GroupStats>, Moments) {
        let mut all = Running::default();
        let groups = (0..24)
            .map(|k| {
                let mut own = Running::default();
                for unit in 0..8 {
                    let off = 0.4 * (f64::from(unit) - 3.5) / 2.449 + 0.1 * ((k * 7) as f64 * 2.4).sin();
                    own.add(level(k) + off);
                }
                all.join(&own);
                GroupStats { units: 8, mean: own.mean(), sd: own.sd(), ..GroupStats::default() }
            })
            .collect();
        (groups, all.moments().unwrap())
    }

    fn stands(level: impl Fn(usize) -> f64) -> (Standing, Capability, Capability) {
        let (groups, units) = history(level);
        let of = |(place, group): (usize, &GroupStats)| Observation::of(place, group);
        let means: Vec<Observation> = groups.iter().enumerate().filter_map(of).collect();
        let told = movement(&means, &LIMIT, None).unwrap().movement;
        let now = standing(&told, &groups, &units).unwrap();
        let all = Capability::of_lots(&units, Lots::of(&groups).as_ref(), &LIMIT).unwrap();
        let own = Capability::of_lots(&now.units, Some(&now.known), &LIMIT).unwrap();
        (now, own, all)
    }

    /// (53 - 50) / (3 x 0.4) = 2.5 where it stands; over all groups, from 57 down, the movement would count as scatter of lots.
    #[test]
    fn capability_is_that_of_the_newest_level() {
        let ramp = |k: usize| 57.0 - 0.25 * (k as f64 - 7.0).clamp(0.0, 16.0);
        let step = |k: usize| if k < 16 { 57.0 } else { 53.0 };
        for (name, (now, own, all)) in [("ramp", stands(ramp)), ("step", stands(step))] {
            assert!((own.ppk - 2.5).abs() < 0.25, "{name}: {own:?} {now:?}");
            assert!(own.low < own.ppk && own.low > 1.7, "{name}: {own:?}");
            assert!(all.ppk < 1.4, "{name}: {all:?}");
            assert!(now.lots.is_none_or(|lots| lots.between < 0.2), "{name}: {now:?}");
        }
    }

    /// What fell and was mended stands where it was mended to.
    #[test]
    fn what_was_mended_counts_as_mended() {
        let (_, own, all) = stands(|k| if (6..14).contains(&k) { 51.0 } else { 54.0 });
        assert!((own.ppk - 3.33).abs() < 0.35 && all.ppk < 1.0, "{own:?} {all:?}");
    }
}
