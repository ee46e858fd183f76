//! Following `extends`: the trees of a file and of those it extends, laid over each other.

use super::SORT;
use super::top_level::version;
use crate::diagnostic::Diagnostic;
use crate::yaml::{Findings, Node, Path, Value, merge, parse_as};
use std::sync::Arc;

/// Where spec files come from. What may be read is decided here: a spec names the files that it extends, and may be anybody's.
pub trait Files {
    /// The bytes of a file, or why they cannot be had (a fragment such as `no such file`).
    ///
    /// # Errors
    /// When the file cannot be read.
    fn read(&self, path: &str) -> Result<Vec<u8>, String>;
}

impl<F: Fn(&str) -> Result<Vec<u8>, String>> Files for F {
    fn read(&self, path: &str) -> Result<Vec<u8>, String> {
        self(path)
    }
}

/// Longest chain of files: no one needs as many, and a circle through links has no end.
const MOST_FILES: usize = 32;

/// The merged tree of a spec and the files that it was made of.
pub(super) struct Tree {
    pub(super) root: Node,
    /// The files reached by `extends`, nearest first.
    pub(super) extends: Vec<String>,
}

/// Reads `path` and everything it extends; `None` when a file of the chain cannot be read.
pub(super) fn tree(path: &str, files: &dyn Files, findings: &Findings) -> Option<Tree> {
    let mut layers: Vec<Node> = Vec::new();
    let mut reached = vec![path.to_owned()];
    match files.read(path) {
        Ok(bytes) => layers.push(parse_as(&SORT, &bytes, &Arc::from(path), 0, findings)?),
        Err(why) => {
            findings.push(
                Diagnostic::error("unreadable-file", format!("cannot be read: {why}"))
                    .in_file(&Arc::from(path)),
            );
            return None;
        }
    }
    while let Some(entry) = layers.last_mut().and_then(|layer| layer.remove("extends")) {
        let value = Value::at(&entry, &Path::ROOT, findings);
        let from = reached.last().map_or(path, String::as_str);
        let next = target(&value, from)?;
        if reached.iter().any(|file| normal(file) == normal(&next)) {
            let circle = format!("{} -> {next}", reached.join(" -> "));
            value.error(
                "extends-circle",
                format!("files extend each other in a circle: {circle}"),
                "remove one `extends`",
            );
            return None;
        }
        if reached.len() >= MOST_FILES {
            let message = format!("more than {MOST_FILES} files extend each other");
            value.error("extends-depth", message, "merge some of them");
            return None;
        }
        let bytes = match files.read(&next) {
            Ok(bytes) => bytes,
            Err(why) => {
                let help = "`extends` is relative to the folder of the file that it stands in";
                value.error("extends-unreadable", format!("`{next}` cannot be read: {why}"), help);
                return None;
            }
        };
        if !SORT.is_of(&bytes) {
            const HELP: &str = "name a spec, or a part of one: a map that begins with a key of a spec";
            value.error("extends-foreign", format!("`{next}` does not begin as a spec does"), HELP);
            return None;
        }
        let layer = parse_as(&SORT, &bytes, &Arc::from(next.as_str()), reached.len(), findings)?;
        if let Some(entry) = layer.entry("spec") {
            version(&Value::at(entry, &Path::ROOT, findings), "spec");
        }
        layers.push(layer);
        reached.push(next);
    }
    reached.remove(0);
    let root = layers.into_iter().rev().reduce(merge)?;
    Some(Tree { root, extends: reached })
}

/// The file that an `extends` names.
fn target(value: &Value<'_>, from: &str) -> Option<String> {
    let text = value.label("a file name such as `common.yaml`")?;
    let Ok(file) = beside(from, text) else {
        let message = format!("`{text}` is not a relative path with `/`");
        value.error(
            "extends-path",
            message,
            "name it relative to the folder of this file, such as `../common.yaml`",
        );
        return None;
    };
    let is_yaml = |ending: &str| text.to_ascii_lowercase().ends_with(ending);
    if !is_yaml(".yaml") && !is_yaml(".yml") {
        let message = format!("`{text}` does not end in `.yaml` or `.yml`");
        value.error("extends-path", message, "name a spec, or a part of one, such as `common.yaml`");
        return None;
    }
    Some(file)
}

/// The file that another one names by a path relative to its own folder.
///
/// # Errors
/// When it is no relative path with `/`, as a fragment for people.
pub(super) fn beside(from: &str, text: &str) -> Result<String, String> {
    let bytes = text.as_bytes();
    let drive = bytes.first().is_some_and(u8::is_ascii_alphabetic) && bytes.get(1) == Some(&b':');
    if text.starts_with('/') || text.contains('\\') || drive {
        return Err("it is not a relative path with `/`".to_owned());
    }
    Ok(match from.rsplit_once('/') {
        Some((folder, _)) => format!("{folder}/{text}"),
        None => text.to_owned(),
    })
}

/// A path without `.` and, as far as the text tells, without `..`.
fn normal(path: &str) -> String {
    let mut parts: Vec<&str> = Vec::new();
    for part in path.split('/') {
        match part {
            "" | "." => {}
            ".." if parts.last().is_some_and(|last| *last != "..") => {
                parts.pop();
            }
            _ => parts.push(part),
        }
    }
    let root = if path.starts_with('/') { "/" } else { "" };
    format!("{root}{}", parts.join("/"))
}
