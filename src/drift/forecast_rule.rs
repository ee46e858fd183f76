//! The rule of the forecast: whether the mean reaches a limit within so many groups.
//!
//! | what is seen | verdict |
//! | --- | --- |
//! | too few groups for a movement | not judged |
//! | the newest mean lies beyond a limit | fails: it is reached |
//! | a ramp is not the likeliest explanation, or it leads away from every limit | passes |
//! | it is, its slope's interval excludes 0, and it reaches a limit within the groups allowed | fails |
//! | it reaches a limit within them only at the near end of its interval, or its slope's interval holds 0 | undecided |
//! | the same of what may be a ramp or means that wander by themselves | undecided |
//! | it fails, but all that moved is what another station's accuracy explains | undecided |

use super::facts::Facts;
use super::movement::{Kind, Movement};
use super::wording::{self, quantity_title};
use super::{Population, Reach, RuleOutcome};
use crate::check::limit_text;
use crate::decision::{Verdict, meets};
use crate::quantity::count_of;

/// What the search for a place to reach the limit, and what stands in sweep files, may be off by, groups: of a straight line without scatter
/// both ends of the interval are the forecast.
const ROUNDING: f64 = 0.02;

/// Holds the forecast against the groups allowed.
pub(super) fn forecast_rule(facts: &Facts<'_>, groups: u32, population: &Population) -> RuleOutcome {
    let rule = |verdict, message| RuleOutcome { rule: "forecast", verdict, message };
    let title = quantity_title(&facts.key.quantity);
    let Some(movement) = facts.movement else {
        let have = count_of(facts.filled.len() as u64, "group");
        return rule(Verdict::NotJudged, format!("not judged: {have} with values are too few for a trend"));
    };
    if let Some(text) = beyond_already(facts, population) {
        return rule(Verdict::Fail, format!("{title}: {text}"));
    }
    let slope = slope_text(&title, movement, facts);
    if movement.kind != Kind::Ramp && movement.perhaps != Some(Kind::Ramp) {
        return rule(Verdict::Pass, format!("no trend is shown: {slope}"));
    }
    let Some(forecast) = facts.forecast else {
        return rule(Verdict::Pass, format!("{slope}: away from every limit"));
    };
    let (verdict, why) = settled(facts, movement, &forecast, groups);
    let end = |end: Option<f64>| end.map_or_else(|| "never".to_owned(), |groups| format!("{groups:.1}"));
    let interval = format!("95 %: {} to {}", end(forecast.low), end(forecast.high));
    let limit = limit_text(&forecast.limit, facts.key.unit);
    let when = wording::groups(forecast.in_groups);
    rule(verdict, format!("{slope}: the limit {limit} is reached in {when} ({interval}), {why}"))
}

/// What is said when the newest mean lies beyond a limit.
fn beyond_already(facts: &Facts<'_>, population: &Population) -> Option<String> {
    let (group, mean, stats) = facts.filled.last()?;
    if meets(*mean, &facts.key.limit) {
        return None;
    }
    let label = population.groups.get(*group).map_or("", |head| head.label.as_str());
    let mean = wording::value(*mean, stats.sd.unwrap_or(0.0), facts.key.unit);
    let limit = limit_text(&facts.key.limit, facts.key.unit);
    Some(format!("the newest mean, {mean} in {label}, is beyond the limit {limit} already"))
}

fn slope_text(title: &str, movement: &Movement, facts: &Facts<'_>) -> String {
    let slope = movement.slope;
    let half = 0.5 * (slope.high - slope.low);
    let show = |value: f64| wording::value(value, half, facts.key.unit);
    let (value, low, high) = (show(slope.value), show(slope.low), show(slope.high));
    format!("{title} changes by {value} per group ({low} to {high})")
}

/// The verdict by movement and forecast alone.
fn by_movement(movement: &Movement, forecast: &Reach, allowed: f64) -> Verdict {
    let within = forecast.in_groups <= allowed + ROUNDING;
    let perhaps = forecast.low.is_some_and(|low| low <= allowed - ROUNDING);
    match (movement.slope.excludes_zero() && within, within || perhaps) {
        (true, _) => Verdict::Fail,
        (false, true) => Verdict::Undecided,
        (false, false) => Verdict::Pass,
    }
}

/// The verdict, and how it reads behind the forecast.
fn settled(facts: &Facts<'_>, movement: &Movement, forecast: &Reach, groups: u32) -> (Verdict, String) {
    let horizon = count_of(u64::from(groups), "group");
    let verdict = by_movement(movement, forecast, f64::from(groups));
    if verdict == Verdict::Pass {
        return (verdict, format!("later than {horizon} ahead"));
    }
    if movement.kind == Kind::None {
        return (
            Verdict::Undecided,
            "if that is a ramp: these groups do not tell one from means that go along with the group before"
                .to_owned(),
        );
    }
    if !facts.signals.is_empty() && facts.signals.iter().all(|signal| signal.explained_by_station) {
        return (
            Verdict::Undecided,
            "but all that moved is what the accuracy of another station explains".to_owned(),
        );
    }
    let how = if verdict == Verdict::Fail { "within" } else { "perhaps within" };
    (verdict, format!("{how} {horizon}"))
}

#[cfg(test)]
mod tests {
    use super::super::movement::{Observation, movement};
    use super::*;
    use crate::decision::Limit;

    /// A clear ramp, five groups before 50 at its pace.
    #[test]
    fn verdicts_by_the_groups_allowed() {
        let series: Vec<Observation> = (0..20_usize)
            .map(|place| Observation {
                place,
                mean: 55.0 - 0.4 * place.saturating_sub(7) as f64 + 0.1 * (place as f64 * 2.4).sin(),
                units: 5,
                sd: Some(0.2),
                new_station: false,
            })
            .collect();
        let told = movement(&series, &Limit { min: Some(48.0), max: None }, None).unwrap();
        let ahead = told.forecast.unwrap();
        assert!((ahead.in_groups - 5.5).abs() < 1.0, "{ahead:?}");
        let low = ahead.low.unwrap();
        let between = 0.5 * (low + ahead.in_groups);
        let verdicts =
            [0.5 * low, between, ahead.in_groups].map(|allowed| by_movement(&told.movement, &ahead, allowed));
        assert_eq!(verdicts, [Verdict::Pass, Verdict::Undecided, Verdict::Fail]);
        let mut unsure = told.movement.clone();
        unsure.slope.high = 0.0;
        assert_eq!(by_movement(&unsure, &ahead, 9.0), Verdict::Undecided);
    }
}
