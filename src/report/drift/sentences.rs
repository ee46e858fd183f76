//! What a series shows, as sentences. Text of the data stands in them as it is: whoever writes them out makes it harmless.

use super::common_prefix::Scale;
use crate::check::{limit_text, value_text};
use crate::drift::{
    Ability, FalseAlarms, Kind, Movement, ProductDrift, Reach, ReferenceSeries, Retested, SeriesOutcome,
    Signal, Slope, bounds_left_out, quantity_title,
};
use crate::quantity::{listed, number};
use crate::report::statement::count_of;
use crate::spec::Chart;

/// Units measured again that are named; the others are counted.
const RETESTED_NAMED: usize = 5;
/// Names in a list that are written out.
const NAMES: usize = 8;
/// Groups beyond which a forecast is only said to be far.
const FAR_GROUPS: f64 = 1e4;
/// A share of the population above it is not written in digits.
const NEARLY_ALL: f64 = 0.9999;

/// The chart's name in specs and results.
pub(super) const fn chart_name(chart: Chart) -> &'static str {
    match chart {
        Chart::Individuals => "individuals",
        Chart::Ewma => "ewma",
        Chart::Cusum => "cusum",
        Chart::ChangePoint => "changepoint",
    }
}

/// `phase margin` for `phase_margin_deg`.
pub(in crate::report) fn quantity(series: &SeriesOutcome) -> String {
    quantity_title(&series.quantity)
}

/// The newest mean of a series.
pub(in crate::report) fn newest(series: &SeriesOutcome) -> Option<f64> {
    series.groups.iter().rev().find_map(|group| group.mean)
}

/// The newest mean, with its unit.
pub(in crate::report) fn newest_text(series: &SeriesOutcome) -> Option<String> {
    newest(series).map(|mean| Scale::of(series).text(mean))
}

/// The label of a group.
pub(super) fn label(product: &ProductDrift, group: usize) -> &str {
    product.groups.get(group).map_or("an unknown group", |head| &head.label)
}

/// `A, B and C`.
pub(super) fn and(words: &[String]) -> String {
    match words {
        _ if words.len() > NAMES => listed(words, NAMES),
        [] => String::new(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

/// The first signal and the newest, and how many lie between them: the table marks all.
pub(super) fn signals(product: &ProductDrift, series: &SeriesOutcome) -> Vec<String> {
    let told = |signal: &Signal| {
        let station = if signal.explained_by_station {
            "; no more than another station may make of the same units"
        } else if signal.wanders {
            "; means that go along with the group before wander as far"
        } else {
            ""
        };
        format!("{}, {}: {}{station}", label(product, signal.group), signal.rule, signal.message)
    };
    match series.signals.as_slice() {
        [] => Vec::new(),
        [only] => vec![told(only)],
        [first, newest] => vec![told(first), told(newest)],
        [first, between @ .., newest] => {
            vec![told(first), told(newest), format!("{} more between them", between.len())]
        }
    }
}

/// Whether the interval of a slope leaves out 0.
pub(super) fn is_shown(slope: &Slope) -> bool {
    slope.low > 0.0 || slope.high < 0.0
}

/// `falls by 0.21 deg per group (95 % interval 0.13 deg to 0.29 deg)`
pub(super) fn trend(series: &SeriesOutcome, slope: &Slope, per: &str) -> String {
    let largest = slope.low.abs().max(slope.high.abs());
    let scale = Scale::new(largest, (slope.high - slope.low) / 2.0, series.unit);
    let (low, high) = (slope.low, slope.high);
    let mut text = if high < 0.0 {
        let [by, least, most] = [-slope.per_group, -high, -low].map(|value| scale.text(value));
        format!("falls by {by} per {per} (95 % interval {least} to {most})")
    } else if low > 0.0 {
        let [by, least, most] = [slope.per_group, low, high].map(|value| scale.text(value));
        format!("rises by {by} per {per} (95 % interval {least} to {most})")
    } else {
        let [by, least, most] = [slope.per_group, low, high].map(|value| scale.text(value));
        format!("none is shown: {by} per {per} (95 % interval {least} to {most})")
    };
    if slope.least_squares < low || slope.least_squares > high {
        let plain = scale.text(slope.least_squares);
        text.push_str(&format!("; least squares gives {plain}: some {per} lies far from the others"));
    }
    text
}

/// `the mean reaches 50 deg in about 9.1 groups (95 % interval 6.4 to 15.8)`
pub(super) fn forecast(series: &SeriesOutcome, reach: &Reach) -> String {
    let limit = limit_text(&reach.limit, series.unit);
    if reach.in_groups <= 0.0 {
        return format!("the line through the means has reached the limit ({limit})");
    }
    let about = groups_ahead(reach.in_groups);
    let interval = match (reach.low, reach.high) {
        (Some(low), Some(high)) => format!("95 % interval {} to {}", groups_ahead(low), groups_ahead(high)),
        (Some(low), None) => format!("95 % interval {} to never", groups_ahead(low)),
        (None, _) => "95 % interval: never".to_owned(),
    };
    format!(
        "if it goes on like this, the mean reaches the limit ({limit}) in about {about} groups ({interval})"
    )
}

/// `at least 50 deg is reached in about 9.1 groups (6.4 to 16)`
pub(super) fn ahead(series: &SeriesOutcome, reach: &Reach) -> String {
    let limit = limit_text(&reach.limit, series.unit);
    if reach.in_groups <= 0.0 {
        return format!("{limit} is reached");
    }
    let end = |groups: Option<f64>| groups.map_or_else(|| "never".to_owned(), groups_ahead);
    let (about, low, high) = (groups_ahead(reach.in_groups), end(reach.low), end(reach.high));
    format!("{limit} is reached in about {about} groups ({low} to {high})")
}

/// Groups ahead, as far as they can be told.
pub(super) fn groups_ahead(groups: f64) -> String {
    if groups > FAR_GROUPS { "more than 10000".to_owned() } else { number(groups, 2) }
}

/// A share of the population that is promised: `at least 98.12 %`, rounded down.
pub(super) fn share_text(share: f64) -> String {
    if share > NEARLY_ALL {
        "more than 99.99 %".to_owned()
    } else {
        format!("at least {} %", number((share * 1e4).floor() / 1e2, 4))
    }
}

/// `Ppk 1.21 over 168 units, with 95 % confidence at least 0.98; at least 99.2 % of all units meet the limit`
pub(super) fn capability(ability: &Ability) -> String {
    let mut text = format!(
        "Ppk {:.2}{} over {}, with 95 % confidence at least {:.2}",
        ability.ppk,
        if ability.taken_out { " at the newest level, what moved taken out," } else { "" },
        count_of(ability.units, "unit"),
        ability.low
    );
    if let Some(lots) = &ability.lots {
        text.push_str(&format!(
            ", since units of one group are alike and worth about {} independent ones",
            number(lots.independent, 2)
        ));
    }
    if let Some(share) = ability.share {
        let share = share_text(share);
        text.push_str(&format!(
            "; {share} of all units meet the limit, if their values are normally distributed"
        ));
    }
    text
}

/// `step down by 0.82 deg (0.61 deg to 1.03 deg) since 2026-W17 (2026-W16 to 2026-W18), probability 0.97; …`
pub(super) fn moved(product: &ProductDrift, series: &SeriesOutcome, movement: &Movement) -> String {
    let size = movement.size;
    let scale = Scale::new(size.value.abs(), (size.high - size.low) / 2.0, series.unit);
    let falls = size.value < 0.0;
    let [by, least, most] =
        if falls { [-size.value, -size.high, -size.low] } else { [size.value, size.low, size.high] };
    let way = if falls { "down" } else { "up" };
    let since = movement.since.map_or_else(String::new, |since| {
        let [group, low, high] = [since.group, since.low, since.high].map(|group| label(product, group));
        format!(" since {group} (95 % interval {low} to {high})")
    });
    let mut text = format!(
        "{} {way} by {} (95 % interval {} to {}){since}, with a probability of {}",
        movement.kind.name(),
        scale.text(by),
        scale.text(least),
        scale.text(most),
        number(movement.probability.of(movement.kind), 2)
    );
    if movement.together_with.is_empty() {
        text.push_str("; nothing else that is recorded changed there");
    } else {
        text.push_str(&format!("; there also changed: {}", movement.together_with.join("; ")));
    }
    if let Some(bounds) = bounds_left_out(&series.groups) {
        text.push_str(&format!("; {bounds}"));
    }
    text
}

/// What a station made of a reference unit.
pub(super) fn reference(series: &SeriesOutcome, reference: &ReferenceSeries) -> String {
    let records = count_of(reference.records, "record");
    let station = station(reference.station.as_deref());
    let scale = Scale::new(reference.mean.abs(), reference.sd.unwrap_or(0.0), series.unit);
    let text = match reference.sd.filter(|sd| *sd > 0.0) {
        Some(sd) => {
            format!("{} on {station}: {records}, mean {}", reference.serial, scale.text(reference.mean))
                + &format!(", sd {}", scale.text(sd))
        }
        None => {
            let mean = value_text(reference.mean, None, series.unit, false);
            format!("{} on {station}: {records}, mean {mean}", reference.serial)
        }
    };
    text + &match (&reference.moved, &reference.trend) {
        (Some(moved), _) if reference.moves() && moved.kind == Kind::Step => {
            let scale =
                Scale::new(reference.mean.abs(), 0.5 * (moved.size.high - moved.size.low), series.unit);
            format!(
                "; it stepped by {} (95 % interval {} to {}) at its record {}: the station moves",
                scale.text(moved.size.value),
                scale.text(moved.size.low),
                scale.text(moved.size.high),
                moved.since.unwrap_or(0)
            )
        }
        (_, Some(slope)) if reference.moves() => {
            format!("; it {}: the station moves", trend(series, slope, "record"))
        }
        (Some(_), Some(_)) => "; neither a trend nor a step is shown".to_owned(),
        (None, Some(_)) => "; no trend is shown".to_owned(),
        (_, None) => "; too few records for a trend".to_owned(),
    }
}

/// A station, or that there is no name for it.
pub(super) fn station(name: Option<&str>) -> String {
    name.map_or_else(|| "a station without a name".to_owned(), str::to_owned)
}

/// `3 units were measured again until they passed: RG-00042 in 2026-W14 (fail, pass), …`; `None` without one.
pub(super) fn retested(units: &[Retested]) -> Option<String> {
    let named: Vec<String> = units
        .iter()
        .take(RETESTED_NAMED)
        .map(|unit| {
            let verdicts: Vec<&str> = unit.verdicts.iter().map(|verdict| verdict.word()).collect();
            format!("{} in {} ({})", unit.serial, unit.group, verdicts.join(", "))
        })
        .collect();
    let were = if units.len() == 1 {
        "unit was measured again until it passed"
    } else {
        "units were measured again until they passed"
    };
    let others = units.len().saturating_sub(RETESTED_NAMED);
    let more = if others > 0 { format!(" and {others} more") } else { String::new() };
    (!units.is_empty()).then(|| format!("{} {were}: {}{more}", units.len(), named.join("; ")))
}

/// `9 charts watch: without a cause one of them sounds within 20 groups with a probability of at most 37 %`
pub(super) fn false_alarms(alarms: &FalseAlarms) -> String {
    // Rounded up: it is a bound.
    let percent = |chance: f64| number((chance * 1e3 - 1e-9).ceil() / 10.0, 3);
    if alarms.charts == 1 {
        let any = percent(alarms.any_chart);
        format!(
            "1 chart watches: without a cause it sounds within 20 groups with a probability of at most {any} %"
        )
    } else {
        format!(
            "{} charts: without a cause any of them sounds within 20 groups in at most {} %, one in {} %",
            alarms.charts,
            percent(alarms.any_chart),
            percent(alarms.one_chart)
        )
    }
}

/// What the chart stands on.
pub(super) fn chart(series: &SeriesOutcome) -> Option<String> {
    let chart = series.chart.as_ref()?;
    let scale = Scale::of(series);
    let stands = format!(
        "the first {} groups set the centre, {}, and the spread of a group mean, {}",
        chart.setup,
        scale.text(chart.center),
        scale.text(chart.sigma)
    );
    let kind = match chart.kind {
        Chart::ChangePoint => {
            let along = chart.correlation.map_or_else(String::new, |correlation| {
                let correlation = number(correlation, 1);
                format!("; means go along with the group before (correlation about {correlation}), which the limits allow for")
            });
            return Some(format!(
                "the mean of the groups since the likeliest change (changepoint), whose limits learn from every group in control; \
                 {stands}{along}"
            ));
        }
        Chart::Individuals => "the group means",
        Chart::Ewma => "a weighted mean of the group means (ewma)",
        Chart::Cusum => "sums of how far the group means lie off (cusum)",
    };
    Some(format!("{kind}; {stands}; limits widened {} times for so few", number(chart.widening, 3)))
}

#[cfg(test)]
mod tests {
    use super::super::sample_drift;
    use super::*;
    use crate::check::Limit;

    #[test]
    fn trends_and_forecasts_say_how_sure_they_are() {
        let series = sample_drift::creeping().series.remove(0);
        let slope =
            |per_group, low, high| Slope { per_group, low, high, level: 50.0, least_squares: per_group };
        assert_eq!(
            trend(&series, &slope(-0.21, -0.29, -0.13), "group"),
            "falls by 0.210 deg per group (95 % interval 0.130 deg to 0.290 deg)"
        );
        assert!(trend(&series, &slope(0.02, -0.1, 0.2), "group").starts_with("none is shown: 0.02 deg"));
        let far = Slope { least_squares: -1.0, ..slope(0.02, -0.1, 0.2) };
        assert!(
            trend(&series, &far, "group")
                .ends_with("least squares gives -1.00 deg: some group lies far from the others")
        );
        let reach = |in_groups, low, high| Reach {
            limit: Limit { min: Some(50.0), max: None },
            in_groups,
            low,
            high,
        };
        let ahead = "if it goes on like this, the mean reaches the limit (at least 50 deg) in about";
        assert_eq!(
            forecast(&series, &reach(9.1, Some(6.4), Some(15.8))),
            format!("{ahead} 9.1 groups (95 % interval 6.4 to 16)")
        );
        assert!(forecast(&series, &reach(9.1, Some(6.4), None)).ends_with("(95 % interval 6.4 to never)"));
        assert!(forecast(&series, &reach(1e9, None, None)).contains("about more than 10000 groups"));
    }

    #[test]
    fn promises_are_not_rounded_up() {
        let ability = |share| Ability {
            ppk: 1.214,
            low: 0.983,
            units: 168,
            share: Some(share),
            lots: None,
            taken_out: false,
        };
        assert!(capability(&ability(0.992_79)).contains("at least 99.27 % of all"));
        assert!(capability(&ability(0.999_999)).contains("more than 99.99 % of all"));
        let alarms = FalseAlarms { charts: 9, one_chart: 0.05, any_chart: 0.3698, is_held: false };
        assert!(false_alarms(&alarms).contains("at most 37 %, one in 5 %"));
    }
}
