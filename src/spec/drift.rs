//! `drift`: how the recorded history is judged.

use super::plausible::{CAPABILITY, MOST_GROUPS};
use super::{Chart, Drift, DriftAxis};
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
    let charts = [("individuals", Chart::Individuals), ("ewma", Chart::Ewma), ("cusum", Chart::Cusum)];
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
    };
    fields.finish();
    Some(drift)
}
