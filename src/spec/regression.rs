//! `regression`: allowed changes against the accepted baseline.

use super::Regression;
use super::plausible::{CHANGE, DELAY_CHANGE, DISTANCE, GAIN_CHANGE, PHASE_CHANGE};
use crate::quantity::{Decibel, Degrees, Ratio, Seconds};
use crate::yaml::{Fields, Sign, Value};

/// Reads `regression`.
pub(super) fn read(value: &Value<'_>) -> Option<Regression> {
    let fields = value.fields("a map such as `{phase_margin: {drop: 3 deg}}`")?;
    let regression = Regression {
        crossover: change(&fields, "crossover", "shift", "10 %", |v| {
            v.quantity_in::<Ratio>(Sign::Positive, &CHANGE)
        }),
        phase_margin: drop(&fields, "phase_margin", "3 deg", |v| {
            v.quantity_in::<Degrees>(Sign::Positive, &PHASE_CHANGE)
        }),
        gain_margin: drop(&fields, "gain_margin", "1 dB", |v| {
            v.quantity_in::<Decibel>(Sign::Positive, &GAIN_CHANGE)
        }),
        gain_reduction_margin: drop(&fields, "gain_reduction_margin", "1 dB", |v| {
            v.quantity_in::<Decibel>(Sign::Positive, &GAIN_CHANGE)
        }),
        stability_margin: drop(&fields, "stability_margin", "0.05", |v| {
            v.number_in(Sign::Positive, "0.05", &DISTANCE)
        }),
        delay_margin: drop(&fields, "delay_margin", "0.5 us", |v| {
            v.quantity_in::<Seconds>(Sign::Positive, &DELAY_CHANGE)
        }),
    };
    fields.finish();
    Some(regression)
}

fn drop<T>(
    fields: &Fields<'_>,
    key: &'static str,
    example: &str,
    read: impl Fn(&Value<'_>) -> Option<T>,
) -> Option<T> {
    change(fields, key, "drop", example, read)
}

fn change<T>(
    fields: &Fields<'_>,
    key: &'static str,
    name: &'static str,
    example: &str,
    read: impl Fn(&Value<'_>) -> Option<T>,
) -> Option<T> {
    let value = fields.get(key)?;
    let inner = value.fields(&format!("a map such as `{{{name}: {example}}}`"))?;
    let change = inner.required(name, &format!("{name}: {example}")).and_then(|value| read(&value));
    inner.finish();
    change
}
