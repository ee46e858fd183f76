//! The top level of a spec: what holds for all corners.

use super::labels::product;
use super::plausible::{
    CHANGE, COVERAGE, DELAY_ACCURACY, FREQUENCY, GAIN_ACCURACY, MOST_POLES, PHASE_ACCURACY,
};
use super::{Accuracy, CriticalPoint, DecisionRule, Drift, Rule, drift};
use crate::quantity::{Decibel, Degrees, Hertz, Ratio, Seconds};
use crate::yaml::{Fields, Sign, Value};

/// The only format version so far, of specs and of runs.
const VERSION: &str = "1";

/// The top level without what corners may override; `None` where it is missing or wrong.
pub(super) struct Head {
    pub(super) product: Option<String>,
    pub(super) title: Option<String>,
    pub(super) critical_point: Option<CriticalPoint>,
    pub(super) open_loop_poles: u32,
    pub(super) switching_frequency: Option<Hertz>,
    pub(super) accuracy: Accuracy,
    pub(super) decision: DecisionRule,
    pub(super) impedance_ratio: f64,
    pub(super) conditions_tolerance: Option<Ratio>,
    pub(super) drift: Option<Drift>,
}

/// Checks a format version.
pub(crate) fn version(value: &Value<'_>, what: &str) {
    if let Some(text) = value.text("a format version")
        && text != VERSION
    {
        let message = format!("format version `{text}` of the {what} is not known, known is {VERSION}");
        value.error("unknown-version", message, format!("write `{what}: {VERSION}`, or use a newer program"));
    }
}

/// Reads the top level; in a part (not `whole`) nothing is required.
pub(super) fn read(fields: &Fields<'_>, whole: bool) -> Head {
    if whole {
        for (key, example) in [
            ("spec", "spec: 1"),
            ("product", "product: river-gauge-5v"),
            ("critical_point", "critical_point: +1"),
        ] {
            fields.required(key, example);
        }
    }
    if let Some(value) = fields.get("spec") {
        version(&value, "spec");
    }
    let title = fields.get("title").and_then(|value| value.text("a title").map(str::to_owned));
    Head {
        product: fields.get("product").and_then(|value| product(&value)),
        title,
        critical_point: fields.get("critical_point").and_then(|value| critical_point(&value)),
        open_loop_poles: fields
            .get("open_loop_poles")
            .and_then(|value| value.count_in(0, MOST_POLES))
            .unwrap_or(0),
        switching_frequency: fields
            .get("switching_frequency")
            .and_then(|value| value.quantity_in::<Hertz>(Sign::Positive, &FREQUENCY)),
        accuracy: accuracy(fields),
        decision: decision(fields),
        impedance_ratio: fields
            .get("injection_point")
            .and_then(|value| impedance_ratio(&value))
            .unwrap_or(0.0),
        conditions_tolerance: fields
            .get("conditions_tolerance")
            .and_then(|value| value.quantity_in::<Ratio>(Sign::Positive, &CHANGE)),
        drift: fields.get("drift").and_then(|value| drift::read(&value)),
    }
}

fn critical_point(value: &Value<'_>) -> Option<CriticalPoint> {
    match value.text("`+1` or `-1`")? {
        "+1" | "1" => Some(CriticalPoint::PlusOne),
        "-1" => Some(CriticalPoint::MinusOne),
        other => {
            let help = "`+1` when the sweep is taken around the closed loop, `-1` for forward gain times feedback gain";
            value.error("bad-critical-point", format!("`{other}` is neither `+1` nor `-1`"), help);
            None
        }
    }
}

fn accuracy(fields: &Fields<'_>) -> Accuracy {
    let given = fields.get("accuracy");
    let inner =
        given.as_ref().and_then(|value| value.fields("a map such as `{gain: 0.1 dB, phase: 0.5 deg}`"));
    let mut accuracy = Accuracy { gain: Decibel::ZERO, phase: Degrees::ZERO, delay: Seconds::ZERO };
    let Some(inner) = inner else { return accuracy };
    if let Some(gain) =
        inner.get("gain").and_then(|value| value.quantity_in(Sign::NotNegative, &GAIN_ACCURACY))
    {
        accuracy.gain = gain;
    }
    if let Some(phase) =
        inner.get("phase").and_then(|value| value.quantity_in(Sign::NotNegative, &PHASE_ACCURACY))
    {
        accuracy.phase = phase;
    }
    if let Some(delay) =
        inner.get("delay").and_then(|value| value.quantity_in(Sign::NotNegative, &DELAY_ACCURACY))
    {
        accuracy.delay = delay;
    }
    inner.finish();
    accuracy
}

/// Coverage factor when none is declared: about 95 % of a normal distribution (JCGM 100:2008, 6.3.3).
const DEFAULT_COVERAGE: f64 = 2.0;

fn decision(fields: &Fields<'_>) -> DecisionRule {
    let mut decision = DecisionRule { rule: Rule::Guarded, coverage: DEFAULT_COVERAGE };
    let given = fields.get("decision");
    let inner = given.as_ref().and_then(|value| value.fields("a map such as `{rule: guarded, coverage: 2}`"));
    let Some(inner) = inner else { return decision };
    let rules = [("guarded", Rule::Guarded), ("simple", Rule::Simple)];
    if let Some(rule) = inner.get("rule").and_then(|value| value.word(&rules)) {
        decision.rule = rule;
    }
    if let Some(coverage) =
        inner.get("coverage").and_then(|value| value.number_in(Sign::Positive, "2", &COVERAGE))
    {
        decision.coverage = coverage;
    }
    inner.finish();
    decision
}

fn impedance_ratio(value: &Value<'_>) -> Option<f64> {
    let inner = value.fields("a map such as `{impedance_ratio: 0.001}`")?;
    let ratio = inner.required("impedance_ratio", "impedance_ratio: 0.001");
    let number = ratio.as_ref().and_then(|value| value.number(Sign::NotNegative, "0.001"));
    inner.finish();
    if let (Some(number), Some(value)) = (number, ratio)
        && number >= 1.0
    {
        let text = value.scalar().unwrap_or_default();
        let message = format!("an impedance ratio of {text} is not below 1");
        value.error(
            "out-of-range",
            message,
            "inject where the impedance looking back is much the smaller one",
        );
        return None;
    }
    number
}
