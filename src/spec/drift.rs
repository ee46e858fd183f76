//! `drift`: how the recorded history is judged.

use super::plausible::{CAPABILITY, GAIN_CHANGE, MOST_GROUPS};
use super::{Chart, Drift, DriftAxis, Relevant, in_unit};
use crate::measurand::{Measurand, PerMeasurand};
use crate::quantity::Decibel;
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
    let movement = |measurand: Measurand| {
        let value = fields.get(measurand.name())?;
        in_unit::change(measurand, &value, measurand.movement_example())
    };
    let gain = |value: Value<'_>| value.quantity_in::<Decibel>(Sign::Positive, &GAIN_CHANGE);
    let relevant =
        Relevant { movements: PerMeasurand::of(movement), gain: fields.get("gain").and_then(gain) };
    fields.finish();
    Some(relevant)
}

#[cfg(test)]
mod tests {
    use crate::spec::{Chart, Drift, load};

    fn read(drift: &str) -> Result<Drift, String> {
        let text = format!(
            "spec: 1\nproduct: p\ncritical_point: +1\nband: {{from: 100 Hz, to: 200 kHz}}\ndensity: 15\n\
             linearity: {{waived: one level}}\nlimits: {{phase_margin: {{min: 50 deg}}}}\ncorners: [{{name: a}}]\ndrift: {drift}\n"
        );
        let files = |_: &str| Ok(text.clone().into_bytes());
        match load("p.yaml", &files) {
            Ok(loaded) => Ok(loaded.spec.drift.unwrap()),
            Err(errors) => Err(errors.iter().map(|error| error.one_line()).collect::<Vec<_>>().join("; ")),
        }
    }

    #[test]
    fn the_smallest_movements_that_matter_are_read_with_their_units() {
        let drift = read(
            "{chart: changepoint, relevant: {crossover: 2 %, phase_margin: 1 deg, gain_margin: 0.5 dB, gain: 250 mdB, \
             stability_margin: 0.02, delay_margin: 200 ns}}",
        );
        // A prefix that decibels do not have is told.
        assert!(drift.is_err_and(|text| text.contains("relevant.gain")));
        let drift = read(
            "{chart: changepoint, relevant: {crossover: 2 %, phase_margin: 1 deg, gain_margin: 0.5 dB, gain: 0.25 dB, \
             stability_margin: 0.02, delay_margin: 200 ns}}",
        )
        .unwrap();
        assert_eq!(drift.chart, Some(Chart::ChangePoint));
        let of = |quantity| drift.relevant_for(quantity, -20_000.0).map(|own| (own * 1e12).round() / 1e12);
        for (quantity, wanted) in [
            ("crossover_hz", Some(400.0)),
            ("phase_margin_deg", Some(1.0)),
            ("gain_margin_db", Some(0.5)),
            ("gain_reduction_margin_db", None),
            ("stability_margin", Some(0.02)),
            ("delay_margin_s", Some(2e-7)),
            ("gain@120Hz", Some(0.25)),
            ("crossings", None),
        ] {
            assert_eq!(of(quantity), wanted, "{quantity}");
        }
        assert_eq!(read("{over: build}").unwrap().relevant_for("phase_margin_deg", 50.0), None);
    }

    #[test]
    fn what_is_wrong_in_it_is_told_with_its_place() {
        for (drift, words) in [
            ("{relevant: {phase_margin: 1}}", "drift.relevant.phase_margin: `1` has no unit"),
            ("{relevant: {phase_margin: 0 deg}}", "drift.relevant.phase_margin"),
            ("{relevant: {phase_margn: 1 deg}}", "unknown key `phase_margn`"),
            ("{relevant: {crossover: 900000 %}}", "drift.relevant.crossover"),
            ("{relevant: 1 deg}", "a map such as `{phase_margin: 1 deg, crossover: 2 %}`"),
            ("{chart: change-point}", "is not one of `changepoint`"),
        ] {
            let text = read(drift).unwrap_err();
            assert!(text.contains(words), "{drift}: {text}");
        }
    }
}
