//! The tree of a file, and how trees merge.

use super::source::Source;
use std::collections::HashMap;
use std::sync::Arc;

/// What a node is.
#[derive(Debug, Clone)]
pub(crate) enum Kind {
    /// `~`, `null` or nothing, without quotes.
    Null,
    /// Text as written, without quotes and with escapes resolved.
    Scalar {
        /// The text.
        text: Box<str>,
        /// Whether it stood on one line without quotes.
        plain: bool,
    },
    /// A list.
    List(Vec<Node>),
    /// A map, in the file's order; no key twice.
    Map(Vec<Entry>),
}

/// A node and where it stands.
#[derive(Debug, Clone)]
pub(crate) struct Node {
    /// What it is.
    pub(crate) kind: Kind,
    /// The file it stands in.
    pub(crate) source: Arc<Source>,
    /// Byte offset of its text; only scalars that stand in the file letter by letter have one.
    pub(crate) offset: Option<usize>,
}

/// A key and its value.
#[derive(Debug, Clone)]
pub(crate) struct Entry {
    /// The key.
    pub(crate) key: Box<str>,
    /// Byte offset of the key in the file of the value.
    pub(crate) offset: Option<usize>,
    /// The value.
    pub(crate) value: Node,
}

impl Node {
    /// The value of a key; `None` when this is no map or has no such key.
    pub(crate) fn get(&self, key: &str) -> Option<&Self> {
        self.entry(key).map(|entry| &entry.value)
    }

    /// A key with its value.
    pub(crate) fn entry(&self, key: &str) -> Option<&Entry> {
        match &self.kind {
            Kind::Map(entries) => entries.iter().find(|entry| &*entry.key == key),
            _ => None,
        }
    }

    /// Takes a key out of a map.
    pub(crate) fn remove(&mut self, key: &str) -> Option<Entry> {
        match &mut self.kind {
            Kind::Map(entries) => {
                let at = entries.iter().position(|entry| &*entry.key == key)?;
                Some(entries.remove(at))
            }
            _ => None,
        }
    }

    /// The first place inside it that is known, with the length of what stands there.
    pub(crate) fn first_offset(&self) -> Option<(usize, usize)> {
        match &self.kind {
            Kind::Null => None,
            Kind::Scalar { text, .. } => self.offset.map(|offset| (offset, text.len())),
            Kind::List(items) => items.iter().find_map(Self::first_offset),
            Kind::Map(entries) => entries.iter().find_map(|entry| entry.offset.map(|o| (o, entry.key.len()))),
        }
    }
}

/// Lays `over` on `base`: maps merge key by key, anything else is replaced. Every node keeps its file.
///
/// In `linearity`, `waived` and tolerances exclude each other, so the one that is laid over drives the other out.
pub(crate) fn merge(base: Node, over: Node) -> Node {
    match (base.kind, over.kind) {
        (Kind::Map(below), Kind::Map(above)) => {
            Node { kind: Kind::Map(merge_entries(below, above)), source: over.source, offset: over.offset }
        }
        (_, kind) => Node { kind, source: over.source, offset: over.offset },
    }
}

fn merge_entries(mut below: Vec<Entry>, above: Vec<Entry>) -> Vec<Entry> {
    let index: HashMap<Box<str>, usize> =
        below.iter().enumerate().map(|(at, entry)| (entry.key.clone(), at)).collect();
    for mut entry in above {
        match index.get(&entry.key).and_then(|at| below.get_mut(*at)) {
            Some(slot) => {
                let kind = std::mem::replace(&mut slot.value.kind, Kind::Null);
                let mut base =
                    Node { kind, source: Arc::clone(&slot.value.source), offset: slot.value.offset };
                if &*entry.key == "linearity" {
                    settle_linearity(&mut base, &entry.value);
                }
                entry.value = merge(base, entry.value);
                *slot = entry;
            }
            None => below.push(entry),
        }
    }
    below
}

fn settle_linearity(base: &mut Node, over: &Node) {
    let (Kind::Map(below), Kind::Map(above)) = (&mut base.kind, &over.kind) else { return };
    if above.iter().any(|entry| &*entry.key == "waived") {
        below.clear();
    } else if !above.is_empty() {
        below.retain(|entry| &*entry.key != "waived");
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Findings, parse};
    use super::*;

    fn tree(file: &str, text: &str) -> Node {
        parse(text.as_bytes(), &Arc::from(file), 0, &Findings::default()).unwrap()
    }

    /// A tree on one line, with the file of every scalar.
    fn show(node: &Node) -> String {
        match &node.kind {
            Kind::Null => "~".to_owned(),
            Kind::Scalar { text, .. } => format!("{text}@{}", node.source.file),
            Kind::List(items) => format!("[{}]", items.iter().map(show).collect::<Vec<_>>().join(", ")),
            Kind::Map(entries) => {
                let entry = |e: &Entry| format!("{}: {}", e.key, show(&e.value));
                format!("{{{}}}", entries.iter().map(entry).collect::<Vec<_>>().join(", "))
            }
        }
    }

    #[test]
    fn maps_merge_lists_replace_and_files_stay_known() {
        let base = tree("base", "a: {x: 1, y: [1, 2]}\nb: 1\nc: {z: 1}\n");
        let over = tree("over", "a: {y: [3], w: 4}\nc: 5\nd: ~\n");
        let merged = merge(base, over);
        assert_eq!(show(&merged), "{a: {x: 1@base, y: [3@over], w: 4@over}, b: 1@base, c: 5@over, d: ~}");
    }

    #[test]
    fn waived_and_tolerances_drive_each_other_out() {
        let both = |base: &str, over: &str| show(&merge(tree("f", base), tree("f", over)));
        let (waived, given) = ("linearity: {waived: x}", "linearity: {gain: 1 dB}");
        assert_eq!(both(waived, given), "{linearity: {gain: 1 dB@f}}");
        assert_eq!(both(given, waived), "{linearity: {waived: x@f}}");
        assert_eq!(both(given, "linearity: {phase: 1 deg}"), "{linearity: {gain: 1 dB@f, phase: 1 deg@f}}");
    }
}
