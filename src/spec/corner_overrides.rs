//! What a corner may override: band, density, limits, linearity, regression; and what `lint` warns of in them.

use super::limits::band;
use super::plausible::DENSITY;
use super::{Band, GainAt, Limits, Linearity, Regression, limits, linearity, regression};
use crate::diagnostic::Diagnostic;
use crate::measurand::Measurand;
use crate::quantity::Hertz;
use crate::yaml::{Fields, Kind, Sign, Value};

/// The keys of a layer.
pub(super) const KEYS: [&str; 5] = ["band", "density", "limits", "linearity", "regression"];

/// What holds at a corner.
#[derive(Debug, Clone)]
pub(super) struct Layer {
    pub(super) band: Option<Band>,
    pub(super) density: Option<f64>,
    pub(super) limits: Limits,
    pub(super) linearity: Option<Linearity>,
    pub(super) regression: Regression,
    /// Whether `linearity` is written, right or wrong.
    pub(super) has_linearity: bool,
    /// Whether a limit is written, right or wrong.
    pub(super) has_limit: bool,
    /// Whether a comparison with the baseline is written, right or wrong.
    pub(super) has_regression: bool,
}

/// Reads a layer; in a part it need not be complete.
pub(super) fn read(fields: &Fields<'_>, switching: Option<Hertz>, whole: bool) -> Layer {
    let filled = |key| fields.get(key).filter(|value| !is_empty_map(value)).is_some();
    let layer = Layer {
        band: fields.get("band").and_then(|value| {
            let inner = value.fields("a map such as `{from: 100 Hz, to: 200 kHz}`")?;
            let band = band(&inner, whole);
            inner.finish();
            band
        }),
        density: fields.get("density").and_then(|value| value.number_in(Sign::Positive, "15", &DENSITY)),
        limits: fields.get("limits").and_then(|value| limits::read(&value)).unwrap_or_default(),
        linearity: fields.get("linearity").and_then(|value| linearity::read(&value, whole)),
        regression: fields.get("regression").and_then(|value| regression::read(&value)).unwrap_or_default(),
        has_linearity: fields.has("linearity"),
        has_limit: filled("limits"),
        has_regression: filled("regression"),
    };
    warn(fields, &layer, switching);
    layer
}

fn is_empty_map(value: &Value<'_>) -> bool {
    matches!(&value.node.kind, Kind::Map(entries) if entries.is_empty())
}

/// Highest frequency of a sampled loop's band and of its crossover, as parts of the switching frequency: half of it is
/// where sampling folds the response back, a fifth leaves the delay of the modulator room; common practice, no source.
const HIGHEST_BAND: f64 = 0.5;
const HIGHEST_CROSSOVER: f64 = 0.2;

fn warn(fields: &Fields<'_>, layer: &Layer, switching: Option<Hertz>) {
    if let (Some(band), Some(switching)) = (layer.band, switching)
        && band.to.hz() > HIGHEST_BAND * switching.hz()
        && let Some(value) = fields.get("band")
        && let Some(inner) = value.fields("a map")
        && let Some(to) = inner.get("to")
    {
        let message =
            format!("the band ends at {}, past half of the switching frequency {switching}", band.to);
        to.report(Diagnostic::warning("band-past-half-switching", message).with_help("end it below"));
    }
    if let (Some(window), Some(switching)) = (layer.limits.windows.get(Measurand::Crossover), switching)
        && let Some(top) = window.max.or(window.min).and_then(Hertz::new)
        && top.hz() > HIGHEST_CROSSOVER * switching.hz()
        && let Some(value) = fields.get("limits")
        && let Some(inner) = value.fields("a map")
        && let Some(crossover) = inner.get("crossover")
        && let Some(inner) = crossover.fields("a map")
        && let Some(bound) = inner.get(if window.max.is_some() { "max" } else { "min" })
    {
        let message =
            format!("the crossover may be {top}, past a fifth of the switching frequency {switching}");
        bound.report(Diagnostic::warning("crossover-past-fifth-switching", message).with_help("check both"));
    }
    warn_gains(fields, layer);
}

fn warn_gains(fields: &Fields<'_>, layer: &Layer) {
    let Some(band) = layer.band else { return };
    let Some(value) = fields.get("limits") else { return };
    let Some(inner) = value.fields("a map") else { return };
    let Some(list) = inner.get("gain").filter(|list| matches!(list.node.kind, Kind::List(_))) else { return };
    let Some(items) = list.items("a list") else { return };
    // Only a list without errors matches entry by entry.
    if items.len() != layer.limits.gain.len() {
        return;
    }
    for (item, gain) in items.zip(&layer.limits.gain) {
        let (low, high) = match gain.at {
            GainAt::Frequency(at) => (at, at),
            GainAt::Band(inner) => (inner.from, inner.to),
        };
        // A part in 1e9 for the rounding of values written with another prefix.
        if low.hz() < band.from.hz() * (1.0 - 1e-9) || high.hz() > band.to.hz() * (1.0 + 1e-9) {
            let message = format!("`{}` lies outside the band from {} to {}", gain.check, band.from, band.to);
            item.report(Diagnostic::warning("gain-outside-band", message).with_help("widen the band"));
        }
    }
}
