//! What the JSON results hold: every key with its kind of value.

use loopgauge::measurand::Measurand;
use serde_json::{Map, Value};

/// The type that a value must have.
pub enum Shape {
    Text,
    Number,
    /// A whole number, not below 0.
    Count,
    Flag,
    /// One of these words.
    Word(&'static [&'static str]),
    /// This shape, or `null` where it does not exist.
    Maybe(&'static Shape),
    List(&'static Shape),
    /// Exactly this many.
    Tuple(usize, &'static Shape),
    /// A map with keys of its own choice.
    Map(&'static Shape),
    /// A map with exactly these keys; one that ends in `?` may be left out.
    Keys(&'static [(&'static str, Shape)]),
    /// A map with a key of each measurand, and exactly these.
    Measured(&'static [(&'static str, Shape)]),
    /// A map with at most these keys, at least one.
    Some(&'static [(&'static str, Shape)]),
}

pub use Shape::{Count, Flag, Keys, List, Maybe, Measured, Number, Some as Any, Text, Tuple, Word};

impl Shape {
    /// Fails with the path of the first value that has another shape.
    pub fn check(&self, value: &Value, path: &str) {
        let is_right = match (self, value) {
            (Text, Value::String(_)) | (Flag, Value::Bool(_)) => true,
            (Number, Value::Number(number)) => number.as_f64().is_some_and(f64::is_finite),
            (Count, Value::Number(number)) => number.as_u64().is_some(),
            (Word(words), Value::String(word)) => words.contains(&word.as_str()),
            (Maybe(_), Value::Null) => true,
            (Maybe(shape), value) => return shape.check(value, path),
            (Tuple(count, _), Value::Array(items)) if items.len() != *count => false,
            (List(shape) | Tuple(_, shape), Value::Array(items)) => {
                for (index, item) in items.iter().enumerate() {
                    shape.check(item, &format!("{path}[{index}]"));
                }
                true
            }
            (Self::Map(shape), Value::Object(map)) => {
                map.iter().for_each(|(key, value)| shape.check(value, &format!("{path}.{key}")));
                true
            }
            (Keys(keys), Value::Object(map)) => {
                let missing = keys.iter().find(|(key, _)| !key.ends_with('?') && !map.contains_key(*key));
                assert!(missing.is_none(), "{path} lacks {}", missing.unwrap().0);
                known(keys, map, path);
                true
            }
            (Measured(keys), Value::Object(map)) => {
                let mut others = map.clone();
                for key in Measurand::ALL.map(Measurand::key) {
                    let value = others.remove(key).unwrap_or_else(|| panic!("{path} lacks {key}"));
                    let shape = if key == "gain_margin_db" { &GAIN_MARGIN } else { &MEASURED };
                    Maybe(shape).check(&value, &format!("{path}.{key}"));
                }
                return Keys(keys).check(&Value::Object(others), path);
            }
            (Any(keys), Value::Object(map)) => {
                known(keys, map, path);
                !map.is_empty()
            }
            _ => false,
        };
        assert!(is_right, "{path} is {value}");
    }
}

fn known(keys: &[(&str, Shape)], map: &Map<String, Value>, path: &str) {
    for (key, value) in map {
        let (_, shape) = keys
            .iter()
            .find(|(known, _)| known.trim_end_matches('?') == key)
            .unwrap_or_else(|| panic!("{path}.{key} is not part of the format"));
        shape.check(value, &format!("{path}.{key}"));
    }
}

const OVERALL: Shape = Word(&["invalid", "missing", "fail", "undecided", "waived", "pass"]);
pub const OF_CHECK: Shape =
    Word(&["invalid", "missing", "fail", "undecided", "waived", "pass", "not_judged"]);
/// What each source contributes to the uncertainty; silent ones are left out.
const BUDGET: Shape = Keys(&[
    ("gain?", Number),
    ("phase?", Number),
    ("delay?", Number),
    ("noise?", Number),
    // Without bound where the curve runs along its line.
    ("rounding?", Maybe(&Number)),
    ("density?", Number),
    ("level?", Number),
    ("impedance_ratio?", Number),
]);
pub const MEASURED: Shape = Keys(&[
    ("value", Number),
    ("uncertainty", Maybe(&Number)),
    ("at_hz", Number),
    ("budget?", BUDGET),
    ("simulated?", Flag),
]);
pub const GAIN_MARGIN: Shape = Keys(&[
    ("value", Number),
    ("uncertainty", Maybe(&Number)),
    ("at_hz", Number),
    ("at_least", Flag),
    ("budget?", BUDGET),
    ("simulated?", Flag),
]);
const CHECK: Shape = Keys(&[
    ("check", Text),
    ("verdict", OF_CHECK),
    ("value", Maybe(&Number)),
    ("uncertainty", Maybe(&Number)),
    ("unit", Maybe(&Word(&["Hz", "deg", "dB", "s", ""]))),
    ("limit", Maybe(&Any(&[("min", Number), ("max", Number)]))),
    ("conformity", Maybe(&Number)),
    ("at_hz", Maybe(&Number)),
    ("message", Text),
    ("remedy?", Maybe(&Text)),
    ("range_hz?", List(&Number)),
]);
const CORNER: Shape = Keys(&[
    ("corner", Text),
    ("conditions", Shape::Map(&Text)),
    ("verdict", OF_CHECK),
    (
        "judged",
        Maybe(&Keys(&[("files", List(&Text)), ("level", Maybe(&Text)), ("confirmed_by", List(&Text))])),
    ),
    ("measured", Maybe(&Measured(&[("crossings", Count)]))),
    ("checks", List(&CHECK)),
    ("findings", List(&Text)),
]);
const PART: Shape = Keys(&[
    ("part", Text),
    ("unit", Word(&["ohm", "F", "H", ""])),
    ("nominal", Number),
    ("value", Maybe(&Number)),
    ("uncertainty", Maybe(&Number)),
    ("informed", Number),
]);
const PART_CHANGE: Shape = Keys(&[
    ("part", Text),
    ("change", Maybe(&Number)),
    ("uncertainty", Maybe(&Number)),
    ("informed", Number),
]);
const CAUSE: Shape = Keys(&[
    ("part", Text),
    ("change", Maybe(&Number)),
    ("uncertainty", Maybe(&Number)),
    ("probability", Number),
]);
pub const CIRCUIT: Shape = Keys(&[
    ("parts", List(&PART)),
    ("not_separable", List(&Tuple(2, &Text))),
    (
        "together",
        List(&Keys(&[
            ("parts", Tuple(2, &Text)),
            ("known", Word(&["product", "ratio"])),
            ("uncertainty", Number),
        ])),
    ),
    ("causes", List(&CAUSE)),
    (
        "change",
        Maybe(&Keys(&[
            ("of", Text),
            ("parts", List(&PART_CHANGE)),
            ("changes", Count),
            ("explained", Maybe(&Count)),
        ])),
    ),
    ("unexplained", Maybe(&Number)),
    ("discrepancy", Number),
    // By corner, margin and part: change per +1 %.
    ("sensitivity", Shape::Map(&Shape::Map(&Shape::Map(&Number)))),
    (
        "information",
        Maybe(&Keys(&[("scales", List(&Number)), ("precision", List(&Number)), ("pull", List(&Number))])),
    ),
]);
const ERROR: Shape = Keys(&[
    ("file", Maybe(&Text)),
    ("line", Maybe(&Count)),
    ("column", Maybe(&Count)),
    ("key", Maybe(&Text)),
    ("code", Text),
    ("message", Text),
    ("help", Maybe(&Text)),
]);
pub const RESULT: Shape = Keys(&[
    ("format", Count),
    ("tool", Text),
    ("verdict", Maybe(&OVERALL)),
    (
        "runs",
        List(&Keys(&[
            ("run", Text),
            ("product", Text),
            ("serial", Text),
            ("revision", Text),
            ("firmware", Maybe(&Text)),
            ("build", Maybe(&Text)),
            ("taken", Maybe(&Text)),
            ("station", Maybe(&Text)),
            ("title", Maybe(&Text)),
            ("operator", Maybe(&Text)),
            ("instrument", Maybe(&Text)),
            ("calibrated_until", Maybe(&Text)),
            ("injection", Maybe(&Text)),
            ("notes", Maybe(&Text)),
            ("findings?", List(&Text)),
            ("reference?", Flag),
            ("spec", Text),
            ("spec_sha256?", Text),
            ("files?", List(&Keys(&[("file", Text), ("sha256", Text), ("bytes", Count)]))),
            ("coverage", Number),
            ("verdict", OVERALL),
            ("corners", List(&CORNER)),
            ("circuit?", CIRCUIT),
        ])),
    ),
    ("serials", List(&Keys(&[("serial", Text), ("verdict", OVERALL), ("products", List(&Text))]))),
    ("errors", List(&ERROR)),
]);
pub const CROSSOVERS: Shape = List(&Keys(&[
    ("frequency_hz", Number),
    ("phase_margin_deg", Number),
    ("direction", Word(&["falling", "rising"])),
]));
pub const PHASE_CROSSOVERS: Shape = List(&Keys(&[("frequency_hz", Number), ("gain_margin_db", Number)]));
pub const INSPECTED: Shape = Keys(&[
    ("format", Count),
    (
        "sweeps",
        List(&Measured(&[
            ("file", Text),
            ("points", Count),
            ("band_hz", Tuple(2, &Number)),
            ("crossovers", CROSSOVERS),
            ("phase_crossovers", PHASE_CROSSOVERS),
            ("noise_percent", Maybe(&Number)),
            ("findings", List(&Text)),
        ])),
    ),
]);
