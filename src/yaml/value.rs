//! Reading a tree: values that know their place and key path, maps whose unknown keys are found.

use super::Findings;
use super::node::{Entry, Kind, Node};
use super::source::Source;
use crate::diagnostic::{Diagnostic, nearest};
use std::cell::RefCell;
use std::sync::Arc;

/// Path of keys to a value, a list from the inside out; rendered only for a finding.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Path<'a> {
    parent: Option<&'a Path<'a>>,
    step: Step<'a>,
}

#[derive(Debug, Clone, Copy)]
enum Step<'a> {
    Root,
    Key(&'a str),
    Index(usize),
}

impl<'a> Path<'a> {
    /// The path of the whole file.
    pub(crate) const ROOT: Path<'static> = Path { parent: None, step: Step::Root };

    /// The path of a key of a map.
    pub(crate) const fn key(parent: &'a Path<'a>, key: &'a str) -> Self {
        Self { parent: Some(parent), step: Step::Key(key) }
    }

    /// The path of an item of a list, counted from 0 here and from 1 in what people read.
    pub(crate) const fn index(parent: &'a Path<'a>, index: usize) -> Self {
        Self { parent: Some(parent), step: Step::Index(index) }
    }

    /// `limits.crossover.max`, `corners[2].name`; items count from 1; `None` for the whole file.
    pub(crate) fn render(&self) -> Option<String> {
        let mut text = self.parent.and_then(Path::render).unwrap_or_default();
        match self.step {
            Step::Root => return None,
            Step::Key(key) => {
                if !text.is_empty() {
                    text.push('.');
                }
                text.push_str(key);
            }
            Step::Index(index) => text.push_str(&format!("[{}]", index + 1)),
        }
        Some(text)
    }
}

/// A stretch of a file.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Spot<'a> {
    source: &'a Arc<Source>,
    /// Offset and length; `None`: somewhere in the file.
    at: Option<(usize, usize)>,
}

impl<'a> Spot<'a> {
    /// The nearest known place of a node, else `or`.
    fn of(node: &'a Node, or: Self) -> Self {
        match &node.kind {
            Kind::Scalar { text, .. } => match node.offset {
                Some(offset) => Self { source: &node.source, at: Some((offset, text.len())) },
                None => or,
            },
            _ => or,
        }
    }

    /// The place of a key.
    pub(crate) fn of_key(entry: &'a Entry) -> Self {
        Self { source: &entry.value.source, at: entry.offset.map(|offset| (offset, entry.key.len())) }
    }

    /// This spot, or another one of the same file where this one is nowhere.
    fn or(self, other: Self) -> Self {
        if self.at.is_none() && Arc::ptr_eq(self.source, other.source) { other } else { self }
    }

    /// Whether it was written after another spot: nearer to the file that was asked for, or further down in it.
    pub(crate) fn is_after(&self, other: &Self) -> bool {
        let order = |spot: &Self| (std::cmp::Reverse(spot.source.rank), spot.at);
        order(self) > order(other)
    }

    /// Puts a diagnostic here.
    pub(crate) fn put(&self, diagnostic: Diagnostic, key: Option<String>) -> Diagnostic {
        match self.at {
            Some((offset, length)) => Diagnostic {
                place: Some(self.source.place(offset, key)),
                excerpt: Some(self.source.excerpt(&(offset..offset + length))),
                ..diagnostic
            },
            None => {
                let mut diagnostic = diagnostic.in_file(&self.source.file);
                if let Some(place) = diagnostic.place.as_mut() {
                    place.key = key;
                }
                diagnostic
            }
        }
    }
}

/// A value being read.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Value<'a> {
    /// The tree below.
    pub(crate) node: &'a Node,
    /// Its path of keys.
    pub(crate) path: Path<'a>,
    /// Where it is, or the key that it belongs to.
    pub(crate) spot: Spot<'a>,
    /// Whether its key must be there.
    pub(crate) is_required: bool,
    /// Where findings go.
    pub(crate) findings: &'a Findings,
}

impl<'a> Value<'a> {
    /// The root of a file.
    pub(crate) fn root(node: &'a Node, findings: &'a Findings) -> Self {
        // A merged map begins with the keys of the file below.
        let own = match &node.kind {
            Kind::Map(entries) => entries
                .iter()
                .filter(|entry| Arc::ptr_eq(&entry.value.source, &node.source))
                .filter_map(|entry| entry.offset.map(|offset| (offset, entry.key.len())))
                .min(),
            _ => node.first_offset(),
        };
        let at = Some(own.unwrap_or((0, 0)));
        Self { node, path: Path::ROOT, spot: Spot { source: &node.source, at }, is_required: true, findings }
    }

    /// A value under a path of one's own.
    pub(crate) fn at(entry: &'a Entry, parent: &'a Path<'a>, findings: &'a Findings) -> Self {
        let spot = Spot::of(&entry.value, Spot::of_key(entry));
        Self { node: &entry.value, path: Path::key(parent, &entry.key), spot, is_required: false, findings }
    }

    /// The value of an entry of this map. A key that is written with escapes has no place: then that of the map.
    pub(crate) fn inner<'s>(&'s self, entry: &'s Entry) -> Value<'s> {
        let value = Value::at(entry, &self.path, self.findings);
        Value { spot: value.spot.or(self.spot), ..value }
    }

    /// A diagnostic put at this value.
    pub(crate) fn placed(&self, diagnostic: Diagnostic) -> Diagnostic {
        self.spot.put(diagnostic, self.path.render())
    }

    /// A finding about this value.
    pub(crate) fn report(&self, diagnostic: Diagnostic) {
        self.findings.push(self.placed(diagnostic));
    }

    /// An error about this value, with how to mend it.
    pub(crate) fn error(&self, code: &'static str, message: impl Into<String>, help: impl Into<String>) {
        self.report(Diagnostic::error(code, message).with_help(help));
    }

    fn wrong_shape(&self, wanted: &str) {
        let found = match self.node.kind {
            Kind::Null => {
                return self.error("empty-value", "the key has no value", self.how_to_fill(wanted));
            }
            Kind::Scalar { .. } => "a single text",
            Kind::List(_) => "a list",
            Kind::Map(_) => "a map",
        };
        self.error(
            "wrong-shape",
            format!("this is {found}, {wanted} is wanted"),
            format!("write {wanted} here"),
        );
    }

    /// How to mend a value that is empty.
    pub(super) fn how_to_fill(&self, wanted: &str) -> String {
        if self.is_required {
            format!("write {wanted}: the key is required")
        } else {
            format!("write {wanted}, or remove the key")
        }
    }

    /// The line it stands on.
    pub(crate) fn line(&self) -> Option<u64> {
        self.spot.at.and_then(|(offset, _)| self.spot.source.place(offset, None).line)
    }

    /// The raw text of a scalar; `None` for anything else, which is not reported.
    pub(crate) fn scalar(&self) -> Option<&'a str> {
        match &self.node.kind {
            Kind::Scalar { text, .. } => Some(text),
            _ => None,
        }
    }

    /// Whether it is a switch, `true` or `no`, that stands without quotes.
    pub(crate) fn is_switch(&self) -> bool {
        const WORDS: [&str; 6] = ["true", "false", "yes", "no", "on", "off"];
        match &self.node.kind {
            Kind::Scalar { text, plain: true } => WORDS.iter().any(|word| text.eq_ignore_ascii_case(word)),
            _ => false,
        }
    }

    /// The raw text of a scalar; `wanted` says what for, with its article.
    pub(crate) fn text(&self, wanted: &str) -> Option<&'a str> {
        let text = self.scalar();
        if text.is_none() {
            self.wrong_shape(wanted);
        }
        text
    }

    /// The lines of a block of text, each as a value of its own at its place.
    pub(crate) fn lines(&self, wanted: &str) -> Option<Vec<(&'a str, Self)>> {
        let text = self.text(wanted)?;
        // The text of a block is no stretch of the file: its lines stand below the key, indented.
        let key = self.spot.at.map_or(0, |(offset, _)| offset);
        let rest = self.spot.source.text.get(key..).unwrap_or("");
        let mut offset = key + rest.find('\n').map_or(rest.len(), |end| end + 1);
        let mut below = rest.split_inclusive('\n').skip(1);
        let lines = text.lines().map(|line| {
            let raw = below.next().unwrap_or("");
            let found = raw.find(line.trim()).filter(|_| raw.trim() == line.trim());
            let at = found.map(|begin| (offset + begin, line.trim().len())).or(self.spot.at);
            offset += raw.len();
            (line.trim(), Self { spot: Spot { at, ..self.spot }, ..*self })
        });
        Some(lines.collect())
    }

    /// The keys of a map; `wanted` says what for, with its article and an example.
    pub(crate) fn fields(&self, wanted: &str) -> Option<Fields<'a>> {
        match &self.node.kind {
            Kind::Map(entries) => Some(Fields { value: *self, entries, asked: RefCell::new(Vec::new()) }),
            _ => {
                self.wrong_shape(wanted);
                None
            }
        }
    }

    /// The entries of a map with free keys, in the file's order.
    pub(crate) fn entries(&self, wanted: &str) -> Option<&'a [Entry]> {
        match &self.node.kind {
            Kind::Map(entries) => Some(entries),
            _ => {
                self.wrong_shape(wanted);
                None
            }
        }
    }

    /// The items of a list.
    pub(crate) fn items<'s>(
        &'s self,
        wanted: &str,
    ) -> Option<impl ExactSizeIterator<Item = Value<'s>> + use<'s, 'a>> {
        match &self.node.kind {
            Kind::List(items) => {
                let item = |(index, node): (usize, &'s Node)| {
                    let near = Spot { source: &node.source, at: node.first_offset().or(self.spot.at) };
                    Value {
                        node,
                        path: Path::index(&self.path, index),
                        spot: Spot::of(node, near),
                        is_required: false,
                        findings: self.findings,
                    }
                };
                Some(items.iter().enumerate().map(item))
            }
            _ => {
                self.wrong_shape(wanted);
                None
            }
        }
    }
}

/// A map whose keys are known.
pub(crate) struct Fields<'a> {
    /// The map itself.
    pub(crate) value: Value<'a>,
    entries: &'a [Entry],
    asked: RefCell<Vec<&'static str>>,
}

impl<'a> Fields<'a> {
    /// The value of a key, `None` when it is not there. Makes the key known.
    pub(crate) fn get<'s>(&'s self, key: &'static str) -> Option<Value<'s>> {
        let mut asked = self.asked.borrow_mut();
        if !asked.contains(&key) {
            asked.push(key);
        }
        let entry = self.entries.iter().find(|entry| &*entry.key == key)?;
        Some(self.value.inner(entry))
    }

    /// The value of a key that must be there; `example` shows the key with a value.
    pub(crate) fn required<'s>(&'s self, key: &'static str, example: &str) -> Option<Value<'s>> {
        let value = self.get(key).map(|value| Value { is_required: true, ..value });
        if value.is_none() {
            let message = format!("the key `{key}` is missing");
            self.value.error("missing-key", message, format!("add for example `{example}`"));
        }
        value
    }

    /// Whether a key is there. Does not make it known.
    pub(crate) fn has(&self, key: &str) -> bool {
        self.entries.iter().any(|entry| &*entry.key == key)
    }

    /// Reports every key that was not asked for.
    pub(crate) fn finish(&self) {
        let asked = self.asked.borrow();
        for entry in self.entries.iter().filter(|entry| !asked.contains(&&*entry.key)) {
            let message = format!("unknown key `{}`", entry.key);
            let known = format!("known here: {}", asked.join(", "));
            let help = match nearest(&entry.key, asked.iter().copied()) {
                Some(near) => format!("did you mean `{near}`? {known}"),
                None => known,
            };
            let path = Path::key(&self.value.path, &entry.key);
            let diagnostic = Diagnostic::error("unknown-key", message).with_help(help);
            // A merge key was already refused by name.
            if &*entry.key != "<<" {
                let spot = Spot::of_key(entry).or(self.value.spot);
                self.value.findings.push(spot.put(diagnostic, path.render()));
            }
        }
    }
}

/// Puts a diagnostic at the value of a key of the top level; where there is no such key, at the start of the map.
pub(crate) fn at_key(root: &Node, key: &str, diagnostic: Diagnostic) -> Diagnostic {
    let findings = Findings::default();
    let top = Value::root(root, &findings);
    root.entry(key).map_or(top, |entry| top.inner(entry)).placed(diagnostic)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paths_read_like_the_file() {
        let limits = Path::key(&Path::ROOT, "limits");
        let gain = Path::key(&limits, "gain");
        let second = Path::index(&gain, 1);
        assert_eq!(Path::key(&second, "max").render().as_deref(), Some("limits.gain[2].max"));
        assert_eq!(Path::ROOT.render(), None);
    }
}
