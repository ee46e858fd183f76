//! `corners`: what lists of conditions multiply out to, and what each corner overrides.

use super::Corner;
use super::corner_overrides::{self, KEYS, Layer};
use super::labels::{condition, short_name};
use super::names::{Template, junit_form};
use super::plausible::MOST_CONDITIONS;
use crate::quantity::{Condition, Hertz};
use crate::yaml::{Entry, Fields, Kind, Node, Path, Value, merge};
use std::collections::HashMap;
use std::collections::hash_map::Entry as Slot;

/// Most corners of a spec.
const MOST_CORNERS: usize = 10_000;

/// What corners are laid over.
pub(super) struct Ground<'a> {
    /// The tree of the spec.
    pub(super) root: &'a Node,
    /// What holds where a corner overrides nothing.
    pub(super) base: &'a Layer,
    pub(super) switching: Option<Hertz>,
    pub(super) whole: bool,
}

/// Reads the corners and multiplies them out. What is wrong is reported and left out.
pub(super) fn read(value: &Value<'_>, ground: &Ground<'_>) -> Vec<Corner> {
    const WANTED: &str = "a list such as `[{name: 24V-3A, conditions: {input: 24 V, load: 3 A}}]`";
    let Some(items) = value.items(WANTED) else { return Vec::new() };
    let items: Vec<_> = items.collect();
    if items.is_empty() {
        value.error("no-corner", "the spec has no corner", format!("write {WANTED}"));
    }
    let total = items.iter().fold(0_usize, |sum, item| sum.saturating_add(product_of(item.node)));
    if total > MOST_CORNERS {
        let message =
            format!("the conditions multiply out to {total} corners, at most {MOST_CORNERS} are allowed");
        value.error("too-many-corners", message, "shorten the lists of conditions");
        return Vec::new();
    }
    let mut corners = Corners::default();
    let shared = shared_keys(ground.root);
    for item in &items {
        read_one(item, ground, &shared, &mut corners);
    }
    if !corners.without_linearity.is_empty() {
        report_linearity(value, &corners.without_linearity);
    }
    corners.list
}

#[derive(Default)]
struct Corners {
    list: Vec<Corner>,
    /// JUnit form of each name to the name.
    names: HashMap<String, String>,
    without_linearity: Vec<String>,
}

/// How many corners an entry multiplies out to.
pub(super) fn product_of(corner: &Node) -> usize {
    let Some(Node { kind: Kind::Map(conditions), .. }) = corner.get("conditions") else { return 1 };
    let length = |entry: &Entry| match &entry.value.kind {
        Kind::List(items) => items.len(),
        _ => 1,
    };
    conditions.iter().map(length).fold(1, usize::saturating_mul)
}

/// The part of a map that a corner may override.
pub(super) fn shared_keys(node: &Node) -> Node {
    let entries = KEYS.iter().filter_map(|key| node.entry(key)).cloned().collect();
    Node { kind: Kind::Map(entries), source: node.source.clone(), offset: None }
}

fn read_one(item: &Value<'_>, ground: &Ground<'_>, shared: &Node, corners: &mut Corners) {
    let Some(fields) = item.fields("a map such as `{name: 24V-3A, conditions: {input: 24 V}}`") else {
        return;
    };
    let name = fields.required("name", "name: \"{input}-{load}\"");
    let conditions = fields.get("conditions").map_or(Some(Vec::new()), |value| axes(&value));
    let layer = layer_of(&fields, ground, shared);
    fields.finish();
    let (Some(name), Some(axes)) = (name, conditions) else { return };
    let keys: Vec<&str> = axes.iter().map(|(key, _)| key.as_str()).collect();
    let Some(template) = Template::read(&name, &keys) else { return };
    if axes.len() > MOST_CONDITIONS {
        let message =
            format!("the corner has {} conditions, at most {MOST_CONDITIONS} are allowed", axes.len());
        name.error("too-many-conditions", message, "keep those that the corners differ by");
        return;
    }
    if ground.whole && !layer.has_limit && !layer.has_regression {
        let help = "add `limits` to the spec or to the corner";
        name.error("judges-nothing", "no limit holds at this corner, so nothing would be judged", help);
    }
    for conditions in Odometer::new(&axes) {
        let filled = template.fill(&conditions);
        // One clash tells enough of an entry that clashes throughout.
        if !short_name(&name, &filled, "the corner's name") || !claim(&name, &filled, corners) {
            break;
        }
        if ground.whole && !layer.has_linearity {
            corners.without_linearity.push(filled.clone());
        }
        // Without linearity an error stands, and the corner serves only to check waivers.
        let linearity = layer.linearity.clone();
        corners.list.push(Corner {
            name: filled,
            conditions,
            band: layer.band,
            density: layer.density,
            limits: layer.limits.clone(),
            linearity: linearity.unwrap_or_else(|| super::Linearity::Waived(String::new())),
            regression: layer.regression,
            waivers: Vec::new(),
        });
    }
}

/// Registers a corner's name; `false` when it is taken.
fn claim(value: &Value<'_>, name: &str, corners: &mut Corners) -> bool {
    if name.trim().is_empty() {
        value.error("empty-text", "the corner's name is empty", "give it a name");
        return false;
    }
    match corners.names.entry(junit_form(name)) {
        Slot::Vacant(slot) => {
            slot.insert(name.to_owned());
            true
        }
        Slot::Occupied(slot) if slot.get() == name => {
            let help = "put every listed condition into the name, such as `{input}-{load}`";
            value.error("duplicate-corner", format!("a second corner is named `{name}`"), help);
            false
        }
        Slot::Occupied(slot) => {
            let message = format!(
                "the corners `{}` and `{name}` have one name in JUnit, where dots become `_` and blanks collapse",
                slot.get()
            );
            value.error("colliding-corner", message, "rename one of them");
            false
        }
    }
}

/// What holds at a corner: the spec's own, with what the corner lays over it.
fn layer_of(fields: &Fields<'_>, ground: &Ground<'_>, shared: &Node) -> Layer {
    // Every key is asked for, so that each is known.
    let overrides = KEYS.iter().filter(|key| fields.get(key).is_some()).count();
    if overrides == 0 {
        return ground.base.clone();
    }
    let merged = merge(shared.clone(), shared_keys(fields.value.node));
    let value = Value { node: &merged, ..fields.value };
    match value.fields("a map") {
        Some(inner) => corner_overrides::read(&inner, ground.switching, ground.whole),
        None => ground.base.clone(),
    }
}

/// The conditions of a corner: names and their values, in the spec's order.
fn axes(value: &Value<'_>) -> Option<Vec<(String, Vec<Condition>)>> {
    let entries = value.entries("a map such as `{input: 24 V, load: 3 A}`")?;
    let mut axes = Vec::with_capacity(entries.len());
    let mut good = true;
    for entry in entries {
        let inner = value.inner(entry);
        good &= short_name(&inner, &entry.key, "the condition's name");
        let values = if matches!(entry.value.kind, Kind::List(_)) {
            let items: Vec<_> =
                inner.items("a list of conditions").map(Iterator::collect).unwrap_or_default();
            if items.is_empty() {
                inner.error("empty-list", "the list of conditions is empty", "write a value such as `24 V`");
                good = false;
            }
            items.iter().map(condition).collect::<Vec<_>>()
        } else {
            vec![condition(&inner)]
        };
        let read: Vec<Condition> = values.iter().flatten().cloned().collect();
        good &= read.len() == values.len();
        axes.push((entry.key.to_string(), read));
    }
    good.then_some(axes)
}

fn report_linearity(value: &Value<'_>, corners: &[String]) {
    let first = corners.first().map_or("", String::as_str);
    let others = match corners.len() {
        1 => String::new(),
        n => format!(" and {} more", n - 1),
    };
    let help = "add `linearity: {crossover: 2 %, phase_margin: 2 deg}` to the spec, or `linearity: {waived: \"reason\"}`";
    let root = Value { path: Path::ROOT, ..*value };
    root.error(
        "missing-linearity",
        format!("the key `linearity` is missing for the corner `{first}`{others}"),
        help,
    );
}

/// All combinations of the conditions, the first one turning slowest.
struct Odometer<'a> {
    axes: &'a [(String, Vec<Condition>)],
    next: Option<Vec<usize>>,
}

impl<'a> Odometer<'a> {
    fn new(axes: &'a [(String, Vec<Condition>)]) -> Self {
        Self { axes, next: Some(vec![0; axes.len()]) }
    }
}

impl Iterator for Odometer<'_> {
    type Item = Vec<(String, Condition)>;

    fn next(&mut self) -> Option<Self::Item> {
        let mut digits = self.next.take()?;
        let pick = |((name, values), digit): (&(String, Vec<Condition>), &usize)| {
            values.get(*digit).map(|value| (name.clone(), value.clone()))
        };
        let item = self.axes.iter().zip(&digits).map(pick).collect::<Option<Vec<_>>>();
        for (digit, (_, values)) in digits.iter_mut().zip(self.axes).rev() {
            *digit += 1;
            if *digit < values.len() {
                self.next = Some(digits);
                break;
            }
            *digit = 0;
        }
        item
    }
}
