//! The top level of a run file.

use super::against::{Against, CornerIndex, RunFile};
use super::{Bench, CornerSweeps, Run, entries, listing, timestamp};
use crate::spec::{product, read_reading, version};
use crate::sweep::Reading;
use crate::yaml::{Entry, Fields, Findings, Kind, Node, Value, merge};
use std::sync::Arc;

/// Reads a run; `None` without a spec or when something is missing.
pub(super) fn read(raw: &RunFile, against: Option<Against<'_>>, findings: &Findings) -> Option<Run> {
    let value = Value::root(&raw.root, findings);
    let fields = value.fields("a map of keys")?;
    if let Some(value) = fields.required("run", "run: 1") {
        version(&value, "run");
    }
    let product_value = fields.required("product", "product: river-gauge-5v");
    let product = product_value.as_ref().and_then(product);
    if let (Some(value), Some(product), Some(Against { spec, .. })) = (product_value, &product, against)
        && spec.spec.product != *product
    {
        let message =
            format!("the run is of `{product}`, its spec {} of `{}`", spec.spec.file, spec.spec.product);
        value.error("other-product", message, "correct the product of the one or the other");
    }
    let serial = label(&fields, "serial", Some("serial: RG-00042"));
    let revision = label(&fields, "revision", Some("revision: C"));
    let firmware = label(&fields, "firmware", None);
    let build = label(&fields, "build", None);
    let station = label(&fields, "station", None);
    let is_reference = fields
        .get("reference")
        .and_then(|value| value.word(&[("true", true), ("false", false)]))
        .unwrap_or(false);
    let taken = fields.get("taken").and_then(|value| timestamp::read(&value));
    let bench = Bench::read(&fields);
    let reading = reading(&fields, against);
    let corners = sweeps(&fields, raw, against);
    fields.finish();
    // Both are wanted for the findings; without a product, or without a spec, there is no run.
    product?;
    Some(Run {
        spec: Arc::clone(&against?.spec.spec),
        corners: corners?,
        folder: raw.folder.clone(),
        file: raw.file.to_string(),
        serial: serial?,
        revision: revision?,
        firmware,
        build,
        taken,
        station,
        is_reference,
        bench,
        reading: reading?,
    })
}

/// A label as written; with an `example` it is required.
fn label(fields: &Fields<'_>, key: &'static str, example: Option<&str>) -> Option<String> {
    let value = match example {
        Some(example) => fields.required(key, example),
        None => fields.get(key),
    };
    let shown = example.and_then(|example| example.split_once(": "));
    let wanted = shown.map_or_else(|| "a label".to_owned(), |(_, text)| format!("a label such as `{text}`"));
    value.and_then(|value| value.label(&wanted).map(str::to_owned))
}

/// The run's `reading` over the spec's.
fn reading(fields: &Fields<'_>, against: Option<Against<'_>>) -> Option<Reading> {
    let own = fields.get("reading");
    let Some(Against { spec, .. }) = against else {
        return own.and_then(|value| read_reading(&value, false));
    };
    let Some(own) = own else { return Some(spec.spec.reading.clone()) };
    let Some(below) = spec.root.get("reading") else { return read_reading(&own, true) };
    let over: Node = own.node.clone();
    if !matches!(over.kind, Kind::Map(_)) {
        return read_reading(&own, true);
    }
    let entry = Entry { key: "reading".into(), offset: None, value: merge(below.clone(), over) };
    read_reading(&Value { node: &entry.value, ..own }, true)
}

/// The sweeps of each corner, in the spec's order; empty lists without a spec.
fn sweeps(fields: &Fields<'_>, raw: &RunFile, against: Option<Against<'_>>) -> Option<Vec<CornerSweeps>> {
    let index: CornerIndex<'_> = against.map_or_else(CornerIndex::new, |against| {
        against.spec.spec.corners.iter().enumerate().map(|(at, c)| (c.name.as_str(), at)).collect()
    });
    let count = against.map_or(0, |against| against.spec.spec.corners.len());
    let mut corners = vec![CornerSweeps::default(); count];
    match (fields.get("sweeps"), fields.get("pattern")) {
        (Some(_), Some(pattern)) => {
            pattern.error(
                "sweeps-and-pattern",
                "`sweeps` and `pattern` exclude each other",
                "keep one of the two",
            );
            None
        }
        (None, None) => {
            let help =
                "add `sweeps: [{file: 24v-3a.csv, corner: 24V-3A}]` or `pattern: \"{corner}_{level}.csv\"`";
            fields.value.error("missing-key", "neither `sweeps` nor `pattern` is given", help);
            None
        }
        (Some(value), None) => {
            entries::read(&value, against, &index, &mut corners)?;
            Some(corners)
        }
        (None, Some(value)) => {
            listing::read(&value, &raw.file, against, &index, &mut corners)?;
            Some(corners)
        }
    }
}
