//! The JSON result of `predict`.

use super::subject::Predicted;
use crate::circuit::predict::{CornerOutcome, Found, Part, Stability};
use crate::report::TOOL;
use serde::ser::SerializeMap;
use serde::{Serialize, Serializer};
use std::io::{self, Write};

#[derive(Serialize)]
struct Body<'a> {
    format: u32,
    tool: &'a str,
    product: Option<&'a str>,
    netlist: &'a str,
    title: &'a str,
    /// Units that were drawn.
    units: usize,
    parts: Vec<PartBody<'a>>,
    corners: Vec<CornerBody<'a>>,
    /// Units that miss a limit at any corner.
    failing: usize,
    deciding: Option<DecidingBody<'a>>,
}

#[derive(Serialize)]
struct PartBody<'a> {
    part: &'a str,
    /// Half-width, as a ratio.
    tolerance: f64,
}

impl<'a> PartBody<'a> {
    fn of(part: &'a Part) -> Self {
        Self { part: &part.name, tolerance: part.tolerance }
    }
}

#[derive(Serialize)]
struct DecidingBody<'a> {
    corners: Vec<&'a str>,
    /// Share of all units that pass there and fail elsewhere.
    left: f64,
}

#[derive(Serialize)]
struct CornerBody<'a> {
    corner: &'a str,
    conditions: Map<'a, &'a str>,
    band_hz: [f64; 2],
    /// `null`: not known.
    stable: Option<bool>,
    nominal: NominalBody<'a>,
    range: Map<'a, Option<RangeBody>>,
    share_failing: Map<'a, f64>,
    share_failing_error: Map<'a, f64>,
    failing: usize,
    unstable: usize,
    unsolved: usize,
    sensitivity: Map<'a, Map<'a, Option<f64>>>,
}

#[derive(Serialize)]
struct NominalBody<'a> {
    #[serde(flatten)]
    values: Map<'a, Option<ValueBody>>,
    crossings: usize,
    /// Checks that the nominal circuit misses.
    misses: &'a [String],
}

#[derive(Serialize)]
struct ValueBody {
    value: f64,
    /// As of measured values; a calculated one has none.
    uncertainty: Option<f64>,
    at_hz: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    at_least: Option<bool>,
}

#[derive(Serialize)]
struct RangeBody {
    low: f64,
    high: f64,
    /// Units without such a value.
    without: usize,
    at_least: bool,
}

/// Keys and values, in their order.
struct Map<'a, T>(Vec<(&'a str, T)>);

impl<T: Serialize> Serialize for Map<'_, T> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(Some(self.0.len()))?;
        self.0.iter().try_for_each(|(key, value)| map.serialize_entry(key, value))?;
        map.end()
    }
}

/// Writes the JSON result. What does not exist is `null`.
///
/// # Errors
/// When the sink cannot be written.
pub fn write_predict_json(mut sink: impl Write, predicted: &Predicted<'_>) -> io::Result<()> {
    let prediction = predicted.prediction;
    let conditions = |at: usize| predicted.conditions.get(at).map_or(&[][..], Vec::as_slice);
    let corners = prediction.corners.iter().enumerate();
    let body = Body {
        format: 1,
        tool: TOOL,
        product: predicted.product,
        netlist: predicted.netlist,
        title: &prediction.title,
        units: prediction.units,
        parts: prediction.parts.iter().map(PartBody::of).collect(),
        corners: corners.map(|(at, own)| corner(own, conditions(at), &prediction.parts)).collect(),
        failing: prediction.failing,
        deciding: prediction.deciding.as_ref().map(|deciding| DecidingBody {
            corners: deciding.corners.iter().map(|at| predicted.name(*at)).collect(),
            left: deciding.left as f64 / prediction.units.max(1) as f64,
        }),
    };
    serde_json::to_writer_pretty(&mut sink, &body)?;
    sink.write_all(b"\n")?;
    sink.flush()
}

fn corner<'a>(
    own: &'a CornerOutcome,
    conditions: &'a [(String, String)],
    parts: &'a [Part],
) -> CornerBody<'a> {
    let keys = || own.quantities.iter().map(|quantity| quantity.key());
    let value = |found: Found, key: &str| ValueBody {
        value: found.value,
        uncertainty: None,
        at_hz: found.at_hz,
        at_least: (key == "gain_margin_db").then_some(found.at_least),
    };
    let nominal = keys().zip(own.nominal.values()).map(|(key, found)| (key, found.map(|f| value(f, key))));
    let range = own.ranges.iter().map(|range| {
        let body = |range: &crate::circuit::predict::Range| RangeBody {
            low: range.low,
            high: range.high,
            without: range.without,
            at_least: range.at_least,
        };
        range.as_ref().map(body)
    });
    let names = || parts.iter().map(|part| part.name.as_str());
    let slopes = |slopes: &'a Vec<Option<f64>>| Map(names().zip(slopes.iter().copied()).collect());
    let shares = |of: fn(&crate::circuit::predict::CheckShare) -> f64| {
        Map(own.checks.iter().map(|check| (check.check.as_str(), of(check))).collect())
    };
    CornerBody {
        corner: &own.corner,
        conditions: Map(conditions.iter().map(|(name, text)| (name.as_str(), text.as_str())).collect()),
        band_hz: own.band_hz,
        stable: match own.nominal.stability {
            Stability::Stable => Some(true),
            Stability::Unstable { .. } => Some(false),
            Stability::Unknown => None,
        },
        nominal: NominalBody {
            values: Map(nominal.collect()),
            crossings: own.nominal.crossings,
            misses: &own.nominal.misses,
        },
        range: Map(keys().zip(range).collect()),
        share_failing: shares(|check| check.share),
        share_failing_error: shares(|check| check.error),
        failing: own.failing,
        unstable: own.unstable,
        unsolved: own.unsolved,
        sensitivity: Map(keys().zip(own.sensitivity.iter().map(slopes)).collect()),
    }
}
