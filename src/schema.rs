//! The JSON Schema (2020-12) of specs and runs, for editors.
//!
//! All keys, units, examples and defaults stand in `schema/defs.json`, but for those of what is measured: their table is
//! [`crate::measurand`], and a line `"$measurands"` stands for them. The readers ask for each key by hand; the tests hold the two against each
//! other, key by key.
//!
//! **Why is the schema a file by hand, and not derived?** The readers ask for keys one by one, so there are no types
//! to derive it from, and its descriptions are texts for people. What could drift apart is held together by a test:
//! an unknown key is planted into every map, and the keys that the reader then lists must be those of the schema.
//!
//! **Why does the schema not require what `extends` may bring?** It sees one file. A file without `product` may be a
//! part, and one with `extends` gets the rest from below. Only a file that names a product and extends nothing must
//! be whole.

use crate::measurand::{Measurand, Unwelcome};
use crate::quantity::Unit;

/// The definitions that all documents share.
const DEFS: &str = include_str!("schema/defs.json");

/// Writes a key of what is measured.
type Key = fn(Measurand) -> String;

/// What a line of the definitions stands for, if it stands for the keys of what is measured, and how it ends.
fn marked(line: &str) -> Option<(Key, &str)> {
    let (word, rest) = line.trim_start().strip_prefix("\"$measurands\": \"")?.split_once('"')?;
    let of: Key = match word {
        "limits" => limit,
        "regression" => change,
        _ => movement,
    };
    Some((of, rest))
}

/// A key of `limits`.
fn limit(measurand: Measurand) -> String {
    let value = match measurand.unit() {
        Unit::Hz => "\"$ref\": \"#/$defs/frequency\"",
        Unit::Deg => "\"$ref\": \"#/$defs/angle\"",
        Unit::Db => "\"$ref\": \"#/$defs/decibel\"",
        Unit::S => "\"$ref\": \"#/$defs/time\"",
        Unit::One | Unit::PointsPerDecade => "\"$ref\": \"#/$defs/number_not_negative\", \"maximum\": 100",
    };
    let bounds = ["min", "max"].into_iter().zip(["Smallest", "Largest"]);
    let bounds = bounds
        .map(|(key, which)| format!("\"{key}\": {{{value}, \"description\": \"{which} allowed value.\"}}"));
    format!(
        "\"{}\": {{\"type\": \"object\", \"description\": \"{}\", \"properties\": {{{}}}, \"additionalProperties\": false, \
         \"minProperties\": 1, \"examples\": [{}]}}",
        measurand.name(),
        measurand.meaning(),
        bounds.collect::<Vec<_>>().join(", "),
        flow_map(measurand.limit_example())
    )
}

/// A key of `regression`.
fn change(measurand: Measurand) -> String {
    let key = measurand.unwelcome().key();
    let (verb, unit) = match measurand.unwelcome() {
        Unwelcome::Drop => ("Drop", unit_text(measurand)),
        Unwelcome::Rise => ("Rise", unit_text(measurand)),
        Unwelcome::Shift => ("Shift", "%"),
    };
    format!(
        "\"{}\": {{\"type\": \"object\", \"description\": \"{verb} of the {}, {unit}.\", \"properties\": {{\"{key}\": {{{}}}}}, \
         \"additionalProperties\": false, \"required\": [\"{key}\"], \"examples\": [{{\"{key}\": {}}}]}}",
        measurand.name(),
        measurand.title(),
        positive(measurand),
        scalar(measurand.change_example())
    )
}

/// A key of `relevant`.
fn movement(measurand: Measurand) -> String {
    let unit = if measurand.is_relative() { "% of its centre" } else { unit_text(measurand) };
    format!(
        "\"{}\": {{{}, \"description\": \"Of the {}, {unit}.\", \"examples\": [{}]}}",
        measurand.name(),
        positive(measurand),
        measurand.title(),
        scalar(measurand.movement_example())
    )
}

fn unit_text(measurand: Measurand) -> &'static str {
    if measurand.unit() == Unit::One { "a bare number" } else { measurand.unit().symbol() }
}

/// The definition of how far a measurand may move.
const fn positive(measurand: Measurand) -> &'static str {
    match measurand.unit() {
        _ if measurand.is_relative() => "\"$ref\": \"#/$defs/percent\"",
        Unit::Hz => "\"$ref\": \"#/$defs/frequency\"",
        Unit::Deg => "\"$ref\": \"#/$defs/angle_positive\"",
        Unit::Db => "\"$ref\": \"#/$defs/decibel_positive\"",
        Unit::S => "\"$ref\": \"#/$defs/time_positive\"",
        Unit::One | Unit::PointsPerDecade => {
            "\"$ref\": \"#/$defs/number_positive\", \"minimum\": 0.0001, \"maximum\": 100"
        }
    }
}

/// `{min: 8 kHz}` as JSON.
fn flow_map(example: &str) -> String {
    let pairs = example.trim_matches(['{', '}']).split(", ").filter_map(|pair| pair.split_once(": "));
    let pairs = pairs.map(|(key, value)| format!("\"{key}\": {}", scalar(value)));
    format!("{{{}}}", pairs.collect::<Vec<_>>().join(", "))
}

/// A number, or a text in quotes, as JSON.
fn scalar(example: &str) -> String {
    if example.parse::<f64>().is_ok() { example.to_owned() } else { format!("\"{example}\"") }
}

/// What a schema is wanted of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Subject {
    /// Specs and runs: what has the key `run` is a run.
    #[default]
    Both,
    /// Specs.
    Spec,
    /// Runs.
    Run,
}

/// The schema as a JSON text with a line end.
///
/// ```
/// use loopgauge::schema::{Subject, document};
/// assert!(document(Subject::Run).contains("https://json-schema.org/draft/2020-12/schema"));
/// ```
#[must_use]
pub fn document(subject: Subject) -> String {
    let (title, root) = match subject {
        Subject::Both => (
            "spec or run of loopgauge",
            "\"if\": {\"required\": [\"run\"]},\n  \"then\": {\"$ref\": \"#/$defs/run\"},\n  \
             \"else\": {\"$ref\": \"#/$defs/spec\"}",
        ),
        Subject::Spec => ("spec of loopgauge", "\"$ref\": \"#/$defs/spec\""),
        Subject::Run => ("run of loopgauge", "\"$ref\": \"#/$defs/run\""),
    };
    let lines = DEFS.trim_end().lines().map(|line| match marked(line) {
        Some((of, rest)) => Measurand::ALL.map(of).join(",\n      ") + rest,
        None => line.to_owned(),
    });
    let defs = lines.collect::<Vec<_>>().join("\n").replace('\n', "\n  ");
    format!(
        "{{\n  \"$schema\": \"https://json-schema.org/draft/2020-12/schema\",\n  \"title\": \"{title}\",\n  \
         {root},\n  \"$defs\": {defs}\n}}\n"
    )
}
