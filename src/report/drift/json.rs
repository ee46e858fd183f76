//! The JSON result of `drift`. Units are Hz, deg, dB and s; what does not exist is `null`. Text stays as it is.
//!
//! A product and each series stand on a line of their own, so that two results compare well line by line.

use crate::check::Verdict;
use crate::drift::{
    Ability, ChartPoint, ChartRun, FalseAlarms, GroupHead, GroupStats, JointMovement, Moved, Movement,
    PartsMoved, ProductDrift, Range, Reach, ReferenceSeries, Retested, RuleOutcome, SeriesOutcome, Since,
    Slope,
};
use crate::report::TOOL;
use crate::report::object::{Json, list, object};
use std::io::{self, Write};

/// Writes the JSON result of any number of products.
///
/// # Errors
/// When the sink cannot be written.
pub fn write_drift_json(mut sink: impl Write, products: &[ProductDrift]) -> io::Result<()> {
    let series = || products.iter().flat_map(|product| product.series.iter().map(move |s| (product, s)));
    write!(sink, "{{\"format\":1,\"tool\":\"{TOOL}\",\n\"verdict\":")?;
    serde_json::to_writer(&mut sink, &Verdict::worst(series().map(|(_, series)| series.verdict)))?;
    sink.write_all(b",\n\"products\":[")?;
    write_lines(&mut sink, products.iter().map(product_json))?;
    sink.write_all(b"],\n\"movements\":[")?;
    let movements =
        products.iter().flat_map(|p| p.movements.iter().map(move |movement| joint_json(p, movement)));
    write_lines(&mut sink, movements)?;
    sink.write_all(b"],\n\"series\":[")?;
    write_lines(&mut sink, series().map(|(product, series)| series_json(product, series)))?;
    sink.write_all(b"]}\n")?;
    sink.flush()
}

/// The entries of a list, a line each.
fn write_lines<'a>(sink: &mut impl Write, entries: impl Iterator<Item = Json<'a>>) -> io::Result<()> {
    let mut separator: &[u8] = b"\n";
    for entry in entries {
        sink.write_all(separator)?;
        serde_json::to_writer(&mut *sink, &entry)?;
        separator = b",\n";
    }
    Ok(())
}

fn product_json(product: &ProductDrift) -> Json<'_> {
    object! {
        "product": &product.product,
        "over": product.over.name(),
        "verdict": product.verdict,
        "groups": list(&product.groups, head_json),
        "retested": list(&product.retested, retested_json),
        "false_alarms": product.false_alarms.map(false_alarms_json),
        "notes": list(&product.notes, Json::from),
    }
}

fn head_json(head: &GroupHead) -> Json<'_> {
    let GroupHead { label, units, records, revisions, firmwares, stations } = head;
    object! {
        "group": label, "units": units, "records": records, "revisions": list(revisions, Json::from),
        "firmwares": list(firmwares, Json::from), "stations": list(stations, Json::from),
    }
}

fn retested_json(retested: &Retested) -> Json<'_> {
    let Retested { serial, group, verdicts } = retested;
    object! { "serial": serial, "group": group, "verdicts": list(verdicts, Json::from) }
}

fn false_alarms_json<'a>(alarms: FalseAlarms) -> Json<'a> {
    let FalseAlarms { charts, one_chart, any_chart, is_held } = alarms;
    object! { "charts": charts, "one_chart": one_chart, "any_chart": any_chart, "is_held": is_held }
}

fn series_json<'a>(product: &'a ProductDrift, series: &'a SeriesOutcome) -> Json<'a> {
    let heads = product.groups.as_slice();
    let chart = series.chart.as_ref();
    object! {
        "product": &product.product,
        "corner": &series.corner,
        "quantity": &series.quantity,
        "unit": series.unit,
        "over": product.over.name(),
        "limit": series.limit,
        "verdict": series.verdict,
        "groups": list(heads.iter().zip(&series.groups), |(head, stats)| group_json(head, stats)),
        "center": chart.map(|chart| chart.center),
        "sigma": chart.map(|chart| chart.sigma),
        "chart": chart.map(|chart| chart_json(heads, chart)),
        "signals": list(&series.signals, |signal| object! {
            "group": label(heads, signal.group),
            "rule": signal.rule,
            "explained_by_station": signal.explained_by_station,
            "wanders": signal.wanders,
            "message": &signal.message,
        }),
        "movement": series.movement.as_ref().map(|movement| movement_json(heads, movement)),
        "trend": series.trend.map(|slope| slope_json("per_group", slope)),
        "forecast": series.forecast.map(reach_json),
        "capability": series.capability.map(ability_json),
        "references": list(&series.references, reference_json),
        "rules": list(&series.rules, rule_json),
        "message": &series.message,
    }
}

fn label(heads: &[GroupHead], group: usize) -> Option<&str> {
    heads.get(group).map(|head| head.label.as_str())
}

fn group_json<'a>(head: &'a GroupHead, stats: &GroupStats) -> Json<'a> {
    let GroupStats { units, bounds, mean, sd, min, max, uncertainty, chain } = *stats;
    object! {
        "group": &head.label, "units": units, "bounds": bounds, "mean": mean, "sd": sd, "min": min, "max": max,
        "uncertainty": uncertainty, "chain": chain,
    }
}

fn chart_json<'a>(heads: &'a [GroupHead], chart: &ChartRun) -> Json<'a> {
    object! {
        "kind": super::sentences::chart_name(chart.kind),
        "setup": chart.setup,
        "widening": chart.widening,
        "correlation": chart.correlation,
        "points": list(&chart.points, |point| {
            let ChartPoint { group, statistic, low, high, sigma } = *point;
            object! {
                "group": label(heads, group), "statistic": statistic, "low": low, "high": high, "sigma": sigma,
            }
        }),
    }
}

fn range_json<'a>(range: Range) -> Json<'a> {
    let Range { value, low, high } = range;
    object! { "value": value, "low": low, "high": high }
}

fn since_json(heads: &[GroupHead], since: Since) -> Json<'_> {
    let Since { group, low, high } = since;
    object! { "group": label(heads, group), "low": label(heads, low), "high": label(heads, high) }
}

fn movement_json<'a>(heads: &'a [GroupHead], moved: &'a Movement) -> Json<'a> {
    let weights = moved.probability;
    object! {
        "kind": moved.kind.name(),
        "probability": object! { "none": weights.none, "step": weights.step, "ramp": weights.ramp },
        "perhaps": moved.perhaps.map(crate::drift::Kind::name),
        "since": moved.since.map(|since| since_json(heads, since)),
        "size": range_json(moved.size),
        "slope": range_json(moved.slope),
        "level": range_json(moved.level),
        "threshold": moved.threshold,
        "relevant": moved.relevant,
        "towards_limit": moved.towards_limit,
        "share_eaten": moved.share_eaten,
        "earlier": list(&moved.earlier, |change| object! {
            "kind": change.kind.name(), "since": label(heads, change.since), "size": change.size,
        }),
        "left_out": list(moved.left_out.iter().filter_map(|group| label(heads, *group)), Json::Text),
        "correlation": moved.correlation,
        "together_with": list(&moved.together_with, Json::from),
    }
}

fn joint_json<'a>(product: &'a ProductDrift, joint: &'a JointMovement) -> Json<'a> {
    object! {
        "product": &product.product,
        "kind": joint.kind.name(),
        "probability": joint.probability,
        "since": since_json(&product.groups, joint.since),
        "series": list(&joint.series, moved_json),
        "worst": worst_json(product, joint),
        "relevant": joint.relevant,
        "share_eaten": joint.share_eaten,
        "together_with": list(&joint.together_with, Json::from),
        "circuit": joint.parts.as_ref().map(parts_json),
        "message": &joint.message,
    }
}

fn parts_json(moved: &PartsMoved) -> Json<'_> {
    object! {
        "causes": list(&moved.causes, |cause| object! {
            "part": &cause.part, "change": cause.change, "uncertainty": cause.uncertainty, "probability": cause.probability,
        }),
        "parts": list(&moved.since.parts, |part| object! {
            "part": &part.part, "change": part.change, "uncertainty": part.uncertainty, "informed": part.informed,
        }),
        "changes": moved.since.changes as u64,
        "explained": moved.since.explained.map(|explained| explained as u64),
    }
}

fn moved_json(moved: &Moved) -> Json<'_> {
    object! {
        "corner": &moved.corner,
        "quantity": &moved.quantity,
        "unit": moved.unit,
        "size": range_json(moved.size),
        "relevant": moved.relevant,
        "share_eaten": moved.share_eaten,
    }
}

/// The series that is nearest to its limit: where none is ahead, the one that ate most of its distance.
fn worst_json<'a>(product: &'a ProductDrift, joint: &'a JointMovement) -> Option<Json<'a>> {
    let worst = |corner: &'a str, quantity: &'a str, share_eaten: Option<f64>, ahead: Option<Reach>| {
        object! {
            "corner": corner,
            "quantity": quantity,
            "share_eaten": share_eaten,
            "forecast": ahead.map(reach_json),
        }
    };
    let nearest = joint.nearest.and_then(|(place, reach)| Some((product.series.get(place)?, reach)));
    let ahead = nearest.map(|(series, reach)| {
        let eaten = series.movement.as_ref().map(|movement| movement.share_eaten);
        worst(&series.corner, &series.quantity, eaten, Some(reach))
    });
    let most_eaten = joint.series.first();
    ahead.or_else(|| most_eaten.map(|m| worst(&m.corner, &m.quantity, Some(m.share_eaten), None)))
}

/// A slope; `key` says what a step is.
fn slope_json<'a>(key: &'static str, slope: Slope) -> Json<'a> {
    let Slope { per_group, low, high, level, least_squares } = slope;
    let rest = [("low", low), ("high", high), ("level", level), ("least_squares", least_squares)];
    let entries = [(key, per_group)].into_iter().chain(rest);
    Json::Object(entries.map(|(key, value)| (key, value.into())).collect())
}

fn reach_json<'a>(reach: Reach) -> Json<'a> {
    let Reach { limit, in_groups, low, high } = reach;
    object! { "reaches": limit, "in_groups": in_groups, "low": low, "high": high }
}

fn ability_json<'a>(ability: Ability) -> Json<'a> {
    let Ability { ppk, low, units, share, lots, taken_out } = ability;
    let mut entries = vec![
        ("ppk", ppk.into()),
        ("low", low.into()),
        ("units", units.into()),
        ("share", share.into()),
        ("at_newest_level", taken_out.into()),
    ];
    // Scatter of lots and of units inside them.
    entries.extend(lots.map(|lots| {
        let lots = object! {
            "between": lots.between, "within": lots.within, "freedom": lots.freedom,
            "independent_units": lots.independent,
        };
        ("lots", lots)
    }));
    Json::Object(entries)
}

fn reference_json(reference: &ReferenceSeries) -> Json<'_> {
    let ReferenceSeries { serial, station, records, mean, sd, trend, moved } = reference;
    object! {
        "serial": serial, "station": station, "records": records, "mean": mean, "sd": *sd,
        "trend": trend.map(|slope| slope_json("per_record", slope)),
        "movement": moved.map(|moved| object! {
            "kind": moved.kind.name(), "probability": moved.probability, "since_record": moved.since, "size": range_json(moved.size),
        }),
    }
}

fn rule_json(rule: &RuleOutcome) -> Json<'_> {
    let RuleOutcome { rule, verdict, message } = rule;
    object! { "rule": *rule, "verdict": verdict, "message": message }
}
