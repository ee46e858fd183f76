//! `drift`: how the recorded history is judged.

use super::plausible::{CAPABILITY, CHANGE, DELAY_CHANGE, DISTANCE, GAIN_CHANGE, MOST_GROUPS, PHASE_CHANGE};
use super::{Chart, Drift, DriftAxis, Relevant};
use crate::quantity::{Decibel, Degrees, Ratio, Seconds};
use crate::yaml::{Sign, Value};

/// Groups that a spread can be taken from, at least.
const FEWEST_SETUP_GROUPS: u32 = 2;

/// Reads `drift`.
pub(super) fn read(value: &Value<'_>) -> Option<Drift> {
    let fields = value.fields("a map such as `{over: build, setup: 8}`")?;
    let axes = [
        ("build", DriftAxis::Build),
        ("revision", DriftAxis::Revision),
        ("firmware", DriftAxis::Firmware),
        ("taken", DriftAxis::Taken),
    ];
    let charts = [
        ("changepoint", Chart::ChangePoint),
        ("individuals", Chart::Individuals),
        ("ewma", Chart::Ewma),
        ("cusum", Chart::Cusum),
    ];
    let drift = Drift {
        over: fields.get("over").and_then(|value| value.word(&axes)),
        setup: fields.get("setup").and_then(|value| value.count_in(FEWEST_SETUP_GROUPS, MOST_GROUPS)),
        chart: fields.get("chart").and_then(|value| value.word(&charts)),
        capability_min: fields.get("capability").and_then(|value| {
            let inner = value.fields("a map such as `{min: 1.33}`")?;
            let least = inner
                .required("min", "min: 1.33")
                .and_then(|v| v.number_in(Sign::Positive, "1.33", &CAPABILITY));
            inner.finish();
            least
        }),
        forecast_groups: fields.get("forecast").and_then(|value| {
            let inner = value.fields("a map such as `{groups: 6}`")?;
            let groups = inner.required("groups", "groups: 6").and_then(|v| v.count_in(1, MOST_GROUPS));
            inner.finish();
            groups
        }),
        relevant: fields.get("relevant").and_then(|value| relevant(&value)),
    };
    fields.finish();
    Some(drift)
}

/// Reads `relevant`: of each quantity the smallest movement that is worth an action.
fn relevant(value: &Value<'_>) -> Option<Relevant> {
    let fields = value.fields("a map such as `{phase_margin: 1 deg, crossover: 2 %}`")?;
    let decibel = |key| fields.get(key).and_then(|v| v.quantity_in::<Decibel>(Sign::Positive, &GAIN_CHANGE));
    let relevant = Relevant {
        crossover: fields.get("crossover").and_then(|v| v.quantity_in::<Ratio>(Sign::Positive, &CHANGE)),
        phase_margin: fields
            .get("phase_margin")
            .and_then(|v| v.quantity_in::<Degrees>(Sign::Positive, &PHASE_CHANGE)),
        gain_margin: decibel("gain_margin"),
        gain_reduction_margin: decibel("gain_reduction_margin"),
        stability_margin: fields
            .get("stability_margin")
            .and_then(|v| v.number_in(Sign::Positive, "0.02", &DISTANCE)),
        delay_margin: fields
            .get("delay_margin")
            .and_then(|v| v.quantity_in::<Seconds>(Sign::Positive, &DELAY_CHANGE)),
        gain: decibel("gain"),
    };
    fields.finish();
    Some(relevant)
}
