//! `regression`: allowed changes against the accepted baseline.

use super::{Regression, in_unit};
use crate::measurand::{Measurand, PerMeasurand};
use crate::yaml::{Fields, Value};

/// Reads `regression`.
pub(super) fn read(value: &Value<'_>) -> Option<Regression> {
    let fields = value.fields("a map such as `{phase_margin: {drop: 3 deg}}`")?;
    let regression = Regression { changes: PerMeasurand::of(|measurand| change(&fields, measurand)) };
    fields.finish();
    Some(regression)
}

fn change(fields: &Fields<'_>, measurand: Measurand) -> Option<f64> {
    let value = fields.get(measurand.name())?;
    let key = measurand.unwelcome().key();
    let example = measurand.change_example();
    let inner = value.fields(&format!("a map such as `{{{key}: {example}}}`"))?;
    let change = inner.required(key, &format!("{key}: {example}"));
    let change = change.and_then(|value| in_unit::change(measurand, &value, example));
    inner.finish();
    change
}
