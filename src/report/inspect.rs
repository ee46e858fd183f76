//! The results of `inspect`: JSON and text.

use super::escape;
use super::object::write_pretty;
use super::terminal::palette::{self, paint};
use super::terminal::{Style, wrap};
use crate::check::{Measured, Unit, Verdict, frequency_text, value_alone, value_text};
use crate::inspect::{Inspected, Way, With, WouldBe};
use crate::measurand::Measurand;
use serde::Serialize;
use std::fmt::Write as _;
use std::io::{self, Write};

#[derive(Serialize)]
struct Result<'a> {
    format: u32,
    sweeps: &'a [Inspected],
}

/// Writes the JSON result, a line per entry.
///
/// # Errors
/// When the sink cannot be written.
pub fn write_inspect_json(sink: impl Write, sweeps: &[Inspected]) -> io::Result<()> {
    write_pretty(sink, &Result { format: 1, sweeps })
}

/// The text of one sweep. Text from files is shown harmless.
#[must_use]
pub fn render_inspect(sweep: &Inspected, style: Style) -> String {
    let mut text = String::new();
    let [from, to] = sweep.band_hz;
    line(&mut text, &paint(&escape::terminal(&sweep.file), palette::STRONG, style));
    line(
        &mut text,
        &format!("  {} points from {} to {}", sweep.points, frequency_text(from), frequency_text(to)),
    );
    for crossing in &sweep.crossovers {
        let way = match crossing.direction {
            Way::Falling => "falling",
            Way::Rising => "rising",
        };
        let margin = value_text(crossing.phase_margin_deg, None, Unit::Deg, false);
        let at = frequency_text(crossing.frequency_hz);
        line(&mut text, &format!("  {way} crossover at {at}, phase margin {margin}"));
    }
    for crossing in &sweep.phase_crossovers {
        let at = frequency_text(crossing.frequency_hz);
        let margin = value_text(crossing.gain_margin_db.abs(), None, Unit::Db, false);
        let word = if crossing.gain_margin_db < 0.0 { "gain reduction margin" } else { "gain margin" };
        line(&mut text, &format!("  phase crossover at {at}, {word} {margin}"));
    }
    for measurand in Measurand::ALL {
        let found = row(sweep.measured.get(measurand), measurand.unit());
        line(&mut text, &format!("  {:<22}{found}", measurand.title()));
    }
    for finding in &sweep.findings {
        line(&mut text, &format!("  noticed: {}", escape::terminal(finding)));
    }
    if let Some(limits) = &sweep.limits {
        add_limits(&mut text, limits);
    }
    if let Some(with) = &sweep.with {
        add_with(&mut text, sweep, with);
    }
    wrap(&text, style.width).into_owned()
}

fn add_limits(text: &mut String, limits: &WouldBe) {
    let of = format!("{}, {}", limits.product, limits.corner);
    line(text, &format!("  by the limits of {of}, if a stronger sweep confirmed it; no verdict:"));
    for check in &limits.checks {
        let words = match check.would_be {
            Verdict::NotJudged => "would not be judged".to_owned(),
            verdict => format!("would be {verdict}"),
        };
        line(text, &format!("  {:<22}{words}: {}", check.check, escape::terminal(&check.message)));
    }
}

/// Each value with the changes made, beside the one without them.
fn add_with(text: &mut String, sweep: &Inspected, with: &With) {
    let changes = with.changes.join(", then ");
    line(text, &format!("  with {changes}; calculated from this curve, not measured:"));
    for finding in &with.findings {
        line(text, &format!("  mind: {}", escape::terminal(finding)));
    }
    for measurand in Measurand::ALL {
        let (then, own) = (with.measured.get(measurand), sweep.measured.get(measurand));
        if then.is_none() && own.is_none() {
            continue;
        }
        let before = own.map_or("none".to_owned(), |own| {
            value_alone(own.value, own.uncertainty, measurand.unit(), own.at_least == Some(true))
        });
        let found = row(then, measurand.unit());
        line(text, &format!("  {:<22}{found}; without {before}", measurand.title()));
    }
    if let Some(limits) = &with.limits {
        add_limits(text, limits);
    }
}

fn row(measured: Option<Measured>, unit: Unit) -> String {
    let Some(m) = measured else { return "none in the sweep".to_owned() };
    let mut text = value_text(m.value, m.uncertainty, unit, m.at_least == Some(true));
    // A frequency that is the value itself is not said twice.
    if unit != Unit::Hz {
        let _ = write!(text, " at {}", frequency_text(m.at_hz));
    }
    text
}

fn line(text: &mut String, words: &str) {
    text.push_str(words);
    text.push('\n');
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::check::MeasuredSet;
    use crate::inspect::{Crossover, PhaseCrossover};
    use crate::measurand::PerMeasurand;
    use serde_json::{Value, json};

    #[test]
    fn keys_are_those_of_the_format() {
        let measured = |value, at_hz| {
            Some(Measured { value, uncertainty: None, at_hz, at_least: None, budget: None, simulated: false })
        };
        let sweep = Inspected {
            file: "24v-3a.csv".to_owned(),
            points: 401,
            band_hz: [100.0, 5e5],
            crossovers: vec![Crossover {
                frequency_hz: 9310.4,
                phase_margin_deg: 44.1,
                direction: Way::Falling,
            }],
            phase_crossovers: vec![PhaseCrossover { frequency_hz: 61_750.0, gain_margin_db: 12.6 }],
            measured: MeasuredSet {
                values: PerMeasurand::default()
                    .with(Measurand::Crossover, measured(9310.4, 9310.4))
                    .with(Measurand::PhaseMargin, measured(44.1, 9310.4))
                    .with(Measurand::StabilityMargin, measured(0.69, 18_200.0)),
                crossings: 1,
            },
            noise_percent: None,
            findings: vec!["one sentence".to_owned()],
            limits: None,
            with: None,
        };
        let mut bytes = Vec::new();
        write_inspect_json(&mut bytes, &[sweep]).unwrap();
        let value: Value = serde_json::from_slice(&bytes).unwrap();
        let mut wanted = json!({"format": 1, "sweeps": [{"file": "24v-3a.csv", "points": 401, "band_hz": [100.0, 5e5],
                "crossovers": [{"frequency_hz": 9310.4, "phase_margin_deg": 44.1, "direction": "falling"}],
                "phase_crossovers": [{"frequency_hz": 61750.0, "gain_margin_db": 12.6}],
                "crossover_hz": {"value": 9310.4, "uncertainty": null, "at_hz": 9310.4},
                "phase_margin_deg": {"value": 44.1, "uncertainty": null, "at_hz": 9310.4},
                "stability_margin": {"value": 0.69, "uncertainty": null, "at_hz": 18200.0},
                "noise_percent": null, "findings": ["one sentence"]}]});
        for own in Measurand::ALL {
            wanted["sweeps"][0].as_object_mut().unwrap().entry(own.key()).or_insert(Value::Null);
        }
        assert_eq!(value, wanted);
    }
}
