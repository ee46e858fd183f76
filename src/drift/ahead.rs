//! The rule of the forecast: whether the mean reaches a limit within so many groups.
//!
//! | what is seen | verdict |
//! | --- | --- |
//! | too few groups for a trend | not judged |
//! | the newest mean lies beyond a limit | fails: it is reached |
//! | the trend's interval holds 0, or it leads away from every limit | passes |
//! | the line reaches a limit within the groups allowed | fails; only its near end does: undecided |
//! | the line passes, but its level is no longer true since a step, and from there it would not | undecided |
//! | the line fails, but all that moved is what another station's accuracy explains | undecided |

use super::rules::Facts;
use super::words::{self, quantity_title};
use super::{Forecast, Population, RuleOutcome, Trend};
use crate::check::limit_text;
use crate::decision::{Limit, Verdict, meets};

/// Holds the forecast against the groups allowed.
pub(super) fn forecast_rule(facts: &Facts<'_>, groups: u32, population: &Population) -> RuleOutcome {
    let rule = |verdict, message| RuleOutcome { rule: "forecast", verdict, message };
    let title = quantity_title(&facts.key.quantity);
    let Some(trend) = facts.trend else {
        let have = words::count(facts.filled.len() as u64, "group");
        return rule(Verdict::NotJudged, format!("not judged: {have} with values are too few for a trend"));
    };
    if let Some(text) = beyond_already(facts, population) {
        return rule(Verdict::Fail, format!("{title}: {text}"));
    }
    let slope = slope_text(&title, &trend, facts);
    if !trend.excludes_zero() {
        return rule(Verdict::Pass, format!("no trend is shown: {slope}"));
    }
    let Some(forecast) = facts.forecast else {
        return rule(Verdict::Pass, format!("{slope}: away from every limit"));
    };
    let (verdict, why) = settled(facts, &trend, &forecast, groups, population);
    let interval = match forecast.high {
        Some(high) => format!("95 %: {:.1} to {high:.1}", forecast.low),
        None => format!("95 %: {:.1} or more", forecast.low),
    };
    let limit = limit_text(&forecast.reaches, facts.key.unit);
    let when = words::groups(forecast.in_groups);
    rule(verdict, format!("{slope}: the limit {limit} is reached in {when} ({interval}), {why}"))
}

/// What is said when the newest mean lies beyond a limit.
fn beyond_already(facts: &Facts<'_>, population: &Population) -> Option<String> {
    let (group, mean, stats) = facts.filled.last()?;
    if meets(*mean, &facts.key.limit) {
        return None;
    }
    let label = population.groups.get(*group).map_or("", |head| head.label.as_str());
    let mean = words::value(*mean, stats.sd.unwrap_or(0.0), facts.key.unit);
    let limit = limit_text(&facts.key.limit, facts.key.unit);
    Some(format!("the newest mean, {mean} in {label}, is beyond the limit {limit} already"))
}

fn slope_text(title: &str, trend: &Trend, facts: &Facts<'_>) -> String {
    let half = 0.5 * (trend.high - trend.low);
    let show = |value: f64| words::value(value, half, facts.key.unit);
    let (slope, low, high) = (show(trend.per_group), show(trend.low), show(trend.high));
    format!("{title} changes by {slope} per group ({low} to {high})")
}

/// The verdict, and how it reads behind the forecast.
fn settled(
    facts: &Facts<'_>,
    trend: &Trend,
    forecast: &Forecast,
    groups: u32,
    population: &Population,
) -> (Verdict, String) {
    let horizon = words::count(u64::from(groups), "group");
    let verdict = forecast.verdict(trend, groups);
    let stepped = facts.step.and_then(|step| population.groups.get(step.group));
    if verdict == Verdict::Pass {
        let soon = from_step(facts, trend, &forecast.reaches).is_some_and(|ahead| ahead <= f64::from(groups));
        if let (true, Some(head)) = (soon, stepped) {
            let why =
                format!("but the level stepped at {}, and from there it may within {horizon}", head.label);
            return (Verdict::Undecided, why);
        }
        return (verdict, format!("later than {horizon} ahead"));
    }
    let station =
        facts.step.is_some_and(|step| step.together_with.iter().any(|what| what.starts_with("station ")));
    let explained =
        !facts.signals.is_empty() && facts.signals.iter().all(|signal| signal.explained_by_station);
    if explained && (station || facts.step.is_none()) {
        return (
            Verdict::Undecided,
            "but all that moved is what the accuracy of another station explains".to_owned(),
        );
    }
    let how = if verdict == Verdict::Fail { "within" } else { "perhaps within" };
    (verdict, format!("{how} {horizon}"))
}

/// Groups from the newest one to the limit at the trend's pace, from the mean level since the step.
fn from_step(facts: &Facts<'_>, trend: &Trend, limit: &Limit) -> Option<f64> {
    let step = facts.step?;
    let since = facts.filled.iter().filter(|(group, ..)| *group >= step.group).map(|(_, mean, _)| *mean);
    let (sum, count) = since.fold((0.0, 0.0), |(sum, count), mean| (sum + mean, count + 1.0));
    let bound = limit.min.or(limit.max)?;
    Some(((bound - sum / count) / trend.per_group).max(0.0)).filter(|ahead| ahead.is_finite())
}
