//! From parser events to a tree.
//!
//! `serde_yaml` tells the shape of an unknown value only through `deserialize_any`, which loses the text of what looks
//! like a number, a boolean or null; `deserialize_str` keeps the text but must know that a scalar comes. One
//! pass does when the first byte after a key gives the right idea, else a first pass finds the shape and a second one the
//! texts. Texts that stand in the file letter by letter are borrowed from it, which gives their place.

use super::guard::{MOST_LEVELS, MOST_NODES};
use super::node::{Entry, Kind, Node};
use super::source::Source;
use serde::de::{
    Deserialize, DeserializeSeed, Deserializer, EnumAccess, Error, IgnoredAny, MapAccess, SeqAccess, Visitor,
};
use std::collections::HashSet;
use std::fmt;
use std::ops::Range;
use std::sync::Arc;

/// Something that the walk refuses.
#[derive(Debug)]
pub(super) struct Trouble {
    pub(super) code: &'static str,
    pub(super) message: String,
    pub(super) help: &'static str,
    /// Bytes of the text; `None`: where the parser stopped.
    pub(super) range: Option<Range<usize>>,
}

/// How a pass knows what comes.
#[derive(Clone, Copy)]
pub(super) enum Plan<'p> {
    /// From the first byte after the key.
    Guess,
    /// Only the shape is wanted.
    Shape,
    /// From the tree of an earlier pass.
    Known(&'p Node),
}

/// What a pass keeps along the way.
pub(super) struct State<'s> {
    source: &'s Arc<Source>,
    nodes: usize,
    depth: usize,
    /// Why the pass was ended, when it was.
    pub(super) stopped: Option<Trouble>,
    /// What is wrong without ending the pass.
    pub(super) noted: Vec<Trouble>,
}

/// One pass over the text.
pub(super) fn pass<'s>(
    source: &'s Arc<Source>,
    plan: Plan<'_>,
) -> (Result<Node, serde_yaml::Error>, State<'s>) {
    let mut state = State { source, nodes: 0, depth: 0, stopped: None, noted: Vec::new() };
    let seed = Seed { state: &mut state, plan, expect_scalar: false };
    let result = seed.deserialize(serde_yaml::Deserializer::from_str(&source.text));
    (result, state)
}

impl State<'_> {
    fn stop<E: Error>(&mut self, trouble: Trouble) -> E {
        self.stopped.get_or_insert(trouble);
        E::custom("stopped")
    }

    fn node<E: Error>(&mut self, kind: Kind, offset: Option<usize>) -> Result<Node, E> {
        Ok(Node { kind, source: Arc::clone(self.source), offset })
    }

    fn count<E: Error>(&mut self) -> Result<(), E> {
        self.nodes += 1;
        if self.nodes <= MOST_NODES {
            return Ok(());
        }
        Err(self.stop(Trouble {
            code: "yaml-nodes",
            message: format!(
                "the file has more than {MOST_NODES} values, those behind aliases counted each time"
            ),
            help: "split it, or check that this is the file you meant",
            range: None,
        }))
    }

    fn enter<E: Error>(&mut self) -> Result<(), E> {
        self.depth += 1;
        if self.depth <= MOST_LEVELS {
            return Ok(());
        }
        Err(self.stop(Trouble {
            code: "yaml-nesting",
            message: format!("lists and maps are nested more than {MOST_LEVELS} levels deep"),
            help: "check the indentation",
            range: None,
        }))
    }

    /// Where a text that was borrowed from the source stands in it.
    fn offset_of(&self, borrowed: &str) -> Option<usize> {
        let offset = (borrowed.as_ptr() as usize).checked_sub(self.source.text.as_ptr() as usize)?;
        (self.source.text.get(offset..offset + borrowed.len()) == Some(borrowed)).then_some(offset)
    }

    fn byte(&self, at: usize) -> Option<u8> {
        self.source.text.as_bytes().get(at).copied()
    }

    fn is_quoted(&self, offset: usize) -> bool {
        offset.checked_sub(1).is_some_and(|before| matches!(self.byte(before), Some(b'"' | b'\'')))
    }

    /// Notes a tag that stands before a scalar on its line. Tags of the application reach the visitor by themselves, those
    /// of YAML (`!!str`) do not.
    fn look_for_tag(&mut self, offset: usize) {
        let start = if self.is_quoted(offset) { offset.saturating_sub(1) } else { offset };
        let before = self.source.text.get(..start).unwrap_or("");
        // The first key or item of a tagged collection stands right behind its bracket.
        let trimmed = before.trim_end_matches([' ', '\t', '{', '[']);
        if trimmed.len() == before.len()
            || !trimmed.ends_with(|c: char| c.is_alphanumeric() || c == '!' || c == '>')
        {
            return;
        }
        let begin = trimmed.rfind([' ', '\t', '\n', '\r', '[', '{', ',']).map_or(0, |at| at + 1);
        if trimmed.get(begin..).is_some_and(|token| token.starts_with('!')) {
            self.noted.push(tag_trouble(Some(begin..trimmed.len())));
        }
    }

    /// The first byte of the value of a key that ends at `end` (behind its anchor), when it stands on the key's line.
    fn value_after(&self, end: usize) -> Option<(usize, u8)> {
        let end = end + usize::from(matches!(self.byte(end), Some(b'"' | b'\'')));
        let rest = self.source.text.get(end..)?;
        let blanks = [' ', '\t'];
        let mut value = rest.trim_start_matches(blanks).strip_prefix(':')?.trim_start_matches(blanks);
        if value.starts_with('&') {
            value = value.trim_start_matches(|c: char| !c.is_whitespace()).trim_start_matches(blanks);
        }
        Some((self.source.text.len() - value.len(), value.bytes().next()?))
    }
}

fn tag_trouble(range: Option<Range<usize>>) -> Trouble {
    Trouble {
        code: "yaml-tag",
        message: "YAML tags (`!name`) are not allowed".to_owned(),
        help: "remove the tag, or quote the text",
        range,
    }
}

/// Reads one value.
struct Seed<'x, 's, 'p> {
    state: &'x mut State<'s>,
    plan: Plan<'p>,
    expect_scalar: bool,
}

impl<'de> DeserializeSeed<'de> for Seed<'_, '_, '_> {
    type Value = Node;

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<Node, D::Error> {
        self.state.count()?;
        match self.plan {
            Plan::Known(node) => match node.kind {
                Kind::Scalar { .. } => deserializer.deserialize_str(self),
                Kind::List(_) => deserializer.deserialize_seq(self),
                Kind::Map(_) => deserializer.deserialize_map(self),
                Kind::Null => {
                    IgnoredAny::deserialize(deserializer)?;
                    self.state.node(Kind::Null, None)
                }
            },
            Plan::Guess if self.expect_scalar => deserializer.deserialize_option(self),
            Plan::Guess | Plan::Shape => deserializer.deserialize_any(self),
        }
    }
}

impl Seed<'_, '_, '_> {
    /// A number or a boolean came, and its text is lost.
    fn lost<E: Error>(self) -> Result<Node, E> {
        match self.plan {
            Plan::Shape => self.state.node(Kind::Scalar { text: "".into(), plain: true }, None),
            Plan::Guess | Plan::Known(_) => Err(E::custom("a second pass is needed")),
        }
    }
}

impl<'de> Visitor<'de> for Seed<'_, '_, '_> {
    type Value = Node;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a value")
    }

    fn visit_none<E: Error>(self) -> Result<Node, E> {
        self.state.node(Kind::Null, None)
    }

    fn visit_unit<E: Error>(self) -> Result<Node, E> {
        self.state.node(Kind::Null, None)
    }

    fn visit_some<D: Deserializer<'de>>(self, deserializer: D) -> Result<Node, D::Error> {
        deserializer.deserialize_str(self)
    }

    fn visit_borrowed_str<E: Error>(self, text: &'de str) -> Result<Node, E> {
        let offset = self.state.offset_of(text);
        if let Some(offset) = offset {
            self.state.look_for_tag(offset);
        }
        let plain = offset.is_some_and(|offset| !self.state.is_quoted(offset));
        self.state.node(Kind::Scalar { text: text.into(), plain }, offset)
    }

    fn visit_str<E: Error>(self, text: &str) -> Result<Node, E> {
        self.state.node(Kind::Scalar { text: text.into(), plain: false }, None)
    }

    fn visit_bool<E: Error>(self, _: bool) -> Result<Node, E> {
        self.lost()
    }

    fn visit_i64<E: Error>(self, _: i64) -> Result<Node, E> {
        self.lost()
    }

    fn visit_i128<E: Error>(self, _: i128) -> Result<Node, E> {
        self.lost()
    }

    fn visit_u64<E: Error>(self, _: u64) -> Result<Node, E> {
        self.lost()
    }

    fn visit_u128<E: Error>(self, _: u128) -> Result<Node, E> {
        self.lost()
    }

    fn visit_f64<E: Error>(self, _: f64) -> Result<Node, E> {
        self.lost()
    }

    fn visit_enum<A: EnumAccess<'de>>(self, _: A) -> Result<Node, A::Error> {
        Err(self.state.stop(tag_trouble(None)))
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut access: A) -> Result<Node, A::Error> {
        let Self { state, plan, .. } = self;
        state.enter()?;
        let mut items = Vec::new();
        loop {
            let plan = match plan {
                Plan::Known(Node { kind: Kind::List(known), .. }) => {
                    // An end of the list is asked for with any plan.
                    known.get(items.len()).map_or(Plan::Shape, Plan::Known)
                }
                other => other,
            };
            let seed = Seed { state: &mut *state, plan, expect_scalar: false };
            let Some(item) = access.next_element_seed(seed)? else { break };
            items.push(item);
        }
        state.depth -= 1;
        state.node(Kind::List(items), None)
    }

    fn visit_map<A: MapAccess<'de>>(self, mut access: A) -> Result<Node, A::Error> {
        let Self { state, plan, .. } = self;
        state.enter()?;
        let mut map = MapInProgress::default();
        while let Some((key, offset)) = access.next_key_seed(KeySeed { state: &mut *state })? {
            let end = offset.map(|offset| offset + key.len());
            let value = end.and_then(|end| state.value_after(end));
            if let Some((at, b'!')) = value {
                state.noted.push(tag_trouble(Some(at..at + 1)));
            }
            let first = value.map_or(0, |(_, byte)| byte);
            let expect_scalar = matches!(
                first,
                b'0'..=b'9' | b'+' | b'-' | b'.' | b'~' | b't' | b'T' | b'f' | b'F' | b'n' | b'N'
            );
            let plan = match plan {
                Plan::Known(Node { kind: Kind::Map(known), .. }) => {
                    known.get(map.read).map_or(Plan::Shape, |entry| Plan::Known(&entry.value))
                }
                other => other,
            };
            let value = access.next_value_seed(Seed { state: &mut *state, plan, expect_scalar })?;
            let keep_all = matches!(plan, Plan::Shape);
            map.push(Entry { key, offset, value }, keep_all, state);
        }
        state.depth -= 1;
        state.node(Kind::Map(map.entries), None)
    }
}

/// Entries read so far, and their keys once there are many.
#[derive(Default)]
struct MapInProgress {
    entries: Vec<Entry>,
    keys: HashSet<Box<str>>,
    read: usize,
}

/// Maps up to this size are searched for a repeated key entry by entry.
const SMALL_MAP: usize = 16;

impl MapInProgress {
    fn push(&mut self, entry: Entry, keep_all: bool, state: &mut State<'_>) {
        self.read += 1;
        let repeated = if self.entries.len() < SMALL_MAP {
            self.entries.iter().any(|e| e.key == entry.key)
        } else {
            if self.keys.is_empty() {
                self.keys.extend(self.entries.iter().map(|e| e.key.clone()));
            }
            !self.keys.insert(entry.key.clone())
        };
        if repeated && !keep_all {
            let place = |offset: usize| state.source.place(offset, None).line.unwrap_or(0);
            let first = self.entries.iter().find(|e| e.key == entry.key).and_then(|e| e.offset).map(place);
            let first = first.map_or(String::new(), |line| format!(", first on line {line}"));
            state.noted.push(Trouble {
                code: "yaml-duplicate-key",
                message: format!("the key `{}` stands here a second time{first}", entry.key),
                help: "keep one of the two",
                range: entry.offset.map(|offset| offset..offset + entry.key.len()),
            });
        } else {
            self.entries.push(entry);
        }
    }
}

/// Reads one key: its text and place.
struct KeySeed<'x, 's> {
    state: &'x mut State<'s>,
}

impl KeySeed<'_, '_> {
    fn check<E: Error>(self, text: &str, offset: Option<usize>) -> Result<(Box<str>, Option<usize>), E> {
        let range = offset.map(|offset| offset..offset + text.len());
        if text == "<<" {
            self.state.noted.push(Trouble {
                code: "yaml-merge-key",
                message: "the merge key `<<` is not allowed".to_owned(),
                help: "use `extends`, or write the keys out",
                range,
            });
        } else if text.is_empty() {
            return Err(self.state.stop(Trouble {
                code: "yaml-key",
                message: "a key is empty".to_owned(),
                help: "write `key: value`",
                range: None,
            }));
        }
        if let Some(offset) = offset {
            self.state.look_for_tag(offset);
        }
        Ok((text.into(), offset))
    }
}

impl<'de> DeserializeSeed<'de> for KeySeed<'_, '_> {
    type Value = (Box<str>, Option<usize>);

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<Self::Value, D::Error> {
        deserializer.deserialize_str(self)
    }
}

impl<'de> Visitor<'de> for KeySeed<'_, '_> {
    type Value = (Box<str>, Option<usize>);

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a text as the key")
    }

    fn visit_borrowed_str<E: Error>(self, text: &'de str) -> Result<Self::Value, E> {
        let offset = self.state.offset_of(text);
        self.check(text, offset)
    }

    fn visit_str<E: Error>(self, text: &str) -> Result<Self::Value, E> {
        self.check(text, None)
    }
}
