//! A tree as JSON text: what a spec comes to once everything it extends is laid together.

use super::{Kind, Node};
use std::fmt::Write;

/// The tree as one line of JSON, keys in the tree's order, every scalar as the text that was written.
pub(crate) fn canonical(node: &Node) -> String {
    let mut text = String::new();
    push(node, &mut text);
    text
}

fn push(node: &Node, text: &mut String) {
    match &node.kind {
        Kind::Null => text.push_str("null"),
        Kind::Scalar { text: scalar, .. } => push_string(scalar, text),
        Kind::List(items) => {
            text.push('[');
            for (index, item) in items.iter().enumerate() {
                text.push_str(if index == 0 { "" } else { ", " });
                push(item, text);
            }
            text.push(']');
        }
        Kind::Map(entries) => {
            text.push('{');
            for (index, entry) in entries.iter().enumerate() {
                text.push_str(if index == 0 { "" } else { ", " });
                push_string(&entry.key, text);
                text.push_str(": ");
                push(&entry.value, text);
            }
            text.push('}');
        }
    }
}

/// A text as a string of JSON.
pub(crate) fn json_string(string: &str) -> String {
    let mut text = String::new();
    push_string(string, &mut text);
    text
}

/// A string of JSON (RFC 8259, section 7).
fn push_string(string: &str, text: &mut String) {
    text.push('"');
    for c in string.chars() {
        match c {
            '"' => text.push_str("\\\""),
            '\\' => text.push_str("\\\\"),
            c if u32::from(c) < 0x20 => {
                // Writing to a string cannot fail.
                let _ = write!(text, "\\u{:04x}", u32::from(c));
            }
            c => text.push(c),
        }
    }
    text.push('"');
}

#[cfg(test)]
mod tests {
    use super::super::{Findings, parse};
    use super::*;
    use std::sync::Arc;

    #[test]
    fn a_tree_reads_as_json() {
        let yaml = "a: 2.10\nb: [~, \"x \\\" \\\\ \\t\", {}]\nc: {d: 5 kHz}\n";
        let tree = parse(yaml.as_bytes(), &Arc::from("f"), 0, &Findings::default()).unwrap();
        let text = canonical(&tree);
        assert_eq!(text, r#"{"a": "2.10", "b": [null, "x \" \\ \u0009", {}], "c": {"d": "5 kHz"}}"#);
        let value: serde_json::Value = serde_json::from_str(&text).unwrap();
        assert_eq!(value["b"][1], "x \" \\ \t");
    }
}
