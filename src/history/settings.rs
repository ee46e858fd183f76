//! What drift needs of a spec, as JSON beside the spec's text.

use super::model::{CornerLimit, Settings};
use super::numbers;
use crate::check::{RunOutcome, Unit, declared_limits};
use crate::measurand::{Measurand, PerMeasurand};
use crate::quantity::Decibel;
use crate::spec::{Chart, Drift, DriftAxis, Relevant, Spec};
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::collections::BTreeMap;

#[derive(Serialize, Deserialize)]
struct Text {
    coverage: f64,
    drift: Option<DriftText>,
    limits: Vec<CornerLimit>,
}

#[derive(Serialize, Deserialize)]
struct DriftText {
    over: Option<String>,
    setup: Option<u32>,
    chart: Option<String>,
    capability_min: Option<f64>,
    forecast_groups: Option<u32>,
    // Records of older versions have none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    relevant: Option<RelevantText>,
}

/// The smallest movements that matter by name, in the units that values are recorded in; of the crossover a share of the centre.
struct RelevantText(Relevant);

/// The key of the gain's limits.
const GAIN: &str = "gain";

impl Serialize for RelevantText {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let Relevant { movements, gain } = &self.0;
        let singles =
            Measurand::ALL.into_iter().map(|measurand| (measurand.name(), movements.get(measurand)));
        serializer.collect_map(singles.chain([(GAIN, gain.map(Decibel::db))]))
    }
}

impl<'de> Deserialize<'de> for RelevantText {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let named = BTreeMap::<String, Option<f64>>::deserialize(deserializer)?;
        let of = |name: &str| named.get(name).copied().flatten();
        let movements = PerMeasurand::of(|measurand| of(measurand.name()));
        Ok(Self(Relevant { movements, gain: of(GAIN).and_then(Decibel::new) }))
    }
}

const AXES: [(DriftAxis, &str); 4] = [
    (DriftAxis::Build, "build"),
    (DriftAxis::Revision, "revision"),
    (DriftAxis::Firmware, "firmware"),
    (DriftAxis::Taken, "taken"),
];

const CHARTS: [(Chart, &str); 4] = [
    (Chart::ChangePoint, "changepoint"),
    (Chart::Individuals, "individuals"),
    (Chart::Ewma, "ewma"),
    (Chart::Cusum, "cusum"),
];

/// The key in `measured` of the quantity that a check judges, or the check's name for a gain limit; `None` for a check without a series.
pub(super) fn quantity(check: &str) -> Option<&str> {
    let gain = || check.starts_with("gain@").then_some(check);
    Measurand::named(check).map(Measurand::key).or_else(gain)
}

/// What a run and its spec's drift settings give.
pub(super) fn of(outcome: &RunOutcome, drift: Option<&Drift>) -> Settings {
    let limits = outcome.corners.iter().flat_map(|corner| {
        corner.checks.iter().filter_map(|check| {
            let limit = check.limit?;
            Some(CornerLimit {
                corner: corner.corner.clone(),
                quantity: quantity(&check.check)?.to_owned(),
                unit: check.unit.map_or("", Unit::symbol).to_owned(),
                min: limit.min,
                max: limit.max,
            })
        })
    });
    Settings { coverage: outcome.coverage, drift: drift.copied(), limits: limits.collect() }
}

/// What a spec gives, as if a run had been recorded with it.
#[must_use]
pub fn declared(spec: &Spec) -> Settings {
    let limits = spec.corners.iter().flat_map(|corner| {
        declared_limits(&corner.limits).into_iter().filter_map(|(check, unit, limit)| {
            Some(CornerLimit {
                corner: corner.name.clone(),
                quantity: quantity(&check)?.to_owned(),
                unit: unit.symbol().to_owned(),
                min: limit.min,
                max: limit.max,
            })
        })
    });
    Settings { coverage: spec.decision.coverage, drift: spec.drift, limits: limits.collect() }
}

/// One line of JSON.
///
/// # Errors
/// Only when the JSON writer fails, which it does not in memory.
pub fn settings_text(settings: &Settings) -> Result<String, serde_json::Error> {
    let word = |words: &[(Chart, &str)], chart| {
        words.iter().find(|(c, _)| *c == chart).map(|(_, w)| (*w).to_owned())
    };
    let axis = |axis| AXES.iter().find(|(a, _)| *a == axis).map(|(_, word)| (*word).to_owned());
    let drift = settings.drift.map(|drift| DriftText {
        over: drift.over.and_then(axis),
        setup: drift.setup,
        chart: drift.chart.and_then(|chart| word(&CHARTS, chart)),
        capability_min: drift.capability_min,
        forecast_groups: drift.forecast_groups,
        relevant: drift.relevant.map(RelevantText),
    });
    serde_json::to_string(&Text { coverage: settings.coverage, drift, limits: settings.limits.clone() })
}

/// Reads it again.
///
/// # Errors
/// What is wrong with the text.
pub fn parse_settings(text: &str) -> Result<Settings, String> {
    let text: Text = serde_json::from_str(text).map_err(|error| error.to_string())?;
    let drift = text.drift.map(|drift| {
        let over = drift.over.map(|word| named(&AXES, &word)).transpose()?;
        let chart = drift.chart.map(|word| named(&CHARTS, &word)).transpose()?;
        let relevant = drift.relevant.map(|RelevantText(relevant)| relevant);
        let DriftText { setup, capability_min, forecast_groups, .. } = drift;
        Ok::<_, String>(Drift { over, setup, chart, capability_min, forecast_groups, relevant })
    });
    let settings = Settings { coverage: text.coverage, drift: drift.transpose()?, limits: text.limits };
    numbers::hold_settings(&settings).map(|()| settings)
}

fn named<T: Copy>(words: &[(T, &str)], word: &str) -> Result<T, String> {
    words
        .iter()
        .find(|(_, known)| *known == word)
        .map(|(value, _)| *value)
        .ok_or_else(|| format!("unknown word `{word}`"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn settings_come_back() {
        for (axis, _) in AXES {
            for (chart, _) in CHARTS {
                let drift = Drift {
                    over: Some(axis),
                    setup: Some(8),
                    chart: Some(chart),
                    capability_min: Some(1.33),
                    forecast_groups: None,
                    relevant: Some(Relevant {
                        movements: PerMeasurand::default()
                            .with(Measurand::Crossover, Some(0.02))
                            .with(Measurand::PhaseMargin, Some(1.0))
                            .with(Measurand::StabilityMargin, Some(0.02)),
                        gain: Decibel::new(0.5),
                    }),
                };
                let limit = CornerLimit {
                    corner: "24V-3A".to_owned(),
                    quantity: "gain@120Hz".to_owned(),
                    unit: "dB".to_owned(),
                    min: Some(30.1),
                    max: None,
                };
                let settings = Settings { coverage: 2.0, drift: Some(drift), limits: vec![limit] };
                assert_eq!(parse_settings(&settings_text(&settings).unwrap()).unwrap(), settings);
            }
        }
        let older = r#"{"coverage":2,"drift":{"over":"build","setup":8,"chart":"ewma","capability_min":null,"forecast_groups":6},"limits":[]}"#;
        let read = parse_settings(older).unwrap().drift.unwrap();
        assert_eq!((read.relevant, read.forecast_groups), (None, Some(6)));
        assert!(
            parse_settings(r#"{"coverage":2,"drift":{"over":"moon"},"limits":[]}"#)
                .unwrap_err()
                .contains("moon")
        );
    }
}
