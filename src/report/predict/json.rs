//! The JSON result of `predict`.

use super::subject::Predicted;
use crate::circuit::predict::{CheckShare, CornerOutcome, Found, Part, Range, Stability};
use crate::report::TOOL;
use crate::report::object::{Json, list, map, object, write_pretty};
use std::io::{self, Write};

/// Writes the JSON result. What does not exist is `null`.
///
/// # Errors
/// When the sink cannot be written.
pub fn write_predict_json(sink: impl Write, predicted: &Predicted<'_>) -> io::Result<()> {
    let prediction = predicted.prediction;
    let conditions = |at: usize| predicted.conditions.get(at).map_or(&[][..], Vec::as_slice);
    let deciding = prediction.deciding.as_ref().map(|deciding| {
        object! {
            "corners": list(&deciding.corners, |at| Json::Text(predicted.name(*at))),
            // Share of all units that pass there and fail elsewhere.
            "left": deciding.left as f64 / prediction.units.max(1) as f64,
        }
    });
    let result = object! {
        "format": 1_u64,
        "tool": TOOL,
        "product": predicted.product,
        "netlist": predicted.netlist,
        "title": &prediction.title,
        "units": prediction.units,
        "parts": list(&prediction.parts, |part| object! { "part": &part.name, "tolerance": part.tolerance }),
        "corners": list(prediction.corners.iter().enumerate(), |(at, own)| {
            corner(own, conditions(at), &prediction.parts)
        }),
        "failing": prediction.failing,
        "deciding": deciding,
    };
    write_pretty(sink, &result)
}

fn corner<'a>(own: &'a CornerOutcome, conditions: &'a [(String, String)], parts: &'a [Part]) -> Json<'a> {
    let keys = || own.quantities.iter().map(|quantity| quantity.key());
    let slopes =
        |slopes: &[Option<f64>]| map(parts.iter().map(|part| part.name.as_str()).zip(slopes.iter().copied()));
    let shares =
        |of: fn(&CheckShare) -> f64| map(own.checks.iter().map(|check| (check.check.as_str(), of(check))));
    object! {
        "corner": &own.corner,
        "conditions": map(conditions.iter().map(|(name, text)| (name.as_str(), text))),
        "band_hz": list(own.band_hz, Json::Number),
        "stable": match own.nominal.stability {
            Stability::Stable => Some(true),
            Stability::Unstable { .. } => Some(false),
            Stability::Unknown => None,
        },
        "nominal": nominal(own),
        "range": map(keys().zip(own.ranges.iter().map(|range| range.map(range_json)))),
        "share_failing": shares(|check| check.share),
        "share_failing_error": shares(|check| check.error),
        "failing": own.failing,
        "unstable": own.unstable,
        "unsolved": own.unsolved,
        "sensitivity": map(keys().zip(own.sensitivity.iter().map(|own| slopes(own)))),
    }
}

/// The nominal values, then the count of crossings and the checks that are missed.
fn nominal(own: &CornerOutcome) -> Json<'_> {
    let keys = own.quantities.iter().map(|quantity| quantity.key());
    let mut entries: Vec<(&str, Json<'_>)> = keys
        .zip(own.nominal.values())
        .map(|(key, found)| (key, found.map(|found| value_json(found, key)).into()))
        .collect();
    entries.push(("crossings", own.nominal.crossings.into()));
    entries.push(("misses", list(&own.nominal.misses, Json::from)));
    Json::Object(entries)
}

/// A calculated value: it has the keys of a measured one, and no uncertainty.
fn value_json<'a>(found: Found, key: &str) -> Json<'a> {
    let mut entries =
        vec![("value", found.value.into()), ("uncertainty", Json::Null), ("at_hz", found.at_hz.into())];
    if key == "gain_margin_db" {
        entries.push(("at_least", found.at_least.into()));
    }
    Json::Object(entries)
}

fn range_json<'a>(range: Range) -> Json<'a> {
    let Range { low, high, without, at_least } = range;
    object! { "low": low, "high": high, "without": without, "at_least": at_least }
}
