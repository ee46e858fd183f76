//! `limits`: windows for margins, counts and gains.

use super::plausible::{FREQUENCY, GAIN, MOST_CROSSINGS, MOST_GAINS};
use super::{Band, GainAt, GainLimit, Limits, Window, in_unit};
use crate::measurand::{Measurand, PerMeasurand};
use crate::quantity::{Decibel, Hertz, split};
use crate::yaml::{Fields, Sign, Value};

/// Reads the limits. What is wrong is reported and left out.
pub(super) fn read(value: &Value<'_>) -> Option<Limits> {
    let fields = value.fields("a map such as `{phase_margin: {min: 50 deg}}`")?;
    let one = |measurand: Measurand| {
        limit(&fields, measurand.name(), measurand.limit_example(), |v| in_unit::limit(measurand, v))
    };
    let limits = Limits {
        windows: PerMeasurand::of(one),
        crossings: limit(&fields, "crossings", "{max: 1}", |v| v.count_in(0, MOST_CROSSINGS)),
        gain: fields.get("gain").map(|value| gains(&value)).unwrap_or_default(),
        // Stands in `circuit`.
        unexplained: None,
    };
    fields.finish();
    Some(limits)
}

fn frequency(value: &Value<'_>) -> Option<Hertz> {
    value.quantity_in(Sign::Positive, &FREQUENCY)
}

fn decibel(value: &Value<'_>) -> Option<Decibel> {
    value.quantity_in(Sign::Any, &GAIN)
}

fn limit<T: PartialOrd + Copy>(
    fields: &Fields<'_>,
    key: &'static str,
    example: &str,
    read: impl Fn(&Value<'_>) -> Option<T>,
) -> Option<Window<T>> {
    let value = fields.get(key)?;
    let inner = value.fields(&format!("a map such as `{example}`"))?;
    let window = window(&inner, &format!("{key}: {example}"), read);
    inner.finish();
    window
}

/// Reads `min` and `max`; `None` when something is wrong with them.
fn window<T: PartialOrd + Copy>(
    fields: &Fields<'_>,
    example: &str,
    read: impl Fn(&Value<'_>) -> Option<T>,
) -> Option<Window<T>> {
    let (low, high) = (fields.get("min"), fields.get("max"));
    if low.is_none() && high.is_none() {
        let help = format!("write for example `{example}`");
        fields.value.error(
            "empty-window",
            "neither `min` nor `max` is given, so nothing would be judged",
            help,
        );
        return None;
    }
    let min = low.as_ref().map(&read);
    let max = high.as_ref().map(&read);
    // An inner `None` has been reported.
    let min = if let Some(read) = min { Some(read?) } else { None };
    let max = if let Some(read) = max { Some(read?) } else { None };
    if let (Some(a), Some(b), Some(low), Some(high)) = (min, max, low, high)
        && a > b
    {
        rising(&low, &high, "min-above-max", "min");
        return None;
    }
    Some(Window { min, max })
}

/// Reports that the lower of two values is not below the upper one, at the one written later.
fn rising(low: &Value<'_>, high: &Value<'_>, code: &'static str, name: &str) {
    let text = |value: &Value<'_>| value.text("a value").unwrap_or_default().to_owned();
    let (a, b) = (text(low), text(high));
    let other = if name == "min" { "max" } else { "to" };
    let message = match name {
        "min" => format!("`min` {a} is above `max` {b}"),
        _ => format!("`from` {a} is not below `to` {b}"),
    };
    let at = if high.spot.is_after(&low.spot) { high } else { low };
    let units = [&a, &b].map(|text| split(text).map(|(_, unit)| unit.trim()).unwrap_or_default());
    let help = match units {
        [one, two] if one == two => format!("write `{name}: {b}, {other}: {a}`, or correct one of them"),
        [one, two] => format!(
            "one of the units `{one}` and `{two}` may be wrong (m is milli, k kilo, M mega): correct it; if both are right, exchange the two"
        ),
    };
    at.error(code, message, help);
}

/// Reads `from` and `to` of a map. In a part one of them may be missing.
pub(super) fn band(fields: &Fields<'_>, whole: bool) -> Option<Band> {
    let get = |key, example| if whole { fields.required(key, example) } else { fields.get(key) };
    let (low, high) = (get("from", "from: 100 Hz"), get("to", "to: 200 kHz"));
    let from = low.as_ref().and_then(frequency);
    let to = high.as_ref().and_then(frequency);
    let (from, to, low, high) = (from?, to?, low?, high?);
    if from >= to {
        rising(&low, &high, "from-not-below-to", "from");
        return None;
    }
    Some(Band { from, to })
}

fn gains(value: &Value<'_>) -> Vec<GainLimit> {
    let mut gains: Vec<GainLimit> = Vec::new();
    let Some(items) = value.items("a list such as `[{at: 120 Hz, min: 30 dB}]`") else { return gains };
    if items.len() == 0 {
        value.error("empty-list", "the list of gain limits is empty", "add a limit, or remove the key");
    }
    if items.len() > MOST_GAINS {
        let message =
            format!("there are {} limits of the gain, at most {MOST_GAINS} are judged", items.len());
        value.error("too-many-gains", message, "hold the gain over bands in place of single frequencies");
        return gains;
    }
    for item in items {
        let Some(gain) = gain(&item) else { continue };
        if gains.iter().any(|other| other.check == gain.check) {
            let message = format!("a second gain limit gives the check `{}`", gain.check);
            item.error("duplicate-gain-limit", message, "put `min` and `max` into one entry");
            continue;
        }
        gains.push(gain);
    }
    gains
}

fn gain(item: &Value<'_>) -> Option<GainLimit> {
    const EXAMPLE: &str = "{at: 120 Hz, min: 30 dB}";
    let fields = item.fields(&format!("a map such as `{EXAMPLE}`"))?;
    let at = fields.get("at");
    let ranged = fields.has("from") || fields.has("to");
    let place = match (&at, ranged) {
        (Some(at), true) => {
            at.error("at-and-band", "`at` and `from`/`to` exclude each other", "keep one of the two");
            // Makes the two known, so that they are not called unknown as well.
            let _ = (fields.get("from"), fields.get("to"));
            None
        }
        (None, false) => {
            let _ = (fields.get("from"), fields.get("to"));
            let help = format!("write for example `{EXAMPLE}`, or `from` and `to`");
            item.error("missing-key", "neither `at` nor `from` and `to` is given", help);
            None
        }
        (Some(value), false) => {
            let _ = (fields.get("from"), fields.get("to"));
            let check = format!("gain@{}", compact(value));
            frequency(value).map(|at| (check, GainAt::Frequency(at)))
        }
        (None, true) => {
            let name = |key| fields.get(key).map(|value| compact(&value)).unwrap_or_default();
            let check = format!("gain@{}-{}", name("from"), name("to"));
            band(&fields, true).map(|band| (check, GainAt::Band(band)))
        }
    };
    let window = window(&fields, EXAMPLE, decibel);
    fields.finish();
    let ((check, at), window) = (place?, window?);
    Some(GainLimit { check, at, window })
}

/// A value as written, without blanks; empty when it is no single value.
fn compact(value: &Value<'_>) -> String {
    match &value.node.kind {
        crate::yaml::Kind::Scalar { text, .. } => text.split_whitespace().collect(),
        _ => String::new(),
    }
}
