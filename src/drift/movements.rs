//! Series of a product that move together: one cause, one entry.
//!
//! The surest series leads; each further one joins the first movement whose beginning its own interval meets, whose kind is not excluded
//! for it, and with whose series its means change alike from group to group. How well they do is a correlation, badly known from few
//! groups: of few it is not asked for, and of more only a correlation about 0 keeps series apart. To take two causes for one costs a look
//! at a list; to take one for sixty hides it.

use super::movement::{JointMovement, Kind, Moved, Movement, Since};
use super::wording::{self, quantity_title};
use super::{GroupHead, GroupStats, SeriesOutcome};
use crate::check::limit_text;
use crate::quantity::listed;

/// A kind that is less probable for a series is excluded (convention, no source).
const POSSIBLE: f64 = 0.1;
/// Changes from group to group from which on their correlation is asked for, and what it must be at least.
const ENOUGH_CHANGES: usize = 12;
const ALIKE: f64 = 0.15;
/// Series of a movement that a further one is compared with: the surest.
const COMPARED: usize = 8;
/// Names in a message that are written out.
const NAMES: usize = 3;

struct Member<'a> {
    place: usize,
    series: &'a SeriesOutcome,
    movement: &'a Movement,
    since: Since,
}

/// The movements of a product, the one that ate most of a distance to a limit first.
pub(super) fn joined(series: &[SeriesOutcome], heads: &[GroupHead]) -> Vec<JointMovement> {
    let member = |(place, series): (usize, &'_ SeriesOutcome)| -> Option<(usize, Since)> {
        Some((place, series.movement.as_ref()?.since?))
    };
    let mut moved: Vec<Member<'_>> = series
        .iter()
        .enumerate()
        .filter_map(|(place, series)| {
            let (place, since) = member((place, series))?;
            Some(Member { place, series, movement: series.movement.as_ref()?, since })
        })
        .collect();
    let sure = |member: &Member<'_>| member.movement.probability.of(member.movement.kind);
    moved.sort_by(|a, b| sure(b).total_cmp(&sure(a)).then(a.place.cmp(&b.place)));
    let mut groups: Vec<Vec<Member<'_>>> = Vec::new();
    for member in moved {
        let joins = |group: &&mut Vec<Member<'_>>| {
            group.iter().take(COMPARED).any(|other| move_together(other, &member))
        };
        match groups.iter_mut().find(joins) {
            Some(group) => group.push(member),
            None => groups.push(vec![member]),
        }
    }
    let mut joint: Vec<JointMovement> =
        groups.into_iter().filter_map(|group| told(group, series, heads)).collect();
    joint.sort_by(|a, b| b.share_eaten.total_cmp(&a.share_eaten));
    joint
}

fn move_together(a: &Member<'_>, b: &Member<'_>) -> bool {
    let meets = a.since.low <= b.since.high && b.since.low <= a.since.high;
    let possible = a.movement.kind == b.movement.kind
        || a.movement.probability.of(b.movement.kind) >= POSSIBLE
        || b.movement.probability.of(a.movement.kind) >= POSSIBLE;
    meets && possible && change_alike(&a.series.groups, &b.series.groups)
}

/// Whether the means of two series change together from group to group: the correlation of their differences, whatever its sign.
fn change_alike(a: &[GroupStats], b: &[GroupStats]) -> bool {
    let both: Vec<(f64, f64)> = a.iter().zip(b).filter_map(|(a, b)| a.mean.zip(b.mean)).collect();
    let changes: Vec<(f64, f64)> = both
        .windows(2)
        .filter_map(|pair| match pair {
            [(a, b), (later_a, later_b)] => Some((later_a - a, later_b - b)),
            _ => None,
        })
        .collect();
    if changes.len() < ENOUGH_CHANGES {
        return true;
    }
    let count = changes.len() as f64;
    let (mean_a, mean_b) = changes.iter().fold((0.0, 0.0), |(a, b), (x, y)| (a + x / count, b + y / count));
    let sums = changes.iter().fold([0.0; 3], |[xx, xy, yy], (x, y)| {
        let (x, y) = (x - mean_a, y - mean_b);
        [xx + x * x, xy + x * y, yy + y * y]
    });
    let [xx, xy, yy] = sums;
    // Means that do not scatter at all contradict nothing.
    let is_still = xx <= 0.0 || yy <= 0.0;
    is_still || xy.abs() >= ALIKE * (xx * yy).sqrt()
}

fn told(mut group: Vec<Member<'_>>, all: &[SeriesOutcome], heads: &[GroupHead]) -> Option<JointMovement> {
    let probability =
        |kind: Kind| group.iter().map(|member| member.movement.probability.of(kind)).sum::<f64>();
    let kind = if probability(Kind::Ramp) >= probability(Kind::Step) { Kind::Ramp } else { Kind::Step };
    // One that is called otherwise may have the shorter interval by mistake.
    let own = group.iter().filter(|member| member.movement.kind == kind);
    let sharpest = own.min_by_key(|member| (member.since.high - member.since.low, member.place))?;
    let since = sharpest.since;
    let together_with = sharpest.movement.together_with.clone();
    let most = group.iter().map(|member| member.movement.probability.of(kind)).fold(0.0, f64::max);
    let nearest = group
        .iter()
        .filter(|member| member.movement.kind == Kind::Ramp)
        .filter_map(|member| Some((member.place, member.series.forecast?)))
        .min_by(|(_, a), (_, b)| a.in_groups.total_cmp(&b.in_groups));
    let mut places: Vec<usize> = group.iter().map(|member| member.place).collect();
    places.sort_unstable();
    group.sort_by(|a, b| {
        b.movement.share_eaten.total_cmp(&a.movement.share_eaten).then(a.place.cmp(&b.place))
    });
    let each = |name: fn(&SeriesOutcome) -> &String| {
        let mut names: Vec<String> = Vec::new();
        for series in places.iter().filter_map(|place| all.get(*place)) {
            if !names.contains(name(series)) {
                names.push(name(series).clone());
            }
        }
        names
    };
    let mut joint = JointMovement {
        kind,
        probability: most,
        since,
        corners: each(|series| &series.corner),
        quantities: each(|series| &series.quantity),
        relevant: group.iter().any(|member| member.movement.relevant),
        share_eaten: group.first()?.movement.share_eaten,
        series: group.iter().map(moved).collect(),
        nearest,
        together_with,
        parts: None,
        message: String::new(),
    };
    joint.message = message(&joint, all, heads);
    Some(joint)
}

fn moved(member: &Member<'_>) -> Moved {
    Moved {
        series: member.place,
        corner: member.series.corner.clone(),
        quantity: member.series.quantity.clone(),
        unit: member.series.unit,
        size: member.movement.size,
        relevant: member.movement.relevant,
        share_eaten: member.movement.share_eaten,
    }
}

/// `a, b, c and 5 more`
fn list(names: &[String]) -> String {
    let named: Vec<&str> = names.iter().take(NAMES).map(String::as_str).collect();
    match (names.len().saturating_sub(NAMES), named.as_slice()) {
        (0, [first @ .., last]) if !first.is_empty() => format!("{} and {last}", first.join(", ")),
        (0, named) => named.join(", "),
        _ => listed(names, NAMES),
    }
}

fn message(joint: &JointMovement, all: &[SeriesOutcome], heads: &[GroupHead]) -> String {
    let label = |group: usize| heads.get(group).map_or("", |head| head.label.as_str());
    let titles: Vec<String> = joint.quantities.iter().map(|name| quantity_title(name)).collect();
    let Since { group, low, high } = joint.since;
    let how = match joint.kind {
        Kind::Step => "stepped at",
        Kind::None | Kind::Ramp => "moves since",
    };
    let which = if joint.series.len() == titles.len() * joint.corners.len() {
        format!("{} at {}", list(&titles), list(&joint.corners))
    } else {
        // Quantities with corners of their own.
        let mut places: Vec<usize> = joint.series.iter().map(|moved| moved.series).collect();
        places.sort_unstable();
        let named =
            |series: &SeriesOutcome| format!("{} at {}", quantity_title(&series.quantity), series.corner);
        list(&places.iter().filter_map(|place| all.get(*place)).map(named).collect::<Vec<_>>())
    };
    let mut text = format!("{which} {how} {} ({} to {})", label(group), label(low), label(high));
    let Some(worst) = joint.series.first() else { return text };
    let half = 0.5 * (worst.size.high - worst.size.low);
    let size = wording::value(worst.size.value, half, worst.unit);
    let name = format!("{} at {}", quantity_title(&worst.quantity), worst.corner);
    let limit =
        all.get(worst.series).map(|series| limit_text(&series.limit, series.unit)).unwrap_or_default();
    text.push_str(&if worst.share_eaten > 0.0 {
        format!("; {name} by {size}, {:.0} % of the distance to its limit {limit}", 100.0 * worst.share_eaten)
    } else {
        format!("; {name} by {size}, away from its limit {limit}")
    });
    if let Some((place, ahead)) = joint.nearest {
        let series = all.get(place);
        let name = series.map(|series| format!("{} at {}", quantity_title(&series.quantity), series.corner));
        let when = wording::groups(ahead.in_groups);
        text.push_str(&format!("; the first limit is reached in {when} by {}", name.unwrap_or_default()));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::super::movement::{Observation, movement};
    use super::*;
    use crate::check::{Unit, Verdict};
    use crate::decision::Limit;

    /// Deviations of 20 groups that look like none in particular.
    fn wobble(place: usize, phase: f64) -> f64 {
        0.3 * (place as f64 * 2.399 + phase).sin()
    }

    fn series(corner: &str, quantity: &str, means: impl Fn(usize) -> f64, limit: Limit) -> SeriesOutcome {
        let groups: Vec<GroupStats> = (0..20)
            .map(|place| GroupStats {
                units: 5,
                bounds: 0,
                mean: Some(means(place)),
                sd: Some(0.4),
                min: None,
                max: None,
                uncertainty: None,
                chain: None,
            })
            .collect();
        let observations: Vec<Observation> =
            groups.iter().enumerate().filter_map(|(place, group)| Observation::of(place, group)).collect();
        let told = movement(&observations, &limit, None).unwrap();
        SeriesOutcome {
            corner: corner.to_owned(),
            quantity: quantity.to_owned(),
            unit: Unit::Deg,
            limit,
            verdict: Verdict::Pass,
            groups,
            chart: None,
            signals: Vec::new(),
            movement: Some(told.movement),
            trend: None,
            forecast: told.forecast,
            capability: None,
            references: Vec::new(),
            rules: Vec::new(),
            message: String::new(),
        }
    }

    fn heads() -> Vec<GroupHead> {
        let head = |place: usize| GroupHead {
            label: format!("W{:02}", place + 1),
            units: 5,
            records: 5,
            revisions: Vec::new(),
            firmwares: Vec::new(),
            stations: Vec::new(),
        };
        (0..20).map(head).collect()
    }

    fn min(min: f64) -> Limit {
        Limit { min: Some(min), max: None }
    }

    fn late(place: usize) -> f64 {
        place.saturating_sub(8) as f64
    }

    /// One part that fades: eight corners of two quantities fall at their own pace, one rises away from its limit.
    #[test]
    fn one_cause_is_one_movement_whatever_its_pace_and_sign() {
        let mut all = Vec::new();
        for corner in 0..8 {
            let pace = 0.2 + 0.03 * f64::from(corner);
            let name = format!("corner-{corner}");
            all.push(series(
                &name,
                "phase_margin_deg",
                |k| 60.0 + pace * (wobble(k, 0.0) - late(k)),
                min(50.0),
            ));
            all.push(series(
                &name,
                "gain_margin_db",
                |k| 15.0 + pace * (late(k) + wobble(k, 0.0)),
                min(10.0),
            ));
        }
        let joint = joined(&all, &heads());
        assert_eq!(joint.len(), 1, "{joint:#?}");
        let one = &joint[0];
        assert_eq!(
            (one.kind, one.series.len(), one.corners.len(), one.quantities.len()),
            (Kind::Ramp, 16, 8, 2)
        );
        assert_eq!((one.series[0].corner.as_str(), one.relevant), ("corner-7", true));
        assert!(one.since.low <= 9 && one.since.high >= 9, "{:?}", one.since);
        let (place, ahead) = one.nearest.unwrap();
        assert_eq!(all[place].corner, "corner-7");
        // At 60 - 0.41 x 11 = 55.49 in the newest group: 13.4 groups to 50.
        assert!((ahead.in_groups - 13.4).abs() < 2.0, "{ahead:?}");
        assert!(one.message.contains("phase margin and gain margin at corner-0"), "{}", one.message);
        assert!(one.series[15].share_eaten < 0.0, "away from its limit");
    }

    #[test]
    fn what_begins_at_another_time_is_another_movement_and_what_stays_is_none() {
        let step = |place: usize| if place < 15 { 0.0 } else { 3.0 };
        let all = [
            series("a", "phase_margin_deg", |k| 60.0 + wobble(k, 0.0) - 0.5 * late(k), min(50.0)),
            series("b", "phase_margin_deg", |k| 60.0 + wobble(k, 1.0) - step(k), min(50.0)),
            series("c", "phase_margin_deg", |k| 60.0 + wobble(k, 2.0), min(50.0)),
        ];
        let joint = joined(&all, &heads());
        assert_eq!(joint.len(), 2);
        let names: Vec<&str> = joint.iter().map(|movement| movement.series[0].corner.as_str()).collect();
        assert_eq!(names, ["a", "b"], "the one that ate more comes first");
        assert_eq!((joint[1].kind, joint[1].since.group), (Kind::Step, 15));
    }

    /// Two quantities, each at a corner of its own: none of them moved at both.
    #[test]
    fn quantities_with_corners_of_their_own_are_named_with_them() {
        let falls = |k: usize| 60.0 + wobble(k, 0.0) - 0.5 * late(k);
        let all = [
            series("nom", "phase_margin_deg", falls, min(50.0)),
            series("hot", "gain_margin_db", falls, min(50.0)),
        ];
        let joint = joined(&all, &heads());
        assert_eq!(joint.len(), 1);
        let said = "phase margin at nom and gain margin at hot moves since";
        assert!(joint[0].message.starts_with(said), "{}", joint[0].message);
    }

    fn stats(mean: Option<f64>) -> GroupStats {
        GroupStats {
            units: 5,
            bounds: 0,
            mean,
            sd: None,
            min: None,
            max: None,
            uncertainty: None,
            chain: None,
        }
    }

    fn alike(a: impl Fn(usize) -> Option<f64>, b: impl Fn(usize) -> Option<f64>, count: usize) -> bool {
        let of = |mean: &dyn Fn(usize) -> Option<f64>| (0..count).map(|k| stats(mean(k))).collect::<Vec<_>>();
        change_alike(&of(&a), &of(&b))
    }

    /// Changes from group to group, of one series and of another: equal, turned over, of other size, of none.
    #[test]
    fn series_change_alike_where_their_differences_are_correlated() {
        let first = |k: usize| Some(10.0 + wobble(k, 0.0) + 0.1 * k as f64);
        assert!(alike(first, |k| Some(30.0 - 5.0 * wobble(k, 0.0) - 0.3 * k as f64), 20));
        // One wobbles as the sine, the other as the cosine, about lines of the same kind.
        let quarter = std::f64::consts::FRAC_PI_2;
        assert!(!alike(first, |k| Some(30.0 + wobble(k, quarter) + 0.1 * k as f64), 40));
        // Correlation of differences by construction: alternating +1 and -1 against pairs of two alike has none, with a
        // seventh of the former in it 1/7, with a fifth 1/5; 0.15 is asked for.
        let fast = |k: usize| if k.is_multiple_of(2) { 1.0 } else { 0.0 };
        let sum = |part: f64| {
            move |k: usize| {
                let steps: f64 = (0..k).map(|j| if j % 4 < 2 { 1.0 } else { -1.0 }).sum();
                Some(steps + part * fast(k))
            }
        };
        assert!(!alike(|k| Some(fast(k)), sum(0.0), 41));
        assert!(!alike(|k| Some(fast(k)), sum(0.14), 41));
        assert!(alike(|k| Some(fast(k)), sum(0.2), 41));
        // Twelve changes are enough to tell, eleven are not; groups that one of both lacks do not count.
        assert!(!alike(|k| Some(fast(k)), sum(0.0), 13));
        assert!(alike(|k| Some(fast(k)), sum(0.0), 12));
        assert!(alike(|k| Some(fast(k)).filter(|_| k != 5), sum(0.0), 13));
        // What does not scatter contradicts nothing.
        assert!(alike(|_| Some(1.0), sum(0.0), 40) && alike(sum(0.0), |_| Some(1.0), 40));
    }
}
