//! The JSON Schema and the readers know the same keys.
//!
//! The readers ask for every key by hand, and report a key that nobody asked for together with all they know in its place. So an
//! unknown key is planted into every map of the samples, and what the reader then lists is held against the schema. That the
//! schema is one, and what it makes of good and broken files, a public validator tells (`tests/schema_readers.py`).

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "a test fails by panicking")]

use loopgauge::diagnostic::{Diagnostic, Severity};
use loopgauge::measurand::Measurand;
use loopgauge::run;
use loopgauge::schema::{Subject, document};
use loopgauge::spec::{LoadedSpec, load};
use serde_json::{Map, Value, json};
use std::collections::{BTreeMap, BTreeSet};

/// A step from a value to one inside it.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Step {
    Key(String),
    Item(usize),
}

/// A map of a sample: its path, and the place of what the schema says of it.
struct Met {
    path: Vec<Step>,
    pointer: String,
}

/// A loop of one pole.
const NETLIST: &str = "loop\n.param VIN=12\nE1 a 0 in 0 {VIN}\nR1 a out 1k\nC1 out 0 1u\nR2 out 0 1meg\nVinj out in 0 AC 1\nRin in 0 1g\n";

/// A limit with both sides.
fn both_sides(mut limit: Value) -> Value {
    let map = limit.as_object_mut().unwrap();
    let one = map.values().next().unwrap().clone();
    for side in ["min", "max"] {
        map.entry(side).or_insert_with(|| one.clone());
    }
    limit
}

fn specs() -> Vec<Value> {
    let mut full = json!({
        "spec": 1, "product": "river-gauge-5v", "title": "5 V rail", "extends": "common.yaml", "critical_point": 1,
        "open_loop_poles": 0, "band": {"from": "100 Hz", "to": "200 kHz"}, "switching_frequency": "600 kHz", "density": 15,
        "accuracy": {"gain": "0.1 dB", "phase": "0.5 deg", "delay": "2 ns"},
        "decision": {"rule": "guarded", "coverage": 2},
        "injection_point": {"impedance_ratio": 0.001},
        "limits": {
            "crossover": {"min": "8 kHz", "max": "30 kHz"}, "crossings": {"min": 1, "max": 1},
            "phase_margin": {"min": "50 deg", "max": "90 deg"}, "gain_margin": {"min": "10 dB", "max": "90 dB"},
            "gain_reduction_margin": {"min": "6 dB", "max": "90 dB"}, "stability_margin": {"min": 0.5, "max": 1},
            "delay_margin": {"min": "2 us", "max": "1 ms"},
            "gain": [{"at": "120 Hz", "min": "30 dB"}, {"from": "150 kHz", "to": "200 kHz", "max": "-8 dB"}]
        },
        "linearity": {"step": "3 dB", "crossover": "2 %", "phase_margin": "2 deg", "gain": "1 dB", "phase": "5 deg",
            "band": [0.1, 10]},
        "regression": {
            "crossover": {"shift": "10 %"}, "phase_margin": {"drop": "3 deg"}, "gain_margin": {"drop": "1 dB"},
            "gain_reduction_margin": {"drop": "1 dB"}, "stability_margin": {"drop": 0.05}, "delay_margin": {"drop": "0.5 us"}
        },
        "drift": {"over": "build", "setup": 8, "chart": "changepoint", "capability": {"min": 1.33}, "forecast": {"groups": 6},
            "relevant": {"crossover": "2 %", "phase_margin": "1 deg", "gain_margin": "0.5 dB", "gain_reduction_margin": "0.5 dB",
                "stability_margin": 0.02, "delay_margin": "0.2 us", "gain": "0.5 dB"}},
        "corners": [
            {"name": "{input}-{load}", "conditions": {"input": ["10 V", "24 V"], "load": "3 A"}},
            {"name": "cold", "conditions": {"input": "24 V"}, "band": {"from": "1 kHz", "to": "100 kHz"}, "density": 30,
             "limits": {"phase_margin": {"min": "45 deg"}}, "linearity": {"waived": "one level"},
             "regression": {"phase_margin": {"drop": "2 deg"}}}
        ],
        "waivers": [{"corner": "cold", "check": "crossover", "reason": "ECO 17", "until": "2027-03-31"}],
        "conditions_tolerance": "2 %",
        "circuit": {"netlist": "loop.cir", "injection": "Vinj", "parameters": {"VIN": "input"}, "vary": {"R1": "5 %"},
            "limits": {"unexplained": 0.05}},
        "reading": reading()
    });
    for own in Measurand::ALL {
        let example = |text: &str| serde_yaml::from_str::<Value>(text).unwrap();
        let change = json!({own.unwelcome().key(): example(own.change_example())});
        let keys = [
            ("limits", both_sides(example(own.limit_example()))),
            ("regression", change),
            ("relevant", example(own.movement_example())),
        ];
        for (key, value) in keys {
            let map = if key == "relevant" { &mut full["drift"][key] } else { &mut full[key] };
            map.as_object_mut().unwrap().entry(own.name()).or_insert(value);
        }
    }
    let mut other = full.clone();
    other["reading"]["columns"] = json!({"real": "re", "imag": {"column": 3}});
    let mut sides = full.clone();
    sides["reading"]["columns"] = json!({"input_real": {"column": "a"}, "input_imag": {"column": "b"},
        "output_real": {"column": "c"}, "output_imag": {"column": "d"}, "frequency": {"column": 1, "unit": "Hz"}});
    let mut real = full.clone();
    real["reading"]["columns"] = json!({"real": {"column": "re"}, "imag": "im"});
    let mut polar = full.clone();
    polar["reading"] = json!({
        "format": "text", "footer_rows": 1, "units_row": true, "frequency_unit": "rad/s",
        "columns": {"input_magnitude": {"column": "a", "unit": "dB"}, "input_phase": {"column": "b", "unit": "rad"},
            "output_magnitude": {"column": "c", "unit": "dB"}, "output_phase": {"column": "d", "unit": "deg"}}});
    vec![full, other, sides, real, polar]
}

fn reading() -> Value {
    json!({"encoding": "windows-1252", "delimiter": ";", "decimal": ",", "comment": "!", "skip_rows": 2, "header": true, "columns": {
        "frequency": {"column": "f", "unit": "kHz"}, "gain": {"column": "g", "unit": "dB"},
        "phase": {"column": 3, "unit": "rad"}}})
}

fn runs() -> Vec<Value> {
    let listed = json!({
        "run": 1, "product": "river-gauge-5v", "serial": "RG-00042", "revision": "C", "firmware": "2.3.1",
        "build": "2026-W14", "taken": "2026-04-02T09:15:00Z", "station": "bench-3", "reference": true, "notes": "none",
        "operator": "early shift", "instrument": "receiver 7", "calibrated_until": "2027-03-31", "injection": "transformer",
        "reading": reading(),
        "sweeps": [
            {"file": "a.csv", "corner": "cold", "level": "-26 dBm", "actual": {"input": "23.9 V"}},
            {"file": "b.csv", "corner": "24V-3A", "level": {"profile": "gentle", "offset": "0 dB"}}
        ]
    });
    let mut pattern = listed.clone();
    pattern.as_object_mut().unwrap().remove("sweeps");
    pattern["pattern"] = json!("{corner}_{level}.csv");
    vec![listed, pattern]
}

fn load_spec(spec: &Value) -> Result<LoadedSpec, Vec<Diagnostic>> {
    let text = spec.to_string();
    let files = move |path: &str| match path {
        "common.yaml" => Ok(b"spec: 1\n".to_vec()),
        "loop.cir" => Ok(NETLIST.as_bytes().to_vec()),
        _ => Ok(text.clone().into_bytes()),
    };
    load("s.yaml", &files)
}

fn spec_errors(spec: &Value) -> Vec<Diagnostic> {
    load_spec(spec).err().unwrap_or_default().into_iter().filter(|d| d.severity == Severity::Error).collect()
}

fn run_errors(run: &Value) -> Vec<Diagnostic> {
    // Its own `reading` would be laid under that of the run.
    let mut spec = specs().remove(0);
    spec.as_object_mut().unwrap().remove("reading");
    let spec = load_spec(&spec).unwrap();
    let names = ["cold_-26dBm.csv".to_owned()];
    match run::parse(run.to_string().as_bytes(), "run.yaml", ".") {
        Ok(raw) => raw.resolve(&spec, &names).err().unwrap_or_default(),
        Err(errors) => errors,
    }
}

fn schema() -> Value {
    serde_json::from_str(&document(Subject::Both)).unwrap()
}

/// What the schema says at a pointer, references followed; with the pointer where it says so.
fn resolve(schema: &Value, pointer: &str) -> (Value, String) {
    let node = schema.pointer(pointer).unwrap_or_else(|| panic!("{pointer}"));
    match node["$ref"].as_str() {
        Some(to) => resolve(schema, to.trim_start_matches('#')),
        None => (node.clone(), pointer.to_owned()),
    }
}

/// All closed maps of a sample.
fn walk(schema: &Value, pointer: &str, sample: &Value, path: &[Step], met: &mut Vec<Met>) {
    let (node, pointer) = resolve(schema, pointer);
    if let (Some(choices), true) = (node["oneOf"].as_array(), node.get("properties").is_none()) {
        let wanted = if sample.is_object() {
            "object"
        } else if sample.is_array() {
            "array"
        } else {
            return;
        };
        let index = choices.iter().position(|choice| choice["type"] == wanted).unwrap();
        return walk(schema, &format!("{pointer}/oneOf/{index}"), sample, path, met);
    }
    let with = |step: Step| [path, &[step]].concat();
    match sample {
        Value::Object(entries) => {
            let is_closed = node["additionalProperties"] == json!(false);
            if is_closed {
                met.push(Met { path: path.to_vec(), pointer: pointer.clone() });
            }
            for (key, value) in entries {
                let below =
                    if is_closed { format!("properties/{key}") } else { "additionalProperties".to_owned() };
                walk(schema, &format!("{pointer}/{below}"), value, &with(Step::Key(key.clone())), met);
            }
        }
        Value::Array(items) => {
            for (at, value) in items.iter().enumerate() {
                walk(schema, &format!("{pointer}/items"), value, &with(Step::Item(at)), met);
            }
        }
        _ => {}
    }
}

/// Every closed map of the schema with its keys.
fn closed(node: &Value, pointer: &str, found: &mut BTreeMap<String, BTreeSet<String>>) {
    match node {
        Value::Object(entries) => {
            if let (Some(keys), Some(Value::Bool(false))) =
                (entries.get("properties").and_then(Value::as_object), entries.get("additionalProperties"))
            {
                found.insert(pointer.to_owned(), keys.keys().cloned().collect());
            }
            for (key, value) in entries {
                closed(value, &format!("{pointer}/{key}"), found);
            }
        }
        Value::Array(items) => {
            for (at, value) in items.iter().enumerate() {
                closed(value, &format!("{pointer}/{at}"), found);
            }
        }
        _ => {}
    }
}

fn map_at<'v>(sample: &'v mut Value, path: &[Step]) -> &'v mut Map<String, Value> {
    let inner = path.iter().fold(sample, |value, step| match step {
        Step::Key(key) => &mut value[key],
        Step::Item(at) => &mut value[*at],
    });
    inner.as_object_mut().unwrap()
}

/// Goes through every map of every sample; gives the keys met by the pointers of their maps.
fn each_map(
    root: &str,
    samples: &[Value],
    errors: fn(&Value) -> Vec<Diagnostic>,
    check: &mut dyn FnMut(&Value, &Value, &Met),
) -> BTreeMap<String, BTreeSet<String>> {
    let schema = schema();
    let mut keys: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for sample in samples {
        assert_eq!(errors(sample), [], "{sample}");
        let mut met = Vec::new();
        walk(&schema, root, sample, &[], &mut met);
        for met in &met {
            let mut copy = sample.clone();
            let there = map_at(&mut copy, &met.path).keys().cloned();
            keys.entry(met.pointer.clone()).or_default().extend(there);
            check(sample, schema.pointer(&met.pointer).unwrap(), met);
        }
    }
    keys
}

/// The keys that the reader knows in a map are those that the schema knows.
fn same_keys(sample: &Value, node: &Value, met: &Met, errors: fn(&Value) -> Vec<Diagnostic>) {
    const PLANTED: &str = "qqqqqq";
    let mut planted = sample.clone();
    map_at(&mut planted, &met.path).insert(PLANTED.to_owned(), json!(1));
    let found = errors(&planted);
    let unknown = found.iter().find(|d| d.code == "unknown-key" && d.message.contains(PLANTED));
    let help = unknown.and_then(|d| d.help.clone()).unwrap_or_else(|| panic!("{:?}: {found:#?}", met.path));
    let (_, list) = help.split_once("known here: ").unwrap();
    let reader: BTreeSet<&str> = list.split(", ").collect();
    let schema: BTreeSet<&str> = node["properties"].as_object().unwrap().keys().map(String::as_str).collect();
    assert_eq!(reader, schema, "{:?}", met.path);
}

#[test]
fn readers_and_schema_know_the_same_keys() {
    let mut met = each_map("/$defs/spec", &specs(), spec_errors, &mut |sample, node, met| {
        same_keys(sample, node, met, spec_errors);
    });
    let of_runs = each_map("/$defs/run", &runs(), run_errors, &mut |sample, node, met| {
        same_keys(sample, node, met, run_errors);
    });
    for (pointer, keys) in of_runs {
        met.entry(pointer).or_default().extend(keys);
    }
    // No map and no key of the schema that the samples leave out.
    let mut all = BTreeMap::new();
    closed(&schema()["$defs"], "/$defs", &mut all);
    assert!(all.len() > 30, "{}", all.len());
    for (pointer, keys) in all {
        assert_eq!(met.get(&pointer), Some(&keys), "{pointer}");
    }
}

/// Dropping a key is called a missing key where the schema requires it, and nowhere else.
#[test]
fn readers_and_schema_require_the_same_keys() {
    let schema = schema();
    // A spec that extends nothing must be whole: what it needs then.
    let then = &schema["$defs"]["spec"]["then"];
    let whole: Vec<&str> =
        then["required"].as_array().unwrap().iter().map(|key| key.as_str().unwrap()).collect();
    assert_eq!(whole, ["spec", "critical_point", "corners"]);
    let check = |errors: fn(&Value) -> Vec<Diagnostic>| {
        let whole = whole.clone();
        move |sample: &Value, node: &Value, met: &Met| {
            let mut copy = sample.clone();
            let keys: Vec<String> = map_at(&mut copy, &met.path).keys().cloned().collect();
            for key in keys {
                let mut without = sample.clone();
                map_at(&mut without, &met.path).remove(&key);
                let message = format!("the key `{key}` is missing");
                let is_missed =
                    errors(&without).iter().any(|d| d.code == "missing-key" && d.message == message);
                let listed = node["required"].as_array().is_some_and(|list| list.contains(&json!(key)));
                let is_top = met.path.is_empty() && met.pointer == "/$defs/spec";
                let by_whole = is_top && (key == "product" || whole.contains(&key.as_str()));
                let is_range = met.pointer.ends_with("/gain/items") && (key == "from" || key == "to");
                if is_top && key == "spec" {
                    // The file below has it.
                    continue;
                }
                // What a corner overrides may come from the spec.
                let is_override = met.path.len() >= 3 && met.path[0] == Step::Key("corners".to_owned());
                // Either of the two may come from below, or the place is `at` instead.
                // As of a range: a spec that extends nothing must have them.
                let is_circuit = met.pointer == "/$defs/spec/properties/circuit";
                if is_override || is_range || is_circuit || met.pointer == "/$defs/band" {
                    continue;
                }
                assert_eq!(is_missed, listed || by_whole, "{:?} {key}", met.path);
            }
        }
    };
    each_map("/$defs/spec", &specs(), spec_errors, &mut check(spec_errors));
    each_map("/$defs/run", &runs(), run_errors, &mut check(run_errors));
}

#[test]
fn every_document_is_json_of_the_2020_12_draft_and_describes_every_key() {
    for subject in [Subject::Both, Subject::Spec, Subject::Run] {
        let schema: Value = serde_json::from_str(&document(subject)).unwrap();
        assert_eq!(schema["$schema"], "https://json-schema.org/draft/2020-12/schema");
        let mut all = BTreeMap::new();
        closed(&schema["$defs"], "/$defs", &mut all);
        for (pointer, keys) in all {
            for key in keys {
                let at = format!("{pointer}/properties/{key}");
                let direct = schema.pointer(&at).unwrap();
                let (node, _) = resolve(&schema, &at);
                let described = direct.get("description").or(node.get("description"));
                assert!(described.and_then(Value::as_str).is_some_and(|text| !text.is_empty()), "{at}");
            }
        }
    }
}
